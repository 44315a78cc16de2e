"""What the shop's page may ask for, over a socket of its own in `STATE/page/`: one table of words, and nothing beside it.

The page's process may be open to many. Whoever breaks it has these words and no others: each is taken apart and made anew
here, each that does something needs a name and stands in the ledger (`asked`) before it is done, and there are no more of
them in a minute than people's hands make. The socket lies in the state folder, for that is where both look already, whatever
starts them; its folder keeps the page from the other socket, which turns the page's user away.
"""

import base64
import contextlib
import enum
import hashlib
import pwd
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, Final

from dncd.errors import NotDoneError, UsageError
from dncd.outside.command_client import DROP_BYTES, PAGE
from dncd.outside.command_server import Limits, StreamReply
from dncd.outside.folder_looks import left_alone
from dncd.outside.workers import Worker
from dncd.peer_text import printable
from dncd.program.names import mark_name, own_name
from dncd.records import durable
from dncd.records.ending_words import HERE
from dncd.records.restoring import piece_of, tape
from dncd.records.shop_folders import TO_MACHINE
from dncd.service.requests import Requests
from dncd.service.signing import recorded

USER: Final = "dncd-page"
"""Of the page's process where it has one of its own (systemd/dncd.sysusers)."""

LIMITS: Final = Limits(request=DROP_BYTES * 4 // 3 + 40_960, clients=12, lasting=2, at_once=12)
"""All at once: a stop must never stand behind looks and drops that wait for a share which hangs."""

DEEDS: Final = 60
DEEDS_S: Final = 60.0
"""So many deeds in so many seconds: a shop of 64 machines asks for a few. More would fill ledger and folders."""

_Fields = Mapping[str, type]

_LOOKS: Final[Mapping[str, _Fields]] = {
    "status": {},
    "follow": {},
    "check": {"file": str, "data": str},
    "check-text": {"program": str, "revision": int, "text": str},
}
"""Words that change nothing. `check`: what would be said of a file if it were dropped now; `check-text`: of a text in place
of a revision's (base64 of UTF-8), with the file that it makes."""

_DEEDS: Final[Mapping[str, _Fields]] = {
    "next": {"file": str},
    "bring": {"program": str, "revision": int},
    "withdraw": {"file": str},
    "prove": {"program": str, "revision": int, "note": str},
    "drop": {"file": str, "data": str},
    "drop-over-edits": {"file": str, "data": str, "seen": str, "left": str},
}
"""Word → what it needs beside `machine` and `by`, none of it empty. All but the drops and `bring` (a revision of the
library, dropped as it was) are done as `Requests` does them. `drop-over-edits` is for a file that lacks what the operator
changed, `left`: what of it, in words for the ledger. It goes with these very contents, once, and only while nothing came
back from the control since `seen`, which a check gave."""


class _Allowance(enum.Enum):
    """A stop has one of its own: nothing else takes it, and looks take nothing from what is done."""

    STOPS = enum.auto()
    LOOKS = enum.auto()
    DEEDS = enum.auto()

    @classmethod
    def of(cls, do: str) -> "_Allowance":
        return cls.STOPS if do == "withdraw" else cls.LOOKS if do in _LOOKS else cls.DEEDS


def folder_of(state: Path) -> Path:
    """The folder of the page's socket, made if it is missing."""
    durable.make_folder(state / PAGE)
    return state / PAGE


def barred() -> frozenset[int]:
    """The users whom the service's main socket turns away: the page's own, where this system has one."""
    try:
        return frozenset({pwd.getpwnam(USER).pw_uid})
    except KeyError:
        return frozenset()


@dataclass(frozen=True, slots=True)
class PageDoor:
    """Answers the page. clock: seconds, of any start."""

    desk: Requests
    clock: Callable[[], float] = time.monotonic
    _done_at: Mapping[_Allowance, deque[float]] = field(
        default_factory=lambda: {kind: deque(maxlen=DEEDS) for kind in _Allowance}
    )

    def answer(self, request: Mapping[str, Any]) -> dict[str, Any] | StreamReply:
        """As `Requests.answer`; UsageError for what the page may not ask for."""
        do = request.get("do")
        fields = {**_LOOKS, **_DEEDS}.get(do) if isinstance(do, str) else None
        if fields is None:
            raise UsageError(f"the page may not ask for {printable(str(do))[:40]!r}", "page socket", _SHELL)
        if not fields:
            return self.desk.answer({"do": do})
        asked = _taken(fields if do in _LOOKS else {"by": str, **fields}, request)
        machine = self.desk.in_loop(lambda: self.desk.machine(asked).name)
        done_at = self._done_at[_Allowance.of(str(do))]
        if len(done_at) == DEEDS and self.clock() - done_at[0] < DEEDS_S:
            what = f"{DEEDS} things were asked for in a minute, and no more may"
            raise NotDoneError(what, "page socket", "Look who asks, in `dncd log`; wait a minute")
        done_at.append(self.clock())
        if do == "check":
            return self._check(asked, asked["file"], _decoded(asked["data"]))
        if do == "check-text":
            name, data = self._revision(machine, asked, _decoded(asked["text"]).decode("utf-8", "replace"))
            return {"file": name, "data": base64.b64encode(data).decode(), **self._check(asked, name, data)}
        if do in ("drop", "drop-over-edits"):
            return self._drop(machine, asked, asked["file"], _decoded(asked["data"]))
        if do == "bring":
            return self._drop(machine, asked, *self._revision(machine, asked))
        what = " ".join(printable(str(asked[key]))[:120] for key in _DEEDS[str(do)] if key != "note")
        self._note(machine, asked, what)
        return self.desk.answer(asked)

    def _note(self, machine: str, asked: Mapping[str, Any], what: str) -> None:
        parts, said = self.desk.parts, {"do": asked["do"], "by": asked["by"], "what": what}
        recorded(parts.workers, machine, lambda: parts.store.note("asked", machine=machine, **said))

    def _check(self, asked: Mapping[str, Any], name: str, data: bytes) -> dict[str, Any]:
        """What the service would say of a file: what is against it, what the operator changed and it lacks, and warnings."""
        station = self.desk.in_loop(lambda: self.desk.machine(asked))
        self._not_full(self.desk.parts.workers.checks, "the service looks at other files just now", asked["machine"])

        def look() -> dict[str, Any]:
            checked = station.look_at(name, data)
            others = [said.replace(HERE, name) for said in checked.refusals if said not in checked.edits]
            edits = [said for said in checked.edits if HERE not in said]  # what to do about them, the page knows
            found = {"names": checked.programs, "refusals": others, "edits": edits, "warnings": checked.warnings}
            seen = station.edits_seen(checked.programs)
            return {"sha256": checked.sha256, "programs": checked.titles, "seen": seen, **found}

        try:
            return self.desk.parts.workers.checks.result_of(look, _SHARE_S)
        except TimeoutError:
            what = "the service looks at other files just now"
            raise NotDoneError(what, asked["machine"], "Ask again in a moment") from None

    def _not_full(self, worker: Worker, what: str, machine: str) -> None:
        """What waits keeps its file in memory, also when nobody waits for it any more."""
        if worker.waiting() > _MOST_WAITING + 2 * len(self.desk.parts.stations):
            raise NotDoneError(what, machine, "Look whether the share is there")

    def _revision(self, machine: str, asked: Mapping[str, Any], instead: str = "") -> tuple[str, bytes]:
        """A file of a revision, or of the text that stands instead: its mark line says its name where its text does not. One
        that came behind another in a file had that one's number on the mark line, by which a control might store it."""
        parts, shop = self.desk.parts, self.desk.parts.stations.settings.shop
        found = (parts.store.library, machine, asked["program"], asked["revision"])
        piece = recorded(parts.workers, machine, lambda: piece_of(*found))
        marks = self.desk.in_loop(lambda: self.desk.machine(asked).settings.tape)
        named, own = mark_name(piece.mark_line, marks.mark), own_name(piece.program)
        line = piece.mark_line if named.number < 0 or named.name == own else ""
        text = tape(line or marks.opening, instead or piece.text, marks.closes if line else marks.closing)
        name = durable.tidy_name(f"{piece.program}{shop.file_extension}")
        return name, text.replace("\n", shop.file_line_end.chars).encode()

    def _drop(self, machine: str, asked: Mapping[str, Any], wanted: str, data: bytes) -> dict[str, Any]:
        """A file as the office would drop it. The name is a name and never a path; one that is taken gets a number."""
        name = durable.tidy_name(wanted)
        if left_alone(name) or name != wanted:
            what = "files with such a name are left alone: nobody means them as programs"
            raise UsageError(what, printable(wanted)[:120], "Give it another name")
        parts = self.desk.parts
        self._not_full(parts.workers.notes, "the shop's folder takes nothing just now", machine)
        sha256, over = hashlib.sha256(data).hexdigest(), asked["do"] == "drop-over-edits"
        if over and self._check(asked, name, data)["seen"] != asked["seen"]:
            what, next_step = "the control punched it out again meanwhile", "Look anew at what the operator changed"
            raise NotDoneError(what, machine, next_step)
        left = f", over the operator's edit, without {printable(asked['left'])[:_LEFT_CHARS]}" if over else ""
        self._note(machine, asked, f"{name} {len(data)} bytes, SHA-256 {sha256}{left}")
        station = self.desk.in_loop(lambda: self.desk.machine(asked))

        def allowed(file: str) -> Callable[[], None]:
            """Lets it go over the edit; gives what takes that back where it lies nowhere."""
            if len(station.droppers) >= _DROPPERS:
                station.droppers.pop(next(iter(station.droppers)), None)
            station.droppers[file, sha256] = asked["do"], asked["by"]
            if over:
                station.allow("over-edits", sha256, asked["seen"], asked["by"], file)
            return partial(station.forbid, sha256, file, "over-edits") if over else lambda: None

        try:
            return parts.workers.notes.result_of(partial(self._write, machine, name, data, allowed), _SHARE_S)
        except TimeoutError:
            next_step = "Look whether the share is there, and at `dncd status` for what waits, before you drop it again"
            raise NotDoneError("the shop's folder is slow: the file may wait or not", machine, next_step) from None

    def _write(
        self, machine: str, name: str, data: bytes, allowed: Callable[[str], Callable[[], None]]
    ) -> dict[str, Any]:
        folders = self.desk.parts.store.shop.folders
        with (
            durable.reporting("the file cannot be dropped", folders.path_of(machine, TO_MACHINE)),
            folders.opened(machine, TO_MACHINE) as folder,
        ):
            while True:
                free = durable.free_name(folder, name)
                with contextlib.ExitStack() as undo:
                    undo.callback(allowed(free))
                    try:
                        durable.write_new(folder / free, (data,), mode=durable.SHARED_FILE_MODE)
                    except FileExistsError:
                        continue  # somebody took the name between the look and the link
                    undo.pop_all()
                return {"file": free}


_DROPPERS: Final = 500
"""Newest files of a machine of which it is known who had them dropped."""

_LEFT_CHARS: Final = 2_000
"""Of what was left out, in the ledger."""

_SHELL: Final = "Ask with the command itself, on the service's computer"

_MOST_WAITING: Final = 8
"""Jobs of a thread beyond those of a round: a share that hangs must not fill the memory with files."""

_SHARE_S: Final = 4.0
"""Seconds in which a share must have taken a file, within the patience of whoever asked."""


def _taken(own: _Fields, request: Mapping[str, Any]) -> dict[str, Any]:
    """The request with what belongs to it, and nothing else. UsageError where something is missing, or is no such thing."""
    do, fields = request["do"], {"machine": str, **own}
    by = " ".join(printable(str(request.get("by"))).split())[:80]
    for key, kind in fields.items():
        if type(request.get(key)) is not kind or not request[key] or ("by" in own and not by):
            what = f"{do} needs {key!r}, {'a text' if kind is str else 'a number'} that is not empty"
            raise UsageError(what, "page socket", "Update the page")
    return {"do": do, **{key: request[key] for key in fields}, **({"by": by} if "by" in own else {})}


def _decoded(data: str) -> bytes:
    try:
        found = base64.b64decode(data, validate=True)
    except ValueError:
        raise UsageError("its contents are no base64", "page socket", "Update the page") from None
    if not found or len(found) > DROP_BYTES:
        what = f"it has {len(found)} bytes, and the page takes 1 to {DROP_BYTES}"
        raise UsageError(what, "page socket", "Drop it into the shop's folder")
    return found
