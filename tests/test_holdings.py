"""What a control is known to hold, after each event that the contract names (contract 5)."""

import pytest

from dncd.records.holdings import Holding, How, holdings


def record(time: str, event: str, revision: int | None = None, **more: object) -> dict[str, object]:
    said: dict[str, object] = {"time": time, "event": event, "machine": "gang-lathe", "program": "O0004", **more}
    return said if revision is None else {**said, "revision": revision}


@pytest.mark.parametrize(
    ("events", "expected"),
    [
        ([("1", "sent", 1)], Holding("1", "", 1, How.SENT, "1")),
        ([("1", "sent", 1), ("2", "received", 1), ("3", "matched", 1)], Holding("1", "3", 1, How.CHECKED, "3")),
        ([("1", "sent", 1), ("2", "received", 1), ("3", "matched", None)], Holding("1", "3", 1, How.CHECKED, "3")),
        ([("1", "sent", 1), ("2", "received", 2), ("3", "differs", 2)], Holding("1", "3", 2, How.CHANGED, "3")),
        ([("1", "received", 1)], Holding("", "1", 1, How.PUNCHED, "1")),
        ([("1", "sent", 1), ("2", "interrupted", 2)], Holding("1", "", 2, How.IN_PART, "2")),
        ([("1", "sent", 1), ("2", "refused", None)], Holding("1", "", 1, How.SENT, "1")),
        ([("1", "sent", 1), ("2", "damaged", None)], Holding("1", "", 1, How.SENT, "1")),
        ([("1", "sent", 1), ("2", "withdrawn", None)], Holding("1", "", 1, How.SENT, "1")),
    ],
)
def test_what_is_known_after(events: list[tuple[str, str, int | None]], expected: Holding) -> None:
    assert holdings([record(*e) for e in events], "gang-lathe") == {"O0004": expected}


def test_other_machines_and_other_records_say_nothing() -> None:
    records = [
        record("1", "sent", 1, machine="bore-mill"),
        {"time": "2", "event": "started"},
        record("3", "refused", None),
        record("4", "sent", 1, program=None),
    ]
    assert holdings(records, "gang-lathe") == {}


def test_programs_keep_the_order_in_which_they_came() -> None:
    records = [record(str(n), "sent", 1, program=p) for n, p in enumerate(("O0009", "O0001", "O0009"))]
    assert list(holdings(records, "gang-lathe")) == ["O0009", "O0001"]
