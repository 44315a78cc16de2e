"""`dncd line watch`: what goes over a line while it goes, both ways; and a recording of it."""

import contextlib
import dataclasses
import math
import select
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Final

import click

from dncd.cli.asking import FILE, MACHINE, Asked, command
from dncd.cli.layout import count
from dncd.commissioning.recording import Entry, Note, Passed, View, Way, entry_lines, head_lines, read_entry
from dncd.errors import DncdError, NoServiceError, NotDoneError
from dncd.outside.command_client import StreamRequest
from dncd.peer_text import printable
from dncd.ports.port import Reading
from dncd.ports.session import LineSession
from dncd.records.ledger import utc_now
from dncd.tape.codes import Coder
from dncd.values import MachineSettings, Modem

REST_S: Final = 0.25
"""Seconds after which what stands in an unfinished line of the view is shown as it is."""

WIDE_CHARS: Final = 60
"""Most characters in one line of the view."""


@command(MACHINE)
@click.option("--record", metavar="FILE", type=FILE, help="Keep it, for `dncd line replay`.")
@click.option("--seconds", "longest", type=click.FloatRange(0), metavar="N", help="Stop after N seconds.")
def watch(given: Asked, machine: str, *, record: Path | None, longest: float | None) -> None:
    """With the service running it is a copy of what the service hears and says, and takes nothing from it. Without the
    service dncd only listens: it answers nothing.
    """
    settings = given.machine(machine)
    shown = Shown(settings)
    until = time.monotonic() + (longest if longest is not None else math.inf)
    with _recorder(record, settings) as keep:

        def tell(entry: Entry) -> None:
            keep(entry)
            shown.take(entry)

        with contextlib.suppress(KeyboardInterrupt):
            _watch(given, settings, tell, shown, until)
    shown.rest()
    where = f"; recorded in {record}" if record else ""
    click.echo(f"{count(shown.came, 'character')} from the control, {shown.went:,} to it{where}", err=True)


def _watch(
    given: Asked, settings: MachineSettings, tell: Callable[[Entry], None], shown: "Shown", until: float
) -> None:
    try:
        held = StreamRequest(given.state, {"do": "watch", "machine": settings.name})
    except DncdError as error:
        if not isinstance(error, NoServiceError) and error.code != "usage":
            raise  # a machine that the service does not know yet is free to be opened
    else:
        with held:
            click.echo(f"A copy of what the service does on this line; it is {held.content['state']}.", err=True)
            _follow(held, tell, shown, until)
        return
    click.echo("No service runs on this line: dncd listens, and answers nothing.", err=True)
    began = time.monotonic()
    with LineSession(settings.line, lambda entry: tell(dataclasses.replace(entry, at=entry.at - began))) as session:
        for note in session.port.notes:
            tell(Note(time.monotonic() - began, note))
        session.run(Listening(shown.rest), until - time.monotonic())


def _follow(held: StreamRequest, tell: Callable[[Entry], None], shown: "Shown", until: float) -> None:
    last = 0.0
    while (left := until - time.monotonic()) > 0:
        for news in held.news():
            if "dropped" in news:
                said = f"{news['dropped']} entries were not shown here: this watcher was too slow for the line"
                tell(Note(last, said))
            for line in str(news.get("lines", "")).splitlines():
                entry = read_entry(line, "what the service says")
                last = entry.at
                tell(entry)
        if not select.select([held], [], [], min(left, REST_S))[0]:
            shown.rest()


class Listening:
    """Does nothing but listen. rested: called when nothing came for a moment."""

    over = False

    def __init__(self, rested: Callable[[], None]) -> None:
        self._rested = rested
        self._rest_at = math.inf

    def start(self, session: LineSession, now: float) -> None:
        """Listens."""

    def feed(self, reading: Reading, now: float) -> None:
        """Told already by the session."""
        self._rest_at = now + REST_S

    def modem(self, lines: Modem, now: float) -> None:
        """Told already by the session."""

    def turn(self, now: float) -> None:
        if now >= self._rest_at:
            self._rest_at = math.inf
            self._rested()

    def next_due(self) -> float:
        return self._rest_at


class Shown:
    """Puts entries on the screen, characters together as far as they belong together: a block a line."""

    def __init__(self, settings: MachineSettings) -> None:
        coder = Coder.of(settings.tape, settings.line)
        self._view = View(coder)
        self._ends = coder.signals(0x0A)
        self._open: Passed | None = None
        self.came = self.went = 0

    def take(self, entry: Entry) -> None:
        if not isinstance(entry, Passed):
            self.rest()
            click.echo(self._view.line(entry))
            return
        if entry.way is Way.FROM_CONTROL:
            self.came += len(entry.data)
        else:
            self.went += len(entry.data)
        for piece in _pieces(entry, self._ends):
            self._join(piece)

    def rest(self) -> None:
        if self._open is not None:
            click.echo(self._view.line(self._open))
            self._open = None

    def _join(self, piece: Passed) -> None:
        before = self._open
        if before is not None and (before.way is not piece.way or piece.at - before.at > _OPEN_S):
            self.rest()
            before = None
        if before is not None:
            marked = (*before.marked, *(len(before.data) + index for index in piece.marked))
            piece = Passed(before.at, piece.way, before.data + piece.data, marked)
        self._open = piece
        if piece.data[-1] in self._ends or len(piece.data) >= WIDE_CHARS:
            self.rest()


_OPEN_S: Final = 2.0
"""Seconds from its first character after which a line of the view is not added to."""


def _pieces(entry: Passed, ends: frozenset[int]) -> Iterator[Passed]:
    """The entry cut behind each block end and into lines that fit."""
    first = 0
    for index, byte in enumerate(entry.data):
        if byte in ends or index - first + 1 >= WIDE_CHARS or index + 1 == len(entry.data):
            marked = tuple(mark - first for mark in entry.marked if first <= mark <= index)
            yield Passed(entry.at, entry.way, entry.data[first : index + 1], marked)
            first = index + 1


@contextlib.contextmanager
def _recorder(file: Path | None, settings: MachineSettings) -> Iterator[Callable[[Entry], None]]:
    """Writes each entry to the file at once; nowhere without one. NotDoneError where it cannot be written."""
    if file is None:
        yield lambda _: None
        return
    try:
        out = file.open("x", encoding="utf-8", buffering=1)
    except FileExistsError:
        raise NotDoneError("the file exists, and nothing is overwritten", str(file), "Name another FILE") from None
    except OSError as error:
        raise NotDoneError(f"it cannot be written: {error.strerror}", str(file), "Name another FILE") from None
    with out:
        line, began = settings.line, utc_now().strftime("%Y-%m-%dT%H:%M:%SZ")
        how = f"{line.baud} {line.frame} {settings.tape.code.value}"
        head = {"machine": settings.name, "port": printable(line.port), "began": began, "line": how}
        _write(out, head_lines(head), file)
        yield lambda entry: _write(out, entry_lines(entry), file)


def _write(out: IO[str], text: str, file: Path) -> None:
    try:
        out.write(text)
    except OSError as error:
        what = f"the recording cannot be continued: {error.strerror}"
        next_step = "What came before is kept in it; make room and start a new recording"
        raise NotDoneError(what, str(file), next_step) from None
