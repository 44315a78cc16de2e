"""One machine: what its port, its line and its files do next.

Two rules. Everything that decides what a line does next is here, and in the parts of it (`port_side`, `sender`, `run`,
`queue`, `turns`, `capture_buffer`, `words`). Nothing here knows a thread, a file or a clock.

`on(event, now)` tells it what happened and gives what is to be done; `states` has the tables, `events` the words. Events
tell, and a `Tick` moves: it is told after everything that came was told, for input must be known before characters go.
"""

import dataclasses
import math
from typing import Final

from dncd.choices import ModemLine, StartOn
from dncd.line.receivers import receiver_of
from dncd.line.receiving import Said, Wished
from dncd.records.orders import Order
from dncd.station import events as ev
from dncd.station.capture_buffer import CaptureBuffer
from dncd.station.port_side import FREE, PortSide
from dncd.station.run import Cut
from dncd.station.sender import Sender
from dncd.station.states import LineUse, Mode, PortState, Standing
from dncd.station.tally import Account, warning
from dncd.station.words import Words
from dncd.tape.codes import Coder
from dncd.values import NO_FAULTS, IsoBytes, LineState, MachineSettings

_LOOK_AT_MODEM_S, _LOOK_AT_IDLE_MODEM_S = 0.05, 0.2
"""Seconds between looks at CTS or DSR while a program waits for them, and while none does: the line going off and on again
between two programs must be seen."""

_WORDS_S: Final = 0.01
"""Seconds until words that the port did not take are offered again."""


class Core:
    """The machine. All times are seconds of one clock."""

    def __init__(self, settings: MachineSettings, now: float, order: Order | None = None) -> None:
        """order: what people asked of the files that wait, before a restart or a reload."""
        self.settings, self.name = settings, settings.name
        self.coder = coder = Coder.of(settings.tape, settings.line)
        self.standing = Standing()
        self.port = PortSide(settings, self.standing)
        self.sender = Sender(settings, self.standing, order or Order(settings.name))
        punch_on = coder.signals(0x12)
        self.captures = CaptureBuffer(receiver_of(settings, coder, now), punch_on)
        self._opening = punch_on | frozenset(coder.encode(IsoBytes(settings.tape.mark.encode("ascii"))))
        self.words = Words(settings, coder, self.captures.receiving)
        self.account = Account(settings.line.port)
        self.folder_trouble = self.pending = ""
        self._calm_until = 0.0  # until then a sending needs nothing but its pump
        self._start_is_looped = False
        stops = settings.line.flow.stop_line if settings.send.start_on is StartOn.DC1 else ModemLine.NONE
        self._starts_on_modem = settings.send.start_on.start_line is not ModemLine.NONE or stops is not ModemLine.NONE
        self.needs_modem = bool(settings.lines_needed)

    @property
    def state(self) -> LineState:
        """What the line is doing, as `status` shows it."""
        run = self.sender.run
        if run is not None:
            return LineState.HELD if run.sending.held_since is not None else LineState.SENDING
        if not self.port.open:
            return LineState.LENT if self.port.lent_to else LineState.NO_PORT
        if self.captures.capturing is not None:
            return LineState.RECEIVING
        return LineState.WAITING if self.sender.queue.waiting else LineState.LISTENING

    @property
    def busy(self) -> bool:
        """Whether something under way is not on record yet."""
        return self.sender.busy or self.captures.busy

    def on(self, event: ev.Event, now: float) -> list[ev.Action]:
        """Takes in an event; what is to be done, in order. NotDoneError to somebody who asks for what cannot be done now."""
        match event:
            case ev.Tick():
                return self._tick(now, event.settled)
            case ev.Wrote():
                return self._wrote(event, now)
            case ev.Read():
                return self._read(event, now)
            case ev.Lines() | ev.Suspended() | ev.Holds():
                if (run := self.sender.run) is not None:
                    run.port_says(event, now)
                elif isinstance(event, ev.Lines) and not self._start_is_looped:
                    self.sender.starts.modem(event.modem, now)
                return []
        self._calm_until = 0.0
        match event:
            case ev.Opened() | ev.OpenFailed() | ev.Lost():
                return self._port(event, now)
            case ev.Done() | ev.Failed():
                return self._job(event, now)
            case ev.Blocked():
                self.sender.blocked = event.error
                return []
            case ev.Listed():
                self.folder_trouble = event.problem
                self.sender.queue.note(event)
                return []
            case ev.PutFirst():
                return self.sender.turns.put_first(event.name, event.at_ns, now)
            case ev.Ask():
                return self._asked(event, now)

    def pump(self, now: float, *, behind: bool = False) -> bytes:
        """The short way of a `Tick`: characters that may go now and are told by `pumped`; b"" where a `Tick` is wanted."""
        run = self.sender.run
        return run.sending.allowed(now, behind=behind) if run is not None and now < self._calm_until else b""

    def pumped(self, taken: int, offered: int, now: float) -> float:
        """The short way of `Wrote`; gives `next_due`, or 0 where a `Tick` is wanted at once."""
        run = self.sender.run
        return min(self._calm_until, run.went(taken, offered, now)) if run is not None else 0.0

    def _port(self, event: ev.Opened | ev.OpenFailed | ev.Lost, now: float) -> list[ev.Action]:
        match event:
            case ev.Opened():
                self.sender.line_warnings = tuple(event.looped.values())
                self._start_is_looped = self.settings.send.start_on.start_line.value in event.looped
                actions = self.port.opened(event, now)
                if self.port.open:
                    self.words.turn_here()
                return actions
            case ev.OpenFailed() | ev.Lost():
                if not self.port.open:
                    return self.port.lost(event.error, now)
                self.account.tally.port_losses += 1
                self.standing.untold_losses += 1
                actions = self.port.lost(event.error, now)
                actions += self.sender.stop(f"the port went away: {event.error.what}", now)
                self.captures.stop(now)
                actions += self._captured()
                self.words.forget()
                self.sender.last_words.clear()
                return actions

    def _asked(self, event: ev.Ask, now: float) -> list[ev.Action]:
        match event.wish:
            case ev.Wish.GO:
                self.port.need_free(self.state, *FREE, LineState.NO_PORT, LineState.RECEIVING)
                return self.sender.go()
            case ev.Wish.WEIGH:
                return self.sender.turns.weigh()
            case ev.Wish.WITHDRAW:
                self.account.not_too_late(event.about, self.sender.queue.get(event.about), self.name)
                return self.sender.withdraw(event.about, event.by, now)
            case ev.Wish.LEND | ev.Wish.UNSEAT:
                actions = self.port.give(event, self.state)
                self.words.forget()
                self.sender.starts.forget()
                return actions
            case ev.Wish.BACK:
                self.sender.starts.forget()
                return self.port.back()
            case ev.Wish.PROGRAM:
                self.words.refuse_unasked()
                self.port.need_free(self.state, *FREE)
                self.words.ask_for_program()
            case ev.Wish.RETIRE:
                self.pending = event.about
                self.port.retire()
            case ev.Wish.SERVE if self.standing.mode in (Mode.SERVING, Mode.RETIRING):
                self.pending = ""
                self.port.serve(now)
            case ev.Wish.STOP if self.standing.mode is not Mode.CLOSED:
                if self.standing.mode is not Mode.STOPPING:
                    self.standing.move(Mode.STOPPING)
                self.captures.stop(now)
                return [*self._captured(), *self.sender.stop(event.about, now)]
            case ev.Wish.SHUT if self.standing.mode is not Mode.CLOSED:
                close: list[ev.Action] = [ev.Close()] if self.port.open else []
                self.standing.move(Mode.CLOSED)
                self.standing.move(PortState.CLOSED)
                ended = self.sender.stop("the service let the line go", now)
                return [*close, *ended, *(ev.Do(ev.PutAway(prepared)) for prepared in self.sender.queue.shut())]
        return []

    # --- time, and what goes over the line ---------------------------------------------------------------------------

    def _tick(self, now: float, settled: bool) -> list[ev.Action]:
        actions: list[ev.Action] = []
        run = self.sender.run
        if run is not None and run.begun is not None:
            if self.words or not self.port.open or run.sending.outcome is not None:
                run.time_goes(now, settled)
            else:
                actions = run.pump(now, settled)
                if now < self._calm_until and run.sending.outcome is None:
                    return actions
            actions += self.sender.over(now)
        actions += self.port.look(now)
        if self.standing.serving:
            actions += self.sender.look(now)
        self.captures.tick(now)
        actions += self._captured()
        free = self.port.open and self.standing.line is LineUse.IDLE and not self.captures.busy
        actions += self.sender.consider(now, free)
        return actions + self._say(now)

    def _say(self, now: float) -> list[ev.Action]:
        """Words that wait, where there is a port for them."""
        self.words.add(bytes(self.sender.last_words))
        self.sender.last_words.clear()
        said = self.words.say(self.sender.run is not None, now)
        return said if self.port.open else []

    def _wrote(self, event: ev.Wrote, now: float) -> list[ev.Action]:
        run = self.sender.run
        if event.part is ev.Part.WORDS:
            self.words.took(event.taken)
            goes_on = run is not None and run.begun is not None and run.sending.outcome is None and not self.words
            return run.pump(now, settled=True) if run is not None and goes_on else []
        if run is None:
            return []
        actions = run.wrote(event, now)
        return actions if run.sending.outcome is None else [*actions, *self.sender.over(now), *self._say(now)]

    def _read(self, event: ev.Read, now: float) -> list[ev.Action]:
        reading, run = event.reading, self.sender.run
        ended: list[ev.Action] = []
        if run is not None and event.settled and run.is_out(reading.data, now):
            run.time_goes(now, settled=True)  # a busy computer looks late: what came is none of this sending's
            ended, run = self.sender.over(now), self.sender.run
        said: list[Said | Wished] = []
        if run is None or self.captures.busy or run.is_punched(reading.data, self._opening):
            data, bad = self.sender.echo.without(reading.data, reading.bad, now)
            if run is not None and run.sending.strays and not self.captures.busy:
                self.captures.feed(bytes(run.sending.strays), (), now)  # what came before it was known for a punch
            said = self.captures.feed(data, bad, now) if data else []
            if run is not None and self.captures.busy:  # nothing of the program has gone: it waits for its next start
                run.cut(Cut.PORT, "the control punches", now)
                ended, run = ended + self.sender.over(now), None
        if run is not None:
            run.feed(reading.data, reading.counted, now)
        else:
            for word in said:
                if isinstance(word, Said):
                    self.sender.starts.said(word.code, now)
                else:
                    self.sender.starts.wished(word.wish, now)
        if reading.counted != NO_FAULTS and run is None:
            self.captures.notice(reading.notices, reading.counted, now)
        actions = self._captured()
        if reading.notices != NO_FAULTS:
            self.account.tally.faults += reading.notices
            what = ", ".join(f"{n} {kind}" for kind, n in dataclasses.asdict(reading.notices).items() if n)
            next_step = "look at cable, shield and plugs, and at frame and rate"
            actions.append(warning("faults on the line", what, self.settings.line.port, next_step))
        return ended + actions

    def _captured(self) -> list[ev.Action]:
        """What the captures want done and said; and whether the line is theirs."""
        wanted = LineUse.IDLE if self.captures.capturing is None else LineUse.CAPTURING
        if self.standing.line in (LineUse.IDLE, LineUse.CAPTURING) and self.standing.line is not wanted:
            self.standing.move(wanted)
        self.captures.ending(self.standing.line is LineUse.ENDING)
        cues, jobs = self.captures.take()
        return [*(action for cue in cues for action in self.words.cue(cue)), *(ev.Do(job) for job in jobs)]

    def _job(self, event: ev.Done | ev.Failed, now: float) -> list[ev.Action]:
        job = event.job
        actions: list[ev.Action] = []
        if isinstance(event, ev.Failed):
            if isinstance(job, ev.CaptureJob):
                self.captures.failed(job, now)
            else:
                actions = self.sender.failed(job, event.error, now)
            return [*actions, *self.account.failed(job, event.error)]
        if isinstance(job, ev.CaptureJob):
            self.captures.done(job, event.result)
            actions = self.sender.turns.weigh() if isinstance(job, ev.Keep) else []
        else:
            actions = self.sender.done(job, event.result, now)
        return [*actions, *self._captured(), *self.account.done(job, event.result, now)]

    def next_due(self, now: float) -> float:
        """When `Tick` is wanted at the latest; infinity: only an event can help."""
        run = self.sender.run
        waits = run is None or run.begun is None or bool(self.words)  # words go first
        sending = math.inf if run is None or waits else run.next_due(now)
        if now < self._calm_until and sending < math.inf:
            return min(sending, self._calm_until)
        self._calm_until = 0.0
        dues = [self.port.retry_at if self.standing.serving else math.inf, *self.sender.dues(now)]
        dues.append(self.captures.next_due())
        if self.port.open and self._starts_on_modem:
            waits = self.sender.queue.first() is not None
            dues.append(now + (_LOOK_AT_MODEM_S if waits else _LOOK_AT_IDLE_MODEM_S))
        if self.port.open and self.words:
            dues.append(now + _WORDS_S)
        due = min(dues)
        if sending < math.inf:
            self._calm_until = due
        return min(sending, due)
