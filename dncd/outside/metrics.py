"""The health of the service in the OpenMetrics text format 1.0, for whatever watches the shop's machines.

It is made from the status that the last round left, in threads of its own: nobody who asks can keep a line waiting, nor
another who asks, nor the end of the service.
"""

import contextlib
import socket
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from dncd.errors import NotDoneError
from dncd.outside.threads import Fate, Thread
from dncd.values import LineState

PATH: Final = "/metrics"

CONTENT_TYPE: Final = "application/openmetrics-text; version=1.0.0; charset=utf-8"

CLIENT_S: Final = 5.0
"""Seconds that one who asks may take over asking and listening together."""

MOST_CLIENTS: Final = 16
"""Connections at once; the oldest that has not said yet what it wants makes room for a new one, and is told so."""

FULL_S: Final = 60.0
"""Seconds for which the status says that somebody was turned away."""

LONGEST_REQUEST: Final = 8192
"""Bytes of a request's head."""

Status = Mapping[str, Any]

_Sample = tuple[Mapping[str, str], float]


@dataclass(frozen=True, slots=True)
class _Family:
    """name: without the unit; kind: gauge, counter, info or stateset; samples: labels and value of each."""

    name: str
    text: str
    samples: Iterable[_Sample]
    kind: str = "gauge"
    unit: str = ""
    _ends: Mapping[str, str] = field(default_factory=lambda: {"counter": "_total", "info": "_info"})

    def lines(self) -> Iterator[str]:
        name = f"{self.name}_{self.unit}" if self.unit else self.name
        yield f"# HELP {name} {self.text}"
        yield f"# TYPE {name} {self.kind}"
        if self.unit:
            yield f"# UNIT {name} {self.unit}"
        for labels, value in self.samples:
            pairs = ",".join(f'{key}="{_escaped(labels[key])}"' for key in sorted(labels))
            yield f"{name}{self._ends.get(self.kind, '')}{f'{{{pairs}}}' if pairs else ''} {float(value)}"


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')


def _families(service: Status, machines: Mapping[str, Status]) -> Iterator[_Family]:
    yield _Family("dncd", "The service.", [({"version": str(service["version"])}, 1)], "info")
    yield _Family("dncd_troubles", "Things that are wrong with the service itself.", [({}, len(service["trouble"]))])
    room = [({"folder": name}, free) for name, free in service["disk_free_bytes"].items() if free is not None]
    yield _Family("dncd_disk_free", "Room on the disk of a folder.", room, unit="bytes")
    refused = service["reload"]["result"] == "refused"
    text = "1 while the settings file was read again and refused."
    yield _Family("dncd_settings_refused", text, [({}, refused)])

    def each(value: Callable[[Status], float]) -> Iterator[_Sample]:
        return (({"machine": name}, value(status)) for name, status in machines.items())

    yield _Family(
        "dncd_line_up", "1 while the port of the line is open.", each(lambda m: m["state"] not in ("no-port", "lent"))
    )
    states = [
        ({"machine": name, "dncd_line_state": state}, status["state"] == state)
        for name, status in machines.items()
        for state in sorted(LineState)
    ]
    yield _Family("dncd_line_state", "What the line does.", states, "stateset")
    yield _Family("dncd_waiting_files", "Files that wait for the control.", each(lambda m: len(m["waiting"])))
    yield _Family("dncd_line_troubles", "Things that are wrong with the line.", each(lambda m: len(m["trouble"])))
    text = "For how long the control has held the sending under way."
    held = each(lambda m: (m["transfer"] or {}).get("held_for_s", 0.0))
    yield _Family("dncd_held_now", text, held, unit="seconds")
    ages = [
        ({"machine": name}, days * 86_400.0)
        for name, status in machines.items()
        if (days := (status.get("backup") or {}).get("age_days")) is not None
    ]
    yield _Family("dncd_backup_age", "Since the last dump of the control's memory.", ages, unit="seconds")
    yield from _counters({name: status["counters"] for name, status in machines.items()})


def _counters(tallies: Mapping[str, Status]) -> Iterator[_Family]:
    def each(label: str, counts: Callable[[Status], Mapping[str, float]]) -> Iterator[_Sample]:
        for name, tally in tallies.items():
            yield from (({"machine": name, label: key}, count) for key, count in counts(tally).items())

    def one(key: str) -> Iterator[_Sample]:
        return (({"machine": name}, tally[key]) for name, tally in tallies.items())

    yield _Family("dncd_transfers", "Transfers that ended.", each("result", lambda t: t["transfers"]), "counter")
    ways = each("direction", lambda t: {"to-machine": t["chars_out"], "from-machine": t["chars_in"]})
    yield _Family("dncd_characters", "Characters of them.", ways, "counter")
    yield _Family("dncd_line_faults", "Faults that the port noticed.", each("kind", lambda t: t["faults"]), "counter")
    yield _Family("dncd_holds", "Times that a control held a sending.", one("holds"), "counter")
    yield _Family("dncd_held", "Time of those holds.", one("held_s"), "counter", "seconds")
    yield _Family("dncd_port_losses", "Times that the port went away.", one("port_losses"), "counter")
    text = "Damaged captures that were too many to be kept one by one."
    yield _Family("dncd_captures_summed_up", text, one("summed_up"), "counter")


def openmetrics(status: Status) -> bytes:
    """A status object (contract 4) as OpenMetrics text. Bounded by the number of machines: no name of a peer is in it."""
    lines = [line for family in _families(status["service"], status["machines"]) for line in family.lines()]
    return "\n".join([*lines, "# EOF", ""]).encode()


class MetricsServer:
    """Answers GET /metrics until `close`. address: HOST:PORT, [::1]:PORT, or the path of a Unix socket. latest: gives
    the status object of the last round; called in the threads of this server. NotDoneError if the address is taken."""

    def __init__(self, address: str, latest: Callable[[], Status]) -> None:
        self._latest = latest
        self._made: tuple[Status, bytes] | None = None
        self._path = Path(address) if address.startswith("/") else None
        self._clients: dict[socket.socket, bytes] = {}
        """Those that are served, oldest first, and the head of what each wants; b"" while it has not said it."""
        self._turned_away_at = -FULL_S
        self._lock, self._closing = threading.Lock(), threading.Event()
        try:
            self._listener = _listening(address)
        except OSError as error:
            raise NotDoneError(
                f"the health endpoint cannot be opened: {error.strerror or error}",
                f"[shop] metrics = {address!r}",
                "Look what else listens there, or give it another address; the lines are served without it",
            ) from None
        self.address: Any = self._listener.getsockname()
        self.thread = Thread("metrics", self._accept, Fate.ANEW)
        self.thread.start()

    def close(self) -> None:
        """Stops answering. Whoever is in the middle of asking is left: nothing waits for a peer."""
        self._closing.set()
        self._listener.shutdown(socket.SHUT_RDWR)  # wakes the accept
        self.thread.join(CLIENT_S)
        self._listener.close()
        if self._path is not None:
            with contextlib.suppress(OSError):
                self._path.unlink()

    def full(self) -> bool:
        return time.monotonic() - self._turned_away_at < FULL_S

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:  # closed, or the client is gone again, or no descriptor is left
                if self._closing.wait(0.1):
                    return
                continue
            with self._lock:
                self._clients[client] = b""
                if len(self._clients) > MOST_CLIENTS:
                    self._turn_away()
            try:
                threading.Thread(target=self._serve, args=(client,), name="metrics-client", daemon=True).start()
            except RuntimeError:  # no more threads
                self._clients.pop(client, None)
                client.close()

    def _turn_away(self) -> None:
        oldest = next((client for client, head in self._clients.items() if not head), next(iter(self._clients)))
        asked, self._turned_away_at = self._clients.pop(oldest), time.monotonic()
        with contextlib.suppress(OSError):  # one that has not asked is told; the answer of another is cut off
            oldest.shutdown(socket.SHUT_RDWR if asked else socket.SHUT_RD)

    def _serve(self, client: socket.socket) -> None:
        end = time.monotonic() + CLIENT_S
        with client, contextlib.suppress(OSError):  # one who hangs up or takes too long is nobody's trouble
            head = _head(client, end)
            with self._lock:
                served = client in self._clients
                if served:
                    self._clients[client] = head
            if head or not served:
                client.settimeout(max(0.001, end - time.monotonic()))
                client.sendall(self._answer(head) if head else _FULL)
        with self._lock:
            self._clients.pop(client, None)

    def _answer(self, head: bytes) -> bytes:
        method, _, rest = head.partition(b" ")
        if rest.split(b" ")[0].split(b"?")[0] not in (PATH.encode(), b"/"):
            status, kind, body = "404 Not Found", "text/plain", b"Ask for /metrics\n"
        elif method not in (b"GET", b"HEAD"):
            status, kind, body = "405 Method Not Allowed", "text/plain", b"Only GET and HEAD are answered\n"
        else:
            status, kind, body = "200 OK", CONTENT_TYPE, self._text()
        return _response(status, kind, body, bare=method == b"HEAD")

    def _text(self) -> bytes:
        """The text of the last round, made once: asking more often costs nothing more."""
        status, made = self._latest(), self._made
        if made is None or made[0] is not status:
            self._made = made = (status, openmetrics(status))
        return made[1]


def _head(client: socket.socket, end: float) -> bytes:
    """The head of a request; nothing where it does not come whole by `end`, on the monotonic clock."""
    head = b""
    while b"\r\n\r\n" not in head and b"\n\n" not in head:
        left = end - time.monotonic()
        if left <= 0 or len(head) > LONGEST_REQUEST:
            return b""
        client.settimeout(left)
        data = client.recv(LONGEST_REQUEST)
        if not data:
            return b""
        head += data
    return head


def _response(status: str, kind: str, body: bytes, *, bare: bool = False) -> bytes:
    lines = (f"HTTP/1.0 {status}", "Server: dncd", f"Content-Type: {kind}", f"Content-Length: {len(body)}", "", "")
    return "\r\n".join(lines).encode() + (b"" if bare else body)


_FULL: Final = _response(
    "503 Service Unavailable",
    "text/plain",
    b"%d ask at once, and no more may: ask again in a moment, and end those that keep a connection\n" % MOST_CLIENTS,
)


def _listening(address: str) -> socket.socket:
    kind = socket.AF_UNIX
    name: str | tuple[str, int] = address
    if address.startswith("/"):
        _clear(address)
    else:
        host, _, port = address.rpartition(":")
        kind, name = socket.AF_INET6 if host.startswith("[") else socket.AF_INET, (host.strip("[]"), int(port))
    listener = socket.socket(kind, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(name)
        listener.listen(MOST_CLIENTS)
    except BaseException:
        listener.close()
        raise
    return listener


def _clear(path: str) -> None:
    """Removes a socket that a killed service left; one on which somebody answers stays, and so does any other file."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(1)
        try:
            probe.connect(path)
        except ConnectionRefusedError:
            if Path(path).is_socket():
                Path(path).unlink()
        except OSError:
            return
