"""What one machine can take: the settings as the checks of a program need them."""

import enum
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from dncd import defaults
from dncd.values import ProgramSettings, TapeSettings


class Saved(enum.Enum):
    """When a file was saved. BEFORE_CUT: it lay there as dncd or its computer ended without a stop, maybe half saved."""

    SINCE_START = "since the start"
    BEFORE_CUT = "before a cut"


@dataclass(frozen=True, slots=True)
class Rules:
    """What a program is checked against. uncodable: indexes of the characters of a text that the tape code does not
    have (LF is a block end and has one). memory_chars: of the image without leader and trailer; 0 for no limit, as with
    drip feed (the one in `program` is not asked). tape: its marks and block ends. knows: whether the machine has the
    program of a name. other_use: name and title of a program in, out a sentence about what the name is used for
    already, or ""."""

    uncodable: Callable[[str], Iterator[int]]
    program: ProgramSettings
    tape: TapeSettings = field(default_factory=TapeSettings)
    memory_chars: int = defaults.MEMORY_CHARS
    knows: Callable[[str], bool] = bool
    other_use: Callable[[str, str], str] = lambda _name, _title: ""
    saved: Saved = Saved.SINCE_START
