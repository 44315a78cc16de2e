"""Ten or eleven bits a character: told by the clock, because a receiver never sees a second stop bit.

A punch comes back to back, so the time at which the nth character arrives grows by its length on the line. The looks at
the port are late by a little (an adaptor's latency timer, the loop), so the length is the slope of a straight line through
all looks (least squares). Where the control pauses behind each block end, a second slope takes that up.
"""

import enum
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from dncd.commissioning.punches import Chunk, Punch

CLOCK_BITS: Final = 0.22
"""Bits by which a measured 11 may differ from 11 because the two clocks are 2 % apart."""

TEN_ERROR_BITS: Final = 0.18
ELEVEN_ERROR_BITS: Final = 0.15
"""Largest standard error, in bits a character, of a length that is believed to be 10 or 11: they then lie five errors and
more apart."""

TEN_ERRORS: Final = 1.5
ELEVEN_ERRORS: Final = 0.5
"""Standard errors, on top of the clocks, by which a length may miss 10 or 11 and still be taken for it. Eleven is taken
less readily: pauses that were not seen make ten look like more, and nothing makes eleven look like less."""

PAUSE_BITS: Final = 12
"""Bits a character, on top of `LATE_S`, above which the time between two looks holds a pause of the control."""

TOGETHER_BITS: Final = 5
"""Bit times between two looks below which the second found what had already been there at the first."""

LATE_S: Final = 0.018
"""Seconds by which a look may come late: 16 ms of a USB adaptor's latency timer, and a little."""

PAUSES_SHOW: Final = 4.0
"""Standard errors from which a pause behind the block ends is believed."""

PAUSES_DOUBTED: Final = 1.5
"""Standard errors from which such a pause makes the length less sure."""

OFTEN: Final = 0.1
"""Share of looks that lie far off, above which that is the clock's manner and no accident."""

COARSE_S: Final = 0.002
"""Middle difference of a step, in seconds, above which looks are no measure of single blocks: a latency timer of 16 ms
makes about 5 ms, a UART's own buffer less than one."""

FEWEST_LOOKS: Final = 8
"""Looks, beyond those that fix the lines, that a measurement needs."""


ROUNDS: Final = 3
"""Times that the line is drawn, and the looks that lie far off it are set apart."""

FAR: Final = 4.0
"""Middle differences from which a look lies far off."""

BEAT_CUTS: Final = 4
"""Fewest far looks that can be the beat of a clock: one that ticks a little faster or slower than the characters come
shows almost every one as late as the last, and makes it up with a far look now and then."""

BEAT_BAND: Final = 1.5
"""A beat is made up each time, so the looks stay within one far step of the line through all; rests and lost characters
drift off by several."""

BEAT_MISSES: Final = 0.34
"""Most places, as a share of the far looks, where noise or a rest carries the looks out of that band."""


class CharLength(enum.Enum):
    """Bits of a character on the line, start and stop bits included; UNSURE where time does not tell."""

    TEN = 10
    ELEVEN = 11
    UNSURE = 0


@dataclass(frozen=True, slots=True)
class Timing:
    """bits: measured length of a character in bit times (0 where nothing could be measured); error: its standard error."""

    length: CharLength
    bits: float
    error: float


NO_TIMING: Final = Timing(CharLength.UNSURE, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class _Look:
    """One look at the port: characters and block ends so far, and seconds."""

    chars: float
    ends: float
    at: float


def measure(punches: Sequence[Punch], baud: int, block_end: int) -> Timing:
    """The length of a character on a line at `baud`; `block_end`: the byte behind which a control may pause.

    Two lines are drawn, one with the far looks set apart, as rests and lost characters want it, and one through all of them,
    as the beat of a coarse clock wants it; where both could be meant and they differ, the length is unsure.
    """
    whole = [stretch for punch in punches for stretch in _stretches(punch, baud, block_end)]
    slope, pause = _middle_steps(whole, baud)
    cut = _cut_line(whole, slope, pause)
    if math.isinf(cut.error):
        return NO_TIMING
    timing = _timing(cut, baud)
    beating = _beat(whole, cut)
    if math.isinf(beating.error):
        return timing
    through = _timing(beating, baud)
    if timing.length in (CharLength.UNSURE, through.length):
        return through
    return Timing(CharLength.UNSURE, through.bits, through.error)


def _timing(line: "_Line", baud: int) -> Timing:
    bits, error = line.slope * baud, line.error * baud
    return Timing(_length(bits, error), bits, error)


def _cut_line(stretches: list[list["_Look"]], slope: float, pause: float) -> "_Line":
    """The line with far looks set apart; slope, pause: a first idea of it."""
    line = _NO_LINE
    for _ in range(ROUNDS):
        stretches = [part for stretch in stretches for part in _parted(stretch, slope, pause)]
        line = _line(stretches)
        slope, pause = line.slope, line.pause
    off = sorted(by for stretch in stretches for by in _off(stretch, slope, pause))
    if pause > 0.0 and off[len(off) // 2] < COARSE_S:
        # a few block ends that noise ate or made bend that line, so look only at what lies between two of them
        line = _line([part for stretch in stretches for part in _between_ends(stretch)])
    return line


def _beat(stretches: Sequence[Sequence["_Look"]], cut: "_Line") -> "_Line":
    """The line through all looks, if those that lie far off `cut` are the beat of a clock; else none."""
    far: list[float] = []
    for stretch in stretches:
        off = _off(stretch, cut.slope, cut.pause)
        least = _far(off)
        # a far look behind a block end is a pause
        far += [by for (a, b), by in zip(pairwise(stretch), off, strict=True) if by > least and a.ends == b.ends]
    if len(far) < BEAT_CUTS:
        return _NO_LINE
    step = sorted(far)[len(far) // 2]
    line, runs = _line(stretches), list(stretches)
    for _ in range(ROUNDS):
        runs = [run for stretch in stretches for run in _runs(stretch, line, BEAT_BAND * step)]
        line = _line(runs)
    if math.isinf(line.error) or len(runs) - len(stretches) > BEAT_MISSES * len(far):
        return _NO_LINE
    lengths = [run[-1].chars - run[0].chars for run in runs]
    # the looks of a run are no chance about this line: at its ends up to half a step may be open
    open_ends = step / 2 * math.sqrt(sum(n**4 for n in lengths)) / sum(n**3 for n in lengths)
    return _Line(line.slope, line.pause, math.hypot(line.error, open_ends))


def _runs(stretch: Sequence["_Look"], line: "_Line", band: float) -> Iterator[list["_Look"]]:
    """The looks parted where they leave a band of so many seconds about this line: something was lost, or rested."""
    run: list[_Look] = []
    low = high = 0.0
    for look in stretch:
        by = look.at - line.slope * look.chars - line.pause * look.ends
        if run and max(high, by) - min(low, by) > band:
            yield run
            run = []
        low, high = (min(low, by), max(high, by)) if run else (by, by)
        run.append(look)
    if run:
        yield run


def _length(bits: float, error: float) -> CharLength:
    if error <= TEN_ERROR_BITS and abs(bits - 10) <= CLOCK_BITS + TEN_ERRORS * error:
        return CharLength.TEN
    if error <= ELEVEN_ERROR_BITS and abs(bits - 11) <= CLOCK_BITS + ELEVEN_ERRORS * error:
        return CharLength.ELEVEN
    return CharLength.UNSURE


def _stretches(punch: Punch, baud: int, block_end: int) -> list[list[_Look]]:
    """The looks of a punch, parted where the control paused.

    A UART hands over a few characters at once, or fewer when the line has rested for some character times: so a look
    that ends with a block end may be late by those, and is left out where enough others are there.
    """
    chunks = _merged(punch.chunks, TOGETHER_BITS / baud)
    ending = sum(chunk.data[-1] == block_end for chunk in chunks)
    leave_out = ending <= len(chunks) / 2
    stretches: list[list[_Look]] = [[]]
    chars = ends = 0
    before = chunks[0].at if chunks else 0.0
    for chunk in chunks:
        if chunk.at - before > len(chunk.data) * PAUSE_BITS / baud + LATE_S:
            stretches.append([])
        chars += len(chunk.data)
        # the pause behind the last character of this look shows in the next one
        if chunk.data[-1] != block_end or not leave_out:
            stretches[-1].append(_Look(chars, ends + chunk.data[:-1].count(block_end), chunk.at))
        ends += chunk.data.count(block_end)
        before = chunk.at
    return stretches


def _merged(chunks: Sequence[Chunk], together_s: float) -> list[Chunk]:
    """The chunks, with those made one that came together: the second had already been there at the first look."""
    merged: list[Chunk] = []
    for chunk in chunks:
        if merged and chunk.at - merged[-1].at < together_s:
            merged[-1] = Chunk(chunk.at, merged[-1].data + chunk.data)
        else:
            merged.append(chunk)
    return merged


def _centred(stretch: Sequence[_Look]) -> list[_Look]:
    """The looks with the stretch's own mean taken off, so that stretches can be pooled."""
    if len(stretch) < 2:
        return []
    count = len(stretch)
    chars = sum(look.chars for look in stretch) / count
    ends = sum(look.ends for look in stretch) / count
    at = sum(look.at for look in stretch) / count
    return [_Look(look.chars - chars, look.ends - ends, look.at - at) for look in stretch]


def _middle_steps(stretches: Sequence[Sequence[_Look]], baud: int) -> tuple[float, float]:
    """A first idea of seconds a character and of the pause behind a block end: the middle one of all steps from look to
    look, which a few block ends eaten by noise do not move as they move a mean."""
    steps = [(b.chars - a.chars, b.ends - a.ends, b.at - a.at) for stretch in stretches for a, b in pairwise(stretch)]
    plain = sorted(at / chars for chars, ends, at in steps if ends == 0)
    slope = plain[len(plain) // 2] if len(plain) >= 5 else 10.5 / baud
    ended = sorted((at - slope * chars) / ends for chars, ends, at in steps if ends)
    return slope, ended[len(ended) // 2] if len(ended) >= 5 else 0.0


@dataclass(frozen=True, slots=True)
class _Line:
    """slope: seconds a character; pause: seconds behind a block end, 0 where none shows; error: of the slope."""

    slope: float
    pause: float
    error: float


_NO_LINE: Final = _Line(0.0, 0.0, math.inf)


def _line(stretches: Sequence[Sequence[_Look]]) -> _Line:
    """The line through all stretches, each with a beginning of its own, by least squares."""
    parts = [part for part in map(_centred, stretches) if part]
    looks = [look for part in parts for look in part]
    free = len(looks) - len(parts) - 2
    nn = sum(look.chars**2 for look in looks)
    if free < FEWEST_LOOKS or nn <= 0:
        return _NO_LINE
    ne = sum(look.chars * look.ends for look in looks)
    ee = sum(look.ends**2 for look in looks)
    nt = sum(look.chars * look.at for look in looks)
    et = sum(look.ends * look.at for look in looks)
    slope = nt / nn
    error = _scatter(looks, slope, 0.0, free) / math.sqrt(nn)
    spread = nn * ee - ne * ne
    if spread <= 1e-9 * max(1.0, nn * ee):
        return _Line(slope, 0.0, error)
    with_pause, pause = (nt * ee - et * ne) / spread, (et * nn - nt * ne) / spread
    scatter = _scatter(looks, with_pause, pause, free)
    shows = pause / (scatter * math.sqrt(nn / spread))
    if shows > PAUSES_SHOW:
        return _Line(with_pause, pause, scatter * math.sqrt(ee / spread))
    if shows > PAUSES_DOUBTED:  # too little to be believed, too much to be passed over
        error = math.hypot(error, (slope - with_pause) / PAUSES_SHOW)
    return _Line(slope, 0.0, error)


def _parted(stretch: Sequence[_Look], slope: float, pause: float) -> list[list[_Look]]:
    """The looks of a stretch, parted where one came far later or sooner than the line says: a block end or characters
    that noise ate, or a rest. Far: four times the middle one of all these differences."""
    off = _off(stretch, slope, pause)
    far = _far(off)
    if sum(by > far for by in off) > OFTEN * len(off):  # the clock is coarse: to cut there would bend the line
        return [list(stretch)]
    parts = [[stretch[0]]] if stretch else []
    for look, by in zip(stretch[1:], off, strict=True):
        if by > far:
            parts.append([])
        parts[-1].append(look)
    return parts


def _far(off: Sequence[float]) -> float:
    """Seconds by which a step differs from the line where it lies far off."""
    return max(1e-4, FAR * sorted(off)[len(off) // 2]) if off else math.inf


def _off(stretch: Sequence[_Look], slope: float, pause: float) -> list[float]:
    """Seconds by which each step from look to look differs from what the line says."""
    return [abs(b.at - a.at - slope * (b.chars - a.chars) - pause * (b.ends - a.ends)) for a, b in pairwise(stretch)]


def _between_ends(stretch: Sequence[_Look]) -> list[list[_Look]]:
    """The looks of a stretch, parted at every block end."""
    parts: dict[float, list[_Look]] = {}
    for look in stretch:
        parts.setdefault(look.ends, []).append(look)
    return list(parts.values())


def _scatter(looks: Sequence[_Look], slope: float, pause: float, free: int) -> float:
    """Standard deviation of the looks about the line, in seconds; a clock of 0.1 ms is the finest that is believed."""
    squares = sum((look.at - slope * look.chars - pause * look.ends) ** 2 for look in looks)
    return max(1e-4, math.sqrt(squares / free))
