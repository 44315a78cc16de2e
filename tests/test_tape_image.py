"""Tape images: leader, marks, block ends, trailer; pieces cut anywhere; the count that memory is held against."""

import json
from pathlib import Path

import pytest
import strategies
from hypothesis import given
from hypothesis import strategies as st

from dncd.choices import USUAL_ENDS, BlockEnd, TapeCode
from dncd.tape.codes import Coder
from dncd.tape.image import leader, significant_chars, significant_chunks, trailer
from dncd.values import Frame, LineSettings, TapeSettings

VECTORS = Path(__file__).parent / "vectors"
EXAMPLES = json.loads((VECTORS / "tape_examples.json").read_text())
LENGTHS = json.loads((VECTORS / "tape_length.json").read_text())
ISO = Coder(TapeCode.ISO, Frame.parse("7E2"))
PLAIN = Coder(TapeCode.ISO, Frame.parse("8N1"))
EIA = Coder(TapeCode.EIA, Frame.parse("8N1"))
BODY = "O0001\nN10 G00 X12.5 Y-3.\nM30\n"
# Written out by hand from the contract's list of block ends.
ENDS = {
    BlockEnd("LF"): b"\n",
    BlockEnd("CR"): b"\r",
    BlockEnd("CR LF"): b"\r\n",
    BlockEnd("LF CR CR"): b"\n\r\r",
    BlockEnd("CR LF LF"): b"\r\n\n",
    BlockEnd("LF CR"): b"\n\r",
    BlockEnd("CR CR LF"): b"\r\r\n",
    BlockEnd("CR NUL NUL"): b"\r\0\0",
    BlockEnd(";"): b";",
    BlockEnd("; LF"): b";\n",
    BlockEnd("LF $ NUL"): b"\n$\0",
    BlockEnd("CR DEL DEL DEL"): b"\r\x7f\x7f\x7f",
}


def image(body, tape, coder, opening="%", closing="%"):
    return leader(tape, coder) + b"".join(significant_chunks(opening, body, closing, coder)) + trailer(tape, coder)


def ending(end, frame="8N1", code=TapeCode.ISO):
    return Coder(code, Frame.parse(frame), {";": 0x0D}, end)


def test_the_worked_example_in_both_codes():
    """tape_examples.json: computed from the tables; blanks of leader and trailer left out there."""
    for key, code, coder in (("iso840_hex", TapeCode.ISO, ISO), ("eia244_hex", TapeCode.EIA, EIA)):
        tape = TapeSettings(code=code, leader_chars=3, trailer_chars=2)
        assert image([BODY], tape, coder) == bytes(3) + bytes.fromhex(EXAMPLES[key]) + bytes(2)
        assert b"".join(significant_chunks("%", [BODY], "%", coder)) == bytes.fromhex(EXAMPLES[key])


@pytest.mark.parametrize("end", ENDS)
def test_block_ends(end):
    coder = ending(end)
    assert (coder.end, coder.ends.chars.encode()) == (ENDS[end], ENDS[end])
    assert image(["O1\n\n", "M30\n"], TapeSettings(), coder) == ENDS[end].join([b"%", b"O1", b"", b"M30", b"%", b""])


@pytest.mark.parametrize("end", [*USUAL_ENDS, BlockEnd("EOB")])
def test_eia_ends_a_block_with_eob_where_the_settings_have_an_end_of_iso_code(end):
    tape = TapeSettings(code=TapeCode.EIA, block_end=end)
    coder = Coder.of(tape, LineSettings("x", frame=Frame.parse("8N1")))
    assert image([BODY], tape, coder) == bytes.fromhex(EXAMPLES["eia244_hex"])
    assert tape.ends.chars == "\n"


@pytest.mark.parametrize(
    ("end", "wire"), [("EOB NUL NUL", "800000"), ("; EOB", "0d80"), (";", "0d"), ("EOB ;", "800d")]
)
def test_eia_ends_a_block_with_what_it_has_a_byte_for(end, wire):
    """0x80 is EOB (verified); 0x0D is what this builder gave the semicolon."""
    coder = ending(BlockEnd(end), code=TapeCode.EIA)
    whole = bytes.fromhex(EXAMPLES["eia244_hex"]).replace(b"\x80", bytes.fromhex(wire))
    assert image([BODY], TapeSettings(), coder) == whole
    assert b"".join(significant_chunks("%", [BODY], "%", coder)) == whole
    with pytest.raises(ValueError):
        Coder(TapeCode.EIA, Frame.parse("8N1"), {}, BlockEnd("*"))


@pytest.mark.parametrize(
    "words", ["", "NUL", "NUL CR", "CR LF LF LF LF", "CR  LF", "cr", "A", "%", "DC3", "LF SUB", "CR\n"]
)
def test_what_is_no_block_end(words):
    with pytest.raises(ValueError):
        BlockEnd(words)


@pytest.mark.parametrize(
    ("opening", "closing", "wire"),
    [
        ("%", "%", b"%\nA\n%\n"),
        ("", "%", b"A\n%\n"),
        ("%", "", b"%\nA\n"),
        ("", "", b"A\n"),
        ("%O0004 (RING)", "%", b"%O0004 (RING)\nA\n%\n"),
    ],
)
def test_mark_lines(opening, closing, wire):
    assert image(["A\n"], TapeSettings(), PLAIN, opening, closing) == wire


def test_a_last_block_without_end_gets_one():
    assert image(["A\n", "B", ""], TapeSettings(), PLAIN) == b"%\nA\nB\n%\n"
    assert image([], TapeSettings(), PLAIN) == b"%\n%\n"


def test_blank_tape_has_the_parity_of_the_frame():
    tape = TapeSettings(leader_chars=4, trailer_chars=2)
    odd = Coder(TapeCode.ISO, Frame.parse("7O1"))
    assert (leader(tape, ISO), trailer(tape, ISO)) == (bytes(4), bytes(2))
    assert (leader(tape, odd), trailer(tape, odd)) == (b"\x80" * 4, b"\x80" * 2)


def test_what_the_code_cannot_carry_is_an_error_and_never_left_out():
    for coder, body in ((EIA, "g0\n"), (EIA, "#\n"), (ISO, "É\n")):
        with pytest.raises(ValueError):
            image([body], TapeSettings(code=coder.code), coder)


def test_memory_does_not_grow_with_the_program():
    """An endless program: the chunks come as the pieces do."""
    chunks = significant_chunks("%", iter(lambda: "N10 G01 X1.\n", None), "%", PLAIN)
    assert [next(chunks) for _ in range(3)] == [b"%\n", b"N10 G01 X1.\n", b"N10 G01 X1.\n"]


@pytest.mark.parametrize("row", LENGTHS["rows"], ids=lambda row: f"{row['metres']} m")
def test_memories_of_so_many_metres(row):
    """tape_length.json: 10 characters an inch (verified); the largest program that fits is counted to the character."""
    tape = TapeSettings(block_end=BlockEnd("CR LF"), leader_chars=100)
    body = "X" * (row["chars_floor"] - len("%\r\n%\r\n\r\n")) + "\n"
    assert significant_chars("%", [body], "%", tape) == row["chars_floor"]


@given(strategies.bodies, st.sampled_from([*ENDS]), st.sampled_from(["", "%"]), st.sampled_from(["", "%"]), st.data())
def test_any_cutting_gives_the_same_image_and_its_length_is_counted(body, end, opening, closing, data):
    tape, coder = TapeSettings(block_end=end, leader_chars=7), ending(end)
    body = "".join(char for char in body if char not in end.own)
    pieces = [piece.decode() for piece in data.draw(strategies.cuts(body.encode()))]
    whole = b"".join(significant_chunks(opening, [body], closing, coder))
    assert b"".join(significant_chunks(opening, pieces, closing, coder)) == whole
    assert significant_chars(opening, pieces, closing, tape) == len(whole)
    assert image(pieces, tape, coder, opening, closing) == bytes(7) + whole
