"""What is read of a settings file that may have mistakes: its two folders and the names of its machines.

Commands that ask the running service need no more. They must work while somebody has the file half changed, and quickly.
"""

import os
import re
import tomllib
from pathlib import Path
from typing import Any, Final, NamedTuple

from dncd import defaults
from dncd.errors import SettingsError

PLACES: Final = (Path("config/dncd.toml"), Path("/etc/dncd/dncd.toml"))
"""Where settings are looked for when neither --config nor $DNCD_CONFIG names a file."""

_HEAD: Final = r"\s*\[+\s*([^\]#]*)"
_FOLDER: Final = r"""\s*(folder|state)\s*=\s*["']?([^"'#]+)"""


class Outline(NamedTuple):
    """folder, state: absolute paths; machines: names, in the order of the file; whole: False where a folder is a guess,
    for the file is no TOML or gives it no path."""

    folder: Path
    state: Path
    machines: tuple[str, ...]
    whole: bool


def outline(file: Path) -> Outline:
    """Reads what can be read. SettingsError where there is no file, or none that this user may read."""
    data = settings_bytes(file)
    try:
        raw, whole = tomllib.loads(data.decode("utf-8-sig")), True
    except (ValueError, RecursionError):
        raw, whole = _scanned(data.decode("utf-8-sig", "replace")), False
    shop, machines = (table if isinstance(table := raw.get(name), dict) else {} for name in ("shop", "machines"))
    paths = {"folder": defaults.FOLDER, "state": defaults.STATE, **shop}
    for key in ("folder", "state"):
        if not isinstance(paths[key], str) or not paths[key] or "\0" in paths[key]:
            paths[key], whole = getattr(defaults, key.upper()), False
    folder, state = (absolute(file, paths[key]) for key in ("folder", "state"))
    return Outline(folder, state, tuple(name for name, table in machines.items() if isinstance(table, dict)), whole)


def _scanned(text: str) -> dict[str, Any]:
    """The same of a text that is no TOML, line by line."""
    raw: dict[str, dict[str, Any]] = {"shop": {}, "machines": {}}
    table = ""
    for line in text.splitlines():
        if head := re.match(_HEAD, line):
            table, _, name = (part.strip() for part in head[1].partition("."))
            if table == "machines" and name:
                raw["machines"].setdefault(name.partition(".")[0].strip(" \"'"), {})
        elif table == "shop" and (found := re.match(_FOLDER, line)):
            raw["shop"][found[1]] = found[2].strip()
    return raw


def settings_bytes(file: Path) -> bytes:
    """The file as it is; SettingsError where it cannot be read."""
    try:
        return file.read_bytes()
    except FileNotFoundError:
        raise SettingsError(
            str(file),
            (f"{file}: there is no such settings file.",),
            "Name one with --config FILE or $DNCD_CONFIG, or put one at " + " or ".join(map(str, PLACES)),
        ) from None
    except IsADirectoryError:
        inside = file / PLACES[0].name
        raise SettingsError(
            str(file), (f"{file}: it is a folder, not a settings file.",), f"Name the file in it: {inside}"
        ) from None
    except OSError as error:
        problem = f"{file}: the settings file cannot be read: {error.strerror}."
        raise SettingsError(
            str(file), (problem,), "Give this user the right to read it, or name another file"
        ) from None


def absolute(file: Path, path: str) -> Path:
    """A path of the settings file: a relative one starts at that file's folder."""
    return Path(os.path.normpath(file.parent.absolute() / path))
