"""The stand-in control behind a device server: a TCP port of this machine, raw or with RFC 2217.

One client at a time, as such servers have it: a new one takes the place of the old, and the control does not notice. A
thread carries the bytes between the connection and the stand-in's end of the line; it waits in `select`.
"""

import enum
import os
import select
import socket
import threading

from dncd.errors import NotDoneError
from dncd.line.telnet_stream import escaped
from dncd.standin.com_port import ComPortServer
from dncd.values import Signal

PIECE = 4096
"""Bytes carried at once."""


class Speaks(enum.Enum):
    """What the server speaks, which is the scheme of its address."""

    RAW = "socket"
    COM_PORT = "rfc2217"


class NetworkPlug:
    """Listens while entered. address: name or number to listen at; port: 0 for any that is free.

    NotDoneError where that address cannot be had.
    """

    def __init__(self, address: str, port: int, speaks: Speaks) -> None:
        self._speaks = speaks
        self._listener = _listen(address, port)
        host, self.port = self._listener.getsockname()[:2]
        self.path = f"{speaks.value}://{f'[{host}]' if ':' in host else host}:{self.port}"
        self._far, self._near = socket.socketpair()
        self.fd = self._far.fileno()
        self._near.setblocking(False)
        self._connections: list[socket.socket] = []
        self._com_port = ComPortServer()
        self._cts = self._dsr = Signal.ON
        self._wake_out, self._wake_in = os.pipe2(os.O_NONBLOCK)
        self._running = True
        self._thread = threading.Thread(target=self._run, name="stand-in device server", daemon=True)
        self._thread.start()

    # --- for the control, from its own thread ---------------------------------------------------------------------
    def host_baud(self) -> float:
        """The rate that the client asked for; a raw connection tells none."""
        return float(self._com_port.baud)

    def host_rts(self) -> Signal:
        """The client's RTS, if it speaks RFC 2217."""
        return self._com_port.rts if self._speaks is Speaks.COM_PORT else Signal.UNKNOWN

    def host_dtr(self) -> Signal:
        """The client's DTR, if it speaks RFC 2217."""
        return self._com_port.dtr if self._speaks is Speaks.COM_PORT else Signal.UNKNOWN

    def show_cts(self, on: Signal) -> None:
        """Switches what the client reads as CTS."""
        if on is not self._cts:
            self._cts = on
            self._wake()

    def show_dsr(self, on: Signal) -> None:
        """Switches what the client reads as DSR and DCD."""
        if on is not self._dsr:
            self._dsr = on
            self._wake()

    def close(self) -> None:
        """Hangs up and listens no more."""
        if self._running:
            self._running = False
            self._wake()
            self._thread.join()
            for open_socket in (*self._connections, self._listener, self._near, self._far):
                open_socket.close()
            os.close(self._wake_in)
            os.close(self._wake_out)

    # --- the thread ------------------------------------------------------------------------------------------------
    def _wake(self) -> None:
        try:
            os.write(self._wake_in, b".")
        except BlockingIOError:
            return  # it is woken anyway

    def _run(self) -> None:
        while self._running:
            watched: list[int | socket.socket] = [self._wake_out, self._listener, self._near, *self._connections]
            ready, _, _ = select.select(watched, [], [])
            if self._wake_out in ready:
                os.read(self._wake_out, PIECE)
            for connection in tuple(self._connections):
                if connection in ready:
                    self._from_client(connection)
            if self._near in ready:
                self._to_clients(self._escaped(self._near.recv(PIECE)))
            if self._listener in ready:
                self._accept()
            if self._speaks is Speaks.COM_PORT:
                self._com_port.show(self._cts, self._dsr)
                self._to_clients(self._com_port.take())

    def _accept(self) -> None:
        connection, _ = self._listener.accept()
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        for older in self._connections:
            older.close()
        self._connections = [connection]
        self._com_port = ComPortServer()

    def _from_client(self, connection: socket.socket) -> None:
        try:
            raw = connection.recv(PIECE)
        except OSError:
            raw = b""
        if not raw:
            connection.close()
            self._connections.remove(connection)
            return
        data = self._com_port.feed(raw) if self._speaks is Speaks.COM_PORT else raw
        self._far_takes(data)

    def _far_takes(self, data: bytes) -> None:
        """Waits for room: a control that is slower than the network holds the client up, as TCP does."""
        while data and self._running:
            _, free, _ = select.select([], [self._near], [], 0.2)
            if free:
                data = data[self._near.send(data) :]

    def _to_clients(self, data: bytes) -> None:
        """With nobody there it is said to nobody."""
        for connection in tuple(self._connections):
            try:
                connection.sendall(data)
            except OSError:
                connection.close()
                self._connections.remove(connection)

    def _escaped(self, data: bytes) -> bytes:
        return escaped(data) if self._speaks is Speaks.COM_PORT else data


def _listen(address: str, port: int) -> socket.socket:
    try:
        family = socket.getaddrinfo(address, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[0][0]
        return socket.create_server((address, port), family=family, backlog=1)
    except OSError as error:
        raise NotDoneError(
            f"this address cannot be listened at: {error.strerror or error}",
            f"{address}:{port}",
            "Name another HOST:PORT, such as 127.0.0.1:4001, or end the program that has it",
        ) from None
