"""Two programs compared: in the words of a machinist, and against three checks that are not ours.

`git apply` rebuilds the new text from the unified diff; difflib finds the same single differences; the G-code parser
pygcode (PyPI, 0.2.1) reads the same words from blocks that compare as equal, and other words from those that do not.
"""

import difflib
import json
import random
import re
import subprocess
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pygcode
import pytest
import strategies
from hypothesis import given
from hypothesis import strategies as st
from programs import NIST, Made, many
from pygcode.exceptions import GCodeParameterError, GCodeWordStrError
from steps import grows

from dncd.program import aligning
from dncd.program.aligning import Hunk, hunks
from dncd.program.comparing import Category, ChangeKind, Level, compare
from dncd.program.differences import lines, summary, unified
from dncd.program.words import TokenKind, spelt_alike, tokens

MADE = many(330)
OLD = """O0004 (SHAFT)
N10 G50 S2000
N20 G00 X100. Z5. T0101
N30 G01 Z-50. F.2 (ROUGH)
N40 G01 X12.5 F0.15
N50 Z-5.
N60 M08

#100=1.5
M30
"""


def said(new: str, old: str = OLD) -> list[str]:
    comparison = compare(old, new)
    json.dumps(comparison.as_json())
    return list(lines(comparison))


# --- what a machinist reads ------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("before", "after", "line"),
    [
        ("F0.15", "F0.10", "block N40: F 0.15 → 0.10"),
        ("X12.5", "X1.25", "block N40: X 12.5 → 1.25"),
        ("Z-5.", "Z5.", "block N50: Z -5. → 5."),
        ("N60 M08\n", "", "block N60 dropped: 'N60 M08'"),
        ("(ROUGH)", "(FINISH)", "block N30: comment (ROUGH) → (FINISH)"),
        (" (ROUGH)", "", "block N30: comment (ROUGH) dropped"),
        ("T0101", "T0102", "block N20: T 0101 → 0102"),
        ("Z-5.", "Z-5", "block N50: Z -5. → -5"),
        ("M08", "M09", "block N60: M 08 → 09"),
        ("N60 M08\n", "N60 M08\nN65 M09\n", "block N65 new: 'N65 M09'"),
        ("M30\n", "G28 U0.\nM30\n", "block at line 10 new: 'G28 U0.'"),
        ("#100=1.5", "#100=1.6", "block at line 9, '#100=1.5': #100 1.5 → 1.6"),
        ("N60", "/N60", "block N60: block skip / added"),
        ("N50 Z-5.", "N50 Z-5. M09", "block N50: M 09 added"),
        ("N40 G01 X12.5 F0.15", "N40 F.15 G01 X12.5", "block N40: the same words in another order: "
         "'N40 G01 X12.5 F0.15' → 'N40 F.15 G01 X12.5'"),
        ("\n\n", "\n", "block at line 8 dropped: an empty block"),
        ("F0.15", "F0.15 (\x1b[2J)", r"block N40: comment (\x1b[2J) added"),
    ],
)  # fmt: skip
def test_one_change_is_one_line(before: str, after: str, line: str) -> None:
    assert OLD.count(before) == 1
    assert said(OLD.replace(before, after)) == [line]


def test_the_sum() -> None:
    new = OLD.replace("F0.15", "F0.10").replace("F.2", "F.3").replace("T0101", "T0102").replace("ROUGH", "R")
    new = (
        new.replace("N60 M08\n", "N60 M08\nN61 G04 P500\nN62 M00\n")
        .replace("N10 G50 S2000\n", "")
        .replace("X100.", "X90.")
    )
    comparison = compare(OLD, new)
    assert summary(comparison) == "2 feeds, 1 tool offset, 1 position, 1 comment, 2 blocks new, 1 block dropped"
    assert (comparison.blocks_changed, comparison.blocks_new, comparison.blocks_dropped) == (3, 2, 1)
    assert summary(compare(OLD, OLD.replace("T0101", "T0303"))) == "1 tool"
    assert summary(compare(OLD, OLD.replace("G50", "G92"))) == "1 function"


@pytest.mark.parametrize(
    ("one", "two", "level"),
    [
        ("G01 X5.\n", "G01 X5.\n", Level.EXACT),
        ("G01 X5.\n", "G01 X5.\r\n", Level.BLOCKS),
        ("G01 X5.\n", "G01 X5.", Level.BLOCKS),
        ("N10 G01 X5.\n", "N20 G1X5.0\n", Level.BLOCKS),
        ("N10 G01 X5.\n", "G01\tX 5.000;\n", Level.BLOCKS),
        ("X0.5 Y-0.50\n", "X.5 Y-.5\n", Level.BLOCKS),
        ("X+5. Z+.5\n", "X5. Z.5\n", Level.BLOCKS),
        ("T0101 M06 S0500 G04\n", "T101 M6 S500 G4\n", Level.BLOCKS),
        ("/N10 M01\n", "/M1\n", Level.BLOCKS),
        ("O0004\n", "O4\n", Level.BLOCKS),
        ("X5.\n", "X5\n", Level.DIFFERENT),
        ("X5\n", "X50\n", Level.DIFFERENT),
        ("X05\n", "X5\n", Level.DIFFERENT),
        ("X5.\n", "X.5\n", Level.DIFFERENT),
        ("X10.\n", "X1.\n", Level.DIFFERENT),
        ("S100\n", "S1000\n", Level.DIFFERENT),
        ("F0.10\n", "F0.01\n", Level.DIFFERENT),
        ("X100.\n", "X1.\n", Level.DIFFERENT),
        ("G10\n", "G1\n", Level.DIFFERENT),
        ("X-5.\n", "X5.\n", Level.DIFFERENT),
        ("(A B)\n", "(AB)\n", Level.DIFFERENT),
        ("(A 0.50)\n", "(A .5)\n", Level.DIFFERENT),
        ("<A B>\n", "<AB>\n", Level.DIFFERENT),
        ("M01\n", "/M01\n", Level.DIFFERENT),
        ("G0\n\nM30\n", "G0\nM30\n", Level.DIFFERENT),
        ("G1 X1.\nG1 X2.\n", "G1 X2.\nG1 X1.\n", Level.DIFFERENT),
        ("#100=1.50\n", "#100=1.5\n", Level.BLOCKS),
        ("#100=10\n", "#100=1\n", Level.DIFFERENT),
        ("", "G0\n", Level.DIFFERENT),
    ],
)  # fmt: skip
def test_levels(one: str, two: str, level: Level) -> None:
    assert compare(one, two).level is level
    assert compare(two, one).level is level


def test_a_renumbered_program_with_one_edit() -> None:
    new = OLD.replace("F0.15", "F0.10")
    for number in (10, 20, 30, 40, 50, 60):
        new = new.replace(f"N{number} ", f"N{number + 1000} ")
    assert said(new) == ["block N40: F 0.15 → 0.10"]


def test_a_block_keeps_its_number_where_neighbours_look_alike() -> None:
    old = "N10 G01 X1. F1.\nN20 G01 X1. F1.5\nM30\n"
    assert said("N20 G01 X2. F1.5\nM30\n", old) == ["block N10 dropped: 'N10 G01 X1. F1.'", "block N20: X 1. → 2."]
    assert said("N20 G01 X2. F3.\nM30\n", old) == [
        "block N10 dropped: 'N10 G01 X1. F1.'",
        "block N20: X 1. → 2., F 1.5 → 3.",
    ]


# --- generated programs, each edited in a way that is known ----------------------------------------------------
def _edit(
    program: Made, rng: random.Random, pattern: str, change: Callable[[re.Match[str]], str]
) -> tuple[str, str] | None:
    """The text with one word changed outside comments, and the block's number; None where there is no such word."""
    blocks = program.blocks
    found = [
        (i, m) for i, b in enumerate(blocks) for m in re.finditer(pattern, b) if "(" not in b and "[" not in b and i
    ]
    if not found:
        return None
    i, match = rng.choice(found)
    block = blocks[i]
    blocks[i] = block[: match.start()] + change(match) + block[match.end() :]
    number = re.match(r"N\d+", block, re.IGNORECASE)
    return "\n".join(blocks) + "\n", number[0] if number else ""


EDITS: dict[Category, tuple[str, Callable[[re.Match[str]], str]]] = {
    Category.FEED: (r"[Ff]\+?(\d*\.\d*)", lambda m: f"{m[0][0]}{float(m[1]) + 1:.2f}"),
    Category.POSITION: (r"(?<=[XYZxyz])([-+]?)(\d*\.\d*)", lambda m: f"-{m[2]}" if m[1] != "-" else m[2]),
    Category.SPEED: (r"(?<=[Ss])(\d{3,})", lambda m: str(int(m[1]) + 5)),
    Category.ARC: (
        r"(?<=[RIri])([-+]?)(\d*\.\d+|\d+\.\d*)(?=\s|[A-Za-z]|$)",
        lambda m: f"{m[1]}{m[2].replace('.', '')}.5",
    ),
}


@pytest.mark.parametrize("category", list(EDITS), ids=lambda c: c.name)
def test_one_edited_word_is_named(category: Category) -> None:
    done = 0
    for n, program in enumerate(MADE):
        edited = _edit(program, random.Random(n), *EDITS[category])
        if edited is None or float_words(edited[0]) == float_words(program.text):
            continue
        comparison = compare(program.text, edited[0])
        (change,) = comparison.changes
        (word,) = change.words
        assert (change.kind, word.category) == (ChangeKind.CHANGED, category), (change, program.text)
        assert change.block == edited[1].upper()
        assert comparison.words == ((category, 1),)
        done += 1
    assert done > 100


def float_words(text: str) -> list[tuple[str, float]]:
    return [(m[1].upper(), float(m[2])) for m in re.finditer(r"([A-Za-z])([-+]?(?:\d+\.?\d*|\.\d+))", text)]


def test_a_dropped_a_new_and_a_doubled_block() -> None:
    rng = random.Random(5)
    for program in MADE:
        blocks = program.blocks
        at = rng.randrange(1, len(blocks) - 1)
        dropped = compare(program.text, "".join(f"{b}\n" for b in blocks[:at] + blocks[at + 1 :]))
        assert [(c.kind, spelt_alike(c.old)) for c in dropped.changes] == [
            (ChangeKind.DROPPED, spelt_alike(blocks[at]))
        ]
        new = compare(program.text, "".join(f"{b}\n" for b in [*blocks[:at], "G04 P750", *blocks[at:]]))
        assert [(c.kind, c.new, c.new_line) for c in new.changes] == [(ChangeKind.NEW, "G04 P750", at + 1)]


def _respelt(text: str, rng: random.Random) -> str:
    """The same program as another hand would type it: numbers, blanks and zeros changed, no value, no comment."""
    out = []
    for n, block in enumerate(text.split("\n")):
        parts = re.split(r"(\([^)]*\)|<[^>]*>)", block)
        for i in range(0, len(parts), 2):
            part = re.sub(
                r"(?<=[A-Za-z])([-+]?)(\d*)\.(\d*)", lambda m: f"{m[1]}{m[2]}.{m[3]}{'0' * rng.randrange(3)}", parts[i]
            )
            part = re.sub(r"(?<![A-Za-z])([GMgm])(\d)(?!\d)", r"\g<1>0\2", part)
            parts[i] = re.sub(r"[ \t]+", lambda _: rng.choice(["", " ", "  "]), part)
        out.append(re.sub(r"^[Nn]\d+", f"N{n}", "".join(parts)))
    return "\n".join(out)


def test_programs_typed_by_another_hand_are_equal() -> None:
    rng = random.Random(6)
    for program in MADE:
        other = _respelt(program.text, rng)
        assert compare(program.text, other).level in (Level.EXACT, Level.BLOCKS), program.text
        assert compare(program.text, other.replace("\n", "\r\n")).level in (Level.EXACT, Level.BLOCKS)


# --- against a G-code parser -----------------------------------------------------------------------------------
def parsed(block: str) -> list[tuple[str, float]] | None:
    """The words of a block as pygcode reads them; None where its dialect has no such block."""
    try:
        line = pygcode.Line(block.upper())
    except (GCodeWordStrError, GCodeParameterError, AssertionError, AttributeError, KeyError, ValueError):
        return None
    return [(word.letter, float(word.value)) for word in line.block.words]


def ours(block: str) -> list[tuple[str, float]]:
    return [(t.address.upper(), float(t.value)) for t in tokens(block) if t.kind is TokenKind.WORD]


def readable(block: str) -> bool:
    """What the parser's dialect can hold: no macros, corners, `;`, skips, `+`, nor several comments; O takes all."""
    return not re.search(r"[#\[\]/:<,;=+]|^ *[Oo]|\).*\(", block)


def test_words_agree_with_a_g_code_parser() -> None:
    checked = seen = 0
    texts = [program.text for program in MADE] + ["\n".join(program["lines"]) for program in NIST]
    for text in texts:
        for block in text.split("\n"):
            seen += 1
            words = parsed(block) if readable(block) else None
            if words is None:
                continue
            code = re.sub(r"\([^)]*\)", "", block)
            assert ours(code) == words, block
            checked += 1
    assert checked > 0.6 * seen > 5000


@given(strategies.blocks, strategies.blocks)
def test_equal_blocks_have_equal_words(one: str, two: str) -> None:
    """Blocks in the one spelling of each other have the parser's same words."""
    for other in (two, _respelt(one, random.Random(len(one)))):
        if "(" in one + other or compare(one + "\n", other + "\n").level is Level.DIFFERENT:
            continue
        mine, theirs = parsed(one), parsed(other)
        if mine is not None and theirs is not None:
            assert [w for w in mine if w[0] != "N"] == [w for w in theirs if w[0] != "N"]


@given(strategies.blocks, st.data())
def test_another_value_is_always_another_block(block: str, data: st.DataObject) -> None:
    words = [t for t in tokens(block) if t.kind is TokenKind.WORD and t.address != "N"]
    if not words:
        return
    word = data.draw(st.sampled_from(words))
    value = data.draw(strategies.numbers)
    if float(value) == float(word.value):
        return
    changed = f"{block[: word.at]}{word.address}{value}{block[word.at + len(word.text) :]}"
    comparison = compare(f"{block}\nM30\n", f"{changed}\nM30\n")
    assert comparison.level is Level.DIFFERENT
    assert comparison.blocks_changed + comparison.blocks_new == 1


@given(strategies.any_blocks)
def test_tokens_lose_nothing(block: str) -> None:
    found = list(tokens(block))
    assert "".join(t.text for t in found).replace(" ", "").replace("\t", "") == block.replace(" ", "").replace("\t", "")
    assert all(block[t.at : t.at + len(t.text)] == t.text for t in found)


@given(st.lists(strategies.any_blocks, max_size=8))
def test_one_spelling_is_final_and_keeps_the_lines(blocks: list[str]) -> None:
    text = "\n".join(blocks)
    once = spelt_alike(text)
    assert once.count("\n") == text.count("\n")
    assert once.split("\n") == [spelt_alike(block) for block in text.split("\n")], "block by block it is the same"


# --- against difflib and git -----------------------------------------------------------------------------------
def rebuilt(old: list[int], new: list[int], found: list[Hunk]) -> list[int]:
    out: list[int] = []
    at = 0
    for hunk in found:
        assert old[at : hunk.old_start] == new[len(out) : hunk.new_start]
        out += old[at : hunk.old_start] + new[hunk.new_start : hunk.new_end]
        at = hunk.old_end
    return out + old[at:]


@given(st.lists(st.integers(0, 8), max_size=40), st.lists(st.integers(0, 8), max_size=40), st.booleans())
def test_any_two_sequences_can_be_rebuilt(old: list[int], new: list[int], small: bool) -> None:
    was = aligning._SMALL
    aligning._SMALL = was if small else 0  # type: ignore[misc]
    try:
        found = hunks(old, new)
    finally:
        aligning._SMALL = was  # type: ignore[misc]
    assert rebuilt(old, new, found) == new
    assert all(one.old_end < two.old_start for one, two in pairwise(found)), "none touches the next"


def test_single_differences_are_those_of_difflib() -> None:
    rng = random.Random(7)
    for program in MADE:
        old = program.blocks
        new = list(old)
        at = rng.randrange(len(new))
        new[at : at + rng.randrange(2)] = ["G04 P750"] * rng.randrange(1, 3)
        matcher = difflib.SequenceMatcher(None, old, new, autojunk=False)
        theirs = [Hunk(i, i_end, j, j_end) for tag, i, i_end, j, j_end in matcher.get_opcodes() if tag != "equal"]
        assert hunks(old, new) == theirs


@given(st.permutations(range(30)))
def test_of_crossing_blocks_the_most_stay(new: list[int]) -> None:
    """The longest increasing row, by the plain quadratic table."""
    longest: list[int] = []
    for at, value in enumerate(new):
        longest.append(1 + max((longest[i] for i in range(at) if new[i] < value), default=0))
    old = list(range(30))
    found = hunks(old, new)
    assert rebuilt(old, new, found) == new
    kept = 30 - sum(hunk.old_end - hunk.old_start for hunk in found)
    if new[0] != 0 and new[-1] != 29:
        assert kept == max(longest), "nothing was set aside at the ends first"


@pytest.mark.parametrize("large", [False, True])
def test_git_applies_the_unified_diff(tmp_path: Path, large: bool) -> None:
    rng = random.Random(8)
    old = [block for program in MADE[: 200 if large else 20] for block in program.blocks]
    assert (len(old) > 2000) is large
    new = list(old)
    for _ in range(60 if large else 9):
        at = rng.randrange(len(new))
        new[at : at + rng.randrange(3)] = [f"G04 P{rng.randrange(999)}"] * rng.randrange(3)
    new[0:0] = ["(NEW HEAD)"]
    new.append("(NEW END)")
    old_text, new_text = "".join(f"{b}\n" for b in old), "".join(f"{b}\n" for b in new)
    patch = "".join(f"{line}\n" for line in unified(old_text, new_text, "a/p.nc", "b/p.nc"))
    (tmp_path / "p.nc").write_text(old_text, "utf-8", newline="")
    done = subprocess.run(
        ["git", "apply", "--whitespace=nowarn", "-"],
        input=patch.encode(),
        cwd=tmp_path,
        capture_output=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "p.nc").read_bytes() == new_text.encode()
    assert list(unified(old_text, old_text, "a", "b")) == []


@pytest.mark.parametrize(("old", "new"), [("", "G0\n"), ("G0\n", ""), ("G0\n" * 3000, ""), ("", "G0\n" * 3000)])
def test_unified_of_nothing(old: str, new: str) -> None:
    """difflib is the check for the large ones too: it is quick where one side is empty."""
    theirs = difflib.unified_diff(old.splitlines(), new.splitlines(), "a", "b", lineterm="")
    assert list(unified(old, new, "a", "b")) == list(theirs)


# --- large programs --------------------------------------------------------------------------------------------
def large(rng: random.Random, blocks: int = 300_000) -> list[str]:
    return [
        f"N{n} G01 X{rng.uniform(-99, 99):.3f} Y{rng.uniform(-99, 99):.3f} F{rng.randrange(50, 500)}."
        for n in range(blocks)
    ]


@pytest.mark.slow
def test_ten_megabytes_compare() -> None:
    """`bench/comparing.py` measures it; that the work grows with the length is counted below."""
    rng = random.Random(9)
    old = large(rng)
    new = list(old)
    edits = sorted(rng.sample(range(1000, len(old) - 1000), 30))
    for at in edits[:20]:
        new[at] = new[at].replace("X", "X1")
    for at in reversed(edits[20:]):
        del new[at]
    old_text, new_text = "\n".join(old), "\n".join(new)
    assert len(old_text) > 10_000_000
    comparison = compare(old_text, new_text)
    assert (comparison.blocks_changed, comparison.blocks_dropped, comparison.blocks_new) == (20, 10, 0)


@pytest.mark.slow
def test_hard_pairs_end_too() -> None:
    """Nothing in common, the same few blocks over and over, every block changed."""
    few = ["G01 X1.", "G01 X2.", "G00 Z5.", "X3.", "Y1.", "G80", "M08"]
    rng = random.Random(10)
    repeated = [few[n % 7] for n in range(100_000)]
    shaken = list(repeated)
    for at in range(40, 100_000, 5_000):
        shaken[at] = "G04 P1"
    other = [rng.choice(few) for _ in range(100_000)]
    for old, new, changed in ((repeated, shaken, 20), (repeated, other, None), (few * 5000, ["M00"] * 30_000, None)):
        comparison = compare("\n".join(old), "\n".join(new))
        parts = [("\n".join(old[:count]), "\n".join(new[:count])) for count in (4_000, 8_000)]
        assert grows(lambda pair: compare(*pair), *parts) < 4, "twice the length: the work has a bound"
        if changed is not None:
            assert comparison.blocks_changed + comparison.blocks_new == changed
    told = compare("\n".join(large(rng, 5000)), "\n".join(large(rng, 5000)))
    assert len(told.changes) + told.not_told == told.blocks_changed + told.blocks_new + told.blocks_dropped
    assert told.not_told > 0
    assert "not told one by one" in summary(told)
