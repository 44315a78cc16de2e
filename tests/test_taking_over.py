"""An operator's edit taken over by groups of blocks: properties of what is composed, over texts that differ in any way."""

import itertools

import pytest
import strategies as kept
from hypothesis import given, settings
from hypothesis import strategies as st

from dncd.program.carrying import groups, taken_over
from dncd.program.comparing import blocks
from dncd.program.edits import Version, lost_edits
from dncd.values import Origin

OFFICE = "O0004 (SLEEVE)\nN10 G00 X26. Z2. (START)\nN20 G01 Z-20. F0.2\nN30 G00 X100.\nN40 M30\n"
EDITED = "O0004 (SLEEVE)\nN10 G00 X26. Z2. (START)\nN20 G01 Z-20. F0.15\nN25 M08\nN30 G00 X100.\nN40 M09\nN50 M30\n"

lines = st.sampled_from(
    ["", "N1 G01", "N1 G01 ", "(A)", "%", "O0004", "N2 X1.", "N2 X1.0", "\tM30", "\x0c", "\x85", "é"]
)
ends = st.sampled_from(["\n", "\r\n"])
texts = st.tuples(st.lists(st.tuples(lines, ends), max_size=12), lines).map(
    lambda found: "".join(line + end for line, end in found[0]) + found[1]
)


@st.composite
def pairs(draw):
    """A text and what became of it: some of its blocks gone, others new or changed; or two with nothing in common."""
    office = draw(texts | kept.bodies)
    own = office.splitlines(keepends=True) if draw(st.booleans()) else []
    for _ in range(draw(st.integers(0, 4))):
        at = draw(st.integers(0, len(own)))
        own[at : at + draw(st.integers(0, 2))] = [line + "\n" for line in draw(st.lists(lines, max_size=2))]
    return office, "".join(own) if own else draw(texts)


@settings(max_examples=25)
@given(pairs())
def test_all_is_the_operators_text_and_none_the_offices_byte_for_byte(pair):
    office, edited = pair
    every = range(len(groups(office, edited)))
    assert taken_over(office, edited, every) == edited
    assert taken_over(office, edited, ()) == office


@settings(max_examples=25)
@given(pairs(), st.data())
def test_some_stand_as_in_the_operators_text_and_all_else_as_in_the_offices(pair, data):
    office, edited = pair
    found = groups(office, edited)
    chosen = data.draw(st.sets(st.sampled_from(range(len(found))))) if found else set()
    made, at = taken_over(office, edited, chosen), 0
    for n, group in enumerate(found):
        start = sum(map(len, _split(office)[: group.old_line - 1]))
        same, at = office[at:start], start + len(group.old)
        part = same + (group.new if n in chosen else group.old)
        assert made.startswith(part)
        made = made[len(part) :]
    assert made == office[at:]


@pytest.mark.parametrize(
    ("office", "edited", "olds"),
    [
        ("N10 X1. F.2\nN20 X2. F.2\n", "N10 X1. F.1\nN20 X2. F.1 M8\n", ["N10 X1. F.2\n", "N20 X2. F.2\n"]),
        ("X1. F.2\nX2. F.2\n", "X1. F.1\nX2. F.1\n", ["X1. F.2\n", "X2. F.2\n"]),
        ("X1. F.2\nX2. F.2\n", "X1. F.1\nX2. M8\n", ["X1. F.2\nX2. F.2\n"]),
        ("N10 X1.\nN20 X2.\n", "N10 X3.\nN30 X2.1\n", ["N10 X1.\nN20 X2.\n"]),
        ("N10 X1.\nN20 X2.\n", "N10 X3.\nN15 M8\nN20 X4.\n", ["N10 X1.\nN20 X2.\n"]),
    ],
)
def test_neighbours_that_are_each_a_changed_block_are_chosen_one_by_one(office, edited, olds):
    found = groups(f"O0004\n{office}M30", f"O0004\n{edited}M30")
    assert [group.old for group in found] == olds
    assert [(group.old_line, group.new_line) for group in found] == [(2 + n, 2 + n) for n in range(len(olds))]


@settings(max_examples=25)
@given(pairs(), st.data())
def test_no_two_blocks_ever_run_into_one(pair, data):
    office, edited = pair
    found = groups(office, edited)
    chosen = data.draw(st.sets(st.sampled_from(range(len(found))))) if found else set()
    made = taken_over(office, edited, chosen)
    counted = sum(len(blocks(g.new)) - len(blocks(g.old)) for n, g in enumerate(found) if n in chosen)
    assert len(blocks(made)) == len(blocks(office)) + counted
    assert set(blocks(made)) <= {*blocks(office), *blocks(edited)}


@settings(max_examples=25)
@given(pairs(), st.data())
def test_the_order_in_which_groups_are_taken_says_nothing(pair, data):
    """Those of one step are taken, then the rest of the operator's into what came of it: as all at once."""
    office, edited = pair
    found = groups(office, edited)
    chosen = data.draw(st.permutations(range(len(found))))
    at_once = taken_over(office, edited, set(chosen[: len(chosen) // 2]))
    assert taken_over(office, edited, chosen[: len(chosen) // 2]) == at_once
    assert taken_over(at_once, edited, range(len(groups(at_once, edited)))) == edited


def test_every_choice_of_a_program_loses_what_was_left_out_and_that_alone():
    history = [Version(1, Origin.OFFICE, OFFICE), Version(2, Origin.MACHINE, EDITED)]
    found = groups(OFFICE, EDITED)
    assert [(g.old, g.new, g.old_line, g.new_line) for g in found] == [
        ("N20 G01 Z-20. F0.2\n", "N20 G01 Z-20. F0.15\nN25 M08\n", 3, 3),
        ("N40 M30\n", "N40 M09\nN50 M30\n", 5, 6),
    ]
    for chosen in itertools.chain.from_iterable(itertools.combinations(range(2), n) for n in range(3)):
        lost = lost_edits(history, taken_over(OFFICE, EDITED, chosen))
        said = " ".join(line for edit in lost for line in edit.differences)
        assert ("N20" in said, "N40" in said) == (0 not in chosen, 1 not in chosen)


@pytest.mark.parametrize(("office", "edited"), [("", ""), ("", "A"), ("A", ""), ("A\n", "A"), ("A\nB", "A\nB\nC")])
def test_texts_without_blocks_and_without_a_last_end(office, edited):
    assert taken_over(office, edited, range(9)) == edited
    assert taken_over(office, edited, ()) == office


def test_line_ends_are_a_change_of_their_own_and_stay_as_in_their_source():
    office, edited = "N10 X1.\r\nN20 X2.\r\nN30 X3.\r\n", "N10 X1.\r\nN20 X2.5\nN30 X3.\r\n"
    assert [(group.old, group.new) for group in groups(office, edited)] == [("N20 X2.\r\n", "N20 X2.5\n")]
    assert taken_over(office, edited, {0}) == edited


def _split(text):
    return [line for line in text.replace("\n", "\n\0").split("\0") if line]
