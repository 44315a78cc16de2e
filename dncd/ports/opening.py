"""The opening of every kind of port. It may take a few seconds for a device server: call it from a thread of its own.

Also, whether a modem line only echoes our own: a three-wire cable often ties RTS to CTS, and DTR to DSR, in its plug. Behind
such a plug CTS says nothing of the control: hardware flow never stops dncd, and a start by CTS comes from nobody. So a port
whose settings need the line is tried once when it opens, on a line where nothing comes in: RTS goes off for a moment, and
CTS goes off with it only where they are tied together. This is what dncd does to hold a punching control, so a control on
such a line bears it; it is over in LOOKS_FOR_LOOP_S, and a control whose RTS is off is not tried at all.
"""

import select
import time
from collections.abc import Mapping
from typing import Final

from dncd import defaults
from dncd.choices import ModemLine
from dncd.errors import PortError
from dncd.ports.network_port import open_rfc2217, open_socket
from dncd.ports.port import Port, Reading
from dncd.ports.serial_port import open_tty
from dncd.values import LineSettings, MachineSettings, Signal


def open_port(line: LineSettings) -> Port:
    """Open `line.port` with RTS and DTR on and all flow control of the kernel or server off. PortError: it can never do
    what the settings ask; PortBusyError: another program holds it; PortGoneError: it is absent, and may come. May take
    up to `CONNECT_S + CONFIRM_S` seconds for a device server."""
    scheme, separator, _ = line.port.partition("://")
    if not separator:
        return open_tty(line)
    if scheme == "socket":
        return open_socket(line)
    if scheme == "rfc2217":
        return open_rfc2217(line)
    raise PortError(
        f"the scheme {scheme!r} is not known",
        f"port {line.port}",
        "Name a device such as /dev/ttyS0, or socket://host:port, or rfc2217://host:port",
    )


def open_for(machine: MachineSettings) -> Port:
    """Open the port of a machine. Errors as `open_port`, and PortError where its settings need CTS or DSR and the port
    has no such line: the control could not stop dncd, or never start it. A device server tells them later.
    A line that only echoes our own is told in `Port.looped`."""
    port = open_port(machine.line)
    try:
        if not machine.line.port.startswith("rfc2217://"):
            _refuse_blind(port, machine)
        port.looped = looped_lines(port, machine)
    except BaseException:
        port.close()
        raise
    return port


def _refuse_blind(port: Port, machine: MachineSettings) -> None:
    """PortError where the port has no line that the settings need."""
    line, start_on = machine.line, machine.send.start_on
    if not machine.lines_needed:
        return
    modem = port.modem()
    if blind := [needed.value for needed in machine.lines_needed if modem.of(needed) is Signal.UNKNOWN]:
        wanted: list[str] = [line.flow] if line.flow.stop_line is not ModemLine.NONE else []
        wanted += [start_on] if start_on.start_line is not ModemLine.NONE else []
        raise PortError(
            f"the port has no line {' and '.join(blind)}, which {' and '.join(wanted)} needs",
            f"[machines.{machine.name}] port {line.port}",
            'Take a port with modem lines, or set `line.flow = "xon/xoff"` and another `send.start_on`',
        )


_TIED: Final = {ModemLine.CTS: ModemLine.RTS, ModemLine.DSR: ModemLine.DTR}
"""Our line that such a plug ties to each of the control's."""

_ROUNDS: Final = 2
"""A control that switches its own line by chance does not do so twice in step with ours."""

_LOOK_S: Final = 0.002


class _NotIdleError(Exception):
    """Something came in: the line is not idle, and nothing is tried on it."""


def looped_lines(port: Port, machine: MachineSettings) -> Mapping[str, str]:
    """The lines among CTS and DSR that the settings need and that only echo RTS or DTR, each with a sentence for
    people. May take half a second behind a device server. PortGoneError as the port's own methods."""
    network = "://" in machine.line.port
    within = defaults.LOOKS_FOR_LOOP_NET_S if network else defaults.LOOKS_FOR_LOOP_S
    found = {}
    for theirs in machine.lines_needed:
        if _follows(port, theirs, within):
            found[theirs.value] = _sentence(
                _TIED[theirs].value,
                theirs.value,
                flows=machine.line.flow.stop_line is theirs,
                starts=machine.send.start_on.start_line is theirs,
            )
    return found


def _follows(port: Port, line: ModemLine, within: float) -> bool:
    """Whether `line` goes off and on with ours. Ours is on before and after, whatever happens."""
    try:
        if not _becomes(port, line, Signal.ON, within):
            return False
        for _ in range(_ROUNDS):
            for to in (Signal.OFF, Signal.ON):
                port.switch(_TIED[line], to)
                if not _becomes(port, line, to, within):
                    return False
    except _NotIdleError:
        return False
    finally:
        port.switch(_TIED[line], Signal.ON)
    return True


def _becomes(port: Port, line: ModemLine, wanted: Signal, within: float) -> bool:
    until = time.monotonic() + within
    while True:
        if select.select([port.fileno()], [], [], _LOOK_S)[0]:
            reading = port.read()
            if reading != Reading():
                port.put_back(reading)
                raise _NotIdleError
        if port.modem().of(line) is wanted:
            return True
        if time.monotonic() >= until:
            return False


def _sentence(ours: str, theirs: str, *, flows: bool, starts: bool) -> str:
    harm = [f"the control cannot stop dncd by {theirs}"] if flows else []
    harm += [f"{theirs} starts nothing here"] if starts else []
    ways = ['`line.flow = "xon/xoff"`'] if flows else []
    ways += ["another `send.start_on`"] if starts else []
    return (
        f"{ours} is looped back to {theirs} in a plug or cable ({theirs} follows dncd's own {ours}), so "
        f"{' and '.join(harm)}; wire {theirs} through to the control, or set {' and '.join(ways)}"
    )
