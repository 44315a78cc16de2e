"""The health of the service in the OpenMetrics text format, for whatever watches the shop's machines.

It is made from the status that the last round left, in a thread of its own: nobody who asks can keep a line waiting.
prometheus_client makes the text; it is loaded only where `shop.metrics` is set.
"""

import contextlib
import socket
from collections.abc import Callable, Iterator, Mapping
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any, Final

from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    StateSetMetricFamily,
)
from prometheus_client.metrics_core import Metric
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector, CollectorRegistry

from dncd.errors import NotDoneError
from dncd.outside.threads import Fate, Thread
from dncd.values import LineState

PATH: Final = "/metrics"

CLIENT_S: Final = 5.0
"""Seconds that one who asks may take over asking or listening; the next one waits meanwhile."""

Status = Mapping[str, Any]


class _Snapshot(Collector):
    """The families of one status object (contract 4)."""

    def __init__(self, status: Status) -> None:
        self._service: Status = status["service"]
        self._machines: Mapping[str, Status] = status["machines"]

    def collect(self) -> Iterator[Metric]:
        """Every family, in a fixed order."""
        yield from self._of_the_service()
        yield from self._of_the_lines()
        yield from self._counted()

    def _of_the_service(self) -> Iterator[Metric]:
        yield InfoMetricFamily("dncd", "The service.", value={"version": str(self._service["version"])})
        yield GaugeMetricFamily(
            "dncd_troubles", "Things that are wrong with the service itself.", value=len(self._service["trouble"])
        )
        room = GaugeMetricFamily("dncd_disk_free", "Room on the disk of a folder.", labels=["folder"], unit="bytes")
        for name, free in self._service["disk_free_bytes"].items():
            if free is not None:
                room.add_metric([name], free)
        yield room
        refused = self._service["reload"]["result"] == "refused"
        yield GaugeMetricFamily(
            "dncd_settings_refused", "1 while the settings file was read again and refused.", value=int(refused)
        )

    def _of_the_lines(self) -> Iterator[Metric]:
        yield self._gauge("dncd_line_up", "1 while the port of the line is open.", lambda m: m["state"] != "no-port")
        state = StateSetMetricFamily("dncd_line_state", "What the line does.", labels=["machine"])
        for name, machine in self._machines.items():
            state.add_metric([name], {each.value: machine["state"] == each.value for each in LineState})
        yield state
        yield self._gauge("dncd_waiting_files", "Files that wait for the control.", lambda m: len(m["waiting"]))
        yield self._gauge("dncd_line_troubles", "Things that are wrong with the line.", lambda m: len(m["trouble"]))
        yield self._gauge(
            "dncd_held_now",
            "For how long the control has held the sending under way.",
            lambda m: (m["transfer"] or {}).get("held_for_s", 0.0),
            unit="seconds",
        )
        backup = GaugeMetricFamily(
            "dncd_backup_age", "Since the last dump of the control's memory.", labels=["machine"], unit="seconds"
        )
        for name, machine in self._machines.items():
            if (days := (machine.get("backup") or {}).get("age_days")) is not None:
                backup.add_metric([name], days * 86_400.0)
        yield backup

    def _gauge(self, name: str, help_text: str, value: Callable[[Status], float], unit: str = "") -> Metric:
        family = GaugeMetricFamily(name, help_text, labels=["machine"], unit=unit)
        for machine, status in self._machines.items():
            family.add_metric([machine], float(value(status)))
        return family

    def _counted(self) -> Iterator[Metric]:
        transfers = CounterMetricFamily("dncd_transfers", "Transfers that ended.", labels=["machine", "result"])
        chars = CounterMetricFamily("dncd_characters", "Characters of them.", labels=["machine", "direction"])
        faults = CounterMetricFamily("dncd_line_faults", "Faults that the port noticed.", labels=["machine", "kind"])
        holds = CounterMetricFamily("dncd_holds", "Times that a control held a sending.", labels=["machine"])
        held = CounterMetricFamily("dncd_held", "Time of those holds.", labels=["machine"], unit="seconds")
        losses = CounterMetricFamily("dncd_port_losses", "Times that the port went away.", labels=["machine"])
        summed = CounterMetricFamily(
            "dncd_captures_summed_up", "Damaged captures that were too many to be kept one by one.", labels=["machine"]
        )
        for name, machine in self._machines.items():
            tally = machine["counters"]
            for result, count in tally["transfers"].items():
                transfers.add_metric([name, result], count)
            chars.add_metric([name, "to-machine"], tally["chars_out"])
            chars.add_metric([name, "from-machine"], tally["chars_in"])
            for kind, count in tally["faults"].items():
                faults.add_metric([name, kind], count)
            holds.add_metric([name], tally["holds"])
            held.add_metric([name], tally["held_s"])
            losses.add_metric([name], tally["port_losses"])
            summed.add_metric([name], tally["summed_up"])
        yield from (transfers, chars, faults, holds, held, losses, summed)


def openmetrics(status: Status) -> bytes:
    """A status object as OpenMetrics text. Bounded by the number of machines, for no name of a peer is in it."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Snapshot(status))
    return bytes(generate_latest(registry))  # type: ignore[no-untyped-call]


class MetricsServer:
    """Answers GET /metrics until `close`. address: HOST:PORT, [::1]:PORT, or the path of a Unix socket.

    latest: gives the status object of the last round; called in this server's thread. NotDoneError if the address is taken.
    """

    def __init__(self, address: str, latest: Callable[[], Status]) -> None:
        self._latest = latest
        self._made: tuple[Status, bytes] | None = None
        self._path = Path(address) if address.startswith("/") else None
        try:
            self._server = _server(address, _handler(self._text))
        except OSError as error:
            raise NotDoneError(
                f"the health endpoint cannot be opened: {error.strerror or error}",
                f"[shop] metrics = {address!r}",
                "Look what else listens there, or give it another address; the lines are served without it",
            ) from None
        self.thread = Thread("metrics", self._server.serve_forever, Fate.ANEW)
        self.thread.start()

    def _text(self) -> bytes:
        """The text of the last round, made once: asking more often costs nothing more."""
        status = self._latest()
        if self._made is None or self._made[0] is not status:
            self._made = (status, openmetrics(status))
        return self._made[1]

    @property
    def address(self) -> Any:
        """Where it listens."""
        return self._server.server_address

    def close(self) -> None:
        """Stops answering."""
        self._server.shutdown()
        self.thread.join(CLIENT_S)
        self._server.server_close()
        if self._path is not None:
            with contextlib.suppress(OSError):
                self._path.unlink()


class _Server(HTTPServer):
    allow_reuse_address = True

    def server_bind(self) -> None:
        """Binds without asking a name server who we are."""
        self.socket.bind(self.server_address)
        self.server_address = self.socket.getsockname()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """One who hangs up in the middle is nobody's trouble."""


class _Server6(_Server):
    address_family = socket.AF_INET6


class _UnixServer(_Server):
    address_family = socket.AF_UNIX

    def get_request(self) -> tuple[socket.socket, Any]:
        """A Unix socket has no peer address; the handler wants one."""
        request, _ = self.socket.accept()
        return request, ("local", 0)


def _server(address: str, handler: type[BaseHTTPRequestHandler]) -> HTTPServer:
    if address.startswith("/"):
        _clear(address)
        return _UnixServer(address, handler)  # type: ignore[arg-type]
    host, _, port = address.rpartition(":")
    kind = _Server6 if host.startswith("[") else _Server
    return kind((host.strip("[]"), int(port)), handler)


def _clear(path: str) -> None:
    """Removes a socket that a killed service left; one on which somebody answers stays."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(1)
        try:
            probe.connect(path)
        except ConnectionRefusedError:
            Path(path).unlink()
        except OSError:
            return


def _handler(text: Callable[[], bytes]) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        timeout = CLIENT_S
        server_version = "dncd"
        sys_version = ""

        def do_GET(self) -> None:
            """The one page."""
            if self.path.partition("?")[0] not in (PATH, "/"):
                self.send_error(404)
                return
            body = text()
            self.send_response(200)
            self.send_header("Content-Type", CONTENT_TYPE_LATEST)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - the parent's name
            """Who asks is not worth a line."""

    return Handler
