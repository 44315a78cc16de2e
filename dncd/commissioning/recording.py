"""A recording of a line: what went each way, when, and what the modem lines did; as lines of text that anybody can read.

    dncd-recording 1
    # machine gang-lathe
    # began 2026-11-25T12:00:00Z
    # line 4800 7E2 iso
    0.000000 lines rts=on dtr=on cts=on dsr=on dcd=off
    1.250431 < 11
    1.261002 > A5 8D 0A
    1.502210 < 4F 30!
    9.000000 note the operator pressed PUNCH

The first line names the format and its version. `#` lines say what was recorded, by key. Then one entry a line: seconds
since the beginning with six decimals, never falling; `<` bytes from the control, `>` bytes to it, in hex, each with `!` if
the UART marked it; `lines` for the modem lines; `note` for a word. A recording that was cut off keeps what came before: a
last line without its newline is left out.
"""

import enum
import itertools
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from dncd.choices import TapeCode
from dncd.errors import DncdError
from dncd.peer_text import printable
from dncd.tape.codes import FAULT, Coder
from dncd.values import Modem, Signal, WireBytes

FIRST_LINE: Final = "dncd-recording 1"

BYTES_A_LINE: Final = 32
"""Most bytes of one entry, so that a line stays readable in a terminal."""


class RecordingError(DncdError):
    code = "recording"


class Way(enum.StrEnum):
    FROM_CONTROL = "<"
    TO_CONTROL = ">"


@dataclass(frozen=True, slots=True)
class Passed:
    """Bytes that passed: at: seconds since the beginning; marked: indexes of those that the UART marked."""

    at: float
    way: Way
    data: bytes
    marked: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Lines:
    """The modem lines as they stood from `at` on: dncd's outputs and the control's."""

    at: float
    rts: Signal
    dtr: Signal
    modem: Modem


@dataclass(frozen=True, slots=True)
class Note:
    at: float
    text: str


Entry = Passed | Lines | Note


@dataclass(frozen=True, slots=True)
class Recording:
    head: dict[str, str] = field(default_factory=dict)
    entries: tuple[Entry, ...] = ()


def head_lines(head: dict[str, str]) -> str:
    """The beginning of a recording. Keys: small letters and `-`; values: one line each."""
    return "".join(f"{line}\n" for line in [FIRST_LINE, *(f"# {key} {_one_line(text)}" for key, text in head.items())])


def entry_lines(entry: Entry) -> str:
    """An entry as it is written, with its newline; more than `BYTES_A_LINE` bytes make more lines of the same instant."""
    at = f"{entry.at:.6f}"
    match entry:
        case Passed(_, way, data, marked):
            pieces = [range(first, min(first + BYTES_A_LINE, len(data))) for first in range(0, len(data), BYTES_A_LINE)]
            bad = frozenset(marked)
            words = [" ".join(f"{data[k]:02X}" + ("!" if k in bad else "") for k in piece) for piece in pieces]
            return "".join(f"{at} {way.value} {word}\n" for word in words)
        case Lines(_, rts, dtr, modem):
            states = {"rts": rts, "dtr": dtr, "cts": modem.cts, "dsr": modem.dsr, "dcd": modem.dcd}
            return f"{at} lines {' '.join(f'{name}={state.name.lower()}' for name, state in states.items())}\n"
        case Note(_, text):
            return f"{at} note {_one_line(text)}\n"


def _one_line(text: str) -> str:
    return printable(" ".join(text.split()))


_HEAD: Final = re.compile(r"# ([a-z-]+) (.*)")
_ENTRY: Final = re.compile(r"(\d+\.\d{6}) (<|>|lines|note)(?: (.*))?")
_BYTES: Final = re.compile(r"[0-9A-F]{2}!?(?: [0-9A-F]{2}!?)*")
_LINES: Final = re.compile(r"rts=(\w+) dtr=(\w+) cts=(\w+) dsr=(\w+) dcd=(\w+)")


def read_recording(lines: Iterable[str], name: str) -> Recording:
    """A recording from its lines, each with its newline; name: of the file, for errors. RecordingError names the line,
    from 1. A last line without its newline was cut off and is left out."""
    head: dict[str, str] = {}
    entries: list[Entry] = []
    whole = (line.rstrip("\r\n") for line in itertools.takewhile(lambda line: line.endswith("\n"), lines))
    if (first := next(whole, None)) is None:
        raise RecordingError("the file is empty", name, "Give a file that `--record` has written")
    if first != FIRST_LINE:
        what = f"the first line is not {FIRST_LINE!r}"
        raise RecordingError(what, f"{name}, line 1", "Give a file that `--record` has written")
    for number, text in enumerate(whole, 2):
        if said := _HEAD.fullmatch(text):
            head[said[1]] = said[2]
        elif text:
            entries.append(read_entry(text, f"{name}, line {number}"))
            if len(entries) > 1 and entries[-1].at < entries[-2].at:
                raise RecordingError("time goes backwards", f"{name}, line {number}", "Put the lines in order again")
    return Recording(head, tuple(entries))


def read_entry(text: str, where: str) -> Entry:
    """One entry from its line, without a newline; where: of the line, for errors. RecordingError: it is none."""
    found = _ENTRY.fullmatch(text)
    at, kind, rest = (float(found[1]), found[2], found[3] or "") if found else (0.0, "", "")
    if kind == "note":
        return Note(at, rest)
    if kind == "lines" and (states := _LINES.fullmatch(rest)):
        known = {signal.name.lower(): signal for signal in Signal}
        if all(state in known for state in states.groups()):
            rts, dtr, cts, dsr, dcd = (known[state] for state in states.groups())
            return Lines(at, rts, dtr, Modem(cts, dsr, dcd))
    if kind in {way.value for way in Way} and _BYTES.fullmatch(rest):
        words = rest.split(" ")
        marked = tuple(k for k, word in enumerate(words) if word.endswith("!"))
        return Passed(at, Way(kind), bytes(int(word[:2], 16) for word in words), marked)
    raise RecordingError(
        f"cannot read {printable(text[:60])!r}", where, "Look how the lines about it are written, or take this one out"
    )


def from_control(entries: Iterable[Entry]) -> list[Passed]:
    """What the control said: feed it to a receiver, at the instants of the recording, by a clock that moves."""
    return [entry for entry in entries if isinstance(entry, Passed) and entry.way is Way.FROM_CONTROL]


CONTROL_NAMES: Final = (
    *("NUL", "SOH", "STX", "ETX", "EOT", "ENQ", "ACK", "BEL", "BS", "HT", "LF", "VT", "FF", "CR", "SO", "SI"),
    *("DLE", "DC1", "DC2", "DC3", "DC4", "NAK", "SYN", "ETB", "CAN", "EM", "SUB", "ESC", "FS", "GS", "RS", "US"),
)
"""Names of the characters 0x00 to 0x1F (ISO 646; those of the trade are in control_chars.csv, verified)."""


class View:
    """The line as a person reads it while it happens.

    printable characters stand for themselves; control characters are named as in ISO 646: <DC1> <LF> <NUL>
    <A?>   the character A with wrong parity          <93?>  a byte that is in no table of the code
    <41!>  a byte that the UART marked (missing stop bit, or its own parity)      <BREAK> a marked NUL
    <3C>   the character < itself, so that nothing here can be mistaken
    """

    __slots__ = ("_marked", "_shown")

    def __init__(self, coder: Coder) -> None:
        self._shown = tuple(_show(byte, coder) for byte in range(256))
        self._marked = ("<BREAK>", *(f"<{byte:02X}!>" for byte in range(1, 256)))

    def text(self, data: bytes, marked: Iterable[int] = ()) -> str:
        bad = frozenset(marked)
        return "".join((self._marked if k in bad else self._shown)[byte] for k, byte in enumerate(data))

    def line(self, entry: Entry) -> str:
        at = f"{entry.at:10.3f}"
        match entry:
            case Passed(_, way, data, marked):
                who = "control" if way is Way.FROM_CONTROL else "dncd"
                return f"{at} {who:>7} {way.value} {self.text(data, marked)}"
            case Lines(_, rts, dtr, modem):
                states = {"RTS": rts, "DTR": dtr, "CTS": modem.cts, "DSR": modem.dsr, "DCD": modem.dcd}
                words = " ".join(f"{name} {_STATES[state]}" for name, state in states.items())
                return f"{at}   lines | {words}"
            case Note(_, text):
                return f"{at}    note | {printable(text)}"


_STATES: Final = {Signal.ON: "on ", Signal.OFF: "off", Signal.UNKNOWN: "?  "}


def _show(byte: int, coder: Coder) -> str:
    char = coder.decode(WireBytes(bytes([byte]))).chars[0]
    if char != FAULT:
        # EIA code has one block end, and it is no LF of ISO 646
        return "<EOB>" if coder.code is TapeCode.EIA and char == 0x0A else _named(char, f"{byte:02X}")
    if coder.code is TapeCode.ISO and coder.frame.carries_own_parity:
        return f"{_named(byte & 0x7F, f'{byte & 0x7F:02X}').strip('<>')}?".join("<>")
    return f"<{byte:02X}?>"


def _named(char: int, code: str) -> str:
    if char < 0x20:
        return f"<{CONTROL_NAMES[char]}>"
    if char == 0x7F:
        return "<DEL>"
    return f"<{code}>" if char in b"<>" else chr(char)
