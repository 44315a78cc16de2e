"""What is written on a control's keys: one place in the settings, and every text that names a key says it so."""

import io
import re
from dataclasses import replace
from pathlib import Path

import pytest
from house import build, house, machine, text
from waiting import until

from dncd.choices import Protocol, StartOn
from dncd.errors import SettingsError
from dncd.line.starting import StartWay
from dncd.line_trial.steps import hearing_step
from dncd.outside import config, config_shown
from dncd.standin.build import counterpart
from dncd.standin.control import StandIn
from dncd.standin.demo_programs import first_programs
from dncd.standin.keyboard import Keyboard
from dncd.standin.program_memory import Stored
from dncd.standin.screen import Screen
from dncd.standin.yard import Yard
from dncd.values import Keys, MachineSettings, SendSettings

LATHE = '[machines.lathe]\nkeys = { read = "INPUT", punch = "OUTPUT" }\n[machines.lathe.line]\nport = "/dev/ttyS0"\n'
KEYS = Keys("INPUT", "OUTPUT")
OLD = re.compile(r"\b(READ|PUNCH)\b")


def lathe() -> MachineSettings:
    return config.read(Path("dncd.toml"), LATHE).machines["lathe"]


def test_the_keys_stand_in_the_machines_table() -> None:
    settings = config.read(Path("dncd.toml"), LATHE)
    assert settings.machines["lathe"].keys == KEYS
    assert 'punch = "OUTPUT"' in config_shown.explain(settings)
    assert replace(config.read(settings.file, config_shown.explain(settings)), file=settings.file) == settings


@pytest.mark.parametrize("word", ["", " READ", "READ\\nPUNCH", "R" * 25, "LÄSER"])
def test_what_no_key_bears_is_refused(word: str) -> None:
    with pytest.raises(SettingsError) as raised:
        config.read(Path("dncd.toml"), LATHE.replace("INPUT", word))
    assert "[machines.lathe.keys] read = " in raised.value.problems[0]
    assert "what is written on the key" in raised.value.problems[0]


@pytest.mark.parametrize("start_on", [StartOn.DC1, StartOn.CTS, StartOn.DSR])
@pytest.mark.parametrize("protocol", [Protocol.PLAIN, Protocol.XMODEM])
def test_a_waiting_program_names_the_key(start_on: StartOn, protocol: Protocol) -> None:
    wish = StartWay(SendSettings(start_on=start_on), protocol, KEYS).wish()
    assert wish.endswith("press INPUT at the control")
    assert StartWay(SendSettings(start_on=start_on), protocol).wish() == wish.replace("INPUT", "READ")


def test_the_stand_in_has_the_keys_of_the_machine_that_it_stands_for() -> None:
    control = StandIn(counterpart(lathe()))
    for program in first_programs():
        control.memory.store(program)
    out = io.StringIO()
    with Yard(control):
        typed = io.StringIO("help\nread\nreset\ninput\nreset\noutput 331\nreset\n")
        Screen(control, control.path, Keyboard(typed), out).play()
    said = out.getvalue()
    assert said.count("INPUT: the reader is on") == 3  # once in the help
    assert "OUTPUT: 331 goes out" in said
    assert not OLD.search(said)


def test_the_trial_names_the_key_while_it_listens() -> None:
    """Over a real pseudo-terminal."""
    control = StandIn(counterpart(lathe()))
    for program in first_programs():
        control.memory.store(program)
    said = []

    def say(what: str) -> None:
        said.append(what)
        control.punch("O0330")

    settings = lathe()
    with Yard(control):
        step = hearing_step(replace(settings, line=replace(settings.line, port=control.path)), say, 30.0)
    assert said == ["  listening: OUTPUT any program of 200 characters or more"]
    assert step.done.value == "passed", step


def test_a_punch_too_short_to_judge_is_told_and_the_trial_listens_on() -> None:
    control = StandIn(counterpart(lathe()))
    control.memory.store(Stored("O0001", "", ("O0001", "N10 G04 X1.", "M30")), *first_programs())
    numbers, said = iter(["O0001", "O0330"]), []

    def say(what: str) -> None:
        said.append(what)
        if "listening" in what:
            control.punch(next(numbers))

    settings = lathe()
    line, receive = settings.line, replace(settings.receive, silence_s=0.3)
    with Yard(control):
        step = hearing_step(replace(settings, receive=receive, line=replace(line, port=control.path)), say, 30.0)
    assert (said[0], len(said)) == (said[2], 3)
    assert re.fullmatch(r"  too short: 2\d characters came", said[1])
    assert step.done.value == "passed", step


def test_status_and_messages_name_the_keys(tmp_path: Path) -> None:
    control = StandIn(build())
    tables = {**machine(control, start="dc1"), "keys": {"read": "INPUT", "punch": "OUTPUT"}}
    with Yard(control), house(tmp_path, lathe=tables) as shop:
        shop.drop("lathe", "1.nc", text(["O0001", "M30"]))
        page = shop.shop / "lathe" / "STATUS.txt"
        until(lambda: "press INPUT at the control" in page.read_text())
        assert not OLD.search(page.read_text())
        assert not OLD.search(shop.dncd("status", "lathe").stdout)
        asked = shop.dncd("request", "lathe")
        assert "Press OUTPUT there" in asked.stderr
        assert "press INPUT at the control" in shop.dncd("go", "lathe").stderr
