"""What the page asks of the service, over the page's own socket: the service checks all of it and writes down who asked."""

import base64
import enum
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from dncd.errors import DncdError, UsageError
from dncd.outside.command_client import ask

UPLOAD_BYTES: Final = 1_000_000
"""Of a file that is dropped in the page: more than any control's memory. What is drip-fed comes by the folder."""

_FRONT_S: Final = 3.0
_LOOK_S: Final = 0.1


class Place(enum.Enum):
    """Of a dropped file."""

    NOT_SEEN = enum.auto()
    WAITS = enum.auto()
    GONE = enum.auto()


@dataclass(frozen=True, slots=True)
class Wish:
    """What somebody asks for at a machine. by: his name; form: what he filled in; data: of a dropped file, else b""."""

    machine: str
    by: str
    form: Mapping[str, str]
    data: bytes = b""


@dataclass(frozen=True, slots=True)
class Asking:
    """For threads: each answer may take seconds. socket: the folder of the page's socket."""

    socket: Path

    def do(self, kind: str, wish: Wish) -> str:
        """Has it done; what was done, in a sentence. kind: of `WAYS`. Errors as `command_client.ask`."""
        return WAYS[kind](self, wish)

    def ask(self, do: str, wish: Wish, **more: Any) -> dict[str, Any]:
        return ask(self.socket, {"do": do, "machine": wish.machine, "by": wish.by, **more})

    def place(self, machine: str, file: str) -> "Place":
        """Where a file is that was dropped just now. To look stands in no ledger, and is no deed."""
        status = ask(self.socket, {"do": "status"})["machines"].get(machine, {})
        if file in status.get("waiting", ()):
            return Place.WAITS
        ended = (status.get("last") or {}).get("file")
        return Place.GONE if file in ((status.get("transfer") or {}).get("file"), ended) else Place.NOT_SEEN

    def drop(self, wish: Wish, file: str, data: bytes) -> str:
        """Gives the name under which it waits."""
        return str(self.ask("drop", wish, file=file, data=base64.b64encode(data).decode())["file"])


def _bring(asking: Asking, wish: Wish) -> str:
    """A revision of the library, dropped by the service as it was, and in front as soon as it was looked at."""
    done = asking.ask("bring", wish, program=wish.form.get("program", ""), revision=_number(wish))
    name, until = str(done["file"]), time.monotonic() + _FRONT_S
    while (place := asking.place(wish.machine, name)) is Place.NOT_SEEN and time.monotonic() < until:
        time.sleep(_LOOK_S)
    if place is Place.WAITS:
        try:
            return f"{asking.ask('next', wish, file=name)['file']} waits in front."
        except DncdError:
            if (place := asking.place(wish.machine, name)) is Place.WAITS:
                raise  # a batch is in the middle, or the like
    if place is Place.NOT_SEEN:
        return f"{name} is dropped, and was not looked at yet. See what the machine does before you ask again."
    return f"{name} was dropped and has begun or ended already. See what the machine does before you ask again."


def _number(wish: Wish) -> int:
    said = wish.form.get("revision", "")
    if not (said.isascii() and said.isdigit() and 0 < len(said) < 8 and int(said)):
        raise UsageError("no revision is named", wish.machine, "Go back to the machine and ask again")
    return int(said)


def _good(asking: Asking, wish: Wish) -> str:
    program, note = wish.form.get("program", ""), wish.form.get("note", "")
    done = asking.ask("prove", wish, program=program, revision=_number(wish), note=note)
    return f"{program}, revision {done['revision']} is proven."


def _stop(asking: Asking, wish: Wish) -> str:
    return f"{asking.ask('withdraw', wish, file=wish.form.get('file', ''))['file']} is taken back or stopped."


def _drop(asking: Asking, wish: Wish) -> str:
    return f"{asking.drop(wish, wish.form.get('file', ''), wish.data)} is dropped."


WAYS: Final[Mapping[str, Callable[[Asking, Wish], str]]] = {
    "bring": _bring,
    "again": _bring,
    "good": _good,
    "stop": _stop,
    "drop": _drop,
}
"""By what a button is called; `people.MAY` says who has it."""
