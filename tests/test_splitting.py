"""A dump as its programs and data: nothing lost, each part named."""

from itertools import pairwise

import pytest
import strategies
from hypothesis import given
from hypothesis import strategies as st
from programs import NIST, OFFSETS, PARAMETERS, VARIABLES, many

from dncd.program.splitting import Kind, split

MADE = many(330)


def found(text: str, opening: str = "%") -> list[tuple[str, str]]:
    parts = split(text, opening)
    assert "".join(part.text for part in parts) == text
    return [(part.name, part.text) for part in parts]


def test_each_generated_program_alone() -> None:
    assert len(MADE) > 300
    for program in MADE:
        (part,) = split(program.text)
        assert (part.kind, part.name, part.title, part.text) == (
            Kind.PROGRAM,
            program.name,
            program.title,
            program.text,
        )
        assert part.number == (-1 if program.name.startswith("PART") else int(program.name[1:]))


def test_a_dump_of_all_of_them() -> None:
    dump = "".join(program.text for program in MADE)
    parts = split(dump)
    assert [(part.name, part.title, part.text) for part in parts] == [(p.name, p.title, p.text) for p in MADE]


def test_data_between_programs() -> None:
    one, two = MADE[0], MADE[1]
    text = OFFSETS + one.text + VARIABLES + two.text + PARAMETERS + VARIABLES.replace("\n", " \n")
    assert [part.name for part in split(OFFSETS + one.text + VARIABLES + two.text + PARAMETERS)] == [
        "OFFSETS", one.name, "VARIABLES", two.name, "PARAMETERS",
    ]  # fmt: skip
    assert [name for name, _ in found(text)][:4] == ["OFFSETS", one.name, "VARIABLES", two.name]
    assert [name for name, _ in found(OFFSETS + one.text + OFFSETS)] == ["OFFSETS", one.name, "OFFSETS-2"]


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        (OFFSETS, Kind.OFFSETS),
        ("(WORK OFFSETS)\nN10 G10 L2 P1 X1.\nN20 G10 P2 R-.5\n", Kind.OFFSETS),
        (PARAMETERS, Kind.PARAMETERS),
        ("G10 L50\nN100 P1 R5\nN101 R12\nG11\nM30\n", Kind.PARAMETERS),
        (VARIABLES, Kind.VARIABLES),
        ("#1=5.\nG01 X#1\nM30\n", Kind.PROGRAM),
        ("G10 L2 P1 X1.\nG01 X5.\nM30\n", Kind.PROGRAM),
        ("G90\nM30\n", Kind.PROGRAM),
        ("N10 X5.\nN20 P5\n", Kind.PROGRAM),
        ("O0100\n" + OFFSETS, Kind.PROGRAM),
        ("(NOTHING)\n", Kind.PROGRAM),
    ],
)
def test_kinds(text: str, kind: Kind) -> None:
    (part,) = split(text)
    assert (part.kind, part.text) == (kind, text)


def test_where_comments_belong() -> None:
    assert found("(DRAWING 7)\n\nO1\nM30\n(NEXT)\n\nO2\nM99\n(LAST)\n") == [
        ("O0001", "(DRAWING 7)\n\nO1\nM30\n"),
        ("O0002", "(NEXT)\n\nO2\nM99\n(LAST)\n"),
    ]
    assert found("O1\nG0\n(STILL ONE)\nO2\nM99\n") == [("O0001", "O1\nG0\n(STILL ONE)\n"), ("O0002", "O2\nM99\n")]


def test_names_from_the_mark_line_and_none() -> None:
    assert found("G0\nM30\n", "%O0004 (A)") == [("O0004", "G0\nM30\n")]
    assert found("G0\nM30\n", "%SHAFT") == [("SHAFT", "G0\nM30\n")]
    assert found("G0\nM30\nO5\nM99\n", "%SHAFT") == [("SHAFT", "G0\nM30\n"), ("O0005", "O5\nM99\n")]
    assert found("G0\nM30\n") == [("", "G0\nM30\n")]
    assert found(OFFSETS, "%O0100") == [("O0100", OFFSETS)], "a number makes a program of it"
    assert split("(X)\nO5\nM99\n", "%(TITLE)")[0].title == "X"
    assert split("O5\nM99\n", "%(TITLE)")[0].title == "TITLE"


def test_code_behind_an_end_stays() -> None:
    text = "O1\nM98 H100\nM30\nN100 G1 X5.\nM99\n"
    assert found(text) == [("O0001", text)]
    assert found(text + ":2\nM30\n") == [("O0001", text), ("O0002", ":2\nM30\n")]


def test_empty() -> None:
    assert split("") == ()


@given(
    st.lists(
        st.one_of(strategies.blocks, strategies.any_blocks, st.sampled_from(["O1", ":2", "<A>", "M30", "(C)", "G10P1"]))
    )
)
def test_nothing_is_lost(blocks: list[str]) -> None:
    text = "\n".join(blocks)
    parts = split(text)
    assert "".join(part.text for part in parts) == text
    assert all(part.text for part in parts)
    data = [part.name for part in parts if part.kind is not Kind.PROGRAM]
    assert len(data) == len(set(data))
    assert all(part.text.endswith("\n") for part, _ in pairwise(parts)), "cut at block ends only"


@pytest.mark.parametrize("program", NIST, ids=lambda program: program["id"])
def test_nist_programs_are_one_part(program: dict[str, list[str]]) -> None:
    text = "".join(f"{line}\n" for line in program["lines"])
    (part,) = split(text)
    assert (part.kind, part.name, part.text) == (Kind.PROGRAM, "", text)
