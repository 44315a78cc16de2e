"""Whether what is dropped was proven at the machine: the words of receipts, and the refusal of what was not."""

from collections.abc import Callable, Iterable, Iterator, Sequence

from dncd.peer_text import printable
from dncd.records.ending_words import named
from dncd.records.holdings import Holdings, SignedOff
from dncd.records.library import Library
from dncd.records.proving import Standing
from dncd.records.revisions import Revision
from dncd.records.texts import Text, blob_name
from dncd.values import MachineSettings


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
            program
            for program, text in texts
            if not standing.any(program) or standing.of(program, blob_name(text)) is None
        )

    def refusals(self, unproven: Sequence[str], file: str) -> tuple[str, ...]:
        """The sentences of a refusal, and the ways out."""
        if not unproven:
            return ()
        return (
            f"{named(unproven)}: not proven at this machine with this text, and program.send_only_proven lets nothing"
            " else out",
            f"for a supervised prove-out send it with `dncd send --to-prove {self._machine} {printable(file)}`; when the "
            f"first part is good, sign it off with `dncd prove {self._machine} {printable(unproven[0])} --note TEXT`",
        )

    @staticmethod
    def warning(unproven: Sequence[str]) -> str:
        """What the receipt says of an unproven program that somebody sends for its prove-out."""
        return f"{named(unproven)}: sent for its prove-out, not proven yet, as somebody asked for"

    def standing(self, library: Library, made: Sequence[tuple[str, Revision]]) -> Iterator[SignedOff]:
        """Who proved the text of each revision that was made; number 0 where nobody did."""
        known = Standing(library, self._holdings(), self._machine)
        for program, revision in made:
            signed = known.of(program, revision.blob)
            yield (
                SignedOff(program, signed.revision, signed.time, signed.note, signed.by)
                if signed
                else SignedOff(program, 0, "", "", "")
            )
