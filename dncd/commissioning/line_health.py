"""A line over months: what its transfers came to, week by week, and whether it is worse than it was.

The rule. Noise comes in bursts (a welder, a drive, a wet day), so a day on which anything was disturbed counts once, and
characters that a burst hit do not: the days of a line that does not change are then about a Poisson count for the
characters that went over it. The newest whole weeks (1, 4 and 13 of them: a broken shield, a worn plug, a slow drift) are
held against the weeks before, a year at most. Where nothing changed, the recent share of all such days is binomial with the
recent share of the characters (the conditional test of two Poisson rates: Przyborowski and Wilenski, Biometrika 31, 1940).
Where the weeks before scatter more than that, both counts are divided by what they scatter too much (Pearson's chi-square
by its degrees of freedom, as for quasi-likelihood: McCullagh and Nelder, Generalized Linear Models, 1989). A line is called
worse where that is less likely than LIKELY and the rate is at least WORSE_TIMES what it was. A week counts when it is over,
so looking every day is one look. tests/test_line_health.py simulates years of lines, good and worsening ones.
"""

import enum
import itertools
import math
from collections import defaultdict, deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date, timedelta
from statistics import median
from typing import Final

from dncd.ledger_lines import NO_TIME, Record, transfer_of

WINDOWS: Final = (1, 4, 13)
"""Newest weeks that are held against those before."""

BEFORE_MOST, BEFORE_LEAST = 52, 6
"""Weeks before the window that count, at most; and how many of them must have seen traffic."""

WORSE_TIMES: Final = 1.5
"""A rate that grew by less is no matter for a fitter, however sure it is."""

LIKELY: Final = 1 / 1500
"""A change less likely than this, if nothing changed, is called one. Somebody looks every week, in 15 ways: 780 looks a
year. One false alarm in twenty line-years, shared out among so many looks that had nothing in common, would be 0.05 / 780
(Bonferroni); but the windows share their weeks, and few days cannot come near any limit: so it is chosen by simulated years.
Of 1,600 with this value 31 had an alarm, and a line three times as noisy is told months earlier."""

SLOWER: Final = 1.25
"""A sending that took longer than that many times what its program took before is a slow one."""

SLOWER_S: Final = 2.0
"""Seconds by which it must be longer: a start takes an operator a moment."""

_SENT_BEFORE_LEAST, _SENT_BEFORE_MOST = 3, 20
"""Earlier sendings of a program that a sending is compared with."""


class Verdict(enum.Enum):
    STEADY = "as it was"
    WORSE = "worse than it was"
    UNKNOWN = "too little is known"


@dataclass(frozen=True, slots=True)
class Week:
    """An ISO week of one line, by the UTC days of its ledger lines. monday: its first day. chars_in, chars_out: of
    captures and of sendings; hit: characters known to be damaged, or faults that the port counted; seconds, held_s: of
    sendings, holds included, and their holds alone; losses: of the port, told by the next sending. Days: used (of
    sendings that could tell of losses), with a disturbed capture or sending, with losses, on which programs went out
    that went out before (compared), and of these the days on which most were held for longer, or were slower."""

    monday: date
    captures: int = 0
    sendings: int = 0
    damaged: int = 0
    interrupted: int = 0
    chars_in: int = 0
    chars_out: int = 0
    hit: int = 0
    holds: int = 0
    held_s: float = 0.0
    seconds: float = 0.0
    losses: int = 0
    used_days: int = 0
    disturbed_in_days: int = 0
    disturbed_out_days: int = 0
    loss_days: int = 0
    compared_days: int = 0
    held_days: int = 0
    slow_days: int = 0

    @property
    def name(self) -> str:
        """`2026-W12`."""
        year, week, _ = self.monday.isocalendar()
        return f"{year}-W{week:02d}"

    @property
    def chars(self) -> int:
        return self.chars_in + self.chars_out

    @property
    def hit_per_million(self) -> float:
        """Characters hit in a million; 0 where none went over the line."""
        return self.hit / self.chars * 1e6 if self.chars else 0.0

    @property
    def rate(self) -> float:
        """Characters a second of the sendings, without their holds; 0 where nothing went out."""
        runs = self.seconds - self.held_s
        return self.chars_out / runs if runs > 0 else 0.0


@dataclass(frozen=True, slots=True)
class Measure:
    """Something that is counted in days. days, per: fields of `Week`: these days, and what they are counted for, at least
    `least` of it before; look: where to look when it grows."""

    name: str
    days: str
    per: str
    least: int
    what: str
    look: str

    def counted(self, weeks: Sequence[Week]) -> tuple[list[int], list[int]]:
        """Of each week its days, and what they are counted for."""
        return [getattr(week, self.days) for week in weeks], [getattr(week, self.per) for week in weeks]


_SHIELD: Final = (
    "look at plug and shield, and whether the cable lies beside a drive or a motor; "
    "`dncd line test {} --far` tells more"
)
_ADAPTOR: Final = (
    "look at the adaptor, its plug and what feeds it; if power is to blame, mains wiring is for licensed people only"
)
_FAULTS: Final = "days with faults on the line while it sent"
_HELD: Final = "days on which the control held programs for longer than before"
_MEMORY: Final = (
    "look at the control's reader and how full its memory is; if a drip feed runs slower on purpose, nothing is wrong"
)
_READER: Final = "look at the control's reader, at the adaptor, and at what else this computer does"

MEASURES: Final = (
    Measure("disturbed-in", "disturbed_in_days", "chars_in", 20_000, "days with characters that came damaged", _SHIELD),
    Measure("disturbed-out", "disturbed_out_days", "chars_out", 20_000, _FAULTS, _SHIELD),
    Measure("losses", "loss_days", "used_days", 10, "days on which the port went away", _ADAPTOR),
    Measure("held", "held_days", "compared_days", 10, _HELD, _MEMORY),
    Measure("slow", "slow_days", "compared_days", 10, "days on which programs went out slower than before", _READER),
)
"""What is held against before. What changed names the likely causes."""


@dataclass(frozen=True, slots=True)
class Worsening:
    """A measure that grew. times: for the same traffic; first, last: of the newest weeks that it grew in, by their names;
    likely: how likely it is that nothing changed. said: in a sentence; look: where to look."""

    name: str
    times: float
    weeks: int
    first: str
    last: str
    likely: float
    said: str
    look: str


@dataclass(frozen=True, slots=True)
class LineHealth:
    """weeks: oldest first, idle ones too; verdict: of those that are over; worse: what grew, the surest first."""

    weeks: tuple[Week, ...]
    verdict: Verdict
    worse: tuple[Worsening, ...]


KEYS: Final = (
    "time", "event", "transfer", "program", "chars", "wire_chars", "seconds", "holds", "held_s", "hit", "line_faults",
    "port_losses",
)  # fmt: skip
"""Of a line of the ledger: all that is looked at."""


def tells(record: Record) -> bool:
    return _is_sending(record) or record.get("event") in ("received", "damaged")


def _is_sending(record: Record) -> bool:
    return "chars" in record and "program" in record  # of what was summed up there are characters as well


def health_of(records: Iterable[Record], today: date, machine: str) -> LineHealth:
    """records: the machine's lines of the ledger, in order; today: UTC, its week is shown and not judged."""
    weeks = weeks_of(records, today)
    monday = _monday(today)
    return LineHealth(weeks, *judged(tuple(week for week in weeks if week.monday < monday), machine))


def judged(weeks: Sequence[Week], machine: str) -> tuple[Verdict, tuple[Worsening, ...]]:
    """Whether the newest of these weeks are worse than those before. weeks: whole ones without a gap, oldest first."""
    known, found = False, list[Worsening]()
    for measure in MEASURES:
        days, per = measure.counted(weeks)
        surest: Worsening | None = None
        for window in WINDOWS:
            since = max(0, len(weeks) - window - BEFORE_MOST)
            before, now = slice(since, max(0, len(weeks) - window)), slice(max(0, len(weeks) - window), None)
            used = sum(1 for each in per[before] if each)
            if used < BEFORE_LEAST or sum(per[before]) < measure.least or not sum(per[now]):
                continue
            known = True
            likely = likelihood(days[before], per[before], sum(days[now]), sum(per[now]))
            if likely < LIKELY and (surest is None or likely < surest.likely):
                surest = _worsening(measure, weeks[before], weeks[now], likely, machine)
        found += [surest] if surest is not None else []
    verdict = Verdict.WORSE if found else Verdict.STEADY if known else Verdict.UNKNOWN
    return verdict, tuple(sorted(found, key=lambda each: each.likely))


def likelihood(days: Sequence[int], per: Sequence[int], recent: int, recent_per: int) -> float:
    """How likely so many recent days are if nothing changed; 1 where they are not WORSE_TIMES as many as before. days, per:
    of each week before."""
    before, before_per = sum(days), sum(per)
    if recent * before_per < WORSE_TIMES * before * recent_per or not recent:
        return 1.0
    scatter = 1.0
    if before:
        expected = [before * each / before_per for each in per if each]
        seen = [day for day, each in zip(days, per, strict=True) if each]
        squares = sum((day - mean) ** 2 / mean for day, mean in zip(seen, expected, strict=True))
        scatter = max(1.0, squares / (len(seen) - 1))
    k, rest = math.floor(recent / scatter), math.ceil(before / scatter)
    return binomial_tail(k, k + rest, recent_per / (recent_per + before_per))


def binomial_tail(k: int, n: int, p: float) -> float:
    """The probability of k or more of n where each has probability p, 0 < p < 1."""
    if k <= 0:
        return 1.0
    whole = math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)
    term = math.exp(whole + k * math.log(p) + (n - k) * math.log1p(-p))
    total = term
    for i in range(k, n):
        term *= (n - i) / (i + 1) * p / (1 - p)
        total += term
    return min(1.0, total)


def _worsening(measure: Measure, before: Sequence[Week], now: Sequence[Week], likely: float, machine: str) -> Worsening:
    (counted_before, per_before), (counted, per) = measure.counted(before), measure.counted(now)
    days_before, days, share = sum(counted_before), sum(counted), sum(per) / sum(per_before)
    times = days / max(days_before, 1) / share
    first = next(week for week, any_ in zip(before, per_before, strict=True) if any_)
    months = f"{first.monday:%B %Y} to {before[-1].monday:%B %Y}"
    last = f"in the last {len(now)} weeks" if len(now) > 1 else "last week"
    more = f"for the same traffic {'' if days_before else 'at least '}{times:.1f} times as many"
    said = f"{measure.what}: {days} {last}, {days_before} from {months}; {more}"
    return Worsening(
        measure.name, times, len(now), now[0].name, now[-1].name, likely, said, measure.look.format(machine)
    )


def weeks_of(records: Iterable[Record], today: date) -> tuple[Week, ...]:
    """Every week from the first transfer to today's, idle ones too. Programs of one capture are counted once."""
    days: defaultdict[date, _Day] = defaultdict(_Day)
    sent: defaultdict[str, deque[tuple[float, float]]] = defaultdict(lambda: deque(maxlen=_SENT_BEFORE_MOST))
    capture, day = "", today
    for record in records:
        transfer = transfer_of(record)
        if record["time"] != NO_TIME:  # one that has none is of the day of the line before it
            day = date.fromisoformat(record["time"][:10])
        if record.get("event") in ("received", "damaged") and transfer != capture:
            capture = transfer
            days[day].came(record)
        elif _is_sending(record):
            days[day].went(record, sent[record.get("program", "")])
    if not days:
        return ()
    grouped: defaultdict[date, list[_Day]] = defaultdict(list)
    for day, found in days.items():
        grouped[_monday(day)].append(found)
    first, last = min(grouped), max(*grouped, _monday(today))
    mondays = (first + timedelta(weeks=n) for n in range((last - first).days // 7 + 1))
    return tuple(_summed(monday, grouped[monday]) for monday in mondays)


class _Day:
    """What the transfers of one day came to, under the names of `Week`; and how its sendings compare."""

    def __init__(self) -> None:
        self.counts: defaultdict[str, float] = defaultdict(float)
        self.compared = self.held = self.slow = 0

    def came(self, record: Record) -> None:
        self._count(captures=1, chars_in=_number(record.get("wire_chars")), damaged=record["event"] == "damaged")
        if hit := _hit(record):
            self._count(hit=hit)
            self.counts["disturbed_in_days"] = 1

    def went(self, record: Record, before: deque[tuple[float, float]]) -> None:
        """A sending. before: seconds a character, of holds and of the rest, of its program's earlier sendings."""
        chars, seconds, held_s = (_number(record.get(key)) for key in ("chars", "seconds", "held_s"))
        self._count(sendings=1, interrupted=record["event"] == "interrupted", chars_out=chars)
        self._count(holds=_number(record.get("holds")), held_s=held_s, seconds=seconds)
        if hit := _hit(record):
            self._count(hit=hit)
            self.counts["disturbed_out_days"] = 1
        if "port_losses" in record:
            self.counts["used_days"] = 1
            self._count(losses=_number(record["port_losses"]))
            self.counts["loss_days"] = float(self.counts["losses"] > 0)
        if record["event"] != "sent" or not chars:
            return
        if len(before) >= _SENT_BEFORE_LEAST:
            held, ran = median(each for each, _ in before) * chars, median(each for _, each in before) * chars
            longer = max(SLOWER_S, (SLOWER - 1) * (held + ran))
            self.compared += 1
            self.held += held_s > held + longer
            self.slow += seconds - held_s > ran + longer
        before.append((held_s / chars, (seconds - held_s) / chars))

    def summed(self) -> Mapping[str, float]:
        most = {"held_days": 2 * self.held > self.compared, "slow_days": 2 * self.slow > self.compared}
        return self.counts | {"compared_days": self.compared > 0} | most

    def _count(self, **more: float) -> None:
        for name, number in more.items():
            self.counts[name] += number


def _hit(record: Record) -> int:
    """Characters that were hit. Ledgers of before 0.5.0 do not say how many of a damaged capture were: then it is one."""
    counted: object = record.get("line_faults")
    faults = sum(map(_number, counted.values())) if isinstance(counted, dict) else 0
    return int(max(faults, _number(record["hit"]) if "hit" in record else record["event"] == "damaged"))


def _number(found: object) -> float:
    """0 for what is no number: a ledger may be of any version."""
    return found if isinstance(found, int | float) and math.isfinite(found) and found > 0 else 0


def _summed(monday: date, days: Iterable[_Day]) -> Week:
    pairs = itertools.chain.from_iterable(day.summed().items() for day in days)
    total: defaultdict[str, float] = defaultdict(float)
    for name, number in pairs:
        total[name] += number
    whole = {"held_s", "seconds"}
    numbers = {f.name: total[f.name] if f.name in whole else int(total[f.name]) for f in fields(Week)[1:]}
    return Week(monday, **numbers)  # type: ignore[arg-type]  # each by its name


def _monday(day: date) -> date:
    return day - timedelta(days=day.weekday())
