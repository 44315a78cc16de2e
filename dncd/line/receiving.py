"""Catching what a control punches on an idle line.

Phases, and what moves them (rows not listed change nothing). A *mark* is the mark at the start of a block, or behind a gap:
blank tape of four NULs or more, or a pause. *Words* are as `tape.wording` says.

| phase   | event                                   | next    | event given         |
|---------|-----------------------------------------|---------|---------------------|
| idle    | DC1, DC3                                | idle    | `Said`              |
| idle    | DC2, a mark, any significant character  | opening | `Began`, `Caught`   |
| opening | mark, and no words before it            | inside  | `Caught`            |
| opening, inside | mark, when `ends_on` is `mark`: it closes, sure or in doubt (behind a gap) | closing | |
| opening, inside | DC4; SUB or EOT when `ends_on` says so; silence; too long | idle | `Ended` |
| closing | sure: the end of the mark line, or a short silence | idle | `Caught`, `Ended` |
| closing | in doubt: blank tape, a pause or a signal behind the mark line | idle | `Caught`, `Ended` |
| closing | in doubt: text behind the mark line, so it opens | inside | `Ended` (next), `Began`, `Caught` |

Text with words right behind a closing mark line is opened by that mark as well: it parts two programs (`Ended.mark`).
Where another mark closes than opens, neither is in doubt: the opening one ends an open capture (`OPENED`) and begins the
next. The rest of a mark line (blanks, a name) belongs to the mark. Block ends, NUL and DEL on an idle line are fill (leader
and trailer) and begin nothing; so are DC4, SUB, EOT, and blanks after a closing mark. DC4 among lettering ends nothing.
Where rate or frame are wrong, marks and signals come by chance: in a capture that is little but damage only silence ends,
so that one punch is one capture. What a capture is worth is decided later, from its bytes; here nothing is thrown away
once it began.
"""

import enum
import re
from collections.abc import Iterable
from dataclasses import dataclass

from dncd import defaults
from dncd.choices import EndsOn, TapeCode
from dncd.line.codes import CLOSES, MARK, MARKS, OPENS, SIGNS, Alphabet, ReaderCode, letters
from dncd.tape import wording
from dncd.tape.wording import BLANK_TAPE, Wording
from dncd.values import WireBytes


class CaptureEnd(enum.Enum):
    """What ended a capture that none of the ends of the settings did."""

    NEXT = "the mark of the next program"
    OPENED = "the opening mark of the next program"
    TOO_LONG = "too-long"
    STOPPED = "stopped"
    PACKETS = "the last packet"


@dataclass(frozen=True, slots=True)
class Said:
    """The control said DC1 or DC3 on an idle line."""

    code: ReaderCode
    at: float


@dataclass(frozen=True, slots=True)
class Wished:
    """A control on an idle XMODEM line asked for a program. wish: what it said, C or NAK."""

    wish: bytes
    at: float


@dataclass(frozen=True, slots=True)
class Began:
    at: float


@dataclass(frozen=True, slots=True)
class Caught:
    """Bytes of the capture, in order. bad: indexes in `data` that the port marked as damaged."""

    data: bytes
    bad: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Ended:
    """The capture is over. chars: its length; printable: characters in it that the code knows as text. mark: the mark
    line that ended the capture before it, where that is its opening mark as well; it came in no `Caught`. name: what
    the control calls it, where its protocol tells, else ""."""

    why: EndsOn | CaptureEnd
    chars: int
    printable: int
    at: float
    mark: bytes = b""
    name: str = ""

    def whole(self, caught: bytes | bytearray, bad: Iterable[int]) -> tuple[WireBytes, tuple[int, ...]]:
        """All characters of the capture, and the indexes that the port marked. caught, bad: of what came in `Caught`."""
        return WireBytes(self.mark + caught), tuple(len(self.mark) + index for index in bad)


Event = Said | Wished | Began | Caught | Ended


class Phase(enum.Enum):
    IDLE = "idle"
    OPENING = "opening"
    INSIDE = "inside"
    CLOSING = "closing"


_RUNS = re.compile(rb"[P9B]+|X+|E+|0+|.", re.DOTALL)
_TEXTS = (wording.TEXT[0], wording.DIGIT[0], wording.BLANK[0])

_PAUSE_S = 1.0
"""Seconds without a character that part two punches as blank tape does: a control pauses less between two marks, and
nobody presses PUNCH again within it."""

_DAMAGED = 64
"""Damaged characters, one in four, that make a capture one in which marks and signals come by chance. A short program that
was hit a few dozen times still ends at its mark, and the next one is its own."""

_PUNCH_CHARS = 100_000
"""Characters of a capture beyond which marks count again, more than most memories hold: noise without an end is told too."""

_MARK_LINE_CHARS = 200
"""Most characters of a closing mark line: a name has fewer."""


def _by_chance(damaged: int, printable: int, chars: int) -> bool:
    """Whether a capture is so damaged that a mark or signal in it says nothing."""
    return damaged >= _DAMAGED and 3 * damaged > printable and chars < _PUNCH_CHARS


class _MarkLine:
    """The line of a mark that closes, as far as it came, and what came behind it while that is in doubt."""

    def __init__(self, wanted: int, in_doubt: bool, parts: bool) -> None:
        """wanted: characters of a block end; parts: whether the mark may open another program as well."""
        self.data, self.bad = bytearray(), list[int]()
        self.end = -1  # of the mark line, -1 while it comes
        self.parts = parts  # and no character of it is damaged
        self.in_doubt = in_doubt
        self._wanted, self._ends, self._fill = wanted, 0, 0

    def feed(self, run: bytes) -> tuple[int, EndsOn | CaptureEnd | None]:
        """One run of equal class: how many characters of it are taken, and what the mark ends, once that is known."""
        letter = run[:1]
        taken = self._on_line(run) if self.end < 0 else 0
        if self.end < 0 or taken:
            return taken, EndsOn.MARK if self.end >= 0 and not self.in_doubt else None
        if not self.in_doubt or letter in (*MARKS, b"2", *SIGNS.values()) or len(self.data) > 2 * _MARK_LINE_CHARS:
            return 0, EndsOn.MARK
        if letter == wording.OTHER or run.strip(wording.BLANK)[:1] in (wording.TEXT, wording.DIGIT):
            return 0, CaptureEnd.NEXT
        self._fill = self._fill + len(run) if letter == wording.FILL else 0
        return len(run), EndsOn.MARK if self._fill >= BLANK_TAPE else None

    def _on_line(self, run: bytes) -> int:
        """How many characters of the run belong to the mark line; `end` is set where it ends."""
        letter, came = run[:1], len(self.data)
        if came == 0 or letter in (b"1", b"2", b"3"):
            return len(run)
        if letter == wording.END:
            used = min(self._wanted - self._ends, len(run))
            self._ends += used
            self.end = came + used if self._ends == self._wanted else -1
            return used
        if run[0] in _TEXTS and not self._ends and came < _MARK_LINE_CHARS:
            return min(len(run), _MARK_LINE_CHARS - came)
        used = int(letter == wording.OTHER and not self._ends)  # a damaged block end
        self.parts = self.parts and not used
        self.end = came + used
        return used


class Receiving:
    """The machine of the table above. silence_s, char_s: seconds; longest: most characters of one capture."""

    def __init__(
        self,
        alphabet: Alphabet,
        code: TapeCode,
        *,
        ends_on: EndsOn,
        silence_s: float,
        char_s: float,
        longest: int = defaults.CAPTURE_CHARS,
    ) -> None:
        self.phase = Phase.IDLE
        self.chars = 0
        self.began_at = 0.0
        self._alphabet, self._ends_on = alphabet, ends_on
        self._silence_s, self._closing_s = silence_s, max(4 * char_s, defaults.TAIL_S)
        self._longest = longest
        self._last = 0.0
        self._printable = self._damaged = 0
        self._at_block_start = True
        self._gap, self._fill = False, 0
        self._wording = Wording()
        self._line = _MarkLine(0, in_doubt=False, parts=False)
        self._after_mark, self._shared, self._parting = False, b"", b""
        self._idle_classes = alphabet.when_idle(code)

    def feed(self, data: bytes, now: float, bad: tuple[int, ...] = ()) -> list[Event]:
        """Bytes that came over the line; bad: indexes that the port marked as damaged. What happened, in order."""
        events: list[Event] = []
        at = 0
        if data and now - self._last >= _PAUSE_S:
            self._gap, self._shared = True, b""
            if self.phase is Phase.CLOSING:
                self._close(EndsOn.MARK, now, events)
        while at < len(data):
            if self.phase is Phase.IDLE:
                at = self._listen(data, at, bad, now, events)
            elif self.phase is Phase.CLOSING:
                at = self._weigh(data, at, bad, now, events)
            else:
                at = self._catch(data, at, bad, now, events)
        if data:
            self._last = now
        return events

    def tick(self, now: float) -> list[Event]:
        due = self.next_due()
        if due is None or now < due:
            return []
        return self._end_open(EndsOn.SILENCE, now)

    def next_due(self) -> float | None:
        """When `tick` should be called next; None on an idle line."""
        match self.phase:
            case Phase.IDLE:
                return None
            case Phase.CLOSING:
                return self._last + (_PAUSE_S if self._line.in_doubt else self._closing_s)
            case _:
                return self._last + self._silence_s

    def stop(self, now: float) -> list[Event]:
        """The service or the port stops: an open capture ends as it is."""
        return [] if self.phase is Phase.IDLE else self._end_open(CaptureEnd.STOPPED, now)

    def _end_open(self, why: EndsOn | CaptureEnd, now: float) -> list[Event]:
        if self.phase is not Phase.CLOSING:
            return [self._end(why, now)]
        events: list[Event] = []
        self._close(EndsOn.MARK, now, events)
        return events

    def _listen(self, data: bytes, at: int, bad: tuple[int, ...], now: float, events: list[Event]) -> int:
        classes = letters(data, at, bad, self._idle_classes)
        for run in _RUNS.finditer(classes):
            letter, start, text = run[0][:1], run.start(), run[0][0] in _TEXTS
            if letter in (b"1", b"3"):
                events.append(Said(ReaderCode.DC1 if letter == b"1" else ReaderCode.DC3, now))
            if self._after_mark and text:
                start += len(run[0]) - len(run[0].lstrip(wording.BLANK))
            if letter in (b"2", *MARKS, wording.OTHER) or (text and start < run.end()):
                shared = self._shared + data[at + run.start() : at + start] if text and self._shared else b""
                self._begin(now, shared, events)
                return at + start
            self._fill = self._fill + len(run[0]) if letter == wording.FILL else 0
            if not (text or letter in (wording.END, wording.FILL)) or self._fill >= BLANK_TAPE:
                self._shared = b""
            elif self._shared:
                self._shared = (self._shared + data[at + run.start() : at + run.end()])[: 2 * _MARK_LINE_CHARS]
        return len(data)

    def _begin(self, now: float, mark: bytes, events: list[Event]) -> None:
        self.phase, self._parting = Phase.OPENING, mark
        self.chars = self._printable = self._damaged = self._fill = 0
        self._at_block_start, self._gap = True, False
        self._after_mark, self._shared = False, b""
        self._wording = Wording()
        self.began_at = now
        events.append(Began(now))

    def _catch(self, data: bytes, at: int, bad: tuple[int, ...], now: float, events: list[Event]) -> int:
        classes = letters(data, at, bad, self._alphabet.classes)
        end, why = len(classes), None
        for run in _RUNS.finditer(classes):
            length, why = self._open_run(run[0])
            if why is not None or self.phase is Phase.CLOSING:
                end = run.start() + length
                break
        room = self._longest - self.chars
        if end > room:
            end, why = room, CaptureEnd.TOO_LONG
        self._caught(data[at : at + end], [i - at for i in bad if at <= i < at + end], events)
        if why is not None:
            events.append(self._end(why, now))
        return at + end

    def _caught(self, part: bytes, bad: list[int], events: list[Event]) -> None:
        self.chars += len(part)
        if part:
            events.append(Caught(part, tuple(bad)))

    def _open_run(self, run: bytes) -> tuple[int, EndsOn | CaptureEnd | None]:
        """One run of equal class before the closing mark: how many of it belong to the capture, and whether it ends."""
        letter = run[:1]
        if letter == wording.FILL:
            self._fill += len(run)
            self._gap = self._gap or self._fill >= BLANK_TAPE
        elif letter == wording.END:
            self._at_block_start = True
        elif letter in MARKS:
            return self._mark(letter)
        elif letter in SIGNS.values() and _by_chance(self._damaged, self._printable, self.chars):
            pass
        elif letter == SIGNS[EndsOn.DC4]:
            lettering = not self._wording.words or self._wording.odd
            if self.phase is Phase.INSIDE or self._ends_on is not EndsOn.MARK or not lettering:
                return 1, EndsOn.DC4
        elif letter == SIGNS.get(self._ends_on):
            return 1, self._ends_on
        elif letter not in (b"1", b"2", b"3"):
            text = run[0] in _TEXTS
            self._printable += len(run) * text
            self._damaged += len(run) * (letter == wording.OTHER)
            if self.phase is not Phase.OPENING or letter != wording.OTHER:  # noise before the opening mark is leader
                self._at_block_start = False
            self._gap = False
        if letter != wording.FILL:
            self._fill = 0
        self._wording.feed(run)
        return len(run), None

    def _mark(self, letter: bytes) -> tuple[int, CaptureEnd | None]:
        """A mark: text, an opening one, or one that closes; 1 if it is caught at once, and what it ends so."""
        counts, gap = self._at_block_start or self._gap, self._gap
        opens = letter != CLOSES and self.phase is Phase.OPENING and not self._wording.words
        self._fill, self._gap = 0, False
        if (
            counts
            and not opens
            and self._ends_on is EndsOn.MARK
            and not _by_chance(self._damaged, self._printable, self.chars)
        ):
            if letter == OPENS:
                return 0, CaptureEnd.OPENED
            may_open, chars = letter == MARK, self._alphabet.block_end_chars
            self.phase, self._line = Phase.CLOSING, _MarkLine(chars, in_doubt=gap and may_open, parts=may_open)
            return 0, None
        if opens:  # also behind a prompt in its own line
            self.phase, self._parting = Phase.INSIDE if counts else Phase.OPENING, b""
            self._damaged = 0  # that was lettering
        self._printable += 1
        self._at_block_start = False
        self._wording.feed(wording.TEXT)
        return 1, None

    def _weigh(self, data: bytes, at: int, bad: tuple[int, ...], now: float, events: list[Event]) -> int:
        """Characters on and behind the line of a mark that closes."""
        line = self._line
        for run in _RUNS.finditer(letters(data, at, bad, self._alphabet.classes)):
            start = at + run.start()
            length, why = line.feed(run[0])
            line.bad += [len(line.data) + i - start for i in bad if start <= i < start + length]
            line.data += data[start : start + length]
            if why is not None:
                self._close(why, now, events)
                return start + length
            if length < len(run[0]):
                return start + length
        return len(data)

    def _close(self, why: EndsOn | CaptureEnd, now: float, events: list[Event]) -> None:
        """What the mark ends is known."""
        line = self._line
        if why is CaptureEnd.NEXT:
            events.append(self._end(why, now))
            self._begin(now, b"", events)
            self.phase = Phase.INSIDE
            self._printable = 1
            self._caught(bytes(line.data), line.bad, events)
            return
        end = line.end if line.end >= 0 else len(line.data)
        self._printable += 1
        self._caught(bytes(line.data[:end]), [i for i in line.bad if i < end], events)
        events.append(self._end(why, now))
        self._after_mark, self._fill = True, 0
        self._shared = bytes(line.data) if line.parts and not line.in_doubt else b""

    def _end(self, why: EndsOn | CaptureEnd, now: float) -> Ended:
        self.phase = Phase.IDLE
        return Ended(why, self.chars, self._printable, now, self._parting)
