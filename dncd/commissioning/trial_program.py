"""The program that a trial of a line sends to and fro: a number of its own, and comments, so nothing that could move.

A control that keeps no comments gets bare block numbers and M30 in their place: those do nothing either.

Each round's is another: a program that the control kept from the round before cannot pass for this one. Its letters and
digits stand in another order each time, so that over ten rounds every character meets every other and its parity.
"""

import enum
import random
from typing import Final

from dncd.errors import UsageError
from dncd.values import MachineSettings

_NUMBER: Final = 7777
"""Four digits, as the oldest controls have; below 8000, from where on many cannot be edited or punched (common practice)."""


class Body(enum.StrEnum):
    """What stands under the program's number. NUMBERS: block numbers without a word, then M30."""

    COMMENTS = "comments"
    NUMBERS = "numbers"


BLOCKS: Final = 12
"""Comment blocks of a round: some 500 characters, a second or two at 4800, more than the small memory of most readers."""

NUMBERS: Final = range(100, 1000)
NUMBERED_BLOCKS: Final = 100
"""Bare block numbers of a round, out of those of three digits, which the oldest controls have: as many characters."""

LONGEST: Final = 48
"""Characters of a block at most, if the settings do not say less."""

NARROWEST: Final = 16
"""Characters of a block that are worth a trial."""

_CHARS: Final = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789+-./, "


def trial_number(machine: MachineSettings, wanted: str = "") -> str:
    """O and digits of the trial's program: what is wanted, else the nearest to O7777 that the control takes. UsageError
    for one that it does not take."""
    low, high = machine.program.lowest_number, machine.program.highest_number
    if not wanted:
        return f"O{min(max(_NUMBER, low), high):04d}"
    if not (wanted[:1] == "O" and wanted[1:].isdecimal() and len(wanted) <= 9):
        raise UsageError(f"{wanted!r} is not a program number", "--program", "Write O and digits, such as O7777")
    if not low <= int(wanted[1:]) <= high:
        what = f"this control takes program numbers from {low} to {high}, and not {wanted}"
        raise UsageError(what, "--program", "Take one that is free at the control")
    return wanted


def trial_blocks(
    machine: MachineSettings, number: str, round_: int, of: int, body: Body = Body.COMMENTS
) -> tuple[str, ...]:
    """The blocks of one round, without marks: the number, then the body. UsageError where the machine cannot store it.
    number: O and digits; round_: from 1."""
    width = min(LONGEST, machine.program.longest_block_chars)
    chance = random.Random(round_)  # noqa: S311 -- the same round is the same program
    if body is Body.NUMBERS:
        numbers = sorted(chance.sample(NUMBERS, NUMBERED_BLOCKS))
        return _fitting(machine, [number, *(f"N{n}" for n in numbers), "M30"], width)
    blocks = [number, f"(DNCD LINE TRIAL {round_} OF {of})", "(CUTS NOTHING. DELETE IT WHEN THE TRIAL IS OVER)"]
    for _ in range(BLOCKS):
        order = list(_CHARS)
        chance.shuffle(order)
        blocks.append(f"({''.join(order).strip()[: width - 2]})")
    return _fitting(machine, blocks, width)


def _fitting(machine: MachineSettings, blocks: list[str], width: int) -> tuple[str, ...]:
    fitting = tuple(block for block in blocks if len(block) <= width)
    chars = sum(len(block) + 3 for block in fitting) + 8
    if chars > machine.program.memory_chars or width < NARROWEST:
        raise UsageError(
            f"the trial's program has {chars} characters in blocks of up to {width}, more than this control takes",
            f"[machines.{machine.name}.program]",
            "Raise program.memory_chars or program.longest_block_chars if the control takes more",
        )
    return fitting


def trial_file(blocks: tuple[str, ...]) -> str:
    return "".join(f"{block}\n" for block in blocks)
