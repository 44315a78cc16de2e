"""What the page asks of the service, over the page's own socket: the service checks all of it and writes down who asked."""

import base64
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from dncd.errors import DncdError, NotDoneError, UsageError
from dncd.outside.command_client import ask
from dncd.page.reading import Reading

UPLOAD_BYTES: Final = 1_000_000
"""Of a file that is dropped in the page: more than any control's memory. What is drip-fed comes by the folder."""

_FRONT_S: Final = 3.0
_LOOK_S: Final = 0.1


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
    reading: Reading

    def do(self, kind: str, wish: Wish) -> str:
        """Has it done; what was done, in a sentence. kind: of `WAYS`. Errors as `command_client.ask`."""
        return WAYS[kind](self, wish)

    def ask(self, do: str, wish: Wish, **more: Any) -> dict[str, Any]:
        return ask(self.socket, {"do": do, "machine": wish.machine, "by": wish.by, **more})

    def drop(self, wish: Wish, file: str, data: bytes) -> str:
        """Gives the name under which it waits."""
        return str(self.ask("drop", wish, file=file, data=base64.b64encode(data).decode())["file"])


def _bring(asking: Asking, wish: Wish) -> str:
    """A revision of the library, dropped as the office would, and in front as soon as it was looked at."""
    program, history = wish.form.get("program", ""), asking.reading.history(wish.machine, wish.form.get("program", ""))
    number = int(said) if (said := wish.form.get("revision", "")).isascii() and said.isdigit() and len(said) < 8 else 0
    if not 0 < number <= len(history):
        raise UsageError("there is no such revision", program, f"The library has {len(history)} of it for this machine")
    name = asking.drop(wish, f"{program}.nc", asking.reading.text(history[number - 1]).encode())
    until = time.monotonic() + _FRONT_S
    while True:
        try:
            asking.ask("next", wish, file=name)
        except NotDoneError:
            raise
        except DncdError as error:
            if error.code != NotDoneError.code or time.monotonic() > until:
                raise
            time.sleep(_LOOK_S)
        else:
            return f"{name} waits in front."


def _good(asking: Asking, wish: Wish) -> str:
    number, note = wish.form.get("revision", ""), wish.form.get("note", "")
    if not (number.isascii() and number.isdigit() and 0 < len(number) < 8):
        raise UsageError("no revision is named", wish.machine, "Go back to the machine and ask again")
    done = asking.ask("prove", wish, program=wish.form.get("program", ""), revision=int(number), note=note)
    return f"{wish.form['program']}, revision {done['revision']} is proven."


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
