"""Whether a dropped program holds an operator's edits: hand-made cases, and merges made by an independent tool."""

import subprocess

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dncd.outside.comparer import Comparer
from dncd.program.edits import Version, lost_edits, not_held
from dncd.values import Origin

BASE = "O0004(BUSH)\nN10 G28 U0 W0\nN20 T0101\nN30 G00 X52. Z2.\nN40 G01 Z-30. F0.15\nN50 G00 X100. Z50.\nN60 M30\n"
EDIT = BASE.replace("F0.15", "F0.10")
CUT = BASE.replace("N50 G00 X100. Z50.\n", "")
MORE = BASE.replace("N30", "N25 M08\nN30")


@pytest.mark.parametrize(
    ("edited", "text", "expected"),
    [
        (EDIT, EDIT, True),
        (EDIT, BASE, False),
        (EDIT, EDIT.replace("X52.", "X53."), True),  # the office goes on from the operator's text
        (EDIT, BASE.replace("X52.", "X53."), False),
        (EDIT, BASE.replace("F0.15", "F0.12"), False),  # another feed in the operator's block
        (EDIT, EDIT.replace("N40 G01 Z-30.", "N40G1Z-30.0"), True),  # only the spelling
        (CUT, CUT, True),
        (CUT, BASE, False),
        (CUT, CUT.replace("M30", "M02"), True),  # the block beside the one that the operator took out
        (MORE, MORE, True),
        (MORE, BASE, False),
        (MORE, MORE.replace("N20 T0101", "N20 T0202"), True),
        (BASE.replace("N", "N1"), BASE, True),  # only block numbers
    ],
)
def test_one_edit(edited, text, expected):
    assert (not not_held(BASE, edited, text)) is expected


def version(number, origin, text):
    return Version(number, Origin(origin), text)


def test_the_differences_are_those_of_the_operator():
    (lost,) = lost_edits([version(1, "office", BASE), version(2, "machine", EDIT)], BASE)
    assert lost.number == 2
    assert lost.differences == ("block N40: F 0.15 → 0.10",)


def test_an_older_edit_is_not_lost_by_another_desk():
    """The operator's edit went into the office's next revision; a second person drops an old copy."""
    newer = EDIT.replace("X52.", "X53.")
    history = [version(1, "office", BASE), version(2, "machine", EDIT), version(3, "office", newer)]
    assert [lost.number for lost in lost_edits(history, BASE.replace("Z50.", "Z60."))] == [2]
    assert lost_edits(history, newer.replace("Z50.", "Z60.")) == ()


def test_an_edit_that_was_sent_over_is_not_asked_for_again():
    over = BASE.replace("X52.", "X54.")
    history = [version(1, "office", BASE), version(2, "machine", EDIT), version(3, "office", over)]
    assert lost_edits(history, over.replace("Z50.", "Z60.")) == ()


def test_a_program_that_began_at_the_machine():
    """Any of its blocks may be an edit of years ago that the office's old file lacks."""
    history = [version(1, "machine", BASE)]
    (lost,) = lost_edits(history, BASE.replace("X52.", "X53."))
    assert lost.number == 1
    assert lost.differences == ("block N30: X 52. → 53.",)
    assert lost_edits(history, BASE.replace("N20", "N15 M08\nN20")), "nobody knows what else differs on purpose"
    history.append(version(2, "office", BASE.replace("X52.", "X53.")))  # somebody said so
    assert lost_edits(history, BASE.replace("X52.", "X54.")) == ()


def test_the_process_beside_says_the_same():
    far = "".join(f"N{n} G01 X{n}.\n" for n in range(100, 2000, 10))
    history = [version(1, "office", BASE + far), version(2, "machine", EDIT + far)]
    comparer = Comparer()
    try:
        assert comparer.lost_edits(history, BASE + far) == lost_edits(history, BASE + far)
        assert comparer.lost_edits(history, EDIT + far + "M99\n") == ()
    finally:
        comparer.close()


BLOCKS = st.lists(st.sampled_from([f"X{n}." for n in range(40)]), min_size=6, max_size=25, unique=True)


@settings(max_examples=60)
@given(BLOCKS, st.data())
def test_a_merge_by_git_holds_both_sides(tmp_path_factory, blocks, data):
    """`git merge-file` (git(1)) takes both sides' changes where they do not touch; its clean result holds the edit."""
    folder = tmp_path_factory.mktemp("merge")
    base = "".join(f"{block}\n" for block in blocks)

    def changed(low, high, feed):
        lines = base.splitlines()
        at = data.draw(st.integers(low, high - 1))
        if data.draw(st.booleans()):
            lines[at] += f" F{feed}"
        else:
            del lines[at]
        return "".join(f"{line}\n" for line in lines)

    half = len(blocks) // 2
    machine, office = changed(0, half - 1, 1), changed(half + 1, len(blocks), 2)
    for name, text in (("base", base), ("machine", machine), ("office", office)):
        (folder / name).write_text(text)
    merged = subprocess.run(
        ["git", "merge-file", "-p", "machine", "base", "office"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    if merged.returncode == 0:
        assert not not_held(base, machine, merged.stdout)
        assert not not_held(base, office, merged.stdout)
    assert not_held(base, machine, office)
