"""The stand-in's text screen: a script plays the operator, through the command and on a clock of its own."""

import io
import os
import pty
import signal
import subprocess
import sys
from contextlib import closing

import pytest
from house import ENV

from dncd.choices import USUAL_ENDS, BlockEnd, EndsOn, Flow, Protocol, StartOn, TapeCode
from dncd.cli import main
from dncd.outside.config_rules import PROFILES
from dncd.ports.opening import open_port
from dncd.standin.build import Build, CodeForm, Dc3, counterpart, of_profile
from dncd.standin.control import StandIn
from dncd.standin.demo_programs import first_programs
from dncd.standin.keyboard import Keyboard
from dncd.standin.program_memory import Alarm, ProgramMemory, ProgramReader, Reading
from dncd.standin.screen import Screen
from dncd.standin.tape_punch import image_text
from dncd.standin.yard import Yard
from dncd.tape.codes import Coder
from dncd.values import Frame, LineSettings, TapeSettings


def played(script: str, build: Build | None = None) -> list[str]:
    """What the screen says to these lines, without its head."""
    control = StandIn(build or Build(baud=38400, frame=Frame.parse("7E1")))
    for program in first_programs():
        control.memory.store(program)
    out = io.StringIO()
    with Yard(control):
        Screen(control, control.path, Keyboard(io.StringIO(script)), out).play()
    return out.getvalue().splitlines()[3:]


def test_a_script_plays_the_operator():
    said = played(
        "list\nedit 331 F140 F120\nshow O331\nkey 12\nN10 G00 X1.\nM30\n.\nshow 12\npunch 331\nwait 20\ndelete 0012\nlist\n"
    )
    assert said[0] == "O0330  207 blocks  O0330"
    assert "O0331: N60 X15. F120" in said
    assert "N60 X15. F120" in said
    assert said[said.index("O0012: 3 blocks keyed in") + 1 :][:3] == ["O0012", "N10 G00 X1.", "M30"]
    assert said[said.index("PUNCH: 331 goes out") + 1] == "punched: the punch is off"
    assert "O0012 deleted" in said
    assert not [line for line in said[-4:] if line.startswith("O0012")][1:]


@pytest.mark.parametrize(
    ("words", "answer"),
    [
        ("flurb", "There is no key flurb. help lists the keys."),
        ("punch 99", "The memory holds no O0099. list shows what it holds."),
        ("show", "show wants more words. help lists the keys."),
        ("edit 331 F9999 F1", "No block of O0331 has 'F9999'."),
        ("set baud 7", "Baud 7: a control has a rate such as 300, 4800 or 9600."),
        ("set frame 7X1", "Frame 7X1: a control has a frame such as 7E1, 7E2, 7O1 or 8N1."),
        ("set colour red", "Colour is none of baud, frame, code, block-end, dc3."),
        ("noise much", "Could not convert string to float: 'much'."),
        ('edit 331 "F1', "A quotation mark is open: close it, or leave it out."),
        ("show twelve", "Twelve is no program number, such as O0210."),
    ],
)
def test_a_wrong_word_is_answered_and_ends_nothing(words, answer):
    said = played(f"{words}\nstate\n")
    assert said[0] == answer
    assert said[1] == "reader and punch off; alarm: none"


def test_a_beginner_is_answered_kindly():
    """`?`, arrow keys where nothing edits the line, the key alone, the lowered feed, and the cable named."""
    said = played("?\n\x1b[A\x1b[C\nlist\npunch\nwait 20\nedit 331\nedit 331 F105 F90\nplug\nunplug\n")
    assert said[0].startswith("read ")
    assert not [line for line in said if "There is no key" in line]
    assert "PUNCH: O0331 goes out" in said
    assert said[said.index("waited: reader and punch are off") + 1] == "O0331: N60 X15. F105"
    assert "O0331: N60 X15. F90" in said
    assert said[-1] == "the plug is off, the control is back on the cable, reader and punch are off"


def test_a_round_of_which_nothing_comes_punches_nothing():
    """A control that waits for nothing and hears nothing: RESET from another hand ends its READ."""
    control = StandIn(Build(baud=38400, frame=Frame.parse("7E1")))
    out = io.StringIO()

    class Hand(Keyboard):
        def pressed(self):
            control.reset()
            return False

    with Yard(control):
        Screen(control, control.path, Hand(io.StringIO("round\nlist\n")), out).play()
    assert "No program came in, so none is punched." in out.getvalue()
    assert "goes out" not in out.getvalue()


def test_a_dump_of_four_programs_is_four_programs():
    """Each block that begins with a number begins a program; the mark's own text stays with the first."""
    reader = ProgramReader(TapeSettings())
    assert reader.feed(b"%LATHE\nO0001\nN1 M98 P2\nM30\nO0002 (TWO)\nM99\n:3\nM30\nO0004\nM30\n%\n") is Reading.CLOSED
    memory = ProgramMemory(80.0)
    assert memory.store(*reader.stored()) is Alarm.NONE
    assert {number: len(p.blocks) for number, p in memory.programs.items()} == {
        "O0001": 3, "O0002": 2, "O3": 2, "O0004": 2
    }  # fmt: skip
    assert [p.mark_line for p in memory.programs.values()] == ["LATHE", "", "", ""]
    assert memory.newest() == "O0004"


def test_a_control_with_a_mark_that_opens_and_one_that_closes():
    reader = ProgramReader(TapeSettings(mark="&", end_mark="$"))
    assert reader.feed(b"&LATHE\nO0001\nN1 X1 &\n&\n%\nM30\n$\n") is Reading.CLOSED
    (program,) = reader.stored()
    assert (program.mark_line, program.blocks) == ("LATHE", ("O0001", "N1 X1 &", "&", "%", "M30"))
    build = Build(tape=TapeSettings(mark="&", end_mark="$"))
    assert image_text(build, (program,)).startswith("&LATHE\nO0001")
    assert image_text(build, (program,)).endswith("M30\n$\n")


def test_a_memory_that_is_full_keeps_what_came_before():
    memory = ProgramMemory(0.05)  # 19 characters
    reader = ProgramReader(TapeSettings())
    reader.feed(b"%\nO0001\nM30\nO0002\nN1 G04 P1\nM30\n%\n")
    assert memory.store(*reader.stored()) is Alarm.MEMORY_FULL
    assert list(memory.programs) == ["O0001"]


@pytest.mark.parametrize("end", ["enter", "ctrl-C"])
def test_a_key_or_ctrl_c_ends_a_wait_and_the_memory_stays(end):
    """At a terminal, where READ finds nothing."""
    master, slave = pty.openpty()
    words = [sys.executable, "-m", "dncd", "standin", "--profile", "iso-tape"]
    with subprocess.Popen(words, env=ENV, stdin=slave, stdout=slave, stderr=slave) as control:
        os.close(slave)
        said = ""

        def until_it_says(text):
            nonlocal said
            said = ""
            while text not in said:
                said += os.read(master, 1000).decode()

        until_it_says("control> ")
        os.write(master, b"read\nwait\n")
        until_it_says("waits; Enter or ctrl-C")
        if end == "enter":
            os.write(master, b"\n")
        else:
            control.send_signal(signal.SIGINT)
        until_it_says("the wait is over, and it is still reading")
        os.write(master, b"list\nquit\n")
        until_it_says("O0331")
        assert control.wait(120) == 0
    os.close(master)


def test_wrong_settings_on_purpose_and_back():
    said = played("set baud 2400\nset frame 7o1\nset code eia\nset block-end cr-lf\nset dc3 13\nnoise 50\nright\n")
    assert said[-3] == "the control is set to 2400 baud, 8N2, EIA, plain, holds by xon/xoff"
    assert said[-1] == "the control is set to 38400 baud, 7E1, ISO, LF, plain, holds by xon/xoff; no noise"


@pytest.mark.parametrize("profile", PROFILES)
def test_each_profile_has_its_counterpart(profile):
    """The control that a profile assumes can be built, and is what the profile's own words say."""
    machine = of_profile(profile)
    build = counterpart(machine)
    Coder(build.tape.code, build.frame)
    expected = {
        "iso-tape": (StartOn.DC1, Flow.XON_XOFF, TapeCode.ISO, EndsOn.DC4, Protocol.PLAIN),
        "eia-tape": (StartOn.DC1, Flow.XON_XOFF, TapeCode.EIA, EndsOn.DC4, Protocol.PLAIN),
        "paced-reader": (StartOn.GO, Flow.NONE, TapeCode.ISO, EndsOn.SILENCE, Protocol.PLAIN),
        "pc-control": (StartOn.NOW, Flow.XON_XOFF, TapeCode.ISO, EndsOn.SUB, Protocol.PLAIN),
        "hardware-flow": (StartOn.CTS, Flow.RTS_CTS, TapeCode.ISO, EndsOn.DC4, Protocol.PLAIN),
        "xmodem-control": (StartOn.NOW, Flow.NONE, TapeCode.ISO, EndsOn.SILENCE, Protocol.XMODEM),
    }[profile]
    assert (build.reader.asks, build.reader.holds_by, build.tape.code, build.punch.end, build.protocol) == expected
    assert (build.codes is CodeForm.EVEN) is (build.dc3 is Dc3.WITH_PARITY)
    assert build.reader.ends_on is (EndsOn.SUB if profile == "pc-control" else EndsOn.MARK)
    assert build.punch.waits_for == -1


def test_the_command_at_a_pseudo_terminal(tmp_path):
    words = [sys.executable, "-m", "dncd", "standin", "--profile", "iso-tape", "--link", "lathe"]
    (tmp_path / "lathe").symlink_to("/dev/pts/99999")  # left behind by an earlier one
    with subprocess.Popen(
        words, cwd=tmp_path, env=ENV, text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as shell:
        assert shell.stdin is not None
        assert shell.stdout is not None
        head = shell.stdout.readline()
        assert f"4800 baud, 7E2, ISO, LF, plain, holds by xon/xoff, on {tmp_path / 'lathe'}" in head
        with closing(open_port(LineSettings(str(tmp_path / "lathe"), baud=4800, frame=Frame.parse("7E2")))):
            shell.stdin.write("punch 331\nwait 20\nquit\n")
            shell.stdin.flush()
            rest = shell.stdout.read()
        assert shell.wait(120) == 0
        assert "punched: the punch is off" in rest
        assert not os.path.lexists(tmp_path / "lathe")


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["--profile", "isotape"], 2, "Did you mean 'iso-tape'?"),
        ([], 2, "Give --profile or --machine"),
        (["--profile", "iso-tape", "--link", "/"], 1, "cannot be made"),
    ],
)
def test_wrong_options_are_told(capsys, monkeypatch, words, status, said):
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    assert main(["standin", *words]) == status
    err = capsys.readouterr().err
    assert said in err
    assert "Traceback" not in err


@pytest.mark.parametrize("end", [*USUAL_ENDS, BlockEnd(";"), BlockEnd("; LF")])
def test_a_dump_is_stored_block_by_block_with_any_block_end(end):
    tape = TapeSettings(block_end=end)
    coder = Coder.of(tape, LineSettings("x", frame=Frame.parse("8N1")))
    reader = ProgramReader(tape)
    whole = "%\nO0001\nN1 G04 P1\nM30\n%\n".replace("\n", end.chars)
    assert reader.feed(coder.decode(whole.encode()).chars) is Reading.CLOSED
    assert [program.blocks for program in reader.stored()] == [("O0001", "N1 G04 P1", "M30")]
