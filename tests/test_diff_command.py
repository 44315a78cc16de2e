"""`dncd diff` and what it prints: the words of a machinist, colour on a terminal alone, JSON, a unified diff for tools."""

import contextlib
import json
import os
import pty
import subprocess
import sys
import time
from pathlib import Path

import pytest

from dncd.cli import main
from dncd.records.library import Text, Writer
from dncd.values import Origin

SETTINGS = '[machines.gang-lathe.line]\nport = "/dev/ttyS0"\n'
OLD = """\
O0004 (PUMP SHAFT)
N10 G50 S2500
N20 T0101 (ROUGHING)
N30 G00 X52. Z2.
N40 G01 X-1.6 F0.15
N50 G01 Z-24.5 F0.2
N60 M08
N70 G00 X100. Z50.
M30
"""

EDITS = [
    ("feed", "N40 G01 X-1.6 F0.15", "N40 G01 X-1.6 F0.10", "block N40: F 0.15 → 0.10", "1 feed"),
    ("decimal point", "Z-24.5", "Z-2.45", "block N50: Z -24.5 → -2.45", "1 position"),
    ("sign", "X-1.6", "X1.6", "block N40: X -1.6 → 1.6", "1 position"),
    ("dropped block", "N60 M08\n", "", "block N60 dropped: 'N60 M08'", "1 block dropped"),
    (
        "comment",
        "(ROUGHING)",
        "(ROUGHING, NEW INSERT)",
        "block N20: comment (ROUGHING) → (ROUGHING, NEW INSERT)",
        "1 comment",
    ),
]


@pytest.fixture
def shop(tmp_path: Path):
    (tmp_path / "dncd.toml").write_text(SETTINGS)
    (tmp_path / "state").mkdir()

    def keep(*texts: str) -> list[str]:
        with contextlib.closing(Writer(tmp_path / "state")) as library:
            for text in texts:
                library.revise("gang-lathe", "O0004", Text.of(text.encode()), Origin.OFFICE, {})
        return ["--config", str(tmp_path / "dncd.toml"), "diff", "gang-lathe", "O0004"]

    return keep


@pytest.mark.parametrize("said", ["O0004", "4", "0004", "o4"])
def test_a_program_is_shown_and_compared_by_its_number_as_it_is_said(shop, capsys, said):
    words = shop(OLD, OLD.replace("N60 M08\n", ""))[:2]
    for word in ("show", "diff"):
        assert main([*words, word, "gang-lathe", said]) == 0
        assert "O0004" in capsys.readouterr().out


@pytest.mark.parametrize(("before", "after", "line", "sum_"), [e[1:] for e in EDITS], ids=[e[0] for e in EDITS])
def test_each_edit_is_one_line_that_names_the_block_and_the_word(shop, capsys, before, after, line, sum_) -> None:
    words = shop(OLD, OLD.replace(before, after))
    assert main(words) == 0
    assert capsys.readouterr().out.splitlines() == ["O0004, revision 1 to 2:", f"  {sum_}", line]


def test_the_unified_diff_is_one_that_git_applies(shop, capsys, tmp_path) -> None:
    new = OLD.replace("F0.15", "F0.10").replace("N60 M08\n", "").replace("M30", "N80 M09\nM30")
    words = shop(OLD, new)
    assert main([*words, "--unified"]) == 0
    patch = capsys.readouterr().out
    assert "\x1b" not in patch
    (tmp_path / "O0004.nc").write_text(OLD)
    patch = patch.replace("gang-lathe/O0004.nc revision 1", "a/O0004.nc").replace(
        "gang-lathe/O0004.nc revision 2", "b/O0004.nc"
    )
    subprocess.run(["git", "apply", "-"], input=patch, text=True, cwd=tmp_path, check=True)
    assert (tmp_path / "O0004.nc").read_text() == new
    assert main([*words, "--unified", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [line for line in told["unified"] if line.startswith(("+", "-"))][2:] == [
        "-N40 G01 X-1.6 F0.15",
        "+N40 G01 X-1.6 F0.10",
        "-N60 M08",
        "+N80 M09",
    ]


def test_json_names_every_change(shop, capsys) -> None:
    words = shop(OLD, OLD.replace("F0.15", "F0.10"))
    assert main([*words, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["from"], told["to"], told["level"], told["words"]) == (1, 2, "different", {"feed": 1})
    assert told["changes"][0]["block"] == "N40"


def on_a_terminal(words: list[str], **more: str) -> str:
    """What a command writes to a terminal."""
    master, slave = pty.openpty()
    env = {**{k: v for k, v in os.environ.items() if k != "NO_COLOR"}, "TERM": "xterm", **more}
    process = subprocess.Popen([sys.executable, "-m", "dncd", *words], stdout=slave, stderr=slave, env=env)
    os.close(slave)
    said = b""
    with contextlib.suppress(OSError):  # the other end of a terminal is closed: EIO
        while data := os.read(master, 4096):
            said += data
    os.close(master)
    assert process.wait(120) == 0, said
    return said.decode()


def test_colour_is_for_a_terminal_that_wants_it(shop) -> None:
    words = shop(OLD, OLD.replace("F0.15", "F0.10").replace("N60 M08\n", ""))
    assert "\x1b[33mblock N40: F 0.15 → 0.10\x1b[0m" in on_a_terminal(words)
    assert "\x1b[31mblock N60 dropped" in on_a_terminal(words)
    assert "\x1b[32m+N40 G01 X-1.6 F0.10\x1b[0m" in on_a_terminal([*words, "--unified"])
    assert "\x1b" not in on_a_terminal(words, NO_COLOR="1")


@pytest.mark.slow
@pytest.mark.parametrize("way", [[], ["--unified"], ["--json"]], ids=["lines", "unified", "json"])
def test_ten_megabytes_take_ten_times_as_long_as_one(shop, way, capsys) -> None:
    """The whole command, from its start to its last line: processor time grows with the length, and no faster."""

    def took(count: int) -> float:
        blocks = [f"N{n} G01 X{n % 977 / 7:.3f} Y{n % 1013 / 11:.3f} F{n % 400}." for n in range(count)]
        old = "\n".join([*blocks, "M30", ""])
        for at in range(count // 310, count - 1_000, count // 10):
            blocks[at] = blocks[at].replace(" F", " F1")
            del blocks[at + 500]
            blocks.insert(at + 900, "G04 P500")
        words = shop(old, "\n".join([*blocks, "M30", ""]))
        began = time.process_time()
        assert main([*words, *way]) == 0
        assert "G04 P500" in capsys.readouterr().out
        return time.process_time() - began

    one = took(31_000)
    assert took(310_000) < 30 * one
