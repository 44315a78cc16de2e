"""What stands around the significant part of a tape image when it goes out over a line, and where its marks are."""

import dataclasses
from dataclasses import dataclass

from dncd.choices import Announce
from dncd.line.sending import Shape
from dncd.tape.codes import Coder
from dncd.tape.image import block_end, leader, trailer
from dncd.values import IsoBytes, MachineSettings, WireBytes


@dataclass(frozen=True, slots=True)
class Around:
    """lead, trail: coded characters before and after the significant part; shape: of the whole, for one of so many
    characters; total: of the whole."""

    lead: WireBytes
    trail: WireBytes
    end: WireBytes

    @classmethod
    def of(cls, machine: MachineSettings, coder: Coder) -> "Around":
        """Leader and trailer of a machine's tape, with DC2 and DC4 where they are announced; coder: the machine's."""
        tape = machine.tape
        lead, trail = leader(tape, coder), trailer(tape, coder)
        if machine.send.announce is Announce.DC2_DC4:
            parity = machine.line.dc_parity
            lead, trail = (
                WireBytes(coder.signal(0x12, parity) + lead),
                WireBytes(trail + coder.signal(0x14, parity)),
            )
        return cls(lead, trail, coder.encode(IsoBytes(block_end(tape).chars.encode())))

    def shape(self, significant: int, behind_end: int = 0, end_word: str = "") -> Shape:
        """Of an image whose significant part has so many characters, `behind_end` of them behind its end word's block."""
        out = len(self.lead) + significant
        shape = Shape(out - len(self.end), out, self.end)
        return dataclasses.replace(shape, end_out=out - behind_end, end_word=end_word) if end_word else shape

    def total(self, significant: int) -> int:
        """Characters of the whole image."""
        return len(self.lead) + significant + len(self.trail)
