"""Receipts: every key of the contract, one line a value, read back as written, written once."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dncd import defaults
from dncd.records import receipts
from dncd.records.receipts import KEYS, Receipt, parse

PAIRS = [(key, f"some {key}") for key in KEYS]


def read_by_hand(text: str) -> dict[str, list[str]]:
    """The reading that the contract's words give: lines `key: value`."""
    found: dict[str, list[str]] = {}
    for line in text.split("\n"):
        key, colon, value = line.partition(":")
        if colon and not line.startswith(" "):
            found.setdefault(key.strip(), []).append(value.strip())
    return found


@given(st.lists(st.tuples(st.sampled_from(["reason", "caution", "wire_sha256"]), st.text()), max_size=8))
def test_what_is_written_is_read_back(more: list[tuple[str, str]]) -> None:
    receipt = Receipt.of([*PAIRS, *more])
    text = receipt.render()
    assert parse(text) == receipt
    assert len(text.split("\n")) == len(PAIRS) + len(more) + 1, "a value is one line whatever stands in it"
    by_hand = read_by_hand(text)
    assert by_hand["file"] == ["some file"]
    assert by_hand.get("reason", []) == list(receipt.all("reason"))
    text.encode("utf-8")


@pytest.mark.parametrize("key", KEYS)
def test_a_receipt_without_a_key_is_none(key: str) -> None:
    with pytest.raises(ValueError, match=key):
        Receipt.of(pair for pair in PAIRS if pair[0] != key)
    with pytest.raises(ValueError, match=key):
        Receipt.of([*(pair for pair in PAIRS if pair[0] != key), (key, " ")])


def test_peer_text_is_made_printable() -> None:
    receipt = Receipt.of([*PAIRS, ("reason", "a\nresult: sent\x1b[2J\udcff")])
    assert receipt.get("reason") == r"a\nresult: sent\x1b[2J\udcff"
    assert read_by_hand(receipt.render())["result"] == ["some result"]


def test_many_findings_are_counted() -> None:
    lines = receipts.reasons(str(n) for n in range(defaults.REASONS + 7))
    assert len(lines) == defaults.REASONS + 1
    assert "7 more" in lines[-1][1]
    assert receipts.reasons(["one"]) == [("reason", "one")]


def test_it_is_written_once_and_overwrites_nothing(tmp_path: Path) -> None:
    path = receipts.path_for(tmp_path / "O0004.nc")
    assert path.name == "O0004.nc.receipt.txt"
    file, one, other = tmp_path / "O0004.nc", Receipt.of(PAIRS), Receipt.of([*PAIRS, ("reason", "x")])
    receipts.write(file, PAIRS)
    receipts.write(file, PAIRS)
    assert [p.name for p in tmp_path.iterdir()] == [path.name]
    receipts.write(file, other.lines)
    assert receipts.read(path) == other
    texts = sorted(p.read_text() for p in tmp_path.iterdir())
    assert texts == sorted([one.render(), other.render()])
