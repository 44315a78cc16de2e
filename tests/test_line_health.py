"""Whether a line is worse than it was: the rule on simulated years, its tail beside exact sums, the ledger as it is read."""

import dataclasses
import math
import random
from collections.abc import Callable, Iterable, Iterator
from datetime import date, timedelta
from fractions import Fraction
from typing import Any

import pytest

from dncd.commissioning.line_health import (
    BEFORE_LEAST,
    LIKELY,
    Verdict,
    Week,
    binomial_tail,
    health_of,
    judged,
    likelihood,
    weeks_of,
)

MONDAY = date(2025, 1, 6)


def exact_tail(k: int, n: int, p: Fraction) -> Fraction:
    """The sum itself, in whole numbers and their quotients: the definition of the binomial distribution."""
    return sum((math.comb(n, i) * p**i * (1 - p) ** (n - i) for i in range(k, n + 1)), Fraction(0))


@pytest.mark.parametrize("p", [Fraction(1, 200), Fraction(1, 53), Fraction(4, 56), Fraction(1, 2), Fraction(9, 10)])
def test_the_tail_is_the_exact_sum(p: Fraction) -> None:
    for n in (1, 2, 7, 40, 260):
        for k in sorted({0, 1, n // 3, n // 2, n}):
            assert binomial_tail(k, n, float(p)) == pytest.approx(float(exact_tail(k, n, p)), rel=1e-9)


@pytest.mark.parametrize(  # scipy 1.17.1: stats.binom.sf(k - 1, n, p), computed once
    ("k", "n", "p", "tail"),
    [
        (3, 3, 0.05, 0.00012500000000000003),
        (8, 10, 1 / 14, 2.6744599842798967e-08),
        (12, 74, 0.07, 0.0051497539878832856),
        (40, 102, 0.2, 6.407011187763417e-06),
        (5, 500, 0.001, 0.00016936368077571272),
        (200, 300, 0.5, 4.007437608269461e-09),
        (1, 1000000, 1e-07, 0.09516258648822781),
    ],
)
def test_the_tail_is_what_scipy_says(k: int, n: int, p: float, tail: float) -> None:
    assert binomial_tail(k, n, p) == pytest.approx(tail, rel=1e-9)


# --- simulated years -------------------------------------------------------------------------------------------------


@dataclasses.dataclass(frozen=True)
class Nature:
    """What a line's days are like. noise: chance that a day of 10,000 characters is disturbed; bad_weeks: share of weeks
    with ten times the noise (a welder in the bay); chars: in a middling day; others: chance of a day with a loss of the
    port, with longer holds, with slower programs."""

    noise: float
    bad_weeks: float
    chars: int
    others: float


def natures(chance: random.Random) -> Nature:
    noise = math.exp(chance.uniform(math.log(0.0005), math.log(0.3)))
    return Nature(noise, chance.choice((0.0, 0.0, 0.05, 0.15)), chance.choice((2_000, 10_000, 60_000)), noise / 3)


def simulated(nature: Nature, weeks: int, chance: random.Random, worse: Callable[[int], float]) -> Iterator[Week]:
    """worse: by the week's number, how many times as often a day is disturbed. One week in eight is idle, a day in five
    too; a day's traffic scatters by a factor of three either way; whole weeks have their own order book."""
    for n in range(weeks):
        counts: dict[str, int] = dict.fromkeys(NAMES, 0)
        bad = 10.0 if chance.random() < nature.bad_weeks else 1.0
        book = math.exp(chance.gauss(0, 0.5))
        for _ in range(0 if chance.random() < 0.125 else 5):
            if chance.random() < 0.2:
                continue
            out, into = (int(nature.chars * book * math.exp(chance.gauss(0, 0.6))) for _ in range(2))
            into = into if chance.random() < 0.4 else 0
            counts["chars_out"] += out
            counts["chars_in"] += into
            counts["used_days"] += 1
            counts["compared_days"] += chance.random() < 0.7
            day = bad * worse(n)
            counts["disturbed_out_days"] += chance.random() < disturbed(nature.noise * day, out)
            counts["disturbed_in_days"] += chance.random() < disturbed(nature.noise * day, into)
            for name in ("loss_days", "held_days", "slow_days"):
                counts[name] += chance.random() < min(1.0, nature.others * worse(n))
        yield Week(MONDAY + timedelta(weeks=n), **counts)


NAMES = (
    "chars_in",
    "chars_out",
    "used_days",
    "compared_days",
    "disturbed_in_days",
    "disturbed_out_days",
    "loss_days",
    "held_days",
    "slow_days",
)


def disturbed(noise: float, chars: int) -> float:
    return 1 - math.exp(-noise * chars / 10_000)


def told_in(weeks: list[Week], since: int) -> int:
    """Weeks from `since` until the line is called worse; 0 where it never is."""
    for end in range(since + 1, len(weeks) + 1):
        if judged(weeks[:end], "gang-lathe")[0] is Verdict.WORSE:
            return end - since
    return 0


def false_alarms(lines: int, seed: int) -> int:
    """Line-years with an alarm, each looked at every week of its second year."""
    chance = random.Random(seed)
    years = (list(simulated(natures(chance), 104, chance, lambda _: 1.0)) for _ in range(lines))
    return sum(1 for weeks in years if told_in(weeks, 52))


def weeks_until_told(noise: float, worse: Callable[[int], float], lines: int = 40) -> list[int]:
    """Of lines that worsen from their second year on: the weeks until each was told; those never told in a year left out."""
    chance = random.Random(5)
    nature = Nature(noise, 0.0, 10_000, 0.0)
    told = (told_in(list(simulated(nature, 104, chance, worse)), 52) for _ in range(lines))
    return sorted(weeks for weeks in told if weeks)


@pytest.mark.slow
def test_a_line_that_stays_as_it_is_is_hardly_ever_called_worse() -> None:
    """Of 400 line-years at most 20 may have an alarm: one in twenty."""
    alarms = false_alarms(400, seed=1)
    print(f"{alarms} of 400 line-years of lines that did not change had an alarm")
    assert alarms <= 20


@pytest.mark.slow
@pytest.mark.parametrize(
    ("what", "noise", "worse", "told_least", "median_most"),
    [
        ("three times", 0.3, lambda n: 3.0 if n >= 52 else 1.0, 15, 16),
        ("ten times", 0.01, lambda n: 10.0 if n >= 52 else 1.0, 15, 20),
        ("ten times", 0.03, lambda n: 10.0 if n >= 52 else 1.0, 36, 10),
        ("ten times", 0.1, lambda n: 10.0 if n >= 52 else 1.0, 40, 6),
        ("by and by, ten times in a year", 0.1, lambda n: 10 ** max(0.0, (n - 52) / 52), 30, 40),
    ],
)
def test_a_line_that_worsens_is_told_of(
    what: str, noise: float, worse: Callable[[int], float], told_least: int, median_most: int
) -> None:
    """noise: in days disturbed for each day with 10,000 characters, before it worsens."""
    told = weeks_until_told(noise, worse)
    print(f"{noise}, {what}: {len(told)} of 40 told in a year, half of these after {told[len(told) // 2]} weeks")
    assert len(told) >= told_least
    assert told[len(told) // 2] <= median_most


# --- the rule, case by case ------------------------------------------------------------------------------------------


def even(weeks: int, **counts: int) -> list[Week]:
    return [Week(MONDAY + timedelta(weeks=n), **counts) for n in range(weeks)]


def then(before: list[Week], weeks: int, **counts: int) -> list[Week]:
    return [*before, *(Week(before[-1].monday + timedelta(weeks=n + 1), **counts) for n in range(weeks))]


def test_little_is_known_of_a_new_line_and_of_one_that_says_little() -> None:
    assert judged((), "saw") == (Verdict.UNKNOWN, ())
    assert judged(even(BEFORE_LEAST, chars_in=50_000), "saw") == (Verdict.UNKNOWN, ())
    assert judged(even(BEFORE_LEAST + 1, chars_in=50_000), "saw") == (Verdict.STEADY, ())
    assert judged(even(30, chars_in=500), "saw") == (Verdict.UNKNOWN, ())
    assert judged(then(even(30, chars_in=50_000), 13, chars_in=0), "saw") == (Verdict.UNKNOWN, ())


@pytest.mark.parametrize(
    ("measure", "before", "now", "look"),
    [
        ("disturbed-in", {"chars_in": 50_000}, {"disturbed_in_days": 3}, "plug and shield"),
        ("disturbed-out", {"chars_out": 50_000}, {"disturbed_out_days": 3}, "dncd line test saw --far"),
        ("losses", {"used_days": 5}, {"loss_days": 3}, "mains wiring is for licensed people only"),
        ("held", {"compared_days": 5}, {"held_days": 3}, "the control's reader and how full its memory is"),
        ("slow", {"compared_days": 5}, {"slow_days": 3}, "the adaptor"),
    ],
)
def test_what_changed_names_where_to_look(measure: str, before: dict[str, int], now: dict[str, int], look: str) -> None:
    verdict, worse = judged(then(even(30, **before), 2, **before, **now), "saw")
    assert verdict is Verdict.WORSE
    (only,) = worse
    assert only.name == measure
    assert look in only.look
    assert (only.first, only.last) == ("2025-W30", "2025-W33")
    assert "6 in the last 4 weeks, 0 from January 2025 to July 2025" in only.said


def test_more_traffic_is_no_worse_line() -> None:
    quiet = even(30, chars_in=50_000, disturbed_in_days=1)
    assert judged(then(quiet, 4, chars_in=200_000, disturbed_in_days=4), "saw")[0] is Verdict.STEADY
    assert judged(then(quiet, 4, chars_in=50_000, disturbed_in_days=5), "saw")[0] is Verdict.WORSE


def test_a_line_that_always_had_bad_weeks_is_not_told_of_for_one_more() -> None:
    days = [5 if n % 6 == 0 else 0 for n in range(40)]
    assert likelihood(days, [50_000] * 40, 10, 200_000) > LIKELY
    assert likelihood([1] * 35 + [0] * 5, [50_000] * 40, 14, 200_000) < LIKELY


# --- the ledger ------------------------------------------------------------------------------------------------------


def line(day: date, event: str, **more: object) -> dict[str, Any]:
    return {"time": f"{day.isoformat()}T10:00:00.000Z", "event": event, "machine": "saw", "program": "O0004", **more}


def sent(day: date, seconds: float = 10.0, **more: object) -> dict[str, Any]:
    return line(day, "sent", chars=1_000, seconds=seconds, holds=0, held_s=0.0, transfer="t", **more)


def one_week(records: Iterable[dict[str, Any]]) -> Week:
    (week,) = weeks_of(records, MONDAY)
    return week


def test_programs_of_one_capture_count_its_characters_once() -> None:
    dump = [line(MONDAY, "received", transfer=f"a.{n}", wire_chars=900, line_faults={"parity": 2}) for n in range(3)]
    week = one_week([*dump, line(MONDAY, "received", transfer="b.0", wire_chars=100)])
    assert (week.captures, week.chars_in, week.hit, week.disturbed_in_days) == (2, 1_000, 2, 1)
    assert week.hit_per_million == 2_000


def test_a_damaged_capture_says_how_many_characters_were_hit_or_counts_as_one() -> None:
    """Records of before this was counted say no number: taken for none, a line would seem to worsen by the new version."""
    assert one_week([line(MONDAY, "damaged", transfer="a", wire_chars=500, hit=7)]).hit == 7
    cut_short = one_week([line(MONDAY, "damaged", transfer="a", wire_chars=500, hit=0)])
    assert (cut_short.damaged, cut_short.hit, cut_short.disturbed_in_days) == (1, 0, 0)
    assert one_week([line(MONDAY, "damaged", transfer="a", wire_chars=500)]).disturbed_in_days == 1
    old = one_week([line(MONDAY, "damaged", transfer="a", wire_chars=500, line_faults={"framing": 3})])
    assert (old.hit, old.disturbed_in_days) == (3, 1)


def test_losses_of_the_port_count_on_days_that_could_tell_of_them() -> None:
    other = MONDAY + timedelta(days=1)
    week = one_week([sent(MONDAY), sent(other, port_losses=2), sent(other, port_losses=0)])
    assert (week.sendings, week.used_days, week.losses, week.loss_days) == (3, 1, 2, 1)


def test_a_sending_is_compared_with_earlier_ones_of_its_program() -> None:
    usual = [sent(MONDAY) for _ in range(3)]
    next_day = MONDAY + timedelta(days=1)
    assert one_week([*usual, sent(next_day, 11.0)]).slow_days == 0
    slower = one_week([*usual, sent(next_day, 14.0)])
    assert (slower.compared_days, slower.slow_days, slower.held_days) == (1, 1, 0)
    held = one_week([*usual, {**sent(next_day, 14.0), "held_s": 4.0, "holds": 2}])
    assert (held.compared_days, held.slow_days, held.held_days) == (1, 0, 1)
    assert one_week([*usual, {**sent(next_day, 14.0), "program": "O0005"}]).compared_days == 0


def test_what_was_not_sent_says_nothing_of_the_line() -> None:
    refused = line(MONDAY, "refused", sha256="")
    lost = line(
        MONDAY, "interrupted", seconds=0, holds=0, revision=1
    )  # the service died meanwhile: nothing is known of it
    summed_up = line(
        MONDAY, "overflow over", captures=12, chars=9_000
    )  # damaged captures that were not kept one by one
    del summed_up["program"]
    assert weeks_of([refused, lost, summed_up], MONDAY) == ()


def test_idle_weeks_are_there_and_the_running_one_is_not_judged() -> None:
    later = MONDAY + timedelta(weeks=3, days=2)
    found = health_of([sent(MONDAY), sent(later)], later, "saw")
    assert [week.sendings for week in found.weeks] == [1, 0, 0, 1]
    assert [week.name for week in found.weeks] == ["2025-W02", "2025-W03", "2025-W04", "2025-W05"]
    steady = [sent(MONDAY + timedelta(weeks=n), port_losses=0, line_faults={}) for n in range(30)]
    steady = [{**each, "chars": 50_000} for each in steady]
    today = MONDAY + timedelta(weeks=30)
    bad = [{**sent(today + timedelta(days=n)), "chars": 50_000, "line_faults": {"parity": 1}} for n in range(5)]
    assert health_of([*steady, *bad], today + timedelta(days=4), "saw").verdict is Verdict.STEADY
    assert health_of([*steady, *bad], today + timedelta(days=7), "saw").verdict is Verdict.WORSE


@pytest.mark.parametrize("odd", [None, "many", -1, math.inf, {}, []])
@pytest.mark.parametrize("key", ["chars", "seconds", "held_s", "holds", "line_faults", "hit", "port_losses"])
def test_a_figure_that_is_none_counts_nothing(key: str, odd: object) -> None:
    (week,) = weeks_of([sent(MONDAY), sent(MONDAY) | {key: odd}], MONDAY)
    assert week.sendings == 2
    assert math.isfinite(week.seconds)
