"""A control's whole memory: split, kept as a backup, restored, and equal to the last character; and what was missing."""

import errno
import json
import os
import pty
import select
import shlex
import subprocess
import sys
import tty
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from backup_shop import MACHINE, Shop
from dumps import dump, even, memory
from failing_disk import FailingDisk, Kill, used
from house import house
from waiting import until

from dncd.choices import EndsOn
from dncd.cli import main
from dncd.errors import NotDoneError, RecordsError
from dncd.outside.comparer import Comparer
from dncd.records.backups import FOLDER, Backups
from dncd.records.holdings import Backup, How
from dncd.records.ledger import records
from dncd.service.backups import due
from dncd.service.status import backup_line
from dncd.station.capture_jobs import CaptureJobs
from dncd.station.results import Damage
from dncd.values import WireBytes


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    made = Shop(tmp_path)
    yield made
    made.office.close()


@pytest.mark.parametrize("count", [60, pytest.param(370, marks=pytest.mark.slow)])
def test_a_dump_of_a_whole_memory_is_split_kept_restored_and_equal(shop: Shop, count: int) -> None:
    programs = memory(count)
    names = [program.name for program in programs]
    assert sum(name.startswith("PART-") for name in names) > count / 8
    assert sum(name.startswith("O") for name in names) > count / 2
    chars = dump(programs)
    shop.punch(chars)
    library = shop.office.library
    assert sorted(library.programs(MACHINE)) == sorted(names)
    for program in programs:
        assert library.text(MACHINE, program.name) == program.text
    assert shop.backup().programs == tuple(names)
    assert [p.read_bytes() for p in (shop.root / "shop" / MACHINE / FOLDER).glob("*.nc")] == [
        chars.replace(b"\n\r\r", b"\r\n")
    ]
    assert shop.restored() == chars
    shop.sound()
    git = ["git", "--git-dir", str(shop.root / "state" / "library.git")]
    told = subprocess.run([*git, "rev-list", "--count", "main"], capture_output=True, text=True, check=True)
    assert int(told.stdout) == count  # one commit a revision
    assert subprocess.run([*git, "fsck", "--strict"], capture_output=True, check=False).returncode == 0
    shop.punch(chars)  # once more: nothing is new
    told = subprocess.run([*git, "rev-list", "--count", "main"], capture_output=True, text=True, check=True)
    assert int(told.stdout) == count
    assert shop.restored() == chars


def test_what_is_missing_and_what_was_not_known_is_told(
    shop: Shop, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    programs = memory(12)
    shop.punch(dump(programs[:10]))
    first = shop.backup()
    assert (first.missing, first.unknown) == ((), tuple(p.name for p in programs[:10]))
    changed = programs[3].text.replace("M", "M", 1).replace("\n", "\nM01\n", 1)
    edited = [*programs[:3], type(programs[3])(programs[3].name, "", changed, "", frozenset()), *programs[4:8]]
    shop.punch(dump([*edited, programs[10]]))
    second = shop.backup()
    assert second.missing == (programs[8].name, programs[9].name)
    assert second.unknown == (programs[10].name,)
    receipt = shop.receipts()[-1]
    assert [line.split(":")[0] for line in receipt.all("missing")] == [programs[8].name, programs[9].name]
    assert receipt.all("unknown") == (f"{programs[10].name}: not known to be in the control before",)
    assert receipt.all("changed") == (f"{programs[3].name}: revision 2 from the machine",)
    assert receipt.get("backup") == "9 programs, 1 changed at the machine, 2 missing, 1 not known to be there before"
    held = shop.office.held.of(MACHINE)
    assert held[programs[8].name].how is How.MISSING
    assert held[programs[3].name].how is How.CHANGED
    capsys.readouterr()
    assert shop.restored() == dump([*edited, programs[10]])
    said = capsys.readouterr().out
    assert f"left out (2): {programs[8].name}, {programs[9].name}: missing in the backup of " in said
    (typed,) = (line.partition(" type: ")[2] for line in said.splitlines() if " type: " in line)
    monkeypatch.chdir(shop.root)
    assert main(shlex.split(typed)[1:]) == 0  # as it stands
    (again,) = shop.root.glob(f"{MACHINE}-*.nc")
    assert programs[8].text in again.read_bytes().decode().replace("\r\n", "\n")
    number = next(line["seq"] for line in records(shop.root / "state") if line["time"] == first.time)
    for at in (first.time, str(number)):
        assert shop.restored("--at", at) == dump(programs[:10])
    shop.sound()


def test_a_part_of_the_memory_is_no_backup(shop: Shop) -> None:
    programs = memory(9)
    shop.punch(dump(programs))
    shop.punch(dump(programs[:2]))
    assert len(shop.receipts()) == 1
    assert len(shop.backup().programs) == 9
    shop.punch(dump(programs[:1]))
    assert len(shop.receipts()) == 1
    assert not [h for h in shop.office.held.of(MACHINE).values() if h.how is How.MISSING]


def test_program_by_program_is_a_backup_if_it_was_announced(shop: Shop) -> None:
    programs = memory(5)
    shop.punch(dump(programs[:4]))
    backups = shop.office.backups
    backups.announce(MACHINE)
    for program in programs[1:]:
        shop.punch(dump([program]))
    shop.punch(dump([programs[1]]))  # one twice
    outcome = backups.close(MACHINE)
    assert outcome.record is not None
    assert outcome.told == ("4 programs, 1 missing, 1 not known to be there before",)
    assert shop.backup().programs == tuple(p.name for p in programs[1:])
    assert shop.restored() == dump(programs[1:])
    shop.sound()


def test_names_on_mark_lines_get_files_of_their_own(shop: Shop) -> None:
    programs = memory(2)
    named = b"%SHAFT\n\r\rN10 G00 X1.\n\r\rM30\n\r\r%\n\r\r"
    shop.office.backups.announce(MACHINE)
    for chars in (dump(programs[:1]), named, dump(programs[1:])):
        shop.punch(chars)
    assert shop.office.backups.close(MACHINE).record is not None
    out = shop.root / "made" / "dump.nc"
    assert main(["--config", str(shop.root / "dncd.toml"), "restore", MACHINE, "-o", str(out)]) == 0
    assert out.read_bytes().replace(b"\r\n", b"\n\r\r") == dump(programs)
    assert (out.parent / "SHAFT.nc").read_bytes().replace(b"\r\n", b"\n\r\r") == named
    assert main(["--config", str(shop.root / "dncd.toml"), "restore", MACHINE, "-o", str(out)]) == 2  # it is there


def test_an_announced_backup_with_a_damaged_program_does_not_count(shop: Shop) -> None:
    programs = memory(3)
    shop.punch(dump(programs))
    backups = shop.office.backups
    damaged = bytearray(even(dump(programs[:1])))
    damaged[12] ^= 1
    for again in (False, True):
        backups.announce(MACHINE)
        name = f"{MACHINE}@20260702T00000{again:d}Z-00"
        plan = shop.jobs.judging.plan(name, WireBytes(damaged), EndsOn.MARK, Damage(), 1.0)
        shop.jobs._record(plan)
        shop.punch(dump(programs[1:2]))
        shop.punch(dump(programs[2:]))
        if again:
            shop.punch(dump(programs[:1]))
        outcome = backups.close(MACHINE)
        assert (outcome.record is not None) is again, outcome
        if not again:
            assert "came damaged" in outcome.told[0]
    backups.announce(MACHINE)
    assert backups.close(MACHINE).told == ("no whole program came",)
    shop.sound()


def test_a_backup_counts_once_what_came_damaged_has_come(shop: Shop) -> None:
    """findings D1: nothing is known of the control, one of its programs came damaged."""
    programs = memory(4)
    backups = shop.office.backups
    for hit in (12, 4):  # in a block, and in the very number, so that the damaged one has no name
        damaged = bytearray(even(dump(programs[1:2])))
        damaged[hit] ^= 1
        shop.jobs = CaptureJobs(shop.office, Comparer(), shop.machine)  # else the two damaged ones are put together
        backups.announce(MACHINE)
        shop.punch(dump(programs[:1]))
        shop.captures += 1
        name = f"{MACHINE}@20260703T0000{shop.captures:02d}Z-00"
        shop.office.end_in(shop.jobs.judging.plan(name, WireBytes(bytes(damaged)), EndsOn.MARK, Damage(), 1.0))
        shop.punch(dump(programs[2:3]))
        outcome = backups.close(MACHINE)
        assert outcome.record is None
        assert "came damaged and was not punched again: punch it out again" in outcome.told[0]
        before = len(shop.receipts())
        shop.punch(dump(programs[3:]))
        assert len(shop.receipts()) == before
        shop.punch(dump(programs[1:2]))
        assert len(shop.receipts()) == before + 1
        assert sorted(shop.backup().programs) == sorted(program.name for program in programs)
        shop.punch(dump(programs[1:2]))
        assert len(shop.receipts()) == before + 1
    shop.sound()


def spoilt(shop: Shop, chars: bytes, why: EndsOn = EndsOn.MARK) -> None:
    """What came damaged."""
    shop.captures += 1
    name = f"{MACHINE}@20260704T0000{shop.captures:02d}Z-00"
    shop.office.end_in(shop.jobs.judging.plan(name, WireBytes(chars), why, Damage(), 1.0))


def test_an_announced_backup_that_did_not_come_whole_is_kept_together_and_told_as_one(shop: Shop) -> None:
    programs = memory(5)
    shop.punch(dump(programs))
    backups, names = shop.office.backups, [program.name for program in programs]
    backups.announce(MACHINE)
    shop.punch(dump(programs[:1]))
    damaged = bytearray(even(dump(programs[1:2])))
    damaged[12] ^= 1
    spoilt(shop, bytes(damaged))
    shop.punch(dump(programs[2:3]))
    outcome = backups.close(MACHINE)
    assert outcome.record is None
    (file,) = (shop.root / "shop" / MACHINE / FOLDER).glob("*-not-whole.nc")
    assert outcome.told == (
        f"{names[1]} came damaged and was not punched again: punch it out again, and the backup counts",
        f"not come, of what the control is known to hold (2): {names[3]}, {names[4]}: punch these out first",
        f"what came whole (2) is kept together in {FOLDER}/{file.name}",
    )
    assert file.read_bytes().replace(b"\r\n", b"\n\r\r") == dump([programs[0], programs[2]])
    receipt = shop.receipts()[-1]
    assert (receipt.get("result"), receipt.all("reason")) == ("damaged", outcome.told)
    assert receipt.get("backup").startswith("it did not come whole: 2 programs")
    assert not [h for h in shop.office.held.of(MACHINE).values() if h.how is How.MISSING], "it says nothing of those"
    shop.sound()
    for late in (programs[3:], programs[1:2]):
        shop.punch(dump(late))
    assert sorted(shop.backup().programs) == sorted(names)
    assert shop.backup().missing == ()
    shop.sound()


def test_an_announced_dump_that_was_cut_short_is_told_with_what_did_not_come(shop: Shop) -> None:
    programs = memory(5)
    shop.punch(dump(programs))
    shop.office.backups.announce(MACHINE)
    whole, names = even(dump(programs[:4])), [program.name for program in programs]
    spoilt(shop, whole[: len(even(dump(programs[:3]))) + 10], EndsOn.SILENCE)
    told = shop.office.backups.close(MACHINE).told
    assert told == (
        f"{names[0]} came damaged and was not punched again: punch it out again, and the backup counts",
        "no whole program came",
        f"not come, of what the control is known to hold (2): {names[3]}, {names[4]}: punch these out first",
    )
    shop.sound()


def test_a_stop_in_an_announced_backup_keeps_together_what_came(shop: Shop) -> None:
    programs = memory(3)
    shop.punch(dump(programs))
    shop.office.backups.announce(MACHINE)
    shop.punch(dump(programs[:1]))
    shop.office.close()
    (said,) = shop.open()
    assert "is off: dncd stopped before its end: announce it anew" in said
    assert f"not come, of what the control is known to hold (2): {programs[1].name}" in said
    (file,) = (shop.root / "shop" / MACHINE / FOLDER).glob("*-not-whole.nc")
    assert programs[0].text in file.read_bytes().decode().replace("\r\n", "\n")
    assert records_of(shop, "no-backup") == [list(shop.receipts()[-1].all("reason"))]
    shop.sound()


def records_of(shop: Shop, event: str) -> list[list[str]]:
    """The reasons of its lines."""
    return [line["reasons"] for line in records(shop.root / "state") if line["event"] == event]


def test_a_backup_that_did_not_come_whole_stands_in_the_status_until_one_did() -> None:
    none = {"open": False, "last": None, "age_days": None, "programs": 0, "missing": 0}
    ended = {
        "counts": False,
        "told": ["O0001 came damaged", "no whole program came"],
        "time": "2026-07-02T00:00:00.000Z",
    }
    said = "the announced one did not come whole: O0001 came damaged; no whole program came"
    assert backup_line({**none, "outcome": ended}) == said
    later = {**none, "programs": 3, "age_days": 0.0, "outcome": ended}
    assert backup_line({**later, "last": "2026-07-01T00:00:00.000Z"}) == said
    assert backup_line({**later, "last": "2026-07-03T00:00:00.000Z"}) == "today, 3 programs"


@pytest.mark.parametrize("how", ["link", "pipe"])
def test_what_somebody_put_in_the_place_of_a_damaged_capture_is_neither_followed_nor_waited_for(
    shop: Shop, how: str
) -> None:
    programs = memory(3)
    damaged = bytearray(even(dump(programs[:1])))
    damaged[12] ^= 1
    shop.office.backups.announce(MACHINE)
    plan = shop.jobs.judging.plan(f"{MACHINE}@20260702T000000Z-00", WireBytes(damaged), EndsOn.MARK, Damage(), 1.0)
    shop.jobs._record(plan)
    shop.punch(dump(programs))
    (there,) = (p for p in (shop.root / "shop" / MACHINE / "from-machine" / "damaged").iterdir() if p.suffix == ".nc")
    good = there.read_bytes().rpartition(b"%")[0]
    there.unlink()
    if how == "pipe":
        os.mkfifo(there)
    else:
        (shop.root / "elsewhere").write_bytes(good)
        there.symlink_to(shop.root / "elsewhere")
    outcome = shop.office.backups.close(MACHINE)
    assert outcome.record is None
    assert "came damaged" in outcome.told[0]


def test_what_came_without_a_name_is_neither_held_nor_restored_and_told_as_a_count(
    shop: Shop, capsys: pytest.CaptureFixture[str]
) -> None:
    """controls 15: a shaft without a number that was punched twice, beside a program with one."""
    named = b"%\n\r\rO0004\n\r\rN10 X1.\n\r\rM30\n\r\r%\n\r\r"
    for _ in range(2):
        shop.punch(b"%\n\r\rN10 G00 X1.\n\r\rM30\n\r\r%\n\r\r")
    shop.punch(named)
    capsys.readouterr()
    assert shop.restored() == named
    assert "left out: 2 programs without a number or name: " in capsys.readouterr().out
    config = ["--config", str(shop.root / "dncd.toml")]
    assert main([*config, "holds", MACHINE]) == 0
    said = capsys.readouterr().out
    assert "2 punches without a number or name" in said
    assert "UNNAMED" not in said
    assert main([*config, "holds", MACHINE, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert ([each["program"] for each in told["programs"]], told["unnamed"]) == (["O0004"], 2)


def test_two_turrets_go_back_in_order(shop: Shop) -> None:
    """controls 41: one number twice in a dump."""
    chars = b"%\n\r\rO0004\n\r\rN10 X1.\n\r\rM30\n\r\rO0004\n\r\rN10 X2.\n\r\rM30\n\r\rO0005\n\r\rM30\n\r\r%\n\r\r"
    shop.punch(chars)
    assert shop.backup().programs == ("O0004", "O0004-2", "O0005")
    assert shop.restored() == chars
    shop.sound()


def test_a_cut_between_the_programs_and_the_backup_loses_nothing(shop: Shop) -> None:
    programs = memory(6)
    plan = shop.plan(dump(programs))
    assert shop.office.backups.of_capture(plan) is not None
    shop.office.endings.end_in(plan)
    shop.office.close()  # as if cut here
    assert shop.open() == [f"{MACHINE}: a backup that was cut short is on record now"]
    assert shop.backup().programs == tuple(p.name for p in programs)
    shop.sound()
    shop.office.backups.announce(MACHINE)
    shop.office.close()
    assert "is off" in shop.open()[0]
    shop.sound()


@pytest.mark.parametrize("error", [errno.ENOSPC, Kill])
def test_a_cut_at_any_operation_of_a_backup_neither_loses_nor_doubles_it(shop: Shop, error: int | type[Kill]) -> None:
    """The disk fails or stops at operation 1, 2, 3 ...; the next start finishes what was begun."""
    chars, at, whole = dump(memory(3)), 1, False
    while not whole:
        plan, office = shop.plan(chars), shop.office
        disk = FailingDisk(at, error)
        backups = Backups(office.shop, office.ledger, office.library, office.held)
        told = len(shop.receipts())
        begun = None
        try:
            with used(disk):
                begun = backups.of_capture(plan)
            office.endings.end_in(plan)
            assert begun is not None
            with used(disk):
                backups.finish(begun)
            whole = True
        except (OSError, RecordsError, Kill):
            assert disk.done
        office.close()
        shop.open()
        if begun is None:
            assert not whole  # it was not begun, so its programs are not on record either
        else:
            lines = [r for r in records(shop.root / "state") if r["event"] == "backup" and r["transfer"] == plan.id]
            assert len(lines) == 1, at
            assert len(shop.receipts()) == told + 1, at
        shop.sound()
        assert not list((shop.root / "shop" / MACHINE / FOLDER).glob(".*"))
        at += 1
    assert at > 10
    assert shop.restored() == chars


def test_nothing_held_nothing_to_restore(shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--config", str(shop.root / "dncd.toml"), "restore", MACHINE]) == 1
    assert "not known to have held any program" in capsys.readouterr().err


NOW = datetime(2026, 7, 31, 12, tzinfo=UTC)


def ago(days: float) -> str:
    return (NOW - timedelta(days=days)).isoformat().replace("+00:00", "Z")


@pytest.mark.parametrize(
    ("last", "first", "most", "said"),
    [
        (None, "", 30, ""),
        (None, ago(29), 30, ""),
        (None, ago(31), 30, "its memory was never backed up"),
        (29.9, ago(100), 30, ""),
        (30.1, ago(100), 30, "the last backup of its memory is 30 days old"),
        (30.1, ago(100), 0, ""),
    ],
)
def test_when_a_backup_is_due(last: float | None, first: str, most: int, said: str) -> None:
    backup = Backup(ago(last), "", ("O0001",), (1,), (), (), "%") if last is not None else None
    told = due(backup, first, most, NOW)
    assert told.startswith(said)
    assert bool(told) is bool(said)


@pytest.mark.slow
def test_370_programs_through_the_service_and_back(tmp_path: Path) -> None:
    """Punched into a real service over a pseudo-terminal, restored by command, sent back: equal on the wire."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    wire = even(dump(memory(370)))
    tables = {
        "line": {"port": os.ttyname(slave), "baud": 230400, "frame": "7E1"},
        "tape": {"block_end": "LF CR CR"},
        "send": {"start_on": "now"},
        "program": {"memory_chars": 500_000, "longest_block_chars": 200},
    }
    with house(tmp_path, **{MACHINE: tables}) as shop:
        punch(master, wire)
        folder = shop.shop / MACHINE / FOLDER
        until(lambda: list(folder.glob("*.receipt.txt")), 120)
        status = json.loads(shop.dncd("status", "--json").stdout)["machines"][MACHINE]["backup"]
        assert (status["programs"], status["missing"], status["due"], status["age_days"]) == (370, 0, "", 0.0)
        until(lambda: "backup: today, 370 programs" in (shop.shop / MACHINE / "STATUS.txt").read_text())
        while select.select([master], [], [], 0)[0]:
            assert set(os.read(master, 100)) <= {0x93, 0x11}  # the stops that dncd said to the punch
        told = shop.dncd("restore", MACHINE, "--drop")
        assert told.returncode == 0, told.stderr
        back = bytearray()
        while len(back) < len(wire):
            assert select.select([master], [], [], 60)[0]
            back += os.read(master, 65536)
        assert bytes(back) == wire
        until(lambda: [r for r in shop.ledger() if r["event"] == "sent"])
        sent = next(r for r in shop.ledger() if r["event"] == "sent")
        assert (len(sent["programs"]), set(sent["revisions"])) == (370, {1})
        assert shop.dncd("verify").returncode == 0
    os.close(master)
    os.close(slave)


def punch(fd: int, wire: bytes) -> None:
    """Writes as fast as the line takes it; DC3 and DC1 are heeded."""
    at, held = 0, False
    os.set_blocking(fd, False)
    while at < len(wire):
        readable, writable, _ = select.select([fd], [] if held else [fd], [], 60)
        assert readable or writable
        if readable:
            said = os.read(fd, 100)
            held = said[-1:] == b"\x93"
        if writable and not held:
            at += os.write(fd, wire[at : at + 1024])
    os.set_blocking(fd, True)


@pytest.mark.slow
def test_an_announced_backup_through_the_service(tmp_path: Path) -> None:
    """Announced at a keyboard, punched program by program, ended at the keyboard."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    programs = memory(3)
    line = {"port": os.ttyname(slave), "baud": 115200, "frame": "7E1"}
    with house(tmp_path, **{MACHINE: {"line": line, "tape": {"block_end": "LF CR CR"}}}) as shop:
        config = str(tmp_path / "dncd.toml")
        words = ["-m", "dncd", "--config", config, "backup", MACHINE]
        follower = subprocess.Popen(
            [sys.executable, *words], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )
        backup = lambda: json.loads(shop.dncd("status", "--json").stdout)["machines"][MACHINE]["backup"]  # noqa: E731
        until(lambda: backup()["open"])
        assert shop.dncd("backup", MACHINE).returncode == 1  # one is open
        for n, program in enumerate(programs, 1):
            punch(master, even(dump([program])))
            until(lambda n=n: backup()["captures"] == n)
        ended = shop.dncd("backup", MACHINE, "--end")
        assert ended.returncode == 0
        assert f"{MACHINE}: the backup is on record: 3 programs, 3 not known to be there before" in ended.stdout
        out, _ = follower.communicate(timeout=120)
        assert follower.returncode == 0
        assert "the backup is on record: 3 programs" in out
        assert shop.dncd("backup", MACHINE, "--end").returncode == 1
        assert shop.dncd("verify").returncode == 0
    os.close(master)
    os.close(slave)


def test_nobody_ends_a_backup_that_is_not_open(shop: Shop) -> None:
    from dncd.service.backups import BackingUp

    jobs = []
    backing = BackingUp(shop.office, lambda job, then, failed: jobs.append((job, then, failed)))
    with pytest.raises(NotDoneError, match="no backup is open"):
        backing.end(MACHINE, None, 0.0)
    backing.announce(MACHINE, 0.0)
    with pytest.raises(NotDoneError, match="open already"):
        backing.announce(MACHINE, 1.0)
    run = lambda: [then(job()) for job, then, _ in iter(lambda: jobs.pop(0) if jobs else None, None)]  # noqa: E731
    run()
    shop.punch(dump(memory(2)))
    backing.look({}, 10.0)  # notices the capture
    backing.look({}, 69.0)
    run()
    assert shop.office.held.backup(MACHINE) is None
    backing.look({}, 70.0)  # a minute of quiet
    run()
    assert len(shop.backup().programs) == 2
    backing.announce(MACHINE, 100.0)
    run()
    backing.look({}, 3699.0)
    run()
    assert MACHINE in shop.office.backups.open
    backing.look({}, 3700.0)  # nobody came for an hour
    run()
    assert MACHINE not in shop.office.backups.open


class Punching:
    """A station whose control punches, as far as a backup looks at it."""

    def __init__(self) -> None:
        self.core = self.captures = self
        self.busy = True


@pytest.mark.parametrize("still_punches", [False, True])
def test_a_backup_that_is_ended_waits_for_what_the_control_punches(shop: Shop, still_punches: bool) -> None:
    from dncd.service.backups import BackingUp

    jobs = []
    backing = BackingUp(shop.office, lambda job, then, failed: jobs.append((job, then, failed)))
    run = lambda: [then(job()) for job, then, _ in iter(lambda: jobs.pop(0) if jobs else None, None)]  # noqa: E731
    backing.announce(MACHINE, 0.0)
    run()
    station = Punching()
    backing.end(MACHINE, station, 10.0)
    backing.look({MACHINE: station}, 12.0)
    run()
    assert MACHINE in shop.office.backups.open
    shop.punch(dump(memory(2)))
    station.busy = still_punches
    backing.look({MACHINE: station}, 14.0)
    run()
    assert (MACHINE in shop.office.backups.open) == still_punches
    backing.look({MACHINE: station}, 70.0)
    run()
    assert len(shop.backup().programs) == 2
    told = backing._outcomes[MACHINE]["told"]
    assert ("it was ended while the control still punched: what came then is not in it" in told) == still_punches
