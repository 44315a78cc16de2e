"""README's first hour and the manual's day, typed as they stand: what a newcomer types, and nothing else."""

import os
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from trial_operator import DNCD, ENV, Operator, Talk
from waiting import until

from dncd.cli.packaged import topic_text
from dncd.outside.command_client import ask

README = (Path(__file__).parent.parent / "README.md").read_text("utf-8")
MOST_WORDS = 20
TEN_MINUTES_S = 600


def blocks(text: str) -> list[tuple[str, list[str]]]:
    """What is to be typed: the kind of each block ("" for the shell's) and its lines."""
    found = re.findall(r"^```(\w*)\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    return [(kind, [line for line in block.splitlines() if line.strip()]) for kind, block in found]


def section(head: str) -> str:
    start = README.index(f"## {head}")
    return README[start : README.index("\n## ", start)]


def install_line() -> str:
    return section("Two commands").split("```")[1].strip()


def first_hour() -> list[str]:
    return blocks(section("The first hour"))[0][1]


def test_a_program_out_and_an_edit_back_take_few_words() -> None:
    """From the very first command of the README, the installation, to the edit; `&&` is no word."""
    typed = [word for line in (install_line(), *first_hour()) for word in line.split() if word != "&&"]
    assert len(typed) < MOST_WORDS, typed


def shell_folder(folder: Path) -> dict[str, str]:
    """A folder with the environment that README's first command makes; gives the variables of a new terminal."""
    bin_ = folder / ".venv/bin"
    bin_.mkdir(parents=True)
    (bin_ / "dncd").write_text(f'#!/bin/sh\nexec {shlex.join(DNCD)} "$@"\n')
    (bin_ / "dncd").chmod(0o755)
    (bin_ / "activate").write_text('PATH="$PWD/.venv/bin:$PATH"\n')
    return ENV


def test_the_first_hour_brings_a_program_out_and_an_edit_back(tmp_path: Path) -> None:
    """One terminal, README's lines, the end of input: within ten minutes, which is the only limit."""
    typed = "".join(f"{line}\n" for line in first_hour())
    done = subprocess.run(
        ["bash"], input=typed, cwd=tmp_path, env=shell_folder(tmp_path), capture_output=True, text=True,
        timeout=TEN_MINUTES_S, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    out, back = done.stdout.index("result: sent"), done.stdout.index("result: received")
    assert out < back
    assert "difference: block N50: F 0.2 → 0.15" in done.stdout[back:]
    assert "Step 5 of" in done.stdout
    assert done.stderr == ""


# --- the manual's day -----------------------------------------------------------------------------------------------


class Terminal:
    """A shell in which lines are typed, one after the other."""

    def __init__(self, folder: Path) -> None:
        self.env = {**shell_folder(folder), "PATH": f"{folder}/.venv/bin{os.pathsep}{os.environ['PATH']}"}
        self.talk = Talk(["bash"], folder, self.env)
        self.lines = 0

    def type(self, line: str) -> None:
        self.lines += 1
        self.talk.tell(f'{line}\necho "<{self.lines}:$?>"')

    def until_done(self) -> None:
        self.talk.wait_for(lambda: f"<{self.lines}:" in self.talk.said, f"line {self.lines} does not end")
        assert f"<{self.lines}:0>" in self.talk.said, self.talk.said


def steps() -> Iterator[tuple[str, str, bool]]:
    """Each line of the day: its kind, the line, whether keys at the control follow before it can end."""
    day = blocks(topic_text("day"))
    for (kind, lines), (after, _) in zip(day, [*day[1:], ("", [])], strict=True):
        for line in lines:
            yield kind, line, not kind and line is lines[-1] and after == "control"


def test_the_day_types_what_it_should() -> None:
    words = " ".join(line for kind, line, _ in steps() if not kind)
    for word in ("setup", "check-config", "run", "send", "go", "log", "programs", "show", "diff", "verify", "restore"):
        assert f" {word} " in f"{words} ".replace("\n", " "), word
    assert "--config" not in words


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="pseudo-terminals")
def test_the_day_as_it_stands(tmp_path: Path) -> None:
    with ExitStack() as ending:
        terminal = Terminal(tmp_path)
        (_, first, _), *rest = steps()
        control = Talk(["sh", "-c", f"exec {first}"], tmp_path, terminal.env)
        ending.callback(control.close)
        ending.callback(control.process.terminate)
        until((tmp_path / "lathe-port").exists, 30, "the stand-in does not begin")
        operator = Operator(control, terminal.talk, ())

        def status() -> dict[str, object]:
            found: dict[str, object] = ask(tmp_path / "state", {"do": "status"})["machines"]["gang-lathe"]
            return found

        def receipts() -> dict[Path, int]:
            return {path: path.stat().st_mtime_ns for path in (tmp_path / "shop").rglob("*.receipt.txt")}

        pending, before = False, dict[Path, int]()
        for kind, line, keys_follow in rest:
            if kind == "control":
                before = receipts() if line.startswith("punch ") else before
                operator.press(line)
                if line == "wait" and before:
                    until(lambda before=before: receipts() != before, 30, "nothing came of the punch")
                    before = {}
                continue
            if pending:
                terminal.until_done()
            if line.startswith("dncd go"):
                until(lambda: status()["next"], 30, "nothing waits for a go")
            terminal.type(line)
            pending = keys_follow
            if not pending:
                terminal.until_done()
            if " run " in line:
                until((tmp_path / "state/dncd.sock").exists, 30, "the service does not begin")
        said, shown = terminal.talk.said, control.said
        assert terminal.talk.process.stdin is not None
        terminal.talk.process.stdin.close()
        assert terminal.talk.close() == 0
    assert "0 problems found" in said
    assert "F 0.2 → 0.15" in said
    (dump,) = [line for line in shown.splitlines() if line.startswith("read in: ") and "O0330" in line]
    assert all(number in dump for number in ("O0004", "O0331"))
    assert "backup: none yet" not in said
    assert "O0005  3 blocks" in shown
