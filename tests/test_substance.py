"""A control's own spelling is the same program, the smallest change of its words is another: pairs with a known answer."""

import random

import pytest
from control_spelling import BY_NAME, EDITS, Spelling, any_spelling, edit, spell
from hypothesis import given
from hypothesis import strategies as st
from programs import many

from dncd.program.comparing import By, Level, compare
from dncd.program.substance import Answer, answer, digest

PROGRAMS = many(200)


@pytest.mark.parametrize("pairs", [200, pytest.param(1000, marks=pytest.mark.slow)])
def test_so_many_spellings_are_the_same_and_so_many_edits_are_not(pairs: int) -> None:
    rng = random.Random(6983)
    edits = list(EDITS)
    wrong: list[tuple[str, str, str]] = []
    changed = dict.fromkeys(edits, 0)
    for n in range(pairs):
        text = rng.choice(PROGRAMS).text
        back = spell(text, any_spelling(rng), rng)
        if answer(text, back) not in (Answer.EQUAL, Answer.SUBSTANCE) or digest(text) != digest(back):
            wrong.append(("same", text, back))
        name = edits[n % len(edits)]
        if other := edit(text, name, rng):
            changed[name] += 1
            back = spell(other, any_spelling(rng), rng)
            if answer(text, back) is not Answer.CHANGED or digest(text) == digest(back):
                wrong.append((name, text, back))
    assert wrong == []
    assert min(changed.values()) >= pairs * 0.055, changed
    assert sum(changed.values()) >= pairs * 0.95, changed


@pytest.mark.parametrize(
    ("sent", "punched", "why"),
    [
        # NISTIR 6556, 3.3: blanks, tabs, capitals and blank lines have no meaning outside comments
        ("G01 X5.\n", "G01X5.\n", "blanks"),
        ("g01\tx 5.\n", "G01 X5.\n", "tab, capitals"),
        ("G01 X5.\n\n\nM30\n", "G01 X5.\nM30\n", "empty blocks"),
        ("G01 X5. ;\n", "G01 X5.\n", "the sign that screens show for a block end"),
        ("G01 X5.\r\nM30\r\n", "G01 X5.\nM30", "line ends"),
        # 3.3.2.1: zeros free at both ends of a number, no sign is plus
        ("N0010 G01 X+05.500\n", "N10 G1 X5.5\n", "zeros and plus"),
        ("X0.5 Y0. Z00\n", "X.5 Y.0 Z0\n", "zeros alone"),
        ("X.50\n", "X0.5\n", "a zero before the point gained"),
        # 3.8: the order of execution does not depend on the order of words
        ("N10 G90 G01 X1. F.2\n", "N10 F.2 X1. G01 G90\n", "order"),
        ("N10 M03 S500 M08\n", "N10 M08 M03 S500\n", "two M words of two groups"),
        # 3.3.4: a comment does nothing
        ("O0301 (SHAFT)\n(ROUGH)\nG0 (A) X1. (B)\n", "O0301\nG0 X1.\n", "no comments"),
        ("(Rough it)\nG0\n", "(ROUGH IT)\nG0\n", "a comment in capitals"),
        # common practice: the program's number in ISO code
        ("O0301\nM30\n", ":0301\nM30\n", "colon"),
        ("O0301\nM30\n", ":301\nM30\n", "colon, zeros"),
        # 3.3.2.2 to 3.3.3: macro text in its order, blanks and zeros of plain numbers aside
        ("#101 = 5.0 + [#2 * 02.]\n", "#101=5.+[#2*2.]\n", "setting"),
        ("IF [#1 EQ 0] GOTO 0010\n", "IF[#1EQ0]GOTO10\n", "flow words"),
        ("WHILE [#1 LT 10.0] DO 1\nEND 1\n", "while[#1lt10.]do1\nend1\n", "loop"),
        ("G01 X[#1+5] (A)\n", "G1X[#1+5]\n", "expression"),
        ("/N10 M01\n", "/N10M1\n", "block skip"),
    ],
)  # fmt: skip
def test_the_same_program(sent: str, punched: str, why: str) -> None:
    assert answer(sent, punched) is Answer.SUBSTANCE, why
    assert digest(sent) == digest(punched)
    assert compare(sent, punched, By.SUBSTANCE).level is Level.BLOCKS


@pytest.mark.parametrize(
    ("sent", "punched", "why"),
    [
        # without a point a number counts in smallest increments on many controls (common practice)
        ("X10\n", "X10.\n", "point"),
        ("X10.\n", "X10\n", "point"),
        ("X0\n", "X0.\n", "point of a zero"),
        ("X10.5\n", "X105\n", "point"),
        ("X10\n", "X100\n", "a zero at the end, no point"),
        ("X1.05\n", "X1.5\n", "a zero inside"),
        ("X-5.\n", "X5.\n", "sign"),
        ("X5.\n", "X.5\n", "point moved"),
        ("#1=5\n", "#1=5.\n", "point in a setting"),
        ("N10 G0\n", "N20 G0\n", "block number"),
        ("N10 G0\n", "G0\n", "block number gone"),
        ("N10\nG0\n", "G0\n", "a block that is a number, perhaps a GOTO's"),
        ("M01\n", "/M01\n", "skip"),
        ("/N10 M01\n", "N10/M01\n", "what is skipped"),
        ("G0 X1.\nG1 X2.\n", "G1 X2.\nG0 X1.\n", "blocks in another order"),
        ("G0 X1. Z2.\n", "G0 X1.\nZ2.\n", "a word in another block"),
        ("G00 G01 X5.\n", "G01 G00 X5.\n", "two of a modal group: on many controls the last one holds"),
        ("M03 M04\n", "M04 M03\n", "two of a modal group"),
        ("X1. X2.\n", "X2. X1.\n", "a letter twice: which value holds?"),
        ("G65 P9010 I1. J2.\n", "G65 P9010 J2. I1.\n", "a macro call's row of I, J, K"),
        ("#1=#2-#3\n", "#1=#3-#2\n", "an expression in another order"),
        ("X[#1-#2]\n", "X[#2-#1]\n", "an expression in another order"),
        ("X#1 Z#2\n", "Z#2 X#1\n", "words with macro text: caution"),
        ("R1=(R2+5)\n", "R1=(R2+6)\n", "brackets that are no comment"),
        ("IF(#1GT5)GOTO10\n", "IF(#1GT6)GOTO10\n", "brackets that are no comment"),
        ("G01 X5. ; TOOL 5\n", "G01 X5.\n", "text behind `;`: perhaps a comment, perhaps a block"),
        ("<PART A>\n", "<PARTA>\n", "a name"),
        ("TOOL CALL 5 Z S1500\n", "TOOLCALL5ZS1500\n", "conversational text"),
        ("G01 X\n", "G01 X \t.\n", "what cannot be read"),
        ("(A (B) C)\n", "C)\n", "nested: where it ends is not agreed"),
        ("(OPEN\nG0\n", "G0\n", "left open: does it end with the block?"),
        ("", "G0\n", "nothing"),
    ],
)  # fmt: skip
def test_another_program(sent: str, punched: str, why: str) -> None:
    assert answer(sent, punched) is Answer.CHANGED, why
    assert answer(punched, sent) is Answer.CHANGED, why
    assert digest(sent) != digest(punched)


@pytest.mark.parametrize(
    ("sent", "punched"),
    [
        ("(A)\nG0 (B)\n", "(A)\nG0\n"),  # one of several gone is somebody's doing
        ("(A)\nG0\n", "(C)\nG0\n"),
        ("G0\n", "G0 (SLOW HERE)\n"),
        ("", "(NOTE)\n"),
    ],
)
def test_comments_alone(sent: str, punched: str) -> None:
    assert answer(sent, punched) is Answer.COMMENTS
    assert digest(sent) == digest(punched)


@given(st.text(alphabet='GXN/O:;()[]#=<> .+-0159aA\n\t"*,é', max_size=60))
def test_any_text_is_itself_and_no_other_text_is_it_by_chance(text: str) -> None:
    assert answer(text, text) is Answer.EQUAL
    again = answer(text, text + "\n")
    assert again in (Answer.SUBSTANCE, Answer.EQUAL)
    more = text + ("" if not text or text.endswith("\n") else "\n") + "G0 X1.\n"
    assert answer(text, more) is Answer.CHANGED


EACH = [(name, how) for name, how in BY_NAME.items()]


@pytest.mark.parametrize(("name", "how"), EACH, ids=[name for name, _ in EACH])
def test_of_two_hundred_dumps_the_twenty_with_an_edit_are_found_and_no_other(name: str, how: Spelling) -> None:
    rng = random.Random(name)
    edited = set(range(7, 200, 10))
    found = set()
    for n, program in enumerate(PROGRAMS):
        text = program.text
        if n in edited:
            while (text := edit(program.text, rng.choice(list(EDITS)), rng)) == "":
                pass
        if answer(program.text, spell(text, how, rng)) is Answer.CHANGED:
            found.add(n)
    assert found == edited
