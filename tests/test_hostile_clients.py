"""A hundred hostile clients at each door of the service while sixteen lines send over pseudo-terminals: no character is
lost or out of order, who asks is answered, and the service ends when it is told to.
"""

import contextlib
import itertools
import os
import select
import signal
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from house import house
from pty_line import PtyLine
from waiting import ring, until

from dncd.errors import DncdError
from dncd.outside.command_client import StreamRequest

pytestmark = pytest.mark.slow

EACH = 100
STOP_S = 30.0
"""The unit's TimeoutStopSec: systemd kills what takes longer."""
DC1, DC3 = b"\x11", b"\x13"
MACHINES = [f"m-{n:02}" for n in range(16)]


def program(n: int) -> bytes:
    """No two alike, and no two blocks of one alike: whatever is lost or changes places shows."""
    return "\n".join(["%", f"O{n + 1:04}", *(f"N{at} X{n}.{at}" for at in range(1, 600)), "M30", "%", ""]).encode()


Sends = Callable[[bytes], Iterator[bytes]]
"""What one kind of client sends, piece by piece, given a whole request; an empty piece is its end."""


def silent(_request: bytes) -> Iterator[bytes]:
    return iter(())


def one_request(request: bytes) -> Iterator[bytes]:
    return iter((request,))


def ever_more_requests(request: bytes) -> Iterator[bytes]:
    return itertools.repeat(request)


def byte_by_byte(request: bytes) -> Iterator[bytes]:
    return (request[at : at + 1] for at in range(len(request)))


def half_a_request(request: bytes) -> Iterator[bytes]:
    return iter((request[: len(request) // 2],))


def huge(_request: bytes) -> Iterator[bytes]:
    return itertools.repeat(b"x" * 65_536)


def closes_at_once(request: bytes) -> Iterator[bytes]:
    return iter((request, b""))


KINDS: tuple[Sends, ...] = (
    silent, one_request, ever_more_requests, byte_by_byte, half_a_request, huge, closes_at_once
)  # fmt: skip


class Hostile:
    """A client that reads nothing, never waits, and comes again when the service is rid of it."""

    def __init__(self, door: Path, request: bytes, kind: Sends) -> None:
        self._door, self._request, self._kind = str(door), request, kind
        self._sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._pieces: Iterator[bytes] | None = None
        self.visits = 0

    def step(self) -> None:
        try:
            if self._pieces is None:
                self._come()
            elif (piece := next(self._pieces, None)) == b"":
                self.leave()
            elif piece is not None:
                self._sock.send(piece)
            elif self._hung_up():
                self.leave()
        except BlockingIOError:  # it has no room for the piece, or the queue at the door is full
            pass
        except OSError:
            self.leave()

    def leave(self) -> None:
        self._sock.close()
        self._pieces = None

    def _come(self) -> None:
        self._sock.close()
        self._sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._sock.setblocking(False)
        self._sock.connect(self._door)
        self._pieces = self._kind(self._request)
        self.visits += 1

    def _hung_up(self) -> bool:
        poll = select.poll()
        poll.register(self._sock, 0)  # POLLHUP comes unasked
        return bool(poll.poll(0))


class Siege:
    """The sixteen controls' ends: take what comes; each time, a few of the clients go on, in turn."""

    def __init__(self, ends: list[PtyLine], clients: list[Hostile]) -> None:
        self.taken = [bytearray() for _ in ends]
        self._ends = {end.far: taken for end, taken in zip(ends, self.taken, strict=True)}
        self._turns = itertools.cycle(clients)
        self._over = os.eventfd(0)
        self._thread = threading.Thread(target=self._run)

    def __enter__(self) -> "Siege":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        os.eventfd_write(self._over, 1)
        self._thread.join()
        os.close(self._over)

    def _run(self) -> None:
        while True:
            ready = select.select([self._over, *self._ends], [], [])[0]
            if self._over in ready:
                return
            for far in ready:
                self._ends[far] += os.read(far, 4096)
                ring()
                for _ in range(3):
                    next(self._turns).step()


def besieging(shop) -> list[Hostile]:
    doors = (
        (shop.state / "dncd.sock", b'{"do": "status"}\n'),
        (shop.state / "dncd.sock", b'{"do": "watch", "machine": "m-00", "peer": 0}\n'),
        (shop.root / "m.sock", b"GET /metrics HTTP/1.0\r\nHost: shop\r\n\r\n"),
    )
    return [Hostile(path, request, KINDS[n % len(KINDS)]) for n in range(EACH) for path, request in doors]


def told_that_the_house_is_full(state: Path, watchers: contextlib.ExitStack) -> bool:
    """Whether one more watcher is told so; else it watches, or was pushed out before it was heard."""
    try:
        watchers.enter_context(StreamRequest(state, {"do": "watch", "machine": MACHINES[1]}))
    except DncdError as error:
        return "commands follow or watch a line or have borrowed one" in error.what
    return False


def test_hostile_clients_at_every_door_cost_no_line_a_character(tmp_path):
    with contextlib.ExitStack() as stack:
        ends = [stack.enter_context(PtyLine()) for _ in MACHINES]
        tables = {
            name: {
                "line": {"port": end.path, "baud": 9600, "frame": "8N1"},
                "send": {"start_on": "now"},
                "program": {"memory_chars": 100_000},
            }
            for name, end in zip(MACHINES, ends, strict=True)
        }
        shop_table = f'[shop]\nsettle_s = 0.1\nmetrics = "{tmp_path / "m.sock"}"\n'
        shop = stack.enter_context(house(tmp_path, shop_table, **tables))
        clients = besieging(shop)
        for client in clients:
            stack.callback(client.leave)
        siege = stack.enter_context(Siege(ends, clients))
        wanted = [program(n) for n in range(len(MACHINES))]
        for name, text in zip(MACHINES, wanted, strict=True):
            shop.drop(name, "a.nc", text)
        until(lambda: siege.taken[0], 60, "the first characters")
        ends[0].say(DC3)  # so that one is in mid-sending for as long as the questions take
        until(lambda: all(client.visits for client in clients), 120, "each of them came")
        said = until(lambda: (now := shop.dncd("status")).returncode == 0 and now.stdout, 120)
        assert all(name in said for name in MACHINES)
        until(lambda: told_that_the_house_is_full(shop.state, stack), 120)
        assert len(siege.taken[0]) < len(wanted[0])
        ends[0].say(DC1)
        until(lambda: [len(taken) for taken in siege.taken] == [len(text) for text in wanted], 240, siege.taken)
        assert siege.taken == wanted
        for name in MACHINES:
            assert shop.receipt(name, "sent", "a.nc").get("result") == "sent"
        shop.drop(MACHINES[0], "b.nc", wanted[1])
        until(lambda: len(siege.taken[0]) > len(wanted[0]), 60, "the next program")
        shop.process.send_signal(signal.SIGTERM)
        assert shop.process.wait(STOP_S) == 0
    assert [line["event"] for line in shop.ledger()][-1] == "stopped"
