"""What stands around the significant part of a tape image when it goes out over a line, and where its marks are."""

import dataclasses
from dataclasses import dataclass

from dncd.choices import Announce, Protocol, characters
from dncd.line.outgoing import Shape
from dncd.tape.codes import Coder
from dncd.tape.image import leader, trailer
from dncd.values import MachineSettings, WireBytes


@dataclass(frozen=True, slots=True)
class Around:
    """lead, trail: coded characters before and after the significant part; shape: of the whole, for one of so many
    characters; total: of the whole. reads_after: whether the control reads to something behind the trailer; answer_at,
    answer: as `Shape` has them."""

    lead: WireBytes
    trail: WireBytes
    end: WireBytes
    reads_after: bool = False
    answer_at: int = 0
    answer: tuple[bytes, ...] = ()

    @classmethod
    def of(cls, machine: MachineSettings, coder: Coder) -> "Around":
        """Leader and trailer of a machine's tape, and what is said around them; coder: the machine's."""
        tape = machine.tape
        lead, trail = leader(tape, coder), trailer(tape, coder)
        if machine.send.announce is Announce.DC2_DC4:
            parity = machine.line.dc_parity
            lead, trail = (
                WireBytes(coder.signal(0x12, parity) + lead),
                WireBytes(trail + coder.signal(0x14, parity)),
            )
        end, send = coder.end, machine.send
        if machine.line.protocol is not Protocol.PLAIN:
            return cls(lead, trail, end)
        before, after, answer = (coder.forms(characters(words)) for words in (send.before, send.after, send.wait_for))
        first, last = (WireBytes(b"".join(form[:1] for form in said)) for said in (before, after))
        return cls(
            WireBytes(first + lead), WireBytes(trail + last), end, bool(last), len(first) if answer else 0, answer
        )

    def shape(self, significant: int, behind_end: int = 0, end_word: str = "") -> Shape:
        """Of an image whose significant part has so many characters, `behind_end` of them behind its end word's block."""
        out = len(self.lead) + significant
        shape = Shape(out - len(self.end), out, self.end, answer_at=self.answer_at, answer=self.answer)
        if self.reads_after:  # a stop before it is a hold, wherever it comes
            return dataclasses.replace(shape, mark_out=self.total(significant))
        return dataclasses.replace(shape, end_out=out - behind_end, end_word=end_word) if end_word else shape

    def total(self, significant: int) -> int:
        return len(self.lead) + significant + len(self.trail)
