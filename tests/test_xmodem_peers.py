"""XMODEM against independent implementations, byte for byte, with every 20th packet damaged.

Peers: Debian's lrzsz (`sx`, `rx`) and PyPI `xmodem`.
"""

import io
import random
import shutil
import time

import pytest
from xmodem_peers import Damage, drive, library, program, received

from dncd.choices import Protocol
from dncd.line.packet_machine import Ended, Ending, Repeated
from dncd.line.xmodem import Receiver, Sender

KINDS = [Protocol.XMODEM, Protocol.XMODEM_CRC, Protocol.XMODEM_1K]
SIZE = {Protocol.XMODEM: 128, Protocol.XMODEM_CRC: 128, Protocol.XMODEM_1K: 1024}
LRZSZ = pytest.mark.skipif(not (shutil.which("sx") and shutil.which("rx")), reason="lrzsz (sx, rx) is not installed")
FAST = 10.0
"""A receiving machine waits for a quiet second before it asks again: in the tests a tenth of that."""


def payload(kind: Protocol) -> bytes:
    """41 packets of every byte value; the last is not full and ends as a program does."""
    return random.Random(41).randbytes(41 * SIZE[kind] - 60) + b"%\r\n"


def packets(kind: Protocol) -> Damage:
    return Damage(20, SIZE[kind] + 3 + (1 if kind is Protocol.XMODEM else 2))


def sender(kind: Protocol, data: bytes) -> Sender:
    machine = Sender(kind, time.monotonic())
    machine.supply(data, time.monotonic())
    machine.finish(time.monotonic())
    return machine


def repeats(events: list[object]) -> int:
    return sum(isinstance(event, Repeated) for event in events)


@LRZSZ
@pytest.mark.parametrize("kind", KINDS)
def test_lrzsz_receives(kind, tmp_path):
    data, damage = payload(kind), packets(kind)
    words = ["rx", "got"] if kind is Protocol.XMODEM else ["rx", "-c", "got"]
    with program(words, tmp_path) as (peer, sock):
        events = drive(sender(kind, data), sock, damage, 1.0)
        assert peer.wait(120) == 0
    got = (tmp_path / "got").read_bytes()
    assert events[-1] == Ended(Ending.DONE, "")
    assert got[: len(data)] == data
    assert set(got[len(data) :]) <= {0x1A}
    assert damage.count == repeats(events) == 2


@LRZSZ
@pytest.mark.parametrize("kind", KINDS)
def test_lrzsz_sends(kind, tmp_path):
    data, damage = payload(kind), packets(kind)
    (tmp_path / "out").write_bytes(data)
    words = ["sx", "-k", "out"] if kind is Protocol.XMODEM_1K else ["sx", "out"]
    with program(words, tmp_path) as (peer, sock):
        events = drive(Receiver(kind, time.monotonic() * FAST), sock, damage, FAST)
        assert peer.wait(120) == 0
    assert events[-1] == Ended(Ending.DONE, "")
    assert received(events).rstrip(b"\x1a") == data
    assert damage.count == repeats(events) == 2


@LRZSZ
def test_lrzsz_sends_an_empty_file(tmp_path):
    (tmp_path / "out").write_bytes(b"")
    with program(["sx", "out"], tmp_path) as (peer, sock):
        events = drive(Receiver(Protocol.XMODEM_CRC, time.monotonic() * FAST), sock, packets(KINDS[0]), FAST)
        assert peer.wait(120) == 0
    assert events == [Ended(Ending.DONE, "")]


@LRZSZ
def test_lrzsz_is_cancelled_while_it_receives(tmp_path):
    machine = sender(Protocol.XMODEM_CRC, payload(Protocol.XMODEM_CRC))
    with program(["rx", "-c", "got"], tmp_path) as (peer, sock):
        assert sock.recv(1) == b"C"
        machine.feed(b"C", time.monotonic())
        sock.sendall(machine.outgoing())
        assert sock.recv(1) == b"\x06"
        machine.cancel(time.monotonic())
        sock.sendall(machine.outgoing())
        assert peer.wait(120) != 0


@pytest.mark.parametrize("kind", KINDS)
def test_the_library_receives(kind):
    xmodem = pytest.importorskip("xmodem")
    data, damage, got = payload(kind), packets(kind), io.BytesIO()

    def talk(getc, putc):
        return xmodem.XMODEM(getc, putc).recv(
            got, crc_mode=int(kind is not Protocol.XMODEM), retry=8, timeout=3, quiet=1
        )

    with library(talk) as (sock, given):
        events = drive(sender(kind, data), sock, damage, 1.0)
    assert events[-1] == Ended(Ending.DONE, "")
    assert given == [len(got.getvalue())]
    assert got.getvalue().rstrip(b"\x1a") == data
    assert damage.count == repeats(events) == 2


@pytest.mark.parametrize("kind", KINDS)
def test_the_library_sends(kind):
    xmodem = pytest.importorskip("xmodem")
    data, damage = payload(kind), packets(kind)
    mode = "xmodem1k" if kind is Protocol.XMODEM_1K else "xmodem"

    def talk(getc, putc):
        return xmodem.XMODEM(getc, putc, mode=mode).send(io.BytesIO(data), retry=8, timeout=10, quiet=True)

    with library(talk) as (sock, given):
        events = drive(Receiver(kind, time.monotonic() * FAST), sock, damage, FAST)
    assert events[-1] == Ended(Ending.DONE, "")
    assert given == [True]
    assert received(events).rstrip(b"\x1a") == data
    assert damage.count == repeats(events) == 2
