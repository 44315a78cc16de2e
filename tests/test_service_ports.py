"""A real `dncd run` behind device servers and on ports that come and go: what its users see, and what is on record."""

import os
import pty
import subprocess
import sys
import time
import tty
from collections.abc import Iterator
from contextlib import ExitStack, closing
from pathlib import Path

import pytest
from device_servers import DeviceServer
from house import LONG, House, house
from waiting import until

from dncd.line import telnet
from dncd.outside.command_client import ask
from dncd.ports.session import line_for

PROGRAM = b"%\r\n" + b"\r\n".join(line.encode() for line in LONG[:60]) + b"\r\n%\r\n"
WIRE = PROGRAM.replace(b"\r\n", b"\n")
BAUD = 19200


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    with ExitStack() as made:
        yield made


def lathe(port: str, frame: str = "8N1", baud: int = BAUD, flow: str = "xon/xoff", **send: object) -> dict:
    return {
        "line": {"port": port, "baud": baud, "frame": frame, "flow": flow},
        "send": {"start_on": "now", **send},
        "receive": {"silence_s": 0.5},
    }


def status(shop: House) -> dict:
    return ask(shop.state, {"do": "status"})["machines"]["lathe"]


def server(stack: ExitStack, *, telnet_end: bool = True, **how: object) -> DeviceServer:
    return stack.enter_context(closing(DeviceServer(telnet=telnet_end, **how)))


KINDS = pytest.mark.parametrize("telnet_end", [True, False], ids=["rfc2217", "socket"])


@pytest.mark.parametrize("telnet_end", [True, pytest.param(False, marks=pytest.mark.slow)], ids=["rfc2217", "socket"])
def test_a_server_that_dies_in_a_sending_and_comes_back(tmp_path: Path, telnet_end: bool, stack: ExitStack) -> None:
    box = server(stack, telnet_end=telnet_end)
    with house(tmp_path, lathe=lathe(box.url)) as shop:
        shop.drop("lathe", "0100.nc", PROGRAM)
        until(lambda: len(box.got) > 200)
        box.kill()
        receipt = shop.receipt("lathe", "refused", "0100.nc")
        assert receipt.get("result") == "interrupted"
        assert "the port went away" in receipt.get("reason")
        (told,) = [r for r in shop.ledger() if r["event"] == "interrupted"]
        assert f"{told['chars']} of {len(WIRE)} characters were handed over" in receipt.get("reason")
        # what came after the server's last look was handed over as well
        assert len(box.got) <= told["chars"] <= len(box.got) + 8 + BAUD // 10 // 4
        until(lambda: status(shop)["state"] == "no-port")
        (trouble,) = until(lambda: status(shop)["trouble"])
        assert "connection" in trouble
        until(lambda: "state: no port" in (shop.shop / "lathe" / "STATUS.txt").read_text())
        box.got.clear()
        box.restart()
        until(lambda: status(shop)["state"] == "listening")
        assert box.got == b""  # never sent again by itself
        shop.drop("lathe", "0100.nc", PROGRAM)
        assert shop.receipt("lathe", "sent", "0100.nc").get("result") == "sent"
        assert bytes(box.got) == WIRE


@pytest.mark.parametrize("telnet_end", [True, pytest.param(False, marks=pytest.mark.slow)], ids=["rfc2217", "socket"])
def test_a_server_that_dies_in_a_capture(tmp_path: Path, telnet_end: bool, stack: ExitStack) -> None:
    box = server(stack, telnet_end=telnet_end)
    with house(tmp_path, lathe=lathe(box.url)) as shop:
        until(lambda: status(shop)["state"] == "listening")
        box.send(WIRE[:300])
        until(lambda: status(shop)["state"] == "receiving")
        box.kill()
        (record,) = until(lambda: [r for r in shop.ledger() if r["event"] == "damaged"])
        assert record["wire_chars"] == 300
        (raw,) = until(lambda: list((shop.state / "captures").glob("*.damaged.raw")))
        assert raw.read_bytes() == WIRE[:300]
        box.restart()
        until(lambda: status(shop)["state"] == "listening")
        box.send(WIRE)
        until(lambda: [r for r in shop.ledger() if r["event"] == "received"])
        delivered = shop.shop / "lathe" / "from-machine" / "O0100.nc"
        assert until(delivered.read_bytes) == PROGRAM


def test_every_value_passes_the_telnet_of_the_service(tmp_path: Path, stack: ExitStack) -> None:
    """IAC is 255; on a line of eight bits with no parity a DEL with its channel 8 punched. In a capture, and in a file."""
    box = server(stack)
    with house(tmp_path, lathe=lathe(box.url)) as shop:
        until(lambda: status(shop)["state"] == "listening")
        odd = b"%\nO0001\n" + bytes(b for b in range(128, 256) if b not in (0x91, 0x92, 0x93, 0x94)) + b"\nM30\n%\n"
        box.send(odd)
        (record,) = until(lambda: [r for r in shop.ledger() if r["event"] == "damaged"])
        (raw,) = until(lambda: list((shop.state / "captures").glob("*.damaged.raw")))
        assert raw.read_bytes() == odd
        assert record["wire_chars"] == len(odd)


def test_faults_that_the_server_notices_damage_the_capture(tmp_path: Path, stack: ExitStack) -> None:
    """Bits of NOTIFY-LINESTATE: 2 overrun, 4 parity, 8 framing (vectors/rfc2217.json, verified)."""
    box = server(stack)
    with house(tmp_path, lathe=lathe(box.url, "8E1")) as shop:
        until(lambda: status(shop)["state"] == "listening")
        box.send_raw(
            WIRE[:100] + telnet.command(106, b"\x04") + WIRE[100:200] + telnet.command(106, b"\x0a") + WIRE[200:]
        )
        (record,) = until(lambda: [r for r in shop.ledger() if r["event"] in ("damaged", "received")])
        assert record["event"] == "damaged"
        assert record["line_faults"] == {"overruns": 1, "framing": 1, "parity": 1}
        receipt = shop.receipt("lathe", "from-machine/damaged", record["file"])
        assert receipt.get("line_faults") == "1 of overrun, 1 of stop bit, 1 of parity"
        assert "cannot say at which characters" in receipt.get("reason")
        box.send(WIRE)
        until(lambda: [r for r in shop.ledger() if r["event"] == "received"])


def test_a_rate_that_the_server_refuses_ends_the_start_and_is_named(tmp_path: Path, stack: ExitStack) -> None:
    box = server(stack)
    box.cable.highest_baud = 9600
    (tmp_path / "dncd.toml").write_text(f'[machines.lathe.line]\nport = "{box.url}"\nbaud = 19200\nframe = "7E2"\n')
    words = [sys.executable, "-m", "dncd", "--config", str(tmp_path / "dncd.toml"), "run"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 2
    assert "asked for 19200, the server has 9600" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.slow
@pytest.mark.parametrize(
    ("how", "said"),
    [({"silent": True}, "did not agree to RFC 2217"), ({"confirms_masks": False}, "does not tell line faults")],
)
def test_a_server_that_keeps_silent_is_no_port_with_its_reason(
    tmp_path: Path, how: dict, said: str, stack: ExitStack
) -> None:
    box = server(stack, **how)
    with house(tmp_path, lathe=lathe(box.url, "8E1")) as shop:
        assert status(shop)["state"] == "no-port"
        assert said in " ".join(status(shop)["trouble"])
        assert said in shop.dncd("status").stdout
        until(lambda: said in (shop.shop / "lathe" / "STATUS.txt").read_text())


def test_a_server_that_never_tells_cts_is_named_while_everything_waits(tmp_path: Path, stack: ExitStack) -> None:
    box = server(stack, tells_lines=False)
    with house(tmp_path, lathe=lathe(box.url, flow="rts/cts")) as shop:
        shop.drop("lathe", "0100.nc", PROGRAM)
        until(lambda: status(shop)["state"] == "held")
        assert "has not told the state of CTS" in " ".join(status(shop)["trouble"])
        assert box.got == b""


@pytest.mark.slow
def test_a_looped_cable_behind_a_server_is_told_in_status_and_receipt(tmp_path: Path, stack: ExitStack) -> None:
    box = server(stack)
    box.cable.ties_rts_to_cts = True
    with house(tmp_path, lathe=lathe(box.url, flow="rts/cts")) as shop:
        assert "RTS is looped back to CTS" in shop.dncd("status").stdout
        shop.drop("lathe", "0100.nc", PROGRAM)
        assert "RTS is looped back to CTS" in " ".join(shop.receipt("lathe", "sent", "0100.nc").all("warning"))
        assert "modem line looped" in (tmp_path / "run.log").read_text()


@pytest.mark.slow
@pytest.mark.parametrize(("flow", "line"), [("rts/cts", "control_rts"), ("dtr/dsr", "control_dtr")])
def test_a_hold_of_five_seconds_by_a_modem_line(tmp_path: Path, flow: str, line: str, stack: ExitStack) -> None:
    box = server(stack)
    with house(tmp_path, lathe=lathe(box.url, flow=flow)) as shop:
        shop.drop("lathe", "0100.nc", PROGRAM)
        until(lambda: len(box.got) > 200)
        began, before = time.monotonic(), len(box.got)
        setattr(box.cable, line, False)
        box.look_at_lines()
        slack = (time.monotonic() - began) * BAUD / 10  # what may come from the look at `got` until the line is off
        until(lambda: status(shop)["state"] == "held")
        until(lambda: status(shop)["transfer"]["held_for_s"] >= 5.0)
        assert len(box.got) - before <= 8 + slack + 8  # 8: on its way through the network meanwhile
        setattr(box.cable, line, True)
        box.look_at_lines()
        shop.receipt("lathe", "sent", "0100.nc")
        (told,) = [r for r in shop.ledger() if r["event"] == "sent"]
        assert told["holds"] == 1
        assert 5.0 <= told["held_s"] < time.monotonic() - began
        assert bytes(box.got) == WIRE


@pytest.mark.slow
@KINDS
def test_a_network_that_breaks_without_a_word_in_a_sending(tmp_path: Path, telnet_end: bool, stack: ExitStack) -> None:
    """Nothing tells that the cable is out: dncd fills no dead network, calls nothing sent, and ends in half a minute."""
    box = server(stack, telnet_end=telnet_end)
    with house(tmp_path, lathe=lathe(box.url, baud=2400)) as shop:
        shop.drop("lathe", "0100.nc", PROGRAM)
        until(lambda: len(box.got) > 100)
        box.go_deaf()
        receipt = shop.receipt("lathe", "refused", "0100.nc")
        assert receipt.get("result") == "interrupted"
        assert "the connection broke" in receipt.get("reason")
        (told,) = [r for r in shop.ledger() if r["event"] == "interrupted"]
        assert told["chars"] - len(box.got) <= 8 + 2400 // 10 // 4 + 8
        until(lambda: status(shop)["state"] in ("no-port", "listening"))  # a filter is on the old connection alone


@pytest.mark.slow
def test_a_network_that_breaks_without_a_word_on_an_idle_line(tmp_path: Path, stack: ExitStack) -> None:
    box = server(stack)
    with house(tmp_path, lathe=lathe(box.url)) as shop:
        until(lambda: status(shop)["state"] == "listening")
        box.go_deaf()
        until(lambda: "no port" in (tmp_path / "run.log").read_text())
        until(lambda: status(shop)["state"] == "listening")


# --- ports that come and go ----------------------------------------------------------------------------------------


class Adaptor:
    """A USB adaptor: a device under a name of its own that comes and goes, and the control behind it."""

    def __init__(self, name: Path) -> None:
        self.name, self.master = name, -1
        self.plug()

    def plug(self) -> None:
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        self.name.symlink_to(os.ttyname(slave))
        self.slave = slave

    def pull(self) -> None:
        self.name.unlink()
        os.close(self.slave)
        os.close(self.master)
        self.master = -1

    def close(self) -> None:
        if self.master >= 0:
            self.pull()


def test_an_adaptor_that_is_pulled_out_and_plugged_in_again(tmp_path: Path, stack: ExitStack) -> None:
    adaptor = stack.enter_context(closing(Adaptor(tmp_path / "usb-example")))
    with house(tmp_path, lathe=lathe(str(adaptor.name), "7E1")) as shop:
        shop.drop("lathe", "0100.nc", PROGRAM)
        first = os.read(adaptor.master, 100)
        assert first
        adaptor.pull()
        receipt = shop.receipt("lathe", "refused", "0100.nc")
        assert receipt.get("result") == "interrupted"
        assert "the port went away" in receipt.get("reason")
        until(lambda: status(shop)["state"] == "no-port")
        until(lambda: "no such device" in " ".join(status(shop)["trouble"]))
        adaptor.plug()
        until(lambda: status(shop)["state"] == "listening")
        capture = bytes(b | (b.bit_count() % 2) << 7 for b in WIRE)
        os.write(adaptor.master, capture)
        (told,) = until(lambda: [r for r in shop.ledger() if r["event"] == "received"])
        assert told["wire_chars"] == len(WIRE)


@pytest.mark.slow
def test_a_port_that_another_program_holds_is_named_and_taken_when_it_is_free(tmp_path: Path, stack: ExitStack) -> None:
    adaptor = stack.enter_context(closing(Adaptor(tmp_path / "usb-example")))
    program = (
        "import serial,sys; p = serial.Serial(sys.argv[1], exclusive=True); print('held', flush=True); sys.stdin.read()"
    )
    words = [sys.executable, "-c", program, str(adaptor.name)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout
        assert other.stdout.readline() == "held\n"
        with house(tmp_path, lathe=lathe(str(adaptor.name), "7E1")) as shop:
            assert status(shop)["state"] == "no-port"
            for said in (" ".join(status(shop)["trouble"]), shop.dncd("status").stdout):
                assert "it is held by process" in said
                assert f"process {other.pid} (" in said
            other.communicate()
            until(lambda: status(shop)["state"] == "listening")


def test_a_server_that_resets_the_connection_after_a_loan_costs_no_other_line_anything(
    tmp_path: Path, stack: ExitStack
) -> None:
    """A box that has not let go of its last client: the line that was lent is tried again, the other sends on."""
    box, other = server(stack, telnet_end=False), server(stack, telnet_end=False)
    machines = {"mill": lathe(other.url, baud=4800), "lathe": lathe(box.url)}
    with house(tmp_path, **machines) as shop:
        shop.drop("mill", "0100.nc", PROGRAM)
        until(lambda: len(other.got) > 50)
        for _ in range(4):
            until(lambda: status(shop)["state"] == "listening")
            with line_for(shop.state, "lathe", "dncd line test lathe"):
                box.reset_next(2)
            until(lambda: "lent" not in str(status(shop)["trouble"]))
        until(lambda: status(shop)["state"] == "listening")
        assert shop.receipt("mill", "sent", "0100.nc").get("result") == "sent"
        assert bytes(other.got) == WIRE
