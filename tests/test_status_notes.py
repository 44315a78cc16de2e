"""How often STATUS.txt is written: every round in a usual shop; with very many machines, when it is news."""

from types import SimpleNamespace

import pytest

from dncd import defaults
from dncd.service.notes import StatusNotes

IDLE = {
    "title": "", "state": "listening", "waiting": [], "waits_for": "", "next": None, "warnings": {}, "transfer": None,
    "counters": {},
    "proven": None,
    "lent_to": "", "port": "",
    "trouble": [], "pending": "", "not_seated": "", "backup": None, "last": None,
}  # fmt: skip


class Notes(StatusNotes):
    """Of so many machines, all of which do the same; written: how often STATUS.txt of one was."""

    def __init__(self, machines: int) -> None:
        self.says, self.now, self.written = IDLE, 0.0, 0
        worker = SimpleNamespace(waiting=lambda: 0, do=self._do)
        workers = SimpleNamespace(notes=worker, loop=SimpleNamespace(now=lambda: self.now))
        stations = {f"m{n}": SimpleNamespace(name=f"m{n}") for n in range(machines)}
        store = SimpleNamespace(shop=SimpleNamespace(folders=None), endings=SimpleNamespace(claims=None))
        super().__init__(SimpleNamespace(workers=workers, stations=stations, store=store))  # type: ignore[arg-type]

    def status(self):
        return {}

    def of(self, _station):
        return self.says

    def _do(self, _job, _done, _failed):
        self.written += 1

    def round(self):
        self.write(self._parts.stations["m0"])
        self.now += defaults.STATUS_EVERY_S


@pytest.mark.parametrize(("machines", "written"), [(1, 10), (32, 10), (33, 5), (128, 5)])
def test_what_is_not_new_is_written_at_every_round_or_with_many_machines_at_every_second_one(machines, written):
    notes = Notes(machines)
    for _ in range(10):
        notes.round()
    assert notes.written == written


def test_what_is_new_is_written_at_once_and_figures_alone_are_not_new():
    notes = Notes(128)
    notes.round()
    notes.says = {**IDLE, "state": "waiting", "waiting": ["0004.nc"]}
    notes.round()
    assert notes.written == 2
    running = {
        "direction": "out",
        "file": "0004.nc",
        "chars": 1,
        "of_chars": 9,
        "seconds": 1,
        "holds": 0,
        "held_s": 0,
        "block": "",
    }
    notes.says = {**IDLE, "state": "sending", "transfer": running}
    notes.round()
    assert notes.written == 3
    notes.says = {**notes.says, "transfer": {**running, "chars": 5}, "counters": {"sent": 1}}
    notes.round()
    assert notes.written == 3
    notes.round()
    assert notes.written == 4
