"""What is told to a station's machine, what it answers with, and the jobs that it gives to other threads."""

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, ClassVar

from dncd.choices import ModemLine
from dncd.errors import DncdError
from dncd.line.outgoing import Outcome
from dncd.line.receiving import Ended
from dncd.outside.folder_looks import Entry, Sight
from dncd.ports.port import Reading
from dncd.records.plans import InPlan
from dncd.station.results import Begun, Checked, Damage, Heard, Prepared
from dncd.values import Modem, Signal


class Scope(enum.Enum):
    """How much of a file's intake is wanted: its image is made of the first in line alone."""

    CHECK = "check"
    IMAGE = "image"


@dataclass(frozen=True, slots=True)
class TakeIn:
    """Copies, reads and checks a dropped file: `TakenIn`, `Checked` (refused) or `Gone`. look: which look at the file."""

    thread: ClassVar[str] = "checks"
    name: str
    look: int
    scope: Scope


@dataclass(frozen=True, slots=True, eq=False)
class PutAway:
    """Removes what an intake made."""

    thread: ClassVar[str] = "checks"
    prepared: Prepared


@dataclass(frozen=True, slots=True, eq=False)
class Begin:
    """The last look before the start: `Begun`, `Outdated` or `Gone`."""

    thread: ClassVar[str] = "records"
    name: str
    checked: Checked
    prepared: Prepared


@dataclass(frozen=True, slots=True)
class NextPiece:
    """Reads `chars` characters of the image of a sending, from character `at` on: bytes."""

    thread: ClassVar[str] = "supply"
    image: Path
    at: int
    chars: int


class Verdict(enum.Enum):
    """How a file ends that was not sent."""

    REFUSED = "refused"
    WITHDRAWN = "withdrawn"
    TAKEN_AWAY = "taken away"


@dataclass(frozen=True, slots=True, eq=False)
class Dismiss:
    """Puts the end of a file on record that was not sent: `FileEnding`. by: who took it back by the page, "" for others."""

    thread: ClassVar[str] = "records"
    name: str
    verdict: Verdict
    checked: Checked
    prepared: Prepared
    by: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class End:
    """Puts the end of a sending on record: `FileEnding`."""

    thread: ClassVar[str] = "records"
    name: str
    begun: Begun
    checked: Checked
    prepared: Prepared
    outcome: Outcome
    heard: Heard


@dataclass(frozen=True, slots=True, eq=False)
class Return:
    """A sending of which nothing went out is taken off the records; its file still waits."""

    thread: ClassVar[str] = "records"
    name: str
    begun: Begun


@dataclass(frozen=True, slots=True)
class Append:
    """Adds characters to the spool file of a capture; makes it first."""

    thread: ClassVar[str] = "captures"
    capture: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Judge:
    """A capture is over, and all of it is in its file; what it is worth: `InPlan`. seconds: that it took."""

    thread: ClassVar[str] = "apart"
    capture: int
    ended: Ended
    damage: Damage
    seconds: float


@dataclass(frozen=True, slots=True)
class Keep:
    """Puts a capture on record: `Captured`."""

    thread: ClassVar[str] = "records"
    capture: int
    plan: InPlan


@dataclass(frozen=True, slots=True)
class Discard:
    """A capture was noise of the line: its file goes."""

    thread: ClassVar[str] = "captures"
    capture: int


@dataclass(frozen=True, slots=True, eq=False)
class Weigh:
    """Looks anew which revision a file that is ready will be, and whether it is proven: `Outlook`."""

    thread: ClassVar[str] = "checks"
    name: str
    look: int
    checked: Checked
    prepared: Prepared


@dataclass(frozen=True, slots=True, eq=False)
class KeepOrder:
    """Puts on record which files somebody put in front, and which the control's start alone does not bring."""

    thread: ClassVar[str] = "records"
    front: Mapping[str, int]
    behind: tuple[str, ...]


FileJob = TakeIn | PutAway | Begin | NextPiece | Dismiss | End | Return | Weigh | KeepOrder
CaptureJob = Append | Judge | Keep | Discard
Job = FileJob | CaptureJob


# --- events ----------------------------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Opened:
    """The port is open. notes: what the opening found; looped: by line (CTS, DSR), why it is only an echo of our own."""

    port: str
    notes: tuple[str, ...] = ()
    looped: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class OpenFailed:
    """The port is absent or busy."""

    error: DncdError


@dataclass(frozen=True, slots=True)
class Lost:
    """The port went away, or serving it failed."""

    error: DncdError


@dataclass(frozen=True, slots=True)
class Read:
    """What came over the line since the last look. settled: whether the port had taken all that was written."""

    reading: Reading
    settled: bool = True


@dataclass(frozen=True, slots=True)
class Lines:
    """The modem lines as they stand."""

    modem: Modem


@dataclass(frozen=True, slots=True)
class Suspended:
    """Whether the device server has asked for nothing more for now; told with each look while it has."""

    signal: Signal


@dataclass(frozen=True, slots=True)
class Holds:
    """The driver says how many characters it still holds."""

    chars: int


@dataclass(frozen=True, slots=True)
class Tick:
    """Everything that came has been told: now the machine does what it can. settled: nothing waits for a network."""

    settled: bool = True


@dataclass(frozen=True, slots=True)
class Listed:
    """What changed in to-machine/: entries in their order; problem: of the folder; sight: whether all of it was seen."""

    came: tuple[Entry, ...] = ()
    gone: tuple[str, ...] = ()
    problem: str = ""
    sight: Sight = Sight.SEEN


@dataclass(frozen=True, slots=True)
class Blocked:
    """Why nothing may be sent to this machine until a person has looked at it; no error: it may be again."""

    error: DncdError | None = None


@dataclass(frozen=True, slots=True)
class Done:
    """A job is done."""

    job: Job
    result: object


@dataclass(frozen=True, slots=True)
class Failed:
    """A job could not be done."""

    job: Job
    error: Exception


class Wish(enum.Enum):
    """What people and the service want of a station. It answers a go with the file that starts, and `WITHDRAW` with the one
    that is taken back or stopped. NotDoneError where nothing waits for it, or the line is in use or another's."""

    GO = "go"  # somebody says go
    WITHDRAW = "withdraw"  # takes back the waiting file `about` (the first one if ""), or stops what is being sent
    WEIGH = "weigh"  # somebody signed a revision of this machine off as proven: look anew at what waits
    PROGRAM = "program"  # asks the control for a program (DC1 reader on), where that is set
    LEND = "lend"  # `about` borrows the line
    UNSEAT = "unseat"  # the port's switch box is turned elsewhere, or nobody knows where; about: why
    BACK = "back"  # the borrower has gone, or the machine is seated
    RETIRE = "retire"  # other settings are to hold: what is under way ends, nothing new begins; about: why
    SERVE = "serve"  # whatever comes is taken up from now on: at the start, or because the settings stay after all
    STOP = "stop"  # the service ends: what is under way ends as interrupted or cut off; about: why
    SHUT = "shut"  # the station ends for good and gives its port back


@dataclass(frozen=True, slots=True)
class Ask:
    """Somebody wants something. about: a name, or why in a sentence, as the wish says; by: who by the page, else ""."""

    wish: Wish
    about: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True)
class PutFirst:
    """Somebody wants this file to go next. at_ns: when he said so (since 1970, UTC); answered with its name. NotDoneError
    where it does not wait, or a batch is in the middle of its pieces."""

    name: str
    at_ns: int


class Part(enum.Enum):
    """What a write is part of."""

    WORDS = "words"
    PROGRAM = "program"


@dataclass(frozen=True, slots=True)
class Wrote:
    """How much of a `Write` the port took."""

    part: Part
    taken: int
    offered: int


Event = (
    Opened | OpenFailed | Lost | Read | Lines | Suspended | Holds | Tick | Listed | Blocked | Done | Failed | Ask | PutFirst
    | Wrote
)  # fmt: skip


# --- actions ---------------------------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Open:
    """Open the port, and tell `Opened` or `OpenFailed`."""


@dataclass(frozen=True, slots=True)
class Close:
    """Close the port."""


@dataclass(frozen=True, slots=True)
class Write:
    """Hand over what the port takes, and tell `Wrote` before anything else."""

    part: Part
    data: bytes


@dataclass(frozen=True, slots=True)
class SwitchLine:
    """Switch an output."""

    line: ModemLine
    signal: Signal


@dataclass(frozen=True, slots=True)
class Do:
    """Give a job to its thread, and tell `Done` or `Failed`."""

    job: Job


class Level(enum.Enum):
    """Which kind of line of the journal."""

    INFO = "info"
    WARNING = "warning"
    TRANSFER = "transfer"


@dataclass(frozen=True, slots=True)
class Say:
    """A line of the journal."""

    level: Level
    event: str
    fields: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Answer:
    """To whoever asked. file: that starts or was taken back."""

    file: str


@dataclass(frozen=True, slots=True)
class Changed:
    """Something that others show or wait for is another now."""


Action = Open | Close | Write | SwitchLine | Do | Say | Answer | Changed
