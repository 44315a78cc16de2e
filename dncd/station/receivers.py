"""The receiver for a machine's line, as its settings say."""

from dncd.line.alphabet import Alphabet
from dncd.line.receiving import Receiving
from dncd.line.xmodem_receiving import XmodemReceiving
from dncd.tape.codes import Coder
from dncd.tape.image import block_end
from dncd.values import IsoBytes, MachineSettings, Protocol


def receiver_of(machine: MachineSettings, coder: Coder, now: float) -> Receiving | XmodemReceiving:
    """coder: the machine's; now: seconds of the clock that it will be fed with."""
    tape, receive, line = machine.tape, machine.receive, machine.line
    if line.protocol is not Protocol.PLAIN:
        return XmodemReceiving(line.protocol, now)
    return Receiving(
        alphabet_of(machine, coder),
        tape.code,
        ends_on=receive.ends_on,
        silence_s=receive.silence_s,
        char_s=line.char_s,
    )


def alphabet_of(machine: MachineSettings, coder: Coder) -> Alphabet:
    """How the receiver reads the bytes of this machine."""
    tape = machine.tape
    text = coder.encode(IsoBytes("".join(sorted(coder.codable)).encode()))
    mark = coder.encode(IsoBytes(tape.mark.encode()))[0] if tape.mark else -1
    return Alphabet.of(tape.code, machine.line.frame, mark, text, block_end(tape))
