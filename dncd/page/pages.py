"""The pages to be read: each out of the last status, the records and what was asked for. `PAGES` is the table of them."""

import base64
from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import partial
from typing import Any, Final, cast

from dncd.errors import DncdError, NoServiceError, NotDoneError, UsageError
from dncd.page import taking_over
from dncd.page.door import RefusedError
from dncd.page.feed import FLOOR, mark_of
from dncd.page.reading import Reading, Wanted
from dncd.page.rendering import render
from dncd.page.taking_over import NOTHING, Said, not_looked, said_of
from dncd.page.views import decisions, floor, ledger, line, machine, program
from dncd.program.names import spelt
from dncd.records.holdings import Holdings
from dncd.records.restoring import chosen_of
from dncd.records.revisions import Revision
from dncd.values import Origin

_HAPPENINGS: Final = 1_000
"""Lines of the ledger that a program's story tells at most, the newest."""

_FORM: Final = ("machine", "program", "event", "since", "until", "words")


def _nobody(do: str, machine: str, **_more: object) -> Mapping[str, Any]:
    raise NoServiceError(f"nobody answers {do}", machine, "Start the service")


@dataclass(frozen=True, slots=True)
class Look:
    """What one page is made of. status: of the whole service, {} while it does not answer; place: what the path names; form:
    what was asked for behind it; values: as `render` has them; ask: looks that the service has (`Asking.look`)."""

    reading: Reading
    status: Mapping[str, Any]
    place: Mapping[str, str]
    form: Mapping[str, str]
    now: datetime
    values: Mapping[str, object]
    ask: Callable[..., Mapping[str, Any]] = _nobody

    @property
    def machines(self) -> Mapping[str, Mapping[str, Any]]:
        """The status of each; without a service those of the library, of which only the records are known."""
        found: Mapping[str, Mapping[str, Any]] = self.status.get("machines") or {}
        return found if self.status else {name: {"state": "unknown"} for name in self.reading.machines()}

    @property
    def today(self) -> date:
        """The day of the ledger's clock."""
        return self.now.astimezone(UTC).date()

    def page(self, name: str, **values: object) -> str:
        given = {"now": self.now, "service": floor.service(self.status), **self.values}
        given["undecided"] = self.reading.undecided
        return render(name, **given, **values)

    def board(self) -> machine.Board:
        """The machine that the path names; UsageError where there is none."""
        return self.board_of(self.reading.held(), self.machines)

    def board_of(self, held: Holdings, machines: Mapping[str, Mapping[str, Any]]) -> machine.Board:
        """The same by these records and these machines."""
        name = self.place["machine"]
        if name not in machines:
            others = "Ask who keeps the page" if self.values.get("alone") else f"The machines are {', '.join(machines)}"
            raise UsageError(f"there is no machine {name!r}", "the page", others)
        return machine.board(name, machines[name], held)

    def may(self, kind: str) -> bool:
        return kind in cast(Container[str], self.values.get("may", (kind,)))

    def edit(self) -> taking_over.Edit:
        """What the operator changed, for those who may take it over. RefusedError for others."""
        if not self.may("take-over"):
            raise RefusedError("taking over is the office's", self.place["program"], "Ask who keeps the page")
        base = taking_over.number_in(self.form, "a")
        return taking_over.edit_of(self.reading, self.place["machine"], self.place["program"], base)

    def waiting(self) -> tuple[machine.Waits, ...]:
        """The files of the program that the path names which wait."""
        name = self.place["machine"]
        return machine.board(name, self.machines.get(name, {}), self.reading.held()).waits(self.place["program"])

    def history(self) -> list[Revision]:
        return self.reading.history(self.place["machine"], self.place["program"])

    def revision(self, key: str, history: Sequence[Revision]) -> Revision:
        """The one whose number the form has, else the newest. UsageError where there is none."""
        number = taking_over.number_in(self.form, key, len(history))
        if not 0 < number <= len(history):
            where = self.place.get("program") or self.form.get("program", "")
            raise UsageError("there is no such revision", where, f"It has {len(history)}")
        return history[number - 1]


def _floor(look: Look) -> str:
    shown = floor.floor(look.machines, look.reading.held(), look.form.get("only", ""))
    worse = look.reading.by_week.told(look.today)
    return look.page("floor.html", floor=shown, worse=worse, news=FLOOR, there=mark_of(look.machines), path="/")


def _machine(look: Look) -> str:
    board = look.board()
    worse = look.reading.by_week.told(look.today)
    return look.page("machine.html", board=board, worse=worse, news=board.name)


def _line(look: Look) -> str:
    board = look.board()
    found = look.reading.by_week.health(board.name, look.today)
    return look.page("line.html", board=board, line=line.line(found))


def _programs(look: Look) -> str:
    board = look.board()
    reading, held, only = look.reading, look.reading.held(), look.form.get("only", "")

    def by_office(name: str) -> bool:
        return any(revision.origin is Origin.OFFICE for revision in reading.history(board.name, name))

    found = machine.programs(board.name, reading.newest(board.name), held, by_office)
    counts = {key: sum(map(wanted, found)) for key, wanted in machine.ONLY.items()}
    shown = [each for each in found if machine.ONLY.get(only, machine.ONLY[""])(each)]
    _, left = chosen_of(board.name, held.of(board.name), held.backup(board.name))
    given = {"programs": shown, "counts": counts, "only": only, "left": left}
    return look.page("programs.html", board=board, **given)


def _story(look: Look) -> str:
    name, wanted = look.place["machine"], look.place["program"]
    lines = look.reading.lines(Wanted(machine=name, program=wanted), _HAPPENINGS)
    over = look.reading.lines(Wanted(event="asked", words=("drop-over-edits",)), _HAPPENINGS)  # found by their bytes
    oldest = lines[-1]["seq"] if len(lines) == _HAPPENINGS else 0  # what it let go over an edit before is not shown
    lines += [line for line in over if line.get("machine") == name and line["seq"] > oldest]
    lines.sort(key=lambda line: line["seq"], reverse=True)
    signed = look.reading.held().signed_off(name, wanted)
    history = look.history()
    office, newest = taking_over.pair_of(look.reading, name, wanted)
    edited = office not in (0, newest)
    free = newest if any(revision.origin is Origin.MACHINE for revision in history) else 0
    story, waiting = program.story(name, wanted, history, lines, signed), look.waiting()
    return look.page("program.html", story=story, edited=edited, waiting=waiting, free=free)


def _text(look: Look) -> str:
    revision = look.revision("r", look.history())
    text = program.text_from(look.reading.text(revision), taking_over.number_in(look.form, "from", 1))
    return look.page("text.html", **look.place, revision=revision.number, text=text)


def _differences(look: Look) -> str:
    history = look.history()
    old, new = look.revision("a", history), look.revision("b", history)
    found = program.differences(look.reading.text(old), look.reading.text(new))
    return look.page("differences.html", **look.place, old=old.number, new=new.number, differences=found)


def _take_over(look: Look) -> str:
    edit = look.edit()
    given = {"edit": edit, "refused": taking_over.refused_since(look.reading, edit)}
    given |= {"waiting": look.waiting(), "all": look.form.get("take") != "none"}
    return look.page("take_over.html", **look.place, **given)


def _taken_over(look: Look) -> str:
    """What becomes of a choice, and what the service would say of it: nothing is dropped yet."""
    edit = look.edit()
    taken = taking_over.taken(edit, look.form)
    try:
        said = taking_over.checked(taken, look.ask)
    except NoServiceError as error:
        said = not_looked(error)
    text, changes = program.text_from(taken.text), program.differences(edit.old, taken.text)
    given = {"taken": taken, "said": said, "text": text, "differences": changes, "waiting": look.waiting()}
    return look.page("taken_over.html", **look.place, **given)


def _decisions(look: Look) -> str:
    reading, held = look.reading, look.reading.held()
    boards = [machine.board(name, status, held) for name, status in look.machines.items()]
    damaged = reading.damaged([board.name for board in boards])
    texts, problem = [""] * len(damaged), ""
    if damaged:
        try:
            texts = reading.damaged_texts(damaged)
        except NotDoneError as error:
            problem = str(error)
    by_file = list(zip(damaged, texts, strict=True))
    found = decisions.decisions(boards, held, reading.history, partial(taking_over.pair_of, reading), by_file)
    reading.undecided = len(found)
    return look.page("decisions.html", decisions=found, problem=problem, path="/decisions")


def _log(look: Look) -> str:
    lines = look.reading.lines(ledger.wanted(look.form, look.now), ledger.SHOWN + 1)
    form = {key: look.form.get(key, "") for key in _FORM}
    shown = {"log": ledger.log(lines), "form": form, "machines": list(look.machines), "events": ledger.EVENTS}
    return look.page("log.html", **shown, path="/log")


def _search(look: Look) -> str:
    asked, reading = look.form.get("q", "").strip()[:80], look.reading
    names = list(look.machines) if asked else []
    wanted = ledger.asked_lines(asked, look.now)
    known = [(name, *each) for name in names for each in ledger.known(asked, reading.newest(name), wanted).items()]
    lines = reading.lines(wanted, ledger.SHOWN) if asked else []
    found = {"programs": known[: ledger.SHOWN], "places": reading.texts_with(asked, names, ledger.SHOWN)}
    return look.page("search.html", asked=asked, **found, log=ledger.log(lines), path="/search")


def _verify(look: Look) -> str:
    return look.page("verify.html", verified=look.reading.verified, verifying=look.reading.verifying, path="/verify")


def ask(look: Look, kind: str, problem: str = "") -> str:
    """The page that asks once before something is done. kind: of `rendering.ACTIONS`, or "first"; problem: why it
    was not done."""
    board, reading, held = look.board(), look.reading, look.reading.held()
    wanted = spelt(look.form.get("program", "").strip()[:80])
    if kind != "bring":
        wanted = machine.last_out(board.name, held)
    history, holding = reading.history(board.name, wanted) if wanted else [], held.one(board.name, wanted)
    if kind == "bring" and wanted and not history:
        wanted, problem = "", problem or f"{wanted}: the library has no such program for this machine"
    if kind == "good" and wanted and not holding.held:
        wanted, problem = (
            "",
            problem or f"{wanted}: the control is not known to hold it whole, so no part of it was made",
        )
    number = holding.revision if kind != "bring" and holding.held else len(history)
    if kind == "bring" and history:
        number = look.revision("revision", history).number
    said = NOTHING
    if kind in ("bring", "again") and look.may(kind):
        said = _said_of(look, board.name, wanted, history[number - 1 : number])
    title = history[number - 1].title if 0 < number <= len(history) else ""
    proven = any(signed.revision == number for signed in held.signed_off(board.name, wanted))
    held_now = holding.revision if holding.held else 0
    shown = {"program": wanted, "title": title, "revision": number, "proven": proven, "problem": problem}
    shown |= {"said": said, "held": held_now, "file": look.form.get("file", "")}
    return look.page("ask.html", board=board, kind=kind, **shown)


def _said_of(look: Look, machine: str, program: str, of: Sequence[Revision]) -> Said:
    """What the service says of revisions before they are brought, or why it says nothing; nothing where none runs."""
    for revision in of:
        try:
            text = base64.b64encode(look.reading.text(revision).encode()).decode()
            return said_of(look.ask("check-text", machine, program=program, revision=revision.number, text=text))
        except DncdError as error:
            return NOTHING if isinstance(error, NoServiceError) else not_looked(error)
    return NOTHING


PAGES: Final[Mapping[str, Callable[[Look], str]]] = {
    "/": _floor,
    "/decisions": _decisions,
    "/search": _search,
    "/log": _log,
    "/verify": _verify,
    "/machine/{machine}": _machine,
    "/machine/{machine}/programs": _programs,
    "/machine/{machine}/line": _line,
    "/machine/{machine}/program/{program}": _story,
    "/machine/{machine}/program/{program}/text": _text,
    "/machine/{machine}/program/{program}/differences": _differences,
    "/machine/{machine}/program/{program}/take-over": _take_over,
    "/machine/{machine}/program/{program}/taken-over": _taken_over,
}
