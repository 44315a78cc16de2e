"""What comes in over one line, until it is on the disk: the pure half of receiving.

The loop never waits for the disk: bytes wait here until the captures thread has written them, and before their number
reaches a limit the control is told to stop (DC3, or RTS off), as it is told to go on once they are written. A control that
does not heed it comes to a second limit: from there on its characters are counted and not kept, and the capture is damaged.
"""

import enum
import math
from dataclasses import dataclass

from dncd import defaults
from dncd.line.packet_receiving import PacketReceiving
from dncd.line.receivers import is_noise
from dncd.line.receiving import Began, Caught, Ended, Event, Receiving, Said, Wished
from dncd.records.plans import InPlan
from dncd.station.events import Append, CaptureJob, Discard, Judge, Keep
from dncd.station.results import Damage
from dncd.values import NO_FAULTS, Counters

_FLUSH_S = 0.05
"""Seconds after which caught bytes go to the spool: a few dozen characters, so that the disk is not asked for each."""

_RETRY_S = 1.0

_NOTICE_NEAR_S = 0.25
"""Seconds before a capture in which a fault that the port told counts against it: a device server may tell it first."""


class Cue(enum.Enum):
    """What a capture gives occasion to say. punch: it began with the control's DC2; over: it has come to its end."""

    STOP = "stop"
    GO_ON = "go on"
    PUNCH = "punch"
    OVER = "over"


@dataclass(slots=True, eq=False)
class Capture:
    """A capture under way or on its way to the records."""

    number: int
    began_at: float
    buffer: bytearray
    bad: list[int]
    chars: int = 0
    ended: Ended | None = None
    in_file: bool = False  # its file is made
    in_hand: bool = False  # a job has it
    notices: Counters = NO_FAULTS
    counted: Counters = NO_FAULTS
    lost: int = 0
    joined: int = 0
    judged: InPlan | None = None

    @property
    def next_job(self) -> CaptureJob | None:
        """What brings it nearer to the records, once all of it is in its file."""
        if self.in_hand or self.buffer or not self.in_file or self.ended is None:
            return None
        if self.judged is not None:
            return Keep(self.number, self.judged)
        damage = Damage(tuple(self.bad), self.notices, self.lost, self.joined, self.counted)
        if is_noise(self.ended) and not damage.of_memory:
            return Discard(self.number)
        return Judge(self.number, self.ended, damage, self.ended.at - self.began_at)


class CaptureBuffer:
    """The receiving half of a station. punch_on: bytes by which the control says DC2. What is to be done and said after
    a call is taken out by `take`."""

    def __init__(self, receiving: Receiving | PacketReceiving, punch_on: frozenset[int]) -> None:
        self.receiving = receiving
        self._jobs: list[CaptureJob] = []
        self._cues: list[Cue] = []
        self._punch_on = punch_on
        self._captures: list[Capture] = []
        self._made = 0
        self._flush_at = math.inf
        self._stopped = self._ending = False
        self._touched: list[Capture] = []  # captures that the last characters belonged to
        self._early = (NO_FAULTS, NO_FAULTS, 0.0)  # notices and counts that no capture had yet, and when they came

    @property
    def capturing(self) -> Capture | None:
        return self._captures[-1] if self._captures and self._captures[-1].ended is None else None

    @property
    def busy(self) -> bool:
        return bool(self._captures)

    @property
    def held_chars(self) -> int:
        return sum(len(capture.buffer) for capture in self._captures)

    @property
    def unwritten_chars(self) -> int:
        """Characters that came and are not on the disk: those in memory, and those for which it had no room."""
        return self.held_chars + sum(capture.lost for capture in self._captures)

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
        if now >= self._flush_at:
            self._flush()

    def stop(self, now: float) -> None:
        """The port or the service ends: an open capture ends as it is."""
        self._take(self.receiving.stop(now), now)

    def next_due(self) -> float:
        """When `tick` should be called next; infinity: only what comes can help."""
        due = self.receiving.next_due()
        return min(self._flush_at, math.inf if due is None else due)

    def take(self) -> tuple[list[Cue], list[CaptureJob]]:
        """What there is to say and to do since the last time."""
        taken = self._cues, self._jobs
        self._cues, self._jobs = [], []
        return taken

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
                    self._flush_at = min(self._flush_at, now + _FLUSH_S)
                case Ended():
                    self._captures[-1].ended = event
                    self._cues.append(Cue.OVER)
                    self._flush()
        self._pace()
        return said

    def _begin(self, now: float) -> None:
        if len(self._captures) < defaults.CAPTURES_WAIT:
            self._made += 1
            self._captures.append(Capture(self._made, now, bytearray(), []))
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

    def _catch(self, capture: Capture, caught: Caught) -> None:
        if not capture.chars and caught.data[0] in self._punch_on:
            self._cues.append(Cue.PUNCH)
        room = 0 if capture.lost else max(0, defaults.HELD_MOST_CHARS - self.held_chars)
        marks = [capture.chars + i for i in caught.bad if i < room]
        kept = marks[: max(0, defaults.MARKS_KEPT - len(capture.bad))]
        capture.bad += kept
        if len(kept) < len(caught.bad):
            capture.notices += Counters(parity=len(caught.bad) - len(kept))
        capture.buffer += caught.data[:room]
        capture.lost += max(0, len(caught.data) - room)
        capture.chars += len(caught.data)

    def _pace(self) -> None:
        held = self.held_chars
        if not self._stopped and held > defaults.HELD_HIGH_CHARS:
            self._stopped = True
            self._cues.append(Cue.STOP)
        elif self._stopped and held < defaults.HELD_LOW_CHARS:
            self._stopped = False
            self._cues.append(Cue.GO_ON)

    def _flush(self) -> None:
        """Hands what waits in memory to the disk, and the oldest capture to the records once it is whole there."""
        self._flush_at = math.inf
        for capture in self._captures:
            if not capture.in_hand and (capture.buffer or (not capture.in_file and capture.ended is not None)):
                self._write(capture)
        self._record_first()

    def _write(self, capture: Capture) -> None:
        """One job a capture at a time keeps the order of its bytes."""
        capture.in_hand = True
        self._jobs.append(Append(capture.number, bytes(capture.buffer)))

    def _record_first(self) -> None:
        """The oldest capture goes on record when all of it is on the disk; the others follow in their order: each is
        judged by what is on record before it."""
        if self._captures and not self._ending and (job := self._captures[0].next_job) is not None:
            self._captures[0].in_hand = True
            self._jobs.append(job)

    def ending(self, under_way: bool) -> None:
        """Whether a sending of this line is going on record: what came after it is judged by that."""
        over, self._ending = self._ending and not under_way, under_way
        if over:
            self._record_first()

    def done(self, job: CaptureJob, result: object) -> None:
        """A job is done: the characters are in the file, or the capture is judged, or on record."""
        capture = next(capture for capture in self._captures if capture.number == job.capture)
        capture.in_hand = False
        match job:
            case Append():
                capture.in_file = True
                del capture.buffer[: len(job.data)]
                self._pace()
                if capture.buffer:
                    self._write(capture)
                else:
                    self._record_first()
            case Judge():
                assert isinstance(result, InPlan)  # noqa: S101 - what this job gives
                capture.judged = result
                self._record_first()
            case Keep() | Discard():
                self._captures.remove(capture)
                whole = not any(later.ended is not None for later in self._captures)
                if isinstance(self.receiving, PacketReceiving) and whole:
                    self.receiving.recorded()  # the last answer is that of the newest capture
                if self._captures:
                    self._flush()

    def failed(self, job: CaptureJob, now: float) -> None:
        """Nothing is given up: the bytes stay in memory (and in the spool) and are tried again."""
        next(capture for capture in self._captures if capture.number == job.capture).in_hand = False
        self._flush_at = now + _RETRY_S
