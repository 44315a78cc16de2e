"""The journal and the word to the service manager."""

import io
import json
import os
import re
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog
from wall_clock import five_and_a_half_hours_east  # noqa: F401 - a fixture

from dncd.outside import manager
from dncd.outside.journal import LONGEST_TEXT, MESSAGE_IDS, journal, recent, set_up

GONE = {"what": "the port is gone", "where": "/dev/ttyUSB0", "next": "Plug it in again"}

RECORD = {
    "event": "sent", "machine": "gang-lathe", "program": "O0004", "file": "0004.nc", "wire_chars": 132, "seconds": 0.3,
    "holds": 0, "revision": 1, "sha256": "ab" * 32, "seq": 7, "prev": "0" * 64, "hash": "1" * 64, "reason": "",
}  # fmt: skip


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture(autouse=True)
def _as_before() -> Iterator[None]:
    yield
    structlog.reset_defaults()


def test_one_json_object_a_line_where_there_is_no_terminal() -> None:
    out = io.StringIO()
    set_up(out)
    journal(machine="gang-lathe").transfer(RECORD)
    (line,) = out.getvalue().splitlines()
    said = json.loads(line)
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d+Z", said.pop("timestamp"))
    assert said == {
        "event": "transfer sent", "level": "info", "machine": "gang-lathe", "program": "O0004", "file": "0004.nc",
        "wire_chars": 132, "seconds": 0.3, "holds": 0, "revision": 1, "sha256": "ab" * 32, "seq": 7,
    }  # fmt: skip


@pytest.mark.usefixtures("five_and_a_half_hours_east")
def test_readable_lines_on_a_terminal() -> None:
    out = Terminal()
    set_up(out)
    journal().transfer(RECORD)
    plain = re.sub(r"\x1b\[[0-9;]*m", "", out.getvalue())
    assert "transfer sent" in plain
    assert "file=0004.nc" in plain
    assert not plain.lstrip().startswith("{")
    assert re.match(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d IST ", plain)  # of this place, and in `dncd report` UTC
    assert json.loads(recent()[-1])["timestamp"].endswith("Z")


def test_systemds_journal_gets_readable_lines_with_their_level(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """$JOURNAL_STREAM by systemd.exec(5), the level in front by sd-daemon(3) (both of systemd 252, from memory)."""
    with (tmp_path / "stream").open("w+") as out:
        found = os.fstat(out.fileno())
        monkeypatch.setenv("JOURNAL_STREAM", f"{found.st_dev}:{found.st_ino}")
        set_up(out, native=str(tmp_path / "nobody"))
        journal(machine="gang-lathe").transfer({**RECORD, "file": "a b\n<0>.nc"})
        journal(machine="gang-lathe").warning(
            "port-gone", what="the port is gone", where="/dev/ttyUSB0", next="Plug it in again"
        )
        try:
            raise ZeroDivisionError("some fault")
        except ZeroDivisionError as error:
            journal().failed("command", error)
        monkeypatch.setenv("JOURNAL_STREAM", f"{found.st_dev}:{found.st_ino + 1}")
        set_up(out)
        journal().info("elsewhere")
        out.seek(0)
        sent, gone, *fault, elsewhere = out.read().splitlines()
    assert sent.startswith('<6>gang-lathe: transfer sent program=O0004 file="a b')
    assert sent.endswith(f"wire_chars=132 seconds=0.3 holds=0 revision=1 sha256={'ab' * 32} seq=7")
    assert gone == "<4>gang-lathe: port-gone: the port is gone (/dev/ttyUSB0); next: Plug it in again"
    assert fault[0] == "<3>command"
    assert fault[-1] == "<3>ZeroDivisionError: some fault"
    assert all(line.startswith("<3>") for line in fault)
    assert json.loads(elsewhere)["event"] == "elsewhere"


def entry(datagram: bytes) -> dict[str, str]:
    """The fields of one of systemd's native protocol (systemd.io/JOURNAL_NATIVE_PROTOCOL)."""
    fields = {}
    while datagram:
        name, _, rest = datagram.partition(b"\n")
        length = int.from_bytes(rest[:8], "little")
        assert rest[8 + length : 9 + length] == b"\n"
        fields[name.decode()], datagram = rest[8 : 8 + length].decode(), rest[9 + length :]
    return fields


def test_systemds_journal_gets_fields_by_its_own_socket(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    native = tmp_path / "socket"
    with (tmp_path / "stream").open("w+") as out, socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(native))
        listening.settimeout(60)
        found = os.fstat(out.fileno())
        monkeypatch.setenv("JOURNAL_STREAM", f"{found.st_dev}:{found.st_ino}")
        set_up(out, native=str(native))
        lathe = journal(machine="gang-lathe")
        lathe.transfer({**RECORD, "event": "interrupted", "file": "a\nPRIORITY=0.nc", "transfer": "17-1"})
        lathe.warning("no port", **GONE)
        journal().info("no port")
        try:
            raise ZeroDivisionError("some fault")
        except ZeroDivisionError as error:
            journal().failed("command", error)
        sent, gone, told, fault = (entry(listening.recv(100_000)) for _ in range(4))
        assert out.tell() == 0
        listening.close()
        journal().info("x" * 10)
        out.seek(0)
        assert out.read() == "<6>" + "x" * 10 + "\n"
    assert sent.pop("MESSAGE").startswith("gang-lathe: transfer interrupted program=O0004 file=")
    about = {"SYSLOG_IDENTIFIER": "dncd", "MACHINE": "gang-lathe"}
    assert sent == {
        **about, "PRIORITY": "6", "PROGRAM": "O0004", "TRANSFER": "17-1", "MESSAGE_ID": MESSAGE_IDS["transfer interrupted"],
    }  # fmt: skip
    line = "gang-lathe: no port: the port is gone (/dev/ttyUSB0); next: Plug it in again"
    assert gone == {**about, "PRIORITY": "4", "MESSAGE_ID": MESSAGE_IDS["no port"], "MESSAGE": line}
    assert told == {"SYSLOG_IDENTIFIER": "dncd", "PRIORITY": "6", "MESSAGE": "no port"}, "told without need is no alarm"
    assert fault["MESSAGE_ID"] == MESSAGE_IDS["fault"]
    first, *_, last = fault["MESSAGE"].split("\n")
    assert (first, last) == ("command", "ZeroDivisionError: some fault")


def test_each_alarm_has_an_id_of_its_own_that_developers_md_names() -> None:
    text = (Path(__file__).parent.parent / "DEVELOPERS.md").read_text("utf-8")
    table = re.findall(r"^\| `([a-zA-Z ]+)`.*\| `([0-9a-f]{32})` \|$", text, re.MULTILINE)
    assert dict(table) == MESSAGE_IDS
    assert len(set(MESSAGE_IDS.values())) == len(MESSAGE_IDS)


def test_a_warning_has_its_three_sentences() -> None:
    out = io.StringIO()
    set_up(out)
    journal(machine="gang-lathe").warning(
        "port-gone", what="the port is gone", where="/dev/ttyUSB0", next="Plug it in again"
    )
    said = json.loads(out.getvalue())
    assert (said["level"], said["event"], said["machine"]) == ("warning", "port-gone", "gang-lathe")
    assert (said["what"], said["where"], said["next"]) == ("the port is gone", "/dev/ttyUSB0", "Plug it in again")


@pytest.mark.parametrize("kind", [io.StringIO, Terminal])
def test_no_peer_text_reaches_the_journal_as_it_is(kind: type[io.StringIO]) -> None:
    out = kind()
    set_up(out)
    hostile = "x\x1b]0;title\x07\nforged line\u202e\udcff\x9b"
    journal(machine=hostile).info("looked", file=hostile, names=[hostile], inner={hostile: b"\x00\xff\n"})
    text = re.sub(r"\x1b\[[0-9;]*m", "", out.getvalue())
    assert text.count("\n") == 1
    assert text.rstrip("\n").isprintable()


def test_a_long_text_is_cut() -> None:
    out = io.StringIO()
    set_up(out)
    journal().info("looked", file="x" * 1_000_000)
    assert len(json.loads(out.getvalue())["file"]) == LONGEST_TEXT + 1


def test_a_fault_has_its_traceback() -> None:
    out = io.StringIO()
    set_up(out)
    try:
        raise ZeroDivisionError("some fault")
    except ZeroDivisionError as error:
        journal().failed("command", error)
    said = json.loads(out.getvalue())
    assert said["level"] == "error"
    assert "test_journal.py" in said["exception"]
    assert "some fault" in said["exception"]


# --- the service manager: sd_notify(3), sd_watchdog_enabled(3) -------------------------------------------------------


@pytest.fixture(params=["path", "abstract"])
def listener(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[socket.socket]:
    name = str(tmp_path / "notify") if request.param == "path" else f"@dncd-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.bind(name.replace("@", "\0"))
        sock.settimeout(60)
        monkeypatch.setenv("NOTIFY_SOCKET", name)
        yield sock


def test_the_manager_is_told(listener: socket.socket) -> None:
    assert manager.ready("2 lines\nREADY=0")
    assert listener.recv(1000) == b"READY=1\nSTATUS=2 lines READY=0"
    assert manager.alive()
    assert listener.recv(1000) == b"WATCHDOG=1"
    assert manager.stopping()
    assert listener.recv(1000) == b"STOPPING=1"
    assert manager.reloading()
    assert re.fullmatch(rb"RELOADING=1\nMONOTONIC_USEC=\d+", listener.recv(1000))


def test_without_a_manager_nothing_is_sent(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not manager.ready("")


def test_a_manager_that_is_gone_is_noted_once_and_stops_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = io.StringIO()
    set_up(out)
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "gone"))
    assert not manager.alive()
    assert not manager.alive()
    (line,) = out.getvalue().splitlines()
    assert json.loads(line)["level"] == "warning"


def test_how_often_the_watchdog_wants_to_be_fed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("WATCHDOG_PID", raising=False)
    for said, pid, expected in (
        ("30000000", "", 15.0),
        ("30000000", str(os.getpid()), 15.0),
        ("30000000", "1", None),
        ("", "", None),
        ("0", "", None),
        ("x", "", None),
    ):
        monkeypatch.setenv("WATCHDOG_USEC", said)
        monkeypatch.setenv("WATCHDOG_PID", pid)
        assert manager.alive_every_s() == expected
