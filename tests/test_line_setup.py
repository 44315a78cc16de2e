"""`dncd line setup`: what it writes loads, holds what was answered, and replaces nothing. Profiles say what they assume."""

import re
import subprocess
import sys

import pytest
from house import ENV

from dncd.cli import main
from dncd.cli.line_setup import LIKES
from dncd.outside import config
from dncd.outside.config_rules import PROFILES, profile_text


def told(capsys, *words):
    status = main(["line", "setup", *words])
    said = capsys.readouterr()
    assert "Traceback" not in said.err
    return status, said.out, said.err


@pytest.mark.parametrize("profile", PROFILES)
def test_from_options_for_each_profile(tmp_path, monkeypatch, capsys, profile):
    monkeypatch.chdir(tmp_path)
    words = ["--name", "gang-lathe", "--port", "/dev/ttyS0", "--profile", profile, "--no-questions"]
    status, out, _ = told(capsys, *words, "--title", 'Bay 2, "old" one')
    assert status == 0
    assert "gang-lathe.toml is written" in out
    machine = config.load(tmp_path / "gang-lathe.toml").machines["gang-lathe"]
    assert machine.title == 'Bay 2, "old" one'
    assert machine.program.memory_chars == 31_496  # tape_length.json: 80 m hold 31,496 characters (arithmetic)
    own = re.search(r"^baud = (\d+)", profile_text(profile), re.MULTILINE)
    assert own is not None
    assert machine.line.baud == int(own[1])
    before = (tmp_path / "gang-lathe.toml").read_bytes()
    assert before.count(b"#") > 10, "it explains itself"
    status, _, err = told(capsys, *words)
    assert status == 1
    assert "nothing is ever overwritten" in err
    assert (tmp_path / "gang-lathe.toml").read_bytes() == before


def test_the_tables_alone_fit_into_a_file_that_is_there(tmp_path, capsys):
    words = ["--name", "bore-mill", "--port", "rfc2217://10.0.0.7:4001", "--profile", "eia-tape", "--no-questions"]
    status, out, _ = told(capsys, "-", *words, "--baud", "9600", "--metres", "40")
    assert status == 0
    file = tmp_path / "dncd.toml"
    file.write_text("[machines.lathe.line]\nport = '/dev/ttyS0'\n\n" + out)
    settings = config.load(file)
    assert list(settings.machines) == ["lathe", "bore-mill"]
    assert settings.machines["bore-mill"].line.baud == 9600
    assert settings.machines["bore-mill"].program.memory_chars == 15_748  # tape_length.json: 40 m (arithmetic)


def test_by_questions(tmp_path):
    """Answers by number, by name, and what is offered."""
    words = [sys.executable, "-m", "dncd", "line", "setup"]
    done = subprocess.run(
        words, input="gang-lathe\nGang lathe, bay 2\n/dev/ttyS0\n2\n\n8n1\n40\n", cwd=tmp_path, env=ENV,
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert all(f"{n}  {name}" in done.stderr for n, name in enumerate(LIKES, 1))
    machine = config.load(tmp_path / "gang-lathe.toml").machines["gang-lathe"]
    assert (str(machine.line.frame), machine.line.baud, machine.tape.code.value) == ("8N1", 4800, "eia")
    assert machine.title == "Gang lathe, bay 2"


def test_a_wrong_answer_is_asked_for_again(tmp_path):
    """With its reason; `?` is answered by what the option's help says. What was answered well is not lost."""
    typed = "Gang Lathe\ngang-lathe\n\n?\n/dev/ttyS0\ndont know\n2\n4801\nmany\n4800\n7E2\n8N1\nlots\n40\n"
    done = subprocess.run(
        [sys.executable, "-m", "dncd", "line", "setup"], input=typed, cwd=tmp_path, env=ENV,
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    for reason in (
        "'Gang Lathe' cannot be a machine's name", "Such as /dev/serial/by-id", "dont know", "4801",
        "'many' cannot be used. Bits a second", "8N1 or 8N2", "'lots' cannot be used. Tape that its memory holds",
    ):  # fmt: skip
        assert reason in done.stderr
    machine = config.load(tmp_path / "gang-lathe.toml").machines["gang-lathe"]
    assert (str(machine.line.frame), machine.line.baud, machine.tape.code.value) == ("8N1", 4800, "eia")
    assert machine.program.memory_chars == 15_748


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["--name", "Gang Lathe"], 2, "a-z, 0-9 and -"),
        (["--port", ""], 2, "port"),
        (["--profile", "iso-tap"], 2, "did you mean 'iso-tape'?"),
        (["--profile", "eia-tape", "--frame", "7E2"], 2, "8N1 or 8N2"),
        (["--baud", "4900"], 2, "4800"),
        (["--frame", "7X2"], 2, "7E2"),
        (["--metres", "0"], 2, "memory_chars"),
        (["missing-folder/x.toml"], 1, "cannot be written"),
    ],
)
def test_what_the_rules_refuse_is_not_written(tmp_path, monkeypatch, capsys, words, status, said):
    monkeypatch.chdir(tmp_path)
    given = ["--no-questions", "--name", "gang-lathe", "--port", "/dev/ttyS0", *words]
    got, _, err = told(capsys, *given)
    assert (got, list(tmp_path.iterdir())) == (status, [])
    assert said in err
    got, _, err = told(capsys, "--no-questions", "--name", "gang-lathe")
    assert (got, "--port is missing" in err) == (2, True)


@pytest.mark.parametrize("profile", PROFILES)
def test_each_profile_says_what_it_assumes_and_from_where(profile):
    text = profile_text(profile)
    head = " ".join(line.lstrip("# ") for line in text.splitlines() if line.startswith("#"))
    assert head.startswith(f"{profile}: ")
    assumes, _, source = head.partition(" From: ")
    assert len(assumes.partition(" Assumes: ")[2]) > 60
    assert re.search(r"manual|common practice|reference|arithmetic", source)
    assert profile in LIKES
