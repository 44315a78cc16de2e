"""A program without a number that comes back is taken for the one it is like, and for no other."""

import random

import pytest
from control_spelling import any_spelling, spell
from programs import many

from dncd.program.readback import ALIKE, FEW_BLOCKS, Like, share, shares, taken_for
from dncd.program.substance import Numbers, Substance

KNOWN, FOREIGN = 200, 60
PROGRAMS = {f"PART-{n}": made.text.split("\n", 1)[1] for n, made in enumerate(many(KNOWN + FOREIGN))}
BLOCKS = {name: Substance.of(text, Numbers.IGNORE).keys for name, text in list(PROGRAMS.items())[:KNOWN]}


def named(punched, sent=()):
    blocks = Substance.of(punched, Numbers.IGNORE).keys
    return taken_for({name: share(known, blocks) for name, known in BLOCKS.items()}, sent, punched)


def edited(text, rng):
    """A value here, a block more or less there: one change in twelve blocks at most."""
    blocks = text.split("\n")[:-1]
    for _ in range(1 + len(blocks) // 24):
        at = rng.randrange(len(blocks))
        match rng.randrange(3):
            case 0:
                blocks[at] = "G01 X77.125 F.31"
            case 1:
                blocks.insert(at, "G04 P500")
            case _:
                del blocks[at]
    return "".join(f"{block}\n" for block in blocks)


def test_each_of_200_comes_back_in_its_controls_spelling_as_itself():
    for seed, name in enumerate(BLOCKS):
        rng = random.Random(seed)
        assert named(spell(PROGRAMS[name], any_spelling(rng), rng)) == Like(name, 100)


def test_each_of_200_comes_back_edited_and_none_is_taken_for_another():
    for seed, name in enumerate(BLOCKS):
        rng = random.Random(seed)
        punched = spell(edited(PROGRAMS[name], rng), any_spelling(rng), rng)
        like, sent = named(punched), named(punched, sent=(name,))
        assert like.program == name or (not like.program and punched.count("\n") < FEW_BLOCKS)
        assert sent == Like(name, sent.percent, sent=True)
        assert sent.percent >= ALIKE


def test_foreign_programs_are_taken_for_none():
    foreign = [text for name, text in PROGRAMS.items() if name not in BLOCKS]
    assert [named(text) for text in foreign] == [Like()] * FOREIGN


SHAFT = [f"N{n} G01 X{n}.5 Z-{n}." for n in range(10, 210, 10)]


def shaft(*changed):
    """A program of twenty blocks, the first few of them changed."""
    return "".join(f"{block}\n" for block in [*(f"N{n} G01 X{n} F.{n}" for n in changed), *SHAFT[len(changed) :]])


@pytest.mark.parametrize(
    ("shared", "sent", "said"),
    [
        ({"A": 100, "B": 99}, (), Like("A", 100)),
        ({"A": 100, "B": 100}, (), Like()),  # which of the two is it?
        ({"A": 100, "B": 100}, ("B",), Like("B", 100, sent=True)),
        ({"A": 90, "B": 80}, (), Like("A", 90)),
        ({"A": 90, "B": 81}, (), Like()),
        ({"A": 90, "B": 90}, ("B",), Like("B", 90, sent=True)),
        ({"A": 91, "B": 90}, ("B",), Like()),
        ({"A": 79}, ("A",), Like()),
        ({}, ("A",), Like()),
    ],
)
def test_it_must_be_clearly_the_nearest_or_what_was_last_sent(shared, sent, said):
    assert taken_for(shared, sent, shaft()) == said


def test_of_a_few_blocks_only_the_same_ones_or_those_last_sent_are_like():
    known = "G21\nG90\nG0 X1\nM5\nM30\n"
    punched = known.replace("X1", "X2")
    assert shares([known], punched) == [80]
    assert taken_for({"A": 80}, (), punched) == Like()
    assert taken_for({"A": 80}, ("A",), punched).program == "A"


def test_blocks_are_counted_of_the_longer_text_and_their_numbers_are_not():
    assert shares([shaft(), shaft(1, 2)], shaft()) == [100, 90]
    assert shares([shaft()], shaft().replace("N", "N1")) == [100]
    assert shares([shaft()], shaft() * 2) == [50]
    assert shares([shaft()], "".join(f"{block}\n" for block in reversed(SHAFT))) == [99]
    assert shares(["(SHAFT)\n"], "(GEAR)\n") == [0]  # nothing was said
