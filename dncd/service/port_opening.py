"""Opening the ports of many machines at once: a device server may take seconds to answer, and they need not wait in line."""

import threading
import time
from collections.abc import Iterable
from typing import Final

from dncd.errors import DncdError, PortBusyError, PortError, PortGoneError
from dncd.ports.opening import open_for
from dncd.ports.port import Port
from dncd.values import MachineSettings

OPEN_S: Final = 15.0
"""Seconds after which a port that is still being opened counts as absent for now."""

Opened = Port | DncdError
"""An open port, or why there is none just now."""


def open_ports(machines: Iterable[MachineSettings]) -> dict[str, Opened]:
    """Opens all ports at once. A port that is absent or busy is given as its error; PortError is raised at once."""
    wanted = list(machines)
    results: dict[str, Opened] = {}
    lock, over = threading.Lock(), threading.Event()

    def work(machine: MachineSettings) -> None:
        try:
            port: Opened = open_for(machine)
        except (PortError, PortBusyError, PortGoneError) as error:
            port = error
        with lock:
            if not over.is_set():
                results[machine.name] = port
                return
        close_all([port])  # nobody waits for it any more; the station tries again by itself

    threads = [threading.Thread(target=work, args=(m,), daemon=True, name=f"dncd-open-{m.name}") for m in wanted]
    for thread in threads:
        thread.start()
    until = time.monotonic() + OPEN_S
    for thread in threads:
        thread.join(max(0.0, until - time.monotonic()))
    with lock:
        over.set()
    wrong = [error for error in results.values() if isinstance(error, PortError)]
    if wrong:
        close_all(results.values())
        raise wrong[0]
    gone = PortGoneError("it is still being opened", "port", "Wait, or look at the network")
    return {m.name: results.get(m.name, gone) for m in wanted}


def close_all(opened: Iterable[Opened]) -> None:
    for port in opened:
        if not isinstance(port, DncdError):
            port.close()
