"""Value types that every floor shares: frozen, slotted, without behaviour that needs a clock or a file."""

import enum
import re
from collections.abc import Mapping
from dataclasses import asdict, astuple, dataclass, field
from fractions import Fraction
from operator import add, sub
from pathlib import Path
from typing import Final, NewType

from dncd import defaults
from dncd.choices import (
    USUAL_ENDS,
    Announce,
    BlockEnd,
    DcParity,
    EndsOn,
    FileLineEnd,
    Flow,
    LowerCase,
    MachineEdits,
    MarkAt,
    ModemLine,
    NameFrom,
    Programs,
    Protocol,
    Request,
    StartOn,
    TapeCode,
    Watch,
    Weight,
)
from dncd.peer_text import shown

WireBytes = NewType("WireBytes", bytes)
"""Bytes as they stand on an eight-bit line: coded, with parity where the frame has it."""

IsoBytes = NewType("IsoBytes", bytes)
"""ISO 646 characters, seven bits each, block ends written out, before coding."""


class Result(enum.StrEnum):
    """How a transfer ended: the `result` of its receipt."""

    SENT = "sent"
    RECEIVED = "received"
    DAMAGED = "damaged"
    REFUSED = "refused"
    INTERRUPTED = "interrupted"
    WITHDRAWN = "withdrawn"


class LineState(enum.StrEnum):
    """What a line is doing, as `status` shows it."""

    LISTENING = "listening"
    WAITING = "waiting"
    SENDING = "sending"
    HELD = "held"
    RECEIVING = "receiving"
    NO_PORT = "no-port"
    LENT = "lent"


class Severity(enum.StrEnum):
    """Whether a finding stops a sending."""

    REFUSE = "refuse"
    WARN = "warn"


class Origin(enum.StrEnum):
    """Which side made a revision: the `From:` trailer."""

    OFFICE = "office"
    MACHINE = "machine"


class Signal(enum.Enum):
    """State of a modem line; UNKNOWN where the port cannot tell (a pseudo-terminal, a plain socket)."""

    OFF = 0
    ON = 1
    UNKNOWN = 2


@dataclass(frozen=True, slots=True)
class Modem:
    """The lines by which a control can be watched (DE-9 pins 8, 6 and 1), as the port reads them."""

    cts: Signal = Signal.UNKNOWN
    dsr: Signal = Signal.UNKNOWN
    dcd: Signal = Signal.UNKNOWN

    def of(self, line: ModemLine) -> Signal:
        """The state of CTS or DSR; UNKNOWN of any other."""
        return {ModemLine.CTS: self.cts, ModemLine.DSR: self.dsr}.get(line, Signal.UNKNOWN)


@dataclass(frozen=True, slots=True)
class Counters:
    """How many of each fault a receiver saw: characters overrun, with a wrong stop bit, with wrong parity; breaks."""

    overruns: int = 0
    framing: int = 0
    parity: int = 0
    breaks: int = 0

    def __add__(self, other: "Counters") -> "Counters":
        return Counters(*map(add, astuple(self), astuple(other)))

    def __sub__(self, earlier: "Counters") -> "Counters":
        return Counters(*map(sub, astuple(self), astuple(earlier)))

    def kinds(self) -> dict[str, int]:
        """The counts that are not zero, by name: what stands in a ledger line."""
        return {name: number for name, number in asdict(self).items() if number}


def fault_words(kinds: Mapping[str, int]) -> str:
    """Faults for people, such as `2 of overrun, 1 of parity`; "" without any. kinds: as `Counters.kinds` gives them."""
    words = {"overruns": "overrun", "framing": "stop bit", "parity": "parity", "breaks": "break"}
    return ", ".join(f"{number} of {words.get(name, name)}" for name, number in kinds.items())


NO_FAULTS: Final = Counters()


_FRAME = re.compile(r"([5-8][NEO]|7[MS])(1|1\.5|2)")


@dataclass(frozen=True, slots=True)
class Frame:
    """Data bits (5 to 8), parity (N, E, O; of seven bits also M mark, S space) and stop bits (1, 3/2, 2) of one
    character on the line."""

    data_bits: int
    parity: str
    stop_bits: Fraction

    @classmethod
    def parse(cls, text: str) -> "Frame":
        """`7E2` and its like; ValueError for anything else."""
        found = _FRAME.fullmatch(text)
        if not found:
            raise ValueError(f"{text!r} is not data bits, parity (N, E, O) and stop bits, such as 7E1, 7E2, 7O1 or 8N1")
        return cls(int(found[1][0]), found[1][1], Fraction(found[2]))

    @property
    def bits(self) -> Fraction:
        """Bit times of one character: start, data, parity and stop bits (serial arithmetic; 7E2 is 11)."""
        return 1 + self.data_bits + (self.parity != "N") + self.stop_bits

    @property
    def carries_own_parity(self) -> bool:
        """Seven bits with parity travel as eight without: dncd makes and checks the parity itself."""
        return self.data_bits == 7 and self.parity != "N"

    @property
    def checks_parity(self) -> bool:
        """Whether one hit bit of a character can be seen: mark and space parity show a hit of the eighth bit alone."""
        return self.parity in ("E", "O")

    def __str__(self) -> str:
        stop = {Fraction(1): "1", Fraction(3, 2): "1.5", Fraction(2): "2"}[self.stop_bits]
        return f"{self.data_bits}{self.parity}{stop}"


@dataclass(frozen=True, slots=True)
class LineSettings:
    """Table `[machines.NAME.line]`. baud: bits a second."""

    port: str
    baud: int = defaults.BAUD
    frame: Frame = field(default_factory=lambda: Frame.parse(defaults.FRAME))
    protocol: Protocol = Protocol.PLAIN
    flow: Flow = Flow.XON_XOFF
    ahead_chars: int = defaults.AHEAD_CHARS
    dc_parity: DcParity = DcParity.AS_FRAME
    echoes: bool = False

    @property
    def char_s(self) -> float:
        """Seconds that one character takes on the line."""
        return float(self.frame.bits / self.baud)


@dataclass(frozen=True, slots=True)
class TapeSettings:
    """Table `[machines.NAME.tape]`. end_mark: "" where one mark opens and closes; eia_codes: bytes for the characters
    that RS-244 leaves to the builder."""

    code: TapeCode = TapeCode.ISO
    block_end: BlockEnd = USUAL_ENDS[0]
    mark: str = defaults.MARK
    end_mark: str = ""
    mark_at: MarkAt = MarkAt.BOTH
    leader_chars: int = defaults.LEADER_CHARS
    trailer_chars: int = defaults.TRAILER_CHARS
    eia_codes: tuple[tuple[str, int], ...] = ()

    @property
    def closes(self) -> str:
        """The mark that closes."""
        return self.end_mark or self.mark

    @property
    def opening(self) -> str:
        """The opening mark, "" where none is added to a text without one."""
        return self.mark if self.mark_at in (MarkAt.BOTH, MarkAt.START) else ""

    @property
    def closing(self) -> str:
        """The closing mark, "" where none is added."""
        return self.closes if self.mark_at in (MarkAt.BOTH, MarkAt.END) else ""

    @property
    def ends(self) -> BlockEnd:
        """What ends a block on this tape: EIA code has no CR, and EOB (as LF) in place of every end that has one."""
        none = self.code is TapeCode.EIA and "\r" in self.block_end.chars
        return BlockEnd("EOB") if none else self.block_end


@dataclass(frozen=True, slots=True)
class SendSettings:
    """Table `[machines.NAME.send]`; times in seconds; before, wait_for, after: words as `choices.characters` reads them."""

    start_on: StartOn = StartOn.DC1
    dc1_stays_s: float = defaults.DC1_STAYS_S
    drip_feed: bool = False
    stall_s: float = defaults.STALL_S
    stale_h: float = defaults.STALE_H
    again: int = defaults.AGAIN
    after_char_s: float = defaults.AFTER_CHAR_S
    after_block_s: float = defaults.AFTER_BLOCK_S
    announce: Announce = Announce.NONE
    before: str = ""
    wait_for: str = ""
    wait_s: float = defaults.WAIT_S
    after: str = ""


@dataclass(frozen=True, slots=True)
class ReceiveSettings:
    """Table `[machines.NAME.receive]`; times in seconds."""

    ends_on: EndsOn = EndsOn.MARK
    silence_s: float = defaults.SILENCE_S
    request: Request = Request.NONE


@dataclass(frozen=True, slots=True)
class ProgramSettings:
    """Table `[machines.NAME.program]`; sizes in characters. findings: code and weight of those that are not as shipped;
    replace: characters that the code does not have, and what goes out for each."""

    memory_chars: int = defaults.MEMORY_CHARS
    longest_block_chars: int = defaults.LONGEST_BLOCK_CHARS
    lower_case: LowerCase = LowerCase.REFUSE
    programs: Programs = Programs.MANY
    lowest_number: int = defaults.LOWEST_NUMBER
    highest_number: int = defaults.HIGHEST_NUMBER
    end_words: str = defaults.END_WORDS
    begins_with: str = ""
    ends_with: str = ""
    name_from: tuple[NameFrom, ...] = (NameFrom.NUMBER,)
    replace: tuple[tuple[str, str], ...] = ()
    machine_edits: MachineEdits = MachineEdits.REFUSE
    send_only_proven: bool = False
    findings: tuple[tuple[str, Weight], ...] = ()

    @property
    def ends(self) -> tuple[str, ...]:
        """What ends a program: words, and the one that closes conversational text, which may have blanks inside."""
        return (*self.end_words.split(), *filter(None, (self.ends_with,)))


@dataclass(frozen=True, slots=True)
class Keys:
    """Table `[machines.NAME.keys]`: what is written on the control's keys, and so what every message calls them."""

    read: str = defaults.READ
    punch: str = defaults.PUNCH
    reset: str = defaults.RESET

    @property
    def delete_first(self) -> str:
        """What to do where the control may hold a part of a program."""
        what = "delete what the control holds of it, then drop the file again"
        return f"press {self.reset} at the control (its reader may still be on), {what}"


@dataclass(frozen=True, slots=True)
class SeatSettings:
    """Table `[machines.NAME.seat]`: a port that several controls share behind a switch box. switch: its name, "" for a port
    of the machine's own; code: characters that turn it here, said whenever the port is opened, "" where a hand turns it;
    at_start: seated without asking."""

    switch: str = ""
    code: str = ""
    at_start: bool = False


@dataclass(frozen=True, slots=True)
class MachineSettings:
    """Table `[machines.NAME]`: one control and its line. backup_days: days after which a backup is due, 0 for never."""

    name: str
    line: LineSettings
    title: str = ""
    tape: TapeSettings = TapeSettings()
    send: SendSettings = SendSettings()
    receive: ReceiveSettings = ReceiveSettings()
    program: ProgramSettings = ProgramSettings()
    keys: Keys = Keys()
    seat: SeatSettings = SeatSettings()
    backup_days: int = defaults.BACKUP_DAYS

    @property
    def lines_needed(self) -> tuple[ModemLine, ...]:
        """The lines of the control that a sending needs, for flow or start, CTS first."""
        used = (self.line.flow.stop_line, self.send.start_on.start_line)
        return tuple(line for line in (ModemLine.CTS, ModemLine.DSR) if line in used)


@dataclass(frozen=True, slots=True)
class ShopSettings:
    """Table `[shop]`. folder, state: absolute paths; settle_s: seconds."""

    folder: Path
    state: Path
    watch: Watch = Watch.EVENTS
    settle_s: float = defaults.SETTLE_S
    file_line_end: FileLineEnd = FileLineEnd.CRLF
    file_extension: str = defaults.FILE_EXTENSION
    metrics: str = ""


@dataclass(frozen=True, slots=True)
class LibrarySettings:
    """Table `[library]`. remote: URL or path of a git repository that gets every revision, "" for none; branch: there."""

    remote: str = ""
    branch: str = defaults.BRANCH


@dataclass(frozen=True, slots=True)
class PageSettings:
    """Table `[page]`. listen: address and port; names, behind_proxy, boxes: with a blank between; certificate, key,
    box_tokens, box_ca: paths, ""."""

    listen: str = defaults.LISTEN
    names: str = ""
    certificate: str = ""
    key: str = ""
    behind_proxy: str = ""
    boxes: str = ""
    box_tokens: str = ""
    box_ca: str = ""


@dataclass(frozen=True, slots=True)
class Settings:
    """The whole settings file. machines: by name, in the order of the file; hints: sentences about words of old in it."""

    file: Path
    shop: ShopSettings
    machines: dict[str, MachineSettings]
    library: LibrarySettings = LibrarySettings()
    page: PageSettings = PageSettings()
    hints: tuple[str, ...] = field(default=(), compare=False)


@dataclass(frozen=True, slots=True)
class Place:
    """A place in a file or capture: line and column from 1 (columns count characters), and the block's own text."""

    line: int
    column: int
    block: str


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found in a program before it is sent, or in a capture. code: stable name, such as `block-too-long`."""

    code: str
    severity: Severity
    what: str
    next_step: str
    place: Place | None = None

    def sentence(self) -> str:
        """One line for a receipt: where, the block, what, and what to do."""
        if self.place is None:
            return f"{self.what}; {self.next_step}"
        where = f"line {self.place.line}, column {self.place.column}"
        return f"{where}, block {shown(self.place.block)}: {self.what}; {self.next_step}"
