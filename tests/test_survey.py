"""One pass over a dropped file: marks, sizes, programs, and every kind of finding with its place."""

import hashlib
import tracemalloc
from collections.abc import Iterable, Mapping
from dataclasses import fields, replace
from types import MappingProxyType
from typing import Any

import pytest
import strategies
from hypothesis import given
from hypothesis import strategies as st
from programs import NIST, many
from steps import grows

from dncd import defaults
from dncd.choices import USUAL_ENDS, BlockEnd, LowerCase, MarkAt, Programs, TapeCode, Weight
from dncd.program.dropped import PIECE_CHARS, Encoding, encoding_of
from dncd.program.findings import COUNTED_OF_A_KIND, KINDS
from dncd.program.program_checks import Rules, Saved
from dncd.program.survey import Survey, body, survey
from dncd.tape.codes import Coder
from dncd.tape.image import significant_chars
from dncd.values import Finding, Frame, ProgramSettings, Severity, TapeSettings

ISO = Coder(TapeCode.ISO, Frame.parse("7E2"))
EIA = Coder(TapeCode.EIA, Frame.parse("8N1"))
RULES = Rules(ISO.uncodable, ProgramSettings())
OF_THE_TAPE = {f.name for f in fields(TapeSettings)}
OF_THE_PROGRAM = {f.name for f in fields(ProgramSettings)} - {"memory_chars"}


def other(weights: Mapping[str, Weight] = MappingProxyType({}), **keys: Any) -> Rules:
    """Rules with other settings, those of the table `program` among them."""
    tape = TapeSettings(**{key: keys.pop(key) for key in OF_THE_TAPE & keys.keys()})
    own = {key: value for key, value in keys.items() if key not in OF_THE_PROGRAM}
    program = {key: value for key, value in keys.items() if key in OF_THE_PROGRAM}
    return replace(RULES, tape=tape, **own, program=ProgramSettings(**program, findings=tuple(weights.items())))


def look(data: bytes | str, rules: Rules = RULES, size: int = 1000) -> Survey:
    return look_and_body(data, rules, size)[0]


def look_and_body(data: bytes | str, rules: Rules = RULES, size: int = 1000) -> tuple[Survey, str]:
    raw = data.encode() if isinstance(data, str) else data

    def chunks() -> Iterable[bytes]:
        return (raw[at : at + size] for at in range(0, len(raw), size))

    encoding: Encoding = encoding_of(chunks)
    found = survey(chunks, encoding, rules)
    return found, "".join(body(chunks, encoding, found))


def only(found: Survey, code: str) -> Finding:
    """The one finding of a file that should have just this one."""
    assert [finding.code for finding in found.findings] == [code]
    return found.findings[0]


def at(finding: Finding) -> tuple[int, int]:
    assert finding.place is not None
    return finding.place.line, finding.place.column


# --- marks and sizes -------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("data", "opening", "between", "closing"),
    [
        ("%\nO1\nM30\n%\n", "%", "O1\nM30\n", "%"),
        ("O1\nM30\n", "%", "O1\nM30\n", "%"),
        ("\n \n%O0004 (A)\nM30\n\n\n%", "%O0004 (A)", "M30\n\n\n", "%"),
        ("O1\nM30\n%\n", "%", "O1\nM30\n", "%"),
        ("\n\nO1\nM30\n%END\n", "%", "\n\nO1\nM30\n", "%END"),
        ("%\n\n\nO1\nM30\n%", "%", "\n\nO1\nM30\n", "%"),
    ],
)
def test_marks_bound_the_body(data: str, opening: str, between: str, closing: str) -> None:
    for size in (1, 2, 3, 1000):
        found, text = look_and_body(data, size=size)
        assert (found.opening, text, found.closing) == (opening, between, closing)
        assert (found.chars, found.blocks) == (len(between), between.count("\n"))
        assert not found.findings


@pytest.mark.parametrize("data", ["%\nO1\nM30", "%\nO1\nN10 G01 X7\nM30\n", "\n%O0004 (A)\nM30\n\n"])
def test_a_file_that_opens_and_does_not_close_may_be_half_a_file(data: str) -> None:
    for mark_at in ("both", "end"):
        found = look(data, other(mark_at=MarkAt(mark_at)))
        assert at(only(found, "mark-missing")) == (1 + data.startswith("\n"), 1)
        assert found.refused
    for mark_at in ("start", "none"):
        assert not look(data, other(mark_at=MarkAt(mark_at))).findings
    torn = {finding.code for finding in look("%\nO1\nN10 G01 X7").findings}
    assert torn == {"mark-missing", "no-end"}
    assert not look("O1\nM30\n").findings, "an office that writes no marks at all"


@pytest.mark.parametrize(
    ("data", "codes"),
    [
        ("&\nO1\nM30\n$\n", []),
        ("O1\nM30\n", []),
        ("O1\nM30\n$\n", []),
        ("&\nO1\nM30\n", ["mark-missing"]),
        ("&\nO1\nM30\n&\n", ["mark-inside"]),
        ("$\nO1\nM30\n$\n", ["mark-inside"]),
        ("$\nO1\nM30\n&\n", ["mark-inside", "mark-inside"]),
        ("O1\n&\nM30\n$\n", ["text-outside-marks"]),
        ("&\nO1\nM30\n$\nG0\n", ["text-outside-marks"]),
    ],
)
def test_a_mark_that_closes_is_none_that_opens(data: str, codes: list[str]) -> None:
    found = look(data, other(mark="&", end_mark="$"))
    assert sorted(each.code for each in found.findings if each.severity is Severity.REFUSE) == codes
    if not codes:
        assert (found.opening, found.closing) == ("&", "$")
    assert look(data, other(mark="&", end_mark="$"), size=3).findings == found.findings


@pytest.mark.parametrize("mark_at", ["both", "start", "end", "none"])
def test_a_file_that_lay_there_in_a_power_cut_shows_its_end(mark_at: str) -> None:
    since = other(mark_at=MarkAt(mark_at), weights={"mark-missing": Weight.WARN})
    before = replace(since, saved=Saved.BEFORE_CUT)
    for half in ("O1\nN10 G01 X7", "%\nO1\nN10 G01 X7\n", "O1\nM30\nO2\nG04", "O1\nG10 L2 P1 X7.\n", "%\nO1\nM3"):
        assert [each.code for each in look(half, before).findings if each.severity is Severity.REFUSE] == ["cut-short"]
        assert not look(half, since).refused
    for whole in ("O1\nM30\n", "O1\nM30\nO2\nM99\n", "%\nO1\nG04\n%\n", "O1\nG04\n%", "%\nO1\nM30 (END)"):
        assert not look(whole, before).refused


def test_marks_are_added_where_the_settings_say() -> None:
    for mark_at, out in (("both", "%%"), ("start", "%"), ("end", "%"), ("none", "")):
        found = look("O1\nM30\n", other(mark_at=MarkAt(mark_at)))
        assert found.opening + found.closing == out
        marked = look("%A\nO1\nM30\n%B\n", other(mark_at=MarkAt(mark_at)))
        assert (marked.opening, marked.closing) == ("%A", "%B"), "a mark that is there is never taken away"


@pytest.mark.parametrize("mark", ["*", "$", ".", "^", "\\", "E", "&", "["])
def test_any_character_can_be_the_mark(mark: str) -> None:
    found, text = look_and_body(f"{mark}\nO1\nM30\n{mark}\n", other(mark=mark))
    assert (found.opening, text, found.closing) == (mark, "O1\nM30\n", mark)
    assert not found.findings


@given(
    strategies.bodies,
    st.sampled_from(USUAL_ENDS),
    st.sampled_from(list(MarkAt)),
    st.sampled_from(["", "%\n", "%O7\n"]),
    st.sampled_from(["", "%\n"]),
)
def test_the_image_is_as_long_as_the_tape_says(
    text: str, end: BlockEnd, mark_at: MarkAt, opening: str, closing: str
) -> None:
    """Against tape.image, which makes the image that goes out."""
    text += "M30\n"
    rules = other(block_end=end, mark_at=mark_at)
    found, between = look_and_body(opening + text + closing, rules)
    assert between == text
    tape = TapeSettings(block_end=end, mark_at=mark_at)
    assert found.image_chars == significant_chars(found.opening, [between], found.closing, tape)


# --- findings that refuse --------------------------------------------------------------------------------------
def test_a_character_without_code() -> None:
    """Line and column as the contract's acceptance check has them."""
    for size in (1, 1000):
        finding = only(look("%\nO0009\nN10 G00 X1. (CAFÉ)\nM30\n%\n", size=size), "uncodable")
        assert at(finding) == (3, 17)
        assert finding.severity is Severity.REFUSE
        assert "É" in finding.what
        assert finding.place is not None
        assert finding.place.block == "N10 G00 X1. (CAFÉ)"
        assert finding.next_step


def test_small_letters() -> None:
    data = "%\nO0009\nN10 g00 x1.\nM30\n%\n"
    assert at(only(look(data), "lower-case")) == (3, 5)
    raised, text = look_and_body(data, other(lower_case=LowerCase.UPPER))
    assert not raised.findings
    assert text == "O0009\nN10 G00 X1.\nM30\n"
    kept, text = look_and_body(data, other(lower_case=LowerCase.KEEP))
    assert not kept.findings
    assert "g00 x1." in text
    assert at(only(look("O1(x)\nM30\n"), "lower-case")) == (1, 4), "in comments too"
    eia = other(uncodable=EIA.uncodable, lower_case=LowerCase.KEEP)
    assert [f.code for f in look(data, eia).findings] == ["uncodable", "uncodable"], "EIA code has no small letters"
    assert at(only(look(data, other(uncodable=EIA.uncodable)), "lower-case")) == (3, 5)


def test_only_what_the_settings_name_is_replaced_and_counted() -> None:
    rules = other(replace=(("Ü", "UE"), ("ß", "SS")), longest_block_chars=14)
    data = "%ÜB\nO9 (WÜLST Ü)\n(FUß)\nM30\n%\n"
    found, text = look_and_body(data, rules, size=1)
    assert (found.findings, found.replaced) == ((), (("Ü", 3), ("ß", 1)))
    assert (found.opening, found.title) == ("%UEB", "WUELST UE")
    assert found.image_chars == len("%UEB\nO9 (WUELST UE)\n(FUSS)\nM30\n%\n")
    assert text == "O9 (WÜLST Ü)\n(FUß)\nM30\n", "the library keeps the office's text"
    assert at(only(look("%\nO9 (WÜLST Ä)\nM30\n%\n", rules), "uncodable")) == (2, 12)
    assert at(only(look("%\nO9 (WÜLST ÜÜ)\nM30\n%\n", rules), "block-too-long")) == (2, 15), "counted as it goes out"
    raised, text = look_and_body("o9 (fuß)\nm30\n", other(replace=(("ß", "SS"),), lower_case=LowerCase.UPPER))
    assert (raised.findings, text) == ((), "O9 (FUß)\nM30\n")


def test_long_blocks() -> None:
    found = look(f"%\nO0009\n({'A' * 90})\nM30\n%\n")
    assert at(only(found, "block-too-long")) == (3, 81)
    assert "92" in found.findings[0].what
    assert "80" in found.findings[0].what
    assert not look(f"%\nO0009\n({'A' * 78})\nM30\n%\n").findings


def test_a_line_of_megabytes() -> None:
    found = look(b"%\nO1\n" + b"A" * 3_000_000 + b"\nG00 X\nM30\n%\n", size=65_536)
    assert [(f.code, at(f)) for f in found.findings if f.place] == [("block-endless", (3, 1)), ("odd-word", (4, 5))]
    assert found.closing == "%"
    assert [f.code for f in look(b"A" * 3_000_000, size=65_536).findings] == ["too-big", "block-endless"]


def test_memory() -> None:
    """31496 characters are 80 m of tape; the marks and every block end count."""
    block = "G01 X1. Y1.\n"
    fits = (defaults.MEMORY_CHARS - len("%\n%\nM30\n")) // len(block)
    rules = other(weights={"no-number": Weight.OFF})
    assert not look(block * fits + "M30\n", rules).findings
    found = look(block * (fits + 1) + "M30\n", rules)
    finding = only(found, "too-big")
    assert str(found.image_chars) in finding.what
    assert str(found.image_chars - defaults.MEMORY_CHARS) in finding.what
    only(look(block * fits + "M30\n", replace(rules, tape=TapeSettings(block_end=BlockEnd("CR LF")))), "too-big")
    assert not look(block * 50_000 + "M30\n", other(memory_chars=0)).findings


@pytest.mark.parametrize(
    "data", [b"", b"\0" * 1000, b"%", b"%\n%\n", b"%\n\n \n%\n", b"\n\n\x1a", b"\xef\xbb\xbf%\r\n%\r\n"]
)
def test_no_program(data: bytes) -> None:
    assert only(look(data), "empty").severity is Severity.REFUSE


def test_marks_in_the_middle_and_text_outside() -> None:
    found = look("%\nO1\nM30\n%\nO2\nM30\n%\n")
    assert at(only(found, "mark-inside")) == (4, 1)
    found = look("PART 7\n%\nO1\nM30\n%\n")
    assert ("text-outside-marks", (1, 1)) in [(f.code, at(f)) for f in found.findings]
    found = look("%\nO1\nM30\n%\n\n  M02\n")
    assert ("text-outside-marks", (6, 1)) in [(f.code, at(f)) for f in found.findings]
    assert at(only(look("O1\n%\nM30\n"), "mark-inside")) == (2, 1)
    for size in (1, 7, 1000):
        assert {f.code for f in look("A1\n%\nO1\n%\n%\nM30\n", size=size).findings} >= {
            "text-outside-marks",
            "mark-inside",
        }


def test_control_characters() -> None:
    for char in "\x00\x07\x0b\x11\x13\x1a\x1b\x7f\x85":
        found = look(f"%\nO1\nN10 G0{char} X1.\nM30\n%\n")
        refused = [f for f in found.findings if f.severity is Severity.REFUSE]
        assert [(f.code, at(f)) for f in refused] == [("control-character", (3, 7))], repr(char)
    assert not look("%\nO1\n\tG00\tX1.\nM30\n%\n").findings, "TAB is carried"


# --- findings that warn ----------------------------------------------------------------------------------------
def test_no_end() -> None:
    for end in (
        "M30",
        "M02",
        "M2",
        "M99",
        "N90M30",
        "N99 M05 M30",
        "/M99",
        "M99 P100",
        "M30;",
        "M30 (END)",
        "M30\n\n(THE END)",
    ):
        assert not look(f"O1\nG00 X1.\n{end}\n").findings, end
    for end in ("M3", "M300", "M0", "(M30)", "G30", "M99.1"):
        finding = only(look(f"O1\nG00 X1.\n{end}\n"), "no-end")
        assert finding.severity is Severity.WARN
    found = look("O1\nG00 X1.\nO2\nM30\nO3\nM98 P2\n")
    assert [at(f) for f in found.findings] == [(2, 1), (6, 1)], "each program has its own end"


def test_comments() -> None:
    assert at(only(look("O1\nG0 (OPEN\nX1.)\nM30\n", other(weights={"odd-word": Weight.OFF})), "comment-unclosed")) == (
        2,
        4,
    )
    assert at(only(look("O1\nG0 (A (B) C)\nM30\n"), "comment-nested")) == (2, 4)
    assert not look("O1 (A)\n(B) G0 (C) (D)\nM30\n").findings


@pytest.mark.parametrize(
    "block",
    [
        *("#100=1.5", "#100=[#101+2.]*SIN[30.]", "N10#1=-#2", "R1=5.", "VAR=5", "##1 = 0.375", "X#1", "X-#1", "X-[#1]"),
        *("IF[#1 EQ 2]GOTO100", "IF [#1 GT 2.] THEN #3=1.", "WHILE[#1LT10]DO1", "END1", "GOTO 100", "DPRNT[X#100]"),
        *("X[#1+[2*[#3-1]]]", "x [1 --3]", "x atan[1.7321]/[1.0]", "n10 g0 x#<depth>", "G65P9010A1.B#5", "M98<SUB-1>"),
        *("/G0X1.", "/2 N10 G0", "X1.Y.5Z-.5", "G1 X+5.", "G01 X10.,R2.", ",C1.", "G0 X 7", "G05.1 Q1", ":100"),
        *("<PART-7>", "(ONLY) (COMMENTS)", "M30;", "M30 *", "; REST OF THE LINE", ""),
    ],
)
def test_words_that_are_none_but_are_right(block: str) -> None:
    rules = other(lower_case=LowerCase.KEEP)
    assert not look(f"O1\n{block}\nM30\n", rules).findings


@pytest.mark.parametrize(
    ("block", "column"),
    [
        *(("G01 X", 5), ("G01 X Y5.", 5), ("N10 20", 5), ("X1.2.3", 5), ("G0 X1. !", 8), ("X--5.", 1), ("G0 )", 4)),
        *(("X1.5E", 5), ("GO X5.", 1), ("N10 G01 XY5.", 9), ("X[#1+2", 1), ("G0 5.", 4), ("X1,5", 3)),
    ],
)
def test_odd_words(block: str, column: int) -> None:
    found = look(f"O1\n{block}\nM30\n")
    assert {f.code for f in found.findings} == {"odd-word"}
    assert at(found.findings[0]) == (2, column)
    assert found.findings[0].severity is Severity.WARN


def test_numbers() -> None:
    assert at(only(look("O1\nN10 G0\nN20 G1\nN10 G2\nM30\n"), "block-number-twice")) == (4, 1)
    assert not look("O1\nN10 G0\nM99\nO2\nN10 G0\nM99\n").findings, "each program has its own numbers"
    rules = other(lowest_number=1, highest_number=7999)
    assert at(only(look("O7999\nM30\nO8000\nM30\n", rules), "number-out-of-range")) == (3, 1)
    assert "O8000" in only(look("%O8000\nO8000\nM30\n%\n", rules), "number-out-of-range").what


def test_a_second_program() -> None:
    data = "O1\nM30\nO2\nM30\n"
    assert not look(data).findings
    finding = only(look(data, other(programs=Programs.ONE)), "second-program")
    assert (at(finding), finding.severity) == ((3, 1), Severity.REFUSE)


def test_calls() -> None:
    rules = other(knows=lambda name: name in {"O1000", "O51001"})
    for call in (
        "M98 P1000",
        "M98P0001000",
        "M98 P51000",
        "M98 P51001",
        "P1000 M98",
        "M98 P2",
        "M98 P#1",
        "(M98 P7)",
        "M198 P7",
        "M98 H20",
    ):
        assert not look(f"O1\n{call}\nM30\nO2\nM99\n", rules).findings, call
    for call, name in (
        ("M98 P1234", "O1234"),
        ("M98 P31234", "O1234"),
        ("N5 M98 P0051234 L2", "O1234"),
        ("M98P3", "O0003"),
    ):
        finding = only(look(f"O1\n{call}\nM30\nO2\nM99\n", rules), "missing-subprogram")
        assert name in finding.what
        assert finding.place is not None
        assert finding.place.block == call


def test_a_name_that_is_used() -> None:
    rules = replace(
        RULES, other_use=lambda name, title: f"{name} is a gland nut, not {title}" if name == "O0004" else ""
    )
    assert only(look("O4(SHAFT)\nM30\n", rules), "name-used").what == "O0004 is a gland nut, not SHAFT"
    assert not look("O5(SHAFT)\nM30\n", rules).findings


def test_a_mark_behind_blanks() -> None:
    found = look("%\nO1\n %\nM30\n%\n")
    assert ("mark-not-first", (3, 2)) in [(f.code, at(f)) for f in found.findings]
    assert not found.refused


# --- weights and numbers of findings ---------------------------------------------------------------------------
@pytest.mark.parametrize(
    "data",
    [
        "  0\nSECTION\n  2\nHEADER\n  9\n$ACADVER\n" * 300,  # a drawing
        "HELLO FRED\nPLEASE MAKE 10 OF THESE\n",
        "PART,QTY\nA100,5\nA200,7\n",
        "(NOTHING BUT A COMMENT)\n",
    ],
)
def test_a_file_by_mistake_is_told_as_that_and_goes_nowhere(data: str) -> None:
    found = look(data)
    assert found.refused
    assert "no part program" in only(found, "not-a-program").what
    own = other(weights={"not-a-program": Weight.OFF})
    assert "not-a-program" not in {f.code for f in look(data, own).findings}
    assert "not-a-program" not in {f.code for f in look(data, other(end_words="END")).findings}


def test_a_program_without_a_number_is_warned_of() -> None:
    found = look("N10 G00 X1.\nM30\n")
    assert only(found, "no-number").severity is Severity.WARN
    assert not look("N10 G00 X1.\nM30\n", other(memory_chars=0)).findings, "drip feed keeps nothing"
    assert not look("%O0004\nN10 G00 X1.\nM30\n%\n").findings


def test_weights_can_be_changed() -> None:
    data = "O1\nG0 X\n(é)\n"
    normal = {f.code: f.severity for f in look(data).findings}
    assert normal == {"uncodable": Severity.REFUSE, "odd-word": Severity.WARN, "no-end": Severity.WARN}
    changed = other(weights={"odd-word": Weight.REFUSE, "no-end": Weight.OFF, "uncodable": Weight.WARN})
    assert {f.code: f.severity for f in look(data, changed).findings} == {
        "uncodable": Severity.REFUSE,  # it cannot be sent, whatever the settings say
        "odd-word": Severity.REFUSE,
    }
    with pytest.raises(ValueError, match="no finding is called 'odd-wort'"):
        look(data, other(weights={"odd-wort": Weight.OFF}))


def test_many_findings_are_counted_and_hide_no_other() -> None:
    found = look("O1\n" + "G0 X\n" * 300 + f"(É{'A' * 90})\n" + "M30\n")
    codes = [f.code for f in found.findings]
    assert codes[:2] == ["uncodable", "block-too-long"], "what refuses comes first, then by place"
    assert codes.count("odd-word") == 11
    assert "290 more" in found.findings[-1].what
    everything = "".join(f"N1 g0 X (É (\x07) {'A' * 90}\n" for _ in range(5 * COUNTED_OF_A_KIND))
    found = look("O1\n" + everything)
    assert len(found.findings) == defaults.REASONS
    assert "at least" in found.findings[-1].what
    assert found.refused


def test_small_letters_that_only_warn_are_still_uncodable_in_eia() -> None:
    warns = other(uncodable=EIA.uncodable, weights={"lower-case": Weight.WARN})
    found = {f.code: f.severity for f in look("O1\nG0 x1.\nM30\n", warns).findings}
    assert found == {"lower-case": Severity.WARN, "uncodable": Severity.REFUSE}


def test_every_kind_says_what_to_do() -> None:
    assert all(kind.next_step and kind.many for kind in KINDS.values())
    assert {code for code, kind in KINDS.items() if kind.weight is Weight.REFUSE} == {
        "uncodable", "block-too-long", "block-endless", "too-big", "lower-case", "empty", "mark-inside",
        "text-outside-marks", "mark-missing", "cut-short",
        "control-character", "second-program", "not-a-program",
    }  # fmt: skip


# --- names -----------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("data", "name", "title"),
    [
        ("%\nO0004 (PUMP SHAFT)\nM30\n%", "O0004", "PUMP SHAFT"),
        ("%\n:0004\n(PUMP  SHAFT)\nM30\n%", "O0004", "PUMP SHAFT"),
        ("%O0004 (A)\nG0 X1.\nM30\n%", "O0004", "A"),
        ("%4\nM30\n%", "O0004", ""),
        ("%SHAFT\nO0004\nM30\n%", "O0004", ""),
        ("%SHAFT-7 (A)\nG0\nM30\n%", "SHAFT-7", "A"),
        ("%<SHAFT 7>\nM30\n%", "SHAFT 7", ""),
        ("%\n<SHAFT>(B)\nM30\n%", "SHAFT", "B"),
        ("(C)\nG0 X1.\nM30\n", "", "C"),
        ("%\nG0 X1.\n:100 G1\nM30\n%", "", ""),
        ("%\n(HEAD)\nO12345678\nM30\n%", "O12345678", "HEAD"),
        ("%../../ETC/PASSWD\nG0\nM30\n%", "ETC-PASSWD", ""),
    ],
)
def test_name_and_title(data: str, name: str, title: str) -> None:
    for size in (1, 1000):
        found = look(data, size=size)
        assert (found.name, found.title) == (name, title)


def test_a_title_may_stand_in_the_next_piece() -> None:
    """The number at the very end of a piece, its title in the one after; not the title of the next program."""
    front = "G00 X1.\n" * (PIECE_CHARS // 8)
    rules = other(memory_chars=0)
    for shift in range(-2, 3):
        data = f"O1\n{front[: (PIECE_CHARS // 8 + shift) * 8 - 8]}M30\nO2\n"
        found = look(f"{data}(TITLE)\nM30\n", rules, size=8192)
        assert [p.title for p in found.programs] == ["", "TITLE"]
        found = look(f"{data}M30\nO3(THREE)\nM30\n", rules, size=8192)
        assert [p.title for p in found.programs] == ["", "", "THREE"]


def test_programs_of_a_dump() -> None:
    made = many(330)
    data = "%\n" + "".join(program.text for program in made) + "%\n"
    rules = other(memory_chars=0, lower_case=LowerCase.KEEP)
    found, text = look_and_body(data, rules, size=4096)
    assert [(p.name, p.title) for p in found.programs] == [(p.name, p.title) for p in made]
    assert text == data[2:-2]
    lines = data.split("\n")
    assert all(lines[p.line - 1].lstrip()[:1] in "O:<" for p in found.programs)


def test_generated_programs_have_no_findings() -> None:
    """Nothing in a right program of any dialect is found fault with; a call is, where nothing is known."""
    rules = other(lower_case=LowerCase.KEEP, longest_block_chars=200, knows=lambda name: False)
    for program in many(330):
        found = look(f"%\n{program.text}%\n", rules)
        missing = [f.what for f in found.findings if f.code == "missing-subprogram"]
        assert len(missing) == len(program.calls), program.text
        assert len(found.findings) == len(missing), (program.text, found.findings)


# --- the programs of NISTIR 6556 -------------------------------------------------------------------------------
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r", "\n\r\r", "\r\n\n"])
@pytest.mark.parametrize("program", NIST, ids=lambda program: program["id"])
def test_nist_programs_stay_unchanged(program: dict[str, object], end: str) -> None:
    lines = program["lines"]
    assert isinstance(lines, list)
    data = "".join(line + end for line in lines).encode("ascii")
    found, text = look_and_body(data, other(lower_case=LowerCase.KEEP))
    assert hashlib.sha256(text.encode()).hexdigest() == program["sha256_lf"]
    assert {f.code for f in found.findings} - {"no-number"} == (set() if program["ends_with"] else {"no-end"})


# --- speed and memory ------------------------------------------------------------------------------------------
@pytest.mark.slow
def test_ten_megabytes_take_little_memory() -> None:
    block = b"".join(b"N%d G01 X%d.%03d Y-1.5 F200.\r\n" % (n, n % 99, n) for n in range(1, 1000))
    count = 10_000_000 // len(block)

    def chunks() -> Iterable[bytes]:
        return (block for _ in range(count))

    rules = other(memory_chars=0)
    found = survey(chunks, encoding_of(chunks), rules)
    assert found.blocks == count * 999
    tracemalloc.start()
    try:
        survey(chunks, encoding_of(chunks), rules)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 6_000_000


@pytest.mark.parametrize(
    "data", [bytes(3_000_000), bytes(range(256)) * 8000, b"%\n" * 500_000, b"abc (\n" * 200_000, b"[" * 900_000]
)
def test_files_that_are_no_programs_are_refused_soon(data: bytes) -> None:
    """The work grows with the length, and no faster; `bench/comparing.py` measures the survey."""
    assert look(data, size=65_536).refused
    assert grows(look, data[:20_000], data[:80_000]) < 6
