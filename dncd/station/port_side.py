"""The port of one machine as it comes and goes: opened, lost, tried again, lent and given back. Pure, as `core`."""

import math
from typing import Final

from dncd.errors import DncdError, NotDoneError
from dncd.station.events import Action, Ask, Changed, Close, Level, Open, Opened, Say, Wish
from dncd.station.states import Mode, PortState, Standing, line_said
from dncd.station.tally import warning
from dncd.values import LineState, MachineSettings

_RETRY_FIRST_S, _RETRY_MOST_S = 0.5, 10.0
"""Seconds between tries to open an absent port: soon after it went away, then less often."""

_STEADY_S: Final = 5.0
"""Seconds for which a port must stay open, that the wait between two tries falls back to the first: one that opens and
closes at once is not tried twice a second for ever."""

_RETRY_LENT_S: Final = 0.05
"""The first of these waits after a loan: a borrower that was killed may hold the port for a moment longer."""

FREE: Final = (LineState.LISTENING, LineState.WAITING)
_LENT_FROM: Final = (*FREE, LineState.NO_PORT, LineState.LENT)


class PortSide:
    """standing: shared with the other parts of the machine. Behind a switch box (`seat`) the port is another's at first:
    unseated says why, and "" of a machine that is seated, or has a port of its own."""

    def __init__(self, settings: MachineSettings, standing: Standing) -> None:
        self.trouble: DncdError | None = None  # why it has no port
        self.lent_to = ""
        self.retry_at = math.inf
        self.was_lent = False  # since the last opening
        self._settings, self._standing = settings, standing
        self._retry_wait, self._opened_at = _RETRY_FIRST_S, 0.0
        self.unseated = f"nobody has said yet how {settings.seat.switch} is turned" if settings.seat.switch else ""
        if self.unseated:
            standing.move(PortState.LENT)

    @property
    def open(self) -> bool:
        return self._standing.port is PortState.OPEN

    def opened(self, event: Opened, now: float) -> list[Action]:
        """It was opened; one that is not wanted any more is closed again."""
        port = self._standing.port
        if not self._standing.serving or port in (PortState.LENT, PortState.CLOSED):
            if port is PortState.OPENING:
                self._standing.move(PortState.ABSENT)
            return [Close()]
        self._standing.move(PortState.OPEN)
        self.trouble, self.retry_at, self._opened_at, self.was_lent = None, math.inf, now, False
        notes = ({"port": event.port, "note": note} for note in event.notes)
        actions: list[Action] = [Say(Level.INFO, "port opened", fields) for fields in notes]
        for looped in event.looped.values():
            what, _, next_step = looped.partition("; ")
            actions.append(warning("modem line looped", what, f"port {event.port}", next_step))
        return [*actions, Changed()]

    def lost(self, error: DncdError, now: float) -> list[Action]:
        """It is absent or busy, or went away: it is tried again, after a wait that grows until it stays open."""
        actions: list[Action] = []
        if self.open:
            actions.append(Close())
            if now - self._opened_at >= _STEADY_S:
                self._retry_wait = _RETRY_FIRST_S
        if self._standing.port in (PortState.OPEN, PortState.OPENING):
            self._standing.move(PortState.ABSENT)
        if self._standing.port is not PortState.ABSENT or self._standing.mode in (Mode.STOPPING, Mode.CLOSED):
            return actions
        if self.trouble is None or self.trouble.what != error.what:
            actions.append(warning("no port", error.what, error.where, error.next_step))
            self.trouble = error
        self.retry_at = now + self._retry_wait
        self._retry_wait = min(_RETRY_MOST_S, self._retry_wait * 2)
        return [*actions, Changed()]

    def look(self, now: float) -> list[Action]:
        if self._standing.port is not PortState.ABSENT or now < self.retry_at or not self._standing.serving:
            return []
        self.retry_at = math.inf
        self._standing.move(PortState.OPENING)
        return [Open()]

    def give(self, event: Ask, state: LineState) -> list[Action]:
        """Somebody borrows the line, or another machine is seated. NotDoneError, with what it is doing, unless it is idle;
        who is not seated is told why anew."""
        if self.unseated and event.wish is Wish.UNSEAT:
            self.unseated = event.about
            return [Changed()]
        self.need_free(state, *(() if self._standing.port is PortState.CLOSED else _LENT_FROM))
        actions: list[Action] = [Close()] if self.open else []
        self._standing.move(PortState.LENT)
        self.trouble, self.retry_at = None, math.inf
        if event.wish is Wish.UNSEAT:
            self.unseated = event.about
            return [*actions, Changed()]
        self.lent_to = event.about
        return [*actions, Say(Level.INFO, "line lent", {"to": event.about}), Changed()]

    def back(self) -> list[Action]:
        """The borrower has gone, or the machine is seated: it is opened again, at once."""
        actions: list[Action] = [Say(Level.INFO, "line taken back", {"to": self.lent_to})] if self.lent_to else []
        actions.append(Changed())
        self.lent_to, self.unseated, self.trouble, self._retry_wait = "", "", None, _RETRY_LENT_S
        self.was_lent = True
        if self._standing.port is not PortState.LENT:
            return actions
        self._standing.move(PortState.OPENING if self._standing.serving else PortState.ABSENT)
        return [*actions, Open()] if self._standing.serving else actions

    def retire(self) -> None:
        if self._standing.serving:
            self._standing.move(Mode.RETIRING)

    def serve(self, now: float) -> None:
        if self._standing.mode is Mode.RETIRING:
            self._standing.move(Mode.SERVING)
        if self._standing.port is PortState.ABSENT and self.retry_at == math.inf:
            self.retry_at = now

    def need_line(self) -> None:
        """NotDoneError while the line is lent, or another machine is seated."""
        name = self._settings.name
        if self.unseated or self.lent_to:
            next_step = f"Turn the box to it, then say `dncd seat {name}`" if self.unseated else "Wait, or end it"
            raise NotDoneError(
                line_said({"state": "lent", "lent_to": self.lent_to, "not_seated": self.unseated}), name, next_step
            )

    def need_free(self, state: LineState, *free: LineState) -> None:
        """NotDoneError, with what the line is doing, unless it is this machine's own and in one of these states."""
        self.need_line()
        if state not in free:
            name = self._settings.name
            what = line_said({"state": state.value, "port": self._settings.line.port})
            what = what if state is LineState.NO_PORT else f"the service is using the line: it is {what}"
            raise NotDoneError(what, name, f"Wait until `dncd status {name}` says listening, then try again")
