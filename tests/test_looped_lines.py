"""A three-wire cable that ties RTS to CTS (DTR to DSR) in its plug is found when the port opens, and harms no other."""

import os
from collections.abc import Iterator
from contextlib import ExitStack, closing
from pathlib import Path

import pytest
from device_servers import DeviceServer, wait_for
from fakes import FakePort

from dncd import defaults
from dncd.choices import Flow, ModemLine, StartOn
from dncd.errors import PortError, PortGoneError
from dncd.ports import opening
from dncd.ports.opening import looped_lines, open_for
from dncd.ports.port import Reading
from dncd.values import Frame, LineSettings, MachineSettings, Modem, SendSettings, Signal

ON, OFF = Signal.ON, Signal.OFF


def machine(flow: Flow, start_on: StartOn = StartOn.NOW, port: str = "/dev/ttyS9") -> MachineSettings:
    line = LineSettings(port, 4800, Frame.parse("7E2"), flow=flow)
    return MachineSettings("gang-lathe", line, send=SendSettings(start_on=start_on))


class Plug(FakePort):
    """A port whose cable ties lines together, or whose control switches its own when it pleases."""

    def __init__(self, ties: str = "", lines: Modem | None = None) -> None:
        super().__init__()
        self.ties = ties
        self.lines = lines if lines is not None else Modem(ON, ON, ON)
        self.then: list[Modem] = []
        self.says_when_held = b""

    def switch(self, line: ModemLine, on: Signal) -> None:
        super().switch(line, on)
        ours = line.value.lower()
        if self.says_when_held and on is OFF:
            self.feed(self.says_when_held)
        if self.then:
            self.lines = self.then.pop(0)
        if ours in self.ties:
            cts, dsr = (on, self.lines.dsr) if ours == "rts" else (self.lines.cts, on)
            self.lines = Modem(cts, dsr, self.lines.dcd)


class GoneInBetween(Plug):
    """An adaptor that is pulled out between its opening and the first look at its lines."""

    def modem(self) -> Modem:
        raise PortGoneError("it went away", "port /dev/ttyS9", "Look at the cable")


def test_a_port_that_goes_while_it_is_opened_is_given_back(monkeypatch: pytest.MonkeyPatch) -> None:
    port = GoneInBetween()
    listened = port.fileno()
    monkeypatch.setattr(opening, "open_port", lambda _line: port)
    with pytest.raises(PortGoneError):
        open_for(machine(Flow.RTS_CTS))
    with pytest.raises(OSError, match="Bad file descriptor"):
        os.fstat(listened)


def test_a_port_without_the_line_is_refused_and_given_back() -> None:
    ours, theirs = os.openpty()  # a terminal has no modem lines
    try:
        before = len([*Path("/proc/self/fd").iterdir()])
        with pytest.raises(PortError, match="no line CTS, which rts/cts needs"):
            open_for(machine(Flow.RTS_CTS, port=os.ttyname(theirs)))
        assert len([*Path("/proc/self/fd").iterdir()]) == before
    finally:
        os.close(ours)
        os.close(theirs)


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(defaults, "LOOKS_FOR_LOOP_S", 0.01)
    monkeypatch.setattr(defaults, "LOOKS_FOR_LOOP_NET_S", 0.1)


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    with ExitStack() as made:
        yield made


LOOPS = [
    (Flow.RTS_CTS, StartOn.NOW, "rts", {"CTS"}),
    (Flow.DTR_DSR, StartOn.NOW, "dtr", {"DSR"}),
    (Flow.XON_XOFF, StartOn.CTS, "rts dtr", {"CTS"}),
    (Flow.XON_XOFF, StartOn.DSR, "rts dtr", {"DSR"}),
    (Flow.RTS_CTS, StartOn.DSR, "rts dtr", {"CTS", "DSR"}),
    (Flow.RTS_CTS, StartOn.DSR, "rts", {"CTS"}),
    (Flow.RTS_CTS, StartOn.NOW, "dtr", set()),
    (Flow.XON_XOFF, StartOn.DC1, "rts dtr", set()),
    (Flow.NONE, StartOn.GO, "rts dtr", set()),
]


@pytest.mark.parametrize(("flow", "start_on", "ties", "found"), LOOPS)
@pytest.mark.usefixtures("quick")
def test_only_what_the_settings_need_is_tried(flow: Flow, start_on: StartOn, ties: str, found: set[str]) -> None:
    with closing(Plug(ties)) as port:
        looped = looped_lines(port, machine(flow, start_on))
        assert set(looped) == found
        for line, sentence in looped.items():
            assert f"looped back to {line}" in sentence
            assert "wire" in sentence
        assert (port.rts, port.dtr) == (ON, ON)
        if flow in (Flow.XON_XOFF, Flow.NONE) and start_on in (StartOn.DC1, StartOn.GO):
            assert port.switched == []


@pytest.mark.usefixtures("quick")
def test_a_control_with_its_own_lines_sees_one_short_pause_and_no_more() -> None:
    with closing(Plug()) as port:
        assert looped_lines(port, machine(Flow.RTS_CTS)) == {}
        assert port.switched == [("rts", OFF), ("rts", ON)]


@pytest.mark.usefixtures("quick")
def test_a_control_that_is_off_or_says_stop_is_not_tried() -> None:
    for lines in (Modem(OFF, OFF, OFF), Modem()):
        with closing(Plug(lines=lines)) as port:
            assert looped_lines(port, machine(Flow.RTS_CTS)) == {}
            assert OFF not in [on for _, on in port.switched]


@pytest.mark.usefixtures("quick")
def test_a_control_that_switches_once_by_chance_is_no_loop() -> None:
    with closing(Plug()) as port:
        port.then = [Modem(OFF, ON, ON), Modem(ON, ON, ON), Modem(ON, ON, ON)]
        assert looped_lines(port, machine(Flow.RTS_CTS)) == {}
        assert port.rts is ON


@pytest.mark.usefixtures("quick")
def test_nothing_is_tried_while_something_comes_in_and_nothing_of_it_is_lost() -> None:
    with closing(Plug("rts")) as port:
        port.feed(b"\x12%\n", bad=(1,))
        assert looped_lines(port, machine(Flow.RTS_CTS)) == {}
        assert OFF not in [on for _, on in port.switched]
        assert port.read() == Reading(b"\x12%\n", (1,))


@pytest.mark.usefixtures("quick")
def test_what_comes_in_the_middle_ends_the_try_at_once_with_rts_on() -> None:
    with closing(Plug()) as port:
        port.says_when_held = b"\x11"
        assert looped_lines(port, machine(Flow.RTS_CTS)) == {}
        assert port.switched == [("rts", OFF), ("rts", ON)]
        assert port.read() == Reading(b"\x11")


@pytest.mark.usefixtures("quick")
def test_a_port_that_goes_away_meanwhile_is_that_error() -> None:
    with closing(Plug("rts")) as port:
        port.vanish()
        with pytest.raises(PortGoneError):
            looped_lines(port, machine(Flow.RTS_CTS))


@pytest.mark.parametrize("looped", [True, False])
@pytest.mark.usefixtures("quick")
def test_behind_a_device_server(looped: bool, stack: ExitStack) -> None:
    """pySerial's own server end, which looks at its lines whenever something came from the network."""
    server = stack.enter_context(closing(DeviceServer(telnet=True)))
    server.cable.ties_rts_to_cts = looped
    port = stack.enter_context(closing(open_for(machine(Flow.RTS_CTS, port=server.url))))
    assert set(port.looped) == ({"CTS"} if looped else set())
    wait_for(lambda: server.cable.rts)
