"""A serial line as a waveform: what a transmitter puts on it bit by bit, and what a UART at another rate makes of it.

The line idles at mark (1). A character is a start bit (space, 0), the data bits with the lowest first, the parity bit
and the stop bits (mark), each 1/baud seconds long (serial arithmetic). A waveform is the list of the instants at which
the line changes; everything that can happen to it (noise, slow edges, another receiver's clock) works on that list.
"""

import enum
import functools
import math
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from dncd.values import Frame

OVERSAMPLING: Final = 16
"""Clock ticks in a bit of the receiver: sixteen, as the common UARTs have it (common practice)."""


class Fault(enum.Flag):
    NONE = 0
    FRAMING = enum.auto()
    PARITY = enum.auto()
    BREAK = enum.auto()


class Resync(enum.Enum):
    """How a UART finds its next start bit after a stop bit that was not there.

    START_BIT: it takes the missing stop bit for the next start bit (the 16550 family). WAIT_MARK: it waits until the
    line has been at mark and falls again. Both are found (common practice); a break always waits for mark.
    """

    START_BIT = "start-bit"
    WAIT_MARK = "wait-mark"


@dataclass(frozen=True, slots=True)
class Waveform:
    """edges: the instants, in seconds and ascending, at which the line changes, the first from mark to space;
    starts, ends: what the waveform covers, in seconds (the last stop bit included)."""

    starts: float
    edges: tuple[float, ...]
    ends: float

    def level(self, at: float) -> int:
        """1 for mark, 0 for space, at this instant."""
        return 1 - bisect_right(self.edges, at) % 2


@dataclass(frozen=True, slots=True)
class Heard:
    """One character as the receiver reads it: at: its stop-bit sample in seconds; value: data bits."""

    at: float
    value: int
    fault: Fault = Fault.NONE


@dataclass(frozen=True, slots=True)
class Pauses:
    """Idle time in bit times: between any two characters, and after each character of `after`."""

    between_bits: float = 0.0
    after_bits: float = 0.0
    after: frozenset[int] = field(default_factory=frozenset)

    def behind(self, value: int) -> float:
        return self.between_bits + (self.after_bits if value in self.after else 0.0)


def character_bits(value: int, frame: Frame) -> list[int]:
    """Start, data (lowest first) and parity bits of one character; the stop bits are the caller's.

    Bits of `value` above the frame's data bits are left out, so 7E1 may be given characters with or without parity.
    """
    data = [value >> k & 1 for k in range(frame.data_bits)]
    parity = {"N": [], "E": [sum(data) % 2], "O": [1 - sum(data) % 2]}[frame.parity]
    return [0, *data, *parity]


@functools.cache
def _character_edges(value: int, frame: Frame) -> tuple[int, ...]:
    """The bit times, from its start bit on, at which the line changes in a character that comes from mark."""
    bits = [1, *character_bits(value, frame), 1]
    return tuple(k for k in range(len(bits) - 1) if bits[k] != bits[k + 1])


def send_waveform(
    data: Iterable[int], frame: Frame, baud: float, starts: float = 0.0, pauses: Pauses | None = None
) -> Waveform:
    """What a transmitter puts on the line for these characters, back to back but for the pauses."""
    bit_s = 1.0 / baud
    stop = float(frame.stop_bits)
    edges: list[float] = []
    bits_gone = 0.0
    length = 1 + frame.data_bits + (frame.parity != "N")
    for value in data:
        edges += [starts + (bits_gone + k) * bit_s for k in _character_edges(value, frame)]
        bits_gone += length + stop + (pauses.behind(value) if pauses else 0.0)
    return Waveform(starts, tuple(edges), starts + bits_gone * bit_s)


def receive_waveform(
    wave: Waveform, frame: Frame, baud: float, resync: Resync = Resync.START_BIT, phase: float = 0.0
) -> list[Heard]:
    """What a UART set to this frame and rate reads from the line.

    It looks at the line sixteen times a bit, takes the first space for the start bit, looks again half a bit later (a
    spike is no start), then in the middle of every bit. Only the first stop bit is looked at. `phase` (from 0, below 1) is
    where its clock stands between two ticks when the waveform begins.
    """
    tick = 1.0 / (baud * OVERSAMPLING)
    zero = wave.starts + phase * tick
    half = OVERSAMPLING // 2
    edges = wave.edges
    length = frame.data_bits + (frame.parity != "N")
    mask = (1 << frame.data_bits) - 1
    heard: list[Heard] = []
    start = _next_start(edges, zero, tick, -1)
    while start is not None:
        middle = start + half
        gone = bisect_right(
            edges, zero + middle * tick
        )  # edges up to there: at an even number of them the line is at mark
        if gone % 2 == 0:
            start = _next_start(edges, zero, tick, middle)
            continue
        bits, at = 0, middle
        for k in range(length):
            at += OVERSAMPLING
            gone = bisect_right(edges, zero + at * tick, gone)
            bits |= (1 - gone % 2) << k
        stop_at = at + OVERSAMPLING
        stop_s = zero + stop_at * tick
        stopped = bisect_right(edges, stop_s, gone) % 2 == 0
        heard.append(Heard(stop_s, bits & mask, _fault(bits, stopped, frame)))
        if stopped:
            start = _next_start(edges, zero, tick, stop_at)
        elif resync is Resync.START_BIT and bits:
            start = stop_at - half
        else:
            start = _next_start(edges, zero, tick, _next_mark(edges, zero, tick, stop_at))
    return heard


def _fault(bits: int, stopped: bool, frame: Frame) -> Fault:
    """bits: data and parity, the lowest first."""
    fault = Fault.NONE if stopped else Fault.FRAMING if bits else Fault.FRAMING | Fault.BREAK
    if frame.parity != "N" and bits.bit_count() % 2 != (frame.parity == "O"):
        fault |= Fault.PARITY
    return fault


def _next_start(edges: Sequence[float], zero: float, tick: float, ticks: int) -> int | None:
    """The first tick after `ticks`, at which the line is at mark, that finds it at space; None: never again."""
    index = bisect_right(edges, zero + ticks * tick)
    index += index % 2  # even: the next edge falls
    while index < len(edges):
        found = max(ticks + 1, math.ceil((edges[index] - zero) / tick))
        if bisect_right(edges, zero + found * tick) % 2:
            return found
        index += 2  # shorter than a tick: the clock never saw it
    return None


def _next_mark(edges: Sequence[float], zero: float, tick: float, ticks: int) -> int:
    """The first tick from `ticks` on, at which the line is at space, that finds it at mark again."""
    index = bisect_right(edges, zero + ticks * tick)
    index += 1 - index % 2  # odd: the next edge rises
    while index < len(edges):
        found = math.ceil((edges[index] - zero) / tick)
        if not bisect_right(edges, zero + found * tick) % 2:
            return found
        index += 2
    return ticks
