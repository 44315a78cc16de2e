"""`dncd learn` as a newcomer meets it: typed through a pipe, and ended in each way."""

import os
import re
import signal
import socket
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import cast
from urllib.parse import urlsplit

import pytest
from house import ENV
from trial_operator import Talk

from dncd.outside.command_client import ask
from dncd.standin.control import Mode, StandIn
from dncd.standin.demo_programs import SAMPLES
from dncd.standin.demo_shop import DemoShop
from dncd.standin.keyboard import Keyboard
from dncd.standin.learning import LESSON, Lesson

LEARN = (sys.executable, "-m", "dncd", "learn")


def learned(typed: str, *words: str, env: dict[str, str] = ENV) -> str:
    done = subprocess.run(
        [*LEARN, *words], input=typed, env=env, capture_output=True, text=True, timeout=400, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.slow
def test_every_step_as_it_says(tmp_path: Path) -> None:
    """Each is done once the one before it came about: the last words are asked for only if all were."""
    said = learned("".join(f"{typed}\n" for typed, _ in LESSON), "--folder", str(tmp_path))
    assert re.findall(r"^Step (\d+) of 17", said, re.MULTILINE) == [str(n) for n in range(1, 18)]
    for found in (
        "the next READ brings O0004 rev 1",
        "difference: block N50: F 0.2 → 0.15",
        "reason: O0004: this file lacks what the operator changed",
        "Ø (U+00D8) is not in the tape code",
        "bracket.dxf.receipt.txt:\n  | result: refused",
        "warning: line 9",
        "compared: equal to revision 1",
        "0 problems found",
    ):
        assert found in said
    assert (tmp_path / "shop/bore-mill/sent/0330.nc").is_file()
    assert (tmp_path / "state/library.git/HEAD").is_file()


@pytest.mark.slow
def test_a_rate_that_is_set_wrong_is_wrong() -> None:
    """It is for seeing what comes of it."""
    said = learned("set baud 1200\npunch O0331\n")
    assert "rate, frame or code are wrong" in said


def test_what_is_typed_wrong_or_early_goes_no_step_further(tmp_path: Path) -> None:
    """Where the page's libraries are not there: it says so, and all else goes on."""
    (tmp_path / "starlette.py").write_text("raise ImportError('it is not there')\n")
    env = {**ENV, "PYTHONPATH": f"{ENV['PYTHONPATH']}{os.pathsep}{tmp_path}"}
    said = learned(
        'drop\ndrop 9\npunch 99\nflurb\n"\n?\nread\nreset\nmill\nround\nlathe\ndncd show gang-lathe O1\n\n', env=env
    )
    assert re.search(r"^The page cannot be shown here, all else goes on: .*it is not there", said, re.MULTILINE)
    assert said.count("Step 1 of 17") == 13
    assert "Step 2" not in said
    assert all(f"drop {n}  {sample.file}" in said for n, sample in SAMPLES.items())
    assert "The memory holds no O0099." in said
    assert "There is no key flurb." in said
    assert re.search(
        r"^Nothing waits for this control: what is dropped until 2\d.* goes at once\.$", said, re.MULTILINE
    )
    assert "Nothing waits for this control, and `round` takes what waits: type `drop 6` first, then `round`." in said
    assert "The early READ at the gang lathe is over: the reader is off, which no control says" in said


@pytest.mark.parametrize("end", ["ctrl-C", "hang-up", "end of input"])
def test_nothing_is_left_behind(end: str, tmp_path: Path) -> None:
    talk = Talk(LEARN, tmp_path, {**ENV, "TMPDIR": str(tmp_path)})
    talk.wait_for(lambda: "Step 1" in talk.said, "it does not begin")
    (home,) = tmp_path.iterdir()
    service = Path("/proc") / str(ask(home / "state", {"do": "status"})["service"]["pid"])
    assert service.exists()
    page = urlsplit(re.search(r"On the page, as it happens: (http://127\.0\.0\.1:\d+/)", talk.said)[1])
    with socket.create_connection((page.hostname, page.port), 20):
        pass
    if end == "end of input":
        assert talk.process.stdin is not None
        talk.process.stdin.close()
    else:
        talk.process.send_signal(signal.SIGINT if end == "ctrl-C" else signal.SIGHUP)
    assert talk.close() == 0, talk.said
    assert "The service and the controls are off." in talk.said
    assert "Traceback" not in talk.said
    assert not service.exists()
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection((page.hostname, page.port), 20)
    assert list(tmp_path.iterdir()) == []


def test_it_wants_a_folder_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "mine").touch()
    done = subprocess.run(
        [*LEARN, "--folder", str(tmp_path)], env=ENV, capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 1
    assert "is not empty. Give --folder a new or an empty folder." in done.stderr


class Hands:
    """What a lesson asks of shop and screen, done at once: nothing waits, and each word is a key that works."""

    folder = Path("nowhere")


@pytest.mark.parametrize(
    ("mode", "pressed", "event", "said"),
    [
        (Mode.READING, {"until": "2026-11-28T13:06:00Z"}, "sent", ""),
        (Mode.READING, {}, "sent", "it counted until 14:06, and brings nothing any more: `reset`, then `read`."),
        (Mode.OFF, {}, "sent", "it brought 0004.nc, "),
        (Mode.OFF, {}, "sent before", "it counted until 14:06, and brings nothing any more"),
        (Mode.OFF, {}, "received", "it counted until 14:06, and brings nothing any more"),
        (Mode.OFF, {"until": "2026-11-28T13:06:00Z"}, "", "what is dropped until 14:06 goes out, unread."),
    ],
)
def test_how_an_early_read_ended_is_told_once(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    mode: Mode,
    pressed: dict[str, str],
    event: str,
    said: str,
) -> None:
    controls = cast(dict[str, StandIn], {"gang-lathe": SimpleNamespace(mode=mode)})
    monkeypatch.setattr("dncd.standin.learning.Screen", lambda *_: None)
    for control in controls.values():
        control.path = ""
    lesson = Lesson(cast(DemoShop, Hands()), controls, Keyboard(sys.stdin))
    time = "2026-11-28T13:04:59Z" if "before" in event else "2026-11-28T13:05:30Z"
    last = {"file": "0004.nc", "event": event.partition(" ")[0], "time": time}
    monkeypatch.setattr(lesson, "_status", lambda _: {"pressed": pressed, "transfer": None, "last": last})
    lesson._early["gang-lathe"] = {"at": "2026-11-28T13:05:00Z", "until": "14:06"}
    for _ in range(2):
        lesson._tell_early()
    told = capsys.readouterr().out
    assert told.count("The early READ at the gang lathe is over: ") == bool(said)
    assert said in told


def test_a_file_behind_a_read_that_counts_no_more_waits_and_the_prompt_comes_back(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("dncd.standin.learning.Screen", lambda *_: None)
    controls = cast(dict[str, StandIn], {"gang-lathe": SimpleNamespace(mode=Mode.READING, path="")})
    lesson = Lesson(cast(DemoShop, Hands()), controls, Keyboard(sys.stdin))
    found = {"waiting": ["0004.nc"], "next": {"file": "0004.nc"}}
    for waits_for, waits in (
        ("READ", False),
        ("READ: it was pressed at 14:05, too long ago; press RESET, then READ", True),
    ):
        monkeypatch.setattr(lesson, "_status", lambda _, said=waits_for: found | {"waits_for": said})
        assert lesson._waits_at("gang-lathe", "0004.nc") == waits


def test_a_step_that_only_looks_may_be_left_out_and_a_deed_may_not(monkeypatch: pytest.MonkeyPatch) -> None:
    lesson = Lesson(cast(DemoShop, Hands()), {}, Keyboard(sys.stdin))
    monkeypatch.setattr(lesson, "_key", lambda _: True)
    lesson._words.clear()
    lesson._do(["read"])
    assert lesson._step == 0, "the drop before it is a deed"
    lesson._step = 9
    lesson._do(["read"])
    assert lesson._step == 11, "`dncd status` is a look"
