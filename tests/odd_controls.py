"""Controls that do not end, answer or ask as most do, at a real pseudo-terminal with a real station and its records.

Each is one class of a few lines: it hears characters one by one and says what it says. The test's own thread plays it.
"""

import os
import select
from contextlib import contextmanager

from pty_line import PtyLine
from station_rig import Rig

from dncd.choices import Flow, StartOn, TapeCode
from dncd.ports.opening import open_for
from dncd.tape.codes import Coder
from dncd.values import Frame, LineSettings, MachineSettings, SendSettings, TapeSettings

KINDS = {
    "7M1": TapeCode.ISO,
    "7S2": TapeCode.ISO,
    "7E1": TapeCode.ISO,
    "7E2": TapeCode.ISO,
    "8N1": TapeCode.ISO,
    "EIA": TapeCode.EIA,
}
"""Frame, or EIA on 8N1, by the name that a test is called by."""


def settings(kind, *, line=None, tape=None, send=None, **more):
    """A machine at 9600 baud that starts on DC1."""
    frame = Frame.parse("8N1" if kind == "EIA" else kind)
    wire = LineSettings("x", frame=frame, **{"flow": Flow.XON_XOFF, **(line or {})})
    tape = TapeSettings(code=KINDS[kind], **(tape or {}))
    return MachineSettings(
        "mill", wire, tape=tape, send=SendSettings(**{"start_on": StartOn.DC1, **(send or {})}), **more
    )


class OddControl:
    """A control on `line`. got: what it has heard, decoded; coder: how its code is read."""

    def __init__(self, line, machine):
        self.line, self.machine, self.coder = line, machine, Coder.of(machine.tape, machine.line)
        self.got, self.wire = "", bytearray()

    def look(self):
        """Hears what has come, and says what it says to that."""
        while select.select([self.line.far], [], [], 0)[0]:
            for byte in os.read(self.line.far, 1 if self.by_one else 4096):
                self.wire.append(byte)
                self.got += self.coder.decode(bytes([byte])).chars.decode("latin-1")
                self.hear(byte)

    by_one = False

    def hear(self, byte):
        """One character has come."""

    def say(self, char):
        """A control character, as this line codes it."""
        self.line.say(bytes(self.coder.signal(char, self.machine.line.dc_parity)))

    def read(self):
        """Somebody presses READ."""
        self.say(0x11)


class StopsAtItsEndWord(OddControl):
    """Says DC3 when it has read the block of M30, and reads nothing more."""

    def hear(self, byte):
        if self.got.endswith("M30" + self.machine.tape.block_end.chars) or (
            byte == 0x80 and self.got.endswith("M30\n")
        ):
            self.say(0x13)


class SwitchesItsReaderOff(OddControl):
    """Says DC3 when it has read the closing mark, unless it is out of order."""

    well = True

    def hear(self, byte):
        if self.well and self.got.count("%") and self.got.count("%") % 2 == 0 and self.got.endswith("%"):
            self.say(0x13)


class Echoes(OddControl):
    """Sends back what it hears; from `wrong_at` on (characters) one bit of it is another."""

    wrong_at = 1 << 30

    def hear(self, byte):
        self.line.say(bytes([byte ^ 0x04 if len(self.wire) == self.wrong_at else byte]))


class AsksForEachBlock(OddControl):
    """Says DC1 when it has taken a block, up to M30. most: of characters that came for one DC1."""

    most = since = 0
    last = "M30"
    patient = False

    def hear(self, byte):
        self.since += 1
        self.most = max(self.most, self.since)
        if self.got.endswith("\n") and not self.got.endswith(f"{self.last}\n") and not self.patient:
            self.since = 0
            self.say(0x11)


class AnswersItsCommand(OddControl):
    """Says what it says to a command line, and then reads. says: with each command; hard: it says DC3 first."""

    says, command, hard = b"READY>", "'LOAD' LF", False
    commands = 0

    def hear(self, byte):
        if self.got.count("LOAD\n") > self.commands:
            self.commands += 1
            if self.hard:
                self.say(0x13)
            self.line.say(self.coder.encode(self.says))


@contextmanager
def at_a_terminal(root, machine, control):
    """A station with this control at a pseudo-terminal: the rig, and the control."""
    import dataclasses

    with PtyLine() as line:
        machine = dataclasses.replace(machine, line=dataclasses.replace(machine.line, port=line.path))
        rig = Rig(root, machine)
        odd = control(line, machine)
        try:
            rig.plug(open_for(machine))
            yield rig, odd
        finally:
            rig.close()


def until(rig, control, what):
    """Plays the control and steps the station until `what` is true; gives its value."""

    def look():
        control.look()
        return what()

    return rig.until(look)


def send(rig, control, name, text):
    """Drops a program, presses READ, and plays until its receipt is there; gives the receipt."""
    rig.drop(name, text.encode())
    until(rig, control, lambda: rig.status()["waiting"] and rig.station.core.sender.queue.first().prepared.total_chars)
    control.read()
    return ending(rig, control, name)


def ending(rig, control, name):
    """The receipt of a file that is on its way, wherever it lies."""
    from dncd.records.receipts import parse

    paths = [rig.folder / where / f"{name}.receipt.txt" for where in ("sent", "refused")]
    return parse(next(path for path in until(rig, control, lambda: [p for p in paths if p.exists()])).read_text())
