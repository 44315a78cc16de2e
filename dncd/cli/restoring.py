"""Files of a restore: the dump, programs that need a file of their own, and what a person must know of them."""

import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from dncd import errors
from dncd.cli import dropping
from dncd.cli.invocation import Asked
from dncd.errors import NotDoneError, UsageError
from dncd.peer_text import some
from dncd.records import durable
from dncd.records.holdings import Holdings, How, is_data
from dncd.records.ledger import utc_now
from dncd.records.library import Library
from dncd.records.plans import STAMP
from dncd.records.restoring import Dump, Left, Piece, compose, held_at, tape
from dncd.values import TapeSettings

_SHOWN: Final = 20

CAUTIONS: Final = (
    "Before it cuts: prove out each program as a new one (single block, dry run, reduced rapid).",
    "It overwrites programs of the same number in the control: punch those out first if anybody may have changed them.",
)


@dataclass(frozen=True, slots=True)
class Restore:
    """name: of its file, without extension; left: programs that are not in it."""

    name: str
    extension: str
    line_end: str
    dump: Dump
    left: tuple[Left, ...]

    @property
    def pieces(self) -> tuple[Piece, ...]:
        """Every program, those with a file of their own last."""
        return (*self.dump.pieces, *self.dump.alone)

    def files(self) -> Iterator[tuple[str, bytes]]:
        if self.dump.pieces:
            yield self.name + self.extension, self._bytes(self.dump.text)
        opening = self.dump.opening[:1]
        for piece in self.dump.alone:
            text = tape(piece.mark_line or opening, piece.text, self.dump.closing)
            yield piece.program + self.extension, self._bytes(text)

    def _bytes(self, text: str) -> bytes:
        return text.replace("\n", self.line_end).encode("utf-8")

    def told(self) -> Iterator[str]:
        """What a person must know of it, a line each."""
        sent = [piece.program for piece in self.pieces if piece.how is How.SENT]
        if sent:
            yield f"only sent, never checked by punching them back ({len(sent)}): {some(sent, _SHOWN)}"
        data = [piece.program for piece in self.pieces if is_data(piece.program)]
        if data:
            yield f"data in the dump, as old as the dump ({len(data)}): {some(data, _SHOWN)}. Check offsets before it cuts."
        if self.dump.alone and self.dump.pieces:
            alone = [piece.program for piece in self.dump.alone]
            why = "because their names stand on their mark lines"
            yield f"in files of their own, {why} ({len(alone)}): {some(alone, _SHOWN)}"
        yield from _left_out(self.left)
        yield from CAUTIONS


def _left_out(left: tuple[Left, ...]) -> Iterator[str]:
    """What is not restored: one line for all that are left out for one reason, with the command that gets them."""
    for reason, command in dict.fromkeys((each.reason, each.command) for each in left):
        programs = [each.program for each in left if (each.reason, each.command) == (reason, command)]
        more = f" ({len(programs)})" if len(programs) > 1 else ""
        yield f"left out{more}: {some(programs, _SHOWN)}: {reason}"
        if command:
            yield f"  to get {'them' if more else 'it'}, type: {shlex.join(errors.start_with)} {command}"


def make(given: Asked, machine: str, holdings: Holdings, *, each: bool) -> Restore:
    """What the control held; each: with a file for each program. NotDoneError where it is not known to hold anything."""
    shop = given.settings.shop
    known = given.settings.machines.get(machine)
    settings = known.tape if known else TapeSettings()
    backup = holdings.backup(machine)
    with Library(given.state) as library:
        found = held_at(library, machine, holdings.of(machine), backup)
    if not found.pieces:
        raise NotDoneError("the control is not known to have held any program then", machine, "Look at `dncd holds`")
    opening, closing = settings.opening, settings.closing
    if backup and backup.mark_line:
        opening, closing = backup.mark_line, settings.closes
    dump = compose(found.pieces, opening, closing, settings.mark)
    if each:
        dump = Dump(dump.opening, (), dump.closing, (*dump.pieces, *dump.alone))
    name = f"{machine}-{utc_now().strftime(STAMP)}"
    return Restore(name, shop.file_extension, shop.file_line_end.chars, dump, found.left)


def write(made: Restore, folder: Path, file: Path | None) -> list[Path]:
    """Writes the files, the dump as `file` if one is named and the others beside it. UsageError for a name that is taken."""
    files = list(made.files())
    paths = [folder / durable.tidy_name(name) for name, _ in files]
    if file is not None:
        paths = [file if made.dump.pieces and n == 0 else file.parent / path.name for n, path in enumerate(paths)]
    for path in paths:
        if path.exists():
            raise UsageError("there is a file of this name", str(path), "Nothing is overwritten: name another one")
    for path, (_, data) in zip(paths, files, strict=True):
        with durable.reporting("the file cannot be written", path):
            durable.make_folder(path.parent)
            durable.write_new(path, [data])
    return paths


def drop(given: Asked, machine: str, paths: list[Path]) -> list[str]:
    """Drops the files for a machine; their names there. A dump of another day goes over later edits."""
    given.machine(machine)
    for path in paths:
        given.ask("over-edits", machine, sha256=durable.sha256_of(path))
    folder = given.settings.shop.folder / machine / "to-machine"
    return [dropping.drop(path, folder) for path in paths]
