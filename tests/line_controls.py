"""Many controls at the far ends of many lines, in one thread: a pseudo-terminal each, or a device server with modem lines.

The device server's RFC 2217 end is pySerial's own `PortManager` (`device_servers`). A control here is no more than what the
line needs of it: it says codes, switches its RTS and DTR, holds once, and keeps all that reached it.
"""

import os
import pty
import select
import socket
import threading
import time
import tty
from collections.abc import Callable
from dataclasses import dataclass, field

from device_servers import DEADLINE_S, Cable, Manager
from waiting import ring


@dataclass
class Hold:
    """One hold of a control: after `after` characters it says stop, `for_s` later, and `least` more, it says go.

    seen: characters that had come when it said stop; slack_s: how long that took to say; late: that came after it.
    """

    after: int
    for_s: float
    stop: Callable[[], None]
    go: Callable[[], None]
    least: int = 0
    seen: int = -1
    slack_s: float = 0.0
    late: int = 0
    over_at: float | None = None
    over: bool = False


@dataclass
class FarEnd:
    """A control behind `url`. got: all that reached it; cable: what stands for its port and its modem lines."""

    url: str
    got: bytearray = field(default_factory=bytearray)
    hold: Hold | None = None
    cable: Cable = field(default_factory=Cable)
    fd: int = -1
    keeps_open: int = -1
    listener: socket.socket | None = None
    connection: socket.socket | None = None
    manager: Manager | None = None

    def write(self, data: bytes) -> None:
        """For PortManager, and for a pseudo-terminal."""
        if self.fd >= 0:
            os.write(self.fd, data)
        elif self.connection is not None:
            self.connection.sendall(data)

    def say(self, data: bytes) -> None:
        """The control's characters, in the controls' thread."""
        self.write(data.replace(b"\xff", b"\xff\xff") if self.manager else data)

    def switch(self, *, rts: bool | None = None, dtr: bool | None = None) -> None:
        """The control's own lines, in the controls' thread."""
        self.cable.control_rts = self.cable.control_rts if rts is None else rts
        self.cable.control_dtr = self.cable.control_dtr if dtr is None else dtr
        if self.manager:
            self.manager.check_modem_lines()


class Controls:
    """Serves its far ends while entered as a context."""

    def __init__(self) -> None:
        self.ends: list[FarEnd] = []
        self._jobs: list[Callable[[], None]] = []
        self._lock = threading.Lock()
        self._wake_r, self._wake_w = os.pipe()
        self._running = True
        self._thread = threading.Thread(target=self._run, name="controls")
        self.failed: list[BaseException] = []

    def on_pty(self) -> FarEnd:
        """One behind a pseudo-terminal."""
        master, slave = pty.openpty()
        tty.setraw(slave)
        return self._add(FarEnd(os.ttyname(slave), fd=master, keeps_open=slave))

    def on_server(self) -> FarEnd:
        """One behind a device server, its lines crossed with the port's."""
        listener = socket.create_server(("127.0.0.1", 0))
        return self._add(FarEnd(f"rfc2217://127.0.0.1:{listener.getsockname()[1]}", listener=listener))

    def _add(self, end: FarEnd) -> FarEnd:
        self.ends.append(end)
        os.write(self._wake_w, b".")  # the thread waits for those that it knew
        return end

    def do(self, *jobs: Callable[[], None]) -> None:
        """Runs jobs in the controls' thread, and waits for them."""
        done = threading.Event()
        with self._lock:
            self._jobs += [*jobs, done.set]
        os.write(self._wake_w, b".")
        assert done.wait(DEADLINE_S), self.failed

    def __enter__(self) -> "Controls":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._running = False
        os.write(self._wake_w, b".")
        self._thread.join()
        for end in self.ends:
            for fd in (end.fd, end.keeps_open):
                if fd >= 0:
                    os.close(fd)
            for sock in (end.listener, end.connection):
                if sock is not None:
                    sock.close()
        os.close(self._wake_r)
        os.close(self._wake_w)
        assert not self.failed, self.failed

    def _run(self) -> None:
        try:
            while self._running:
                self._round()
        except BaseException as error:  # told when the context is left
            self.failed.append(error)
            raise

    def _round(self) -> None:
        by_fd: dict[int, FarEnd] = {}
        dues = [DEADLINE_S]
        for end in self.ends:
            for fd in (end.fd, end.connection.fileno() if end.connection else -1):
                if fd >= 0:
                    by_fd[fd] = end
            if end.listener is not None and end.connection is None:
                by_fd[end.listener.fileno()] = end
            if end.hold and end.hold.over_at is not None and not end.hold.over:
                dues.append(end.hold.over_at - time.monotonic())
        poll = select.poll()
        for fd in (self._wake_r, *by_fd):
            poll.register(fd, select.POLLIN)
        for fd, _ in poll.poll(max(0.0, min(dues)) * 1000):
            if fd == self._wake_r:
                os.read(self._wake_r, 1000)
            else:
                self._look(by_fd[fd], fd)
        for end in self.ends:
            self._obey(end)
        with self._lock:
            jobs, self._jobs = self._jobs, []
        for job in jobs:
            job()
        ring()

    def _look(self, end: FarEnd, fd: int) -> None:
        if end.listener is not None and end.connection is None:
            end.connection, _ = end.listener.accept()
            try:
                end.manager = Manager(end.cable, end)
            except OSError:  # whoever called has hung up again
                end.connection.close()
                end.connection = None
        elif end.fd >= 0:
            end.got += os.read(fd, 65536)
        elif end.connection is not None:
            self._from_network(end, end.connection)

    def _from_network(self, end: FarEnd, connection: socket.socket) -> None:
        try:
            raw = connection.recv(65536)
        except OSError:
            raw = b""
        if not raw:
            connection.close()
            end.connection = end.manager = None
        elif end.manager is not None:
            end.got += b"".join(end.manager.filter(raw))
            end.manager.check_modem_lines()

    def _obey(self, end: FarEnd) -> None:
        hold = end.hold
        if hold is None or hold.over:
            return
        if hold.seen < 0 and len(end.got) >= hold.after:
            began = time.monotonic()
            while (line := end.fd if end.fd >= 0 else end.connection) and select.select([line], [], [], 0)[0]:
                self._look(end, end.fd)
            hold.seen = len(end.got)
            hold.stop()
            now = time.monotonic()
            hold.slack_s, hold.over_at = now - began, now + hold.for_s
        elif hold.over_at is not None and time.monotonic() >= hold.over_at and len(end.got) >= hold.seen + hold.least:
            hold.late, hold.over = len(end.got) - hold.seen, True
            hold.go()
