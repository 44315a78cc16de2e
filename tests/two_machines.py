"""A shop of two machines without lines, and a terminal for a line that nobody answers on."""

import contextlib
import os
import pty
import tty
from collections.abc import Iterator
from pathlib import Path

from dncd.records.store import Store
from dncd.values import LineSettings, MachineSettings, Settings, ShopSettings

DROPPED = b"%\r\nO0004\r\nM30\r\n%\r\n"


def opened(root: Path) -> Store:
    machines = {name: MachineSettings(name, LineSettings("x")) for name in ("lathe", "mill")}
    return Store.open(Settings(root / "dncd.toml", ShopSettings(root / "shop", root / "state"), machines))


@contextlib.contextmanager
def terminal() -> Iterator[dict[str, dict[str, object]]]:
    master, slave = pty.openpty()
    tty.setraw(slave)
    try:
        yield {"line": {"port": os.ttyname(slave), "baud": 9600, "frame": "7E1"}, "send": {"start_on": "now"}}
    finally:
        os.close(master)
        os.close(slave)
