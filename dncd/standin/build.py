"""How a stand-in control is built, and what it counts."""

import enum
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from dncd.values import Frame, TapeCode, TapeSettings

DC1: Final = 0x11
DC2: Final = 0x12
DC4: Final = 0x14

Clock = Callable[[], float]

clock: Final[Clock] = time.perf_counter
"""The stand-in's own clock, in seconds; a test moves one by hand."""


class Dc3(enum.IntEnum):
    """DC3 as this control says it: four holes on a line with parity, 0x13 where the parity is left off."""

    WITH_PARITY = 0x93
    PLAIN = 0x13


@dataclass(frozen=True, slots=True)
class Build:
    """How a control is built.

    buffer_chars, high, low: the small memory of its reader, in characters, and where it says DC3 and DC1;
    reads_per_s: characters a second that it reads out of it, 0 for as fast as they come; runs_on_chars: how many it
    still punches after the host's DC3 (at most 10: two connection manuals); memory_m: metres of tape it keeps.
    """

    title: str = "control"
    baud: int = 9600
    frame: Frame = field(default_factory=lambda: Frame.parse("7E1"))
    tape: TapeSettings = field(default_factory=TapeSettings)
    buffer_chars: int = 512
    high: int = 400
    low: int = 128
    reads_per_s: float = 0.0
    dc3: Dc3 = Dc3.WITH_PARITY
    runs_on_chars: int = 4
    memory_m: float = 80.0

    @property
    def char_s(self) -> float:
        """Seconds a character takes on its line."""
        return float(self.frame.bits / self.baud)

    @property
    def block_end(self) -> str:
        """Block end between decoding and blocks; EIA has EOB alone, which the coder gives as LF."""
        return "\n" if self.tape.code is TapeCode.EIA else self.tape.block_end.chars


@dataclass(frozen=True, slots=True)
class Figures:
    """What the control saw since `clear`, in characters; first and last: when one was complete, by its `clock`."""

    taken: int
    lost: int
    holds: int
    after_dc3: tuple[int, ...]
    most_ahead: int
    first: float
    last: float

    def line_used(self, char_s: float) -> float:
        """Part of the line's rate between the first and the last character (1.0: not a gap)."""
        return (self.taken - 1) * char_s / (self.last - self.first) if self.last > self.first else 0.0
