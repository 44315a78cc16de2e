"""Whose turn it is, beyond the order of coming: files that people put in front, batches, and starts that bring nothing.

The operator presses a key and cannot see which program it brings. So nothing goes by that key alone that he cannot mean: a
file forgotten since yesterday in front of today's, or the next part where he wants one more piece of this one. Pure,
as `core`.
"""

from typing import Final

from dncd.errors import NotDoneError
from dncd.line.starting import Starts
from dncd.station import events as ev
from dncd.station.queue import SendQueue, WaitingFile
from dncd.station.results import NO_IMAGE
from dncd.station.states import FileState
from dncd.values import MachineSettings, Result

_AGAIN_S: Final = 1.0
"""Seconds until an order that the records did not take is tried again."""


class Turns:
    """Of one machine. queue, starts: of its sender."""

    def __init__(self, settings: MachineSettings, queue: SendQueue, starts: Starts) -> None:
        self._send, self._machine, self._queue, self._starts = settings.send, settings.name, queue, starts
        self._kept = queue.changes  # of the queue's order, that is on record or on its way there
        self._saves, self._save_from = 0, 0.0
        self._told = ""

    # --- what people ask ---------------------------------------------------------------------------------------------

    def put_first(self, name: str, at_ns: int, now: float) -> list[ev.Action]:
        """This file goes next. NotDoneError where it does not wait, or a batch is in the middle."""
        file = self._queue.get(name)
        if file is None or not file.before_turn:
            next_step = "Look at `dncd status` for what waits, and into refused/ for what was refused"
            raise NotDoneError(f"{name} does not wait", self._machine, next_step)
        if (other := self._batch_begun()) is not None and other is not file:
            batch = other.checked.batch
            what = f"{other.name} is in the middle of its batch: {batch.done} of {batch.of} went out"
            next_step = f"Take it back first with `dncd withdraw {self._machine} {other.name}`"
            raise NotDoneError(what, self._machine, next_step)
        file.came_at = now  # as if it were dropped now: a start from long before is none for it
        self._queue.put_first(file, at_ns)
        return [ev.Answer(file.name), ev.Changed()]

    def _batch_begun(self) -> WaitingFile | None:
        """The file of a batch of which a piece went out, or is going out: it stands in front."""
        files = (self._queue.get(name) for name in self._queue.front)
        batches = (f for f in files if f is not None and f.checked.batch.of > 1)
        return next((f for f in batches if f.checked.batch.done or not f.before_turn), None)

    # --- starts ------------------------------------------------------------------------------------------------------

    def withheld(self) -> str:
        """Why the control's start alone brings nothing, though files wait: a sentence; "" where it brings the first."""
        first, stale_s = self._queue.first(), self._send.stale_h * 3600
        if first is None or not self._starts.way.by_control or first.checked.batch.done:
            return ""
        if first.name in self._queue.behind:
            return f"{first.name} waited behind another program, and a key pressed for one more piece must not bring it"
        older_s = (self._queue.newest_ns - self._queue.came_ns(first)) / 1e9
        if stale_s and older_s > stale_s:
            return f"{first.name} is in front and {older_s / 3600:.0f} hours older than the newest that waits"
        return ""

    def way_out(self, name: str) -> str:
        """What to do where a start brings nothing."""
        return f"take it out of to-machine/, drop it again, or say `dncd next {self._machine} {name}`"

    def may_begin(self, file: WaitingFile, now: float) -> tuple[bool, list[ev.Action]]:
        """Its start has come: whether it goes, and what is to be done or said before. A batch goes once its order is on
        record."""
        if why := self.withheld():
            self._starts.withhold()
            if why == self._told:
                return False, []
            self._told = why
            what = f"the control asked for a program and gets none: {why}"
            fields = {"what": what, "where": self._machine, "next": self.way_out(file.name)}
            return False, [ev.Say(ev.Level.WARNING, "start withheld", fields), ev.Changed()]
        self._told = ""
        batch = file.checked.batch.of > 1
        if batch and file.name not in self._queue.front:
            self._queue.put_first(file, 0)  # nothing else until all of it went out, also after a restart
        actions = self.keep(now)
        return not (batch and self.busy), actions

    def sent(self, file: WaitingFile, result: Result) -> None:
        """A sending is over. The key that has the control read it once more must not bring what waits behind it."""
        counted, drip_feed = bool(file.checked.batch.sha256), self._send.drip_feed
        if (drip_feed and not counted) if result is Result.SENT else (drip_feed or counted):
            self._queue.put_behind()

    def weigh(self) -> list[ev.Action]:
        """What came back or was signed off may tell another thing of the first in line."""
        file = self._queue.first()
        if file is None or file.state is not FileState.READY or file.prepared is NO_IMAGE:
            return []
        return [ev.Do(ev.Weigh(file.name, file.look, file.checked, file.prepared))]

    # --- on record ---------------------------------------------------------------------------------------------------

    @property
    def busy(self) -> bool:
        return self._saves > 0 or self._kept != self._queue.changes

    @property
    def due(self) -> float:
        """When `keep` is wanted again after an error; 0 where it is not."""
        return self._save_from if self._kept != self._queue.changes else 0.0

    def keep(self, now: float) -> list[ev.Action]:
        """Has the order put on record, if it is another."""
        if self._kept == self._queue.changes or now < self._save_from:
            return []
        self._kept = self._queue.changes
        self._saves += 1
        return [ev.Do(ev.KeepOrder(dict(self._queue.front), tuple(sorted(self._queue.behind))))]

    def kept(self) -> None:
        self._saves -= 1

    def not_kept(self, now: float) -> None:
        self._saves -= 1
        self._kept, self._save_from = -1, now + _AGAIN_S
