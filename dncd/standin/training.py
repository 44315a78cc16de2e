"""What a stand-in control for training holds when it is switched on: programs that are made up, to punch and to edit."""

from dncd.standin import demo_programs
from dncd.standin.program_memory import Stored


def first_programs() -> tuple[Stored, ...]:
    """O0330, a plate of holes long enough to find a line's settings by, and O0331, a short slot; only EIA characters."""
    return (
        Stored("O0330", "", demo_programs.gear_plate()),
        Stored("O0331", "", demo_programs.key_slot()),
    )
