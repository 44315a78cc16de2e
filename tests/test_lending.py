"""A line in other hands: lent by a running service and taken back, watched while it works, and the connections of both."""

import contextlib
import json
import os
import pty
import select
import signal
import socket
import subprocess
import sys
import time
import tty

import pytest
from house import LONG, build, house, machine, text
from waiting import until

from dncd.choices import StartOn
from dncd.errors import DncdError, NoServiceError, NotDoneError, UsageError
from dncd.line.starting import Starts
from dncd.outside.command_client import StreamRequest, ask
from dncd.outside.command_server import CommandServer, StreamReply, WatchQueue
from dncd.ports.holders import holders
from dncd.ports.session import line_for
from dncd.standin.control import StandIn
from dncd.standin.yard import Yard
from dncd.values import Modem, SendSettings, Signal


def status(shop, name="lathe"):
    return ask(shop.state, {"do": "status"})["machines"][name]


def service_holds(shop, control):
    return any(holder.pid == shop.process.pid for holder in holders(control.path))


def lines_of(held, wanted, seconds=120.0):
    """News of a connection until `wanted` is true of all its text so far."""
    end, came = time.monotonic() + seconds, []
    while not wanted("".join(came)):
        came += [str(news.get("lines", "")) for news in held.news()]
        left = end - time.monotonic()
        assert left > 0, came
        if not wanted("".join(came)):
            select.select([held], [], [], left)
    return "".join(came)


BORROWER = """
import sys
from pathlib import Path
from dncd.ports.session import line_for
from dncd.ports.session import LineSession
from dncd.outside.config import load
settings = load(Path(sys.argv[1]))
machine = settings.machines["lathe"]
with line_for(settings.shop.state, "lathe", "dncd line test lathe"), LineSession(machine.line):
    print("open", flush=True)
    sys.stdin.read()
"""


@pytest.mark.parametrize(
    "by",
    [signal.SIGKILL, pytest.param(signal.SIGTERM, marks=pytest.mark.slow), pytest.param(None, marks=pytest.mark.slow)],
)
def test_a_killed_borrower_gives_the_line_back(tmp_path, by):
    control = StandIn(build())
    with Yard(control), house(tmp_path, lathe=machine(control, start="dc1")) as shop:
        shop.drop("lathe", "waits.nc", text(["O0001", "M30"]))
        until(lambda: status(shop)["waiting"] == ["waits.nc"])
        words = [sys.executable, "-c", BORROWER, str(tmp_path / "dncd.toml")]
        with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as borrower:
            assert borrower.stdout.readline() == "open\n"
            lent = status(shop)
            assert (lent["state"], lent["trouble"]) == ("lent", [])
            assert lent["lent_to"] == f"`dncd line test lathe` (process {borrower.pid})"
            assert lent["waiting"] == ["waits.nc"]
            assert borrower.pid in [holder.pid for holder in holders(control.path)]
            assert not service_holds(shop, control)
            text_of = (shop.shop / "lathe" / "STATUS.txt").read_text
            until(lambda: f"state: lent to `dncd line test lathe` (process {borrower.pid})" in text_of())
            assert f"lent to `dncd line test lathe` (process {borrower.pid})" in shop.dncd("status").stdout
            control.read_in()  # its DC1 goes to the borrower, and starts nothing
            if by is None:
                borrower.stdin.close()
            else:
                borrower.send_signal(by)
            until(lambda: status(shop)["state"] == "waiting")
        assert service_holds(shop, control)
        after = status(shop)
        assert (after["waiting"], after["trouble"], after["lent_to"]) == (["waits.nc"], [], "")
        control.read_in()
        assert shop.receipt("lathe", "sent", "waits.nc").get("result") == "sent"


def test_a_line_in_use_is_not_lent_and_says_what_it_is_doing(tmp_path):
    control = StandIn(build(baud=1200))
    with Yard(control), house(tmp_path, lathe=machine(control, baud=1200)) as shop:
        shop.drop("lathe", "long.nc", text(LONG[:100]))
        assert control.wait_for(lambda: control.figures().taken > 50, 120)
        with (
            pytest.raises(DncdError, match="the service is using the line: it is sending") as refused,
            line_for(shop.state, "lathe", "dncd line test"),
        ):
            pass
        assert "dncd status lathe" in refused.value.next_step
        assert ask(shop.state, {"do": "withdraw", "machine": "lathe"}) == {"file": "long.nc", "sending": True}
        until(lambda: status(shop)["state"] == "listening")
        with line_for(shop.state, "lathe", "dncd line test lathe"):
            with (
                pytest.raises(DncdError, match="lent to `dncd line test lathe`"),
                line_for(shop.state, "lathe", "dncd line find lathe"),
            ):
                pass
            assert "lent to `dncd line test lathe`" in shop.dncd("go", "lathe").stderr


def test_a_machine_that_the_service_does_not_know_is_free(tmp_path):
    control = StandIn(build())
    with (
        Yard(control),
        house(tmp_path, lathe=machine(control)) as shop,
        line_for(shop.state, "mill", "dncd line test mill"),
    ):
        assert status(shop)["state"] == "listening"
    with line_for(shop.state, "lathe", "dncd line test lathe"):
        pass  # no service: free to be opened


def test_a_watcher_sees_both_ways_and_takes_nothing(tmp_path):
    control = StandIn(build(baud=19200))
    with Yard(control), house(tmp_path, lathe=machine(control, baud=19200, start="dc1")) as shop:
        with StreamRequest(shop.state, {"do": "watch", "machine": "lathe"}) as watcher:
            assert watcher.content["state"] == "listening"
            shop.drop("lathe", "a.nc", text(["O0001", "M30"]))
            until(lambda: status(shop)["state"] == "waiting")
            control.read_in()
            assert shop.receipt("lathe", "sent", "a.nc").get("result") == "sent"
            assert control.wait_for(lambda: "O0001" in control.memory.programs, 120)
            control.punch("O0001")
            assert shop.receipt("lathe", "from-machine", "O0001.nc").get("result") == "received"
            came = lines_of(watcher, lambda came: came.count(" A5") >= 4)
        words = [line.split(" ") for line in came.splitlines()]
        to_control = bytes(int(b, 16) for w in words if w[1] == ">" for b in w[2:])
        assert to_control == bytes(b | (b.bit_count() % 2) << 7 for b in b"%\nO0001\nM30\n%\n")
        from_control = bytes(int(b, 16) for w in words if w[1] == "<" for b in w[2:])
        assert from_control[:1] == b"\x11"
        assert b"\xcf\x30\x30\x30\xb1" in from_control  # O0001 with even parity, as ISO 840 has it
        times = [float(w[0]) for w in words]
        assert times == sorted(times)


@pytest.mark.slow
def test_a_watcher_that_takes_nothing_never_slows_the_line(tmp_path):
    """While it takes nothing at all, whole programs go out, more than its connection has room for; what it has no room for
    is counted (`test_news_are_bounded_and_say_what_was_dropped`)."""
    control = StandIn(build(baud=115200))
    with Yard(control), house(tmp_path, lathe=machine(control, baud=115200, start="now")) as shop:
        with StreamRequest(shop.state, {"do": "watch", "machine": "lathe"}):
            for n in range(6):
                shop.drop("lathe", f"{n}.nc", text(LONG))
            for n in range(6):
                assert shop.receipt("lathe", "sent", f"{n}.nc").get("result") == "sent"
        until(lambda: status(shop)["state"] == "listening")


def test_news_are_bounded_and_say_what_was_dropped():
    woken, news = [], WatchQueue(most=1000)
    news.bind(lambda: woken.append(1))
    for n in range(100):
        news.put({"lines": f"{n:040d}"})
    taken = news.take().splitlines()
    assert sum(map(len, taken[:-1])) <= 1000
    assert json.loads(taken[-1]) == {"dropped": 100 - (len(taken) - 1)}
    assert len(woken) == 2  # once when bound, once for the first of the hundred
    news.put({"lines": "again"})
    assert json.loads(news.take()) == {"lines": "again"}
    assert news.take() == b""


@contextlib.contextmanager
def lasting_server(state):
    ended, news = [], WatchQueue(most=100_000)

    def handle(request):
        if request["do"] == "hold":
            return StreamReply({"pid": request["peer"]}, lambda: ended.append(request), news)
        if request["do"] == "no":
            raise UsageError("no", "here", "Ask otherwise")
        return {"said": request["do"]}

    with CommandServer(state, handle) as server:
        yield server, ended, news


def test_a_lasting_connection_has_its_answer_its_news_and_its_end(tmp_path):
    with lasting_server(tmp_path) as (_, ended, news):
        with StreamRequest(tmp_path, {"do": "hold"}) as held:
            assert held.content == {"pid": os.getpid()}
            for n in range(1000):
                news.put({"lines": f"{n} " + "x" * 50})
            came = lines_of(held, lambda came: "999 " in came)
            assert came.count("x" * 50) == 1000
            assert ask(tmp_path, {"do": "status"}) == {"said": "status"}
            assert not ended
        until(lambda: len(ended) == 1)
        with pytest.raises(DncdError, match="no"):
            StreamRequest(tmp_path, {"do": "no"})


def test_news_that_come_with_the_answer_are_there(tmp_path):
    with lasting_server(tmp_path) as (_, _ended, news):
        news.put({"lines": "before"})
        with StreamRequest(tmp_path, {"do": "hold"}) as held:
            assert lines_of(held, lambda came: came == "before") == "before"


def test_the_end_of_the_service_is_told_to_who_holds_and_is_no_end_of_a_loan(tmp_path):
    with lasting_server(tmp_path) as (_, ended, _news):
        held = StreamRequest(tmp_path, {"do": "hold"})
    with held, pytest.raises(NoServiceError):
        held.news()
    assert ended == []
    with pytest.raises(NoServiceError):
        StreamRequest(tmp_path, {"do": "hold"})


def test_lasting_connections_are_never_dropped_for_idleness_or_room(tmp_path, monkeypatch):
    monkeypatch.setattr("dncd.outside.command_server.IDLE_S", 0.05)
    monkeypatch.setattr("dncd.outside.command_server.MOST_CLIENTS", 3)
    with lasting_server(tmp_path) as (_, ended, _news), contextlib.ExitStack() as stack:
        held = stack.enter_context(StreamRequest(tmp_path, {"do": "hold"}))
        idle = stack.enter_context(socket.socket(socket.AF_UNIX, socket.SOCK_STREAM))
        idle.connect(str(tmp_path / "dncd.sock"))
        idle.settimeout(60)
        assert idle.recv(1) == b""  # the idle one was dropped
        for _ in range(20):
            assert ask(tmp_path, {"do": "status"}) == {"said": "status"}
        assert held.news() == []
        stack.enter_context(StreamRequest(tmp_path, {"do": "hold"}))
        stack.enter_context(StreamRequest(tmp_path, {"do": "hold"}))
        # no room at all: told, and nobody is thrown out
        with pytest.raises(DncdError, match="3 commands follow or watch a line or have borrowed one"):
            ask(tmp_path, {"do": "status"})
        assert ended == []


def test_watchers_leave_room_for_commands_and_a_full_house_says_that(tmp_path, monkeypatch):
    monkeypatch.setattr("dncd.outside.command_server.MOST_LASTING", 2)
    with lasting_server(tmp_path) as (_, _ended, _news), contextlib.ExitStack() as stack:
        for _ in range(2):
            stack.enter_context(StreamRequest(tmp_path, {"do": "hold"}))
        with pytest.raises(DncdError, match="2 commands follow or watch a line or have borrowed one"):
            StreamRequest(tmp_path, {"do": "hold"})
        assert ask(tmp_path, {"do": "status"}) == {"said": "status"}


def test_what_is_no_dncd_is_said(tmp_path):
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        listener.bind(str(tmp_path / "dncd.sock"))
        listener.listen()
        with pytest.raises(NotDoneError, match=r"did not answer within 0\.05 s"):
            StreamRequest(tmp_path, {"do": "lend"}, timeout=0.05)


def test_a_start_that_was_forgotten_starts_nothing_and_a_line_must_be_seen_off_first():
    starts = Starts(SendSettings(start_on=StartOn.CTS))
    on, off = Modem(cts=Signal.ON), Modem(cts=Signal.OFF)
    starts.modem(on, 0.0)
    assert starts.allows(0.0, 0.0)
    starts.forget()
    starts.modem(on, 0.0)  # a loopback plug holds CTS on
    assert not starts.allows(0.0, 1.0)
    starts.modem(off, 0.0)
    starts.modem(on, 0.0)
    assert starts.allows(0.0, 2.0)
    go = Starts(SendSettings(start_on=StartOn.GO))
    go.go()
    go.forget()
    assert not go.allows(0.0, 0.0)


def test_a_port_that_came_while_the_line_was_lent_is_given_back(tmp_path):
    """The service tries an absent port again; a loan made while it opens gets the port all the same."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    path = tmp_path / "port"
    line = {"port": str(path), "baud": 9600, "frame": "7E1"}
    with house(tmp_path, lathe={"line": line}) as shop:
        assert status(shop)["state"] == "no-port"
        with line_for(shop.state, "lathe", "dncd line find lathe"):
            path.symlink_to(os.ttyname(slave))
            until(lambda: status(shop)["state"] == "lent")
        until(lambda: status(shop)["state"] == "listening")
    os.close(master)
    os.close(slave)
