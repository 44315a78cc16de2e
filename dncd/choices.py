"""The words that settings may have, each with what it means."""

import enum
import re
from typing import Final


class ModemLine(enum.Enum):
    """A line beside the data, as dncd's end names it; NONE where a setting uses none."""

    CTS = "CTS"
    DSR = "DSR"
    RTS = "RTS"
    DTR = "DTR"
    NONE = ""


class Flow(enum.StrEnum):
    """Who may stop whom, and by what signal. in_band: whether the bytes DC3 and DC1 stop and go, both ways; stop_line: by
    which the control stops dncd (CTS, DSR or NONE); our_line: by which dncd stops the control (RTS, DTR or NONE); by_block:
    whether the control asks for each block by a DC1."""

    in_band: bool
    stop_line: ModemLine
    our_line: ModemLine
    by_block: bool

    XON_XOFF = "xon/xoff", True
    RTS_CTS = "rts/cts", False, ModemLine.CTS, ModemLine.RTS
    DTR_DSR = "dtr/dsr", False, ModemLine.DSR, ModemLine.DTR
    NONE = "none"
    ASKED = "asked", True, ModemLine.NONE, ModemLine.NONE, True

    def __new__(
        cls,
        word: str,
        in_band: bool = False,
        stop_line: ModemLine = ModemLine.NONE,
        our_line: ModemLine = ModemLine.NONE,
        by_block: bool = False,
    ) -> "Flow":
        found = str.__new__(cls, word)
        found._value_ = word
        found.in_band, found.stop_line, found.our_line, found.by_block = in_band, stop_line, our_line, by_block
        return found


class Protocol(enum.StrEnum):
    """How a program is wrapped on the line."""

    PLAIN = "plain"
    XMODEM = "xmodem"
    XMODEM_CRC = "xmodem-crc"
    XMODEM_1K = "xmodem-1k"
    YMODEM = "ymodem"
    KERMIT = "kermit"

    @property
    def whole_bytes(self) -> bool:
        """Whether it needs all eight bits of a character, without parity."""
        return self not in (Protocol.PLAIN, Protocol.KERMIT)


class TapeCode(enum.StrEnum):
    """ISO 646 / ISO 840, or EIA RS-244."""

    ISO = "iso"
    EIA = "eia"


class MarkAt(enum.StrEnum):
    """At which end of a program a missing mark is added."""

    BOTH = "both"
    START = "start"
    END = "end"
    NONE = "none"


class StartOn(enum.StrEnum):
    """What starts a sending."""

    DC1 = "dc1"
    CTS = "cts"
    DSR = "dsr"
    GO = "go"
    NOW = "now"

    @property
    def start_line(self) -> ModemLine:
        """The line whose coming on is the start: CTS, DSR or NONE."""
        return {StartOn.CTS: ModemLine.CTS, StartOn.DSR: ModemLine.DSR}.get(self, ModemLine.NONE)


class EndsOn(enum.StrEnum):
    """What ends a capture. chars: the character itself in ISO 646; b"" where the mark or time ends it; codes: the tape codes
    that can end so."""

    chars: bytes
    codes: tuple[TapeCode, ...]

    MARK = "mark"
    DC4 = "dc4", b"\x14"
    SUB = "sub", b"\x1a", (TapeCode.ISO,)  # in EIA this byte is the ( of many controls
    EOT = "eot", b"\x04", (TapeCode.ISO,)  # and this one is the digit 4
    SILENCE = "silence"

    def __new__(cls, word: str, chars: bytes = b"", codes: tuple[TapeCode, ...] = tuple(TapeCode)) -> "EndsOn":
        found = str.__new__(cls, word)
        found._value_, found.chars, found.codes = word, chars, codes
        return found


CHARACTERS: Final = {
    "NUL": 0, "SOH": 1, "STX": 2, "ETX": 3, "EOT": 4, "ENQ": 5, "ACK": 6, "BEL": 7, "BS": 8, "TAB": 9, "LF": 10, "EOB": 10,
    "FF": 12, "CR": 13, "SO": 14, "SI": 15, "DLE": 16, "DC1": 17, "DC2": 18, "DC3": 19, "DC4": 20, "NAK": 21, "SYN": 22,
    "ETB": 23, "CAN": 24, "EM": 25, "SUB": 26, "ESC": 27, "DEL": 127,
}  # fmt: skip
"""Characters that settings name, as ISO 646 does; EOB ends a block in EIA code, as LF does in ISO code."""

SAID: Final = rf"(?:'[ -&(-~]+'|{'|'.join(CHARACTERS)})"
"""One word of such as `'LOAD' CR LF`: a text in quotes, or the name of a character."""


def characters(words: str) -> bytes:
    """What words of the form SAID say, with a blank between any two."""
    found = re.findall(SAID, words)
    return b"".join(bytes([CHARACTERS[word]]) if word in CHARACTERS else word[1:-1].encode("ascii") for word in found)


class BlockEnd(str):
    """What ends a block on the line: the names of one to four characters with a blank between, such as `CR LF` or `;
    LF`. NUL and DEL behind the first give a slow reader or printer its time. One of OWN_ENDS is no text of a program at
    this control: it ends a block wherever it stands. ValueError for words that are no block end."""

    __slots__ = ()

    def __new__(cls, words: str) -> "BlockEnd":
        """words: as above; EOB is LF in EIA code."""
        if not _BLOCK_END.fullmatch(words):
            raise ValueError(f"{words!r} is no block end")
        return super().__new__(cls, words)

    @property
    def chars(self) -> str:
        return "".join(chr(CHARACTERS.get(word, ord(word[-1]))) for word in self.split())

    @property
    def own(self) -> frozenset[str]:
        """Those of its characters that are no text of a program any more."""
        return frozenset(self.chars) - set("\r\n\0\x7f")

    @property
    def decoded(self) -> str:
        """As `tape.codes` reads it: in place of a character of its own stands LF, or CR where it has an LF."""
        own = "\r" if "\n" in self.chars else "\n"
        return "".join(own if char in self.own else char for char in self.chars)

    @property
    def read(self) -> str:
        """What a reader counts of `decoded`: CR and LF."""
        return re.sub("[\0\x7f]", "", self.decoded)


OWN_ENDS: Final = "!$&*;?@^_|~"
"""Printable characters that may end a block: none of them begins or parts a word at any known control."""

_END = f"(?:CR|LF|EOB|[{re.escape(OWN_ENDS)}])"
_BLOCK_END: Final = re.compile(rf"{_END}(?: (?:{_END}|NUL|DEL)){{0,3}}")

USUAL_ENDS: Final = tuple(
    map(BlockEnd, ("LF", "CR", "CR LF", "LF CR CR", "CR LF LF", "LF CR", "CR CR LF", "CR NUL NUL"))
)
"""What ends a block at most controls, the most usual first."""


class Announce(enum.StrEnum):
    """Punch codes that dncd says around a program that it sends: DC2 punch on before it, DC4 punch off after it."""

    NONE = "none"
    DC2_DC4 = "dc2 dc4"


class Request(enum.StrEnum):
    """Reader codes by which dncd asks for a program: DC1 reader on, DC3 reader off once the program is in."""

    NONE = "none"
    DC1 = "dc1"
    DC1_DC3 = "dc1 dc3"


class DcParity(enum.StrEnum):
    """The eighth bit of the DC codes that dncd says."""

    AS_FRAME = "as-frame"
    EVEN = "even"
    NONE = "none"


class LowerCase(enum.StrEnum):
    """What happens to lower-case letters of a dropped file."""

    REFUSE = "refuse"
    UPPER = "upper"
    KEEP = "keep"


class Programs(enum.StrEnum):
    """How many programs between two marks the control takes."""

    ONE = "one"
    MANY = "many"


class NameFrom(enum.StrEnum):
    """What a program is named by that has neither number nor name: see `program.names` and `program.readback`."""

    NUMBER = "number"
    COMMENT = "comment"
    WORD = "word"
    SENT = "sent"


class MachineEdits(enum.StrEnum):
    """Whether a dropped file that lacks an edit made at the machine is refused or sent all the same."""

    REFUSE = "refuse"
    SEND = "send"


class Weight(enum.StrEnum):
    """What a finding of a kind does: stop the sending, warn, or nothing."""

    REFUSE = "refuse"
    WARN = "warn"
    OFF = "off"


class Watch(enum.StrEnum):
    """How a folder is watched."""

    EVENTS = "events"
    POLLING = "polling"


class FileLineEnd(enum.StrEnum):
    """Line end of the files that dncd writes for the office."""

    CRLF = "CRLF"
    LF = "LF"
    CR = "CR"

    @property
    def chars(self) -> str:
        return {"CRLF": "\r\n", "LF": "\n", "CR": "\r"}[self.value]


RENAMED_KEYS: Final = {("line", "ahead"): "ahead_chars"}
"""Keys that have another name now, by table and old key."""

RENAMED_WORDS: Final = {("program", "machine_edits", "hold"): "refuse", ("program", "lower_case", "raise"): "upper"}
"""Words that have another name now, by table, key and old word."""
