"""What happens to a waveform on a poor line: pulses, bits that turn over, slow edges."""

import math
import random
from collections.abc import Iterable
from heapq import merge

from waveform import Waveform


def inverted(wave: Waveform, pulses: Iterable[tuple[float, float]]) -> Waveform:
    """The waveform with the line turned over from `start` for `length` seconds, for each pulse, in ascending order."""
    flips = [instant for start, length in pulses for instant in (start, start + length)]
    edges: list[float] = []
    for instant in merge(wave.edges, sorted(flips)):
        if edges and edges[-1] == instant:
            edges.pop()  # two changes at one instant are none
        else:
            edges.append(instant)
    return Waveform(wave.starts, tuple(edges), max(wave.ends, edges[-1] if edges else wave.ends))


def noisy(wave: Waveform, bit_s: float, share: float, chance: random.Random) -> Waveform:
    """The waveform with this share (0 to 1) of its bit times turned over, each chosen by itself."""
    if share <= 0.0:
        return wave
    count = round((wave.ends - wave.starts) / bit_s)
    hits: list[tuple[float, float]] = []
    at = -1
    while True:
        at += 1 + int(math.log(1.0 - chance.random()) / math.log(1.0 - share)) if share < 1.0 else 1
        if at >= count:
            return inverted(wave, hits)
        hits.append((wave.starts + at * bit_s, bit_s))


def slowed(wave: Waveform, tau_s: float, hysteresis: float = 0.1) -> Waveform:
    """The waveform behind a cable whose capacitance, with the driver's resistance, has the time constant `tau_s`.

    The voltage creeps towards +1 or -1; the receiver changes its mind at +hysteresis and -hysteresis (share of the full
    swing; V.28 leaves -3 V to +3 V undefined). Bits shorter than the creep vanish, longer ones move.
    """
    if tau_s <= 0.0:
        return wave
    volts, target, seen = 1.0, 1.0, 1
    last = wave.starts
    edges: list[float] = []
    for instant in (*wave.edges, math.inf):
        wanted = 1 if target > 0 else 0
        if wanted != seen:
            gate = hysteresis if wanted else -hysteresis
            cross = (
                last if (volts - gate) * target >= 0 else last + tau_s * math.log((target - volts) / (target - gate))
            )
            if cross < instant:
                edges.append(cross)
                seen = wanted
        if instant is not math.inf:
            volts = target + (volts - target) * math.exp(-(instant - last) / tau_s)
        last, target = instant, -target
    return Waveform(wave.starts, tuple(edges), max(wave.ends, edges[-1] if edges else wave.ends))
