"""Who holds a port, as far as /proc tells: an ordinary user sees only programs of their own."""

import contextlib
import os
from dataclasses import dataclass
from pathlib import Path

from dncd.peer_text import shown


@dataclass(frozen=True, slots=True, order=True)
class Holder:
    """A process that has the port open; command: its name as the kernel keeps it (15 characters)."""

    pid: int
    command: str

    @property
    def is_self(self) -> bool:
        return self.pid == os.getpid()

    def __str__(self) -> str:
        return f"process {self.pid} ({self.command}{', dncd itself' if self.is_self else ''})"


def holders(port: str | int) -> list[Holder]:
    """Processes that have the device `port` (path or open descriptor) open, by pid; empty where nobody tells."""
    try:
        device = os.stat(port).st_rdev  # noqa: PTH116 -- a descriptor is allowed
        processes = [name for name in os.listdir("/proc") if name.isdecimal()]  # noqa: PTH208
    except OSError:
        return []
    return sorted(Holder(int(pid), _command(pid)) for pid in processes if _has_open(pid, device))


def _has_open(pid: str, device: int) -> bool:
    try:
        with os.scandir(f"/proc/{pid}/fd") as entries:
            for entry in entries:
                with contextlib.suppress(OSError):  # closed between listing and looking
                    if entry.stat().st_rdev == device:
                        return True
    except OSError:  # gone, or another user's
        return False
    return False


def _command(pid: str) -> str:
    try:
        return shown(Path(f"/proc/{pid}/comm").read_text(errors="replace").strip())[1:-1]
    except OSError:
        return "ended meanwhile"
