"""The program that a trial of a line sends to and fro, and the sheet that says what came of it: what was done on the line,
with which settings, by whom, and whether it is proven by that.

The program is a number of its own, and comments, so nothing that could move. A control that keeps no comments gets bare
block numbers and M30 in their place: those do nothing either. Each round's is another: a program that the control kept from
the round before cannot pass for this one. Its letters and digits stand in another order each time, so that over ten rounds
every character meets every other and its parity.
"""

import enum
import random
from dataclasses import dataclass
from typing import Final

from dncd.errors import UsageError
from dncd.peer_text import printable
from dncd.program.substance import KEPT, NOT_KEPT, Answer
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


class Done(enum.StrEnum):
    PASSED = "passed"
    SKIPPED = "skipped"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class Step:
    """A step before the rounds. what: its finding, or the reason why it was skipped."""

    name: str
    done: Done
    what: str


@dataclass(frozen=True, slots=True)
class Round:
    """One program out and back. chars: of the image; seconds_out, seconds_back: of the characters on the line;
    what: "" or what was wrong; how: EQUAL, or the same in substance; spelling: what it shows of the control's `habits`."""

    number: int
    done: Done
    chars: int = 0
    seconds_out: float = 0.0
    seconds_back: float = 0.0
    holds: int = 0
    what: str = ""
    how: Answer = Answer.EQUAL
    spelling: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Sheet:
    """time: UTC, ISO 8601 with Z; by: who signs; rounds_wanted: how many make a proof; settings: as `key = value` lines;
    fingerprint: SHA-256 of the settings that decide what goes over the line."""

    machine: str
    title: str
    time: str
    by: str
    program: str
    rounds_wanted: int
    steps: tuple[Step, ...]
    rounds: tuple[Round, ...]
    settings: tuple[str, ...]
    fingerprint: str
    body: Body = Body.COMMENTS

    @property
    def proven(self) -> bool:
        passed = sum(one.done is Done.PASSED for one in self.rounds)
        return passed == self.rounds_wanted == len(self.rounds) and all(s.done is not Done.FAILED for s in self.steps)


PROVEN: Final = "proven"
NOT_PROVEN: Final = "not proven"

_BODIES: Final = {
    Body.COMMENTS: "comments alone",
    Body.NUMBERS: "bare block numbers: of the letters N, O and M alone were tried",
}

CAUTION: Final = (
    "This proves the line, not a program: a new or changed program is proved out at the machine before it cuts."
)


def sheet_text(sheet: Sheet) -> str:
    passed = [one for one in sheet.rounds if one.done is Done.PASSED]
    same = "equal" if all(one.how is Answer.EQUAL for one in passed) else "the same, spelt the control's own way"
    spelling = dict(habit for one in passed for habit in one.spelling)
    head = {
        "result": PROVEN if sheet.proven else NOT_PROVEN,
        "machine": sheet.machine,
        "title": sheet.title,
        "time": sheet.time,
        "by": sheet.by,
        "program": f"{sheet.program}, of {_BODIES[sheet.body]}",
        "rounds": f"{len(passed)} of {sheet.rounds_wanted} came back {same}",
        "spelling": "; ".join(f"{habit} {how}" for habit, how in spelling.items()) or "nothing is known of it",
        "settings-sha256": sheet.fingerprint,
    }
    lines = ["Trial of a line", ""]
    lines += [f"{key}: {printable(value)}" for key, value in head.items()]
    lines += ["", "Steps", *(f"  {step.name}: {step.done.value}: {printable(step.what)}" for step in sheet.steps)]
    lines += ["", "Rounds (the same program out and back, another one each time)", *map(_round_line, sheet.rounds)]
    lines += ["", "Settings", *(f"  {printable(line)}" for line in sheet.settings), "", CAUTION]
    if not sheet.proven:
        lines.append("Not proven: do not put this line to work.")
    return "\n".join(lines) + f"\nSigned: {printable(sheet.by)}, {sheet.time}\n"


def _round_line(one: Round) -> str:
    if one.done is not Done.PASSED:
        return f"  {one.number:>3}  {one.done.value}: {printable(one.what)}"
    holds = "" if not one.holds else ", 1 hold" if one.holds == 1 else f", {one.holds} holds"
    times = f"{one.seconds_out:.1f} s out{holds}, {one.seconds_back:.1f} s back"
    same = "equal" if one.how is Answer.EQUAL else "the same in substance"
    return f"  {one.number:>3}  {same}, {one.chars} characters, {times}"


def head_of(text: str) -> dict[str, str]:
    head: dict[str, str] = {}
    for line in text.split("\n")[2:]:
        key, colon, value = line.partition(": ")
        if not colon:
            break
        head[key] = value
    return head


def settings_of(text: str) -> tuple[str, ...]:
    _, found, rest = text.partition("\nSettings\n")
    section = rest.partition("\n\n")[0] if found else ""
    return tuple(line.strip() for line in section.split("\n") if " = " in line)


def spelling_of(text: str) -> dict[str, str]:
    found = {}
    for said in head_of(text).get("spelling", "").split("; "):
        for how in (NOT_KEPT, KEPT):
            if said.endswith(f" {how}"):
                found[said.removesuffix(f" {how}")] = how
                break
    return found
