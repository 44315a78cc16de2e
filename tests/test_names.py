"""Names of programs: numbers in every form, marks, titles, and names that are safe everywhere."""

import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dncd import defaults
from dncd.program.names import Head, ends, heads, is_code, is_end, mark_name, number_name, safe_name, title_in

# CON, PRN and so on, and the characters < > : " / \ | ? *: what Windows reserves in names (memory; common practice).
RESERVED = ("CON", "prn", "AUX", "nul", "COM1", "com9", "LPT1", "CON.nc", "NUL.TAR.GZ", "COM0")


@pytest.mark.parametrize(
    ("digits", "name"),
    [
        *(("4", "O0004"), ("0004", "O0004"), ("00012345", "O12345"), ("0", "O0000"), ("99999999", "O99999999")),
        *(("0000000000004", "O0004"), ("123456789", ""), ("9010", "O9010")),
    ],
)
def test_numbers(digits: str, name: str) -> None:
    assert number_name(digits) == name


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("%", Head(0, "", -1, "")),
        ("%0004", Head(0, "O0004", 4, "")),
        ("%O0004(SHAFT)", Head(0, "O0004", 4, "SHAFT")),
        ("%:4", Head(0, "O0004", 4, "")),
        ("% O 0004", Head(0, "O0004", 4, "")),
        ("%SHAFT 7 (A)", Head(0, "SHAFT 7", -1, "A")),
        ("%<SHAFT>(A)", Head(0, "SHAFT", -1, "A")),
        ("%O<SHAFT>", Head(0, "SHAFT", -1, "")),
        ("%4A", Head(0, "4A", -1, "")),
        ("%4.5", Head(0, "4.5", -1, "")),
        ("%(ONLY A TITLE)", Head(0, "", -1, "ONLY A TITLE")),
        ("%123456789", Head(0, "123456789", -1, "")),
        ("% ;", Head(0, "", -1, "")),
        ("%..", Head(0, "UNNAMED", -1, "")),
    ],
)
def test_mark_lines(line: str, found: Head) -> None:
    assert mark_name(line, "%") == found


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("O4\nM30\nO5\nM99\n", ["O0004", "O0005"]),
        (" O 0004 (A)\nM30\n", ["O0004"]),
        ("o4\nm30\n", ["O0004"]),
        (":4\nM30\n:5\nM30\n", ["O0004", "O0005"]),
        (":4\nG0\n:5\nM30\n", ["O0004"]),
        ("G0\n:5\nM30\n", []),
        ("(HEAD)\n\n:5\nM30\n", ["O0005"]),
        ("G0\nO5\nM30\n", ["O0005"]),
        ("<A>\nM30\n<B-2>\nM99\n", ["A", "B-2"]),
        ("O1\nM98\n<B>\nM99\n", ["O0001"]),
        ("O<A>(T)\nM30\n", ["A"]),
        ("o100 sub\ng0\no100 endsub\nO7\no100 call\no1 if [#1 gt 2]\nM30\n", ["O0007"]),
        ("O100 SUB\nO101 WHILE [#1 LT 2]\n", []),
        ("O123456789\nM30\n", []),
        ("N10 O5\nOO5\n(O6)\nM30\n", []),
    ],
)
def test_heads(text: str, names: list[str]) -> None:
    found = list(heads(text))
    assert [head.name for head in found] == names
    assert all(text[head.at :].lstrip()[0] in "Oo:<" for head in found)


def test_titles_stay_with_their_program() -> None:
    found = list(heads("(HEAD)\nO1\nG0\nO2 ()\n( )\nG0 ( A  B )\nO3(C\nM30\n"))
    assert [(head.name, head.title) for head in found] == [("O0001", ""), ("O0002", "A B"), ("O0003", "C")]
    assert title_in("G0 X1.\n(FIRST)(SECOND)") == "FIRST"


def test_ends() -> None:
    for block in ("M30", "N5M02", "M2", "/M99", "M 30", "M99P5", "M002", "(A)M30(B)"):
        assert is_end(block), block
    for block in ("M3", "M300", "(M30)", "GM30", "M29", "M20", "M99.5", "(M30", ""):
        assert not is_end(block), block
    text = "G0\nM30\n(M30)\nM99"
    assert [text[at:] for at in ends(text)] == ["(M30)\nM99", ""]
    assert is_code("N10")
    assert not is_code(" (A) (B) ;")


@given(st.text(max_size=300))
def test_safe_names(text: str) -> None:
    name = safe_name(text)
    assert name
    assert safe_name(name) == name, "a safe name is its own safe name"
    assert not set(name) & set('<>:"/\\|?*~\0')
    assert name.isprintable()
    assert name[0] not in ".- "
    assert name[-1] not in ". "
    assert len(name) <= defaults.NAME_CHARS
    assert len(f"{name} (99).receipt.txt.nc".encode()) <= 255


@pytest.mark.parametrize(
    ("text", "name"),
    [
        *(("O0004", "O0004"), ("PART 7", "PART 7"), ("", "UNNAMED"), ("..", "UNNAMED"), ("a/b\\c", "a-b-c")),
        *((".git", "git"), ("GIT~1", "GIT-1"), ("A\nB", "A-B"), ("\x1b[2J", "[2J"), ("ÄÖ", "ÄÖ"), ("-rf", "rf")),
        *((" A. ", "A"), ("CON", "_CON"), ("com1.nc", "_com1.nc"), ("CONE", "CONE"), ("A\u202eB", "A-B")),
        *(("\ud800", "UNNAMED"), ("X" * 500, "X" * 120), ("€" * 500, "€" * 66)),
    ],
)
def test_names_made_safe(text: str, name: str) -> None:
    assert safe_name(text) == name


def test_reserved_names() -> None:
    for name in RESERVED:
        assert safe_name(name) == f"_{name}"


def test_git_and_the_file_system_take_them(tmp_path: Path) -> None:
    """git itself is asked, with its protection for other systems' file systems on."""
    hard = (".git", "GIT~1", ".GIT ", "a/../b", "CON", "-x", "A\nB", "\u200c.git", "git\u200c", "é" * 200, "..", "a:b")
    subprocess.run(["git", "init", "-q", str(tmp_path)], check=True)
    for key in ("core.protectNTFS", "core.protectHFS"):
        subprocess.run(["git", "-C", str(tmp_path), "config", key, "true"], check=True)
    for text in hard:
        (tmp_path / f"{safe_name(text)}.nc").write_text("M30\n")
        subprocess.run(["git", "-C", str(tmp_path), "add", "--", f"{safe_name(text)}.nc"], check=True)
        subprocess.run(["git", "-C", str(tmp_path), "update-index", "--add", "--cacheinfo",
                        f"100644,e69de29bb2d1d6434b8b29ae775ad8c2e48c5391,{safe_name(text)}"], check=True)  # fmt: skip
