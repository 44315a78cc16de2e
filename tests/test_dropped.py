"""A dropped file as text: line ends, encodings, ends of files, and pieces that do not depend on the chunks."""

import tracemalloc
from collections.abc import Callable, Iterable

import pytest
import strategies
from hypothesis import given
from hypothesis import strategies as st

from dncd.choices import LowerCase
from dncd.program.dropped import (
    LONGEST_LINE_CHARS,
    PIECE_CHARS,
    Codec,
    LineEnds,
    encoding_of,
    lines_between,
    pieces,
    raised,
    replaced,
)


def chunked(data: bytes, size: int = 65_536) -> Callable[[], Iterable[bytes]]:
    return lambda: (data[at : at + size] for at in range(0, len(data), size))


def text_of(data: bytes, size: int = 65_536) -> str:
    chunks = chunked(data, size)
    return "".join(pieces(chunks, encoding_of(chunks)))


@pytest.mark.parametrize("size", [1, 2, 3, 5, 1000])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r", "\n\r\r", "\r\n\n"])
def test_every_line_end_becomes_one_lf(end: str, size: int) -> None:
    blocks = ["%", "O0004", "", " N10  G00 ", "", "", "M30", "%"]
    assert text_of(end.join(blocks).encode(), size) == "\n".join(blocks) + "\n"
    assert text_of((end.join(blocks) + end).encode(), size) == "\n".join(blocks) + "\n"


@pytest.mark.parametrize("size", [1, 2, 1000])
@pytest.mark.parametrize(
    ("data", "text"),
    [
        (b"A\r\nB\nC\rD", "A\nB\nC\nD\n"),
        (b"A\r\r\nB", "A\nB\n"),  # CR CR LF: what some transfers make of CR LF (common practice)
        (b"A\n\rB", "A\nB\n"),
        (b"A\r\r\rB", "A\n\n\nB\n"),
        (b"A\r\n\r\nB", "A\n\nB\n"),
        (b"A\r\n\nB", "A\n\nB\n"),  # once only: an empty line, not the habit of the file
        (b"A\r\n\nB\r\n\nC\nD", "A\n\nB\n\nC\nD\n"),
    ],
)
def test_mixed_line_ends(data: bytes, text: str, size: int) -> None:
    assert text_of(data, size) == text


def test_cr_lf_lf_is_one_end_where_the_whole_file_has_it() -> None:
    chunks = chunked(b"%\r\n\nO1\r\n\n\r\n\nM30\r\n\n%\r\n\n\r\n")
    assert encoding_of(chunks).line_ends is LineEnds.CR_LF_LF
    assert "".join(pieces(chunks, encoding_of(chunks))) == "%\nO1\n\nM30\n%\n"


@pytest.mark.parametrize("size", [1, 2, 1000])
@pytest.mark.parametrize(
    ("data", "text"),
    [
        (b"", ""),
        (b"\0" * 5000, ""),
        (b"\n\r\n \t\n\x1a", ""),
        (b"M30\x1a", "M30\n"),
        (b"M30  \r\n\x1a\0\x1a\r\n\r\n", "M30  \n"),
        (b"M30\n  \n\t\n", "M30\n"),
        (b"\xef\xbb\xbfO1\nM30", "O1\nM30\n"),
        (b"\xef\xbb\xbf", ""),
        (b"\n\nO1\n", "\n\nO1\n"),
        (b"A\0B\n", "A\0B\n"),
        (b"\x1aA\n", "\x1aA\n"),
    ],
)
def test_what_is_no_part_of_the_program(data: bytes, text: str, size: int) -> None:
    assert text_of(data, size) == text


@pytest.mark.parametrize("size", [1, 2, 3, 1000])
def test_utf_8_else_latin_1(size: int) -> None:
    for text, codec in (("(CAFÉ – 5 €)\n", "utf-8"), ("(CAFÉ)\n", "latin-1"), ("(PLAIN)\n", "ascii")):
        chunks = chunked(text.encode(codec), size)
        assert encoding_of(chunks).codec is (Codec.LATIN_1 if codec == "latin-1" else Codec.UTF_8)
        assert "".join(pieces(chunks, encoding_of(chunks))) == text
    assert text_of(b"\xef\xbb\xbf(\xc9)\n", size) == "(É)\n", "a mark of UTF-8 before Latin-1"
    assert encoding_of(chunked(b"O1\n(\xc3", size)).codec is Codec.LATIN_1, "cut in the middle of a character"


@given(st.data(), st.lists(strategies.any_blocks, min_size=1, max_size=20), strategies.line_ends)
def test_chunks_do_not_matter(data: st.DataObject, blocks: list[str], end: str) -> None:
    raw = end.join(blocks).encode()
    cut = data.draw(strategies.cuts(raw))
    encoding = encoding_of(lambda: cut)
    assert encoding == encoding_of(lambda: [raw])
    assert "".join(pieces(lambda: cut, encoding)) == "".join(pieces(lambda: [raw], encoding))


@given(st.lists(strategies.any_blocks, min_size=2, max_size=30), strategies.line_ends)
def test_blocks_stay_as_they_are(blocks: list[str], end: str) -> None:
    blocks = [*blocks, "M30"]
    if end == "\r\n\n" and len(blocks) < 3:
        return
    assert text_of(end.join(blocks).encode()).split("\n")[:-1] == blocks


def test_pieces_end_at_block_ends_and_memory_stays_flat() -> None:
    block = b"N10 G01 X1.234 Y5.678 (FINISH)\r\n"
    total = 40_000_000 // len(block)

    def chunks() -> Iterable[bytes]:
        return (block * 1000 for _ in range(total // 1000))

    tracemalloc.start()
    try:
        chars = 0
        for piece in pieces(chunks, encoding_of(chunks)):
            assert piece.endswith("\n")
            assert len(piece) < 2 * PIECE_CHARS
            chars += len(piece)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert chars == total // 1000 * 1000 * (len(block) - 1)
    assert peak < 8_000_000


def test_a_line_without_end_is_cut() -> None:
    chunks = chunked(b"A" * (3 * LONGEST_LINE_CHARS))
    found = list(pieces(chunks, encoding_of(chunks)))
    assert all(len(piece) <= LONGEST_LINE_CHARS + PIECE_CHARS for piece in found)
    assert "".join(found) == "A" * (3 * LONGEST_LINE_CHARS) + "\n"


@given(st.lists(st.lists(st.sampled_from(["A\n", "\n", "BB\n"]), min_size=1).map("".join), max_size=6), st.data())
def test_lines_between(texts: list[str], data: st.DataObject) -> None:
    lines = "".join(texts).splitlines(keepends=True)
    first = data.draw(st.integers(1, len(lines) + 1))
    end = data.draw(st.integers(first, len(lines) + 1))
    assert "".join(lines_between(texts, first, end)) == "".join(lines[first - 1 : end - 1])


def test_raising_touches_a_to_z_only_and_keeps_the_length() -> None:
    assert raised("n10 g0 (straße é ß)", LowerCase.UPPER) == "N10 G0 (STRAßE é ß)"
    assert raised("n10 (abc)", LowerCase.UPPER) == "N10 (ABC)"
    assert raised("n10 (abc)", LowerCase.KEEP) == "n10 (abc)" == raised("n10 (abc)", LowerCase.REFUSE)


def test_replacing_touches_what_is_named_and_nothing_else():
    table = (("Ü", "UE"), ("ß", "SS"))
    assert replaced("N10 (GRÜßE É) X1.\n", table) == "N10 (GRUESSE É) X1.\n"
    assert replaced("N10 (GRÜßE)\n", ()) == "N10 (GRÜßE)\n"
    assert replaced(replaced("ÜÜ", table), table) == "UEUE"
