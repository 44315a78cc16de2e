"""XMODEM, YMODEM, Kermit, pauses, punch and reader codes through the whole service; the control end is Debian's lrzsz or
gkermit, or a plain socket.

The port is a `socket://` one: lrzsz empties a pseudo-terminal's queues when it ends, its last ACK included.
"""

import contextlib
import shutil
import subprocess

import pytest
from house import LONG, house, text
from socket_line import SocketLine, settings
from waiting import until

from dncd.records.receipts import parse

KINDS = ("xmodem", "xmodem-crc", "xmodem-1k")
LRZSZ = pytest.mark.skipif(shutil.which("sx") is None or shutil.which("rx") is None, reason="Debian's lrzsz is absent")


GKERMIT = pytest.mark.skipif(shutil.which("gkermit") is None, reason="Debian's gkermit is absent")


@pytest.fixture
def server():
    with contextlib.closing(SocketLine()) as server:
        yield server


def peer(server, *words, folder):
    end = server.line()
    return subprocess.Popen(words, stdin=end, stdout=end, stderr=subprocess.DEVNULL, cwd=folder)


def delivered(shop, name):
    return shop.shop / "mill" / "from-machine" / name


@LRZSZ
@pytest.mark.parametrize("kind", [pytest.param(k, marks=[] if k == "xmodem-1k" else pytest.mark.slow) for k in KINDS])
def test_xmodem_programs_go_out_and_come_back(tmp_path, server, kind):
    """Out to `rx`, back from `sx` (lrzsz of Debian), byte for byte; what is no full packet is filled with SUB."""
    control = tmp_path / "control"
    control.mkdir()
    with house(tmp_path, mill=settings(server, line={"protocol": kind})) as shop:
        shop.drop("mill", "0100.nc", text(LONG[:150]))
        until(lambda: "waiting" in (shop.shop / "mill" / "STATUS.txt").read_text())
        words = ["rx", *([] if kind == "xmodem" else ["-c"]), "in.nc"]
        with peer(server, *words, folder=control) as receiver:
            assert receiver.wait(120) == 0
        wire = "\n".join(["%", *LONG[:150], "%", ""]).encode()
        assert (control / "in.nc").read_bytes().rstrip(b"\x1a") == wire
        receipt = shop.receipt("mill", "sent", "0100.nc")
        assert receipt.get("result") == "sent"
        edited = wire.replace(b"F0.1", b"F0.2", 1)
        (control / "out.nc").write_bytes(edited)
        words = ["sx", *(["-k"] if kind == "xmodem-1k" else []), "out.nc"]
        with peer(server, *words, folder=control) as sender:
            assert sender.wait(120) == 0
        receipt = parse(until((delivered(shop, "O0100.nc.receipt.txt")).read_text))
        assert receipt.get("result") == "received"
        assert delivered(shop, "O0100.nc").read_bytes().replace(b"\r\n", b"\n") == edited
        events = [r for r in shop.ledger() if r["event"] in ("sent", "received", "differs")]
        assert [r["event"] for r in events] == ["sent", "received", "differs"]
        assert events[0]["wire_chars"] == events[0]["chars"] == len(wire)


@LRZSZ
def test_ymodem_names_what_goes_out_and_gives_a_batch_its_names(tmp_path, server):
    """One program out to `rb`, under its file's name and of its size; three back from `sb`, of which two have no number."""
    control = tmp_path / "control"
    control.mkdir()
    with house(tmp_path, mill=settings(server, line={"protocol": "ymodem"})) as shop:
        shop.drop("mill", "Shaft 7.nc", text(LONG[:150]))
        until(lambda: "waiting" in (shop.shop / "mill" / "STATUS.txt").read_text())
        with peer(server, "rb", "-b", folder=control) as receiver:
            assert receiver.wait(120) == 0
        wire = "\n".join(["%", *LONG[:150], "%", ""]).encode()
        assert (control / "Shaft_7.nc").read_bytes() == wire
        assert shop.receipt("mill", "sent", "Shaft 7.nc").get("result") == "sent"
        for name, first in (("FLANGE.MPF", ""), ("0012.NC", ""), ("other.nc", "O0031\n")):
            (control / name).write_text(f"%\n{first}N10 G00 X1.\nN20 M30\n%\n")
        with peer(server, "sb", "FLANGE.MPF", "0012.NC", "other.nc", folder=control) as sender:
            assert sender.wait(120) == 0
        for name in ("FLANGE", "O0012", "O0031"):
            receipt = parse(until((delivered(shop, f"{name}.nc.receipt.txt")).read_text))
            assert receipt.get("result") == "received"
        came = [r["program"] for r in shop.ledger() if r["event"] == "received"]
        assert came == ["FLANGE", "O0012", "O0031"]


@GKERMIT
@pytest.mark.parametrize("frame", ["8N1", "7E1"])
def test_kermit_programs_go_out_and_come_back(tmp_path, server, frame):
    """Out when a receiving kermit says that it waits, back as two files; in seven bits with even parity, too."""
    control = tmp_path / "control"
    control.mkdir()
    kermit = ["gkermit", "-X", "-q", "-b", "2", *(["-p", "e"] if frame == "7E1" else [])]
    with house(tmp_path, mill=settings(server, line={"protocol": "kermit", "frame": frame})) as shop:
        shop.drop("mill", "Shaft 7.nc", text(LONG[:150]))
        until(lambda: "waiting" in (shop.shop / "mill" / "STATUS.txt").read_text())
        assert "(Kermit's NAK)" in (shop.shop / "mill" / "STATUS.txt").read_text()
        with peer(server, *kermit, "-r", folder=control) as receiver:
            assert receiver.wait(120) == 0
        wire = "\n".join(["%", *LONG[:150], "%", ""]).encode()
        (got,) = control.iterdir()
        assert (got.name.upper(), got.read_bytes()) == ("SHAFT_7.NC", wire)
        assert shop.receipt("mill", "sent", "Shaft 7.nc").get("result") == "sent"
        (control / "FLANGE.MPF").write_text("%\nN10 G00 X1.\nN20 M30\n%\n")
        (control / "O0100.NC").write_bytes(wire.replace(b"F0.1", b"F0.2", 1))
        with peer(server, *kermit, "-s", "FLANGE.MPF", "O0100.NC", folder=control) as sender:
            assert sender.wait(120) == 0
        for name in ("FLANGE", "O0100"):
            assert parse(until((delivered(shop, f"{name}.nc.receipt.txt")).read_text)).get("result") == "received"
        assert delivered(shop, "O0100.nc").read_bytes().replace(b"\r\n", b"\n") == wire.replace(b"F0.1", b"F0.2", 1)
        events = [r["event"] for r in shop.ledger() if r["event"] in ("sent", "received", "differs")]
        assert events == ["sent", "received", "received", "differs"]


def test_a_stopped_xmodem_sending_is_cancelled_at_the_control(tmp_path, server):
    with house(tmp_path, mill=settings(server, line={"protocol": "xmodem"})) as shop:
        shop.drop("mill", "0100.nc", text(LONG[:150]))
        until(lambda: "waiting" in (shop.shop / "mill" / "STATUS.txt").read_text())
        server.line().sendall(b"\x15")
        first, _ = server.read(lambda got: len(got.lstrip(b"\x15")) >= 132)
        assert first.lstrip(b"\x15")[:3] == b"\x01\x01\xfe"
        server.line().sendall(b"\x06")
        server.read(lambda got: len(got) >= 132)
        assert shop.dncd("withdraw", "mill").returncode == 0
        said, _ = server.read(lambda got: b"\x18\x18" in got)
        assert said.startswith(b"\x18")
        receipt = shop.receipt("mill", "refused", "0100.nc")
        assert receipt.get("result") == "interrupted"
        assert "128 of" in receipt.get("reason")


def test_an_eot_is_only_acknowledged_once_the_program_is_on_record(tmp_path, server):
    block = b"%\nO0007\nN10 G00 X1.\nM30\n%\n".ljust(128, b"\x1a")
    packet = b"\x01\x01\xfe" + block + bytes([sum(block) & 0xFF])  # the reference of 1988, 7.1 and 7.2
    with house(tmp_path, mill=settings(server, line={"protocol": "xmodem"})) as shop:
        server.read(lambda got: b"\x15" in got)
        server.line().sendall(packet)
        server.read(lambda got: b"\x06" in got)
        server.line().sendall(b"\x04")
        server.read(lambda got: b"\x06" in got)
        assert [r["event"] for r in shop.ledger() if r.get("machine")][-1] == "received"
        assert (delivered(shop, "O0007.nc")).read_bytes() == b"%\r\nO0007\r\nN10 G00 X1.\r\nM30\r\n%\r\n"


def test_pauses_are_on_the_line(tmp_path, server):
    """Ten bits a character at 115,200 baud are 87 µs; the pauses are far longer and stand alone (serial arithmetic)."""
    paced = settings(server, send={"start_on": "now", "after_char_s": 0.05, "after_block_s": 0.2})
    with house(tmp_path, mill=paced) as shop:
        shop.drop("mill", "0001.nc", b"%\nO0001\nM30\n%\n")
        wire = b"%\nO0001\nM30\n%\n"
        got, times = server.read(lambda got: len(got) == len(wire))
        assert got == wire
        ends = wire[:-1].count(b"\n")
        least = ends * 0.2 + (len(wire) - 1 - ends) * 0.05
        # the reader may be late for the first character, never early for the last
        assert times[-1][0] - times[0][0] > 0.5 * least
        assert shop.receipt("mill", "sent", "0001.nc").get("result") == "sent"
        (sent,) = [record for record in shop.ledger() if record["event"] == "sent"]
        assert sent["seconds"] >= least


@pytest.mark.parametrize(
    ("parity", "frame", "codes"),
    [
        ("as-frame", "8N1", b"\x11\x12\x13\x14"),
        ("even", "8N1", b"\x11\x12\x93\x14"),  # DC3 has four holes with even parity (two connection manuals)
        ("none", "7E1", b"\x11\x12\x13\x14"),
        ("as-frame", "7E1", b"\x11\x12\x93\x14"),
    ],
)
def test_punch_and_reader_codes_are_said_where_they_are_asked_for(tmp_path, server, parity, frame, codes):
    dc1, dc2, dc3, dc4 = (bytes([code]) for code in codes)
    more = settings(
        server,
        line={"frame": frame, "dc_parity": parity},
        tape={"leader_chars": 3, "trailer_chars": 2},
        send={"start_on": "now", "announce": "dc2 dc4"},
        receive={"silence_s": 0.5, "request": "dc1 dc3"},
    )
    even = bytes(char | (0x80 if char.bit_count() % 2 else 0) for char in range(128))
    coded = (lambda data: data.translate(even.ljust(256, b"\0"))) if frame == "7E1" else (lambda data: data)
    with house(tmp_path, mill=more) as shop:
        shop.drop("mill", "0001.nc", b"%\nO0001\nM30\n%\n")
        got, _ = server.read(lambda got: got.endswith(dc4))
        assert got == dc2 + bytes(3) + coded(b"%\nO0001\nM30\n%\n") + bytes(2) + dc4
        sent = shop.receipt("mill", "sent", "0001.nc")
        assert sent.get("result") == "sent"
        assert [r["wire_chars"] for r in shop.ledger() if r["event"] == "sent"] == [len(b"%\nO0001\nM30\n%\n")]
        server.line().sendall(b"\x12")  # punch on: the control waits for DC1
        assert server.read(bool)[0] == dc1
        server.line().sendall(coded(b"%\nO0002\nM30\n%\n") + b"\x14")
        assert server.read(bool)[0] == dc3
        assert parse(until(delivered(shop, "O0002.nc.receipt.txt").read_text)).get("result") == "received"
        asked = shop.dncd("request", "mill")
        assert asked.returncode == 0, asked.stderr
        assert server.read(bool)[0] == dc1


def test_a_control_that_is_not_asked_says_so(tmp_path, server):
    with house(tmp_path, mill=settings(server)) as shop:
        asked = shop.dncd("request", "mill")
        assert asked.returncode == 1
        assert "receive.request" in asked.stderr


def test_an_operator_s_edit_is_held_until_somebody_sends_over_it(tmp_path, server):
    base = text(LONG[:20])
    with house(tmp_path, mill=settings(server)) as shop:
        shop.drop("mill", "0100.nc", base)
        wire = base.replace(b"\r\n", b"\n")
        server.read(lambda got: len(got) == len(wire))
        shop.receipt("mill", "sent", "0100.nc")
        server.line().sendall(wire.replace(b"N30 G01 X0.30 Z-0.60 F0.1", b"N30 G01 X0.30 Z-0.60 F0.08"))
        parse(until(delivered(shop, "O0100.nc.receipt.txt").read_text))
        (tmp_path / "0100.nc").write_bytes(base)
        refused = shop.dncd("send", "mill", str(tmp_path / "0100.nc"))
        assert refused.returncode == 1
        assert "block N30: F 0.1 → 0.08" in refused.stdout + refused.stderr
        assert "send --over-edits" in refused.stdout + refused.stderr
        over = shop.dncd("send", "--over-edits", "mill", str(tmp_path / "0100.nc"))
        assert over.returncode == 0, over.stdout + over.stderr
        assert server.read(lambda got: len(got) == len(wire))[0] == wire
