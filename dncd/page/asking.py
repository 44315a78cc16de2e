"""What the page asks of the service, over the page's own socket: the service checks all of it and writes down who asked."""

import base64
import enum
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from dncd.errors import DncdError, NotDoneError, UsageError
from dncd.ledger_lines import Record
from dncd.outside.command_client import ask
from dncd.page.reading import Reading, Wanted
from dncd.page.taking_over import NOTHING, Said, checked, edit_of, number_in, said_of, taken
from dncd.page.views.machine import named

_FRONT_S: Final = 3.0
_LOOK_S: Final = 0.1

_LATER: Final = 10
_ENDS: Final = ("sent", "interrupted", "withdrawn")
"""Newest lines of a machine in which the end of what was stopped must stand, and how it may have ended."""

_CHOSEN: Final = 16
"""Files of a megabyte at most that are kept until somebody says yes; a newer one makes room."""


class What(enum.StrEnum):
    """What was done, or where a dropped file is: the words for it are the template's."""

    IN_FRONT = "in front"
    NOT_SEEN = "not seen"
    BEGUN = "begun"
    DROPPED = "dropped"
    TAKEN_BACK = "taken back"
    STOPPED = "stopped"
    PROVEN = "proven"
    LOOKED_AT = "looked at"


@dataclass(frozen=True, slots=True)
class Done:
    """name: of the file, or of the program that is proven with its revision; said: of a file that was looked at; programs:
    of which the control has a part, chars: that went out of them, 0 where nobody knows."""

    what: What
    name: str
    revision: int = 0
    said: Said = NOTHING
    programs: tuple[str, ...] = ()
    chars: int = 0


@dataclass(frozen=True, slots=True)
class Wish:
    """What somebody asks for at a machine. by: his name; form: what he filled in; data: of a dropped file, else b""."""

    machine: str
    by: str
    form: Mapping[str, str]
    data: bytes = b""


@dataclass(frozen=True, slots=True)
class Asking:
    """For threads: each answer may take seconds. socket: the folder of the page's socket; status: the newest one known."""

    socket: Path
    status: Callable[[], Mapping[str, Any]]
    reading: Reading
    chosen: deque[tuple[str, str, bytes]] = field(default_factory=lambda: deque(maxlen=_CHOSEN))
    """Files that were looked at and wait for a yes: SHA-256, name, contents."""

    def look(self, do: str, machine: str, **more: Any) -> Mapping[str, Any]:
        """What the service says of something that nobody has dropped yet. Errors as `command_client.ask`."""
        return ask(self.socket, {"do": do, "machine": machine, **more})

    def do(self, kind: str, wish: Wish) -> Done:
        """Has it done. kind: of `WAYS`. Errors as `command_client.ask`."""
        return WAYS[kind](self, wish)

    def ask(self, do: str, wish: Wish, **more: Any) -> dict[str, Any]:
        return ask(self.socket, {"do": do, "machine": wish.machine, "by": wish.by, **more})

    def of(self, machine: str) -> Mapping[str, Any]:
        """The newest status of a machine that is known; {} for none. Where more wait than news name, it is asked for."""
        found: Mapping[str, Any] = self.status().get("machines", {}).get(machine, {})
        if "waiting_more" in found:
            found = ask(self.socket, {"do": "status"})["machines"].get(machine, {})
        return found

    def place(self, machine: str, file: str, before: object) -> What:
        """Where a file is that was dropped just now; IN_FRONT where it waits. before: the last ending then."""
        status = self.of(machine)
        if file in status.get("waiting", ()):
            return What.IN_FRONT
        ended = status.get("last") if status.get("last") != before else None
        gone = ((each or {}).get("file") for each in (status.get("transfer"), ended))
        return What.BEGUN if file in gone else What.NOT_SEEN


def _bring(asking: Asking, wish: Wish) -> Done:
    """A revision of the library, dropped by the service as it was, and in front as soon as it was looked at."""
    before = asking.of(wish.machine).get("last")
    done = asking.ask("bring", wish, program=wish.form.get("program", ""), revision=_number(wish))
    file, until = str(done["file"]), time.monotonic() + _FRONT_S
    while (place := asking.place(wish.machine, file, before)) is What.NOT_SEEN and time.monotonic() < until:
        time.sleep(_LOOK_S)
    if place is What.IN_FRONT:
        try:
            asking.ask("next", wish, file=file)
        except DncdError as error:
            if error.code != NotDoneError.code or asking.place(wish.machine, file, before) is What.IN_FRONT:
                raise  # a batch is in the middle, or the like
            place = What.BEGUN
    return Done(place, file)


def _number(wish: Wish) -> int:
    said = wish.form.get("revision", "")
    if not (said.isascii() and said.isdigit() and 0 < len(said) < 8 and int(said)):
        raise UsageError("no revision is named", wish.machine, "Go back to the machine and ask again")
    return int(said)


def _good(asking: Asking, wish: Wish) -> Done:
    program, note = wish.form.get("program", ""), wish.form.get("note", "")
    done = asking.ask("prove", wish, program=program, revision=_number(wish), note=note)
    return Done(What.PROVEN, program, int(done["revision"]))


def _stop(asking: Asking, wish: Wish) -> Done:
    """What waits is taken back; of what went out, the ledger says in a moment how much."""
    newest = asking.reading.lines(Wanted(), 1)
    done = asking.ask("withdraw", wish, file=wish.form.get("file", ""))
    file, until = str(done.get("file", "")), time.monotonic() + _FRONT_S
    if not done.get("sending"):
        return Done(What.TAKEN_BACK, file)
    ended: list[Record] = []
    while not ended and time.monotonic() < until:
        time.sleep(_LOOK_S)
        later = asking.reading.lines(Wanted(machine=wish.machine), _LATER)
        ended = [line for line in later if line.get("file") == file and line["event"] in _ENDS]
        ended = [line for line in ended if not newest or line["seq"] > newest[0]["seq"]]
    if not ended:
        return Done(What.STOPPED, file)
    line = ended[0]
    if line["event"] == "interrupted" and line.get("chars") != 0:
        return Done(What.STOPPED, file, programs=named(line), chars=line.get("chars", 0))
    return Done(What.BEGUN if line["event"] == "sent" else What.TAKEN_BACK, file)


def _look(asking: Asking, wish: Wish) -> Done:
    """What the service says of a chosen file, which is kept for the yes."""
    file, data = wish.form.get("file", ""), base64.b64encode(wish.data).decode()
    if not wish.data:
        raise UsageError("no file is chosen, or it is empty", wish.machine, "Go back and choose one")
    said = said_of(asking.look("check", wish.machine, file=file, data=data))
    asking.chosen.append((said.sha256, file, wish.data))
    return Done(What.LOOKED_AT, file, said=said)


def _drop(asking: Asking, wish: Wish) -> Done:
    """A file that comes with the form, or the one that was looked at."""
    file, contents = wish.form.get("file", ""), wish.data
    if sha256 := wish.form.get("sha256", ""):
        kept = [data for digest, name, data in tuple(asking.chosen) if (digest, name) == (sha256, file)]
        if not kept:
            raise NotDoneError("the file is not kept any more", wish.machine, "Choose it again")
        contents = kept[-1]
    data = base64.b64encode(contents).decode()
    return Done(What.DROPPED, str(asking.ask("drop", wish, file=file, data=data)["file"]))


def _take_over(asking: Asking, wish: Wish) -> Done:
    """The very text that was looked at, or nothing. One that lacks some of the edit goes over it, the ledger says what."""
    edit = edit_of(asking.reading, wish.machine, wish.form.get("program", ""), number_in(wish.form, "a"))
    found = taken(edit, wish.form)
    said = checked(found, asking.look)
    if (said.sha256, said.seen) != (wish.form.get("sha256"), wish.form.get("seen")):
        raise NotDoneError("this is another text than the one that was looked at", wish.machine, "Look at it anew")
    file = {"file": said.file, "data": said.data}
    if not found.left:
        return Done(What.DROPPED, str(asking.ask("drop", wish, **file)["file"]))
    if wish.form.get("lost") != "yes":
        what, next_step = "nobody said yes to what gets lost", "Go back, read what gets lost, and tick the box"
        raise UsageError(what, wish.machine, next_step)
    done = asking.ask("drop-over-edits", wish, **file, seen=said.seen, left=found.said)
    return Done(What.DROPPED, str(done["file"]))


WAYS: Final[Mapping[str, Callable[[Asking, Wish], Done]]] = {
    "bring": _bring,
    "again": _bring,
    "good": _good,
    "stop": _stop,
    "look": _look,
    "drop": _drop,
    "take-over": _take_over,
}
"""By what a button is called; `people.MAY` says who has it."""
