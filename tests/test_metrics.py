"""The health endpoint, read by the parser of prometheus_client (OpenMetrics 1.0), and what `status --json` says besides."""

import contextlib
import http.client
import json
import re
import socket
from pathlib import Path

import pytest
from house import LONG, build, house, machine, text
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from waiting import until

from dncd.errors import NotDoneError
from dncd.outside.command_client import ask
from dncd.outside.metrics import MetricsServer, openmetrics
from dncd.standin.control import StandIn
from dncd.standin.yard import Yard
from dncd.station.tally import Tally
from dncd.values import Counters

HOSTILE = 'x\x1b[2J"\n\\\u202e\udcff'


def status(**more):
    tally = Tally()
    tally.went_out({"event": "sent", "chars": 132, "holds": 2, "held_s": 1.5})
    tally.came_in([{"event": "received", "wire_chars": 50}, {"event": "received", "wire_chars": 50}])
    tally.came_in([{"event": "damaged", "wire_chars": 7}])
    tally.faults += Counters(parity=3)
    lathe = {
        "state": "held",
        "title": HOSTILE,
        "waiting": [HOSTILE],
        "trouble": [HOSTILE],
        "transfer": {"file": HOSTILE, "held_for_s": 4.5},
        "counters": tally.as_dict(),
        **more,
    }
    service = {
        "version": "0.1.0",
        "trouble": [],
        "disk_free_bytes": {"state": 5_000_000, "folder": None},
        "reload": {"result": "refused"},
    }
    return {"service": service, "machines": {"gang-lathe": lathe}}


def samples(data):
    families = text_string_to_metric_families(data.decode("utf-8"))
    return {
        (s.name, *(s.labels[key] for key in sorted(s.labels))): s.value for family in families for s in family.samples
    }  # by name, then the labels' values in the order of the labels' names


def test_every_figure_is_there_and_parses():
    found = samples(openmetrics(status(backup={"age_days": 1.0})))
    lathe = "gang-lathe"
    assert found[("dncd_info", "0.1.0")] == 1
    assert found[("dncd_line_up", lathe)] == 1
    assert found[("dncd_line_state", "held", lathe)] == 1
    assert found[("dncd_line_state", "listening", lathe)] == 0
    assert found[("dncd_transfers_total", lathe, "received")] == 2
    assert found[("dncd_transfers_total", lathe, "damaged")] == 1
    assert found[("dncd_characters_total", "to-machine", lathe)] == 132
    assert found[("dncd_characters_total", "from-machine", lathe)] == 57
    assert found[("dncd_holds_total", lathe)] == 2
    assert found[("dncd_held_seconds_total", lathe)] == 1.5
    assert found[("dncd_held_now_seconds", lathe)] == 4.5
    assert found[("dncd_line_faults_total", "parity", lathe)] == 3
    assert found[("dncd_disk_free_bytes", "state")] == 5_000_000
    assert ("dncd_disk_free_bytes", "folder") not in found
    assert found[("dncd_backup_age_seconds", lathe)] == 86_400
    assert found[("dncd_settings_refused",)] == 1
    assert found[("dncd_waiting_files", lathe)] == 1


@pytest.mark.parametrize("name", ["alerts.yml", "dashboard.json"])
def test_rules_and_board_ask_for_figures_that_are_there(name):
    text = (Path(__file__).parent.parent / "config" / name).read_text("utf-8")
    if name == "dashboard.json":
        asked = " ".join(target["expr"] for panel in json.loads(text)["panels"] for target in panel["targets"])
    else:
        asked = " ".join(line for line in text.splitlines() if "expr:" in line)
    there = {key[0] for key in samples(openmetrics(status(backup={"age_days": 1.0})))}
    used = set(re.findall(r"\bdncd_\w+", asked))
    assert len(used) >= 8
    assert used - there == set()
    results = re.findall(r'result="([^"]+)"', asked)
    assert set(results) <= set(Tally().as_dict()["transfers"])


def test_no_text_of_a_peer_is_in_it():
    said = openmetrics(status()).decode("utf-8")
    assert "x\x1b" not in said
    assert "2J" not in said


RICH = {
    "service": {
        "version": '0.1.0+a"b\\c\nd',
        "trouble": ["a", "b"],
        "disk_free_bytes": {"state": 5_000_000_000_000_000_000, "folder": None},
        "reload": {"result": "refused"},
    },
    "machines": {
        name: {
            "state": state,
            "waiting": ["a.nc", "b.nc"][:k],
            "trouble": ["x"][:k],
            "transfer": transfer,
            "backup": {"age_days": age},
            "counters": {
                "transfers": {
                    "sent": 3 * k,
                    "received": k,
                    "damaged": 0,
                    "refused": 1,
                    "interrupted": 0,
                    "withdrawn": 2,
                },
                "chars_out": 123_456_789 * k,
                "chars_in": 17 * k,
                "faults": {"overruns": 0, "framing": 2 * k, "parity": 3, "breaks": 0},
                "holds": 7 * k,
                "held_s": 1_234_567.25 * k,
                "port_losses": k,
                "summed_up": 0,
            },
        }
        for k, name, state, transfer, age in (
            (1, "gang-lathe", "held", {"file": "a", "held_for_s": 4.5}, 1.5),
            (2, "bore-mill", "no-port", None, None),
            (0, "saw", "receiving", {"file": ""}, None),
        )
    },
}


def test_the_text_is_the_one_that_prometheus_client_wrote_of_the_same_status():
    """Families, help texts, types, labels and their order; the same number may be written another way."""
    theirs = (Path(__file__).parent / "vectors/openmetrics.txt").read_text()
    ours = openmetrics(RICH).decode()

    def without_numbers(text):
        return [line if line.startswith("#") else line.rpartition(" ")[0] for line in text.split("\n")]

    assert without_numbers(ours) == without_numbers(theirs)
    assert samples(ours.encode()) == samples(theirs.encode())
    assert len(samples(ours.encode())) > 80


def get(connection, path="/metrics"):
    connection.request("GET", path)
    answer = connection.getresponse()
    return answer.status, answer.getheader("Content-Type"), answer.read()


class Local(http.client.HTTPConnection):
    def __init__(self, path):
        super().__init__("localhost")
        self._path = str(path)

    def connect(self):
        self.sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.sock.connect(self._path)


@pytest.mark.parametrize("kind", ["port", "socket"])
def test_it_answers_on_a_port_and_on_a_socket(tmp_path, kind):
    path = tmp_path / "m.sock"
    calls = []
    now = status()
    server = MetricsServer("127.0.0.1:0" if kind == "port" else str(path), lambda: calls.append(1) or now)
    connection = http.client.HTTPConnection(*server.address) if kind == "port" else Local(path)
    try:
        code, what, body = get(connection)
        assert code == 200
        assert what.startswith("application/openmetrics-text; version=1.0.0")
        assert samples(body)[("dncd_line_up", "gang-lathe")] == 1
        connection.close()
        assert get(connection, "/etc/passwd")[0] == 404
        connection.close()
        with pytest.raises(NotDoneError, match="in use"):
            MetricsServer(f"127.0.0.1:{server.address[1]}" if kind == "port" else str(path), lambda: now)
    finally:
        connection.close()
        server.close()
    assert not path.exists()


@pytest.mark.parametrize("said", [b"", b"GET /metrics HTTP/1.1\r\nHost: x\r\n"])
def test_clients_that_do_not_finish_asking_hold_up_nobody(tmp_path, said):
    path = tmp_path / "m.sock"
    server = MetricsServer(str(path), status)
    with contextlib.ExitStack() as stack:
        assert not server.full()
        crowd = [stack.enter_context(socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)) for _ in range(40)]
        for idle in crowd:
            idle.connect(str(path))
            idle.sendall(said)
        assert get(Local(path))[0] == 200
        told = crowd[0].makefile("rb").read()
        assert told.startswith(b"HTTP/1.0 503 ")
        assert b"\r\n\r\n16 ask at once, and no more may: ask again in a moment" in told
        assert server.full()
        server.close()  # waits for none of them: the newest is still connected
        idle.setblocking(False)
        with pytest.raises(BlockingIOError):
            idle.recv(1)


@pytest.mark.parametrize(
    ("said", "status_line"),
    [
        (b"POST /metrics HTTP/1.1\r\n\r\n", b"HTTP/1.0 405"),
        (b"HEAD /metrics HTTP/1.1\r\n\r\n", b"HTTP/1.0 200"),
        (b"GET /metrics?a=b HTTP/1.1\r\n\r\n", b"HTTP/1.0 200"),
        (b"GET /metrics\n\n", b"HTTP/1.0 404"),
        (b"\xff\0\r\n\r\n", b"HTTP/1.0 404"),
        (b"x" * 100_000, b""),
    ],
)
def test_whatever_is_asked_has_its_answer(tmp_path, said, status_line):
    path = tmp_path / "m.sock"
    with contextlib.closing(MetricsServer(str(path), status)):
        asking = Local(path)
        asking.connect()
        with contextlib.suppress(BrokenPipeError):
            asking.sock.sendall(said)
        try:
            whole = asking.sock.makefile("rb").read()
            answer = whole.partition(b"\n")[0]
            assert b"\r\n\r\n" not in whole or whole.endswith(b"\r\n\r\n") == said.startswith(b"HEAD")
        except ConnectionResetError:
            answer = b""
        asking.close()
    assert answer.startswith(status_line)
    assert bool(answer) == bool(status_line)


def test_a_file_that_is_no_socket_is_left_alone(tmp_path):
    path = tmp_path / "m.sock"
    path.write_text("somebody's")
    with pytest.raises(NotDoneError, match="in use"):
        MetricsServer(str(path), status)
    assert path.read_text() == "somebody's"


def test_the_service_says_how_it_is(tmp_path):
    """A program out, one back, and what the endpoint and `status --json` say of them."""
    control = StandIn(build(baud=38400))
    sock = tmp_path / "m.sock"
    tables = {"lathe": machine(control, baud=38400)}
    shop_table = f'[shop]\nsettle_s = 0.1\nmetrics = "{sock}"\n'
    with Yard(control), house(tmp_path, shop_table, **tables) as shop:
        shop.drop("lathe", "a.nc", text(LONG[:20] + LONG[-1:]))
        receipt = shop.receipt("lathe", "sent", "a.nc")
        assert receipt.get("result") == "sent"

        def counted():
            found = samples(get(Local(sock))[2])
            return found if found[("dncd_transfers_total", "lathe", "sent")] == 1 else None

        found = until(counted)
        chars = len("\n".join(["%", *LONG[:20], LONG[-1], "%", ""]))
        assert found[("dncd_characters_total", "to-machine", "lathe")] == chars
        assert found[("dncd_line_state", "listening", "lathe")] == 1
        assert found[("dncd_disk_free_bytes", "state")] > 0
        now = json.loads(shop.dncd("status", "--json").stdout)
        assert now["service"]["trouble"] == []
        assert now["service"]["disk_free_bytes"]["folder"] > 0
        assert now["machines"]["lathe"]["counters"]["transfers"]["sent"] == 1
        assert now["service"]["seq"] == shop.ledger()[-1]["seq"]
        with contextlib.ExitStack() as stack:
            for _ in range(17):
                stack.enter_context(socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)).connect(str(sock))
            until(lambda: "some were turned away" in str(ask(shop.state, {"do": "status"})["service"]["trouble"]))


def test_an_endpoint_that_is_taken_is_told_and_the_lines_are_served(tmp_path):
    control = StandIn(build())
    with socket.create_server(("127.0.0.1", 0)) as taken:
        shop_table = f'[shop]\nsettle_s = 0.1\nmetrics = "127.0.0.1:{taken.getsockname()[1]}"\n'
        with Yard(control), house(tmp_path, shop_table, lathe=machine(control)) as shop:
            shop.drop("lathe", "a.nc", text(["O0001", "M30"]))
            assert shop.receipt("lathe", "sent", "a.nc").get("result") == "sent"
            said = until(lambda: "health endpoint" in (out := shop.dncd("status").stdout) and out)
            assert "Address already in use" in said
    assert '"next"' in next(
        line for line in (tmp_path / "run.log").read_text().splitlines() if "endpoint cannot" in line
    )
