"""`STATE/format`: which form the records of a state folder have, and which dncd wrote it last.

Every record in the folder has the form that it names, unless it names one itself. A folder without the file is of 0.1.0.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from dncd import __version__
from dncd.errors import RecordsError
from dncd.records import codec, durable

FORMAT: Final = 1
"""Of the folders that this dncd writes; it reads those of 0.1.0, which have none, as well."""


REVIVING: Final = "reviving"
"""Lies in a state folder that is being made of another one's records (`records/revival`)."""


@dataclass(frozen=True, slots=True)
class StateFormat:
    """What the file says. number: of the form; dncd: the version that wrote it."""

    number: int
    dncd: str


_OF_THE_FIRST: Final = StateFormat(0, "0.1.0")


def path_of(state: Path) -> Path:
    return state / "format"


def check(state: Path) -> StateFormat:
    """What the folder's form is. RecordsError for one of a newer dncd, or a file that does not tell."""
    path = path_of(state)
    if (state / REVIVING).exists():
        raise RecordsError(
            "a revive is under way or was cut short here", str(state), "Empty this folder and revive again"
        )
    if not path.exists():
        return _OF_THE_FIRST
    try:
        with durable.reporting("it cannot be told which dncd wrote the state folder", path):
            found = codec.decode(StateFormat, path.read_bytes())
    except ValueError as error:
        raise RecordsError(
            f"it cannot be told which dncd wrote the state folder: {error}",
            str(path),
            "Start the dncd that wrote it; if that was this one, remove this file",
        ) from error
    if found.number > FORMAT:
        raise RecordsError(
            f"dncd {found.dncd} wrote this state folder (format {found.number}), and this is dncd {__version__}, which "
            f"reads up to format {FORMAT}",
            str(path),
            f"Install dncd {found.dncd} or a newer one; nothing was changed",
        )
    return found


def take_over(state: Path) -> list[str]:
    """At a start: names the form; what was converted, in sentences for the journal."""
    found = check(state)
    if found == StateFormat(FORMAT, __version__):
        return []
    used = (state / "ledger").is_dir()
    durable.replace(path_of(state), codec.encode(StateFormat(FORMAT, __version__)))
    if not used or found.number == FORMAT:
        return []
    return [f"the state folder of dncd {found.dncd} has format {FORMAT} now; no record in it had to be changed"]
