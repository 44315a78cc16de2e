"""Catching what a control punches on an idle line.

Phases, and what moves them (`mark` counts at the start of a block only; rows not listed change nothing):

| phase   | event                                   | next    | event given         |
|---------|-----------------------------------------|---------|---------------------|
| idle    | DC1, DC3                                | idle    | `Said`              |
| idle    | DC2, a mark, any significant character  | opening, or inside for a mark | `Began`, `Caught` |
| opening | mark                                    | inside  | `Caught`            |
| inside  | mark, when `ends_on` is `mark`          | closing | `Caught`            |
| opening, inside | DC4; SUB or EOT when `ends_on` says so; silence; too long | idle | `Ended` |
| closing | the block end after the mark, another character, or a short silence | idle | `Ended` |

Block ends, NUL and DEL on an idle line are fill (leader and trailer) and begin nothing; so are DC4, SUB and EOT. What a
capture is worth is decided later, from its bytes; here nothing is thrown away once it began.
"""

import enum
import re
from dataclasses import dataclass

from dncd import defaults
from dncd.choices import BlockEnd, EndsOn, TapeCode
from dncd.line.codes import ReaderCode, when_idle
from dncd.values import Frame


class CaptureEnd(enum.Enum):
    """What ended a capture that none of the ends of the settings did."""

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
    """A capture began."""

    at: float


@dataclass(frozen=True, slots=True)
class Caught:
    """Bytes of the capture, in order. bad: indexes in `data` that the port marked as damaged."""

    data: bytes
    bad: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Ended:
    """The capture is over. chars: its length; printable: characters in it that the code knows as text."""

    why: EndsOn | CaptureEnd
    chars: int
    printable: int
    at: float


Event = Said | Wished | Began | Caught | Ended


class Phase(enum.Enum):
    """Where the receiver stands."""

    IDLE = "idle"
    OPENING = "opening"
    INSIDE = "inside"
    CLOSING = "closing"


# Classes of bytes, as letters of a second string that runs beside the data.
_TEXT, _MARK, _END, _FILL, _OTHER = b"P", b"M", b"E", b"0", b"X"
_SIGNALS = {ReaderCode.DC1: b"1", ReaderCode.DC2: b"2", ReaderCode.DC3: b"3", ReaderCode.DC4: b"4"}
_SIGNS: dict[EndsOn, bytes] = {
    end: bytes([end.chars[0] | 0x60]) for end in EndsOn if end.chars and end is not EndsOn.DC4
}
"""Letters of the characters that end a capture only where the settings say so: SUB is Ctrl-Z, so z."""
_RUNS = re.compile(rb"[PX]+|E+|0+|.", re.DOTALL)


def _even(byte: int) -> int:
    return byte | (byte.bit_count() % 2) << 7


@dataclass(frozen=True, slots=True)
class Alphabet:
    """How the receiver reads bytes: a table of 256 class letters, and the length of a block end in bytes."""

    classes: bytes
    block_end_chars: int

    @classmethod
    def of(cls, code: TapeCode, frame: Frame, mark: int, text: bytes, block_end: BlockEnd) -> "Alphabet":
        """mark: the coded mark (-1: none); text: all coded bytes that are text, blanks included.

        In a frame with parity only a byte of right parity is a mark, a block end or a signal inside a capture: one
        flipped bit must never make a signal out of a character.
        """
        table = [_OTHER] * 256
        for byte in text:
            table[byte] = _TEXT
        if code is TapeCode.EIA:
            named, ends = {0x80: _END, 0x00: _FILL, 0x7F: _FILL}, 1
        else:
            plain: dict[int, bytes] = {0x0A: _END, 0x0D: _END, 0x00: _FILL, 0x7F: _FILL}
            named, ends = {_coded(byte, code, frame): letter for byte, letter in plain.items()}, len(block_end.chars)
        signs = {signal.value: letter for signal, letter in _SIGNALS.items()}
        signs |= {end.chars[0]: letter for end, letter in _SIGNS.items() if code in end.codes}
        named |= {_coded(byte, code, frame): letter for byte, letter in signs.items()}
        for byte, letter in named.items():
            table[byte] = letter
        if mark >= 0:
            table[mark] = _MARK
        return cls(b"".join(table), ends)


def _coded(byte: int, code: TapeCode, frame: Frame) -> int:
    if code is TapeCode.EIA:
        return _even(byte)  # in EIA only the form with an even number of holes, which no character has
    if not frame.carries_own_parity:
        return byte
    return _even(byte) if frame.parity == "E" else _even(byte) ^ 0x80


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
        self._alphabet, self._code, self._ends_on = alphabet, code, ends_on
        self._silence_s, self._closing_s = silence_s, max(4 * char_s, defaults.TAIL_S)
        self._longest = longest
        self._last = 0.0
        self._printable = 0
        self._at_block_start = True
        self._ends_after_mark = 0
        self._idle_classes = _idle_classes(alphabet, code)

    def feed(self, data: bytes, now: float, bad: tuple[int, ...] = ()) -> list[Event]:
        """Bytes that came over the line; bad: indexes that the port marked as damaged. What happened, in order."""
        events: list[Event] = []
        at = 0
        while at < len(data):
            if self.phase is Phase.IDLE:
                at = self._listen(data, at, bad, now, events)
            else:
                at = self._catch(data, at, bad, now, events)
        if data:
            self._last = now
        return events

    def tick(self, now: float) -> list[Event]:
        """Closes what only time closes."""
        due = self.next_due()
        if due is None or now < due:
            return []
        return [self._end(EndsOn.MARK if self.phase is Phase.CLOSING else EndsOn.SILENCE, now)]

    def next_due(self) -> float | None:
        """When `tick` should be called next; None on an idle line."""
        match self.phase:
            case Phase.IDLE:
                return None
            case Phase.CLOSING:
                return self._last + self._closing_s
            case _:
                return self._last + self._silence_s

    def stop(self, now: float) -> list[Event]:
        """The service or the port stops: an open capture ends as it is."""
        if self.phase is Phase.IDLE:
            return []
        return [self._end(EndsOn.MARK if self.phase is Phase.CLOSING else CaptureEnd.STOPPED, now)]

    def _listen(self, data: bytes, at: int, bad: tuple[int, ...], now: float, events: list[Event]) -> int:
        classes = _classes(data, at, bad, self._idle_classes)
        for run in _RUNS.finditer(classes):
            letter = run[0][:1]
            if letter in (b"1", b"3"):
                events.append(Said(ReaderCode.DC1 if letter == b"1" else ReaderCode.DC3, now))
            elif letter in (b"2", _TEXT, _MARK, _OTHER):
                self.phase = Phase.OPENING
                self.chars = self._printable = self._ends_after_mark = 0
                self._at_block_start = True
                self.began_at = now
                events.append(Began(now))
                return at + run.start()
        return len(data)

    def _catch(self, data: bytes, at: int, bad: tuple[int, ...], now: float, events: list[Event]) -> int:
        classes = _classes(data, at, bad, self._alphabet.classes)
        end, why = len(classes), None
        for run in _RUNS.finditer(classes):
            length, why = self._closing_run(run[0]) if self.phase is Phase.CLOSING else self._open_run(run[0])
            if why is not None:
                end = run.start() + length
                break
        room = self._longest - self.chars
        if end > room:
            end, why = room, CaptureEnd.TOO_LONG
        part = data[at : at + end]
        self.chars += len(part)
        if part:
            events.append(Caught(part, tuple(i - at for i in bad if at <= i < at + end)))
        if why is not None:
            events.append(self._end(why, now))
        return at + end

    def _open_run(self, run: bytes) -> tuple[int, EndsOn | CaptureEnd | None]:
        """One run of equal class before the closing mark: how many of it belong to the capture, and whether it ends."""
        letter = run[:1]
        if letter in (_TEXT, _OTHER):
            self._printable += run.count(_TEXT)
            if self.phase is not Phase.OPENING or _TEXT in run:  # noise alone before the opening mark is leader
                self._at_block_start = False
        elif letter == _END:
            self._at_block_start = True
        elif letter == _MARK:
            self._printable += 1
            if self._at_block_start and self.phase is Phase.OPENING:
                self.phase = Phase.INSIDE
            elif self._at_block_start and self._ends_on is EndsOn.MARK:
                self.phase = Phase.CLOSING
            self._at_block_start = False
        elif letter == b"4":
            return 1, EndsOn.DC4
        elif letter in _SIGNS.values():
            if letter == _SIGNS.get(self._ends_on):
                return 1, self._ends_on
            self._at_block_start = False
        return len(run), None

    def _closing_run(self, run: bytes) -> tuple[int, EndsOn | CaptureEnd | None]:
        """After the closing mark: its block end belongs to it, and so does a damaged character in place of one."""
        letter = run[:1]
        if letter == _END:
            wanted = self._alphabet.block_end_chars - self._ends_after_mark
            used = min(wanted, len(run))
            self._ends_after_mark += used
            return used, EndsOn.MARK if used == wanted else None
        if letter in (b"1", b"2", b"3"):
            return len(run), None
        return int(letter == _OTHER), EndsOn.MARK

    def _end(self, why: EndsOn | CaptureEnd, now: float) -> Ended:
        self.phase = Phase.IDLE
        return Ended(why, self.chars, self._printable, now)


def _classes(data: bytes, at: int, bad: tuple[int, ...], table: bytes) -> bytes:
    if not bad:
        return data[at:].translate(table)
    classes = bytearray(data[at:].translate(table))
    for index in bad:
        if index >= at:
            classes[index - at] = _OTHER[0]
    return bytes(classes)


def _idle_classes(alphabet: Alphabet, code: TapeCode) -> bytes:
    table = bytearray(alphabet.classes)
    for byte, signal in when_idle(code).meaning.items():
        if signal is not ReaderCode.DC4:
            table[byte] = _SIGNALS[signal][0]
    return bytes(table)
