"""What the slow work of a station hands back to the line loop."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from dncd.line.sending import Shape
from dncd.program import dropped
from dncd.program.survey import Survey
from dncd.records.plans import OutPlan
from dncd.values import NO_FAULTS, Counters

_PIECE: Final = 65_536


@dataclass(frozen=True, slots=True)
class Gone:
    """The file is not there any more, or is not what it was: look again."""

    why: str


@dataclass(frozen=True, slots=True)
class Checked:
    """A dropped file, read and checked. programs: names; titles: as a receipt shows them; identity: of the file;
    newest: commit of the newest revision of each program when it was checked."""

    sha256: str
    size: int
    encoding: dropped.Encoding
    survey: Survey
    programs: tuple[str, ...]
    titles: tuple[str, ...]
    refusals: tuple[str, ...]
    warnings: tuple[str, ...]
    identity: tuple[int, ...]
    newest: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Prepared:
    """A checked file whose copy and tape image lie in the state folder. wire: the image where it is small, else b""."""

    id: str
    copy: Path
    image: Path
    wire: bytes
    total_chars: int
    wire_chars: int
    wire_sha256: str
    shape: Shape
    identity: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Begun:
    """A sending that the records know of."""

    plan: OutPlan
    prepared: Prepared


@dataclass(frozen=True, slots=True)
class Told:
    """An ending on record, as `dncd send` and the journal want it."""

    file: str
    result: str
    time: str
    path: str
    receipt: str
    reasons: tuple[str, ...]
    fields: Mapping[str, Any]

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

    transfers: tuple[Mapping[str, Any], ...]
    overflow: str = ""


@dataclass(frozen=True, slots=True)
class PortTrouble:
    """Why a line has no port, and since when (seconds of the loop's clock)."""

    what: str
    since: float


@dataclass(frozen=True, slots=True)
class Damage:
    """What befell a capture before it was read.

    bad: indexes of characters that the port marked; notices: faults it could not place; lost: characters after the last
    kept one, for which there was no memory left; joined: captures that ran together into this one; counted: all faults
    that the port or its driver counted, by kind.
    """

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
    came; warnings: what makes the line's settings meaningless, a sentence each."""

    strays: bytes = b""
    counted: Counters = NO_FAULTS
    warnings: tuple[str, ...] = ()


class Image:
    """The pieces of a prepared tape image, in order."""

    def __init__(self, prepared: Prepared) -> None:
        self._prepared = prepared
        self._at = 0

    def at_hand(self) -> bytes | None:
        """The whole image where it is in memory; None where `next_piece` must read a file."""
        if not self._prepared.wire and self._prepared.total_chars:
            return None
        piece = self._prepared.wire[self._at :]
        self._at = len(self._prepared.wire)
        return piece

    def next_piece(self) -> bytes:
        """The next piece from the file; in the supply thread."""
        with self._prepared.image.open("rb") as file:
            file.seek(self._at)
            piece = file.read(_PIECE)
        self._at += len(piece)
        return piece
