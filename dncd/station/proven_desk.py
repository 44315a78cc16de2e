"""Whether what is dropped was proven at the machine: the words of receipts, and the refusal of what was not."""

from collections.abc import Callable, Iterable, Iterator, Sequence

from dncd.records.holdings import Holdings
from dncd.records.library import Library
from dncd.records.proving import Standing
from dncd.records.revisions import Revision
from dncd.records.texts import Text
from dncd.values import MachineSettings, printable

_NAMED = 20
"""Programs that one line of a receipt names."""


class ProvenDesk:
    """For one machine. Each call is told which library to read: a reader belongs to one thread."""

    def __init__(self, settings: MachineSettings, holdings: Callable[[], Holdings]) -> None:
        """holdings: caught up with the ledger."""
        self._machine, self._only, self._holdings = settings.name, settings.program.send_only_proven, holdings

    def unproven(self, library: Library, texts: Iterable[tuple[str, Text]]) -> tuple[str, ...]:
        """The programs that must not be sent; a text is read only where it may be a proven one. () where all may."""
        if not self._only:
            return ()
        standing = Standing(library, self._holdings(), self._machine)
        return tuple(
            program for program, text in texts if not standing.any(program) or standing.of(program, text) is None
        )

    def refusals(self, unproven: Sequence[str], file: str) -> tuple[str, ...]:
        """The sentences of a refusal, and the ways out."""
        if not unproven:
            return ()
        named = _names(unproven)
        return (
            f"{named}: not proven at this machine with this text, and program.send_only_proven lets nothing else out",
            f"for a supervised prove-out send it with `dncd send --to-prove {self._machine} {printable(file)}`; when the "
            f"first part is good, sign it off with `dncd prove {self._machine} {printable(unproven[0])} --note TEXT`",
        )

    @staticmethod
    def warning(unproven: Sequence[str]) -> str:
        """What the receipt says of an unproven program that somebody sends for its prove-out."""
        return f"{_names(unproven)}: sent for its prove-out, not proven yet, as somebody asked for"

    def standing(self, library: Library, made: Sequence[tuple[str, Revision]]) -> Iterator[str]:
        """What the receipt of a sending says; made: each program and its revision."""
        known = Standing(library, self._holdings(), self._machine)
        no = []
        for program, revision in made:
            signed = known.of_revision(program, revision.number)
            if signed is None:
                no.append(program)
                continue
            which = f"{program}: " if len(made) > 1 else ""
            yield f"{which}yes, revision {signed.revision}, {signed.time}, {signed.by}: {signed.note}"
        if no:
            which = f"{_names(no)}: " if len(made) > 1 else ""
            yield f"{which}no; prove it out: single block, dry run, reduced rapid"


def _names(programs: Sequence[str]) -> str:
    more = f" and {len(programs) - _NAMED} more" if len(programs) > _NAMED else ""
    return ", ".join(printable(program) for program in programs[:_NAMED]) + more
