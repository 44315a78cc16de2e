"""The opening of every kind of port.

It may take a few seconds for a device server: call it from a thread of its own.
"""

from dncd.choices import ModemLine
from dncd.errors import PortError
from dncd.ports.looped_lines import looped_lines
from dncd.ports.network_port import open_rfc2217, open_socket
from dncd.ports.port import Port
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
