"""A disk that fails, fills up or stops at operation 1, 2, 3 … of each flow of a day, from the drop to the receipt.

The flows are those that a station hands to its records: each step is done again, as the station does it, until the disk
takes it. After a stop the records are opened and recovered as at a start. In the end every dropped and punched byte has
one place and one ending.
"""

import errno
import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from failing_disk import FailingDisk, Kill
from station_jobs import Jobs

from dncd.choices import EndsOn
from dncd.errors import RecordsError
from dncd.line.receiving import CaptureEnd
from dncd.records import durable, plans
from dncd.records.ledger import records
from dncd.records.spool import Leftover
from dncd.records.store import Store
from dncd.records.verify import verify
from dncd.station.events import Append, Return, Verdict
from dncd.station.results import Begun, Checked, TakenIn
from dncd.values import Frame, LineSettings, MachineSettings, Settings, ShopSettings

TEXT = "O0004\nN10 G00 X1.\nM30\n"
EDITED = TEXT.replace("X1.", "X2.")
GOOD = f"%\n{TEXT}%\n".replace("\n", "\r\n").encode()
BAD = "%\nO0005\nN10 G00 X\u00e9\nM30\n%\n".encode()
NEWER = f"%\n{TEXT}%\n".replace("X1.", "X9.").encode()
NOTES = b"notes of the office"


class FillingDisk(FailingDisk):
    """From operation `at` on there is no room, until somebody makes some; what makes room still works."""

    def _step(self, name: str) -> None:
        self.done.append(name)
        if self.at and len(self.done) >= self.at and name not in ("unlink", "truncate", "utime"):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), name)

    def write(self, fd: int, data: bytes | memoryview) -> int:
        full = self.at and len(self.done) + 1 >= self.at
        if full:
            durable.Disk.write(self, fd, data[: len(data) // 2])
        return super().write(fd, data)


@pytest.fixture(autouse=True)
def _whole_disk() -> Iterator[None]:
    """The disk of the whole process is the one that fails: every part of the flow uses it."""
    yield
    durable.DISK = durable.Disk()


def disk(kind: type[FailingDisk], at: int = 0, error: object = Kill) -> FailingDisk:
    durable.DISK = made = kind(at, error)  # type: ignore[arg-type]
    return made


class Day:
    """One machine's folders, its records, and the jobs of its station, each tried until it is done."""

    def __init__(self, root: Path) -> None:
        self.shop, self.state = root / "shop", root / "state"
        line = LineSettings("x", frame=Frame.parse("8N1"))
        self.machine = MachineSettings("mill", line)
        self.settings = Settings(root / "dncd.toml", ShopSettings(self.shop, self.state), {"mill": self.machine})
        self.folder = self.shop / "mill"
        for name in ("to-machine", "from-machine"):
            (self.folder / name).mkdir(parents=True, exist_ok=True)
        self.office: Store | None = None
        self.tries = 0

    def open(self) -> None:
        self.close_office()
        self.office = Store.open(self.settings)
        self.jobs = Jobs(self.office, self.machine)
        self.jobs.once = self.done
        self.office.recover(self._cut_short)

    def _cut_short(self, leftover: Leftover) -> bool:
        self.jobs.keeps.cut_short(leftover)
        return True

    def close(self) -> None:
        disk(FailingDisk)
        self.close_office()

    def close_office(self) -> None:
        if self.office is not None:
            self.jobs.close()
            self.office.close()
            self.office = None

    def done(self, job: Callable[[], object]) -> object:
        """As the station: again and again; after the third failure somebody has made room."""
        while True:
            try:
                return job()
            except (OSError, RecordsError):
                self.tries += 1
                if self.tries >= 3:
                    vars(durable.DISK).update(at=0)

    def drop(self, data: bytes, name: str = "0004.nc") -> None:
        (self.folder / "to-machine" / name).write_bytes(data)

    def taken(self) -> TakenIn:
        found = self.jobs.take_in("0004.nc")
        assert isinstance(found, TakenIn)
        return found

    def begun(self, taken: TakenIn) -> Begun:
        begun = self.jobs.begin("0004.nc", taken)
        assert isinstance(begun, Begun)
        return begun

    def files(self) -> dict[str, bytes]:
        found = sorted(p for p in self.folder.rglob("*") if p.is_file() and not p.name.endswith(durable.RECEIPT))
        return {p.relative_to(self.folder).as_posix(): p.read_bytes() for p in found}

    def events(self) -> list[str]:
        found = [r["event"] for r in records(self.state)]
        return [event for event in found if event not in ("started", "stopped")]


# --- the flows -----------------------------------------------------------------------------------------------------------
def send(day: Day, meanwhile: Callable[[], None] = lambda: None) -> None:
    taken = day.taken()
    begun = day.begun(taken)
    meanwhile()
    day.jobs.end("0004.nc", taken, begun)


def send_nothing(day: Day) -> None:
    """The port goes before the first character: the file waits on, and is sent by its next start."""
    taken = day.taken()
    begun = day.begun(taken)
    day.done(lambda: day.jobs.sends.do(Return("0004.nc", begun)))
    day.jobs.end("0004.nc", taken, day.begun(taken))


def send_edited(day: Day) -> None:
    """Somebody saves a newer file over the one that is being sent: it is a new drop."""
    send(day, lambda: day.drop(NEWER))


def send_taken_away(day: Day) -> None:
    send(day, (day.folder / "to-machine" / "0004.nc").unlink)


def refuse(day: Day) -> None:
    found = day.jobs.take_in("0004.nc")
    assert isinstance(found, Checked)
    day.jobs.dismiss("0004.nc", found)


def withdraw(day: Day) -> None:
    taken = day.taken()
    day.jobs.dismiss("0004.nc", taken.checked, Verdict.WITHDRAWN, taken.prepared)


def receive(day: Day, wire: bytes = f"%\n{EDITED}%\n".encode(), why: EndsOn | CaptureEnd = EndsOn.MARK) -> None:
    day.jobs.capture(wire, printable=len(wire), why=why)


def damage(day: Day) -> None:
    receive(day, f"%\n{EDITED}".encode(), EndsOn.SILENCE)


def restart(day: Day) -> None:
    """What a start does, and each round after it; what they find was left by a stop in the middle of a sending and of a
    capture."""
    day.done(day.open)
    assert day.office is not None
    for _ in range(3):
        day.office.recovery.again()
    vars(durable.DISK).update(at=0)  # somebody has made room
    day.office.recovery.again()


Flow = Callable[[Day], None]
FLOWS: dict[Flow, bytes] = {
    send: GOOD,
    send_nothing: GOOD,
    send_edited: GOOD,
    send_taken_away: GOOD,
    refuse: BAD,
    withdraw: GOOD,
    receive: b"",
    damage: b"",
    restart: GOOD,
}


def _set_up(root: Path, flow: Flow) -> Day:
    """The day so far, on a good disk: one program delivered and edited in place, perhaps one dropped."""
    root.mkdir()
    day = Day(root)
    day.open()
    receive(day, f"%\n{TEXT}%\n".encode())
    (day.folder / "from-machine" / "O0004.nc").write_bytes(NOTES)
    if FLOWS[flow]:
        day.drop(FLOWS[flow])
    if flow is restart:
        day.close()
        day.open()
        day.begun(day.taken())
        day.jobs.keeps.do(Append(1, f"%\n{EDITED}".encode()))
        day.close()
    return day


@pytest.mark.slow
@pytest.mark.parametrize("flow", FLOWS, ids=lambda flow: flow.__name__)
@pytest.mark.parametrize("way", ["fails", "is full", "stops"])
def test_at_each_operation(tmp_path: Path, flow: Flow, way: str) -> None:
    k, reached, stride = 1, True, 3 if way == "is full" else 1
    while reached:
        day = _set_up(tmp_path / str(k), flow)
        kind = FillingDisk if way == "is full" else FailingDisk
        done = disk(kind, k, Kill if way == "stops" else errno.EIO).done
        try:
            flow(day)
        except Kill:
            day.close()
        which = f"{flow.__name__}: the disk {way} at {k} ({done[min(k, len(done)) - 1]})"
        reached = len(done) >= k
        disk(FailingDisk)
        if day.office is None:
            day.open()
        _check(day, flow, way, which, again=False)
        day.close()
        day.open()  # and once more: nothing is told twice
        _check(day, flow, way, which, again=True)
        day.close()
        k += stride
    assert k > 8, "the flow has many operations, and each was tried"


def _check(day: Day, flow: Flow, way: str, which: str, *, again: bool) -> None:
    events, files = day.events()[1:], day.files()
    contents = list(files.values())
    assert contents.count(NOTES) == 1, (which, files, events)
    if again:  # what could not even be removed is swept away at a start
        assert not [name for name in files if "/." in name], (which, files.keys())
        left = [p.name for p in (day.state / "outgoing").iterdir()]
        assert not left, (which, left)
    outs = [event for event in events if event in ("sent", "refused", "interrupted", "withdrawn")]
    if data := FLOWS[flow]:
        if flow is send_taken_away and not outs:
            assert way == "stops", which
        else:
            assert contents.count(data) == 1, (which, files.keys(), events)
        assert len(outs) == ("to-machine/0004.nc" not in files or files["to-machine/0004.nc"] != data), (which, events)
        assert way == "stops" or contents.count(NEWER) == (flow is send_edited and "to-machine/0004.nc" in files), which
    if way != "stops":
        wanted = {
            send: "sent",
            send_nothing: "sent",
            send_edited: "sent",
            send_taken_away: "sent",
            refuse: "refused",
            withdraw: "withdrawn",
        }
        assert outs == ([wanted[flow]] if flow in wanted else ["interrupted"] if flow is restart else []), (
            which,
            events,
        )
    ins = [event for event in events if event in ("received", "damaged", "differs")]
    if flow is receive:
        assert ins in ([], ["received", "differs"]) or (way == "stops" and ins == ["damaged"]), (which, ins)
        assert ins or way == "stops", which
    if flow in (damage, restart):
        assert ins == ["damaged"] or (way == "stops" and not ins), (which, ins)
        assert flow is not restart or ins, which
    damaged = sum(name.startswith("from-machine/damaged/") for name in files)
    assert damaged == ins.count("damaged"), (which, files.keys())
    assert verify(day.state, day.shop).problems == (), which
    assert plans.load_all(day.state) == [], which
    raws = [p.name for p in (day.state / "captures").iterdir() if not p.name.endswith(".damaged.raw")]
    assert raws == [], which
