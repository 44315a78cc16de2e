"""What can be found in a program before it is sent: the codes, how much each weighs, and what to do about it.

`KINDS` is the whole list. A finding that refuses stops the sending, one that warns stands in the receipt. Settings may
change the weight of each by its code.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from dncd import defaults
from dncd.choices import Weight
from dncd.values import Finding, Place, Severity

PLACES_OF_A_KIND: Final = 10
"""Places listed of one kind, so that a thousand of one do not hide the only one of another; the rest is counted."""

COUNTED_OF_A_KIND: Final = 1_000
"""Places of one kind after which it is not looked for any more: a file with so many is no program of this machine."""


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of finding. weight: unless the settings say otherwise; many: how a number of them is called."""

    weight: Weight
    many: str
    next_step: str


_REFUSED: Final = {
    "empty": ("empty programs", "put the program's blocks into the file and drop it again"),
    "not-a-program": (
        "files that are no programs",
        "take it away; where this control's programs look so, name the words that end them in program.end_words, or set "
        'not-a-program = "warn" in program.findings',
    ),
    "uncodable": (
        "characters that the tape code does not have",
        "replace it by one that the control knows, or leave it out",
    ),
    "control-character": ("control characters", "delete it in an editor that shows control characters"),
    "lower-case": (
        "blocks with small letters",
        'write it in capitals, or set program.lower_case to "upper" or "keep" for this machine',
    ),
    "block-too-long": (
        "blocks that are too long",
        "split the block or shorten its comment, or correct program.longest_block_chars",
    ),
    "too-big": (
        "programs that are too big",
        "split the program, take comments and blanks out, or drip-feed it; or correct program.memory_chars",
    ),
    "block-endless": ("blocks without an end", "break the line up: no control takes such a block, is it a program?"),
    "mark-inside": ("mark lines inside", "take the mark line out, or drop the programs one by one"),
    "text-outside-marks": ("texts outside the marks", "delete what stands outside the marks, or move the mark"),
    "mark-missing": (
        "programs without a closing mark",
        'save it whole and drop it again; where the office writes no closing marks, set mark-missing = "warn"',
    ),
    "cut-short": ("files that may be half", "see whether it is whole, and drop it again"),
    "second-program": ("further programs", "drop each program as a file of its own: this control takes one at a time"),
}
_WARNED: Final = {
    "mark-not-first": ("marks that do not stand first", "put the mark into the first column, or take it out"),
    "no-end": ("programs without an end", "add M30, M02 or, to a subprogram, M99 as its last block"),
    "comment-unclosed": ("unclosed comments", "close the comment in the same block"),
    "comment-nested": ("nested comments", "use one pair of brackets for one comment"),
    "odd-word": ("words that are not letter and number", "correct the word"),
    "block-number-twice": ("block numbers that stand twice", "renumber the blocks if anything jumps to that number"),
    "number-out-of-range": ("program numbers out of range", "give the program a number that the control takes"),
    "no-number": (
        "programs without a number",
        "give it the number under which the control keeps it, such as O0004, if that control wants one",
    ),
    "missing-subprogram": ("calls of unknown subprograms", "make sure that the control has it, or send it first"),
    "name-used": ("names used for something else", "give the program another number if it is another part"),
}

KINDS: Final[Mapping[str, Kind]] = {
    code: Kind(weight, *words)
    for weight, kinds in ((Weight.REFUSE, _REFUSED), (Weight.WARN, _WARNED))
    for code, words in kinds.items()
}

ALWAYS_REFUSED: Final = frozenset({"empty", "uncodable", "control-character", "block-endless"})
"""Kinds whose weight no setting changes: what they find cannot be sent at all."""


class Findings:
    """Collects findings while a program is read; memory is bounded however many there are."""

    def __init__(self, weights: Mapping[str, Weight]) -> None:
        strange = sorted(set(weights) - set(KINDS))
        if strange:
            raise ValueError(f"no finding is called {strange[0]!r}; there are {', '.join(KINDS)}")
        self._weights = {
            code: kind.weight if code in ALWAYS_REFUSED else weights.get(code, kind.weight)
            for code, kind in KINDS.items()
        }
        self._listed: dict[str, list[Finding]] = {}
        self._counts: dict[str, int] = {}

    def wanted(self, code: str) -> bool:
        """Whether this kind is still looked for."""
        return self._weights[code] is not Weight.OFF and not self.exhausted(code)

    def refuses(self, code: str) -> bool:
        return self._weights[code] is Weight.REFUSE

    def exhausted(self, code: str) -> bool:
        """Whether so many of this kind were found that it is not looked for any more."""
        return self._counts.get(code, 0) >= COUNTED_OF_A_KIND

    def add(self, code: str, what: str, place: Place | None = None) -> None:
        """Takes a finding of a kind that is wanted; lists it while there is room for its kind."""
        if not self.wanted(code):
            return
        self._counts[code] = self._counts.get(code, 0) + 1
        if self._counts[code] <= PLACES_OF_A_KIND:
            finding = Finding(code, Severity(self._weights[code].value), what, KINDS[code].next_step, place)
            self._listed.setdefault(code, []).append(finding)

    def is_no_program(self, what: str, place: Place | None) -> None:
        """One cause, one finding: what else was found in a file that is refused as no program is of no use to anybody."""
        if self.refuses("not-a-program"):
            self._listed.clear()
            self._counts.clear()
        self.add("not-a-program", what, place)

    def result(self) -> tuple[Finding, ...]:
        """At most defaults.REASONS findings, those that refuse first, then by line; the rest counted in a last one."""
        listed = sorted((finding for found in self._listed.values() for finding in found), key=_order)
        left: dict[str, int] = {code: n - len(self._listed.get(code, ())) for code, n in self._counts.items()}
        room = defaults.REASONS - 1
        if len(listed) + sum(1 for n in left.values() if n) > defaults.REASONS:
            for finding in listed[room:]:
                left[finding.code] += 1
            listed = listed[:room]
            return (*listed, self._rest({code: n for code, n in left.items() if n}))
        return (*listed, *(self._rest({code: n}) for code, n in left.items() if n))

    def _rest(self, left: Mapping[str, int]) -> Finding:
        """One finding for those that are not listed."""
        refuses = any(self._weights[code] is Weight.REFUSE for code in left)
        many = {code: "at least " for code in left if self.exhausted(code)}
        told = ", ".join(f"{many.get(code, '')}{n} more {KINDS[code].many}" for code, n in left.items())
        code = next(iter(left)) if len(left) == 1 else "more"
        severity = Severity.REFUSE if refuses else Severity.WARN
        return Finding(code, severity, f"not listed: {told}", "correct the first ones and drop the file again")


def _order(finding: Finding) -> tuple[bool, int, int]:
    place = finding.place
    return (finding.severity is not Severity.REFUSE, place.line if place else 0, place.column if place else 0)
