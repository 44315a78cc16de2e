"""Captures: every single-bit error is caught and named; the text between the marks comes back unchanged."""

import csv
import json
from pathlib import Path

import pytest

from dncd.tape.capture import Closed, read_capture
from dncd.tape.codes import Coder
from dncd.tape.image import image_chunks
from dncd.values import BlockEnd, EndsOn, Frame, TapeCode, TapeSettings

VECTORS = Path(__file__).parent / "vectors"
NIST = json.loads((VECTORS / "nist_programs.json").read_text())["programs"]
EXAMPLES = json.loads((VECTORS / "tape_examples.json").read_text())
ISO, EIA = TapeSettings(), TapeSettings(code=TapeCode.EIA)


def coder(tape, frame=None):
    return Coder(tape.code, Frame.parse(frame or ("8N1" if tape.code is TapeCode.EIA else "7E2")))


def wire_of(text, tape, opening="%", closing="%", frame=None):
    return b"".join(image_chunks(opening, [text], closing, tape, coder(tape, frame)))


def read(wire, tape, ends_on=EndsOn.MARK, frame=None):
    return read_capture(wire, tape, coder(tape, frame), ends_on)


PROGRAM = "O0004 (SPACER RING)\n" + "".join(f"N{n} G01 X{n}.5 Z-{n % 97}.25 F0.{n % 10}\n" for n in range(10, 170, 10))
PROGRAM += "N900 M30\n"


@pytest.mark.parametrize("tape", [ISO, EIA], ids=["iso", "eia"])
def test_every_single_bit_error_is_caught_and_named(tape):
    text = (PROGRAM * 2)[: 500 - 10].rsplit("\n", 1)[0] + "\n"
    good = wire_of(text, tape)
    assert read(good, tape).faults == ()
    assert 450 <= len(good) <= 510
    missed, misnamed = [], []
    for index in range(len(good)):
        for bit in range(8):
            wire = bytearray(good)
            wire[index] ^= 1 << bit
            faults = read(bytes(wire), tape).faults
            if not faults:
                missed.append((index, bit))
            elif not any(f"character {index + 1} of" in f.what for f in faults):
                misnamed.append((index, bit))
    # In EIA the block end behind the closing mark may turn into blank tape (0x80 to 0x00): no character of the program.
    assert missed == ([] if tape is ISO else [(len(good) - 1, 7)])
    # A mark or its block end that is hit moves the bounds: then the missing mark is what is named.
    ends = {0, len(good) - 1, len(good) - 2, len(good) - 3}
    assert {index for index, _ in misnamed} <= ends


@pytest.mark.parametrize("case", EXAMPLES["parity_faults"], ids=lambda c: c["code"])
def test_parity_faults_of_the_vectors(case):
    """tape_examples.json: one flipped bit each (own worked example, computed)."""
    tape = ISO if case["code"] == "iso840" else EIA
    faults = read(bytes.fromhex(case["hex"]), tape).faults
    assert [f.what.split(" of ")[0] for f in faults] == [f"character {case['bad_index'] + 1}"]
    assert (faults[0].place.line, faults[0].place.column) == (2, 1)


def test_both_codes_give_the_text_of_the_vectors():
    for key, tape in (("iso840_hex", ISO), ("eia244_hex", EIA)):
        capture = read(bytes.fromhex(EXAMPLES[key]), tape)
        assert capture.opening + "\n" + capture.text + "%\n" == EXAMPLES["text"]
        assert capture.closed is Closed.YES
        assert capture.faults == ()


@pytest.mark.parametrize("end", list(BlockEnd))
@pytest.mark.parametrize("program", NIST, ids=lambda p: p["id"])
def test_nist_programs_come_back_unchanged(program, end):
    """NISTIR 6556 appendix C and Table 13, vectors marked verified (text copy)."""
    tape = TapeSettings(block_end=end, leader_chars=20, trailer_chars=10)
    text = "".join(f"{line}\n" for line in program["lines"])
    wire = wire_of(text, tape)
    capture = read(wire, tape)
    assert capture.text == text
    assert capture.faults == ()
    assert wire[capture.start : capture.end] == wire_of(text, TapeSettings(block_end=end))


@pytest.mark.parametrize("end", list(BlockEnd))
def test_empty_blocks_stay(end):
    tape = TapeSettings(block_end=end)
    text = "O1\n\n\n N7  X1. \n\nM30\n"
    assert read(wire_of(text, tape), tape).text == text


def test_other_block_ends_than_the_settings_say():
    for end in ("\n", "\r\n", "\n\r\r", "\r"):
        wire = coder(ISO).encode(f"%{end}O1{end}{end}M30{end}%{end}".encode())
        assert read(wire, ISO).text == "O1\n\nM30\n"


def test_what_comes_before_the_mark_is_left_out_and_not_checked():
    wire = b"\x12" + coder(ISO).encode(b"LEADER\n") + b"\x31\x77\n" + wire_of("O1\nM30\n", ISO)
    capture = read(wire, ISO)
    assert (capture.text, capture.faults) == ("O1\nM30\n", ())
    assert capture.before.startswith("LEADER\n")
    assert wire[capture.start : capture.end] == wire_of("O1\nM30\n", ISO)


def test_blank_tape_inside_is_nothing_in_iso_and_damage_in_eia():
    iso = wire_of("O1\nM30\n", ISO)
    assert read(iso[:3] + b"\0\xff" + iso[3:], ISO).text == "O1\nM30\n"
    eia = wire_of("O1\nM30\n", EIA)
    assert read(b"\0\0" + eia + b"\0\0\x14", EIA).faults == ()
    assert [f.code for f in read(eia[:3] + b"\0" + eia[3:], EIA).faults] == ["damaged-character"]
    assert read(eia[:3] + b"\x7f" + eia[3:], EIA).text == "O1\nM30\n"


def test_unfinished_and_markless_captures():
    wire = wire_of("O1\nM30\n", ISO, closing="")
    assert [f.code for f in read(wire, ISO).faults] == ["no-closing-mark"]
    assert [f.code for f in read(wire_of("O1\n", ISO, "", ""), ISO).faults] == ["no-mark"]
    assert read(wire_of("O1\n", ISO, "", "") + coder(ISO).encode(b"\x1a"), ISO, EndsOn.SUB).faults == ()
    assert read(wire_of("O1\n", ISO, "", ""), ISO, EndsOn.DC4).text == "O1\n"


def test_a_mark_line_may_bear_a_name():
    capture = read(wire_of("N1 M30\n", ISO, opening="%<SHAFT>"), ISO)
    assert (capture.opening, capture.text) == ("%<SHAFT>", "N1 M30\n")


def test_codes_against_the_vectors():
    """eia244.csv and iso840.csv; rows marked memory are defaults that the settings may change."""
    named = {
        "NUL": "\0",
        "SP": " ",
        "LF": "\n",
        "EOB": "\n",
        "HT": "\t",
        "TAB": "\t",
        "DEL": "\x7f",
        "BS": "\b",
        "CR": "\r",
    }
    seen = 0
    for name, tape in (("eia244.csv", EIA), ("iso840.csv", ISO)):
        with (VECTORS / name).open(newline="") as file:
            for row in csv.DictReader(file):
                char = named.get(row["char"], row["char"])
                if len(char) == 1 and row["hex"].startswith("0x"):
                    assert coder(tape).encode(char.encode())[0] == int(row["hex"], 16), row
                    seen += 1
    assert seen > 90


@pytest.mark.filterwarnings("ignore::SyntaxWarning", "ignore::DeprecationWarning")
@pytest.mark.parametrize("tape", [ISO, EIA], ids=["iso", "eia"])
def test_a_parser_from_outside_reads_the_same_words(tape):
    """pygcode (PyPI), a G-code parser of its own: the same words before and after a round trip over the line."""
    words = pytest.importorskip("pygcode").words.text2words
    text = "".join(line for line in PROGRAM.splitlines(keepends=True) if "(" not in line)
    before = [[str(word) for word in words(line)] for line in text.splitlines()]
    after = [[str(word) for word in words(line)] for line in read(wire_of(text, tape), tape).text.splitlines()]
    assert before == after
    assert sum(map(len, before)) > 60
