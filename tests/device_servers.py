"""Device servers to test against: a raw one, and one whose RFC 2217 end is pySerial's own `PortManager`.

What pySerial 3.5 leaves out is added here and nowhere else: it neither confirms SET-LINESTATE-MASK nor ever sends a
line-state notice nor suspends the flow. Behind the server stands a control whose lines are crossed with the port's.
"""

import ctypes
import os
import select
import socket
import struct
import threading
import time
from collections.abc import Callable

from serial import rfc2217
from waiting import ring, until

DEADLINE_S = 120.0


def wait_for(what: Callable[[], bool], until_s: float = DEADLINE_S, step: Callable[[], None] | None = None) -> None:
    """Until `what` is true; fails after the deadline. `step` is done between two looks and should wait for an event."""
    if step is None:
        until(what, until_s)
        return
    end = time.monotonic() + until_s
    while not what():
        assert time.monotonic() < end, "the deadline passed"
        step()


class Cable:
    """The serial port of the server, as pySerial's PortManager uses one, and the control at its far end."""

    def __init__(self) -> None:
        self.baudrate, self.bytesize, self.parity, self.stopbits = 9600, 8, "N", 1
        self.xonxoff = self.rtscts = True
        self.rts = self.dtr = False
        self.break_condition = False
        self.control_rts = self.control_dtr = True
        self.ties_rts_to_cts = False
        self.ri = False
        self.highest_baud = 115200

    def __setattr__(self, name: str, value: object) -> None:
        if (
            name == "baudrate"
            and hasattr(self, "highest_baud")
            and isinstance(value, int)
            and value > self.highest_baud
        ):
            raise ValueError("too fast")
        super().__setattr__(name, value)

    @property
    def cts(self) -> bool:
        return self.rts if self.ties_rts_to_cts else self.control_rts

    @property
    def dsr(self) -> bool:
        return self.control_dtr

    @property
    def cd(self) -> bool:
        return self.control_dtr

    def reset_input_buffer(self) -> None:
        pass

    def reset_output_buffer(self) -> None:
        pass


class Manager(rfc2217.PortManager):
    """pySerial's server end, with the confirmation of the line-state mask that RFC 2217 asks for."""

    confirms_masks = True
    tells_lines = True

    def check_modem_lines(self, force_notification: bool = False) -> None:
        """As pySerial does, unless this server never tells them."""
        if self.tells_lines:
            super().check_modem_lines(force_notification)

    def _telnet_process_subnegotiation(self, suboption: bytes) -> None:
        super()._telnet_process_subnegotiation(suboption)
        if self.confirms_masks and suboption[0:2] in (b"\x2c\x0a", b"\x2c\x0b"):
            self.rfc2217_send_subnegotiation(bytes([suboption[1] + 100]), suboption[2:3])


class DeviceServer:
    """One connection at a time, in a thread of its own. `got` is what reached the control, unless `behind` is its line."""

    def __init__(
        self,
        *,
        telnet: bool,
        silent: bool = False,
        confirms_masks: bool = True,
        tells_lines: bool = True,
        behind: socket.socket | None = None,
    ) -> None:
        self._behind = behind
        self.cable = Cable()
        self.got = bytearray()
        self.reading = True
        self._telnet, self._silent, self._confirms, self._tells_lines = telnet, silent, confirms_masks, tells_lines
        self.manager: Manager | None = None
        self._connection: socket.socket | None = None
        self._greeting = b""
        self._resets = 0
        self._listener = self._listen(0)
        self.port = self._listener.getsockname()[1]
        self._jobs: list[Callable[[], None]] = []
        self._lock = threading.Lock()
        self._wake_r, self._wake_w = os.pipe()
        self._running = True
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    @property
    def url(self) -> str:
        return f"{'rfc2217' if self._telnet else 'socket'}://127.0.0.1:{self.port}"

    @property
    def connected(self) -> bool:
        return self._connection is not None

    def greet(self, data: bytes) -> None:
        """What the control says to the next connection at once."""
        self._greeting = data

    def send(self, data: bytes) -> None:
        """The control says something."""
        self._do(lambda: self.write(self._escaped(data)))

    def send_raw(self, data: bytes) -> None:
        """Telnet bytes as they are."""
        self._do(lambda: self.write(data))

    def look_at_lines(self) -> None:
        """The control switched a line."""
        self._do(lambda: self.manager.check_modem_lines() if self.manager else None)

    def reset_next(self, connections: int) -> None:
        """So many connections are accepted and reset at once, as a box does that has not let go of its last client."""
        self._resets = connections

    def pause(self, reading: bool) -> None:
        """Stop or go on reading from the network."""

        def switch() -> None:
            self.reading = reading

        self._do(switch)

    def drop(self) -> None:
        """The connection breaks."""
        self._do(self._hang_up)

    def go_deaf(self) -> None:
        """The network breaks without a word: every packet to the server is dropped (a socket filter that takes nothing;
        SO_ATTACH_FILTER, socket(7), with the one instruction `ret #0`)."""

        def deaf() -> None:
            assert self._connection
            code = ctypes.create_string_buffer(struct.pack("HBBI", 0x06, 0, 0, 0))
            self._connection.setsockopt(socket.SOL_SOCKET, 26, struct.pack("HxxxxxxP", 1, ctypes.addressof(code)))

        self._do(deaf)

    def kill(self) -> None:
        """The server is switched off: the connection breaks and nobody answers any more. What came before that it has
        taken, however late this thread is on a busy computer."""

        def off() -> None:
            while self._connection and select.select([self._connection], [], [], 0)[0]:
                self._take_in(self._connection)
            self._hang_up()
            self._listener.close()

        self._do(off)

    def restart(self) -> None:
        """It is back at the same address."""

        def again() -> None:
            self._listener = self._listen(self.port)

        self._do(again)

    def close(self) -> None:
        self._running = False
        os.write(self._wake_w, b".")
        self._thread.join()
        self._hang_up()
        self._listener.close()
        os.close(self._wake_r)
        os.close(self._wake_w)

    def write(self, data: bytes) -> None:
        """For PortManager, which calls its connection so."""
        if self._connection and not self._silent:
            self._connection.sendall(data)

    def _escaped(self, data: bytes) -> bytes:
        return data.replace(b"\xff", b"\xff\xff") if self._telnet else data

    def _listen(self, port: int) -> socket.socket:
        listener = socket.socket()
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        listener.bind(("127.0.0.1", port))
        listener.listen(1)
        return listener

    def _do(self, job: Callable[[], None]) -> None:
        done = threading.Event()

        def run() -> None:
            job()
            done.set()

        with self._lock:
            self._jobs.append(run)
        os.write(self._wake_w, b".")
        assert done.wait(DEADLINE_S)

    def _hang_up(self) -> None:
        if self._connection:
            self._connection.close()
        self._connection = self.manager = None

    def _run(self) -> None:
        while self._running:
            watched: list[object] = [self._wake_r]
            if self._listener.fileno() >= 0:
                watched.append(self._listener)
            if self._connection and self.reading:
                watched.append(self._connection)
            if self._behind:
                watched.append(self._behind)
            ready, _, _ = select.select(watched, [], [], DEADLINE_S)
            if self._behind in ready:
                self.write(self._escaped(self._behind.recv(4096)))
            if self._wake_r in ready:
                os.read(self._wake_r, 100)
                with self._lock:
                    jobs, self._jobs = self._jobs, []
                for job in jobs:
                    job()
            if self._listener in ready and self._listener.fileno() >= 0:
                self._accept()
            elif self._connection and self._connection in ready:
                self._take_in(self._connection)
            ring()

    def _accept(self) -> None:
        self._hang_up()
        connection, _ = self._listener.accept()
        if self._resets > 0:
            self._resets -= 1
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            connection.close()
            return
        self._connection = connection
        if self._telnet:
            self.manager = Manager(self.cable, self)
            self.manager.confirms_masks = self._confirms
            self.manager.tells_lines = self._tells_lines
        self.write(self._escaped(self._greeting))
        self._greeting = b""

    def _take_in(self, connection: socket.socket) -> None:
        try:
            raw = connection.recv(4096)
        except OSError:
            raw = b""
        if not raw:
            self._hang_up()
        elif self.manager:
            self._take(b"".join(self.manager.filter(raw)))
            self.manager.check_modem_lines()
        else:
            self._take(raw)

    def _take(self, data: bytes) -> None:
        if self._behind:
            self._behind.sendall(data)
        else:
            self.got += data
