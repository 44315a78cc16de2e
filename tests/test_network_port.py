"""Device servers: settings confirmed, lines crossed, faults told, and servers that refuse, keep silent or die."""

import select
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing
from functools import partial

import pytest
from device_servers import DEADLINE_S, DeviceServer, wait_for

from dncd import defaults
from dncd.choices import ModemLine
from dncd.errors import PortError, PortGoneError
from dncd.line import telnet
from dncd.ports.network_port import Rfc2217Port
from dncd.ports.opening import open_port
from dncd.ports.port import Port
from dncd.values import Counters, Frame, LineSettings, Signal


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    """Closes what a test opened, however it ends."""
    with ExitStack() as made:
        yield made


@pytest.fixture
def server(stack: ExitStack) -> DeviceServer:
    return stack.enter_context(closing(DeviceServer(telnet=True)))


def line(server: DeviceServer, frame: str = "7E2", baud: int = 4800) -> LineSettings:
    return LineSettings(server.url, baud, Frame.parse(frame))


def look(port: Port) -> None:
    """One round of a loop: wait for something, read it."""
    select.select([port.fileno()], [], [], 0.05)
    port.read()


@pytest.mark.parametrize(
    ("frame", "bits", "parity", "stop"),
    [("7E2", 8, "N", 2), ("7O1", 8, "N", 1), ("8N1", 8, "N", 1), ("8E1", 8, "E", 1), ("5N1.5", 5, "N", 1.5)],
)
def test_settings_reach_the_server(
    server: DeviceServer, frame: str, bits: int, parity: str, stop: float, stack: ExitStack
) -> None:
    stack.enter_context(closing(open_port(line(server, frame))))
    cable = server.cable
    assert (cable.baudrate, cable.bytesize, cable.parity, cable.stopbits) == (4800, bits, parity, stop)
    assert (cable.xonxoff, cable.rtscts, cable.rts, cable.dtr) == (False, False, True, True)
    assert server.manager
    wait_for(lambda: server.manager.linstate_mask == telnet.LINE_FAULTS)
    wait_for(lambda: server.manager.modemstate_mask == 255)


def test_a_rate_that_the_server_does_not_take_is_an_error_at_start(server: DeviceServer) -> None:
    with pytest.raises(PortError, match="230400") as error:
        open_port(line(server, "8N1", 230400))
    assert "9600" in error.value.what


@pytest.mark.parametrize(("frame", "what"), [("8N1.5", "1.5 stop bits"), ("5N2", "1.5 stop bits")])
def test_stop_bits_that_no_uart_makes_are_refused(server: DeviceServer, frame: str, what: str) -> None:
    with pytest.raises(PortError, match=what):
        open_port(line(server, frame))


@pytest.mark.parametrize("frame", ["8E1", "7N1", "8O2"])
def test_a_plain_socket_cannot_promise_parity(frame: str) -> None:
    with pytest.raises(PortError, match="socket"):
        open_port(LineSettings("socket://127.0.0.1:9", 4800, Frame.parse(frame)))


@pytest.mark.parametrize(
    "url", ["socket://", "socket://host", "rfc2217://:4001", "socket://h:x", "rfc2217://h:70000", "socket://h:1/x?y"]
)
def test_an_address_that_is_none_is_an_error_at_start(url: str) -> None:
    with pytest.raises(PortError, match="://host:port"):
        open_port(LineSettings(url, 4800, Frame.parse("7E2")))


def test_nobody_there_is_a_port_that_is_absent() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        with pytest.raises(PortGoneError, match="no connection"):
            open_port(LineSettings(f"rfc2217://127.0.0.1:{taken.getsockname()[1]}"))


def test_a_server_that_says_nothing_is_told_as_that(monkeypatch: pytest.MonkeyPatch, stack: ExitStack) -> None:
    monkeypatch.setattr(defaults, "CONFIRM_S", 0.2)
    silent = stack.enter_context(closing(DeviceServer(telnet=True, silent=True)))
    with pytest.raises(PortGoneError, match=r"did not agree to RFC 2217 within 0\.2 s"):
        open_port(line(silent))


def test_parity_by_the_server_needs_its_notices(monkeypatch: pytest.MonkeyPatch, stack: ExitStack) -> None:
    monkeypatch.setattr(defaults, "CONFIRM_S", 0.2)
    plain = stack.enter_context(closing(DeviceServer(telnet=True, confirms_masks=False)))
    with pytest.raises(PortGoneError) as caught:
        open_port(line(plain, "8E1"))
    assert "does not tell line faults" in caught.value.what
    assert "8E1" in caught.value.what
    assert "7E1 or 7E2" in caught.value.next_step
    assert "power" not in caught.value.next_step, "nothing is wrong with its power or address"
    stack.enter_context(closing(open_port(line(plain, "7E2"))))  # dncd's own parity needs no notice


def test_a_server_that_speaks_no_telnet_option_is_an_error_at_start() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        listener.settimeout(DEADLINE_S)
        url = f"rfc2217://127.0.0.1:{listener.getsockname()[1]}"
        refusals = bytes.fromhex("fffe2c fffe00 fffc00".replace(" ", ""))

        def serve() -> None:
            connection, _ = listener.accept()
            with connection:
                connection.settimeout(DEADLINE_S)
                connection.sendall(refusals)
                while connection.recv(100):
                    pass

        thread = threading.Thread(target=serve)
        thread.start()
        with pytest.raises(PortError, match="does not speak RFC 2217"):
            open_port(LineSettings(url))
        thread.join()


def test_lines_crossed_held_and_released(server: DeviceServer, stack: ExitStack) -> None:
    port = stack.enter_context(closing(open_port(line(server))))
    control = server.cable
    for looks in (1, 4):
        for attribute, name in (("control_rts", "cts"), ("control_dtr", "dsr")):
            wait_for(lambda n=name: getattr(port.modem(), n) is Signal.ON, step=lambda: look(port))
            setattr(control, attribute, False)
            server.look_at_lines()
            wait_for(lambda n=name: getattr(port.modem(), n) is Signal.OFF, step=lambda: look(port))
            for _ in range(looks):
                look(port)
                assert getattr(port.modem(), name) is Signal.OFF
            setattr(control, attribute, True)
            server.look_at_lines()
            wait_for(lambda n=name: getattr(port.modem(), n) is Signal.ON, step=lambda: look(port))
    for switch, seen in ((partial(port.switch, ModemLine.RTS), "rts"), (partial(port.switch, ModemLine.DTR), "dtr")):
        for on in (Signal.OFF, Signal.ON, Signal.OFF, Signal.ON):  # quick changes: old answers must not confuse
            switch(on)
        switch(Signal.OFF)
        wait_for(lambda s=seen: not getattr(control, s), step=lambda: look(port))
        switch(Signal.ON)
        wait_for(lambda s=seen: getattr(control, s), step=lambda: look(port))


def test_faults_are_counted_beside_the_data(server: DeviceServer, stack: ExitStack) -> None:
    port = stack.enter_context(closing(open_port(line(server, "8E1"))))
    port.read()
    server.send_raw(b"AB" + telnet.command(106, b"\x04") + b"C" + telnet.command(106, b"\x0e") + b"D")
    data, faults = b"", Counters()
    until = time.monotonic() + DEADLINE_S
    while len(data) < 4 and time.monotonic() < until:
        select.select([port.fileno()], [], [], 0.1)
        reading = port.read()
        data, faults = data + reading.data, faults + reading.notices
        assert reading.bad == ()
    assert data == b"ABCD"
    assert faults == Counters(overruns=1, framing=1, parity=2, breaks=0)
    assert port.read().notices == Counters()


def test_nothing_is_handed_over_while_the_server_suspends(server: DeviceServer, stack: ExitStack) -> None:
    port = stack.enter_context(closing(open_port(line(server))))
    assert isinstance(port, Rfc2217Port)
    assert port.write(b"one") == 3
    server.send_raw(telnet.command(108, b""))
    wait_for(lambda: port.write(b"") == 0 and port.suspended(), step=lambda: look(port))
    assert port.write(b"two") == 0
    port.switch(ModemLine.RTS, Signal.OFF)  # commands wait as well
    assert not port.pending_write()
    wait_for(lambda: bytes(server.got) == b"one")
    assert server.cable.rts
    server.send_raw(telnet.command(109, b""))
    wait_for(lambda: port.write(b"two") == 3, step=lambda: look(port))
    wait_for(lambda: bytes(server.got) == b"onetwo")
    assert not server.cable.rts


def test_a_server_that_changes_the_line_by_itself_is_not_trusted_further(
    server: DeviceServer, stack: ExitStack
) -> None:
    port = stack.enter_context(closing(open_port(line(server))))
    server.send_raw(telnet.command(101, (300).to_bytes(4, "big")))

    with pytest.raises(PortGoneError, match="baud rate"):
        wait_for(lambda: False, step=lambda: look(port))


@pytest.mark.parametrize("telnet_end", [True, False])
def test_killed_in_the_middle_and_restarted(telnet_end: bool, stack: ExitStack) -> None:
    server = stack.enter_context(closing(DeviceServer(telnet=telnet_end)))
    port = stack.enter_context(closing(open_port(line(server))))
    assert port.write(b"N10 G00 X1\n") == 11
    wait_for(lambda: len(server.got) == 11)
    server.kill()

    with pytest.raises(PortGoneError):
        wait_for(lambda: False, step=lambda: look(port))
    with pytest.raises(PortGoneError):
        open_port(line(server))
    server.got.clear()
    server.restart()
    port = stack.enter_context(closing(open_port(line(server))))
    assert port.write(b"N30\n") == 4
    wait_for(lambda: bytes(server.got) == b"N30\n")
