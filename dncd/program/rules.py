"""What one machine can take: the settings as the checks of a program need them."""

import enum
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

from dncd import defaults
from dncd.choices import LowerCase, MarkAt, Programs, Weight


def _knows_every(name: str) -> bool:
    return bool(name)


def _used_for_nothing_else(name: str, title: str) -> str:
    del name, title
    return ""


class Saved(enum.Enum):
    """When a file was saved. BEFORE_CUT: it lay there as dncd or its computer ended without a stop, maybe half saved."""

    SINCE_START = "since the start"
    BEFORE_CUT = "before a cut"


@dataclass(frozen=True, slots=True)
class Rules:
    """What a program is checked against.

    uncodable: indexes of the characters of a text that the tape code does not have (LF is a block end and has one).
    longest_block_chars: without block end. memory_chars: of the image without leader and trailer; 0 for no limit, as
    with drip feed. block_end_chars: characters of one block end on the line. number_range: first and last program
    number. knows: whether the machine has the program of a name. other_use: name and title of a program in, out a
    sentence about what the name is used for already, or "". end_words: parted by blanks.
    weights: other weights of findings, by code.
    """

    uncodable: Callable[[str], Iterator[int]]
    mark: str = defaults.MARK
    mark_at: MarkAt = MarkAt.BOTH
    lower_case: LowerCase = LowerCase.REFUSE
    longest_block_chars: int = defaults.LONGEST_BLOCK_CHARS
    memory_chars: int = defaults.MEMORY_CHARS
    block_end_chars: int = 1
    programs: Programs = Programs.MANY
    number_range: tuple[int, int] = (defaults.LOWEST_NUMBER, defaults.HIGHEST_NUMBER)
    knows: Callable[[str], bool] = _knows_every
    other_use: Callable[[str, str], str] = _used_for_nothing_else
    end_words: str = defaults.END_WORDS
    weights: Mapping[str, Weight] = field(default_factory=dict)
    saved: Saved = Saved.SINCE_START

    @property
    def ends(self) -> str:
        """The words that end a program, to be read."""
        *most, last = self.end_words.split()
        return f"{', '.join(most)} or {last}" if most else last
