"""The command line, from its words to what it prints and its exit status (contract 4).

The commands that speak with the service meet a stand-in for it: the real command socket with scripted answers.
"""

import contextlib
import io
import json
import os
import pty
import re
import select
import shlex
import signal
import socket
import subprocess
import sys
import threading
import time
import tomllib
from collections.abc import Iterator
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any

import click
import pytest

import dncd
from dncd import __version__, defaults
from dncd.cli import following, invocation, main, service_commands
from dncd.cli import status as status_view
from dncd.cli.commands import LATE
from dncd.cli.late_group import LateGroup, group
from dncd.cli.layout import seconds, table
from dncd.errors import NotDoneError
from dncd.outside.command_server import CommandServer, StreamReply, WatchQueue
from dncd.peer_text import local_text
from dncd.records.ledger import Ledger

SETTINGS = """
[shop]
folder = "shop"
state = "state"
[machines.gang-lathe.line]
port = "/dev/tty-gang-lathe"
[machines.bore-mill.line]
port = "/dev/tty-bore-mill"
"""

COMMANDS = {
    "run",
    "demo",
    "learn",
    "manual",
    "check-config",
    "status",
    "send",
    "go",
    "withdraw",
    "log",
    "programs",
    "page",
    "people",
    "show",
    "diff",
    "verify",
    "tidy",
    "line",
    "reload",
    "report",
    "request",
    "standin",
    "holds",
    "backup",
    "restore",
    "seat",
    "next",
    "prove",
    "recover",
    "revive",
    "snapshot",
    "completion",
    "unit",
}


def idle() -> dict[str, Any]:
    return {
        "state": "listening",
        "title": "",
        "port": "/dev/x",
        "waiting": [],
        "waits_for": "",
        "transfer": None,
        "trouble": [],
        "backup": {"open": False, "captures": 0, "outcome": {"counts": True, "told": ["1 program"]}},
    }


def moving(file: str, chars: int, of_chars: int, **more: Any) -> dict[str, Any]:
    transfer = {
        "direction": "out",
        "file": file,
        "program": "O0004",
        "chars": chars,
        "of_chars": of_chars,
        "seconds": 10.0,
    }
    return {
        **idle(),
        "state": "sending",
        "transfer": {**transfer, "holds": 0, "held_s": 0.0, "held_for_s": 0.0, **more},
    }


class Service:
    """Answers as the service does. `then`: what each further `status` finds; a file in `results` has ended."""

    def __init__(self) -> None:
        self.lathe: list[dict[str, Any]] = [idle()]
        self.results: dict[str, dict[str, Any]] = {}
        self.results_after = 0
        self.looks = 0
        self.asked: list[dict[str, Any]] = []
        self.followed = threading.Event()
        self.news = WatchQueue()

    def __call__(self, request: dict[str, Any]) -> dict[str, Any] | StreamReply:
        self.asked.append(request)
        match request["do"]:
            case "follow":
                status = {"service": {}, "machines": {"gang-lathe": self.lathe[0], "bore-mill": idle()}}
                return StreamReply(status, lambda: None, self.news)
            case "status":
                state = self.lathe[min(self.looks, len(self.lathe) - 1)]
                self.looks += 1
                started = {"pid": 1, "started": "2026-11-25T08:00:00Z", "version": __version__, "seq": 41}
                return {"service": started, "machines": {"gang-lathe": state, "bore-mill": idle()}}
            case "ended":
                self.followed.set()
                ended = self.results.get(request["file"]) if self.looks > self.results_after else None
                return {"ended": ended}
            case "go" if request["machine"] == "bore-mill":
                return {"file": "b.nc"}
            case "next" if request["file"] == "b.nc":
                return {"file": "b.nc"}
            case "withdraw":
                return {"file": request.get("file", "a.nc")}
            case "request" | "over-edits" | "backup":
                return {}
            case "prove":
                return {"revision": 1, "new": True, "note": "", "by": "", "time": "2026-11-25T08:00:00Z"}
        raise NotDoneError("nothing waits for a go", request["machine"], "Drop a file first")


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("DNCD_CONFIG", str(tmp_path / "dncd.toml"))
    (tmp_path / "dncd.toml").write_text(SETTINGS)
    (tmp_path / "state").mkdir()
    (tmp_path / "shop/gang-lathe/to-machine").mkdir(parents=True)
    return tmp_path


@pytest.fixture
def service(shop: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Service]:
    monkeypatch.setattr(following, "LOOK_S", 0.005)
    answers = Service()
    with CommandServer(shop / "state", answers):
        yield answers


def words(capsys: pytest.CaptureFixture[str], *line: str) -> tuple[int, str, str]:
    status = main(line)
    said = capsys.readouterr()
    assert "Traceback" not in said.out + said.err
    return status, said.out, said.err


ENV = {**os.environ, "PYTHONPATH": str(Path(dncd.__file__).parent.parent)}


def process(*line: str, **how: Any) -> "subprocess.Popen[str]":
    return subprocess.Popen([sys.executable, "-m", "dncd", "--config", "dncd.toml", *line], text=True, env=ENV, **how)


# --- words and errors ------------------------------------------------------------------------------------------------


def test_the_commands_are_those_of_the_contract() -> None:
    assert set(LATE) == COMMANDS
    assert list(LATE) == sorted(LATE)


@pytest.mark.parametrize("late", [group, group.commands["line"]])
def test_the_short_help_is_that_of_the_command(late: LateGroup) -> None:
    context = click.Context(late)
    for word, (_, text) in late.late.items():
        command = late.get_command(context, word)
        assert command is not None
        assert command.get_short_help_str(200) == text
        assert str(command.help).count(text) == 1, "its docstring goes on where the table ends"
        assert command.name == word


@pytest.mark.parametrize("command", ["", *sorted(COMMANDS)])
def test_every_command_has_its_help(capsys: pytest.CaptureFixture[str], command: str) -> None:
    status, out, _ = words(capsys, *([command] if command else []), "--help")
    assert status == 0
    assert "Usage: dncd" in out
    assert "..." not in out.replace("[ARGS]...", "").replace("FILE...", ""), "a help line is cut"


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert words(capsys, "--version") == (0, f"dncd {__version__}\n", "")


SUGGESTS = tuple(map(int, metadata.version("click").split(".")[:2])) >= (8, 4)
"""Whether click names the nearest command by itself."""


@pytest.mark.parametrize(
    ("line", "near"),
    [
        (["frobnicate"], "frobnicate"),
        (["stauts"], "status" if SUGGESTS else "stauts"),
        (["status", "--folow"], "--follow"),
        (["status", "gang-lath"], "gang-lathe"),
        (["send", "gang-lathe"], "FILE"),
        (["go"], "MACHINE"),
        (["go", "mill"], "bore-mill"),
        (["diff", "gang-lathe", "O1", "-r", "0"], "-r"),
        (["log", "--last", "x"], "--last"),
        (["send", "gang-lathe", "no-such-file.nc"], "no-such-file.nc"),
    ],
)
@pytest.mark.usefixtures("shop")
def test_wrong_words_end_with_2_and_what_is_near(
    capsys: pytest.CaptureFixture[str], line: list[str], near: str
) -> None:
    status, out, err = words(capsys, *line)
    assert (status, out) == (2, "")
    assert near in err


@pytest.mark.parametrize(
    "line",
    [
        ["status"],
        ["status", "--follow"],
        ["go", "gang-lathe"],
        ["next", "gang-lathe", "a.nc"],
        ["withdraw", "gang-lathe"],
        ["send", "gang-lathe", "a.nc"],
    ],
)
def test_without_a_service_3_and_nothing_is_dropped(
    shop: Path, capsys: pytest.CaptureFixture[str], line: list[str]
) -> None:
    (shop / "a.nc").write_text("O1")
    status, out, err = words(capsys, *line)
    assert (status, out) == (3, "")
    assert "Start it: `dncd --config " in err
    assert list((shop / "shop/gang-lathe/to-machine").iterdir()) == []


@pytest.mark.parametrize("command", ["check-config", "run", "verify"])
def test_wrong_settings_end_with_2_and_all_faults(shop: Path, capsys: pytest.CaptureFixture[str], command: str) -> None:
    (shop / "dncd.toml").write_text(SETTINGS.replace("port", "prot"))
    status, out, err = words(capsys, command)
    assert (status, out) == (2, "")
    assert "[machines.gang-lathe.line] prot" in err
    assert "[machines.bore-mill.line] prot" in err
    assert "did you mean 'port'?" in err


WITH_A_MISTAKE = {
    "a wrong key": SETTINGS.replace("port", "prot"),
    "a wrong value": SETTINGS + "baud = 9601\n",
    "no TOML at its end": SETTINGS + "[machines.new",
    "no TOML before it": "[shop\n" + SETTINGS,
    "no TOML in the very line": SETTINGS.replace('state = "state"', 'state = "state'),
    "not UTF-8": SETTINGS + "# M\udcfcller\n",
}


@pytest.mark.parametrize("mistake", WITH_A_MISTAKE)
@pytest.mark.parametrize(
    "line",
    [
        ["status"],
        ["status", "gang-lathe", "--json"],
        ["go", "bore-mill"],
        ["withdraw", "gang-lathe"],
        ["send", "gang-lathe", "a.nc", "--over-edits"],
        ["request", "gang-lathe"],
        ["prove", "gang-lathe", "O0004", "--note", "first part"],
        ["backup", "gang-lathe"],
        ["log"],
    ],
)
def test_what_asks_the_service_or_reads_its_records_works_whatever_the_settings_say(
    shop: Path, service: Service, capsys: pytest.CaptureFixture[str], line: list[str], mistake: str
) -> None:
    text = WITH_A_MISTAKE[mistake]
    (shop / "dncd.toml").write_bytes(text.encode("utf-8", "surrogateescape"))
    (shop / "a.nc").write_text("O1")
    service.results = {"a.nc": {"result": "sent", "reasons": []}}
    status, out, err = words(capsys, *line)
    assert status == 0, err
    assert out or line == ["log"]
    assert ("`dncd check-config` names it" in err) is mistake.startswith(("no", "not"))
    assert err.count("\n") <= 1
    assert words(capsys, "check-config")[0] == 2


@pytest.mark.parametrize("lost", ["", "[machines.", "[machines.gang-lathe", "[machines.bore-mill.line]\nport = 3\n"])
def test_a_machine_that_the_service_serves_is_known_whatever_the_settings_say(
    shop: Path, service: Service, capsys: pytest.CaptureFixture[str], lost: str
) -> None:
    (shop / "dncd.toml").write_text("[shop]\n" + lost)
    assert words(capsys, "status", "gang-lathe")[0] == 0
    status, _, err = words(capsys, "status", "gang-lath")
    assert status == 2
    assert "Did you mean 'gang-lathe'?" in err
    assert service.asked[0] == {"do": "status"}


def test_settings_whose_folder_is_no_path_are_told_and_the_usual_folder_is_taken(
    shop: Path, service: Service, capsys: pytest.CaptureFixture[str]
) -> None:
    (shop / "dncd.toml").write_text(SETTINGS.replace('state = "state"', "state = 3"))
    status, _, err = words(capsys, "status")
    assert status == 0
    assert f"The state folder is taken to be {shop / 'state'}" in err
    assert service.looks == 1


def test_a_fault_of_dncd_is_one_sentence(
    service: Service, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    service.lathe = [{"state": "listening"}]  # an answer that lacks what the contract promises
    status, _, err = words(capsys, "status")
    assert status == 1
    assert err.count("\n") == 1
    assert "DNCD_DEBUG=1" in err
    monkeypatch.setenv("DNCD_DEBUG", "1")
    assert main(["status"]) == 1
    assert "Traceback" in capsys.readouterr().err


# --- settings --------------------------------------------------------------------------------------------------------


def test_where_the_settings_are_found(
    shop: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (shop / "config").mkdir()
    (shop / "config/dncd.toml").write_text(SETTINGS.replace("gang-lathe", "from-place"))
    (shop / "other.toml").write_text(SETTINGS.replace("gang-lathe", "from-option"))
    assert "[machines.from-option]" in words(capsys, "--config", "other.toml", "check-config")[1]
    assert "[machines.gang-lathe]" in words(capsys, "check-config")[1]
    monkeypatch.delenv("DNCD_CONFIG")
    assert "[machines.from-place]" in words(capsys, "check-config")[1]


def test_check_config_prints_what_holds(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = words(capsys, "check-config")
    assert (status, err) == (0, "")
    assert "# Note: the port /dev/tty-gang-lathe is not there now; the service opens it as soon as it is.\n" in out
    assert 'port = "/dev/tty-gang-lathe"' in out
    assert out.startswith("# No faults. 2 machines: gang-lathe, bore-mill\n")
    assert "# default" not in out
    assert "silence_s" not in out
    assert ".seat]" not in out, "no table without a key, at the end neither"
    assert "silence_s" in words(capsys, "check-config", "--all")[1]
    assert tomllib.loads(out)["machines"]["gang-lathe"]["line"]["port"] == "/dev/tty-gang-lathe"
    holds = json.loads(words(capsys, "check-config", "--json")[1])
    assert holds["shop"]["folder"] == str(shop / "shop")
    assert holds["machines"]["bore-mill"]["line"]["frame"] == "7E2"


def test_words_of_old_are_told_by_check_config_and_in_the_journal_at_a_start(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (shop / "dncd.toml").write_text(SETTINGS + "ahead = 8\n")
    hint = "ahead = 8 is written ahead_chars = 8 now"
    status, out, err = words(capsys, "check-config", "--all")
    assert status == 0
    assert hint in err
    assert tomllib.loads(out)["machines"]["bore-mill"]["line"]["ahead_chars"] == 8
    with process("run", cwd=shop, stderr=subprocess.PIPE) as running:
        assert running.stderr is not None
        lines = iter(running.stderr.readline, "")
        assert any(hint in line for line in lines)
        assert any("started" in line for line in lines)
        running.send_signal(signal.SIGTERM)
        running.stderr.read()
    assert running.returncode == 0


# --- status ----------------------------------------------------------------------------------------------------------


def test_status_is_a_line_a_machine(service: Service, capsys: pytest.CaptureFixture[str]) -> None:
    held = moving("0004.nc", 1000, 4000, holds=2, held_s=65.0, held_for_s=5.0)
    service.lathe = [{**held, "state": "held", "waiting": ["a.nc", "b\x1b.nc", "c.nc", "d.nc"]}]
    status, out, _ = words(capsys, "status")
    heads, lathe, mill = out.splitlines()
    assert status == 0
    assert heads.split() == ["machine", "state", "what", "goes", "on", "waits", "line"]
    assert re.split(r"  +", lathe) == [
        "gang-lathe",
        "held",
        "0004.nc 25 %, 1,000 of 4,000 characters, 100/s, 30 s left, held for 5.0 s, 2 holds, 1 min 5 s in all",
        r"4: a.nc, b\x1b.nc, c.nc and 1 more",
    ]
    assert mill.split() == ["bore-mill", "listening"]


def test_status_in_json_is_what_the_service_said(service: Service, capsys: pytest.CaptureFixture[str]) -> None:
    service.lathe = [moving("0004.nc", 1000, 4000)]
    _, out, _ = words(capsys, "status", "--json")
    assert json.loads(out)["machines"] == {"gang-lathe": service.lathe[0], "bore-mill": idle()}
    assert set(json.loads(words(capsys, "status", "bore-mill", "--json")[1])["machines"]) == {"bore-mill"}


def test_what_a_line_does() -> None:
    assert status_view.doing({**idle(), "state": "waiting", "waits_for": "DC1"}) == "waits for DC1"
    assert status_view.doing({**idle(), "state": "no-port"}) == "no port: /dev/x cannot be opened"
    caught = {"file": "", "program": "", "chars": 12, "of_chars": None, "seconds": 0.5, "holds": 0, "held_s": 0.0}
    assert (
        status_view.doing({**idle(), "state": "receiving", "transfer": caught})
        == "from the control, 12 characters, 0.5 s"
    )


def test_trouble_stands_under_the_table(service: Service, capsys: pytest.CaptureFixture[str]) -> None:
    service.lathe = [{**idle(), "trouble": ["the disk is full"]}]
    assert words(capsys, "status")[1].splitlines()[-1] == "gang-lathe: the disk is full"
    service.lathe = [{**idle(), "backup": {"open": True, "captures": 2, "due": ""}}]
    assert words(capsys, "status")[1].splitlines()[-1] == "gang-lathe: backup: awaited, 2 captures so far"


def test_status_follows_until_interrupted(shop: Path, service: Service) -> None:
    states = []
    with process("status", "gang-lathe", "--follow", cwd=shop, stdout=subprocess.PIPE) as running:
        assert running.stdout is not None
        for news in ([moving("0004.nc", 10, 4000)], [moving("0004.nc", 200, 4000), idle()], []):
            assert running.stdout.readline().startswith("machine")
            states.append(running.stdout.readline().split()[1])
            for lathe in news:
                service.news.put({"machines": {"gang-lathe": lathe}})
        running.send_signal(signal.SIGINT)
        assert running.wait(120) == 0
    assert states == ["listening", "sending", "listening"], "a line at each change, none for the figures alone"


# --- send, go, withdraw ----------------------------------------------------------------------------------------------


def test_send_drops_and_follows_to_the_end(shop: Path, service: Service, capsys: pytest.CaptureFixture[str]) -> None:
    data = b"%\r\nO0004\r\nM30\r\n%\r\n\x1a"
    (shop / "0004.nc").write_bytes(data)
    waits = {**idle(), "state": "waiting", "waiting": ["0004.nc"], "waits_for": "DC1"}
    service.lathe = [idle(), waits, waits, moving("0004.nc", 3, 17), {**moving("0004.nc", 9, 17), "state": "held"}]
    service.results = {"0004.nc": {"result": "sent", "file": "0004.nc", "receipt": "R", "reasons": ["a\x07warning"]}}
    service.results_after = 5
    status, out, err = words(capsys, "send", "gang-lathe", "0004.nc")
    assert (status, err) == (0, "")
    assert out.splitlines() == [
        "0004.nc: waits for DC1",
        "0004.nc: sending",
        "0004.nc: held",
        "0004.nc: sent",
        r"  a\x07warning",
        "  receipt: R",
    ]
    assert [p.name for p in (shop / "shop/gang-lathe/to-machine").iterdir()] == ["0004.nc"]
    assert (shop / "shop/gang-lathe/to-machine/0004.nc").read_bytes() == data
    assert next(r["after"] for r in service.asked if r["do"] == "ended") == 41  # by number, for the wall clock may jump


def test_a_folder_is_told_as_one(shop: Path, service: Service, capsys: pytest.CaptureFixture[str]) -> None:
    status, _, err = words(capsys, "send", "gang-lathe", str(shop))
    assert (status, "that is a folder. Name the files in it" in err) == (2, True)


@pytest.mark.parametrize("result", ["refused", "interrupted", "withdrawn"])
def test_send_ends_with_1_unless_all_were_sent(
    shop: Path, service: Service, capsys: pytest.CaptureFixture[str], result: str
) -> None:
    for name in ("a.nc", "b.nc"):
        (shop / name).write_text("O1")
    reason = "line 3, column 17: no such character; take it out"
    service.results = {
        "a.nc": {"result": "sent", "reasons": []},
        "b.nc": {"result": result, "reasons": [reason]},
    }
    status, out, _ = words(capsys, "send", "gang-lathe", "a.nc", "b.nc")
    assert status == 1
    assert f"b.nc: {result}\n  {reason}" in out
    (shop / "shop/gang-lathe/to-machine/a.nc").unlink()
    (shop / "shop/gang-lathe/to-machine/b.nc").unlink()
    status, out, _ = words(capsys, "send", "gang-lathe", "a.nc", "b.nc", "--json")
    assert status == 1
    assert [(e["name"], e["result"]) for e in json.loads(out)] == [("a.nc", "sent"), ("b.nc", result)]


def test_send_overwrites_nothing(shop: Path, service: Service, capsys: pytest.CaptureFixture[str]) -> None:
    folder = shop / "shop/gang-lathe/to-machine"
    (folder / "a.nc").write_text("somebody's")
    (shop / "a.nc").write_text("O1")
    service.results = {"a (2).nc": {"result": "sent"}}
    status, out, _ = words(capsys, "send", "gang-lathe", "a.nc")
    assert status == 0
    assert out.startswith("a.nc waits as a (2).nc")
    assert {p.name: p.read_text() for p in folder.iterdir()} == {"a.nc": "somebody's", "a (2).nc": "O1"}


def test_send_takes_standard_input_under_a_name(
    shop: Path, service: Service, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    service.results = {"0004.nc": {"result": "sent"}}
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(b"%\nO0004\n%\n")))
    assert words(capsys, "send", "gang-lathe", "-", "--name", "0004.nc")[0] == 0
    assert (shop / "shop/gang-lathe/to-machine/0004.nc").read_bytes() == b"%\nO0004\n%\n"
    for wrong in (("-",), ("0004.nc", "--name", "x.nc"), ("-", "0004.nc", "--name", "x.nc")):
        status, _, err = words(capsys, "send", "gang-lathe", *wrong)
        assert status == 2
        assert "send MACHINE - --name 0004.nc" in err


@pytest.mark.parametrize("name", [".a.nc", "~$a.nc", "a.tmp", "a.part", "Thumbs.db"])
def test_send_refuses_a_name_that_would_be_left_alone(
    shop: Path, service: Service, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    (shop / name).write_text("O1")
    status, _, err = words(capsys, "send", "gang-lathe", name)
    assert status == 2
    assert "left alone" in err
    assert not service.asked
    assert list((shop / "shop/gang-lathe/to-machine").iterdir()) == []


def test_send_where_the_shop_folder_is_not_mounted(
    shop: Path, service: Service, capsys: pytest.CaptureFixture[str]
) -> None:
    (shop / "a.nc").write_text("O1")
    (shop / "shop/gang-lathe/to-machine").rmdir()
    status, _, err = words(capsys, "send", "gang-lathe", "a.nc")
    assert status == 1
    assert "mounted" in err
    assert [r["do"] for r in service.asked] == ["status"]


def test_a_file_that_somebody_takes_away_is_not_followed_for_ever(shop: Path, service: Service) -> None:
    folder = shop / "shop/gang-lathe/to-machine"
    files = {"a.nc": 41}
    followed = following.Following(shop / "state", folder, "gang-lathe", files, quiet=True)
    assert followed.look(100.0)
    assert followed.look(100.0 + following.GONE_S)
    assert not followed.look(100.1 + following.GONE_S)
    assert followed.ended["a.nc"]["result"] == "withdrawn"
    assert service.looks == 3


def test_ctrl_c_stops_following_and_says_what_goes_on(shop: Path, service: Service) -> None:
    (shop / "a.nc").write_text("O1")
    (shop / "b.nc").write_text("O2")
    service.lathe = [{**moving("a.nc", 3, 17), "waiting": ["b.nc"]}]
    line = ("send", "gang-lathe", "a.nc", "b.nc")
    with process(*line, cwd=shop, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as running:
        assert running.stdout is not None
        assert running.stderr is not None
        seen = {running.stdout.readline() for _ in range(2)}
        running.send_signal(signal.SIGINT)
        err = running.stderr.read()
        assert running.wait(120) == 1
    assert seen == {"a.nc: sending\n", "b.nc: waits for its turn\n"}
    assert "a.nc goes on being sent" in err
    assert "b.nc still waits in" in err
    assert "dncd withdraw gang-lathe" in err
    assert "Traceback" not in err


def test_the_service_goes_away_while_a_file_is_followed(shop: Path) -> None:
    (shop / "a.nc").write_text("O1")
    answers = Service()
    answers.lathe = [moving("a.nc", 3, 17)]
    with CommandServer(shop / "state", answers):
        running = process("send", "gang-lathe", "a.nc", cwd=shop, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        assert answers.followed.wait(120)
    _, err = running.communicate(timeout=120)
    assert running.returncode == 3
    assert "interrupted" in err
    assert "dncd log gang-lathe" in err


def test_a_terminal_has_a_progress_bar(shop: Path, service: Service) -> None:
    (shop / "a.nc").write_text("O1")
    service.lathe = [idle(), moving("a.nc", 1000, 4000), {**moving("a.nc", 3000, 4000), "state": "held"}]
    service.results = {"a.nc": {"result": "sent"}}
    service.results_after = 4
    ours, theirs = pty.openpty()
    with process("send", "gang-lathe", "a.nc", cwd=shop, stdout=theirs, stderr=theirs) as running:
        os.close(theirs)
        shown = b""
        while select.select([ours], [], [], 20)[0]:
            try:
                shown += os.read(ours, 65536)
            except OSError:  # EIO: the other end is closed
                break
        assert running.wait(120) == 0
    os.close(ours)
    text = shown.decode()
    assert re.search(r"a\.nc .*1000/4000", text)
    assert "held for 0.0 s" in text
    assert "4000/4000" in text
    assert text.rstrip().endswith("a.nc: sent")


def test_next_takes_a_path_too_and_tells_what_goes(service: Service, capsys: pytest.CaptureFixture[str]) -> None:
    said = "gang-lathe: b.nc goes next\n"
    assert words(capsys, "next", "gang-lathe", "shop/gang-lathe/to-machine/b.nc")[:2] == (0, said)
    assert service.asked[-1] == {"do": "next", "machine": "gang-lathe", "file": "b.nc"}
    assert words(capsys, "next", "gang-lathe", "c.nc")[0] == 1


def test_when_an_announced_backup_ends_is_said_alike(service: Service, capsys: pytest.CaptureFixture[str]) -> None:
    assert (defaults.BACKUP_QUIET_S, defaults.BACKUP_WAIT_S) == (60, 3600)
    for typed in (("backup", "gang-lathe"), ("backup", "--help"), ("manual", "backup")):
        said = " ".join(words(capsys, *typed)[1].split())
        for when in ("a minute of quiet behind the last", "after an hour if none comes", "--end"):
            assert when in said, typed


def test_go_and_withdraw(service: Service, capsys: pytest.CaptureFixture[str]) -> None:
    first, then = words(capsys, "go", "bore-mill")[1].splitlines()
    assert (first, "Was READ pressed first?" in then) == ("bore-mill: b.nc starts", True)
    status, out, err = words(capsys, "go", "gang-lathe")
    assert (status, out) == (1, "")
    assert err == "gang-lathe: nothing waits for a go. Drop a file first.\n"
    assert words(capsys, "withdraw", "gang-lathe", "b.nc")[:2] == (
        0,
        "gang-lathe: b.nc is withdrawn; it lies in refused/ with its receipt\n",
    )
    assert words(capsys, "withdraw", "gang-lathe")[0] == 0
    assert [each for each in service.asked if each["do"] == "withdraw"] == [
        {"do": "withdraw", "machine": "gang-lathe", "file": "b.nc"},
        {"do": "withdraw", "machine": "gang-lathe"},
    ]


# --- without click ---------------------------------------------------------------------------------------------------

PLAINLY = """
status / status gang-lathe / status --json bore-mill / status --json --json / status gang-lathes / status gang-lathes --json
go bore-mill / go gang-lathe / go gang-lathes / next gang-lathe b.nc / next gang-lathe a/b.nc / next gang-lathe c.nc
withdraw gang-lathe / withdraw gang-lathe b.nc / request gang-lathe / seat gang-lathe / backup gang-lathe
backup --end gang-lathe / status --config other.toml / --config other.toml status / --config broken.toml status --json
--config other.toml go bore-mill / --config '' status / --config . status
"""
BY_CLICK = """
status gang-lathe bore-mill / status --jsn / status --js / status -fj / status -h / status --help / status -- gang-lathe
status '' / status - / -q status / status -q gang-lathe / -v status / status --verbose --json / status --config
--config other.toml --config dncd.toml status / --config ./other.toml status / --config nowhere.toml status --json
statu / go / go --json / next gang-lathe / withdraw / withdraw gang-lathe a b
withdraw gang-lathe --json / backup --end
"""


def lines_of(text: str) -> list[list[str]]:
    return [shlex.split(line) for line in text.replace("\n", " / ").strip(" /").split(" / ")]


@pytest.mark.parametrize("serves", [True, False])
def test_a_command_says_and_does_the_same_with_click_and_without(
    shop: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], serves: bool
) -> None:
    (shop / "other.toml").write_text(SETTINGS.replace("gang", "other"))
    (shop / "broken.toml").write_text(SETTINGS + "[machines")
    for line in lines_of(PLAINLY + BY_CLICK):
        found = []
        for by_click in (False, True):
            monkeypatch.delenv("_DNCD_COMPLETE", raising=False)
            if by_click:
                monkeypatch.setenv("_DNCD_COMPLETE", "")
            assert (service_commands.plain(line) is not None) == (line in lines_of(PLAINLY) and not by_click), line
            answers = Service()
            answers.lathe = [moving("a.nc", 1000, 4000)]
            with CommandServer(shop / "state", answers) if serves else contextlib.nullcontext():
                found.append((words(capsys, *line), answers.asked))
        assert found[0] == found[1], line


def test_without_click_a_command_takes_what_it_takes_with_it() -> None:
    context = click.Context(group)
    everywhere = {name for option in group.params for name in option.opts}
    for word, (_, known) in service_commands.PLAIN.items():
        command = group.get_command(context, word)
        assert command is not None
        arguments = [p.name if p.required else f"[{p.name}]" for p in command.params if isinstance(p, click.Argument)]
        options = [p for p in command.params if isinstance(p, click.Option) and p.opts[0] not in everywhere]
        assert [*arguments, *(name for option in options for name in option.opts)] == known.split()
        assert all(option.is_flag for option in options)
        assert {service_commands.FLAGS[name]: name for option in options for name in option.opts[:1]} == {
            option.name: option.opts[0] for option in options
        }


def loaded(words: list[str], shop: Path) -> tuple[set[str], list[str]]:
    """What a command has loaded, and what it said."""
    code = "import sys; old = set(sys.modules); from dncd.cli import main; main(); print(*set(sys.modules) - old)"
    done = subprocess.run([sys.executable, "-c", code, *words], cwd=shop, env=ENV, stdout=subprocess.PIPE, check=True)
    said = done.stdout.decode().splitlines()
    return set(said[-1].split()), said[:-1]


def test_what_only_asks_the_service_loads_little(shop: Path, service: Service) -> None:
    ours = {"dncd", "dncd.cli", "dncd.cli.invocation", "dncd.errors", "dncd.peer_text"}
    asking = {"dncd.cli.service_commands", "dncd.outside", "dncd.outside.command_client", "dncd.outside.config_outline"}
    looking = {
        "dncd.cli.status",
        "dncd.cli.layout",
        "dncd.service",
        "dncd.service.next_words",
        "dncd.station",
        "dncd.station.states",
    }
    for line, more in (
        (["go", "bore-mill"], asking),
        (["status"], asking | looking),
        (["--help"], {"dncd.cli.commands"}),
    ):
        names, out = loaded(["--config", "dncd.toml", *line] if more & asking else line, shop)
        assert out
        assert {name for name in names if name.startswith("dncd")} == ours | more
        assert not names & {
            "click",
            "inspect",
            "dataclasses",
            "pathlib",
            "urllib.parse",
            "ipaddress",
            "logging",
            "serial",
        }


def test_the_help_is_as_click_would_write_it(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for columns in (1, 40, 52, *range(60, 116, 5), 300):
        monkeypatch.setenv("COLUMNS", str(columns))
        with group.make_context("dncd", ["status"]) as context:
            expected = group.get_help(context) + "\n"
        for word in ("--help", "-h", "help"):
            assert words(capsys, word) == (0, expected, "")


def test_what_asks_the_service_speaks_in_narrow_surroundings(shop: Path, service: Service) -> None:
    service.lathe = [{**idle(), "waiting": ["W\u00f6lle.nc"]}]
    env = ENV | {"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "LC_ALL": "C"}
    line = [sys.executable, "-m", "dncd", "--config", "dncd.toml", "status"]
    for by_click in ({}, {"_DNCD_COMPLETE": ""}):
        done = subprocess.run(line, env=env | by_click, cwd=shop, capture_output=True, check=True)
        assert "W\u00f6lle.nc".encode() in done.stdout
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(line, env=env, cwd=shop, stdout=full, stderr=subprocess.PIPE, check=False)
    assert (done.returncode, done.stderr[:34]) == (1, b"Standard output cannot be written:")


# --- how it looks ----------------------------------------------------------------------------------------------------


def test_a_reader_who_has_seen_enough_is_no_error(shop: Path) -> None:
    reader, writer = socket.socketpair()
    reader.close()
    with process("check-config", cwd=shop, stdout=writer.fileno(), stderr=subprocess.PIPE) as running:
        _, err = running.communicate(timeout=120)
    writer.close()
    assert err == ""


def test_a_narrow_locale_ends_no_command(shop: Path) -> None:
    (shop / "dncd.toml").write_text(SETTINGS + '[machines.bore-mill]\ntitle = "Bohrwerk \u2013 Halle 5"\n')
    env = {**ENV, "PYTHONIOENCODING": "latin-1", "DNCD_CONFIG": "dncd.toml"}
    line = [sys.executable, "-m", "dncd", "check-config"]
    done = subprocess.run(line, check=False, env=env, cwd=shop, capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")
    assert r"Bohrwerk \u2013 Halle 5" in done.stdout


def test_tables_align_and_are_printable() -> None:
    assert table(("a", "bb"), [("x\n", "1"), ("yyyyy", "22")], right=(1,)) == ["a      bb", "x\\n     1", "yyyyy  22"]


def test_times_and_spans(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "CET-1")
    time.tzset()
    try:
        assert local_text("2026-11-25T23:30:00Z") == "2026-11-26 00:30:00 CET"
    finally:
        monkeypatch.delenv("TZ")
        time.tzset()
    assert local_text("never") == "never"
    assert [seconds(s) for s in (0.04, 9.94, 10, 59.4, 60, 3599, 11400)] == [
        "0.0 s", "9.9 s", "10 s", "59 s", "1 min 0 s", "59 min 59 s", "3 h 10 min",
    ]  # fmt: skip


def test_holds_tells_what_the_control_holds_now_and_then(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    hours = iter(range(24))
    book = Ledger.open(shop / "state", clock=lambda: datetime(2026, 7, 1, next(hours), tzinfo=UTC))
    for event, revision in (("sent", 1), ("received", 1), ("matched", 1), ("interrupted", 2)):
        book.append(event, {"machine": "gang-lathe", "program": "O0004", "revision": revision})
    book.append("sent", {"machine": "gang-lathe", "program": "O0007", "revision": 3})
    book.close()
    status, out, _ = words(capsys, "holds", "gang-lathe")
    assert status == 0
    lines = out.splitlines()
    assert lines[0].split() == ["program", "revision", "how", "sure", "as", "of"]
    assert lines[1].startswith("O0004           2  not known: a sending of revision 2 was interrupted  ")
    assert lines[2].startswith("O0007           3  sent  ")
    assert lines[3] == "backup: none yet"
    then = json.loads(words(capsys, "holds", "gang-lathe", "--at", "2026-07-01T02:00Z", "--json")[1])
    checked = {"program": "O0004", "revision": 1, "how": "checked", "since": "2026-07-01T02:00:00.000Z"}
    assert then == {"programs": [checked], "unnamed": 0, "backup": None}
    assert "nothing is known" in words(capsys, "holds", "bore-mill")[1]
    assert words(capsys, "holds", "gang-late")[0] == 2
    assert words(capsys, "holds", "gang-lathe", "--at", "noon")[0] == 2
    hours = iter((23, 20))
    book = Ledger.open(shop / "state", clock=lambda: datetime(2026, 7, 1, next(hours), tzinfo=UTC))
    for revision in (23, 20):
        book.append("sent", {"machine": "gang-lathe", "program": "O0004", "revision": revision})
    book.close()
    _, out, err = words(capsys, "holds", "gang-lathe", "--at", "2026-07-01T21:00Z")
    assert "The clock ran backwards: 1 line of the ledger, from number 6 on" in err
    assert "O0004          20  sent" in out
    assert "O0004          23  sent" in words(capsys, "holds", "gang-lathe", "--at", "6")[1]


def test_a_place_of_the_settings_where_nobody_may_look_is_not_taken_for_an_empty_one(tmp_path):
    (tmp_path / "file").write_text("", "utf-8")
    assert invocation._is_there(str(tmp_path / "file"))
    assert not invocation._is_there(str(tmp_path / "absent" / "dncd.toml"))
    assert not invocation._is_there(str(tmp_path / "file" / "dncd.toml"))
    with pytest.raises(OSError, match="too long"):
        invocation._is_there(str(tmp_path / ("x" * 300)))
