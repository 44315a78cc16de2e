"""One file with what a maintainer needs: settings without secrets, versions, journal, counters, the ledger's last lines.

It is made from outside the service, so that it can be made when the service does not run; what the service alone knows is
asked of it where it answers. Nothing of it is written anywhere but into that file.
"""

import io
import json
import os
import platform
import re
import subprocess
import sys
import tarfile
import time
import tomllib
from collections import deque
from collections.abc import Callable, Iterator
from datetime import datetime
from importlib import metadata
from pathlib import Path
from typing import Final

from dncd import __version__
from dncd.errors import DncdError, NotDoneError, SettingsError
from dncd.outside import config, config_shown
from dncd.outside.command_client import ask
from dncd.outside.config_outline import outline
from dncd.outside.config_rules import KINDS, TABLES
from dncd.peer_text import printable
from dncd.records import ledger
from dncd.records.durable import free_bytes
from dncd.records.ledger import utc_now

LEDGER_LINES: Final = 500
JOURNAL_LINES: Final = 2_000
FILES_LISTED: Final = 2_000

TOOL_S: Final = 20.0
"""Seconds that a tool of the system may take."""

CLEANED: Final = "(left out)"

_IN_ADDRESS: Final = (
    (re.compile(r"(?<=://)[^\s\"'\\]+(?=@)"), CLEANED),
    (re.compile(r"(://[^\s\"'\\?#]*)[?#][^\s\"'\\]+"), rf"\1?{CLEANED}"),
    (re.compile(r"\b[\w.-]+:[^\s\"'\\@/:]+(?=@[\w.-]+:)"), CLEANED),
)
_UNKNOWN: Final = re.compile(r"(?m)^(.*?\] [^=\n]+ = ).*(: unknown key)")
_SECRET: Final = re.compile(
    r"""(?im)^(\s*#*\s*["']?[\w.-]*(?:passw|secret|token|credential|(?:api|private)[_-]?key)[\w.-]*["']?\s*[=:]\s*)(.+)$"""
)
_PACKAGES: Final = ("pyserial", "watchdog", "structlog", "dulwich", "click")

_ABOUT: Final = """\
What `dncd report` packed, for whoever looks after dncd. Read it before you send it to anybody.

settings.toml   the keys of the settings file that dncd knows; no comments, no user names, passwords or queries in addresses
holds.txt       what holds by it, or what is wrong with it
versions.txt    dncd, Python, libraries, system
status.json     what the service said of itself and of each line, counters included
journal.txt     its recent journal
ledger.jsonl    the last lines of the ledger
serial.txt      serial ports, and the driver's counters where this user may read them
state.txt       names and sizes in the state folder

It names machines, programs and files, and a finding quotes the block it is about. It holds no program.
"""


def clean(text: str) -> str:
    """Text without user names and passwords in addresses, and without the values of keys named like secrets."""
    for address, instead in _IN_ADDRESS:
        text = address.sub(instead, text)
    return _SECRET.sub(rf"\g<1>{CLEANED}", text)


def parts(file: Path) -> Iterator[tuple[str, str]]:
    """Name and text of each part; file: the settings. A part that cannot be had says why."""
    yield "README.txt", _ABOUT
    yield "versions.txt", _or_why(_versions)
    yield "settings.toml", _or_why(lambda: _settings(file))
    yield "holds.txt", _UNKNOWN.sub(rf"\1{CLEANED}\2", _or_why(lambda: config_shown.explain(config.load(file))))
    yield "serial.txt", _or_why(_serial)
    try:
        places = outline(str(file))
    except SettingsError:
        return
    state = Path(places.state)
    yield "status.json", _or_why(lambda: json.dumps(ask(state, {"do": "status"}), indent=1))
    yield "journal.txt", _or_why(lambda: _journal(state))
    yield "ledger.jsonl", _or_why(lambda: _ledger(state))
    yield "state.txt", _or_why(lambda: _state(state, Path(places.folder)))


def write(file: Path, output: Path, when: datetime) -> list[str]:
    """Packs all parts into a new tar.gz that only this user may read; names of the parts. NotDoneError if it cannot be."""
    data, names = io.BytesIO(), []
    with tarfile.open(fileobj=data, mode="w:gz") as pack:
        for name, text in parts(file):
            lines = (printable(line.replace("\t", " ")) for line in clean(text).split("\n"))
            body = "\n".join(lines).encode("utf-8", "backslashreplace")
            entry = tarfile.TarInfo(f"dncd-report/{name}")
            entry.size, entry.mode, entry.mtime = len(body), 0o644, int(when.timestamp())
            pack.addfile(entry, io.BytesIO(body))
            names.append(name)
    try:
        fd = os.open(output, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        with os.fdopen(fd, "wb") as target:
            target.write(data.getvalue())
    except OSError as error:
        what = f"the report cannot be written: {error.strerror}"
        raise NotDoneError(what, str(output), "Name another file with --output") from None
    return names


def _or_why(make: Callable[[], str]) -> str:
    try:
        return make()
    except (DncdError, OSError, ValueError, subprocess.SubprocessError) as error:
        return f"could not be read: {error}\n"


def _settings(file: Path) -> str:
    """What the file says under keys that dncd knows; no other text of it, for nobody knows what that is."""
    raw, lines, left = tomllib.loads(file.read_text("utf-8")), [], 0
    machines = raw.get("machines")
    tables = [(kind, kind, raw.get(kind)) for kind in config.ONCE]
    for name, machine in machines.items() if isinstance(machines, dict) else ():
        where = f"machines.{name}"
        tables += [("machine", where, machine)]
        if isinstance(machine, dict):
            tables += [(table, f"{where}.{table}", machine.get(table)) for table in TABLES]
    for kind, where, table in tables:
        known = KINDS[kind].rules
        if isinstance(table, dict):
            plain = {key: value for key, value in table.items() if not isinstance(value, dict)}
            lines += [f"[{where}]", *(f"{k} = {config.toml_value(v)}" for k, v in plain.items() if k in known)]
            left += sum(1 for key in plain if key not in known)
    lines += [f"# {left} unknown keys are left out"] if left else []
    return "\n".join(lines) + "\n"


def _versions() -> str:
    packed = f"packed {utc_now():%Y-%m-%dT%H:%M:%SZ}"
    lines = [f"dncd {__version__}", f"Python {sys.version}", platform.platform(), packed]
    for package in _PACKAGES:
        try:
            lines.append(f"{package} {metadata.version(package)}")
        except metadata.PackageNotFoundError:
            lines.append(f"{package} is not installed")
    lines.append(_tool("systemctl", "--version").partition("\n")[0])
    return "\n".join(lines) + "\n"


def _journal(state: Path) -> str:
    """The service's own memory of it; where it does not run, what the system's journal kept."""
    try:
        said = ask(state, {"do": "journal"})["lines"]
        return "\n".join(map(str, said)) + "\n"
    except DncdError as error:
        units, shown = ("--unit=dncd", "--unit=dncd-page"), ("--no-pager", "--output=short-iso")
        kept = _tool("journalctl", *units, f"--lines={JOURNAL_LINES}", *shown)
        return f"{error}\nWhat the system's journal kept of the unit dncd:\n{kept}"


def _ledger(state: Path) -> str:
    last = deque(ledger.records(state), LEDGER_LINES)
    return "\n".join(json.dumps(line, ensure_ascii=True) for line in last) + "\n"


def _serial() -> str:
    said = []
    for folder in (Path("/dev/serial/by-id"), Path("/dev/serial/by-path")):
        if folder.is_dir():
            said += [f"{path} -> {path.resolve()}" for path in sorted(folder.iterdir())]
    drivers = Path("/proc/tty/driver")
    for driver in ("serial", "usbserial"):
        said.append(f"\n{drivers / driver}:\n" + _or_why(lambda d=driver: (drivers / d).read_text()))  # type: ignore[misc]
    return "\n".join(said) + "\n"


def _state(state: Path, folder: Path) -> str:
    lines = []
    for name, path in (("state", state), ("shop", folder)):
        room = free_bytes(path)
        lines.append(f"{name} {path}: {'unknown' if room is None else f'{room // 1_000_000} MB'} free")
    for number, path in enumerate(sorted(state.rglob("*"))):
        if number == FILES_LISTED:
            lines.append("and more")
            break
        if "objects" in path.parts:
            continue
        status = path.lstat()
        stamp = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(status.st_mtime))
        lines.append(f"{status.st_size:>12} {stamp} {path.relative_to(state)}")
    return "\n".join(lines) + "\n"


def _tool(*words: str) -> str:
    try:
        done = subprocess.run(words, capture_output=True, text=True, errors="replace", timeout=TOOL_S, check=False)
    except FileNotFoundError:
        return f"{words[0]} is not on this machine\n"
    return done.stdout or done.stderr
