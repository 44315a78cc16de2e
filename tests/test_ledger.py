"""The ledger: chained, synced, mended after a cut, and every tampering but a cut tail found by the chain itself."""

import errno
import hashlib
import json
import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import pytest
from failing_disk import FailingDisk, Kill, steps, used
from forked_children import Loaded
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dncd.errors import RecordsError, StateHeldError
from dncd.records import durable
from dncd.records.ledger import NO_HASH, Ledger, check_chain, files_of, records

START = datetime(2026, 11, 25, 10, 15, 2, tzinfo=UTC)


class Clock:
    def __init__(self, now: datetime = START) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now


class Lazy(durable.Disk):
    """Syncs nothing: for tests that are about order, not about power cuts."""

    def fsync(self, fd: int) -> None:
        pass


@pytest.fixture(autouse=True, scope="module")
def _lazy() -> Iterator[None]:
    with used(Lazy()):
        yield


def by_hand(state: Path) -> list[dict[str, object]]:
    """The reading of contract 5, by its words alone (json and hashlib of the standard library)."""
    found: list[dict[str, object]] = []
    prev = "0" * 64
    for path in sorted((state / "ledger").glob("*.jsonl")):
        for line in path.read_text("utf-8").split("\n")[:-1]:
            record = json.loads(line)
            body = {k: v for k, v in record.items() if k != "hash"}
            text = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
            assert record["hash"] == hashlib.sha256(text.encode()).hexdigest()
            assert record["prev"] == prev
            assert record["seq"] == len(found) + 1
            prev = record["hash"]
            found.append(record)
    return found


def filled(state: Path, count: int) -> None:
    clock = Clock()
    ledger = Ledger.open(state, clock)
    try:
        for n in range(count):
            ledger.append("sent", {"machine": "gang-lathe", "file": f"{n}.nc"})
            clock.now += timedelta(days=4)
    finally:
        ledger.close()


def test_lines_are_as_the_contract_says(tmp_path: Path) -> None:
    ledger = Ledger.open(tmp_path, clock=Clock())
    first = ledger.append("started")
    line = ledger.append(
        "sent", {"machine": "bore-mill", "file": "CAFÉ\n\udcff.nc", "wire_chars": 3, "programs": ["é"]}
    )
    ledger.close()
    assert by_hand(tmp_path) == [first, line] == list(records(tmp_path))
    assert first["prev"] == NO_HASH
    assert line["time"] == "2026-11-25T10:15:02.000Z"
    assert line["file"] == r"CAFÉ\n\udcff.nc"
    assert [p.name for p in files_of(tmp_path)] == ["2026-11.jsonl"]
    assert check_chain(tmp_path) == []


def test_what_the_service_says_does_not_forge_the_chain(tmp_path: Path) -> None:
    ledger = Ledger.open(tmp_path, Clock())
    line = ledger.append("sent", {"seq": 99, "prev": "x", "hash": "y", "event": "no", "time": "never"})
    ledger.close()
    assert (line["seq"], line["event"]) == (1, "sent")
    assert len(by_hand(tmp_path)) == 1


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(days=st.lists(st.integers(-400, 400), min_size=1, max_size=25), reopen=st.sets(st.integers(0, 24)))
def test_clocks_that_jump_change_no_order(
    days: list[int], reopen: set[int], tmp_path_factory: pytest.TempPathFactory
) -> None:
    state = tmp_path_factory.mktemp("jump")
    clock = Clock()
    ledger = Ledger.open(state, clock)
    for n, jump in enumerate(days):
        clock.now = START + timedelta(days=jump)
        if n in reopen:
            ledger.close()
            ledger = Ledger.open(state, clock)
        ledger.append("sent", {"n": n})
    ledger.close()
    assert [r["n"] for r in by_hand(state)] == list(range(len(days)))
    assert check_chain(state) == []


def test_one_writer(tmp_path: Path) -> None:
    ledger = Ledger.open(tmp_path)
    with pytest.raises(StateHeldError):
        Ledger.open(tmp_path)
    ledger.close()
    Ledger.open(tmp_path).close()


def test_recent_lines_are_found_from_the_end(tmp_path: Path) -> None:
    filled(tmp_path, 40)
    ledger = Ledger.open(tmp_path, Clock())
    assert [r["seq"] for r in ledger.since(17)] == list(range(18, 41))
    assert ledger.since(40) == []
    assert len(ledger.since(0)) == 40
    ledger.close()


# --- power cuts and bad disks --------------------------------------------------------------------------------------------
def test_every_length_of_a_half_written_line_is_mended(tmp_path: Path) -> None:
    filled(tmp_path, 3)
    path = files_of(tmp_path)[-1]
    whole = path.read_bytes()
    before = whole.rstrip(b"\n").rpartition(b"\n")[0]
    start = len(before) + 1 if before else 0
    for cut in range(start + 1, len(whole)):
        for old in (tmp_path / "ledger").glob("torn-*"):
            old.unlink()
        path.write_bytes(whole[:cut])
        assert len(list(records(tmp_path))) == 2, "a reader sees whole lines only"
        ledger = Ledger.open(tmp_path, Clock())
        assert len(ledger.notes) == 1
        expected = 3 if cut == len(whole) - 1 else 2  # only the line end was missing
        assert ledger.seq == expected
        ledger.append("started")
        ledger.close()
        assert len(by_hand(tmp_path)) == expected + 1
        torn = [p.read_bytes() for p in (tmp_path / "ledger").glob("torn-*")]
        assert torn == ([] if expected == 3 else [whole[start:cut]]), "set aside, not thrown away"


def test_blocks_of_zeros_at_the_end_are_set_aside(tmp_path: Path) -> None:
    filled(tmp_path, 2)
    path = files_of(tmp_path)[-1]
    with path.open("ab") as file:
        file.write(bytes(5000) + b"\n" + bytes(100))
    ledger = Ledger.open(tmp_path, Clock())
    assert len(ledger.notes) == 2
    ledger.append("started")
    ledger.close()
    assert len(by_hand(tmp_path)) == 3
    assert sum(p.stat().st_size for p in (tmp_path / "ledger").glob("torn-*")) == 5101


def test_a_disk_that_fails_or_stops_at_each_operation(tmp_path: Path) -> None:
    """What append returned is there after the next opening; what it refused is not, unless the power went."""

    def flow(state: Path, *, told: list[int]) -> None:
        ledger = Ledger.open(state, Clock())
        try:
            for n in range(3):
                ledger.append("sent", {"n": n})
                told.append(n)
        finally:
            ledger.close()

    for way in (errno.ENOSPC, errno.EIO, Kill):
        for k in steps(partial(flow, tmp_path / f"count{way}", told=[])):
            state = tmp_path / f"{way}-{k}"
            told: list[int] = []
            with pytest.raises((RecordsError, Kill)), used(FailingDisk(k, way)):
                flow(state, told=told)
            ledger = Ledger.open(state, Clock())
            kept = [r["n"] for r in by_hand(state)]
            ledger.append("started")
            ledger.close()
            assert kept[: len(told)] == told, (way, k)
            assert len(kept) <= len(told) + (way is Kill), (way, k)
            assert by_hand(state)[-1]["event"] == "started"


def test_a_full_disk_that_has_room_again_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    disk = FailingDisk()
    monkeypatch.setattr(durable, "DISK", disk)
    ledger = Ledger.open(tmp_path, Clock())
    ledger.append("started")
    for k in (1, 2):  # the write, then the sync
        disk.at, disk.done = k, []
        with pytest.raises(RecordsError, match="room"):
            ledger.append("sent", {"n": k})
        disk.at = 0
        ledger.append("sent", {"n": k})
    ledger.close()
    assert [r.get("n") for r in by_hand(tmp_path)] == [None, 1, 2]


def test_a_disk_that_cannot_even_cut_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The bytes of a refused line stay behind: they must not be taken for one, nor spoil the next."""

    class Worse(FailingDisk):
        def truncate(self, fd: int, size: int) -> None:
            if self.at:
                raise OSError(errno.EIO, "no")
            super().truncate(fd, size)

    disk = Worse()
    monkeypatch.setattr(durable, "DISK", disk)
    ledger = Ledger.open(tmp_path, Clock())
    ledger.append("started")
    disk.at, disk.done, disk.error = 2, [], errno.EIO  # the sync after the write: the whole line is in the file
    with pytest.raises(RecordsError):
        ledger.append("sent", {"n": 1})
    with pytest.raises(RecordsError):
        ledger.since(0)
    disk.at = 0
    assert [r["seq"] for r in ledger.since(0)] == [1]
    ledger.append("sent", {"n": 2})
    ledger.close()
    assert [r.get("n") for r in by_hand(tmp_path)] == [None, 2]


# --- tampering -------------------------------------------------------------------------------------------------------------
@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[bytes]]:
    state = tmp_path_factory.mktemp("original")
    filled(state, 20)
    return {p.name: p.read_bytes().splitlines(keepends=True) for p in files_of(state)}


def changed(original: dict[str, list[bytes]], state: Path, lines: list[tuple[str, bytes]]) -> Path:
    (state / "ledger").mkdir(parents=True)
    for name in original:
        (state / "ledger" / name).write_bytes(b"".join(line for file, line in lines if file == name))
    return state


def flat(original: dict[str, list[bytes]]) -> list[tuple[str, bytes]]:
    return [(name, line) for name, lines in original.items() for line in lines]


def test_every_single_line_that_is_taken_out_or_swapped_is_found(original, tmp_path: Path) -> None:
    lines = flat(original)
    assert check_chain(changed(original, tmp_path / "whole", lines)) == []
    for n in range(len(lines) - 1):
        without = changed(original, tmp_path / f"out{n}", lines[:n] + lines[n + 1 :])
        faults = check_chain(without)
        assert [f.seq for f in faults] == [n + 1], "the missing one is named"
        assert "missing" in faults[0].what
        swapped = list(lines)
        swapped[n], swapped[n + 1] = (lines[n][0], lines[n + 1][1]), (lines[n + 1][0], lines[n][1])
        assert check_chain(changed(original, tmp_path / f"swap{n}", swapped)), n
        doubled = changed(original, tmp_path / f"twice{n}", [*lines[: n + 1], lines[n], *lines[n + 1 :]])
        assert [f.what for f in check_chain(doubled)] == ["stands out of order, or twice"]


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(data=st.data())
def test_every_changed_byte_is_found(data: st.DataObject, original, tmp_path_factory: pytest.TempPathFactory) -> None:
    lines = flat(original)
    n = data.draw(st.integers(0, len(lines) - 1))
    name, line = lines[n]
    at = data.draw(st.integers(0, len(line) - 2))
    byte = data.draw(st.integers(32, 126).filter(lambda b: b != line[at]))
    lines[n] = (name, line[:at] + bytes([byte]) + line[at + 1 :])
    faults = check_chain(changed(original, tmp_path_factory.mktemp("byte"), lines))
    assert faults, (line, at, byte)
    files = [file for file, _ in lines]
    place = (name, files[: n + 1].count(name))
    assert (faults[0].file, faults[0].line) == place


def test_a_line_made_anew_with_its_own_hash_is_found(original, tmp_path: Path) -> None:
    lines = flat(original)
    record = json.loads(lines[7][1])
    record["file"] = "forged.nc"
    body = {k: v for k, v in record.items() if k != "hash"}
    text = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    record["hash"] = hashlib.sha256(text.encode()).hexdigest()
    forged = json.dumps(record, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode() + b"\n"
    lines[7] = (lines[7][0], forged)
    faults = check_chain(changed(original, tmp_path / "s", lines))
    assert [f.seq for f in faults] == [9]
    assert "prev" in faults[0].what


# --- kill -9 ---------------------------------------------------------------------------------------------------------------
CHILD = """
from pathlib import Path
from dncd.records.ledger import Ledger

def child(state):
    ledger = Ledger.open(Path(state))
    while True:
        print(ledger.append("sent", {"machine": "gang-lathe", "file": "x" * 300})["seq"], flush=True)
"""


def killed_over_and_over(state: Path, rounds: int, seed: int) -> Iterator[int]:
    chance = random.Random(seed)
    with Loaded(CHILD) as loaded:
        for _ in range(rounds):
            child = loaded.child(state)
            lines = [child.out.readline() for _ in range(chance.randint(1, 20))]
            yield int([*lines, *child.killed()][-1])


@pytest.mark.parametrize("rounds", [6, pytest.param(200, marks=pytest.mark.slow)])
def test_killed_at_any_instant_nothing_that_was_told_is_gone(tmp_path: Path, rounds: int) -> None:
    for told in killed_over_and_over(tmp_path, rounds, seed=4):
        assert told > 0
        assert len(list(records(tmp_path))) >= told
    Ledger.open(tmp_path).close()
    assert check_chain(tmp_path) == []
    by_hand(tmp_path)
