"""The command line as its neighbours have it: the ledger picked and paged, narrow terminals, closed outputs, odd locales."""

import json
import os
import pty
import re
import subprocess
import sys
import termios
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click
import pytest
from house import SCHEMAS, build, fits_schema, house, machine

import dncd
from dncd.cli import layout, main
from dncd.cli.commands import LATE, LINE, PEOPLE
from dncd.cli.late_group import group
from dncd.cli.layout import fold, table
from dncd.cli.log import log_line
from dncd.records.ledger import Ledger
from dncd.records.library import Text, Writer
from dncd.standin.control import StandIn
from dncd.standin.yard import Yard
from dncd.values import Origin

DEADLINE_S = 120.0
ENV = {**os.environ, "PYTHONPATH": str(Path(dncd.__file__).parent.parent)}


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Six lines of two machines, one a day, from the first of July."""
    (tmp_path / "shop.toml").write_text(
        '[machines.gang-lathe.line]\nport = "/dev/x"\n[machines.bore-mill.line]\nport = "/dev/y"\n'
    )
    monkeypatch.setenv("DNCD_CONFIG", str(tmp_path / "shop.toml"))
    monkeypatch.setenv("TZ", "UTC")
    days: Iterator[int] = iter(range(1, 32))
    ledger = Ledger.open(tmp_path / "state", lambda: datetime(2026, 7, next(days), 12, tzinfo=UTC))
    for event, name, program in (
        ("sent", "gang-lathe", "O0004"), ("sent", "bore-mill", "O0330"), ("refused", "gang-lathe", "O0005"),
        ("received", "gang-lathe", "O0004"), ("damaged", "gang-lathe", "O0004"), ("sent", "gang-lathe", "O0004"),
    ):  # fmt: skip
        reasons = [f"reason {n}" for n in range(1, 11)] if event == "refused" else []
        ledger.append(event, {"machine": name, "program": program, "reasons": reasons})
    ledger.close()
    Writer(tmp_path / "state").close()
    return tmp_path


def seqs(capsys: pytest.CaptureFixture[str], *words: str) -> list[int]:
    assert main(["log", *words, "--json"]) == 0
    return [record["seq"] for record in json.loads(capsys.readouterr().out)]


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ((), [1, 2, 3, 4, 5, 6]),
        (("gang-lathe", "--last", "2"), [5, 6]),
        (("--since", "2026-07-03"), [3, 4, 5, 6]),
        (("--until", "2026-07-03"), [1, 2, 3]),
        (("--since", "2026-07-02 12:00", "--until", "2026-07-04 11:59"), [2, 3]),
        (("--since", "3", "--until", "4"), [3, 4]),
        (("--program", "O0004"), [1, 4, 5, 6]),
        (("--event", "sent", "--event", "damaged"), [1, 2, 5, 6]),
        (("bore-mill", "--event", "damaged"), []),
        (("gang-lathe", "--program", "O0004", "--event", "sent", "--since", "2026-07-02"), [6]),
    ],
)
def test_the_ledger_is_picked_from(
    shop: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], found: list[int]
) -> None:
    assert seqs(capsys, *words) == found


def test_an_entry_is_one_short_line_unless_all_is_asked_for(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["log", "--event", "refused"]) == 0
    (line,) = capsys.readouterr().out.splitlines()
    assert line.endswith("O0005; reason 1; and 9 more: dncd log --full")
    assert main(["log", "--event", "refused", "--full"]) == 0
    assert capsys.readouterr().out.rstrip().endswith("; ".join(f"reason {n}" for n in range(1, 11)))
    assert log_line({"time": "", "event": "x", "reasons": ["one"]}).endswith("; one")
    asked = {"event": "asked", "machine": "mill", "do": "next", "what": "0004.nc", "by": "A. Miller"}
    assert log_line(asked).endswith("mill  (next, 0004.nc, by A. Miller)")
    assert log_line({"event": "seated", "machine": "mill", "switch": "box", "by": "R. Hale"}).endswith(
        "(box, by R. Hale)"
    )


def test_log_follows_and_loses_no_line_between(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    command = [sys.executable, "-m", "dncd", "log", "gang-lathe", "--follow", "--last", "2", "--json"]
    with subprocess.Popen(command, env=ENV | os.environ, stdout=subprocess.PIPE, text=True) as following:
        guard = threading.Timer(DEADLINE_S, following.kill)
        guard.start()
        assert following.stdout
        assert [json.loads(following.stdout.readline())["seq"] for _ in range(2)] == [5, 6]
        ledger = Ledger.open(shop / "state")
        ledger.append("sent", {"machine": "bore-mill"})
        ledger.append("sent", {"machine": "gang-lathe"})
        assert json.loads(following.stdout.readline())["seq"] == 8
        ledger.close()
        following.terminate()
        guard.cancel()


def on_a_terminal(shop: Path, columns: int, *words: str, **env: str) -> str:
    """What a command writes to a terminal of that width."""
    control, terminal = pty.openpty()
    termios.tcsetwinsize(terminal, (24, columns))
    command = [sys.executable, "-m", "dncd", *words]
    with subprocess.Popen(
        command, env=ENV | os.environ | env, stdin=terminal, stdout=terminal, stderr=terminal
    ) as child:
        os.close(terminal)
        said = b""
        while True:
            try:
                piece = os.read(control, 65536)
            except OSError:  # the last one closed it
                break
            said += piece
        child.wait(DEADLINE_S)
    os.close(control)
    return said.decode().replace("\r\n", "\n")


def test_the_log_goes_by_the_pager_on_a_terminal_and_never_in_a_pipe(shop: Path) -> None:
    pager = shop / "pager"
    pager.write_text("#!/bin/sh\nsed 's/^/paged: /'\n")
    pager.chmod(0o755)
    assert on_a_terminal(shop, 200, "log", PAGER=str(pager)).count("paged: ") == 6
    env = ENV | os.environ | {"PAGER": str(pager)}
    done = subprocess.run([sys.executable, "-m", "dncd", "log"], env=env, capture_output=True, text=True, check=True)
    assert "paged" not in done.stdout
    assert len(done.stdout.splitlines()) == 6


def test_lines_of_the_log_are_folded_to_the_terminal(shop: Path) -> None:
    said = on_a_terminal(shop, 60, "log", "--full", PAGER="cat")
    assert max(map(len, said.splitlines())) <= 60
    assert "    reason" in said or "    " in said


@pytest.mark.parametrize("columns", [80, 60])
def test_a_table_fits_a_terminal_and_breaks_within_no_date_or_number(
    columns: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    heads = ("program", "title", "revisions", "the control holds", "last sent", "last back", "checked")
    row = ("O0004", "BEARING SLEEVE, SECOND SIDE", "12", "revision 12, as it came back", "2026-07-01 14:30:59",
           "2026-07-02 15:31:58", "revision 11, 2026-07-02 15:31:58")  # fmt: skip
    whole = table(heads, [row], right=(2,), spare=(6,))
    assert len(whole) == 2  # no terminal: as wide as it is
    assert len(whole[0]) > 100
    monkeypatch.setattr(layout, "terminal_width", lambda: columns)
    narrow = table(heads, [row], right=(2,), spare=(6,))
    assert max(map(len, narrow)) <= max(columns, 72)
    text = "\n".join(narrow)
    for whole_word in ("2026-07-01", "14:30:59", "2026-07-02", "15:31:58", "O0004", "12"):
        assert re.search(rf"(?<!\S){re.escape(whole_word)}(?!\S|,\S)", text), whole_word
    assert "checked" not in text
    assert fold("a" * 40 + " " + "b" * 50) == "a" * 40 + "\n    " + "b" * 50


# --- errors in JSON --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "code", "status"),
    [
        (("programs", "gang-lath", "--json"), "usage", 2),
        (("status", "--json"), "no-service", 3),
        (("log", "--json", "--nothing"), "usage", 2),
        (("--config", "/nowhere.toml", "verify", "--json"), "settings", 2),
    ],
)
def test_errors_are_json_too_where_json_was_asked_for(
    shop: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], code: str, status: int
) -> None:
    assert main(words) == status
    said = capsys.readouterr()
    error: dict[str, Any] = json.loads(said.out)["error"]
    assert set(error) == {"code", "what", "where", "next"}
    assert error["code"] == code
    assert all(error.values())
    assert said.err.strip()  # the sentences, as ever
    assert main([word for word in words if word != "--json"]) == status
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("log", ("log",)),
        ("holds", ("holds", "gang-lathe")),
        ("line-health", ("line", "health", "gang-lathe")),
        ("programs", ("programs", "gang-lathe")),
        ("show", ("show", "gang-lathe", "O0004")),
        ("diff", ("diff", "gang-lathe", "O0004")),
        ("check-config", ("check-config",)),
        ("verify", ("verify",)),
        ("tidy", ("tidy",)),
        ("line-ports", ("line", "ports")),
        ("error", ("show", "gang-lathe", "O9999")),
    ],
)
def test_json_is_as_its_schema_says(
    shop: Path, capsys: pytest.CaptureFixture[str], name: str, words: tuple[str, ...]
) -> None:
    with Writer(shop / "state") as library:
        for block in (b"", b"G00 X1.\n"):
            library.revise("gang-lathe", "O0004", Text.of(b"O0004 (BUSH)\n" + block + b"M30\n"), Origin.OFFICE, {})
    main([*words, "--json"])
    said = json.loads(capsys.readouterr().out)
    assert said
    assert fits_schema(name, said)
    assert not fits_schema(name, {})
    assert not fits_schema(name, [{}])


def test_what_a_service_answers_is_as_its_schema_says(tmp_path: Path) -> None:
    control = StandIn(build(baud=38400))
    with Yard(control), house(tmp_path, "[shop]\n", lathe=machine(control, baud=38400)) as running:
        said = json.loads(running.dncd("status", "--json").stdout)
        reloaded = json.loads(running.dncd("reload", "--json").stdout)
        (tmp_path / "0004.nc").write_bytes(b"%\nO0004\nG00 X1.\nM30\n%\n")
        sent = json.loads(running.dncd("send", "lathe", str(tmp_path / "0004.nc"), "--json").stdout)
    assert fits_schema("status", said)
    assert not fits_schema("status", {**said, "machines": {"gang-lathe": {}}})
    assert fits_schema("reload", reloaded)
    assert fits_schema("send", sent)
    assert not fits_schema("send", [{}])


def test_every_command_that_answers_in_json_has_its_schema() -> None:
    words = [
        f"{before} {word}".strip() for before, of in (("", LATE), ("line", LINE), ("people", PEOPLE)) for word in of
    ]
    context = click.Context(group)
    found = set()
    for word in words:
        command: click.Command | None = group
        for part in word.split():
            assert isinstance(command, click.Group)
            command = command.get_command(context, part)
        if command and any("--json" in option.opts for option in command.params):
            found.add(word.replace(" ", "-"))
    assert found | {"error"} == {file.stem for file in SCHEMAS.glob("*.json")}


# --- odd surroundings ------------------------------------------------------------------------------------------------


def dncd_(shop: Path, shell: str, **env: str) -> "subprocess.CompletedProcess[bytes]":
    """A command by the shell, where $dncd stands for it."""
    surroundings = ENV | os.environ | {"dncd": f"{sys.executable} -m dncd"} | env
    done = subprocess.run(["sh", "-c", shell], env=surroundings, capture_output=True, check=False)
    assert b"Traceback" not in done.stderr
    assert b"fault of its own" not in done.stderr
    return done


@pytest.mark.parametrize(
    "command", ["log", "log --json", "--help", "programs", "verify --local", "unit", "check-config"]
)
def test_a_closed_or_full_output_is_no_traceback(shop: Path, command: str) -> None:
    assert dncd_(shop, f"$dncd {command} >&-").stderr == b""
    dncd_(shop, f"$dncd {command} >&- 2>&-")
    full = dncd_(shop, f"$dncd {command} >/dev/full")
    assert full.returncode == 1
    assert b"Standard output cannot be written: No space left on device." in full.stderr


@pytest.mark.parametrize("coding", ["ascii", "latin-1"])
@pytest.mark.parametrize("command", ["log", "programs", "holds gang-lathe", "check-config", "--help", "unit dncd.toml"])
def test_a_narrow_locale_ends_no_command(shop: Path, coding: str, command: str) -> None:
    settings = shop / "shop.toml"
    settings.write_text(settings.read_text() + '[machines.bore-mill]\ntitle = "Bohrwerk – Halle 5"\n', "utf-8")
    narrow = {"PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "LC_ALL": "C", "PYTHONIOENCODING": coding}
    assert dncd_(shop, f"$dncd {command}", **narrow).returncode == 0


@pytest.mark.parametrize("command", ["", "log", "send", "line", "line test"])
def test_help_stays_when_python_drops_docstrings(shop: Path, command: str) -> None:
    plain, bare = (dncd_(shop, f"{sys.executable} {flag} -m dncd {command} --help").stdout for flag in ("", "-OO"))
    assert plain == bare
    assert len(plain) > 100


# --- options of every command ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("words", [("--config", "{}", "holds", "lathe"), ("holds", "--config", "{}", "lathe")])
def test_the_settings_are_named_before_or_behind_the_command(
    shop: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...]
) -> None:
    other = shop / "other.toml"
    other.write_text('[machines.lathe.line]\nport = "/dev/z"\n')
    assert main([word.format(other) for word in words]) == 0
    assert "nothing is known of what lathe holds" in capsys.readouterr().out


@pytest.mark.parametrize("words", [("-q", "log"), ("log", "--quiet"), ("log", "-q", "--json"), ("line", "ports", "-q")])
def test_quiet_prints_nothing_but_what_must_not_be_missed(
    shop: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...]
) -> None:
    assert main(words) == 0
    assert capsys.readouterr() == ("", "")
    for more in ((), ("--json",)):
        assert main(["holds", "gang-lathes", "-q", *more]) == 2
        out, err = capsys.readouterr()
        assert (out, "Did you mean 'gang-lathe'?" in err) == ("", True)
    assert main(["log"]) == 0
    assert capsys.readouterr().out, "the next command in this process speaks again"


def test_verbose_says_on_standard_error_what_a_command_works_with(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["log"]) == 0
    plain = capsys.readouterr()
    for words in (["-v", "log"], ["log", "-v"]):
        assert main(words) == 0
        out, err = capsys.readouterr()
        assert out == plain.out
        assert f"settings: {shop / 'shop.toml'}" in err
        assert f"state folder: {shop / 'state'}; machines: gang-lathe, bore-mill" in err
    assert main(["status", "-v"]) == 3
    assert "asks the service: status" in capsys.readouterr().err
