"""A session drives a hand over a port: when it is called, what it may do, and what becomes of the port."""

import math
import os
import pty
import tty

import pytest
from fakes import FakePort

from dncd.commissioning.recording import Lines, Passed, Way
from dncd.errors import PortBusyError, PortGoneError
from dncd.ports.port import Reading
from dncd.ports.session import LineSession
from dncd.values import Frame, LineSettings, Modem, Signal

EIGHT = Frame.parse("8N1")
LINE = LineSettings("fake", 9600, EIGHT)


class Echoes:
    """Sends what it was given, and is over when as much has come back."""

    def __init__(self, data, due=math.inf):
        self.data, self.came, self.lines, self.turns, self.due = data, b"", [], 0, due
        self.over = False

    def start(self, session, now):
        self.session, self.began = session, now
        session.send(self.data)

    def feed(self, reading, now):
        self.came += reading.data
        self.over = len(self.came) >= len(self.data)

    def modem(self, lines, now):
        self.lines.append(lines)

    def turn(self, now):
        self.turns += 1

    def next_due(self):
        return self.due


class LoopedPort(FakePort):
    """What is written comes back."""

    def write(self, data):
        taken = super().write(data)
        if taken:
            self.feed(data[:taken])
        return taken


def test_what_is_sent_comes_back_and_ends_the_run():
    port = LoopedPort()
    port.lines = Modem(Signal.ON, Signal.OFF, Signal.OFF)
    told = []
    with LineSession(LINE, told.append, lambda _: port) as session:
        hand = Echoes(bytes(range(256)))
        assert session.run(hand, 5)
        assert hand.came == bytes(range(256))
        assert hand.lines[0] == port.lines
    with pytest.raises(PortGoneError):
        port.fileno()  # the session gave it back
    assert [type(entry) for entry in told] == [Lines, Passed, Passed]
    assert [(entry.way, entry.data) for entry in told[1:]] == [
        (Way.TO_CONTROL, bytes(range(256))),
        (Way.FROM_CONTROL, bytes(range(256))),
    ]


def test_a_run_ends_when_its_time_is_up():
    with LineSession(LINE, opening=lambda _: FakePort()) as session:
        hand = Echoes(b"x")
        assert not session.run(hand, 0.05)
        assert hand.turns >= 1


def test_a_pseudo_terminal_that_takes_little_gets_everything():
    master, slave = pty.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    came = bytearray()

    class Far(Echoes):
        def turn(self, now):
            try:
                came.extend(os.read(master, 4096))
            except BlockingIOError:
                return
            self.over = len(came) == len(self.data)

        def next_due(self):
            return self.began  # at once: the far end is served here as well

    with LineSession(LineSettings(os.ttyname(slave), 9600, EIGHT)) as session:
        data = bytes(k % 251 for k in range(100_000))
        assert session.run(Far(data), 20)
    assert bytes(came) == data
    os.close(master)
    os.close(slave)


def test_a_port_that_goes_away_ends_the_run_with_its_error():
    port = FakePort()
    with LineSession(LINE, opening=lambda _: port) as session:
        port.vanish()
        with pytest.raises(PortGoneError):
            session.run(Echoes(b"x"), 5)


def test_tuning_opens_the_port_anew_with_the_outputs_as_they_were():
    opened = []

    def opening(line):
        opened.append((line, FakePort()))
        return opened[-1][1]

    with LineSession(LINE, opening=opening) as session:
        session.set_lines(Signal.OFF, Signal.ON)
        session.tune(4800, EIGHT)
        session.tune(4800, EIGHT)
        assert [line.baud for line, _ in opened] == [9600, 4800]
        assert (opened[1][1].rts, opened[1][1].dtr) == (Signal.OFF, Signal.ON)
        with pytest.raises(PortGoneError):
            opened[0][1].fileno()


def test_the_rate_of_a_plain_socket_is_its_servers():
    opened = []
    with LineSession(
        LineSettings("socket://server:4001", 9600, EIGHT), opening=lambda line: opened.append(line) or FakePort()
    ) as session:
        assert not session.rate_is_ours
        session.tune(300, EIGHT)
    assert len(opened) == 1


def test_a_busy_port_is_tried_again_for_a_while():
    tries = []

    def opening(line):
        tries.append(line)
        if len(tries) < 3:
            raise PortBusyError("it is held by process 1 (x)", "port fake", "End that program")
        return FakePort()

    with LineSession(LINE, opening=opening) as session:
        assert session.port.read() == Reading()
    assert len(tries) == 3
    at = iter(range(1000))
    with pytest.raises(PortBusyError), LineSession(LINE, opening=lambda _: opening_never(), clock=lambda: next(at)):
        pass


def opening_never():
    raise PortBusyError("it is held by process 1 (x)", "port fake", "End that program")
