"""What goes out over one line: dropped files are taken in, wait, start, are sent and put on record. Pure, as `core`.

The first file in line is ready to go while it waits, so that its start needs only the records' word (the revision and the
plan of this sending are durable) before the first character goes out.
"""

import dataclasses
import math
from collections.abc import Iterator
from typing import Final

from dncd import defaults
from dncd.choices import Protocol, StartOn
from dncd.errors import DncdError, NotDoneError
from dncd.line.echo import Tail
from dncd.line.starting import Starts
from dncd.outside.folder_looks import Entry
from dncd.records.orders import Order
from dncd.station import events as ev
from dncd.station.queue import SendQueue, WaitingFile
from dncd.station.results import NO_IMAGE, UNCHECKED, Begun, Checked, FileEnding, Gone, Outlook, TakenIn
from dncd.station.run import Cut, Run
from dncd.station.states import FileState, LineUse, Standing
from dncd.station.tally import taken_back, warning
from dncd.station.turns import Turns
from dncd.values import MachineSettings, Result

_AGAIN_S: Final = 1.0
"""Seconds until a start that the records did not take is tried again."""

_AGAIN_MOST_S: Final = 30.0
"""Most seconds until an ending that the disk did not take is tried again: ever slower, for ever."""

_OnRecord = ev.Dismiss | ev.End | ev.Return


class Unrecorded:
    """Endings that are not on record yet: how often the disk did not take each, and when it is tried again; infinity: it is
    being tried."""

    def __init__(self) -> None:
        self._jobs: dict[_OnRecord, tuple[int, float]] = {}

    def __bool__(self) -> bool:
        return bool(self._jobs)

    def add(self, job: _OnRecord) -> list[ev.Action]:
        self._jobs[job] = 0, math.inf
        return [ev.Do(job)]

    def wait(self, end: ev.End, until: float) -> None:
        """One that is put on record later: so long the control may switch its reader off behind the program."""
        self._jobs[end] = 0, until

    def wait_no_more(self, off_at: float) -> list[ev.Action]:
        """It did, or (infinity) nobody waits for it any more."""
        actions: list[ev.Action] = []
        for end, (failures, due) in list(self._jobs.items()):
            if isinstance(end, ev.End) and not failures and due < math.inf:
                del self._jobs[end]
                outcome = end.outcome if off_at == math.inf else dataclasses.replace(end.outcome, reader_off_at=off_at)
                heard = dataclasses.replace(end.heard, awaited=False)
                actions += self.add(dataclasses.replace(end, outcome=outcome, heard=heard))
        return actions

    def done(self, job: _OnRecord) -> None:
        del self._jobs[job]

    def failed(self, job: _OnRecord, now: float) -> None:
        failures = self._jobs[job][0]
        self._jobs[job] = failures + 1, now + min(_AGAIN_MOST_S, 2.0 ** min(failures, 9))

    @property
    def due(self) -> float:
        return min((due for _, due in self._jobs.values()), default=math.inf)

    def again(self, now: float) -> list[ev.Action]:
        jobs = [job for job, (_, due) in self._jobs.items() if due <= now]
        self._jobs |= {job: (self._jobs[job][0], math.inf) for job in jobs}
        return [ev.Do(job) for job in jobs]


class Sender:
    """The sending half of a station's machine. standing: shared with the other parts."""

    def __init__(self, settings: MachineSettings, standing: Standing, order: Order) -> None:
        self.settings = settings
        self.queue = SendQueue(defaults.QUEUE_FILES, order)
        self.starts = Starts(settings.send, settings.line.protocol, settings.line.flow, settings.keys)
        self.turns = Turns(settings, self.queue, self.starts)
        self.run: Run | None = None
        self.blocked: DncdError | None = None
        self.no_answer = ""  # to what is said before a program, in a sentence
        self.line_warnings: tuple[str, ...] = ()  # what the port's opening found, for receipts
        self.last_words = bytearray()  # of a sending that is over
        self.echo = Tail()  # of it, too
        self._standing = standing
        self._unrecorded = Unrecorded()
        self._begin_from = self._look_from = 0.0
        # whose start was given back, while it is looked at anew
        self._start_of: tuple[WaitingFile, Entry] | None = None

    @property
    def busy(self) -> bool:
        return self.run is not None or bool(self._unrecorded) or self.turns.busy

    # --- the folder ------------------------------------------------------------------------------------------------

    def look(self, now: float) -> list[ev.Action]:
        """Compares the queue with the folder, and takes in what is new or other."""
        if self.queue.looks_again and now >= self._look_from:
            self._look_from = now + defaults.RESCAN_S
            self.queue.look_again()
        changes = self.queue.compare(now)
        actions: list[ev.Action] = [ev.Do(ev.PutAway(prepared)) for prepared in changes.stale]
        for file in changes.gone:
            if file.checked is UNCHECKED:
                self.queue.move(file, FileState.GONE)
            else:
                actions += self._dismiss(file, ev.Verdict.TAKEN_AWAY, file.checked)
        for file in self.queue.to_take_in():
            actions += self._take_in(file)
        return actions

    def _take_in(self, file: WaitingFile) -> list[ev.Action]:
        scope = ev.Scope.IMAGE if self.queue.first() is file else ev.Scope.CHECK
        file.look += 1
        self.queue.move(file, FileState.INTAKE)
        return [ev.Do(ev.TakeIn(file.name, file.look, scope))]

    def _dismiss(self, file: WaitingFile, verdict: ev.Verdict, checked: Checked, by: str = "") -> list[ev.Action]:
        self.queue.move(file, FileState.ENDING)
        return self._unrecorded.add(ev.Dismiss(file.name, verdict, checked, file.prepared, by))

    # --- what jobs found ---------------------------------------------------------------------------------------------

    def done(self, job: ev.FileJob, result: object, now: float) -> list[ev.Action]:
        match job:
            case ev.TakeIn():
                return self._taken_in(job, result)
            case ev.Begin() if self.run is not None:
                return self._begun(self.run, result, now)
            case ev.NextPiece() if self.run is not None and isinstance(result, bytes):
                self.run.supply(result)
            case ev.KeepOrder():
                self.turns.kept()
            case ev.Weigh() if isinstance(result, Outlook):
                file = self.queue.get(job.name)
                if file is not None and file.look == job.look:
                    file.checked = dataclasses.replace(file.checked, outlook=result)
            case ev.Dismiss() | ev.End() | ev.Return():
                self._unrecorded.done(job)
                if not isinstance(job, ev.Dismiss):
                    self._standing.move(LineUse.IDLE)
                file = self.queue.get(job.name)
                if file is not None and file.state is FileState.ENDING:
                    more = isinstance(result, FileEnding) and result.goes_on
                    if more:
                        file.prepared = NO_IMAGE  # the next piece of a batch is a transfer of its own
                    self.queue.move(file, FileState.READY if more or isinstance(job, ev.Return) else FileState.GONE)
        return []

    def _taken_in(self, job: ev.TakeIn, result: object) -> list[ev.Action]:
        file = self.queue.get(job.name)
        if file is None or file.look != job.look or file.state is not FileState.INTAKE:
            made = isinstance(result, TakenIn) and result.prepared is not NO_IMAGE
            return [ev.Do(ev.PutAway(result.prepared))] if made and isinstance(result, TakenIn) else []
        match result:
            case TakenIn():
                self.queue.ready(file, result)
            case Checked():
                return self._dismiss(file, ev.Verdict.REFUSED, result)
            case Gone():
                self.queue.move(file, FileState.SETTLING)  # the next look at the folder tells what became of it
        return []

    def _begun(self, run: Run, result: object, now: float) -> list[ev.Action]:
        """What the last look gave, or an error. A file that is as it was keeps its start; who took it back is heeded."""
        if isinstance(result, Begun):
            run.begun = result
            self.queue.move(run.file, FileState.SENDING)
            self._standing.move(LineUse.SENDING)
            return self.over(now) if run.sending.outcome is not None else run.fetch()
        self.run = None
        self._standing.move(LineUse.IDLE)
        file, as_it_was = run.file, not isinstance(result, Gone)
        if run.taken_back:
            return self._dismiss(file, ev.Verdict.WITHDRAWN, file.checked, run.by)
        self.queue.move(file, FileState.READY if as_it_was else FileState.SETTLING)
        if as_it_was and run.sending.outcome is None and run.sending.held_since is None:
            self.starts.give_back()
            self._start_of = file, file.entry
        if isinstance(result, Exception):
            self._begin_from = now + _AGAIN_S
            return []
        stale, file.prepared = file.prepared, NO_IMAGE
        return [ev.Do(ev.PutAway(stale))]

    def failed(self, job: ev.FileJob, error: Exception, now: float) -> list[ev.Action]:
        match job:
            case ev.TakeIn():
                file = self.queue.get(job.name)
                if file is not None and file.look == job.look and file.state is FileState.INTAKE:
                    self.queue.move(file, FileState.SETTLING)
            case ev.Begin() if self.run is not None:
                return self._begun(self.run, error, now)
            case ev.NextPiece() if self.run is not None:
                self.run.cut(Cut.FOR_GOOD, f"the tape image could not be read: {error}", now)
            case ev.KeepOrder():
                self.turns.not_kept(now)
            case ev.Dismiss() | ev.End() | ev.Return():
                self._unrecorded.failed(job, now)
        return []

    # --- what people ask ---------------------------------------------------------------------------------------------

    def go(self) -> list[ev.Action]:
        """Somebody says go. NotDoneError where nothing waits for it."""
        first = self.queue.first()
        if self.blocked is not None:
            raise self.blocked
        if self.settings.send.start_on is not StartOn.GO:
            raise NotDoneError(
                f"no program waits for a go here; each waits for {self.starts.way.wish()}",
                self.settings.name,
                'Start it there, or set `send.start_on = "go"` for this machine',
            )
        if first is None or not first.waits or self.run is not None:
            raise NotDoneError(
                "nothing waits for a go", self.settings.name, "Drop a program into its to-machine folder"
            )
        self.starts.go()
        return [ev.Answer(first.name)]

    def withdraw(self, name: str, by: str, now: float) -> list[ev.Action]:
        """Takes back the waiting file `name` (the first one if ""), or stops what is being sent."""
        run = self.run
        if run is not None and name in ("", run.file.name):
            if run.sending.outcome is not None:  # the line was lost, or the control punches: it goes back to wait
                what = f"{run.file.name} is just going back to wait"
                raise NotDoneError(what, self.settings.name, "Say it again in a moment")
            run.by = by
            run.cut(Cut.FOR_GOOD, f"{taken_back(by)} while it was being sent", now)
            return [ev.Answer(run.file.name)]
        file = self.queue.get(name) if name else self.queue.first()
        if file is None or not file.waits:
            what = f"{name} does not wait" if name else "nothing waits and nothing is being sent"
            if file is not None and file.state is FileState.ENDING:
                what = f"{file.name} is over, and is just being put on record"
            raise NotDoneError(what, self.settings.name, "Look at `dncd status` for what waits")
        if file.state is not FileState.READY:  # what would be taken back is not what lies there any more
            what = f"{file.name} is just being checked, or was saved again and will be"
            raise NotDoneError(what, self.settings.name, "Say it again in a moment, or take it out of to-machine/")
        return [ev.Answer(file.name), *self._dismiss(file, ev.Verdict.WITHDRAWN, file.checked, by)]

    # --- sending -----------------------------------------------------------------------------------------------------

    def consider(self, now: float, line_is_free: bool) -> list[ev.Action]:
        """Makes the first in line ready, and starts it when its start has come and the line is free."""
        actions = [*self._unrecorded.again(now), *self.turns.keep(now)]
        if self.starts.reader_off:
            actions += self._unrecorded.wait_no_more(now)
        file = self.queue.first() if self._standing.serving and self.run is None else None
        if self._start_of is not None and (file is None or self._start_of != (file, file.entry)):
            self._start_of = None
            self.starts.sending_began()  # it was for that file as it was
        if file is None or file.state is not FileState.READY or self.blocked is not None:
            return actions
        if file.prepared is NO_IMAGE:
            return actions + self._take_in(file)
        if line_is_free and now >= self._begin_from and self.starts.allows(file.came_at, now):
            may_begin, first = self.turns.may_begin(file, now)
            actions += first
            if not may_begin:
                return actions
            self.run = Run(self.settings, file, self.starts.wish_at_hand(now), now)
            self.run.early_s = self.starts.early_s(file.came_at)
            self.starts.sending_began()
            self._start_of = None
            self.queue.move(file, FileState.BEGINNING)
            self._standing.move(LineUse.BEGINNING)
            actions.append(ev.Do(ev.Begin(file.name, file.checked, file.prepared)))
        return actions

    def over(self, now: float) -> list[ev.Action]:
        """Puts a sending that is over on record; one of which nothing went out goes back to wait, as if it never began."""
        run = self.run
        if run is None or run.begun is None or run.sending.outcome is None:
            return []
        outcome, file = run.sending.outcome, run.file
        self.run = None
        self.last_words += run.sending.last_words()
        if run.written or not run.left_no_trace:  # else nothing went that a stop could hold
            self.starts.sending_ended(now, outcome.hold_until)
        self.echo = Tail(outcome.echo_tail, now + defaults.ECHO_S)
        self._standing.move(LineUse.ENDING)
        self.queue.move(file, FileState.ENDING)
        self.no_answer = run.no_answer
        if run.left_no_trace:
            back = self._unrecorded.add(ev.Return(file.name, run.begun))
            if not self.no_answer:
                return back
            if self.settings.send.start_on is StartOn.NOW:
                self._begin_from = now + defaults.NO_ANSWER_S
            next_step = "look whether the control is ready, and at send.before and send.wait_for"
            return [warning("no answer", self.no_answer, self.settings.line.port, next_step), *back]
        self.turns.sent(file, outcome.result)
        plain = self.settings.line.protocol is Protocol.PLAIN and self.starts.way.by_control
        awaited = plain and outcome.result is Result.SENT and outcome.reader_off_at is None and self._standing.serving
        losses, self._standing.untold_losses = self._standing.untold_losses, 0
        heard = dataclasses.replace(run.heard(self.line_warnings), awaited=awaited, port_losses=losses)
        end = ev.End(file.name, run.begun, file.checked, file.prepared, outcome, heard)
        if not awaited:
            return self._unrecorded.add(end)
        self._unrecorded.wait(end, now + defaults.READER_OFF_S)
        return []

    def stop(self, reason: str, now: float) -> list[ev.Action]:
        """The service or the port ends: a sending in progress is interrupted."""
        if self.run is not None:
            self.run.cut(Cut.PORT, reason, now)
        return self.over(now) + self._unrecorded.wait_no_more(math.inf)

    def dues(self, now: float) -> Iterator[float]:
        yield self._unrecorded.due
        if self._standing.serving and (self.queue.has_more or self.queue.looks_again):
            yield now if self.queue.has_more else self._look_from
        yield from (due for due in (self._begin_from, self.turns.due) if due > now)
