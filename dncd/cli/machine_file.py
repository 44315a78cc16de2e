"""A commented settings file for one new machine, made from a few answers."""

from dataclasses import dataclass
from typing import Final

from dncd.outside.config import toml_value
from dncd.values import Frame

METRE_CHARS: Final = 393.7
"""Characters of a metre of tape: ten to the inch (arithmetic)."""

LIKES: Final = {
    "iso-tape": "paper-tape age, ISO code, DC1 and DC3 (most of them)",
    "eia-tape": "paper-tape age, EIA code, DC1 and DC3",
    "paced-reader": "wired in place of the tape reader, cannot say stop",
    "hardware-flow": "later, holds with RTS/CTS over a full cable",
    "pc-control": "built round a personal computer, CR LF, SUB at the end",
    "xmodem-control": "takes and gives XMODEM packets",
}
"""What a control is like, by profile, in the order in which they are offered."""


@dataclass(frozen=True, slots=True)
class Answers:
    """What was answered. folder, state: as they stand in the file; metres: tape memory of the control."""

    name: str
    title: str
    port: str
    profile: str
    baud: int
    frame: Frame
    metres: float
    folder: str = "shop"
    state: str = "state"

    @property
    def memory_chars(self) -> int:
        return int(self.metres * METRE_CHARS)


def shop_text(answers: Answers) -> str:
    return f"""\
# Settings of dncd for one machine; config/dncd.toml of the distribution explains every key.
# After a change: dncd --config THIS check-config, then start the service anew, then prove the line again.

[shop]
folder = {toml_value(answers.folder)}             # the office's folder; a relative path starts at this file's folder
state = {toml_value(answers.state)}             # dncd's records: on a local disk, in the backup, shared with nobody

"""


def machine_text(answers: Answers) -> str:
    name = answers.name
    return f"""\
[machines.{name}]
title = {toml_value(answers.title)}
profile = {toml_value(answers.profile)}       # {LIKES.get(answers.profile, "a shipped starting point")}

[machines.{name}.line]
# The rate and the frame are the control's: compare with its parameters, or let `dncd line find {name}` hear them.
port = {toml_value(answers.port)}
baud = {answers.baud}
frame = {toml_value(answers.frame)}

[machines.{name}.program]
# {answers.metres:g} m of tape. A larger program is refused before a character is sent.
memory_chars = {answers.memory_chars}

# What the profile sets besides, and what you may have to change once the line speaks:
# [machines.{name}.tape]
# block_end = "LF"          # "CR LF" where it shows every block on one line, "LF" where it shows empty ones between
# leader_chars = 100        # where it swallows the first characters after READ
# [machines.{name}.send]
# start_on = "go"           # where it asks for nothing: `dncd go {name}` then starts a sending
# [machines.{name}.receive]
# silence_s = 10.0          # where it pauses longer between two blocks that it punches
"""
