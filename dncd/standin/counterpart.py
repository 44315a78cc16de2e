"""The control that a machine's settings are made for: what dncd assumes of it, built as a stand-in."""

from dataclasses import replace
from pathlib import Path
from typing import Final

from dncd.choices import Announce, EndsOn, MarkAt, Protocol, Request, StartOn, TapeCode
from dncd.standin.build import Asks, Build, CodeForm, Dc3, PunchOn, PunchWays, ReaderOff, ReaderWays, WaitsFor
from dncd.standin.program_memory import CHAR_MM
from dncd.values import MachineSettings

_ASKS: Final = {StartOn.DC1: Asks.DC1, StartOn.CTS: Asks.LINE, StartOn.DSR: Asks.DSR}
_PARITY: Final = {"E": CodeForm.EVEN, "O": CodeForm.ODD, "N": CodeForm.CLEAR}

NEEDS_OF_PACE: Final = 0.75
"""Part of the settings' pauses that the control really needs: a host that keeps them has room to spare."""


def counterpart(machine: MachineSettings) -> Build:
    """The control at the other end of this machine's line, if the settings are right."""
    line, tape, send, receive = machine.line, machine.tape, machine.send, machine.receive
    plain = line.protocol is Protocol.PLAIN
    form = CodeForm.EVEN if tape.code is TapeCode.EIA else _PARITY[line.frame.parity]
    closed = tape.mark_at in (MarkAt.BOTH, MarkAt.END)
    end = EndsOn.SILENCE if not plain else EndsOn.DC4 if receive.ends_on is EndsOn.MARK else receive.ends_on
    punch = PunchWays(PunchOn.DC2 if end is EndsOn.DC4 else PunchOn.NOTHING, end)
    return Build(
        title=machine.title or machine.name,
        baud=line.baud,
        frame=line.frame,
        tape=replace(tape, leader_chars=0, trailer_chars=0),
        dc3=Dc3.WITH_PARITY if form is CodeForm.EVEN else Dc3.PLAIN,
        memory_m=machine.program.memory_chars * CHAR_MM / 1000,
        codes=form,
        reader=ReaderWays(
            asks=_ASKS.get(send.start_on, Asks.NOTHING),
            holds_by=line.flow,
            ends_on=EndsOn.MARK if closed else EndsOn.SILENCE,
            says_off=ReaderOff.DC3 if send.start_on is StartOn.DC1 else ReaderOff.NOTHING,
            waits_for=WaitsFor.NOTHING if send.announce is Announce.NONE else WaitsFor.DC2,
            char_needs_s=send.after_char_s * NEEDS_OF_PACE,
            block_needs_s=send.after_block_s * NEEDS_OF_PACE,
        ),
        punch=replace(punch, waits_for=WaitsFor.NOTHING if receive.request is Request.NONE else WaitsFor.DC1),
        protocol=line.protocol,
    )


def of_profile(name: str) -> MachineSettings:
    """A machine that is nothing but a shipped starting point; SettingsError for a name that is none."""
    from dncd.outside.config import read

    text = f'[machines.control]\nprofile = "{name}"\n[machines.control.line]\nport = "/dev/null"\n'
    return read(Path(f"{name}.toml"), text).machines["control"]
