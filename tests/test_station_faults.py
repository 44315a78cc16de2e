"""A fault of dncd's own on one line ends what that line does, is told, and leaves the line ready to start anew."""

import hashlib
import threading

import pytest
from fakes import FakePort
from station_rig import rig

from dncd.choices import Flow, StartOn
from dncd.errors import NotDoneError, PortGoneError
from dncd.outside.command_server import WatchQueue
from dncd.records import trials
from dncd.station.events import Ask, Wish
from dncd.values import Frame, LineSettings, LineState, MachineSettings, Modem, SendSettings, Signal

BIG = b"%\nO0001\n" + b"X1.5 Z-2.25\n" * 400 + b"M30\n%\n"


class BreakingPort(FakePort):
    """Raises what no port should, from the tenth write on."""

    writes = 0

    def write(self, data):
        self.writes += 1
        if self.writes > 10:
            raise RuntimeError("nobody thought of this")
        return super().write(data)


def test_a_fault_ends_the_sending_and_the_line_starts_anew(tmp_path):
    line = LineSettings("/dev/absent", baud=115200, frame=Frame.parse("8N1"), flow=Flow.NONE)
    settings = MachineSettings("mill", line, send=SendSettings(start_on=StartOn.NOW))
    with rig(tmp_path, settings) as shop:
        shop.plug(BreakingPort())
        shop.drop("0001.nc", BIG)
        shop.until(lambda: shop.ledger("interrupted"))
        (told,) = shop.ledger("interrupted")
        assert "a fault of dncd itself (RuntimeError)" in told["reasons"][0]
        assert 0 < told["chars"] < len(BIG)
        assert told["wire_chars"] == told["chars"]
        assert told["wire_sha256"] == hashlib.sha256(BIG[: told["chars"]]).hexdigest(), "what went over the line"
        assert shop.station.state is LineState.NO_PORT
        assert "nobody thought of this" in shop.said.getvalue()
        shop.plug(FakePort())
        assert shop.station.state is LineState.LISTENING
        shop.drop("0002.nc", b"%\nO0002\nM30\n%\n")
        shop.until(lambda: shop.ledger("sent"))


@pytest.fixture
def shop(tmp_path):
    line = LineSettings("/dev/absent", baud=115200, frame=Frame.parse("8N1"), flow=Flow.NONE)
    with rig(tmp_path, MachineSettings("mill", line, send=SendSettings(start_on=StartOn.NOW))) as made:
        yield made


def test_a_port_that_goes_in_the_instant_in_which_a_loan_ends_is_lost_and_nothing_else(shop):
    shop.plug(FakePort())
    shop.station.tell(Ask(Wish.LEND, "`dncd line test mill` (process 1)"))
    shop.station.tell(Ask(Wish.BACK))
    port = FakePort()
    port.vanish()
    shop.plug(port)
    assert shop.station.state is LineState.NO_PORT
    assert "the port went away" in shop.station.core.port.trouble.what
    late = shop.plug(FakePort())
    late.feed(b"\x11")
    assert shop.station.state is LineState.LISTENING


class UnseenPort(FakePort):
    """Goes at the first look at its modem lines, which a watcher asks for."""

    def modem(self):
        raise self._error()


def test_a_port_that_goes_while_somebody_begins_to_watch_is_lost_and_nothing_else(shop):
    shop.plug(UnseenPort())
    shop.station.watchers.add(WatchQueue())
    shop.station.tap()
    assert shop.station.state is LineState.NO_PORT
    shop.plug(UnseenPort())
    assert shop.station.state is LineState.NO_PORT


def raising(*_):
    raise RuntimeError("nobody thought of this")


def test_a_port_that_fails_to_open_in_an_unforeseen_way_is_tried_again(shop, monkeypatch):
    monkeypatch.setattr("dncd.station.driver.open_for", raising)
    shop.station.tell(Ask(Wish.SERVE))
    shop.until(lambda: shop.station.core.port.trouble and "RuntimeError" in shop.station.core.port.trouble.what)
    came = FakePort()
    monkeypatch.setattr("dncd.station.driver.open_for", lambda _: came)
    shop.skip(10.0)
    shop.until(lambda: shop.station.port is came)


def test_a_fault_over_the_result_of_a_job_stays_on_its_line(shop, monkeypatch):
    shop.plug(FakePort())
    monkeypatch.setattr(shop.station.core.sender.queue, "ready", raising)
    shop.drop("0001.nc", b"%\nO0001\nM30\n%\n")
    shop.until(lambda: shop.station.core.port.trouble and "RuntimeError" in shop.station.core.port.trouble.what)
    assert shop.loop.failure is None


def test_a_command_that_fails_in_an_unforeseen_way_is_answered_and_stays_on_its_line(shop, monkeypatch):
    shop.plug(FakePort())
    monkeypatch.setattr(shop.station.core.sender, "go", raising)
    with pytest.raises(NotDoneError, match="RuntimeError"):
        shop.station.answer({"do": "go"})
    assert shop.station.state is LineState.NO_PORT
    assert shop.loop.failure is None
    shop.plug(FakePort())
    assert shop.station.state is LineState.LISTENING


class UnreadablePort(FakePort):
    """Raises what no port should when it is read, or closed."""

    def read(self):
        raise ValueError("nobody thought of this either")


def test_a_port_that_fails_while_it_is_taken_over_is_given_back_and_tried_again(shop, monkeypatch):
    port, came = UnreadablePort(), FakePort()
    shop.plug(port)
    assert "ValueError" in shop.station.core.port.trouble.what
    with pytest.raises(PortGoneError):
        port.fileno()  # it is closed
    monkeypatch.setattr("dncd.station.driver.open_for", lambda _: came)
    shop.skip(10.0)
    shop.until(lambda: shop.station.port is came)
    assert shop.loop.failure is None


def test_what_a_job_gave_is_not_lost_over_a_port_that_fails_at_the_same_time(shop):
    """A write fails in an unforeseen way just when the end of a sending is given to the records."""
    shop.plug(BreakingPort())
    shop.drop("0001.nc", BIG)
    shop.until(lambda: shop.ledger("interrupted"))
    shop.until(lambda: not shop.station.busy)
    shop.plug(FakePort())
    shop.drop("0002.nc", b"%\nO0002\nM30\n%\n")
    shop.until(lambda: shop.ledger("sent"))


def test_a_new_station_reads_its_trials_in_another_thread(tmp_path, monkeypatch):
    threads = []
    real = trials.latest
    monkeypatch.setattr(
        trials, "latest", lambda *given: threads.append(threading.current_thread().name) or real(*given)
    )
    with rig(tmp_path, MachineSettings("mill", LineSettings("/dev/absent", frame=Frame.parse("8N1")))) as shop:
        shop.until(lambda: threads)
    assert threads == ["dncd-records"]


@pytest.fixture
def slow_line(tmp_path):
    line = LineSettings("/dev/absent", baud=9600, frame=Frame.parse("8N1"))
    with rig(tmp_path, MachineSettings("mill", line, send=SendSettings(start_on=StartOn.NOW))) as made:
        yield made


def test_a_device_server_that_suspends_is_shown_as_a_hold_and_counted(slow_line):
    port = slow_line.plug(FakePort())
    slow_line.drop("0001.nc", b"%\nO0001\n" + b"X1.5\n" * 20 + b"M30\n%\n")
    slow_line.until(lambda: port.written)
    port.is_suspended = True
    port.feed(b"")
    slow_line.until(lambda: slow_line.station.state is LineState.HELD)
    gone = len(port.written)
    slow_line.skip(3.0)
    slow_line.loop.once(0.0)
    transfer = slow_line.status()["transfer"]
    assert (len(port.written), transfer["holds"]) == (gone, 1)
    assert transfer["held_for_s"] >= 3.0
    port.is_suspended = False
    port.feed(b"")
    slow_line.until(lambda: slow_line.ledger("sent"))
    (told,) = slow_line.ledger("sent")
    assert (told["holds"], told["held_s"] >= 3.0) == (1, True)


def test_a_stop_that_came_since_the_loop_last_looked_is_heard_before_more_goes(slow_line):
    port = slow_line.plug(FakePort())
    slow_line.drop("0001.nc", b"%\nO0001\n" + b"X1.5\n" * 200 + b"M30\n%\n")
    slow_line.until(lambda: len(port.written) > 20)
    gone = len(port.written)
    port.feed(b"\x13")
    slow_line.skip(0.004)  # a round that serves many lines took so long
    slow_line.station.on_due(slow_line.loop.now())
    assert (slow_line.station.state, len(port.written)) == (LineState.HELD, gone)
    port.feed(b"\x11")


def test_a_line_that_goes_off_is_seen_before_more_goes(tmp_path):
    line = LineSettings("/dev/absent", baud=9600, frame=Frame.parse("8N1"), flow=Flow.RTS_CTS)
    with rig(tmp_path, MachineSettings("mill", line, send=SendSettings(start_on=StartOn.NOW))) as shop:
        port = FakePort()
        port.lines = Modem(cts=Signal.ON)
        shop.plug(port)
        shop.drop("0001.nc", b"%\nO0001\n" + b"X1.5\n" * 100 + b"M30\n%\n")
        shop.until(lambda: len(port.written) > 20)
        port.lines, gone = Modem(cts=Signal.OFF), len(port.written)
        shop.skip(0.004)
        shop.loop.looked_at = shop.loop.now()
        shop.station.on_due(shop.loop.now())
        assert (shop.station.state, len(port.written)) == (LineState.HELD, gone)
        port.lines = Modem(cts=Signal.ON)
        shop.until(lambda: shop.ledger("sent"))


def test_as_long_as_the_control_may_hold_a_part_of_a_program_all_that_waits_of_it_is_warned_of(shop):
    shop.plug(BreakingPort())
    shop.drop("0001.nc", BIG)
    shop.until(lambda: shop.ledger("interrupted"))
    shop.drop("again.nc", BIG)
    shop.until(lambda: shop.status()["next"])
    wanted = "the control may hold a part of O0001 (stopped "
    for said in (shop.status()["next"]["warnings"], shop.status()["warnings"]["again.nc"]):
        assert said[0].startswith(wanted)
        assert said[0].endswith("): delete it there first, or see that the control overwrites it")
    assert shop.station.look_at("new.nc", BIG).warnings[0].startswith(wanted), "what the page says before it is dropped"
    assert shop.station.look_at("other.nc", BIG.replace(b"O0001", b"O0002")).warnings == ()
    shop.plug(FakePort())
    shop.until(lambda: shop.ledger("sent"))
    assert shop.receipt("sent", "again.nc").all("warning")[0].startswith(wanted)
    assert shop.station.look_at("new.nc", BIG).warnings == (), "it holds all of it now"
    shop.until(lambda: not shop.station.busy)
    with pytest.raises(NotDoneError, match=r"too late: again.nc went out whole, .*O0001 is in the control"):
        shop.station.answer({"do": "withdraw", "file": "again.nc"})
    with pytest.raises(NotDoneError, match=r"too late: 0001.nc was stopped in the middle already"):
        shop.station.answer({"do": "withdraw", "file": "0001.nc"})


def test_the_ledger_says_who_stopped_a_sending_on_the_page(shop):
    shop.plug(FakePort(room=40))
    shop.drop("0001.nc", BIG)
    shop.until(lambda: shop.station.core.sender.run and shop.station.core.sender.run.written)
    shop.station.answer({"do": "withdraw", "file": "0001.nc", "by": "Bert Bring"})
    shop.until(lambda: shop.ledger("interrupted"))
    said = "stopped by Bert Bring on the page while it was being sent"
    assert said in shop.ledger("interrupted")[0]["reasons"][0]
    assert said in shop.receipt("refused", "0001.nc").get("reason")
