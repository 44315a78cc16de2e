"""How a control spells what it is given, as far as one readback shows it."""

import enum
import re
from typing import Final

from dncd.program.substance import comments_in


class Habit(enum.StrEnum):
    """What a control keeps as it was given, or does not."""

    BLANKS = "blanks"
    FRONT = "zeros in front"
    BEHIND = "zeros behind the point"
    EMPTY = "empty blocks"
    LETTER = "letter O"
    COMMENTS = "comments"


KEPT: Final = "kept"
NOT_KEPT: Final = "not kept"

_SHOWN_BY: Final = {
    Habit.BLANKS: re.compile(r"[0-9.)][ \t]+[A-Za-z(]"),
    Habit.FRONT: re.compile(r"[A-MP-Za-mp-z]0[0-9]"),  # numbers of programs and blocks have a length of their own
    Habit.BEHIND: re.compile(r"\.[0-9]*0(?![0-9])"),
    Habit.EMPTY: re.compile(r"^[ \t]*\n", re.MULTILINE),
    Habit.LETTER: re.compile(r"^[ \t]*O[ \t]*[0-9]", re.MULTILINE),
}


def habits(sent: str, punched: str) -> dict[str, str]:
    """KEPT or NOT_KEPT by habit, where the program that was sent has what shows it. Two texts of the same substance."""
    found = {
        habit.value: KEPT if pattern.search(punched) else NOT_KEPT
        for habit, pattern in _SHOWN_BY.items()
        if pattern.search(sent)
    }
    if comments_in(sent):
        found[Habit.COMMENTS.value] = KEPT if comments_in(punched) else NOT_KEPT
    return found


def otherwise(known: dict[str, str], now: dict[str, str]) -> tuple[str, ...]:
    """The habits in which a control differs from what it is known for."""
    return tuple(habit for habit, how in now.items() if known.get(habit, how) != how)
