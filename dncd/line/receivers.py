"""The receiver for a machine's line, as its settings say, and what its captures are worth at a glance."""

from typing import Final

from dncd.choices import EndsOn, Protocol
from dncd.line.codes import Alphabet
from dncd.line.packet_receiving import PacketReceiving
from dncd.line.receiving import CaptureEnd, Ended, Receiving
from dncd.tape.capture import Capture
from dncd.tape.codes import Coder
from dncd.values import MachineSettings

_NOISE_CHARS: Final = 16
"""Characters without one good printable that are noise of the line (a machine switched on), not a capture."""


def receiver_of(machine: MachineSettings, coder: Coder, now: float) -> Receiving | PacketReceiving:
    """coder: the machine's; now: seconds of the clock that it will be fed with."""
    tape, receive, line = machine.tape, machine.receive, machine.line
    if line.protocol is not Protocol.PLAIN:
        return PacketReceiving(line, now)
    return Receiving(
        alphabet_of(machine, coder),
        tape.code,
        ends_on=receive.ends_on,
        silence_s=receive.silence_s,
        char_s=line.char_s,
    )


def alphabet_of(machine: MachineSettings, coder: Coder) -> Alphabet:
    return Alphabet.of(coder, machine.tape.mark, machine.tape.closes)


def is_noise(ended: Ended) -> bool:
    """Whether a capture is so little that it is let go."""
    return ended.printable == 0 and ended.chars < _NOISE_CHARS


def unfinished(ends_on: EndsOn, why: EndsOn | CaptureEnd, capture: Capture) -> str:
    """Why a capture is no whole one though no character of it is damaged; "" if it is."""
    if ends_on is EndsOn.MARK or why is ends_on or why is CaptureEnd.PACKETS:
        return ""
    if ends_on is EndsOn.SILENCE and why is EndsOn.DC4:
        return ""
    lines = capture.whole.count("\n") + 1
    return f"line {lines}: the capture ended by {why.value} before {ends_on.value} came; punch it out again"
