"""Word to the service manager: sd_notify(3) by hand (dncd needs no library for one datagram).

Nothing is sent where no manager asked for it. A manager that cannot be reached is noted once and never raised: a failed
notification must not stop a transfer.
"""

import os
import socket
import time

from dncd.outside.journal import journal

_LONGEST_STATUS = 300
_noted: set[str] = set()


def notify(*lines: str) -> bool:
    """Sends KEY=VALUE lines in one datagram; False where no manager listens or it could not be reached. Never waits."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address or address[0] not in "@/":
        return False
    kind = socket.SOCK_DGRAM | socket.SOCK_CLOEXEC | socket.SOCK_NONBLOCK
    try:
        with socket.socket(socket.AF_UNIX, kind) as sock:
            sock.connect("\0" + address[1:] if address[0] == "@" else address)
            sock.sendall("\n".join(lines).encode())
    except OSError as error:
        if address not in _noted:
            _noted.add(address)
            what = f"the service manager cannot be told: {error.strerror}"
            journal().warning("service manager", what=what, where=address, next="look at NotifyAccess= of the unit")
        return False
    _noted.discard(address)
    return True


def _status(text: str) -> str:
    line = "".join(c if c.isprintable() else " " for c in text)
    return f"STATUS={line[:_LONGEST_STATUS]}"


def ready(status: str) -> bool:
    """All is open that can be opened; after a reload too."""
    return notify("READY=1", _status(status))


def tell(status: str) -> bool:
    """One line of what the service is doing, for `systemctl status`."""
    return notify(_status(status))


def reloading() -> bool:
    """The settings are read again; `ready` ends it. The manager wants the monotonic clock with it (sd_notify(3))."""
    return notify("RELOADING=1", f"MONOTONIC_USEC={time.monotonic_ns() // 1000}")


def stopping() -> bool:
    """The service is ending by itself or on a signal."""
    return notify("STOPPING=1")


def alive() -> bool:
    """Feeds the manager's watchdog: to be called only by a loop that has just seen every line answer."""
    return notify("WATCHDOG=1")


def alive_every_s() -> float | None:
    """Seconds between two calls of `alive`: half of what the manager allows (sd_watchdog_enabled(3)). None where it did
    not ask."""
    allowed, whose = os.environ.get("WATCHDOG_USEC", ""), os.environ.get("WATCHDOG_PID", "")
    if not allowed.isdecimal() or int(allowed) == 0 or (whose and whose != str(os.getpid())):
        return None
    return int(allowed) / 2_000_000
