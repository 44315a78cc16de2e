"""What a control is known to hold, after each event that the contract names (contract 5)."""

import itertools
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from dncd.records.holdings import Holding, Holdings, How, in_part
from dncd.records.ledger import Ledger, records


def holdings(lines, machine):
    found = Holdings()
    for line in lines:
        found.feed(line)
    return found.of(machine)


def record(time: str, event: str, revision: int | None = None, **more: object) -> dict[str, object]:
    said: dict[str, object] = {"time": time, "event": event, "machine": "gang-lathe", "program": "O0004", **more}
    return said if revision is None else {**said, "revision": revision}


@pytest.mark.parametrize(
    ("events", "expected"),
    [
        ([("1", "sent", 1)], Holding("1", "", 1, How.SENT, "1")),
        ([("1", "sent", 1), ("2", "received", 1), ("3", "matched", 1)], Holding("1", "3", 1, How.CHECKED, "3")),
        ([("1", "sent", 1), ("2", "received", 1), ("3", "matched", None)], Holding("1", "3", 1, How.CHECKED, "3")),
        ([("1", "sent", 1), ("2", "received", 1)], Holding("1", "2", 1, How.CHECKED, "2")),
        ([("1", "sent", 1), ("2", "received", 2), ("3", "differs", 2)], Holding("1", "3", 2, How.CHANGED, "3")),
        (
            [("1", "sent", 1), ("2", "received", 2), ("3", "differs", 2), ("4", "received", 2)],
            Holding("1", "4", 2, How.CHANGED, "4"),
        ),
        ([("1", "received", 1)], Holding("", "1", 1, How.PUNCHED, "1")),
        ([("1", "received", 1), ("2", "received", 1)], Holding("", "2", 1, How.PUNCHED, "2")),
        ([("1", "sent", 1), ("2", "interrupted", 2)], Holding("1", "", 2, How.IN_PART, "2")),
        ([("1", "sent", 1), ("2", "interrupted", 2), ("3", "sent", 2)], Holding("3", "", 2, How.SENT, "3")),
        ([("1", "sent", 1), ("2", "refused", None)], Holding("1", "", 1, How.SENT, "1")),
        ([("1", "sent", 1), ("2", "damaged", None)], Holding("1", "", 1, How.SENT, "1")),
        ([("1", "sent", 1), ("2", "withdrawn", None)], Holding("1", "", 1, How.SENT, "1")),
    ],
)
def test_what_is_known_after(events: list[tuple[str, str, int | None]], expected: Holding) -> None:
    found = holdings([record(*e) for e in events], "gang-lathe")
    assert found == {"O0004": expected}
    assert found["O0004"].held is (expected.how not in (How.IN_PART, How.UNKNOWN, How.MISSING))


def test_other_machines_and_other_records_say_nothing() -> None:
    lines = [
        record("1", "sent", 1, machine="bore-mill"),
        {"time": "2", "event": "started"},
        record("3", "refused", None),
        record("4", "sent", 1, program=None),
    ]
    assert holdings(lines, "gang-lathe") == {}


def test_programs_keep_the_order_in_which_they_came() -> None:
    lines = [record(str(n), "sent", 1, program=p) for n, p in enumerate(("O0009", "O0001", "O0009"))]
    assert list(holdings(lines, "gang-lathe")) == ["O0009", "O0001"]


def test_a_file_of_several_programs_says_something_about_each() -> None:
    several = record("1", "sent", 3, programs=["O0004", "O0005", "OFFSETS"], revisions=[3, 1, 2])
    found = holdings([several], "gang-lathe")
    assert {program: (h.revision, h.how) for program, h in found.items()} == {
        "O0004": (3, How.SENT),
        "O0005": (1, How.SENT),
        "OFFSETS": (2, How.SENT),
    }
    half = record("2", "interrupted", 3, programs=["O0004", "O0005"], revisions=[3, 1])
    after = holdings([several, half], "gang-lathe")
    assert [after[p].how for p in ("O0004", "O0005", "OFFSETS")] == [How.IN_PART, How.IN_PART, How.SENT]


def test_after_a_backup_what_was_missing_is_not_held() -> None:
    backup = {
        "time": "3",
        "event": "backup",
        "machine": "gang-lathe",
        "file": "dump.nc",
        "programs": ["O0004"],
        "revisions": [1],
        "missing": ["O0005"],
        "unknown": [],
    }
    found = Holdings()
    for each in (record("1", "sent", 1), record("2", "sent", 7, program="O0005"), backup):
        found.feed(each)
    held = found.of("gang-lathe")
    assert held["O0005"] == Holding("2", "", 7, How.MISSING, "3")
    assert held["O0004"].held
    kept = found.backup("gang-lathe")
    assert kept is not None
    assert (kept.time, kept.programs, kept.missing) == ("3", ("O0004",), ("O0005",))
    assert found.first("gang-lathe") == "1"
    assert found.backup("bore-mill") is None
    found.feed(record("4", "sent", 7, program="O0005"))
    assert found.of("gang-lathe")["O0005"] == Holding("4", "", 7, How.SENT, "4")


@pytest.mark.parametrize(
    ("name", "at_s", "by"),
    [
        ("1.nc", 3, "Anna"),
        ("1.nc", 90, ""),
        ("1.nc", -30, ""),
        (f"x 10 bytes, SHA-256 {'b' * 64}, over the operator's edit, without X1.nc", 3, "Anna"),
    ],
    ids=["hers", "copied in by hand later", "lay there before", "a name like a line"],
)
def test_who_dropped_a_file_by_the_page_is_known_by_contents_and_time(name: str, at_s: int, by: str) -> None:
    held = Holdings()
    what = f"{name} 10 bytes, SHA-256 {'a' * 64}"
    held.feed(
        {"event": "asked", "machine": "lathe", "do": "drop", "by": "Anna", "what": what, "time": "2026-11-01T10:00:00Z"}
    )
    at = datetime(2026, 11, 1, 10, tzinfo=UTC).timestamp() + at_s
    assert held.dropped("lathe", "a" * 64, at).by == by
    assert held.dropped("lathe", "b" * 64, at).by == ""


def test_a_proven_revision_is_told_from_a_proven_line() -> None:
    found = Holdings()
    found.feed(record("1", "proven", 2))
    found.feed(record("2", "proven", None, program=None))
    found.feed({"time": "3", "event": "proven", "machine": "gang-lathe"})
    assert found.proven("gang-lathe") == {("O0004", 2): "1"}
    assert found.of("gang-lathe") == {}


def test_kept_up_with_the_ledger_it_says_what_a_reading_says(tmp_path: Path) -> None:
    """Read once, followed as lines are written, caught up with after lines that it was not told of."""
    ticks = itertools.count(1)
    ledger = Ledger.open(tmp_path, clock=lambda: datetime(2026, 7, 1, tzinfo=UTC) + timedelta(seconds=next(ticks)))
    kept = Holdings()
    for n in range(40):
        if n == 10:
            kept.catch_up(tmp_path)
            ledger.told = kept.follow
        if n == 20:
            ledger.told = lambda _line: None
        if n == 25:
            ledger.told = kept.follow  # a gap: these lines are left to catch_up
        event = ("sent", "received", "interrupted", "started")[n % 4]
        fields = {"machine": ("gang-lathe", "bore-mill")[n % 3 == 0], "program": f"O{n % 5:04d}", "revision": n % 3 + 1}
        ledger.append(event, fields)
        if n == 19:
            assert kept.seq == 20
    assert kept.seq == 20
    kept.catch_up(tmp_path)
    assert kept.seq == 40
    for machine in ("gang-lathe", "bore-mill"):
        assert kept.of(machine) == Holdings.read(tmp_path).of(machine) == Holdings.read(tmp_path, machine).of(machine)
        assert kept.of(machine)
    lines = list(records(tmp_path))
    half = Holdings.read(tmp_path, "gang-lathe", until=lines[19]["time"])
    assert half.of("gang-lathe") == holdings(lines[:20], "gang-lathe") != kept.of("gang-lathe")
    ledger.close()


def test_a_time_is_answered_by_the_order_of_the_ledger_and_a_clock_that_ran_backwards_is_named(tmp_path: Path) -> None:
    """A year ahead, and right again: what was sent in that year of the future is held now."""
    times = iter([datetime(2026, 12, 24, 9, tzinfo=UTC), datetime(2027, 12, 24, 9, tzinfo=UTC)])
    now = datetime(2026, 12, 24, 10, tzinfo=UTC)
    ledger = Ledger.open(tmp_path, clock=lambda: next(times, now))
    for revision in (1, 2):
        ledger.append("sent", {"machine": "gang-lathe", "program": "O0001", "revision": revision})
    ledger.append("sent", {"machine": "gang-lathe", "program": "O0002", "revision": 1})
    ledger.close()
    day = Holdings.read(tmp_path, "gang-lathe", until="2026-12-24T22:59:59.999Z")
    assert (day.of("gang-lathe")["O0001"].revision, day.out_of_time) == (2, [2])
    for number, revision in (("1", 1), ("2", 2), ("3", 2)):
        then = Holdings.read(tmp_path, "gang-lathe", until=number)
        assert (then.of("gang-lathe")["O0001"].revision, then.out_of_time) == (revision, [])


def test_of_many_programs_of_which_the_control_may_hold_a_part_ten_are_named() -> None:
    names = [f"O{number:04}" for number in range(30)]
    kept = Holdings()
    for seq, name in enumerate(names, 1):
        kept.follow({"seq": seq, "event": "interrupted", "machine": "mill", "program": name, "revision": 1, "chars": 9})
    told = in_part(kept, "mill", names)
    assert (len(told), "O0009" in told[9], told[10]) == (
        11,
        True,
        "the control may hold parts of 20 more of its programs",
    )
