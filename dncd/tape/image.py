"""A program as its tape image: leader, mark line, blocks, mark line, trailer, coded for the line.

The significant part (opening mark through the block end of the closing mark line; all blocks where there is no mark) is
what the ledger's `wire_sha256` and `wire_chars` cover; leader and trailer are blank tape around it.
"""

from collections.abc import Iterable, Iterator

from dncd.tape.codes import Coder
from dncd.values import IsoBytes, TapeSettings, WireBytes


def leader(tape: TapeSettings, coder: Coder) -> WireBytes:
    """The blank tape before the significant part: `leader_chars` NULs, with the parity of the frame."""
    return coder.encode(IsoBytes(bytes(tape.leader_chars)))


def trailer(tape: TapeSettings, coder: Coder) -> WireBytes:
    """The blank tape after the significant part: `trailer_chars` NULs, with the parity of the frame."""
    return coder.encode(IsoBytes(bytes(tape.trailer_chars)))


def significant_chunks(opening: str, body: Iterable[str], closing: str, coder: Coder) -> Iterator[WireBytes]:
    """The significant part, piece by piece: memory does not grow with the program. opening, closing: the mark lines as
    they go out, without block end; "" for none. body: pieces of the program cut anywhere, '\\n' after each block; a
    last block without one gets its block end. ValueError at a character that the code cannot carry."""
    return map(coder.blocks, _lines(opening, body, closing))


def significant_chars(opening: str, body: Iterable[str], closing: str, tape: TapeSettings) -> int:
    """Characters of the significant part, without coding it: what `program.memory_chars` is held against."""
    more = len(tape.ends.chars) - 1
    return sum(len(piece) + more * piece.count("\n") for piece in _lines(opening, body, closing))


def _lines(opening: str, body: Iterable[str], closing: str) -> Iterator[str]:
    """The significant part as text with '\\n' after each block and mark line; no empty pieces."""
    if opening:
        yield f"{opening}\n"
    last = "\n"
    for piece in body:
        if piece:
            yield piece
            last = piece[-1]
    if last != "\n":
        yield "\n"
    if closing:
        yield f"{closing}\n"
