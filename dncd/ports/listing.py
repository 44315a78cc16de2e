"""The serial ports of this machine, as the kernel lists them under /sys, with the names that stay when it is restarted.

A USB adaptor is told by its identity (vendor and product number, and the words that it gives for itself); a port of the
board by its driver. A `ttyS` that no UART answers on (`type` 0: the kernel keeps 4 to 32 names in advance) is no port.
"""

import contextlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from dncd.peer_text import printable
from dncd.ports.holders import Holder, holders

_STABLE = ("dev/serial/by-id", "dev/serial/by-path")
"""Folders of names that stay: by what the adaptor is, and, for one without a number of its own, by where it is plugged."""

_UNKNOWN_UART = "0"
_BETWEEN = "serial-base"


@dataclass(frozen=True, slots=True)
class SerialPort:
    """device: as the kernel calls it today; names: those that stay, the best first; chip: what says the adaptor of itself,
    "" for a port of the board; usb: `vendor:product` in hex, "" likewise; serial: its own number, "" for none; driver:
    the kernel's; may_open: whether this user may; held_by: who has it open, as far as this user can see."""

    device: str
    names: tuple[str, ...]
    chip: str
    usb: str
    serial: str
    driver: str
    may_open: bool
    held_by: tuple[Holder, ...]

    @property
    def best_name(self) -> str:
        return self.names[0] if self.names else self.device


def serial_ports(root: Path = Path("/")) -> list[SerialPort]:
    """All that are there now, by device name. root: where `sys` and `dev` are."""
    stable = _stable_names(root)
    return [
        _port(entry, root, stable.get(entry.name, ()))
        for entry in sorted(_entries(root), key=lambda entry: (len(entry.name), entry.name))
    ]


def _entries(root: Path) -> Iterator[Path]:
    with contextlib.suppress(OSError):  # a machine without /sys has no list
        for entry in (root / "sys/class/tty").iterdir():
            if (entry / "device").exists() and _text(entry / "type") != _UNKNOWN_UART:
                yield entry


def _stable_names(root: Path) -> dict[str, tuple[str, ...]]:
    found: dict[str, list[str]] = {}
    for folder in _STABLE:
        with contextlib.suppress(OSError):  # it is made with the first adaptor
            for link in sorted((root / folder).iterdir()):
                found.setdefault(link.readlink().name, []).append(f"/{folder}/{link.name}")
    return {device: tuple(names) for device, names in found.items()}


def _port(entry: Path, root: Path, names: tuple[str, ...]) -> SerialPort:
    place = (entry / "device").resolve()
    adaptor = next((folder for folder in (place, *place.parents) if (folder / "idVendor").is_file()), None)
    path = root / "dev" / entry.name
    chip = usb = serial = ""
    if adaptor is not None:
        chip = " ".join(filter(None, (_text(adaptor / word) for word in ("manufacturer", "product"))))
        usb, serial = f"{_text(adaptor / 'idVendor')}:{_text(adaptor / 'idProduct')}", _text(adaptor / "serial")
    may_open, held_by = os.access(path, os.R_OK | os.W_OK), tuple(holders(str(path)))
    return SerialPort(f"/dev/{entry.name}", names, chip, usb, serial, _driver(place), may_open, held_by)


def _driver(place: Path) -> str:
    """The driver of the port itself, else of what it sits on; newer kernels put a bus of their own between the two."""
    for folder in (place, *place.parents):
        with contextlib.suppress(OSError):
            driver = (folder / "driver").readlink()
            if _BETWEEN not in driver.parts:
                return printable(driver.name)
    return "unknown"


def _text(file: Path) -> str:
    with contextlib.suppress(OSError):
        return printable(file.read_text(errors="replace").strip())
    return ""
