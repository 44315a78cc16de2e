"""What the page asks of the service, over the page's own socket: the service checks all of it and writes down who asked."""

import base64
import enum
import threading
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
from dncd.page.taking_over import NOTHING, Edit, Said, checked, edit_of, number_in, pair_of, said_of, taken
from dncd.page.views.machine import board, named
from dncd.peer_text import local_text
from dncd.records.ledger import utc_now, utc_text
from dncd.values import Origin

_FRONT_S: Final = 3.0
_LOOK_S: Final = 0.1

_LATER: Final = 10
_ENDS: Final = ("sent", "interrupted", "withdrawn")
"""Newest lines of a machine in which the end of what was stopped must stand, and how it may have ended."""

_UNSEEN_S: Final = 60.0
"""Seconds in which the service must have looked at a file of an edit that was taken over: until then it may wait."""

_CHOSEN: Final = 16
"""Files of a megabyte at most that are kept until somebody says yes; a newer one makes room."""


class What(enum.StrEnum):
    """What was done, or where a dropped file is: the words for it are the template's."""

    IN_FRONT = "in front"
    NOT_SEEN = "not seen"
    BEGUN = "begun"
    ENDED = "ended"
    DROPPED = "dropped"
    TAKEN_BACK = "taken back"
    STOPPED = "stopped"
    PROVEN = "proven"
    LOOKED_AT = "looked at"


@dataclass(frozen=True, slots=True)
class Done:
    """name: of the file, or of the program that is proven with its revision; said: of a file that was looked at, over:
    whether it may go over what it lacks; programs: of which the control has a part, chars: that went out of them, 0 where
    nobody knows; ahead: the files that wait in front of it; event: how it ended."""

    what: What
    name: str
    revision: int = 0
    said: Said = NOTHING
    over: bool = False
    programs: tuple[str, ...] = ()
    chars: int = 0
    ahead: tuple[str, ...] = ()
    event: str = ""


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
    taking: threading.Lock = field(default_factory=threading.Lock)
    unseen: dict[tuple[str, str], float] = field(default_factory=dict)
    """Edits that were taken over and of which no file was seen: machine and commit, and when."""

    def look(self, do: str, machine: str, **more: Any) -> Mapping[str, Any]:
        """What the service says of something that nobody has dropped yet. Errors as `command_client.ask`."""
        return ask(self.socket, {"do": do, "machine": machine, **more})

    def ask(self, do: str, wish: Wish, **more: Any) -> dict[str, Any]:
        return ask(self.socket, {"do": do, "machine": wish.machine, "by": wish.by, **more})

    def of(self, machine: str) -> Mapping[str, Any]:
        """The newest status of a machine that is known; {} for none. Where more wait than news name, it is asked for."""
        found: Mapping[str, Any] = self.status().get("machines", {}).get(machine, {})
        if "waiting_more" in found:
            found = ask(self.socket, {"do": "status"})["machines"].get(machine, {})
        return found

    def place(self, machine: str, file: str, before: str) -> Done:
        """Where a file is that was dropped just now; DROPPED where it waits. before: when that was asked for, UTC."""
        status = self.of(machine)
        waiting = tuple(map(str, status.get("waiting", ())))
        if file in waiting:
            return Done(What.DROPPED, file, ahead=waiting[: waiting.index(file)])
        last = status.get("last") or {}
        if last.get("file") == file and str(last.get("time", "")) >= before:
            return Done(What.ENDED, file, event=str(last.get("event")))
        return Done(What.BEGUN if (status.get("transfer") or {}).get("file") == file else What.NOT_SEEN, file)

    def seen(self, machine: str, file: str, before: str) -> Done:
        """The same as soon as the service has looked at it; NOT_SEEN where that takes too long."""
        until = time.monotonic() + _FRONT_S
        while (done := self.place(machine, file, before)).what is What.NOT_SEEN and time.monotonic() < until:
            time.sleep(_LOOK_S)
        return done


def _bring(asking: Asking, wish: Wish) -> Done:
    """A revision of the library, dropped by the service as it was, and in front as soon as it was looked at."""
    before = utc_text(utc_now())
    file = str(asking.ask("bring", wish, program=wish.form.get("program", ""), revision=_number(wish))["file"])
    done = asking.seen(wish.machine, file, before)
    if done.what is What.DROPPED:
        try:
            asking.ask("next", wish, file=file)
            return Done(What.IN_FRONT, file, revision=_number(wish))
        except DncdError as error:
            done = asking.place(wish.machine, file, before)
            if error.code != NotDoneError.code or done.what is What.DROPPED:
                raise  # a batch is in the middle, or the like
    return done


def _number(wish: Wish) -> int:
    if not (number := number_in(wish.form, "revision")):
        raise UsageError("no revision is named", wish.machine, "Go back to the machine and ask again")
    return number


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
    return Done(What.ENDED, file, event="sent") if line["event"] == "sent" else Done(What.TAKEN_BACK, file)


def _first(asking: Asking, wish: Wish) -> Done:
    """A file that waits, in front of all others."""
    file = wish.form.get("file", "")
    asking.ask("next", wish, file=file)
    return Done(What.DROPPED, file)


def _look(asking: Asking, wish: Wish) -> Done:
    """What the service says of a chosen file, which is kept for the yes."""
    file, data = wish.form.get("file", ""), base64.b64encode(wish.data).decode()
    if not wish.data:
        raise UsageError("no file is chosen, or it is empty", wish.machine, "Go back and choose one")
    said = said_of(asking.look("check", wish.machine, file=file, data=data))
    asking.chosen.append((said.sha256, file, wish.data))
    return Done(What.LOOKED_AT, file, said=said, over=_may_go_over(asking, wish, said))


def _may_go_over(asking: Asking, wish: Wish, said: Said) -> bool:
    """Whether the office has no text of its own of all programs that it lacks something of, though it may have sent the
    control's back: into one of its own, or one that was changed since it went back, the edit is taken over."""

    def is_controls(name: str) -> bool:
        office, newest = pair_of(asking.reading, wish.machine, name)
        texts = asking.reading.history(wish.machine, name)
        return office in (0, newest) and all(text.origin is Origin.MACHINE for text in texts)

    return said.goes and bool(said.lacking) and all(map(is_controls, said.lacking))


def _drop(asking: Asking, wish: Wish) -> Done:
    """A file that comes with the form, or the one that was looked at, with `seen` over what it lacks of the control's."""
    file, contents = wish.form.get("file", ""), wish.data
    if sha256 := wish.form.get("sha256", ""):
        kept = [data for digest, name, data in tuple(asking.chosen) if (digest, name) == (sha256, file)]
        if not kept:
            raise NotDoneError("the file is not kept any more", wish.machine, "Choose it again")
        contents = kept[-1]
    given = {"file": file, "data": base64.b64encode(contents).decode()}
    if not (seen := wish.form.get("seen", "")):
        return _dropped(asking, wish, "drop", **given)
    said = said_of(asking.look("check", wish.machine, **given))
    if not _may_go_over(asking, wish, said):
        raise NotDoneError("this is not what was looked at any more", wish.machine, "Choose the file again")
    return _over(asking, wish, seen=seen, left="; ".join(said.edits), **given)


def _over(asking: Asking, wish: Wish, **given: str) -> Done:
    """A file that goes over an edit, once somebody has said yes to what gets lost."""
    if wish.form.get("lost") != "yes":
        what, next_step = "nobody said yes to what gets lost", "Go back, read what gets lost, and tick the box"
        raise UsageError(what, wish.machine, next_step)
    return _dropped(asking, wish, "drop-over-edits", **given)


def _dropped(asking: Asking, wish: Wish, do: str, **more: str) -> Done:
    before = utc_text(utc_now())
    return asking.seen(wish.machine, str(asking.ask(do, wish, **more)["file"]), before)


def _take_over(asking: Asking, wish: Wish) -> Done:
    """One at a time, so that each sees the file of the one before."""
    if not asking.taking.acquire(timeout=_FRONT_S):
        what = "somebody else takes an edit over just now"
        raise NotDoneError(what, wish.machine, "Ask again in a moment")
    try:
        return _taken_over(asking, wish)
    finally:
        asking.taking.release()


def _not_twice(asking: Asking, edit: Edit) -> None:
    """NotDoneError where a text of this program waits already, or may wait."""
    at = asking.unseen.get((edit.machine, edit.edited.commit), -_UNSEEN_S)
    known = board(edit.machine, asking.of(edit.machine), asking.reading.held())
    files = [
        f": {each.file}{f', by {each.asked_by}' if each.asked_by else ''}, {local_text(each.dropped)}"
        for each in known.waits(edit.program)
    ]
    if files or edit.program in known.brings.then or time.monotonic() - at < _UNSEEN_S:
        what = (
            f"a text of it already waits{files[0]}" if files else "a text of it already waits, or was dropped just now"
        )
        raise NotDoneError(what, edit.program, "Let it go, or take it back first at the machine")


def _taken_over(asking: Asking, wish: Wish) -> Done:
    """The very text that was looked at, or nothing. One that lacks some of the edit goes over it, the ledger says what."""
    edit = edit_of(asking.reading, wish.machine, wish.form.get("program", ""), number_in(wish.form, "a"))
    found = taken(edit, wish.form)
    said = checked(found, asking.look)
    if (said.sha256, said.seen) != (wish.form.get("sha256"), wish.form.get("seen")):
        raise NotDoneError("this is another text than the one that was looked at", wish.machine, "Look at it anew")
    _not_twice(asking, edit)
    file, key = {"file": said.file, "data": said.data}, (edit.machine, edit.edited.commit)
    asking.unseen[key] = time.monotonic()  # an error may say that nobody knows whether it lies there
    try:
        if found.left:
            done = _over(asking, wish, **file, seen=said.seen, left=found.said)
        else:
            done = _dropped(asking, wish, "drop", **file)
    except UsageError:
        del asking.unseen[key]
        raise
    if done.what is not What.NOT_SEEN:
        del asking.unseen[key]
    return done


WAYS: Final[Mapping[str, Callable[[Asking, Wish], Done]]] = {
    "bring": _bring,
    "again": _bring,
    "good": _good,
    "stop": _stop,
    "first": _first,
    "look": _look,
    "drop": _drop,
    "take-over": _take_over,
}
"""By what a button is called; `people.MAY` says who has it. Errors as `command_client.ask`."""
