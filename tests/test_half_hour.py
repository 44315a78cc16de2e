"""The manual's half-hour from a bare port to a proven line, followed word for word on the stand-in."""

import os
import re
import shlex
import subprocess
import sys

import pytest
from trial_operator import ENV, Operator, Talk, Turn
from waiting import until

from dncd.cli.packaged import topic_text

SECTION = topic_text("trial")


def commands() -> list[str]:
    """The lines of the section's code blocks, as they stand."""
    blocks = re.findall(r"^```\n(.*?)^```$", SECTION, re.MULTILINE | re.DOTALL)
    return [line for block in blocks for line in block.splitlines() if line.strip()]


def turns() -> list[Turn]:
    """The rows of its table: what the trial says, and what is then typed, backticked words at the stand-in."""
    rows = [line.strip("|").split("|") for line in SECTION.splitlines() if line.startswith("| ")][1:]
    found = []
    for says, _, keys in rows:
        typed = tuple(key.strip().strip("`") for key in keys.split(","))
        found.append(Turn(says.strip(), typed))
    return found


@pytest.fixture
def env(tmp_path):
    """A PATH on which `dncd` is this one."""
    shim = tmp_path / "bin" / "dncd"
    shim.parent.mkdir()
    shim.write_text(f'#!/bin/sh\nexec {shlex.quote(sys.executable)} -m dncd "$@"\n')
    shim.chmod(0o755)
    return {**ENV, "PATH": f"{shim.parent}{os.pathsep}{os.environ['PATH']}"}


def test_the_section_has_what_is_to_be_followed():
    lines = commands()
    assert all(line.startswith(("dncd ", "export DNCD_CONFIG=")) for line in lines)
    assert not [line for line in lines if "--config" in line]
    words = " ".join(lines)
    assert all(
        f" {word} " in f"{words} " for word in ("standin", "ports", "setup", "wiring", "trial", "verify", "status")
    )
    assert len(turns()) == 5
    assert all(turn.keys for turn in turns())


@pytest.mark.slow
def test_word_for_word(tmp_path, env):
    shop = tmp_path / "shop"
    shop.mkdir()
    running: list[Talk] = []
    said: dict[str, str] = {}

    def ended(line: str) -> "subprocess.CompletedProcess[str]":
        return subprocess.run(
            ["sh", "-c", line], cwd=shop, env=env, text=True, capture_output=True, timeout=120, check=False
        )

    def to_the_end(line: str) -> str:
        done = ended(line)
        assert done.returncode == 0, f"{line}\n{done.stdout}{done.stderr}"
        return done.stdout

    try:
        for line in commands():
            if line.startswith("export "):
                name, _, value = line.removeprefix("export ").partition("=")
                env[name] = value.replace("$PWD", str(shop))
            elif " standin " in line or line.endswith(" run"):
                running.append(Talk(["sh", "-c", f"exec {line}"], shop, env))
                if " standin " in line:
                    until((shop / "gang-lathe-port").exists, 30, "the stand-in does not begin")
                else:
                    until(lambda: "listening" in ended(commands()[-1]).stdout, 30, "the service does not listen")
            elif " trial " in line:
                trial = Talk(["sh", "-c", f"exec {line}"], shop, env)
                status = Operator(running[0], trial, turns()).follow()
                assert status == 0, trial.said
                said["trial"] = trial.said
            else:
                said[line] = to_the_end(line)
    finally:
        for talk in running:
            talk.process.terminate()
            talk.close()
    assert "rounds: 2 of 2 came back equal" in said["trial"]
    assert "loopback: passed" in said["trial"]
    assert "settings heard: passed" in said["trial"]
    status_line = commands()[-1]
    assert "proven since" in said[status_line]
    assert "by A. Fitter" in said[status_line]
    assert len(list((shop / "state" / "trials" / "gang-lathe").glob("*.txt"))) == 1
