"""Ports behind a device server: `socket://` carries bytes alone, `rfc2217://` settings, modem lines and faults as well.

Both are own non-blocking TCP sockets: pyserial's URL handlers have no descriptor to select on. A byte that TCP took may
still lie in the server; only pacing (the line's clock) keeps that small, so neither kind tells an output count.

A network that stands still takes bytes all the same, and brings them all at once when it moves again, past any stop of the
control. So no more is handed over than what UNACKNOWLEDGED_S of the line and `ahead_chars` are, beyond what the server's
TCP has acknowledged, and a port is `settled` only when all of it is.
"""

import contextlib
import fcntl
import math
import socket
import termios
import time
from collections.abc import Sequence
from typing import Final
from urllib.parse import urlsplit

from dncd import defaults
from dncd.choices import ModemLine
from dncd.errors import PortError, PortGoneError
from dncd.line import telnet
from dncd.line.telnet_stream import Data, escaped
from dncd.peer_text import printable, shown
from dncd.ports.port import NOTHING, Port, Reading, cannot, carried_frame, refuse_odd_stop_bits
from dncd.values import NO_FAULTS, LineSettings, Modem, Signal

_SWITCHES: Final = {ModemLine.RTS: (telnet.Setting.RTS, 11, 12), ModemLine.DTR: (telnet.Setting.DTR, 8, 9)}
"""What asks for our lines, and SET-CONTROL's values for on and off (RFC 2217 section 3)."""


class SocketPort(Port):
    def __init__(self, line: LineSettings, connection: socket.socket) -> None:
        super().__init__(line.port)
        self._most = line.ahead_chars + math.ceil(defaults.UNACKNOWLEDGED_S / line.char_s)
        self._connection = connection

    def fileno(self) -> int:
        number = self._connection.fileno()
        if number < 0:
            raise gone(self.name, "the connection is closed")
        return number

    def read_new(self) -> Reading:
        return Reading(_receive(self.name, self._connection))

    def write(self, data: bytes) -> int:
        return _send(self.name, self._connection, self._fitting(data))

    def settled(self) -> bool:
        return not _waiting(self.name, self._connection)

    def close(self) -> None:
        self._connection.close()

    def _fitting(self, data: bytes) -> bytes:
        return data[: max(0, self._most - _waiting(self.name, self._connection))]


class Rfc2217Port(SocketPort):
    """An open `rfc2217://` port. Holds bytes back while the server asks for it."""

    def __init__(self, line: LineSettings, connection: socket.socket, machine: telnet.Telnet) -> None:
        super().__init__(line, connection)
        self._machine = machine
        self._modem = Modem()
        self._out = bytearray()
        self._in = NOTHING

    def agree(self, line: LineSettings) -> None:
        """Negotiate until every setting is confirmed; waits, at most CONFIRM_S."""
        until = time.monotonic() + defaults.CONFIRM_S
        needed = set(self._machine.asked) - {telnet.Setting.MODEM_MASK}
        if carried_frame(line.frame).parity == "N":
            needed.discard(telnet.Setting.LINE_MASK)  # dncd checks parity itself; the notices are a help, no more
        while True:
            self._out += self._machine.take()
            self._connection.settimeout(max(0.001, until - time.monotonic()))
            try:
                self._connection.sendall(self._out)
                self._out.clear()
                _refuse(line, self._machine)
                if not needed & set(self._machine.waiting) and self._machine.binary is Signal.ON:
                    break
                if time.monotonic() >= until:
                    raise TimeoutError
                raw = self._connection.recv(defaults.PORT_READ_BYTES)
            except TimeoutError:
                raise _silent(line, self._machine, needed) from None
            except OSError as fault:
                raise gone(self.name, f"the connection broke ({_said(fault)})") from fault
            if not raw:
                raise gone(self.name, "the device server closed the connection")
            self._take_in(raw)
        self._connection.setblocking(False)

    def read_new(self) -> Reading:
        """What has come; faults that the server told are `notices`. What came while settings were agreed on comes first."""
        if self._in is NOTHING and (raw := _receive(self.name, self._connection)):
            self._take_in(raw)
            self._push()
            changed = self._machine.refusals
            if changed or self._machine.binary is not Signal.ON:
                how = _listed(changed) or "not all bytes pass"
                raise gone(self.name, f"the device server changed the line ({how})")
        reading, self._in = self._in, NOTHING
        return reading

    def write(self, data: bytes) -> int:
        self._push()
        if self._out or self.suspended():
            return 0
        part = self._fitting(data)
        self._out += escaped(part)
        self._push()
        return len(part)

    def pending_write(self) -> bool:
        """Whether bytes wait for TCP; those that the server itself holds up wait for its word instead."""
        return bool(self._out) and not self.suspended()

    def suspended(self) -> bool:
        return self._machine.suspended is Signal.ON

    def settled(self) -> bool:
        return not self._out and super().settled()

    def modem(self) -> Modem:
        """As last notified; unknown until the first notice."""
        return self._modem

    def switch(self, line: ModemLine, on: Signal) -> None:
        if line in _SWITCHES:
            setting, to_on, to_off = _SWITCHES[line]
            self._machine.ask(setting, to_on if on is Signal.ON else to_off)
            self._push()

    def _take_in(self, raw: bytes) -> None:
        data, faults = bytearray(self._in.data), self._in.notices
        for event in self._machine.feed(raw):
            match event:
                case Data():
                    data += event.data
                case telnet.LineState():
                    faults += event.faults
                case telnet.ModemState():
                    self._modem = event.modem
                case telnet.Signature() if len(self.notes) < 2:
                    self.notes += (f"the device server calls itself {shown(event.text.decode('latin-1'))}",)
        if data or faults != NO_FAULTS:
            self._in = Reading(bytes(data), notices=faults, counted=faults)

    def _push(self) -> None:
        self._out += self._machine.take()
        if self.pending_write():
            del self._out[: _send(self.name, self._connection, bytes(self._out))]


def open_socket(line: LineSettings) -> SocketPort:
    """Connect to a raw device server; errors as `opening.open_port`."""
    frame = carried_frame(line.frame)
    refuse_odd_stop_bits(line, frame)
    if frame.data_bits != 8 or frame.parity != "N":
        raise cannot(line, "a plain socket neither sets nor tells a frame with parity or fewer than eight bits")
    port = SocketPort(line, _connect(line))
    port.notes = (f"a plain socket: rate and frame ({line.baud} {frame}) are as the device server is set, unchecked",)
    return port


def open_rfc2217(line: LineSettings) -> Rfc2217Port:
    """Connect to an RFC 2217 server and have every setting confirmed; errors as `opening.open_port`."""
    frame = carried_frame(line.frame)
    refuse_odd_stop_bits(line, frame)
    asked = telnet.Asked(line.baud, frame.data_bits, frame.parity, frame.stop_bits)
    port = Rfc2217Port(line, _connect(line), telnet.Telnet(asked))
    try:
        port.agree(line)
    except BaseException:
        port.close()
        raise
    return port


def gone(name: str, what: str) -> PortGoneError:
    return PortGoneError(
        what,
        f"port {name}",
        "Check the device server's power, network and address; dncd tries it again until it answers",
    )


def _said(fault: BaseException) -> str:
    return printable(getattr(fault, "strerror", None) or str(fault))


def _address(line: LineSettings) -> tuple[str, int]:
    with contextlib.suppress(ValueError):
        parts = urlsplit(line.port)
        if parts.hostname and parts.port and not (parts.path or parts.query or parts.fragment or parts.username):
            return parts.hostname, parts.port
    raise PortError(
        "host and port number are not both there, or something else is",
        f"port {shown(line.port)}",
        f"Write it as {line.port.partition(':')[0]}://host:port, such as socket://192.0.2.7:4001",
    )


def _connect(line: LineSettings) -> socket.socket:
    host, port = _address(line)
    with contextlib.ExitStack() as opened:
        try:
            connection = opened.enter_context(socket.create_connection((host, port), timeout=defaults.CONNECT_S))
            _watch_over(connection)
        except (OSError, UnicodeError) as fault:
            raise gone(line.port, f"no connection ({_said(fault)})") from fault
        opened.pop_all()
    return connection


def _watch_over(connection: socket.socket) -> None:
    """A server that is gone without a word is noticed by TCP."""
    every = max(1, defaults.KEEPALIVE_S // 3)
    for level, option, value in (
        (socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),
        (socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1),
        (socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, defaults.KEEPALIVE_S),
        (socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, every),
        (socket.IPPROTO_TCP, socket.TCP_KEEPCNT, 3),
        (socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, (defaults.KEEPALIVE_S + 3 * every) * 1000),
    ):
        connection.setsockopt(level, option, value)
    connection.setblocking(False)


def _waiting(name: str, connection: socket.socket) -> int:
    """Bytes that TCP holds for the server's end: not sent, or not acknowledged (SIOCOUTQ, tcp(7); memory)."""
    try:
        return int.from_bytes(fcntl.ioctl(connection, termios.TIOCOUTQ, bytes(4)), "little")
    except (OSError, ValueError) as fault:
        raise gone(name, f"the connection broke ({_said(fault)})") from fault


def _receive(name: str, connection: socket.socket) -> bytes:
    try:
        raw = connection.recv(defaults.PORT_READ_BYTES)
    except BlockingIOError:
        return b""
    except OSError as fault:
        raise gone(name, f"the connection broke ({_said(fault)})") from fault
    if not raw:
        raise gone(name, "the device server closed the connection")
    return raw


def _send(name: str, connection: socket.socket, data: bytes) -> int:
    try:
        return connection.send(data) if data else 0
    except BlockingIOError:
        return 0
    except OSError as fault:
        raise gone(name, f"the connection broke ({_said(fault)})") from fault


def _refuse(line: LineSettings, machine: telnet.Telnet) -> None:
    """PortError for what the server says it cannot do."""
    if machine.refusals:
        raise cannot(line, f"the device server refuses {_listed(machine.refusals)}")
    if (telnet.COM_PORT, telnet.Whose.OURS) in machine.refused_options and machine.agreed is Signal.OFF:
        raise cannot(line, "the server does not speak RFC 2217; socket:// may be what it offers")
    if any((telnet.BINARY, whose) in machine.refused_options for whose in telnet.Whose):
        raise cannot(line, "the server will not carry all 256 byte values (Telnet BINARY)")


def _listed(refusals: Sequence[telnet.Refusal]) -> str:
    return "; ".join(map(str, refusals))


def _silent(line: LineSettings, machine: telnet.Telnet, needed: set[telnet.Setting]) -> PortGoneError:
    """The error for a server that did not confirm all in time. A server that never tells line faults is no broken one."""
    limit = f"within {defaults.CONFIRM_S:g} s"
    missing = [setting for setting in machine.waiting if setting in needed]
    if machine.agreed is Signal.OFF:
        return gone(line.port, f"the server did not agree to RFC 2217 {limit}")
    if missing == [telnet.Setting.LINE_MASK]:
        return PortGoneError(
            f"the device server does not tell line faults, so with frame {line.frame} no damaged character would be seen",
            f"port {line.port}",
            "Set the control and `line.frame` to 7E1 or 7E2 (dncd checks the parity itself) or to 8N1, or take a port or"
            " server that tells line faults",
        )
    words = ", ".join(setting.label for setting in missing)
    return gone(line.port, f"the server did not confirm {limit}: {words or 'that it carries all byte values'}")
