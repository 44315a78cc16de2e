"""The tape codes against tables from outside; what the settings may change; what a code cannot carry."""

import csv
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dncd.choices import TapeCode
from dncd.tape.codes import DC1, DC2, DC3, DC4, EOT, FAULT, SUB, Coder
from dncd.values import Frame, LineSettings, TapeSettings

VECTORS = Path(__file__).parent / "vectors"
EXAMPLES = json.loads((VECTORS / "tape_examples.json").read_text())
NAMED = {
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
EVERY_BYTE = bytes(range(256))


def rows(name):
    with (VECTORS / name).open(newline="") as file:
        return list(csv.DictReader(file))


def iso(frame):
    return Coder(TapeCode.ISO, Frame.parse(frame))


def eia(codes=None, frame="8N1"):
    return Coder(TapeCode.EIA, Frame.parse(frame), codes)


# --- ISO -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("row", rows("iso840.csv"), ids=lambda row: row["char"])
def test_iso840(row):
    """iso840.csv: ISO 646 in channels 1 to 7, even parity in channel 8 (verified, partly computed)."""
    char, byte = int(row["iso646_hex"], 16), int(row["hex"], 16)
    assert len(row["char"]) > 1 or row["char"] == chr(char)
    assert iso("7E2").encode(bytes([char])) == bytes([byte])
    assert iso("7E1").decode(bytes([byte])).chars == bytes([char])


@pytest.mark.parametrize(
    ("frame", "column"), [("7E1", "hex_even_parity"), ("7E2", "hex_even_parity"), ("7O1", "hex_odd_parity")]
)
def test_all_128_characters_with_both_parities(frame, column):
    """iso646_even_parity_128.csv (computed, verified): encoded as listed, and every other byte is a fault."""
    table = {int(row["iso646_hex"], 16): int(row[column], 16) for row in rows("iso646_even_parity_128.csv")}
    assert len(table) == 128
    assert iso(frame).encode(bytes(table)) == bytes(table.values())
    decoded = iso(frame).decode(EVERY_BYTE)
    assert {byte: char for byte, char in enumerate(decoded.chars) if char != FAULT} == {b: c for c, b in table.items()}
    assert decoded.faults == tuple(sorted(set(range(256)) - set(table.values())))


@pytest.mark.parametrize("frame", ["8N1", "8N2", "8E1", "8O1", "7N2"])
def test_frames_without_own_parity_carry_seven_bits(frame):
    """The port makes the parity of 8E1 and 8O1; an eighth bit is no character of ISO code (contract: line.frame)."""
    decoded = iso(frame).decode(EVERY_BYTE)
    assert iso(frame).encode(EVERY_BYTE[:128]) == EVERY_BYTE[:128]
    assert decoded.chars == EVERY_BYTE[:128] + bytes([FAULT]) * 128
    assert decoded.faults == tuple(range(128, 256))


def test_what_iso_carries_in_a_file():
    text = "".join(map(chr, range(300)))
    carried = {chr(c) for c in range(0x20, 0x7F)} | {"\t"}
    assert iso("7E2").codable == carried
    assert set(iso("7E2").uncodable(text)) == {i for i, char in enumerate(text) if char not in carried | {"\n"}}
    assert list(iso("7E2").uncodable("N1 (CAFÉ)\r\n\x1a")) == [7, 9, 11]


# --- EIA -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "row", [r for r in rows("eia244.csv") if r["char"] not in ("LC", "UC")], ids=lambda row: row["char"]
)
def test_eia244(row):
    """eia244.csv: verified in tables of the code family, but `ER` (for `%`), whose value is from memory."""
    char, byte = {"ER": "%", **NAMED}.get(row["char"], row["char"]), int(row["hex"], 16)
    assert (row["mark"] == "memory") == (row["char"] == "ER")
    assert eia().encode(char.encode()) == bytes([byte])
    assert eia().decode(bytes([byte])).chars == char.encode()


def test_the_builders_brackets_are_the_customary_ones():
    """eia244_variants.csv: the first row of each bracket (builder-assigned, verified in an operator's manual)."""
    for char in "()":
        row = next(r for r in rows("eia244_variants.csv") if r["char"] == char)
        assert eia().encode(char.encode()) == bytes([int(row["hex"], 16)])


def test_every_eia_character_has_an_odd_number_of_holes_and_channel_8_is_eob_alone():
    """The rule of RS-244 (verified): blank tape and the line's signals apart, all else is a fault."""
    chars = eia().decode(EVERY_BYTE).chars
    known = {byte for byte in range(256) if chars[byte] != FAULT}
    signals = {0x11, 0x12, 0x14, 0x93}
    assert {byte for byte in known if byte.bit_count() % 2 == 0} == {0, *signals}
    assert {byte for byte in known - signals if byte >= 0x80} == {0x80}


def test_signals_of_the_line_in_both_codes():
    """tape_examples.json, `link_control_in_both_codes`: hole counts of two connection manuals (verified)."""
    codes = EXAMPLES["link_control_in_both_codes"]
    for char, name in ((DC1, "DC1"), (DC2, "DC2"), (DC3, "DC3"), (DC4, "DC4")):
        byte = int(codes[name], 16)
        assert eia().signals(char) == {byte}
        assert eia().encode(bytes([char])) == iso("7E2").encode(bytes([char])) == bytes([byte])
        assert iso("8N1").signals(char) == {char, char | 0x80}
    taken = {eia().encode(char.encode())[0] for char in eia().codable}
    assert not taken & (eia().signals(SUB) | eia().signals(EOT))


def test_both_codes_of_the_worked_example():
    """tape_examples.json: own worked example, computed from the tables."""
    text = EXAMPLES["text"].encode()
    for coder, key in ((iso("7E2"), "iso840_hex"), (eia(), "eia244_hex")):
        wire = bytes.fromhex(EXAMPLES[key])
        assert coder.encode(text) == wire
        assert coder.decode(wire).chars == text
        assert coder.decode(wire).faults == ()
    for case in EXAMPLES["parity_faults"]:
        coder = iso("7E2") if case["code"] == "iso840" else eia()
        assert coder.decode(bytes.fromhex(case["hex"])).faults == (case["bad_index"],)


def test_what_eia_cannot_carry():
    assert list(eia().uncodable("N1 g0 #1=[2*3]: X1.\t(OK)\n%&+-/,")) == [3, 6, 8, 9, 11, 13, 14]
    with pytest.raises(ValueError, match="eia code has no byte for the character 0x67"):
        eia().encode(b"g")


def test_settings_may_change_and_extend_the_codes():
    coder = eia({"%": 0x5B, "=": 0x0B, "#": 0x6D, "(": 0x2C})
    assert coder.encode(b"%=#()") == bytes([0x5B, 0x0B, 0x6D, 0x2C, 0x4A])
    assert coder.decode(bytes([0x5B, 0x0B, 0x1A])).chars == b"%=\xff"
    assert list(coder.uncodable("#1=2*")) == [4]
    tape = TapeSettings(code=TapeCode.EIA, eia_codes=(("*", 0x4C),))
    assert Coder.of(tape, LineSettings("x", frame=Frame.parse("8N2"))).encode(b"*") == b"\x4c"


@pytest.mark.parametrize(
    ("codes", "says"),
    [
        ({"#": 0x03}, "'#' the byte 0x03, which has 2 holes"),
        ({"=": 0x0B}, "'=' the byte 0x0B, which is already '%'"),
        ({"#": 0x61}, "already 'A'"),
        ({"#": 0x7A}, "already 'LC'"),
        ({"#": 0x7F}, "already 'DEL'"),
        ({"#": 0x4C, "*": 0x4C}, "already '#'"),
        ({"#": 0x80}, "0x80; allowed are 0x01 to 0x7F"),
        ({"#": 0}, "0x00; allowed are 0x01 to 0x7F"),
        ({"#": 0x1FB}, "0x1fb; allowed are 0x01 to 0x7F"),
        ({"a": 0x4C}, "'a', which is not one printable"),
        ({"##": 0x4C}, "'##', which is not one printable"),
        ({"": 0x4C}, "'', which is not one printable"),
        ({"\n": 0x4C}, r"'\\n', which is not one printable"),
        ({"É": 0x4C}, "which is not one printable"),
    ],
)
def test_impossible_codes_are_told(codes, says):
    with pytest.raises(ValueError, match=says):
        eia(codes)


@pytest.mark.parametrize(
    ("code", "frame"),
    [(TapeCode.EIA, "7E2"), (TapeCode.EIA, "8E1"), (TapeCode.EIA, "7N1"), (TapeCode.ISO, "5N1"), (TapeCode.ISO, "6E2")],
)
def test_frames_that_cannot_carry_the_code(code, frame):
    with pytest.raises(ValueError, match=f"the frame {frame}.*set line.frame to"):
        Coder(code, Frame.parse(frame))


# --- both ------------------------------------------------------------------------------------------------------------

CODERS = {**{f"iso {frame}": iso(frame) for frame in ("7E1", "7E2", "7O1", "8N1", "7N1")}, "eia": eia()}


@pytest.mark.parametrize("name", CODERS)
@given(data=st.data())
def test_what_a_code_carries_comes_back(name, data):
    coder = CODERS[name]
    text = data.draw(st.text(st.sampled_from(sorted(coder.codable | {"\n"}))))
    wire = coder.encode(text.encode())
    assert len(wire) == len(text)
    assert coder.decode(wire).chars == text.encode()
    assert list(coder.uncodable(text)) == []


@pytest.mark.parametrize("name", CODERS)
@given(wire=st.binary())
def test_any_bytes_are_decoded_in_place(name, wire):
    decoded = CODERS[name].decode(wire)
    assert len(decoded.chars) == len(wire)
    assert decoded.faults == tuple(i for i, char in enumerate(decoded.chars) if char == FAULT)


@pytest.mark.parametrize("name", ["iso 7E2", "iso 7O1"])
def test_every_flipped_bit_of_every_character_is_a_fault(name):
    coder = CODERS[name]
    for byte in coder.encode(EVERY_BYTE[:128]):
        assert coder.decode(bytes(byte ^ 1 << bit for bit in range(8))).chars == bytes([FAULT]) * 8


@pytest.mark.parametrize(("frame", "bit"), [("7M1", 0x80), ("7M2", 0x80), ("7S1", 0), ("7S2", 0)])
def test_mark_and_space_parity_are_an_eighth_bit_that_never_changes(frame, bit):
    coder = Coder(TapeCode.ISO, Frame.parse(frame))
    chars = bytes(range(128))
    wire = coder.encode(chars)
    assert wire == bytes(char | bit for char in chars)
    assert coder.decode(wire).chars == chars
    assert len(coder.decode(bytes(byte ^ 0x80 for byte in wire)).faults) == 128
    assert Frame.parse(frame).bits == Frame.parse(f"8N{frame[2]}").bits
    assert not Frame.parse(frame).checks_parity
