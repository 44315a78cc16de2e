"""The end of the service: lines first, records next, folders last and with a limit.

A share that hangs may keep a thread for ever; it must keep neither a control waiting for its stop nor an ending from the
ledger. All threads are daemons: none of them keeps the process.
"""

from functools import partial
from typing import Final

from dncd.outside.folders import Folders
from dncd.service.notes import StatusNotes
from dncd.service.parts import Parts
from dncd.station.events import Ask, Wish

_RECORDS_S: Final = 10.0
"""Seconds in which what is under way must be on record."""

_BESIDE_S: Final = 2.0
"""Seconds for what is not on record: the last STATUS.txt, a check that nobody waits for any more."""

_FOLDERS_S: Final = 1.0

_CARE_S: Final = 3.0
"""Seconds for the end of a push or a packing that is cut short."""


def wind_down(parts: Parts, folders: Folders, notes: StatusNotes) -> None:
    """Stops the lines, waits until what they did is on record, then ends all threads; in the loop's thread."""
    loop, stations = parts.workers.loop, parts.stations
    parts.reloading.stop()
    for station in stations.values():
        loop.serve(
            station, partial(station.tell, Ask(Wish.STOP, "the service was stopped in the middle of the sending"))
        )
    parts.care.stop(0.0)
    until = loop.now() + _RECORDS_S
    while stations.busy() and loop.now() < until:
        loop.once(0.1)
    for name, station in stations.items():
        loop.serve(station, station.close)
        notes.write_last(name, "dncd does not run")
    late = parts.workers.finish(_RECORDS_S, _BESIDE_S)
    loop.once(0.0)
    for name, station in stations.items():
        _tell_lost(parts, name, station.core.captures.unwritten_chars, "at most " if "captures" in late else "")
    if not folders.stop(_FOLDERS_S):
        late.append("folders")
    parts.care.stop(_CARE_S)
    if late:
        what, where = f"work is unfinished in: {', '.join(late)}", str(parts.store.shop.state)
        next_step = "look at that disk or share; the next start finishes or names what is left"
        parts.log.warning("stopped late", what=what, where=where, next=next_step)
    try:
        parts.store.note("stopped", reason="signal" if loop.failure is None else "fault")
    finally:
        parts.store.close()
        loop.close()
    parts.log.info("stopped")


def _tell_lost(parts: Parts, machine: str, chars: int, at_most: str) -> None:
    """What the disk did not take until the end. What it took of the same capture is put on record at the next start."""
    if chars:
        what = f"{at_most}{chars} characters that the control punched are lost: the disk took them not before the stop"
        where, next_step = str(parts.store.shop.state), "make sure of that disk, start dncd, then punch it out again"
        parts.log.warning("capture lost", machine=machine, what=what, where=where, next=next_step)
