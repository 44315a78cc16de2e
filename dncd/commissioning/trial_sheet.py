"""The sheet of a trial: what was done on a line, with which settings, by whom, and whether it is proven by that."""

import enum
from dataclasses import dataclass
from typing import Final

from dncd.commissioning.trial_program import Body
from dncd.peer_text import printable
from dncd.program.habits import KEPT, NOT_KEPT
from dncd.program.substance import Answer


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
