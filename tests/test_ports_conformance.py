"""What every kind of port does alike; what a kind cannot do is listed in GAPS, and that too is tested."""

import contextlib
import os
import pty
import select
import threading
import time
from collections.abc import Callable, Iterator

import pytest
from device_servers import DEADLINE_S, DeviceServer, wait_for
from fakes import FakePort

from dncd.choices import ModemLine
from dncd.errors import PortGoneError
from dncd.ports.opening import open_port
from dncd.ports.port import Port, Reading
from dncd.ports.serial_port import TtyPort
from dncd.ports.tap import TappedPort
from dncd.values import Counters, Frame, LineSettings, Modem, Signal

EVERY = bytes(range(256)) * 4 + b"\xff\x00\xff\xff\x00\x13\x93\x11\r\n"

GAPS = {
    "fake": set(),
    "pty": {"modem", "switch", "outgoing", "counters"},
    "socket": {"modem", "switch", "outgoing", "counters"},
    "rfc2217": {"outgoing", "counters"},
}
"""What a kind of port cannot tell or do. (A pty says 0 to TIOCOUTQ, ENOTTY to TIOCMGET and TIOCGICOUNT: measured.)"""


class Rig:
    """A port and the control at its far end."""

    kind = ""

    def __init__(self) -> None:
        self.opened: list[Port] = []

    def port(self, early: bytes = b"") -> Port:
        """Open it; it is closed when the test ends, however it ends."""
        self.opened.append(self.open(early))
        return self.opened[-1]

    def open(self, early: bytes = b"") -> Port:
        raise NotImplementedError

    def send(self, data: bytes) -> None:
        raise NotImplementedError

    def got(self) -> bytes:
        """All that reached the control so far."""
        raise NotImplementedError

    def stop_reading(self) -> None:
        raise NotImplementedError

    def go_on_reading(self) -> None:
        raise NotImplementedError

    def vanish(self) -> None:
        raise NotImplementedError

    def drop_cts(self) -> None:
        raise NotImplementedError

    def sees_rts(self) -> bool:
        raise NotImplementedError

    def close(self) -> None:
        pass


class FakeRig(Rig):
    kind = "fake"

    def open(self, early: bytes = b"") -> Port:
        self.fake = FakePort()
        self.fake.count, self.fake.faults = 0, Counters()
        if early:
            self.fake.feed(early)
        return self.fake

    def send(self, data: bytes) -> None:
        self.fake.feed(data)

    def got(self) -> bytes:
        return bytes(self.fake.written)

    def stop_reading(self) -> None:
        self.fake.room = 100

    def go_on_reading(self) -> None:
        self.fake.room = None

    def vanish(self) -> None:
        self.fake.vanish()

    def drop_cts(self) -> None:
        self.fake.lines = Modem(cts=Signal.OFF, dsr=Signal.ON, dcd=Signal.ON)

    def sees_rts(self) -> bool:
        return self.fake.rts is Signal.ON


class PtyRig(Rig):
    kind = "pty"

    def __init__(self) -> None:
        super().__init__()
        self.master, self.slave = pty.openpty()
        os.set_blocking(self.master, False)
        self.read: bytes = b""
        self.reading = True

    def open(self, early: bytes = b"") -> Port:
        os.write(self.master, early)
        port = open_port(LineSettings(os.ttyname(self.slave), 9600, Frame.parse("8N1")))
        os.close(self.slave)
        self.slave = -1
        return port

    def send(self, data: bytes) -> None:
        while data:
            _, free, _ = select.select([], [self.master], [], DEADLINE_S)
            assert free
            data = data[os.write(self.master, data) :]

    def got(self) -> bytes:
        while self.reading and select.select([self.master], [], [], 0)[0]:
            self.read += os.read(self.master, 65536)
        return self.read

    def stop_reading(self) -> None:
        self.reading = False

    def go_on_reading(self) -> None:
        self.reading = True

    def vanish(self) -> None:
        os.close(self.master)
        self.master = -1

    def close(self) -> None:
        for fd in (self.master, self.slave):
            if fd >= 0:
                os.close(fd)


class ServerRig(Rig):
    def __init__(self, *, telnet: bool) -> None:
        super().__init__()
        self.kind = "rfc2217" if telnet else "socket"
        self.server = DeviceServer(telnet=telnet)

    def open(self, early: bytes = b"") -> Port:
        self.server.greet(early)
        port = open_port(LineSettings(self.server.url, 9600, Frame.parse("7E2")))
        wait_for(lambda: self.server.connected)
        return port

    def send(self, data: bytes) -> None:
        self.server.send(data)

    def got(self) -> bytes:
        return bytes(self.server.got)

    def stop_reading(self) -> None:
        self.server.pause(reading=False)

    def go_on_reading(self) -> None:
        self.server.pause(reading=True)

    def vanish(self) -> None:
        self.server.drop()

    def drop_cts(self) -> None:
        self.server.cable.control_rts = False
        self.server.look_at_lines()

    def sees_rts(self) -> bool:
        return self.server.cable.rts

    def close(self) -> None:
        self.server.close()


RIGS = {
    "fake": FakeRig,
    "pty": PtyRig,
    "socket": lambda: ServerRig(telnet=False),
    "rfc2217": lambda: ServerRig(telnet=True),
}


@pytest.fixture(params=RIGS)
def rig(request: pytest.FixtureRequest) -> Iterator[Rig]:
    made = RIGS[request.param]()
    assert made.kind == request.param
    yield made
    for port in made.opened:
        port.close()
    made.close()


def read_until(port: Port, length: int) -> bytes:
    """At least `length` bytes, by select and read alone, as the loop does it."""
    data, until = port.read().data, time.monotonic() + DEADLINE_S
    while len(data) < length:
        ready, _, _ = select.select([port.fileno()], [], [], max(0.0, until - time.monotonic()))
        assert ready, f"{len(data)} of {length} bytes came"
        reading = port.read()
        assert reading.bad == ()
        data += reading.data
    return data


def write_all(port: Port, data: bytes) -> None:
    until = time.monotonic() + DEADLINE_S
    while data or port.pending_write():
        assert time.monotonic() < until
        select.select([], [port.fileno()], [], 0.05)
        data = data[port.write(data[:512]) :]


def test_every_value_passes_both_ways(rig: Rig) -> None:
    port = rig.port()
    port.read()
    rig.send(EVERY)
    assert read_until(port, len(EVERY)) == EVERY
    write_all(port, EVERY)
    wait_for(lambda: len(rig.got()) >= len(EVERY))
    assert rig.got() == EVERY


def test_what_waits_at_the_opening_is_kept(rig: Rig) -> None:
    early = b"%\nO0004\xff\x93\n"
    port = rig.port(early)
    assert read_until(port, len(early)) == early


def test_nothing_there_is_an_empty_reading_at_once(rig: Rig) -> None:
    port = rig.port()
    port.read()
    for _ in range(1000):  # one that waited for something would never come to the end
        assert port.read().data == b""


def test_a_full_port_takes_what_fits_and_counts_right(rig: Rig) -> None:
    port = rig.port()
    rig.stop_reading()
    sent, quiet_since = b"", time.monotonic()
    block = bytes(range(256)) * 16
    until = quiet_since + 20
    while time.monotonic() - quiet_since < 0.3:  # full once nothing was taken for a while: networks buffer in steps
        assert time.monotonic() < until
        taken = port.write(block)
        sent += block[:taken]
        if taken:
            quiet_since = time.monotonic()
        else:
            select.select([], [port.fileno()], [], 0.02)
    assert sent
    rig.go_on_reading()
    wait_for(lambda: len(rig.got()) >= len(sent), step=lambda: pushed(port))
    assert rig.got() == sent


def pushed(port: Port) -> None:
    port.write(b"")
    select.select([port.fileno()], [], [], 0.005)


def test_a_port_that_went_away_is_one_error(rig: Rig) -> None:
    port = rig.port()
    port.read()
    rig.vanish()

    assert port.name in trouble(port, port.read).where
    assert port.name in trouble(port, lambda: port.write(b"X")).where


def trouble(port: Port, use: Callable[[], object]) -> PortGoneError:
    """The error that `use` meets within the deadline."""
    until = time.monotonic() + DEADLINE_S
    while time.monotonic() < until:
        try:
            use()
        except PortGoneError as error:
            return error
        select.select([port.fileno()], [], [], 0.01)
    raise AssertionError("the port never went away")


def test_a_closed_port_is_gone_and_closing_twice_is_nothing(rig: Rig) -> None:
    port = rig.port()
    port.close()
    port.close()
    for use in (port.fileno, port.read, lambda: port.write(b"X")):
        with pytest.raises(PortGoneError):
            use()


CALLS: dict[str, Callable[[Port], object]] = {
    "fileno": lambda port: port.fileno(),
    "read": lambda port: port.read(),
    "read_new": lambda port: port.read_new(),
    "put_back": lambda port: port.put_back(Reading(b"A")),
    "write": lambda port: [port.write(piece) for piece in (b"X", b"")],
    "pending_write": lambda port: port.pending_write(),
    "suspended": lambda port: port.suspended(),
    "outgoing": lambda port: port.outgoing(),
    "settled": lambda port: port.settled(),
    "modem": lambda port: port.modem(),
    "switch": lambda port: [port.switch(line, on) for line in ModemLine for on in (Signal.OFF, Signal.ON)],
    "counters": lambda port: port.counters(),
    "close": lambda port: port.close(),
}


def test_no_call_of_a_port_is_left_out() -> None:
    assert {name for name in vars(Port) if not name.startswith("_")} == set(CALLS)


@pytest.mark.parametrize("tapped", [False, True], ids=["bare", "watched"])
@pytest.mark.parametrize("call", CALLS)
def test_a_port_may_go_away_at_each_call_and_no_other_error_escapes(rig: Rig, call: str, tapped: bool) -> None:
    """Gone without a word, then known to be gone, then closed: each call answers or raises PortGoneError."""
    port = rig.port()
    port.read()
    port = TappedPort(port, lambda _: None, time.monotonic) if tapped else port
    rig.vanish()
    gone_at_most(port, call)
    trouble(rig.opened[-1], rig.opened[-1].read_new)
    gone_at_most(port, call)
    gone_at_most(port, call)
    port.close()
    for _ in range(2):
        gone_at_most(port, call)


def gone_at_most(port: Port, call: str) -> None:
    with contextlib.suppress(PortGoneError):
        CALLS[call](port)


@pytest.mark.parametrize("call", CALLS)
def test_a_serial_port_whose_driver_answers_nothing_more_is_gone(call: str) -> None:
    """A pseudo-terminal refuses what a UART's driver answers (ENOTTY), as a driver does whose adaptor was pulled."""
    rig = PtyRig()
    port = rig.port()
    try:
        assert isinstance(port, TtyPort)
        port._has_modem = port._has_counters = port._has_count = True
        gone_at_most(port, call)
        if call in ("modem", "counters", "switch"):
            with pytest.raises(PortGoneError, match="went away"):
                CALLS[call](port)
        assert TappedPort(port, lambda _: None, time.monotonic).inner is port  # to begin to watch it raises nothing
    finally:
        port.close()
        rig.close()


def test_what_came_before_the_end_is_still_read(rig: Rig) -> None:
    port = rig.port()
    port.read()
    rig.send(b"M30\n%\n")
    if rig.kind != "pty":  # a pty forgets what was not read when its far end closes
        rig.vanish()
    assert read_until(port, 6) == b"M30\n%\n"


def test_the_far_end_wakes_select(rig: Rig) -> None:
    port = rig.port()
    port.read()
    wait_for(lambda: not select.select([port.fileno()], [], [], 0)[0], step=lambda: port.read() and None)
    sender = threading.Timer(0.05, lambda: rig.send(b"\x11"))
    sender.start()
    ready, _, _ = select.select([port.fileno()], [], [], DEADLINE_S)
    sender.join()
    assert ready
    assert read_until(port, 1) == b"\x11"


def test_modem_lines_are_followed_or_unknown(rig: Rig) -> None:
    port = rig.port()
    port.read()
    if "modem" in GAPS[rig.kind]:
        assert port.modem() == Modem(Signal.UNKNOWN, Signal.UNKNOWN, Signal.UNKNOWN)
    else:
        rig.drop_cts()
        wait_for(lambda: port.modem().cts is Signal.OFF, step=lambda: port.read() and None)
        assert port.modem().dsr is Signal.ON


def test_rts_is_on_from_the_opening_and_follows(rig: Rig) -> None:
    port = rig.port()
    if "switch" in GAPS[rig.kind]:
        port.switch(ModemLine.RTS, Signal.OFF)
        port.switch(ModemLine.DTR, Signal.ON)
        assert port.modem() == Modem()
    else:
        wait_for(rig.sees_rts)
        port.switch(ModemLine.RTS, Signal.OFF)
        wait_for(lambda: not rig.sees_rts())
        port.switch(ModemLine.RTS, Signal.ON)
        wait_for(rig.sees_rts)


def test_counts_are_told_or_none(rig: Rig) -> None:
    port = rig.port()
    assert (port.outgoing() is None) == ("outgoing" in GAPS[rig.kind])
    assert (port.counters() is None) == ("counters" in GAPS[rig.kind])
    assert not port.pending_write()
    assert all(isinstance(note, str) and note for note in port.notes)


def test_what_is_put_back_comes_first(rig: Rig) -> None:
    port = rig.port()
    port.read()
    rig.send(b"B")
    port.put_back(Reading(b"\x12A", (1,)))
    assert port.read() == Reading(b"\x12A", (1,))
    assert read_until(port, 1) == b"B"


def test_a_port_settles_once_the_far_end_has_all(rig: Rig) -> None:
    port = rig.port()
    assert port.looped == {}
    write_all(port, EVERY)
    wait_for(lambda: len(rig.got()) >= len(EVERY))
    wait_for(port.settled)


def test_every_kind_has_its_gaps_written_down() -> None:
    assert set(GAPS) == set(RIGS)
