"""The line as a person reads it while it happens: characters, control characters by name, and what is wrong with each.

printable characters stand for themselves; control characters are named as in ISO 646: <DC1> <LF> <NUL>
<A?>   the character A with wrong parity          <93?>  a byte that is in no table of the code
<41!>  a byte that the UART marked (missing stop bit, or its own parity)      <BREAK> a marked NUL
<3C>   the character < itself, so that nothing here can be mistaken
"""

from collections.abc import Iterable
from typing import Final

from dncd.choices import TapeCode
from dncd.commissioning.recording import Entry, Lines, Note, Passed, Way
from dncd.peer_text import printable
from dncd.tape.codes import FAULT, Coder
from dncd.values import Signal, WireBytes

CONTROL_NAMES: Final = (
    *("NUL", "SOH", "STX", "ETX", "EOT", "ENQ", "ACK", "BEL", "BS", "HT", "LF", "VT", "FF", "CR", "SO", "SI"),
    *("DLE", "DC1", "DC2", "DC3", "DC4", "NAK", "SYN", "ETB", "CAN", "EM", "SUB", "ESC", "FS", "GS", "RS", "US"),
)
"""Names of the characters 0x00 to 0x1F (ISO 646; those of the trade are in control_chars.csv, verified)."""


class View:
    __slots__ = ("_shown",)

    def __init__(self, coder: Coder) -> None:
        self._shown = tuple(_show(byte, coder) for byte in range(256))

    def text(self, data: bytes, marked: Iterable[int] = ()) -> str:
        bad = frozenset(marked)
        return "".join(_show_marked(byte) if k in bad else self._shown[byte] for k, byte in enumerate(data))

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


def _show_marked(byte: int) -> str:
    return "<BREAK>" if byte == 0 else f"<{byte:02X}!>"
