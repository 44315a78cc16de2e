"""The states of one station, and which may follow which (drawn in DEVELOPERS.md).

A file that changes goes back to settling, one that is refused, withdrawn or gone goes to ending; one of which no character
was handed over comes back from ending to ready, and so does a batch after each piece but the last.
"""

import enum
from collections.abc import Mapping
from typing import Final, TypeVar


class PortState(enum.Enum):
    """What a station has of its port."""

    ABSENT = "absent"
    OPENING = "opening"
    OPEN = "open"
    LENT = "lent"
    CLOSED = "closed"


_SAID: Final[Mapping[str, str]] = {
    "listening": "listening: nothing waits, the line is open for what the control punches",
    "waiting": "waiting for the start",
    "sending": "sending",
    "held": "sending, held by the control",
    "receiving": "receiving what the control punches",
    "no-port": "no port: {port} cannot be opened",
    "lent": "lent to {lent_to}, and back as soon as that ends",
}
"""By `values.LineState`."""


def line_said(status: Mapping[str, object]) -> str:
    """What a line does, or why nothing goes over it now: the one sentence for STATUS.txt, terminals, the page and whoever is
    refused; "" where it is not known. status: of a machine, of which it takes state, port, lent_to and not_seated."""
    if why := status.get("not_seated"):
        return f"not seated: {why}"
    said = _SAID.get(str(status["state"]), "")
    return said.format(port=status.get("port") or "the port", lent_to=status.get("lent_to"))


class LineUse(enum.Enum):
    """What the line is used for. A control may punch while an ending is written: that is caught in `ENDING`, too."""

    IDLE = "idle"
    BEGINNING = "beginning"
    SENDING = "sending"
    ENDING = "ending"
    CAPTURING = "capturing"


class FileState(enum.Enum):
    """How far a dropped file has come. settling: its file changed, or could not be read; intake: being
    copied and checked."""

    SETTLING = "settling"
    INTAKE = "intake"
    READY = "ready"
    BEGINNING = "beginning"
    SENDING = "sending"
    ENDING = "ending"
    GONE = "gone"


class Mode(enum.Enum):
    """Whether the station takes up anything new. retiring, stopping: only what is under way comes to its end."""

    SERVING = "serving"
    RETIRING = "retiring"
    STOPPING = "stopping"
    CLOSED = "closed"


_P, _L, _F, _M = PortState, LineUse, FileState, Mode

NEXT: Final[Mapping[enum.Enum, frozenset[enum.Enum]]] = {
    _P.ABSENT: frozenset({_P.OPENING, _P.OPEN, _P.LENT, _P.CLOSED}),  # open: somebody else opened it
    _P.OPENING: frozenset({_P.OPEN, _P.ABSENT, _P.LENT, _P.CLOSED}),
    _P.OPEN: frozenset({_P.ABSENT, _P.LENT, _P.CLOSED}),
    _P.LENT: frozenset({_P.OPENING, _P.ABSENT, _P.CLOSED}),  # absent: given back to a station that takes up nothing new
    _P.CLOSED: frozenset(),
    _L.IDLE: frozenset({_L.BEGINNING, _L.CAPTURING}),
    _L.BEGINNING: frozenset({_L.SENDING, _L.IDLE, _L.ENDING}),
    _L.SENDING: frozenset({_L.ENDING}),
    _L.ENDING: frozenset({_L.IDLE, _L.CAPTURING}),
    _L.CAPTURING: frozenset({_L.IDLE}),
    _F.SETTLING: frozenset({_F.INTAKE, _F.ENDING, _F.GONE}),
    _F.INTAKE: frozenset({_F.READY, _F.SETTLING, _F.ENDING, _F.GONE}),
    _F.READY: frozenset({_F.INTAKE, _F.SETTLING, _F.BEGINNING, _F.ENDING}),
    _F.BEGINNING: frozenset({_F.SENDING, _F.READY, _F.SETTLING, _F.ENDING}),
    _F.SENDING: frozenset({_F.ENDING}),
    _F.ENDING: frozenset({_F.READY, _F.GONE}),
    _F.GONE: frozenset(),
    _M.SERVING: frozenset({_M.RETIRING, _M.STOPPING, _M.CLOSED}),
    _M.RETIRING: frozenset({_M.SERVING, _M.STOPPING, _M.CLOSED}),
    _M.STOPPING: frozenset({_M.CLOSED}),
    _M.CLOSED: frozenset(),
}
"""State → the states that may follow it."""

_S = TypeVar("_S", PortState, LineUse, FileState, Mode)


def moved(old: _S, new: _S) -> _S:
    """The new state. RuntimeError for one that must not follow the old: a fault of dncd, which ends what the line does."""
    if new not in NEXT[old]:
        raise RuntimeError(f"{type(old).__name__} goes from {old.value} to {new.value}, which it never may")
    return new


class Standing:
    """Where port, line and mode of one station stand; shared by the parts of its machine, changed by `move` alone.

    untold_losses: of the port, that no ledger line bears yet."""

    __slots__ = ("line", "mode", "port", "untold_losses")

    def __init__(self) -> None:
        self.port, self.line, self.mode = PortState.ABSENT, LineUse.IDLE, Mode.SERVING
        self.untold_losses = 0

    def move(self, new: PortState | LineUse | Mode) -> None:
        """Goes to a new state, which says by its kind what it is of. RuntimeError as `moved`."""
        match new:
            case PortState():
                self.port = moved(self.port, new)
            case LineUse():
                self.line = moved(self.line, new)
            case Mode():
                self.mode = moved(self.mode, new)

    @property
    def serving(self) -> bool:
        return self.mode is Mode.SERVING
