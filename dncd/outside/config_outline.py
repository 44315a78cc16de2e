"""What is read of a settings file that may have mistakes: its two folders and the names of its machines.

Commands that ask the running service need no more. They must work while somebody has the file half changed, and quickly.
"""

import os
import re
import tomllib
from typing import Any, Final, NamedTuple

from dncd.errors import SettingsError

PLACES: Final = ("config/dncd.toml", "/etc/dncd/dncd.toml")
"""Where settings are looked for when neither --config nor $DNCD_CONFIG names a file."""

_HEAD: Final = r"\s*\[+\s*([^\]#]*)"
_FOLDER: Final = r"""\s*(folder|state)\s*=\s*["']?([^"'#]+)"""


class Outline(NamedTuple):
    """folder, state: absolute paths; machines: names, in the order of the file; whole: False where a folder is a guess,
    for the file is no TOML or gives it no path."""

    folder: str
    state: str
    machines: tuple[str, ...]
    whole: bool


def outline(file: str) -> Outline:
    """Reads what can be read. SettingsError where there is no file, or none that this user may read."""
    data = settings_bytes(file)
    try:
        raw, whole = tomllib.loads(data.decode("utf-8-sig")), True
    except (ValueError, RecursionError):
        raw, whole = _scanned(data.decode("utf-8-sig", "replace")), False
    shop, machines = (table if isinstance(table := raw.get(name), dict) else {} for name in ("shop", "machines"))
    places: dict[str, str] = {}
    for key in ("folder", "state"):
        place = shop.get(key)
        if not isinstance(place, str) or not place or "\0" in place:
            from dncd import defaults

            place, whole = getattr(defaults, key.upper()), whole and key not in shop
        places[key] = absolute(file, place)
    names = tuple(name for name, table in machines.items() if isinstance(table, dict))
    return Outline(**places, machines=names, whole=whole)


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


def settings_bytes(file: "str | os.PathLike[str]") -> bytes:
    """The file as it is; SettingsError where it cannot be read."""
    try:
        with open(file, "rb") as text:
            return text.read()
    except FileNotFoundError:
        raise SettingsError(
            str(file),
            (f"{file}: there is no such settings file.",),
            "Name one with --config FILE or $DNCD_CONFIG, or put one at " + " or ".join(PLACES),
        ) from None
    except IsADirectoryError:
        inside = f"{file}/dncd.toml".removeprefix("./")
        raise SettingsError(
            str(file), (f"{file}: it is a folder, not a settings file.",), f"Name the file in it: {inside}"
        ) from None
    except OSError as error:
        problem = f"{file}: the settings file cannot be read: {error.strerror}."
        raise SettingsError(
            str(file), (problem,), "Give this user the right to read it, or name another file"
        ) from None


def absolute(file: "str | os.PathLike[str]", path: str) -> str:
    """A path of the settings file: a relative one starts at that file's folder."""
    return os.path.normpath(os.path.join(os.path.abspath(os.path.dirname(file)), path))
