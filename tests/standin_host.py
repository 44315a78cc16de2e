"""The far end of a stand-in control: by plain os calls, or on a clock that a test moves."""

import os
import select
import socket
import time

from dncd.standin.build import Build
from dncd.standin.control import StandIn
from dncd.standin.plug import Plug
from dncd.standin.program_memory import Alarm, Stored


def even(data: bytes) -> bytes:
    """Seven-bit characters with even parity in bit 7, made here and not by dncd."""
    return bytes(char | (0x80 if bin(char).count("1") % 2 else 0) for char in data)


class Hand:
    """A clock that a test moves, and the host's end of a line to a control on that clock."""

    def __init__(self, build: Build):
        self.host, far = socket.socketpair()
        self.host.setblocking(False)
        self._far, self.now, self._heard = far, 100.0, b""
        self.control = StandIn(build, lambda: self.now, Plug(far.fileno()))

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.host.close()
        self._far.close()

    def go(self, seconds: float, step: float) -> None:
        end = self.now + seconds
        while self.now < end - 1e-12:
            self.now = min(end, self.now + step)
            self.control.step(self.now)
            self._listen()

    def heard(self) -> bytes:
        """What came since the last call. A socket holds few hundred small pieces, so `go` listens as well."""
        self._listen()
        found, self._heard = self._heard, b""
        return found

    def _listen(self) -> None:
        try:
            self._heard += self.host.recv(65536)
        except BlockingIOError:
            return


class Host:
    """The service's side of a null modem, of os and select alone."""

    def __init__(self, path: str):
        self.fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        os.close(self.fd)

    def read(self, until: bytes, within_s: float = 10.0) -> bytes:
        """What comes, until `until` is in it."""
        found, end = b"", time.monotonic() + within_s
        while until not in found:
            ready, _, _ = select.select([self.fd], [], [], max(0.0, end - time.monotonic()))
            assert ready, f"not within {within_s} s: {until!r} after {found!r}"
            found += os.read(self.fd, 4096)
        return found

    def quiet(self, seconds: float) -> bytes:
        """What comes until nothing has come for so long."""
        found = b""
        while select.select([self.fd], [], [], seconds)[0]:
            found += os.read(self.fd, 4096)
        return found

    def write(self, data: bytes) -> None:
        while data:
            assert select.select([], [self.fd], [], 10)[1]
            data = data[os.write(self.fd, data) :]


def pieces_in(control: StandIn, programs: dict[str, tuple[str, ...]]) -> None:
    for number, blocks in programs.items():
        assert control.memory.store(Stored(number, "", blocks)) is Alarm.NONE
