"""`dncd line trial` as an operator meets it, on stand-in controls: at their own pace, so most of it is slow."""

import subprocess
import sys

import pytest
import standin_server
from trial_operator import DNCD, ENTER, ENV, Operator, Talk, Turn, stand_in
from waiting import until

from dncd.records import trials
from dncd.records.holdings import Holdings
from dncd.records.ledger import records

PLUG = Turn("Put the loopback plug on the far end of the cable", ("plug", ENTER))
CABLE = Turn("Put the cable on the control, then press Enter", ("unplug", ENTER))
HEAR = Turn("listening: PUNCH any program", ("punch 330",))
READ = Turn("Round … of …: waits for", ("read",))
BY_HAND = Turn("Press START or READ at the control, then Enter", ("read", ENTER))
PUNCH = Turn("sent; now PUNCH O7777 at the control", ("wait", "punch 7777"))
ALL = (PLUG, CABLE, HEAR, READ, BY_HAND, PUNCH)
SKIPPED = ("--skip-loopback", "no plug", "--skip-find", "it is a stand-in")


def run(cwd, *words):
    return subprocess.run(
        [*DNCD, "--config", "t.toml", *words],
        cwd=cwd,
        env=ENV,
        text=True,
        capture_output=True,
        timeout=120,
        check=False,
    )


class Bay:
    """A stand-in, its settings file, and what is done with them."""

    def __init__(self, cwd, profile, *, server=False):
        self.cwd = cwd
        if server:
            self.standin, self.port = stand_in(cwd, profile, program=(sys.executable, standin_server.__file__))
        else:
            self.standin, self.port = stand_in(cwd, "--profile", profile, "--link", "lathe")
        words = ["--name", "gang-lathe", "--port", self.port, "--profile", profile, "--no-questions"]
        words += ["--baud", "38400"]
        self.set_baud(38400)
        done = subprocess.run([*DNCD, "line", "setup", "t.toml", *words], cwd=cwd, env=ENV, text=True, check=False)
        assert done.returncode == 0

    def __enter__(self):
        return self

    def set_baud(self, baud):
        self.standin.tell(f"set baud {baud}")
        self.standin.wait_for(lambda: f"is set to {baud}" in self.standin.said, "no answer to set baud")

    def __exit__(self, *_):
        self.standin.tell("quit")
        assert self.standin.close() == 0

    def trial(self, turns, *words):
        talk = Talk([*DNCD, "--config", "t.toml", "line", "trial", "gang-lathe", "--by", "A. Fitter", *words], self.cwd)
        return Operator(self.standin, talk, turns).follow(), talk.said


def test_a_proven_line_with_the_service_running(tmp_path):
    """The line is borrowed and given back, the service learns of the proof, and other settings end it."""
    with Bay(tmp_path, "iso-tape") as bay:
        service = subprocess.Popen(
            [*DNCD, "--config", "t.toml", "run"], cwd=tmp_path, env=ENV, stderr=subprocess.DEVNULL
        )
        try:
            until(lambda: "listening" in run(tmp_path, "status").stdout, 30, "the service does not listen")
            before = run(tmp_path, "status", "gang-lathe").stdout
            status, said = bay.trial((READ, PUNCH), "--times", "2", *SKIPPED)
            assert status == 0, said
            assert "skipped: no plug" in said
            assert "rounds: 2 of 2 came back equal" in said
            after = run(tmp_path, "status", "gang-lathe").stdout
            assert "not proven: no trial was made" in before
            assert "proven since" in after
            assert "by A. Fitter" in after
            until(lambda: "listening" in run(tmp_path, "status").stdout, 30, "the line was not given back")
        finally:
            service.terminate()
            assert service.wait(120) == 0
        assert [line["event"] for line in records(tmp_path / "state")] == ["started", "proven", "stopped"]
        assert "2 of 2 came back equal, signed A. Fitter" in run(tmp_path, "log").stdout
        assert run(tmp_path, "verify").returncode == 0


def test_a_line_that_changes_a_program_is_not_proven(tmp_path):
    """The first round comes back edited; without a service the sheet is on record all the same."""
    with Bay(tmp_path, "iso-tape") as bay:
        edit = Turn(PUNCH.says, ("wait", "edit 7777 TRIAL TRAIL", "punch 7777"))
        status, said = bay.trial((READ, edit), "--times", "3", *SKIPPED)
        assert status == 1
        assert "it came back changed" in said
        assert "rounds: 0 of 3 came back equal" in said
        assert said.count("Round ") == 1, "it does not go on"
        (line,) = records(tmp_path / "state")
        assert line["event"] == "not-proven"
        assert trials.latest(tmp_path / "state", "gang-lathe").result == "not proven"


def test_another_program_that_is_punched_first_is_passed_over(tmp_path):
    with Bay(tmp_path, "iso-tape") as bay:
        wrong = Turn(PUNCH.says, ("wait", "punch 331"))
        right = Turn("that was O0331; PUNCH O7777", ("wait", "punch 7777"))
        status, said = bay.trial((READ, wrong, right), "--times", "1", *SKIPPED)
        assert status == 0, said


def test_noise_on_the_line_fails_the_trial_and_says_where(tmp_path):
    with Bay(tmp_path, "iso-tape") as bay:
        noisy = Turn(PUNCH.says, ("wait", "noise 20000", "punch 7777"))
        status, said = bay.trial((READ, noisy), "--times", "2", *SKIPPED)
        assert status == 1
        assert "it came back damaged: line" in said
        assert "do not put this line to work" in said


def test_nobody_at_the_control(tmp_path):
    with Bay(tmp_path, "iso-tape") as bay:
        status, said = bay.trial((), "--times", "2", "--patience", "1", *SKIPPED)
        assert status == 1
        assert "waiting for the control's start: nothing came of it within 1 s" in said


KEYED = "key 7777\nO7777\n."


def test_a_control_without_comments_is_told_by_itself_and_proven_by_bare_numbers(tmp_path):
    """It keeps nothing of a program of comments; with --body numbers it spells `:` for O, which is learnt."""
    with Bay(tmp_path, "iso-tape") as bay:
        empty = Turn(PUNCH.says, ("wait", KEYED, "punch 7777"))
        status, said = bay.trial((READ, empty), "--times", "2", *SKIPPED)
        assert status == 1
        assert "this control keeps no comments" in said
        assert "begin the trial again with --body numbers" in said
        colon = Turn(PUNCH.says, ("wait", "edit 7777 O7777 :7777", "punch 7777"))
        status, said = bay.trial((READ, colon), "--times", "2", "--body", "numbers", *SKIPPED)
        assert status == 0, said
        assert "only bare block numbers and M30" in said
        assert "came back the same in substance" in said
        assert "rounds: 2 of 2 came back the same, spelt the control's own way" in said
        failed, proven = records(tmp_path / "state")
        assert (failed["event"], "spelling" in failed) == ("not-proven", False)
        assert (proven["event"], proven["spelling"]) == ("proven", {"letter O": "not kept"})
        assert Holdings.read(tmp_path / "state", "gang-lathe").checks.spelling("gang-lathe") == {"letter O": "not kept"}
        assert run(tmp_path, "verify").returncode == 0


@pytest.mark.parametrize("typed", ["not good: the plug is bent", "Not good", "bad contact", "fails now and then"])
def test_what_a_person_marks_not_good_leaves_the_sheet_unproven(tmp_path, typed):
    (tmp_path / "t.toml").write_text("[machines.gang-lathe.line]\nport = '/dev/ttyS0'\n")
    words = [*DNCD, "--config", "t.toml", "line", "trial", "gang-lathe", "--by", "A. Fitter", "--skip-find", "none"]
    done = subprocess.run(
        words, cwd=tmp_path, env=ENV, text=True, capture_output=True, timeout=120, check=False, input=f"{typed}\n"
    )
    assert done.returncode == 1, done.stderr
    assert f"loopback: failed: {typed}" in done.stdout
    assert "result: not proven" in done.stdout
    assert "Not proven: do not put this line to work." in done.stdout
    assert "Round 1" not in done.stdout
    assert [line["event"] for line in records(tmp_path / "state")] == ["not-proven"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--program", "7777"], "O7777"),
        (["--program", "O8888"], "numbers from 1 to 7999"),
        (["--times", "0"], "1<=x<=100"),
        (["nowhere"], "nowhere"),
    ],
)
def test_wrong_words(tmp_path, words, said):
    (tmp_path / "t.toml").write_text(
        "[machines.gang-lathe.line]\nport = '/dev/ttyS0'\n"
        "[machines.gang-lathe.program]\nlowest_number = 1\nhighest_number = 7999\n"
    )
    machine = [] if words == ["nowhere"] else ["gang-lathe"]
    done = run(tmp_path, "line", "trial", *machine, "--by", "A", *words)
    assert done.returncode == 2
    assert said in done.stderr


@pytest.mark.slow
def test_settings_that_are_wrong_are_heard(tmp_path):
    """The control is set to half the rate that the settings say: the step fails, and no program is sent."""
    with Bay(tmp_path, "iso-tape") as bay:
        bay.set_baud(19200)
        status, said = bay.trial((CABLE, HEAR, READ), "--times", "1", "--skip-loopback", "no plug")
        assert status == 1
        assert "settings heard: failed" in said
        assert "Round 1" not in said


@pytest.mark.slow
@pytest.mark.parametrize(
    ("profile", "server", "skipped"),
    [
        ("eia-tape", False, SKIPPED[:2]),
        ("paced-reader", False, SKIPPED),
        ("hardware-flow", True, SKIPPED[2:]),
        ("pc-control", False, SKIPPED[:2]),
        ("xmodem-control", False, SKIPPED[:2]),
    ],
)
def test_every_profile_is_proven_on_its_counterpart(tmp_path, profile, server, skipped):
    """iso-tape is the README's own (`test_half_hour`)."""
    with Bay(tmp_path, profile, server=server) as bay:
        status, said = bay.trial(ALL, "--times", "2", *skipped)
        assert status == 0, said
        assert "loopback: passed" in said or "--skip-loopback" in skipped
        assert "settings heard: passed" in said or "--skip-find" in skipped or profile == "xmodem-control"
        assert "rounds: 2 of 2 came back equal" in said
