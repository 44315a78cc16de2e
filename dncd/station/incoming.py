"""What comes in over one line: caught to a spool file as it comes, handed to the records when it ends.

The loop never waits for the disk: bytes wait here until the captures thread has written them, and before their number
reaches a limit the control is told to stop (DC3, or RTS off), as it is told to go on once they are written. A control that
does not heed it comes to a second limit: from there on its characters are counted and not kept, and the capture is damaged.
"""

from collections.abc import Callable
from dataclasses import dataclass

from dncd import defaults
from dncd.line.receiving import Began, Caught, Ended, Event, Receiving, Said, Wished
from dncd.line.xmodem_receiving import XmodemReceiving
from dncd.outside.loop import Owner
from dncd.outside.workers import Workers
from dncd.records.spool import CaptureSpool
from dncd.station.incoming_papers import IncomingPapers
from dncd.station.papers import Captured, Damage
from dncd.values import NO_FAULTS, Counters

_FLUSH_S = 0.05
"""Seconds after which caught bytes go to the spool: a few dozen characters, so that the disk is not asked for each."""

_RETRY_S = 1.0

_NOTICE_NEAR_S = 0.25
"""Seconds before a capture in which a fault that the port told counts against it: a device server may tell it first."""


@dataclass(slots=True, eq=False)
class _Capture:
    """A capture under way or on its way to the records."""

    spool: CaptureSpool | None
    buffer: bytearray
    bad: list[int]
    began_at: float
    chars: int = 0
    ended: Ended | None = None
    writing: bool = False
    notices: Counters = NO_FAULTS
    counted: Counters = NO_FAULTS
    lost: int = 0
    joined: int = 0

    @property
    def damage(self) -> Damage:
        """What befell it, for the records."""
        return Damage(tuple(self.bad), self.notices, self.lost, self.joined, self.counted)


class Incoming:
    """The receiving half of a station. `throttle(True)` asks the line to stop the control, `throttle(False)` to go on;
    `heard` is told the first byte of each capture, and -1 at its end."""

    def __init__(
        self,
        receiving: Receiving | XmodemReceiving,
        paper: IncomingPapers,
        hands: Workers,
        owner: Owner,
        *,
        throttle: Callable[[bool], None],
        heard: Callable[[int], None],
        told: Callable[[Captured], None],
        trouble: Callable[[str, Exception], None],
    ) -> None:
        self.receiving = receiving
        self._paper, self._hands, self._owner = paper, hands, owner
        self._throttle, self._heard, self._told, self._trouble = throttle, heard, told, trouble
        self._captures: list[_Capture] = []
        self._flush_at: float | None = None
        self._stopped = False
        self._touched: list[_Capture] = []  # captures that the last characters belonged to
        self._early = (NO_FAULTS, NO_FAULTS, 0.0)  # notices and counts that no capture had yet, and when they came

    @property
    def capturing(self) -> _Capture | None:
        """The capture whose characters are still coming."""
        return self._captures[-1] if self._captures and self._captures[-1].ended is None else None

    @property
    def busy(self) -> bool:
        """Whether anything caught is not on record yet."""
        return bool(self._captures)

    def feed(self, data: bytes, bad: tuple[int, ...], now: float) -> list[Said | Wished]:
        """Characters from an idle or punching control; gives what was said that is no part of a capture."""
        self._touched = self._captures[-1:]
        return self._take(self.receiving.feed(data, now, bad), now)

    def notice(self, notices: Counters, counted: Counters, now: float) -> None:
        """Faults of the characters just fed. notices: those that the port cannot tie to a character, which count against
        every capture that had some of them (or the newest that is not on record yet); counted: all, by kind."""
        captures = [capture for capture in self._touched if capture in self._captures] or self._captures[-1:]
        for capture in captures:
            capture.notices += notices
            capture.counted += counted
        if not captures:
            self._early = (notices, counted, now)

    def tick(self, now: float) -> None:
        """Closes what silence closes; hands waiting bytes to the disk."""
        self._take(self.receiving.tick(now), now)
        if self._flush_at is not None and now >= self._flush_at:
            self._flush(now)

    def stop(self, now: float) -> None:
        """The port or the service ends: an open capture ends as it is."""
        self._take(self.receiving.stop(now), now)

    def next_due(self) -> float | None:
        """When `tick` should be called next."""
        dues = [due for due in (self.receiving.next_due(), self._flush_at) if due is not None]
        return min(dues) if dues else None

    def _take(self, events: list[Event], now: float) -> list[Said | Wished]:
        said: list[Said | Wished] = []
        for event in events:
            match event:
                case Said() | Wished():
                    said.append(event)
                case Began():
                    self._begin(now)
                case Caught():
                    self._catch(self._captures[-1], event)
                    if self._flush_at is None:
                        self._flush_at = now + _FLUSH_S
                case Ended():
                    self._captures[-1].ended = event
                    self._heard(-1)
                    self._flush(now)
        self._pace()
        return said

    def _begin(self, now: float) -> None:
        if len(self._captures) < defaults.CAPTURES_WAIT:
            self._captures.append(_Capture(None, bytearray(), [], now))
        else:  # the disk takes none: this one and the last become one
            self._captures[-1].ended = None
            self._captures[-1].joined += 1
        capture = self._captures[-1]
        if capture not in self._touched:
            self._touched.append(capture)
        notices, counted, at = self._early
        if now - at <= _NOTICE_NEAR_S:
            capture.notices += notices
            capture.counted += counted
        self._early = (NO_FAULTS, NO_FAULTS, 0.0)

    def _catch(self, capture: _Capture, caught: Caught) -> None:
        if not capture.chars:
            self._heard(caught.data[0])
        room = 0 if capture.lost else max(0, defaults.HELD_MOST_CHARS - self._held())
        marks = [capture.chars + i for i in caught.bad if i < room]
        kept = marks[: max(0, defaults.MARKS_KEPT - len(capture.bad))]
        capture.bad += kept
        if len(kept) < len(caught.bad):
            capture.notices += Counters(parity=len(caught.bad) - len(kept))
        capture.buffer += caught.data[:room]
        capture.lost += max(0, len(caught.data) - room)
        capture.chars += len(caught.data)

    def _held(self) -> int:
        return sum(len(capture.buffer) for capture in self._captures)

    def _pace(self) -> None:
        held = self._held()
        if not self._stopped and held > defaults.HELD_HIGH_CHARS:
            self._stopped = True
            self._throttle(True)
        elif self._stopped and held < defaults.HELD_LOW_CHARS:
            self._stopped = False
            self._throttle(False)

    def _flush(self, now: float) -> None:
        """Hands what waits in memory to the disk, and the oldest capture to the records once it is whole there."""
        self._flush_at = None
        for capture in self._captures:
            if not capture.writing and (capture.buffer or (capture.spool is None and capture.ended is not None)):
                self._write(capture)
        self._record_first()

    def _write(self, capture: _Capture) -> None:
        """One job a capture at a time keeps the order of its bytes."""
        capture.writing = True
        spool = capture.spool
        if spool is None:
            self._hands.captures.do(
                self._paper.open_spool,
                lambda opened: self._opened(capture, opened),
                lambda error: self._not_written(capture, error),
                self._owner,
            )
            return
        part = bytes(capture.buffer)
        self._hands.captures.do(
            lambda: spool.append(part),
            lambda _: self._written(capture, len(part)),
            lambda error: self._not_written(capture, error),
            self._owner,
        )

    def _opened(self, capture: _Capture, spool: CaptureSpool) -> None:
        capture.spool = spool
        self._written(capture, 0)

    def _written(self, capture: _Capture, chars: int) -> None:
        capture.writing = False
        del capture.buffer[:chars]
        self._pace()
        if capture.buffer:
            self._write(capture)
        else:
            self._record_first()

    def _record_first(self) -> None:
        """The oldest capture goes on record when all of it is on the disk; the others follow in their order."""
        first = self._captures[0] if self._captures else None
        if first is None or first.writing or first.buffer or first.spool is None or first.ended is None:
            return
        first.writing = True
        spool, ended, seconds = first.spool, first.ended, first.ended.at - first.began_at
        self._hands.records.do(
            lambda: self._paper.captured(spool, ended, first.damage, seconds),
            lambda result: self._recorded(first, result),
            lambda error: self._not_written(first, error),
            self._owner,
        )

    def _recorded(self, capture: _Capture, result: Captured) -> None:
        self._captures.remove(capture)
        whole = not any(later.ended is not None for later in self._captures)
        if isinstance(self.receiving, XmodemReceiving) and whole:
            self.receiving.recorded()  # the last answer is that of the newest capture
        self._told(result)
        if self._captures:
            self._flush(self._hands.loop.now())

    def _not_written(self, capture: _Capture, error: Exception) -> None:
        """Nothing is given up: the bytes stay in memory (and in the spool) and are tried again."""
        capture.writing = False
        self._flush_at = self._hands.loop.now() + _RETRY_S
        self._trouble("what the control punched could not be written", error)
