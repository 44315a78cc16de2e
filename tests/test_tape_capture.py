"""Captures: every single-bit error is caught and named; the text between the marks comes back unchanged."""

import json
from pathlib import Path

import pytest
import strategies
from hypothesis import given
from hypothesis import strategies as st
from programs import NIST

from dncd import defaults
from dncd.choices import USUAL_ENDS, BlockEnd, EndsOn, MarkAt, TapeCode
from dncd.tape.capture import DAMAGED, Closed, read_capture
from dncd.tape.codes import Coder
from dncd.tape.image import leader, significant_chunks, trailer
from dncd.values import Frame, LineSettings, TapeSettings

VECTORS = Path(__file__).parent / "vectors"
EXAMPLES = json.loads((VECTORS / "tape_examples.json").read_text())
ISO, EIA = TapeSettings(), TapeSettings(code=TapeCode.EIA)


def coder(tape, frame=None):
    return Coder.of(
        tape, LineSettings("x", frame=Frame.parse(frame or ("8N1" if tape.code is TapeCode.EIA else "7E2")))
    )


def wire_of(text, tape, opening="%", closing="%", frame=None):
    code = coder(tape, frame)
    return leader(tape, code) + b"".join(significant_chunks(opening, [text], closing, code)) + trailer(tape, code)


def read(wire, tape, ends_on=EndsOn.MARK, frame=None):
    return read_capture(wire, tape, coder(tape, frame), ends_on)


OWN = tuple(map(BlockEnd, ("CR CR", "CR NUL CR", ";", "; LF", "CR ; NUL", "LF $", "* CR LF", "; ;", "CR NUL NUL NUL")))
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
            capture = read(bytes(wire), tape)
            if not capture.faults:
                missed.append((index, bit))
                assert (capture.text, capture.closed) == (text, Closed.YES)
            elif not any(f"character {index + 1} of" in f.what for f in capture.faults):
                misnamed.append((index, bit))
    # In EIA the block end behind the closing mark may turn into blank tape (0x80 to 0x00): no character of the program.
    assert missed == ([] if tape is ISO else [(len(good) - 1, 7)])
    assert misnamed == []


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


@pytest.mark.parametrize("end", USUAL_ENDS)
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


@pytest.mark.parametrize("end", USUAL_ENDS)
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


@pytest.mark.parametrize("tape", [ISO, EIA], ids=["iso", "eia"])
def test_every_single_bit_error_without_marks_is_caught_and_named(tape):
    """A control that punches no marks: the codes of the line must not swallow a damaged character there either."""
    text = PROGRAM[:200].rpartition("\n")[0] + "\n"
    good = wire_of(text, tape, "", "")
    missed = []
    for index in range(len(good)):
        for bit in range(8):
            wire = bytearray(good)
            wire[index] ^= 1 << bit
            capture = read(bytes(wire), tape, EndsOn.SILENCE)
            if not any(f"character {index + 1} of" in f.what for f in capture.faults):
                missed.append((index, bit))
                assert capture.text == text
    assert missed == ([] if tape is ISO else [(len(good) - 1, 7)])


def test_a_damaged_character_is_told_with_its_place_and_what_to_do():
    wire = bytearray(wire_of("O0001\nN20 X1.\n\nN30 G01 X9.5 (RING)\nM30\n", ISO, opening="%"))
    wire.insert(4, 0)  # blank tape takes no column
    at = wire.index(coder(ISO).encode(b"N30")) + 8
    wire[at] ^= 0x04
    capture = read(bytes(wire), ISO)
    (fault,) = capture.faults
    assert (fault.place.line, fault.place.column) == (5, 9)
    assert fault.place.block == f"N30 G01 {DAMAGED}9.5 (RING)"
    assert capture.whole == f"%\nO0001\nN20 X1.\n\n{fault.place.block}\nM30\n%\n"
    assert fault.sentence() == (
        f"line 5, column 9, block 'N30 G01 {DAMAGED}9.5 (RING)': character {at + 1} of the capture is damaged: "
        "0xDC breaks the even parity; punch the program out again; if it happens again, look at the cable's shield and "
        "plugs and test the line"
    )
    assert list(coder(ISO).uncodable(capture.whole)) != [], "a damaged capture that is dropped again is refused"


@pytest.mark.parametrize(
    ("tape", "frame", "wire", "says"),
    [
        (ISO, "7E2", b"\xa5\n\x07\n\xa5\n", "0x07 breaks the even parity"),
        (ISO, "7E2", b"\xa5\n\x87\n\xa5\n", "0x87 is a control character"),
        (ISO, "7O1", b"%\x8a\x4f\x4e\x8a%\x8a", "0x4E breaks the odd parity"),
        (ISO, "8N1", b"%\n\xcf\n%\n", "0xCF has an eighth bit"),
        (EIA, "8N1", b"\x0b\x80\x46\x00\x80\x0b\x80", "blank tape (0x00) inside the program"),
        (EIA, "8N1", b"\x0b\x80\x46\x03\x80\x0b\x80", "0x03 is no character of EIA code (2 holes, an even number)"),
        (EIA, "8N1", b"\x0b\x80\x46\x6d\x80\x0b\x80", "set tape.eia_codes"),
        (EIA, "8N1", b"\x0b\x80\x46\x2a\x80\x0b\x80", "0x2A is no character of EIA code"),
        (EIA, "8N1", b"\x0b\x80\x46\x11\x80\x0b\x80", "0x11 is no character of EIA code (2 holes, an even number)"),
    ],
)
def test_why_a_character_is_damaged(tape, frame, wire, says):
    (fault,) = read(wire, tape, frame=frame).faults
    assert says in fault.what


def test_what_the_port_reports_as_hit_is_damage_even_if_the_code_fits():
    wire = wire_of("O1\nM30\n", ISO)
    (fault,) = read_capture(wire, ISO, coder(ISO), EndsOn.MARK, (3,)).faults
    assert (fault.place.line, fault.place.column) == (2, 2)
    assert "character 4 of the capture is damaged: the port reports it as hit" in fault.what


def test_signals_inside_are_dropped_in_iso_only_with_their_parity():
    """One flipped bit makes 0x13 of the digit 3 (0x33): without its parity bit DC3 is damage, in a frame with parity."""
    good = wire_of("O1\nM30\n", ISO)
    assert read(good[:4] + b"\x11\x93\x12" + good[4:], ISO).text == "O1\nM30\n"
    assert len(read(good[:4] + b"\x13" + good[4:], ISO).faults) == 1
    plain = wire_of("O1\nM30\n", ISO, frame="8N1")
    assert read(plain[:4] + b"\x13" + plain[4:], ISO, frame="8N1").text == "O1\nM30\n"


def test_noise_right_before_the_opening_mark_is_leader():
    good = wire_of("O1\nM30\n", ISO)
    for noise in (b"\xfe", b"\0\0\x01\0", b"\x12\x83\x12", b"LEADER\n\xfe\xfe"):
        capture = read(noise + good, ISO)
        assert (capture.text, capture.faults, capture.start) == ("O1\nM30\n", (), len(noise))


def test_a_mark_further_right_is_none():
    for text in (" %\n", "N1 %\nM30\n", "(A%B)\n"):
        assert read(wire_of(text, ISO), ISO).text == text


def test_what_follows_the_closing_mark_line_is_no_part_of_it():
    good = wire_of("O1\nM30\n", ISO)
    for rest in (b"\n\n", b"\0" * 20 + b"\x14", b"NOISE\xfe\x03", b"\x93\x13", good):
        capture = read(good + rest, ISO)
        assert (capture.text, capture.faults, capture.end) == ("O1\nM30\n", (), len(good))
    assert read(good + b"\n\n\0", ISO).whole == "%\nO1\nM30\n%\n"


def test_a_closing_mark_without_block_end_closes():
    """A reader's last row: the mark, then blank tape at once."""
    for tape in (ISO, EIA):
        bare = wire_of("O1\nM30\n", tape)[:-1]
        for rest in (b"", b"\0" * 30, b"\x14"):
            capture = read(bare + rest, tape)
            assert (capture.text, capture.closed, capture.faults) == ("O1\nM30\n", Closed.YES, ())
            assert capture.end == len(bare)


def test_a_control_that_has_a_closing_mark_only():
    tape = TapeSettings(mark_at=MarkAt.END)
    wire = wire_of("O1\nM30\n", tape, opening="")
    capture = read(b"\0\0" + wire + b"\0", tape)
    assert (capture.opening, capture.text, capture.closed, capture.faults) == ("", "O1\nM30\n", Closed.YES, ())
    assert (capture.start, capture.end) == (2, 2 + len(wire))
    assert read(wire_of("O1\nM30\n", tape), tape).opening == "%"


@pytest.mark.parametrize("ends_on", EndsOn)
@pytest.mark.parametrize("mark_at", MarkAt)
def test_a_missing_closing_mark_is_damage_unless_the_settings_say_there_is_none(mark_at, ends_on):
    tape = TapeSettings(mark_at=mark_at)
    codes = [f.code for f in read(wire_of("O1\nM30\n", tape, closing=""), tape, ends_on).faults]
    lacks = ends_on is not EndsOn.MARK and mark_at in (MarkAt.START, MarkAt.NONE)
    assert codes == ([] if lacks else ["no-closing-mark"])


@pytest.mark.parametrize(("ends_on", "char"), [(EndsOn.DC4, 0x14), (EndsOn.SUB, 0x1A), (EndsOn.EOT, 0x04)])
@pytest.mark.parametrize("tape", [ISO, EIA], ids=["iso", "eia"])
def test_the_character_that_ends_a_capture_is_no_text(tape, ends_on, char):
    for byte in coder(tape).signals(char):
        wire = wire_of("O1\n(A 4)\n", tape, "", "") + b"\0" + bytes([byte]) + b"\0"
        assert (read(wire, tape, ends_on).text, read(wire, tape, ends_on).faults) == ("O1\n(A 4)\n", ())
    other = EndsOn.EOT if ends_on is EndsOn.SUB else EndsOn.SUB
    if ends_on is not EndsOn.DC4:
        assert f"character {len(wire) - 1} of" in read(wire, tape, other).faults[-1].what


def test_a_damaged_last_character_is_no_signal_where_none_ends_a_capture():
    """The digit 4 (0xB4) with one bit flipped is 0x94, DC4 with a wrong parity bit."""
    wire = wire_of("O1\nG4", ISO, "", "")[:-2] + b"\x94"
    assert read(wire, ISO, EndsOn.DC4).faults == ()
    for ends_on in (EndsOn.SILENCE, EndsOn.SUB, EndsOn.EOT):
        (fault,) = read(wire, ISO, ends_on).faults
        assert (fault.place.line, fault.place.column) == (2, 2)


@pytest.mark.parametrize(
    ("end", "run", "blocks"),
    [
        *((end, run, 1) for end in USUAL_ENDS for run in ("\n", "\r\n", "\n\r\r", "\r", "\n\r", "\r\r\n")),
        *((end, end.chars * 3, 3) for end in (*USUAL_ENDS, *OWN)),
        *((BlockEnd(";"), run, 1) for run in (";\r\n", ";\n", ";\r", "\n", "\r")),
        *((BlockEnd("; LF"), run, 1) for run in (";\r\n", ";\n", ";", "\n", "\r")),
        (BlockEnd("; LF"), ";\n\n", 2),
        (BlockEnd("CR LF LF"), "\r\n\n\n", 2),
        (BlockEnd("CR LF LF"), "\r\n\n\r\n", 2),
        (BlockEnd("CR LF"), "\r\n\n", 2),
        (BlockEnd("LF"), "\r\r", 2),
        (BlockEnd("LF CR CR"), "\n\r\n\r\r", 2),
    ],
)
def test_how_many_block_ends_a_run_has(end, run, blocks):
    tape = TapeSettings(block_end=end)
    wire = coder(tape).encode(f"%{end.chars}A{run}B{end.chars}%{end.chars}".encode())
    assert read(wire, tape).text == "A" + "\n" * blocks + "B\n"


def test_captures_of_garbage_are_read_in_proportion_and_told_briefly():
    """Counts, not seconds: tests/bench/coding.py has those. A control set otherwise may send megabytes of this."""
    capture = read(b"\x83" * 300_000, ISO)
    assert [f.code for f in capture.faults] == ["wrong-settings"], "one cause, one sentence"
    assert capture.faults[0].what == "rate, frame or code are wrong: 300000 of 300000 characters are damaged"
    assert "line.frame" in capture.faults[0].next_step
    hit = read(b"\xa5\n" + b"AAAAAA\n\x83" * 50_000, ISO)
    assert len(hit.faults) == defaults.REASONS
    assert hit.faults[-1].code == "more-damaged-characters"
    assert max(len(f.sentence()) for f in hit.faults) < 400
    assert max(len(f.place.block) for f in hit.faults if f.place) <= 1000
    feeds = read(b"\xa5" + b"\n" * 300_000 + b"\xb1", ISO)
    assert [f.code for f in feeds.faults] == ["no-closing-mark"]
    assert feeds.text == "\n" * 299_999 + "1\n"


def test_a_program_read_with_the_wrong_frame_points_at_the_settings():
    wire = wire_of(PROGRAM, ISO, frame="7O1")
    assert all("line.frame" in f.next_step for f in read(wire, ISO).faults if f.code == "damaged-character")


@given(strategies.bodies, st.sampled_from([*USUAL_ENDS, *OWN]), st.sampled_from([ISO.code, EIA.code]), st.data())
def test_any_program_comes_back_and_any_damage_is_named(body, end, code, data):
    """Blank tape and rub-outs between the characters, and up to three damaged ones, each found at its place."""
    if code is EIA.code and end in OWN:
        return
    body = "".join(char for char in body if char not in end.own)
    tape = TapeSettings(code=code, block_end=end, leader_chars=3, trailer_chars=3)
    if any(coder(tape).uncodable(body)):
        return
    good = wire_of(body, tape)
    significant = range(3 + 1, len(good) - 3 - 1 - len(b"\n" if code is EIA.code else end.chars))
    places = sorted(data.draw(st.lists(st.sampled_from(significant), max_size=3, unique=True)))
    wire = bytearray(good)
    for place in places:
        wire[place] = 0x83 if wire[place] != 0x83 else 0x03
    fill = b"\x7f" if code is EIA.code else b"\0\xff"
    for at in sorted(data.draw(st.lists(st.integers(3, len(good) - 3), max_size=3)), reverse=True):
        wire[at:at] = fill
    capture = read(bytes(wire), tape)
    if not places:
        assert (capture.text, [f.code for f in capture.faults]) == (body, [] if body.strip() else ["no-text"])
    located = [f for f in capture.faults if f.code == "damaged-character"]
    assert [int(f.what.split()[1]) - 1 for f in located] == [i for i, byte in enumerate(wire) if byte in (0x83, 0x03)]
    assert capture.whole.count(DAMAGED) == len(places)
    lines = capture.whole.split("\n")
    for fault in located:
        assert lines[fault.place.line - 1] == fault.place.block
        assert fault.place.block[fault.place.column - 1] == DAMAGED


@given(st.binary(max_size=300), st.sampled_from([ISO, EIA]), st.sampled_from(EndsOn), st.sampled_from(MarkAt))
def test_no_capture_crashes_the_reader(wire, tape, ends_on, mark_at):
    tape = TapeSettings(code=tape.code, mark_at=mark_at)
    capture = read(wire, tape, ends_on)
    assert 0 <= capture.start <= capture.end <= len(wire)
    assert capture.text == "" or capture.text.endswith("\n")
    assert "\r" not in capture.whole
    lines = capture.whole.split("\n")
    for fault in capture.faults:
        if fault.code == "damaged-character":
            assert lines[fault.place.line - 1][fault.place.column - 1] == DAMAGED
    if not capture.faults:
        assert DAMAGED not in capture.text


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
