"""The settings of a line from punches: rate, frame, parity and code, or "not sure", and which rate to listen at next.

A port listens at one rate at a time, as 8N1. What one punch says depends on how that rate and the line's compare:

    line = listening     the characters are the line's: code and parity by `scoring`
    line < listening     several samples a bit: the line's rate by `resampling`, then another punch at that rate
    line > listening     too few samples: nothing, so another punch at a higher rate

A rate is never named from samples alone: the answer rests on a punch that was heard at the line's own rate and reads as a
part program. `judge` is the whole of it, for stored punches; `Finder` collects them.
"""

import enum
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from dncd import defaults
from dncd.choices import USUAL_ENDS, BlockEnd, TapeCode
from dncd.commissioning import resampling, scoring
from dncd.commissioning.resampling import ENOUGH_CHARS, Chunk, Punch

RATES: Final = tuple(baud for baud in defaults.BAUDS if 110 <= baud <= 115200)
"""Rates that are looked for: from the teletype's to the fastest that a control was given (common practice)."""

FIRST_RATES: Final = (9600, 38400, 115200, 19200, 4800, 2400, 1200, 300)
"""Rates to listen at while nothing is known, in this order: 9600 is the likeliest (common practice); 38,400 shows every
rate down to 4800 by its bits, and slower ones by time."""

FIND_CHARS: Final = 65_536
"""Characters of one punch after which it is judged without waiting for its end: a line that never rests gives noise."""

FITS: Final = 0.90
"""Least share of characters that are in the code with the right parity; 0.1 % of wrong bits leave 99 %."""

STRUCTURED: Final = 0.80
"""Least share of characters that stand in words, comments, marks and block ends; wrong readings stay below 0.54, right
ones above 0.94 (counted over 300 generated programs)."""

READABLE: Final = 0.97
"""Least share of printable characters from which bytes are text of some kind; three in eight of all bytes are."""

MARKED: Final = 0.05
"""Most marked stop bits of a punch heard at its own rate."""

CLEAR: Final = 25.0
"""Difference of log likelihoods, in nats, between an answer and the next best that is taken for sure: one in 10^10, and
a wide margin for what the scores do not know."""

AGREES: Final = 0.97
"""Least share of samples that agree with their bit before a lower rate is believed."""

SUREST: Final = 0.999
"""No confidence is shown above this."""


class Sureness(enum.Enum):
    SURE = "sure"
    NOT_SURE = "not sure"


class Ask(enum.Enum):
    """What the operator is asked for: nothing; the same punch again, heard at another rate; a longer program."""

    NOTHING = "nothing"
    ANOTHER_PUNCH = "another punch"
    LONGER_PUNCH = "a longer punch"


@dataclass(frozen=True, slots=True)
class Guess:
    """Settings that may be the line's. frame: as in the settings; confidence: 0 to 1; fitting, structure: shares of the
    characters that are in the code, and that stand in words, comments, marks and block ends; score: log likelihood."""

    baud: int
    frame: str
    code: TapeCode
    confidence: float
    fitting: float
    structure: float
    score: float


@dataclass(frozen=True, slots=True)
class Answer:
    """guesses: best first, the runner-up second, empty while nothing was heard at the line's rate; block_end, leader,
    marks, codes: what else the punch shows; because: sentences for the operator; listen_next: the rate of the next punch."""

    sureness: Sureness
    ask: Ask
    listen_next: int
    because: tuple[str, ...]
    guesses: tuple[Guess, ...] = ()
    block_end: BlockEnd = USUAL_ENDS[0]
    leader: int = 0
    marks: int = 0
    dc_codes: tuple[str, ...] = ()


class _Kind(enum.Enum):
    OWN = "heard at the line's own rate"
    SLOWER = "the line is slower"
    FASTER = "the line is faster"
    UNCLEAR = "heard, but no part program"
    TOO_LITTLE = "too few characters"


_Guesses = tuple[tuple[scoring.Reading, Guess], ...]


@dataclass(frozen=True, slots=True)
class _Verdict:
    """What all punches at one rate say together. slower: rates that explain it as a slower line, the likeliest first."""

    baud: int
    kind: _Kind
    guesses: _Guesses = ()
    slower: tuple[int, ...] = ()
    because: str = ""


def judge(punches: Sequence[Punch]) -> Answer:
    at_rate: dict[int, list[Punch]] = {}
    for punch in punches:
        at_rate.setdefault(punch.baud, []).append(punch)
    verdicts = [_verdict(baud, heard) for baud, heard in at_rate.items()]
    own = [verdict for verdict in verdicts if verdict.kind is _Kind.OWN]
    if len(own) == 1:
        return _settled(own[0], at_rate[own[0].baud])
    return _asking(verdicts)


def _verdict(baud: int, punches: Sequence[Punch]) -> _Verdict:
    data = b"".join(punch.data for punch in punches)
    sounds = resampling.sounds_of(punches)
    if len(data) < ENOUGH_CHARS:
        return _Verdict(baud, _Kind.TOO_LITTLE, because=f"At {baud} only {len(data)} characters came")
    told = resampling.stops_told(punches)
    readings = _readings(baud, data, sounds, told)
    fits = sorted((resampling.fit_rate(sounds, told, baud, r) for r in RATES if r < baud), key=lambda fit: -fit.score)
    null = resampling.null_score(sounds, told)
    best_fit = fits[0].score if fits else -math.inf
    longest = max(len(punch.data) for punch in punches)
    if readings[0][1].score > max(null, best_fit) + CLEAR:
        return _own_rate(baud, readings, sounds, longest)
    if fits and best_fit > max(null, readings[0][1].score) + CLEAR and fits[0].agreeing >= AGREES:
        near = [fit.baud for fit in fits if fit.score > best_fit - CLEAR / 5]
        return _slower(baud, near, punches)
    readable = [(r, g) for r, g in readings if scoring.look(r, data).printable >= READABLE]
    if readable:
        others = [pair for pair in readings if pair not in readable]
        return _own_rate(baud, (*readable, *others), sounds, longest)
    return _Verdict(baud, _Kind.FASTER, because=f"At {baud} nothing fits together: the line may be faster")


def _slower(baud: int, near: list[int], punches: Sequence[Punch]) -> _Verdict:
    """near: the rates that fit alike; the nearest to what time says comes first."""
    because = f"At {baud} each bit of the line was seen several times, as {near[0]} would look"
    if len(near) > 1:
        because = f"At {baud} only long stretches of space were seen, so the line is far slower"
        if (about := resampling.rate_from_time(punches)) > 0:
            near.sort(key=lambda rate: abs(math.log(rate / about)))
    return _Verdict(baud, _Kind.SLOWER, slower=tuple(near), because=because)


def _readings(baud: int, data: bytes, sounds: resampling.Sounds, told: bool) -> _Guesses:
    scored = [(reading, scoring.score(reading, sounds, told)) for reading in scoring.READINGS]
    best = max(score for _, score in scored)
    weight = sum(math.exp(max(-700.0, score - best)) for _, score in scored)
    found = []
    for reading, score in scored:
        seen = scoring.look(reading, data)
        confidence = math.exp(max(-700.0, score - best)) / weight
        guess = Guess(baud, reading.frame, reading.code, confidence, seen.fitting, seen.structure, score)
        found.append((reading, guess))
    return tuple(sorted(found, key=lambda pair: -pair[1].score))


def _own_rate(baud: int, readings: _Guesses, sounds: resampling.Sounds, longest: int) -> _Verdict:
    """Whether the best reading is good enough to be an answer. longest: characters of the longest punch."""
    best, second = readings[0][1], readings[1][1]
    marked = sum(count for (_, bad), count in sounds.items() if bad) / sounds.total()
    if marked > MARKED:
        words = "eight bits and a parity bit (8E1, 8O1) look like that" if best.fitting >= FITS else "noise does that"
        because = f"At {baud} the stop bit of {marked:.0%} of the characters was missing: {words}"
    elif longest < ENOUGH_CHARS:
        because = f"At {baud} each punch has fewer than {ENOUGH_CHARS} characters, and the same few prove little"
    elif best.fitting < FITS:
        because = (
            f"At {baud} only {best.fitting:.0%} of the characters are in the code: noise, or a code not known here"
        )
    elif best.structure < STRUCTURED:
        because = (
            f"At {baud} the characters make no part program: only {best.structure:.0%} stand in words and comments"
        )
    elif best.score - second.score < CLEAR:
        because = f"At {baud} two readings fit alike"
    else:
        share = (
            f"{best.fitting:.1%} of the characters are in the code, {best.structure:.0%} stand in words and comments"
        )
        return _Verdict(baud, _Kind.OWN, readings, because=f"At {baud}: {share}")
    return _Verdict(baud, _Kind.UNCLEAR, readings, because=because)


def _settled(verdict: _Verdict, punches: Sequence[Punch]) -> Answer:
    (reading, best), (_, second) = verdict.guesses[:2]
    data = b"".join(punch.data for punch in punches)
    seen = scoring.look(reading, data)
    share = min(best.confidence, SUREST)
    left = min(max(second.confidence, (1.0 - share) / 2), 1.0 - share)
    return Answer(
        Sureness.SURE,
        Ask.NOTHING,
        verdict.baud,
        (
            verdict.because,
            "Nobody hears whether there are two stop bits: every receiver of one accepts them, so take two",
        ),
        (replace(best, confidence=share), replace(second, confidence=left)),
        seen.block_ends.most_common(1)[0][0] if seen.block_ends else USUAL_ENDS[0],
        seen.leader,
        seen.marks,
        scoring.describe_dc(data, reading.code),
    )


def _asking(verdicts: Sequence[_Verdict]) -> Answer:
    """No punch was heard at the line's own rate yet: which rate comes next."""
    tried = {verdict.baud for verdict in verdicts if verdict.kind is not _Kind.TOO_LITTLE}
    because = tuple(verdict.because for verdict in verdicts)
    unclear = [verdict for verdict in verdicts if verdict.kind is _Kind.UNCLEAR]
    guesses = tuple(
        replace(guess, confidence=min(0.5, guess.confidence)) for _, guess in (unclear[-1].guesses if unclear else ())
    )
    if verdicts and verdicts[-1].kind is _Kind.TOO_LITTLE:
        words = "punch a longer program, 200 characters and more; check the cable if nothing came"
        return Answer(Sureness.NOT_SURE, Ask.LONGER_PUNCH, verdicts[-1].baud, (*because, words))
    left = [rate for rate in _order(verdicts) if rate not in tried]
    if not left or unclear:
        words = "no rate is left to try: look at cable and ground" if not left else "punch again, to be certain"
        baud = unclear[-1].baud if unclear else FIRST_RATES[0]
        return Answer(Sureness.NOT_SURE, Ask.ANOTHER_PUNCH, baud, (*because, words), guesses)
    return Answer(Sureness.NOT_SURE, Ask.ANOTHER_PUNCH, left[0], because)


def _order(verdicts: Sequence[_Verdict]) -> list[int]:
    """Rates to listen at next, best first: what samples name, then what fits the bounds, then the rest. That a rate is
    too low is the weakest word: a rate a little too high looks the same. So it only bounds."""
    too_low = {verdict.baud for verdict in verdicts if verdict.kind is _Kind.FASTER}
    slower = [verdict for verdict in reversed(verdicts) if verdict.kind is _Kind.SLOWER]
    named = [verdict.slower[0] for verdict in slower if len(verdict.slower) == 1]
    far_slower = [rate for verdict in slower for rate in verdict.slower if len(verdict.slower) > 1]
    # what was said to be slower and named a rate at which nothing fitted either may have been wrong
    below = min((verdict.baud for verdict in slower if verdict.slower[0] not in too_low), default=math.inf)
    above = max((baud for baud in too_low if baud < below), default=0)
    between = [rate for rate in RATES if above < rate < below]
    order = [*named, *(rate for rate in far_slower if above < rate < below), *far_slower]
    order += [rate for rate in FIRST_RATES if rate in between]
    order += [*between, *FIRST_RATES, *RATES]
    return list(dict.fromkeys(rate for rate in order if rate in RATES))


@dataclass(slots=True)
class Finder:
    """Collects punches from a port that listens at `listen_baud` as 8N1, and judges them. Feed it what each look at the
    port gave. A punch ends after `silence_s` seconds without a character (one control family pauses up to 5 s between
    blocks) or after `FIND_CHARS`. `answer` then says whether to go on."""

    listen_baud: int = FIRST_RATES[0]
    silence_s: float = defaults.SILENCE_S
    punches: list[Punch] = field(default_factory=list)
    _chunks: list[Chunk] = field(default_factory=list)
    _count: int = 0

    def feed(self, data: bytes, bad: tuple[int, ...], now: float) -> None:
        if data:
            self._chunks.append(Chunk(now, data, bad))
            self._count += len(data)
        if self._count >= FIND_CHARS:
            self._end_punch()

    def next_due(self) -> float:
        """The instant at which `tick` has something to do; infinity while nothing is being punched."""
        return self._chunks[-1].at + self.silence_s if self._chunks else math.inf

    def tick(self, now: float) -> None:
        if now >= self.next_due():
            self._end_punch()

    def answer(self) -> Answer:
        if not self.punches:
            return Answer(Sureness.NOT_SURE, Ask.ANOTHER_PUNCH, self.listen_baud, ("Nothing was punched yet",))
        return judge(self.punches)

    def _end_punch(self) -> None:
        self.punches.append(Punch(self.listen_baud, tuple(self._chunks)))
        self._chunks, self._count = [], 0
        self.listen_baud = self.answer().listen_next


def settings_text(answer: Answer, machine: str) -> str:
    """The tables of this machine for a settings file, by the best guess; empty where there is none."""
    if not answer.guesses:
        return ""
    best, name = answer.guesses[0], f"machines.{machine}"
    lines = [f"[{name}.line]", f"baud = {best.baud}", f'frame = "{best.frame}"', ""]
    lines += [f"[{name}.tape]", f'code = "{best.code.value}"']
    if best.code is TapeCode.ISO:
        lines.append(f'block_end = "{answer.block_end}"')
    return "\n".join(lines) + "\n"
