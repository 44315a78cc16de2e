"""The part programs of the demo's shop, Quayside Gear Works: made up, and run on nothing but stand-in controls."""

import math
from dataclasses import dataclass
from typing import Final

from dncd.standin.program_memory import Stored


def bearing_sleeve() -> tuple[str, ...]:
    """Blocks of O0210 for the gang lathe: facing, roughing in passes, a finishing pass, parting off."""
    blocks = [
        "O0210 (BEARING SLEEVE 30 X 48)",
        "N10 G50 S2200",
        "N20 T0101 M03",
        "N30 G96 S180 M08",
        "N40 G00 X42. Z0.",
    ]
    number = 50
    for step in range(34):
        bore = 40.0 - step * 0.28
        for words in (
            f"G00 X{bore:.2f} Z2.",
            f"G01 Z-{48.2 - step * 0.03:.2f} F0.25",
            f"G01 X{bore + 1:.2f}",
            "G00 Z2.",
        ):
            blocks.append(f"N{number} {words}")
            number += 10
    finishing = ("T0303", "G00 X29. Z2.", "G01 Z0. F0.12", "G03 X30. Z-0.5 R0.5", "G01 Z-48.", "T0505 G97 S600")
    for words in (*finishing, "G00 X42. Z-48.2", "G01 X18. F0.05", "G00 X60. M09", "G28 U0. W0.", "M30"):
        blocks.append(f"N{number} {words}")
        number += 10
    return tuple(blocks)


def gear_plate() -> tuple[str, ...]:
    """Blocks of O0330 for the bore mill: five circles of holes; only characters that EIA code has."""
    blocks = ["O0330", "N1 G17 G40 G80 G90", "N2 T04 M06", "N3 S900 M03", "N4 G54 G00 X0. Y0."]
    blocks.append("N5 G81 Z-22.5 R2. F110")
    number = 6
    for ring in range(1, 7):
        radius, holes = 30.0 + 22.5 * ring, 12 + 6 * ring
        for hole in range(holes):
            angle = 2 * math.pi * hole / holes
            x, y = radius * math.cos(angle), radius * math.sin(angle)
            blocks.append(f"N{number} X{x:.3f} Y{y:.3f}")
            number += 1
    return (*blocks, f"N{number} G80 M09", f"N{number + 1} G28 Z0.", f"N{number + 2} M30")


def key_slot() -> tuple[str, ...]:
    """Blocks of O0331, which the operator keyed in at the bore mill and the office has never seen."""
    return (
        "O0331",
        "N10 G17 G40 G80 G90",
        "N20 T07 M06",
        "N30 S1400 M03",
        "N40 G54 G00 X-15. Y0. Z2.",
        "N50 G01 Z-3.5 F60 M08",
        "N60 X15. F140",
        "N70 G00 Z50. M09",
        "N80 M30",
    )


def unfit() -> tuple[str, ...]:
    """Blocks of O0211 with three faults: a character that ISO code lacks, small letters, a block that is too long."""
    return (
        "O0211 (SPACER RING)",
        "N10 G50 S2200",
        "N20 T0101 M03 (Ø40 BAR)",
        "N30 g00 X42. Z2.",
        f"N40 ({'CHECK THE STOP BEFORE EACH BAR, ' * 3}THEN START)",
        "N50 M30",
    )


def as_file(blocks: tuple[str, ...]) -> str:
    """A file as the office writes it: marks, and CR LF at each line end."""
    return "".join(f"{line}\r\n" for line in ("%", *blocks, "%"))


def first_programs() -> tuple[Stored, ...]:
    """What a control to learn on holds: O0330, long enough to find a line's settings by, and O0331; only EIA characters."""
    return (Stored("O0330", "", gear_plate()), Stored("O0331", "", key_slot()))


_SHAFT: Final = (
    "O0004 (SHAFT END)",
    "N10 G50 S1800",
    "N20 T0101 M03",
    "N30 G96 S160 M08",
    "N40 G00 X26. Z2.",
    "N50 G01 Z-20. F0.2",
    "N60 X31.",
    "N70 G28 U0. W0. M09",
)

_DRAWING: Final = "0 SECTION 2 ENTITIES 0 LINE 100 AcDbLine 10 0.0 20 0.0 11 48.0 21 30.0 0 ENDSEC 0 EOF ".replace(
    " ", "\n"
)


@dataclass(frozen=True, slots=True)
class Sample:
    """A file to drop, for one machine. what: in a few words."""

    file: str
    machine: str
    what: str
    text: str


SAMPLES: Final = {
    "1": Sample("0004.nc", "gang-lathe", "a good program", as_file((*_SHAFT, "N80 M30"))),
    "2": Sample("0005.nc", "gang-lathe", "good, but without M30", as_file(("O0005 (SPACER)", *_SHAFT[1:]))),
    "3": Sample(
        "0211.nc", "gang-lathe", "bad: a letter that ISO code lacks, a block that is too long", as_file(unfit())
    ),
    "4": Sample("bracket.dxf", "gang-lathe", "a drawing, by mistake", _DRAWING),
    "5": Sample(
        "0004.nc", "gang-lathe", "the office's next version of program 1", as_file((*_SHAFT, "N80 M00", "N90 M30"))
    ),
    "6": Sample("0330.nc", "bore-mill", "a long one: some seconds", as_file(gear_plate())),
}
"""What `dncd learn` drops, by the number that is typed."""
