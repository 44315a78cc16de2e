"""Children that are killed over and over: a process that has loaded what they do forks for each, within milliseconds."""

import contextlib
import os
import signal
import socket
import subprocess
import sys
from types import TracebackType
from typing import Final, Self

_SERVE: Final = """
import os, signal, socket
signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # nobody waits for them but at the end of what they print
asked = socket.socket(fileno=0)
while True:
    words, out, *_ = socket.recv_fds(asked, 65536, 1)
    if not words:
        break
    pid = os.fork()
    if pid == 0:
        os.dup2(out[0], 1)
        os.close(out[0])
        try:
            child(*words.decode().split("\\0"))
        finally:
            os._exit(1)
    os.close(out[0])
    os.setpgid(pid, pid)
    asked.send(b"%d" % pid)
"""


class Child:
    """One of them; it leads a process group, and `out` has the lines that it prints."""

    def __init__(self, pid: int, out: int) -> None:
        self._pid, self.out = pid, os.fdopen(out)

    def killed(self) -> list[str]:
        """Kills it with all that it has started, and gives the whole lines that it printed and nobody read."""
        with contextlib.suppress(ProcessLookupError):  # it ended by itself
            os.killpg(self._pid, signal.SIGKILL)
        with self.out:
            return self.out.read().split("\n")[:-1]


class Loaded:
    """program: Python that imports what is needed and defines `child(*words)`, which never ends. Enter it to have it."""

    def __init__(self, program: str) -> None:
        self._program = program

    def __enter__(self) -> Self:
        self._asks, asked = socket.socketpair()
        with asked:
            self._process = subprocess.Popen([sys.executable, "-c", self._program + _SERVE], stdin=asked)
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._asks.close()
        self._process.wait(120)

    def child(self, *words: object) -> Child:
        out, its = os.pipe()
        socket.send_fds(self._asks, ["\0".join(map(str, words)).encode()], [its])
        os.close(its)
        return Child(int(self._asks.recv(32)), out)
