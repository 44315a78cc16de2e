"""A dropped file as program text, in pieces, so that a drip-fed file of 100 MB needs no more memory than a small one.

What happens to the bytes, and nothing else does: a byte order mark goes; SUB, NUL and blank lines at the end go; every
line end becomes one LF; a last line without an end gets one. Blanks, tabs, case and empty lines stay.

A file is read from a `Chunks`, which can be called as often as needed: once by `encoding_of`, then once for each pass.
"""

import codecs
import enum
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from dncd.choices import LowerCase

Chunks = Callable[[], Iterable[bytes]]
"""Gives the bytes of a file from its beginning, in chunks of any size, each time that it is called."""

PIECE_CHARS: Final = 8_192
"""Characters after which a piece is handed on at the next block end: large enough for whole-piece searches to pay."""

LONGEST_LINE_CHARS: Final = 1_048_576
"""Characters at which a line is cut: no block of any control is as long (4000 is the longest known, a PC control)."""

_AT_THE_END: Final = b"\x00\x1a\r\n \t"
_RUN: Final = re.compile(r"[\r\n]*\r[\r\n]*")
_SMALL: Final = {ord(c): ord(c) - 32 for c in "abcdefghijklmnopqrstuvwxyz"}


class Codec(enum.StrEnum):
    """How bytes are characters: UTF-8 where the whole file is valid UTF-8, else Latin-1 (contract)."""

    UTF_8 = "utf-8"
    LATIN_1 = "latin-1"


class LineEnds(enum.StrEnum):
    """How line ends are counted. RUNS: a run of CR and LF has as many line ends as it has LFs, or, without any LF, as
    it has CRs. That is right for LF, CR LF, LF CR CR and lone CR, also mixed in one file. CR_LF_LF: the file ends every
    line with CR LF LF (all of its CRs and LFs, two lines or more), each of which is one line end."""

    RUNS = "runs"
    CR_LF_LF = "CR LF LF"


@dataclass(frozen=True, slots=True)
class Encoding:
    """How one file is read. start, end: bytes before and after which nothing of the program stands."""

    codec: Codec
    line_ends: LineEnds
    start: int
    end: int


def encoding_of(chunks: Chunks) -> Encoding:
    reading = EncodingReader()
    for chunk in chunks():
        reading.feed(chunk)
    return reading.result()


def pieces(chunks: Chunks, encoding: Encoding) -> Iterator[str]:
    """The text with LF line ends, in pieces of about PIECE_CHARS that end at a block end. A line longer than
    LONGEST_LINE_CHARS comes in several pieces, of which only the last ends with LF."""
    pending: list[str] = []
    size, ended = 0, True
    for text in _with_line_feeds(_decoded(chunks, encoding), encoding.line_ends):
        pending.append(text)
        size += len(text)
        if size < PIECE_CHARS or ("\n" not in text and size < LONGEST_LINE_CHARS):
            continue
        whole = "".join(pending)
        cut = whole.rfind("\n") + 1 or len(whole)
        ended = whole[cut - 1] == "\n"
        yield whole[:cut]
        pending, size = [whole[cut:]], len(whole) - cut
    rest = "".join(pending)
    if rest or not ended:
        yield rest if rest.endswith("\n") else rest + "\n"


def raised(text: str, lower_case: LowerCase) -> str:
    """The text as it goes out: a to z as A to Z, in comments too, where the settings say `raise`; same length."""
    if lower_case is not LowerCase.UPPER:
        return text
    return text.upper() if text.isascii() else text.translate(_SMALL)


def replaced(text: str, table: Iterable[tuple[str, str]]) -> str:
    """The text as it goes out, where the library has it as dropped. table: `program.replace`, no key of it in ASCII."""
    return text if text.isascii() else text.translate({ord(char): instead for char, instead in table})


def lines_between(texts: Iterable[str], first: int, end: int) -> Iterator[str]:
    """Of pieces as `pieces` gives them, lines `first` up to and without `end`, counted from 1."""
    line = 1
    for text in texts:
        count = text.count("\n")
        if line + count > first or line >= first:
            start = _start_of(text, first - line) if line < first else 0
            stop = _start_of(text, end - line) if line + count >= end else len(text)
            if start < stop:
                yield text[start:stop]
        line += count
        if line >= end:
            return


def _start_of(text: str, lines: int) -> int:
    at = 0
    for _ in range(lines):
        at = text.index("\n", at) + 1
    return at


def _decoded(chunks: Chunks, encoding: Encoding) -> Iterator[str]:
    """Characters between start and end, at most PIECE_CHARS at a time."""
    decoder = codecs.getincrementaldecoder(encoding.codec.value)()
    offset = 0
    for chunk in chunks():
        low, high = max(0, encoding.start - offset), min(len(chunk), encoding.end - offset)
        for at in range(low, high, PIECE_CHARS):
            yield decoder.decode(chunk[at : min(high, at + PIECE_CHARS)])
        offset += len(chunk)
        if offset >= encoding.end:
            break


def _with_line_feeds(texts: Iterable[str], line_ends: LineEnds) -> Iterator[str]:
    """Every line end as LF. A run of CR and LF waits until its last character is known, up to PIECE_CHARS of them."""
    held = ""
    for text in texts:
        joined = held + text
        content = joined.rstrip("\r\n")
        held = joined[len(content) :]
        if content:
            yield _line_feeds(content, line_ends)
        if len(held) > PIECE_CHARS:
            yield _line_feeds(held, line_ends)
            held = ""
    if held:
        yield _line_feeds(held, line_ends)


def _line_feeds(text: str, line_ends: LineEnds) -> str:
    returns = text.count("\r")
    if not returns:
        return text
    if line_ends is LineEnds.CR_LF_LF:
        return text.replace("\r\n\n", "\n")
    if "\n" not in text:
        return text.replace("\r", "\n")
    if returns in (text.count("\r\n"), 2 * text.count("\n\r\r")):
        return text.replace("\r", "")  # every CR stands in a run that has its LF
    return _RUN.sub(lambda run: "\n" * (run[0].count("\n") or len(run[0])), text)


class EncodingReader:
    """Finds out how a file is to be read, from its chunks as they come. The program ends behind the last byte that is
    neither SUB, NUL nor white space and the blanks after it; CR, LF and CR LF LF are counted up to there."""

    def __init__(self) -> None:
        self._head = self._before = b""  # before: the last two bytes, behind which a CR LF LF may end
        self._codec, self._utf_8 = Codec.UTF_8, codecs.getincrementaldecoder("utf-8")()
        self._offset = self._end = 0
        self._open = False  # blanks belong to the program as far as is known now
        self._counts = self._counts_at_end = (0, 0, 0)

    def feed(self, chunk: bytes) -> None:
        if len(self._head) < len(codecs.BOM_UTF8):
            self._head += chunk[: len(codecs.BOM_UTF8)]
        self._decode(chunk)
        content = len(chunk.rstrip(_AT_THE_END))
        if content or self._open:
            rest = chunk[content:]
            blanks = len(rest) - len(rest.lstrip(b" \t"))
            self._open = blanks == len(rest)
            content += blanks
            self._end = self._offset + content
        self._offset += len(chunk)
        if content:
            self._count(chunk[:content])
            self._counts_at_end = self._counts
        self._count(chunk[content:])

    def result(self) -> Encoding:
        start = len(codecs.BOM_UTF8) if self._head.startswith(codecs.BOM_UTF8) else 0
        self._decode(b"", final=True)
        returns, feeds, triples = self._counts_at_end
        ends = LineEnds.CR_LF_LF if triples >= 2 and returns == triples and feeds == 2 * triples else LineEnds.RUNS
        return Encoding(self._codec, ends, start, max(start, self._end))

    def _decode(self, chunk: bytes, final: bool = False) -> None:
        if self._codec is Codec.UTF_8:
            try:
                self._utf_8.decode(chunk, final)
            except UnicodeDecodeError:
                self._codec = Codec.LATIN_1

    def _count(self, part: bytes) -> None:
        joined = self._before + part  # two bytes of before are no whole CR LF LF: nothing is counted twice
        returns, feeds, triples = self._counts
        self._counts = (returns + part.count(b"\r"), feeds + part.count(b"\n"), triples + joined.count(b"\r\n\n"))
        self._before = joined[-2:]
