"""A program as its tape image: leader, mark line, blocks, mark line, trailer, coded for the line.

The significant part (opening mark through the block end of the closing mark line; all blocks where there is no mark) is
what the ledger's `wire_sha256` and `wire_chars` cover; leader and trailer are blank tape around it.
"""

from collections.abc import Iterable, Iterator

from dncd.choices import BlockEnd, TapeCode
from dncd.tape.codes import Coder
from dncd.values import IsoBytes, TapeSettings, WireBytes


def block_end(tape: TapeSettings) -> BlockEnd:
    """What ends a block on this tape: EIA always has EOB, which stands for LF (verified; see codes)."""
    return BlockEnd.LF if tape.code is TapeCode.EIA else tape.block_end


def leader(tape: TapeSettings, coder: Coder) -> WireBytes:
    """The blank tape before the significant part: `leader_chars` NULs, with the parity of the frame."""
    return coder.encode(IsoBytes(bytes(tape.leader_chars)))


def trailer(tape: TapeSettings, coder: Coder) -> WireBytes:
    """The blank tape after the significant part: `trailer_chars` NULs, with the parity of the frame."""
    return coder.encode(IsoBytes(bytes(tape.trailer_chars)))


def significant_chunks(
    opening: str, body: Iterable[str], closing: str, tape: TapeSettings, coder: Coder
) -> Iterator[WireBytes]:
    """The significant part, piece by piece: memory does not grow with the program.

    opening, closing: the mark lines as they go out, without block end; "" for none. body: pieces of the program cut
    anywhere, '\\n' after each block; a last block without one gets its block end. ValueError at a character that the
    code cannot carry.
    """
    end = block_end(tape).chars
    for piece in _lines(opening, body, closing):
        yield coder.encode(IsoBytes(piece.replace("\n", end).encode("ascii")))


def image_chunks(
    opening: str, body: Iterable[str], closing: str, tape: TapeSettings, coder: Coder
) -> Iterator[WireBytes]:
    """The whole tape image: leader, significant part (arguments and errors as there), trailer."""
    if tape.leader_chars:
        yield leader(tape, coder)
    yield from significant_chunks(opening, body, closing, tape, coder)
    if tape.trailer_chars:
        yield trailer(tape, coder)


def significant_chars(opening: str, body: Iterable[str], closing: str, tape: TapeSettings) -> int:
    """Characters of the significant part, without coding it: what `program.memory_chars` is held against."""
    more = len(block_end(tape).chars) - 1
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
