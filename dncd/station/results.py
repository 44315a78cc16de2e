"""What the jobs of a station hand back to its machine, and what the machine hands to them."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from dncd.choices import LowerCase
from dncd.ledger_lines import NO_LINE, Record
from dncd.line.outgoing import Shape
from dncd.program.dropped import Codec, Encoding, LineEnds
from dncd.program.survey import Survey
from dncd.records.orders import UNCOUNTED, Batch
from dncd.records.plans import OutPlan
from dncd.records.texts import NO_FACTS, Facts
from dncd.values import NO_FAULTS, Counters, Result

NO_ENCODING: Final = Encoding(Codec.LATIN_1, LineEnds.RUNS, 0, 0)
NO_SURVEY: Final = Survey("", "", 1, 1, 0, 0, 0, LowerCase.KEEP, "", "", (), ())


@dataclass(frozen=True, slots=True)
class Gone:
    """The file is not there any more, or is not what it was: look again."""

    why: str


@dataclass(frozen=True, slots=True)
class Outlook:
    """What a file that waits will be. revision: of its first program, 0 before it was looked at; newest: that the library
    has, text_of: the newest of these that has this very text, 0 for none; unproven: programs that nobody has proven at this
    machine with this text."""

    revision: int = 0
    newest: int = 0
    unproven: tuple[str, ...] = ()
    text_of: int = 0


UNSEEN: Final = Outlook()


@dataclass(frozen=True, slots=True)
class Checked:
    """A dropped file, read and checked. id: of the transfer, however it ends; programs: names; titles: as a receipt shows
    them; identity: of the file; newest: per program that edits are held for, what the library had of it; batch: how
    often it goes out, and how often it did; edits: the refusals that are for edits of the operator alone."""

    id: str
    programs: tuple[str, ...]
    sha256: str = ""
    size: int = 0
    encoding: Encoding = NO_ENCODING
    survey: Survey = NO_SURVEY
    titles: tuple[str, ...] = ()
    refusals: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    identity: tuple[int, ...] = ()
    newest: Mapping[str, str] = field(default_factory=dict)
    outlook: Outlook = UNSEEN
    batch: Batch = UNCOUNTED
    edits: tuple[str, ...] = ()


UNCHECKED: Final = Checked("", ())


@dataclass(frozen=True, slots=True)
class Prepared:
    """The copy and the tape image of a checked file. image: its file, where it is too large for memory; wire: the image
    where it is small, else b""; lead: characters of leader; text_bytes: of the text
    between the marks, in UTF-8; facts: of that text, where it has one byte a character."""

    copy: Path
    image: Path
    wire: bytes
    total_chars: int
    lead: int
    wire_chars: int
    wire_sha256: str
    shape: Shape
    text_bytes: int = 0
    facts: Facts = NO_FACTS


NO_IMAGE: Final = Prepared(Path(), Path(), b"", 0, 0, 0, "", Shape(0, 0, b""))


@dataclass(frozen=True, slots=True)
class TakenIn:
    """A file with nothing against it. prepared: NO_IMAGE while others are to be sent before it."""

    checked: Checked
    prepared: Prepared = NO_IMAGE


@dataclass(frozen=True, slots=True)
class Begun:
    """A sending that the records know of."""

    plan: OutPlan


@dataclass(frozen=True, slots=True)
class Outdated:
    """Something came from the control since a file was checked: it is taken in anew, and its start stands."""


@dataclass(frozen=True, slots=True)
class FileEnding:
    """An ending on record, as `dncd send` and the journal want it. result: "" where nothing was told, because the file was
    edited since it was checked."""

    file: str
    result: str = ""
    path: str = ""
    receipt: str = ""
    reasons: tuple[str, ...] = ()
    fields: Record = field(default_factory=NO_LINE.copy)

    @property
    def goes_on(self) -> bool:
        """Whether it was one piece of a batch, and the file waits for the start of the next: it has no receipt yet."""
        return self.result == Result.SENT and bool(self.path) and not self.receipt

    def as_dict(self) -> dict[str, Any]:
        """For the command socket."""
        return {
            "result": self.result,
            "file": Path(self.path).name if self.path else self.file,
            "folder": str(Path(self.path).parent) if self.path else "",
            "receipt": self.receipt,
            "reasons": list(self.reasons),
        }


@dataclass(frozen=True, slots=True)
class Captured:
    """What a capture became: ledger fields of each program or damage; none for noise.

    overflow: why it was not kept by itself, in a sentence; "" for all but those of a line that makes too many."""

    transfers: tuple[Record, ...]
    overflow: str = ""


@dataclass(frozen=True, slots=True)
class Damage:
    """What befell a capture before it was read. bad: indexes of characters that the port marked; notices: faults it
    could not place; lost: characters after the last kept one, for which there was no memory left; joined: captures that
    ran together into this one; counted: all faults that the port or its driver counted, by kind."""

    bad: tuple[int, ...] = ()
    notices: Counters = NO_FAULTS
    lost: int = 0
    joined: int = 0
    counted: Counters = NO_FAULTS

    @property
    def of_memory(self) -> bool:
        """Whether the disk was behind for so long that memory ran out."""
        return self.lost > 0 or self.joined > 0


@dataclass(frozen=True, slots=True)
class Heard:
    """What was heard of a line while dncd sent on it. strays: characters that were no codes; counted: faults of what
    came; warnings: what makes the line's settings meaningless, a sentence each; written: characters that the port took,
    packets and repetitions included; early_s: by how much the start came before the drop, where nothing since then can tell
    that the control still reads, else 0; awaited: whether its reader off was waited for, and none came; port_losses: times
    the port went away since the last sending that was told of."""

    strays: bytes = b""
    counted: Counters = NO_FAULTS
    warnings: tuple[str, ...] = ()
    written: int = 0
    early_s: float = 0.0
    awaited: bool = False
    port_losses: int = 0
