"""A line over months: its weeks as a table and as bars, and whether it is worse than it was."""

from dataclasses import dataclass
from typing import Final

from dncd.commissioning.line_health import LineHealth, Week

SHOWN: Final = 26
LISTED: Final = 13
"""Newest weeks in the drawing, and in the table."""

PITCH: Final = 26
HEIGHT: Final = 120
WIDTH: Final = SHOWN * PITCH
"""Of the drawing, in its own units: from week to week, of the highest bar, and of it all, however few weeks there are."""

_NAMED: Final = 4
"""Every so many weeks one is named below the drawing."""


@dataclass(frozen=True, slots=True)
class Bar:
    """A week in the drawing. x: of its left edge; height: of HEIGHT; said: the number above it, "" for none; name: below it,
    "" for most; doubtful: one of those that are worse than what was before."""

    x: int
    height: float
    said: str
    name: str
    doubtful: bool


@dataclass(frozen=True, slots=True)
class Line:
    """weeks: newest first, listed: those of the table; bars: of characters hit in a million, oldest first, in a drawing
    that has room for SHOWN of them: the newest stands at its right; most: characters of the highest one."""

    health: LineHealth
    weeks: tuple[Week, ...]
    bars: tuple[Bar, ...]
    most: float

    @property
    def listed(self) -> tuple[Week, ...]:
        return self.weeks[:LISTED]

    @property
    def width(self) -> int:
        return WIDTH

    @property
    def doubtful(self) -> bool:
        return any(bar.doubtful for bar in self.bars)


def line(health: LineHealth) -> Line:
    weeks = health.weeks[-SHOWN:]
    most = max((week.hit_per_million for week in weeks), default=0.0)
    hit = [each for each in health.worse if each.name.startswith("disturbed")]  # what the bars are about
    since, until = min((each.first for each in hit), default=""), max((each.last for each in hit), default="")
    bars = tuple(
        Bar(
            (SHOWN - len(weeks) + n) * PITCH,
            round(HEIGHT * week.hit_per_million / most, 1) if most else 0.0,
            _short(week.hit_per_million) if week.hit else "",
            week.name[5:] if (len(weeks) - 1 - n) % _NAMED == 0 else "",
            bool(since) and since <= week.name <= until,
        )
        for n, week in enumerate(weeks)
    )
    return Line(health, tuple(reversed(weeks)), bars, most)


def _short(rate: float) -> str:
    """In four characters at most, as far as it goes."""
    return f"{rate / 1000:.1f}k" if rate >= 1000 else f"{rate:.0f}" if rate >= 10 else f"{rate:.1f}"
