"""What the library knows against a dropped program: edits of the operator that it lacks, other uses of its name."""

import dataclasses
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from dncd.outside.comparer import NOT_COMPARED, Comparer
from dncd.peer_text import printable
from dncd.program.edits import LostEdit, Version
from dncd.records.checks import Readback
from dncd.records.library import Library
from dncd.records.revisions import Revision
from dncd.values import MachineSettings, Origin

_EDITS_LOOKED_AT: Final = 12
"""Revisions from the machine that are looked at, the newest; how many the office made since does not count."""

_COMPARED_CHARS: Final = 4 * 1024 * 1024
"""Characters above which no control's memory lets an operator edit; such a program is sent as it is."""


@dataclass(frozen=True, slots=True)
class Lost:
    """One program's edits that a dropped text does not hold."""

    program: str
    edits: tuple[LostEdit, ...]


class EditsDesk:
    """For one machine. Each call is told which library to read: a reader belongs to one thread.

    readback: what came back of a program since something of it went out last.
    """

    def __init__(
        self, settings: MachineSettings, comparer: Comparer, extension: str, readback: Callable[[str], Readback]
    ) -> None:
        self._machine, self._comparer, self._extension = settings.name, comparer, extension
        self._readback = readback

    def newest(self, library: Library, programs: Iterable[str]) -> dict[str, str]:
        """Of each program that has a revision, the commit of its newest one and the number of what came back last: another
        value, and the operator may have made an edit, also one that was taken back and is no new revision."""
        found = ((p, self._readback(p), library.history(self._machine, p)) for p in programs)
        return {p: f"{history[-1].commit}, back {readback.back}" for p, readback, history in found if history}

    def lost(self, library: Library, texts: Iterable[tuple[str, str]]) -> tuple[Lost, ...]:
        """texts: program and text, LF line ends. What each lacks, where anything."""
        found = []
        for program, text in texts:
            readback = self._readback(program)  # before the history: an edit that comes meanwhile counts as an edit
            history = library.history(self._machine, program)
            if not (looked_at := _with_edits(history)):
                continue
            if readback.known == len(history) and 0 < readback.back < len(history):
                looked_at.append(dataclasses.replace(history[readback.back - 1], origin=Origin.OFFICE))
            versions = self._versions(library, looked_at)
            if versions and (edits := self._comparer.lost_edits(versions, text)):
                found.append(Lost(program, edits))
        return tuple(found)

    @staticmethod
    def _versions(library: Library, history: list[Revision]) -> list[Version]:
        texts = [library.blob(revision.blob).decode("utf-8") for revision in history]
        if any(len(text) > _COMPARED_CHARS for text in texts):
            return []
        return [Version(r.number, r.origin, text) for r, text in zip(history, texts, strict=True)]

    def refusals(self, lost: Iterable[Lost], file: str) -> tuple[str, ...]:
        """The sentences of a refusal: what is missing, and the ways out."""
        said = []
        for program in lost:
            for edit in program.edits:
                shown = "; ".join(printable(line) for line in edit.differences) or "block numbers or blanks alone"
                what = "this file lacks what the operator changed at the machine"
                if edit.differences == (NOT_COMPARED,):
                    what = "nothing tells whether this file holds what the operator changed at the machine"
                elif edit.number == 1:
                    what = "this program came from the machine first, and nothing tells that this file is built on it"
                said.append(f"{program.program}: {what} (revision {edit.number}: {shown})")
            name = f"from-machine/{program.program}{self._extension}"
            said.append(
                f"take the edit over from {printable(name)} and drop the file again, or send it over the edit with "
                f"`dncd send --over-edits {self._machine} {printable(file)}`"
            )
        return tuple(said)

    @staticmethod
    def warnings(lost: Iterable[Lost]) -> tuple[str, ...]:
        """What the receipt of a sending over an edit says."""
        return tuple(
            f"{program.program}: sent over the operator's edit of revision {edit.number}, as somebody asked for"
            for program in lost
            for edit in program.edits
        )


def _with_edits(history: list[Revision]) -> list[Revision]:
    """The newest revisions from the machine, each behind the one that it changed, and the newest of all."""
    edits = [revision.number for revision in history if revision.origin is Origin.MACHINE][-_EDITS_LOOKED_AT:]
    if not edits:
        return []
    wanted = {*edits, *(number - 1 for number in edits), history[-1].number}
    return [revision for revision in history if revision.number in wanted]
