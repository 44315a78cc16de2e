"""Drip feed: programs larger than any memory, at flat memory of dncd; the file stays in place until the end."""

import hashlib
import json
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest
from house import House, house
from socket_line import SocketLine, settings
from waiting import until

from dncd.records.receipts import parse

HERE = Path(__file__).parent


def memory_mb(pid, key):
    status = Path(f"/proc/{pid}/status").read_text("ascii")
    return next(int(line.split()[1]) for line in status.splitlines() if line.startswith(key)) / 1024


def write_program(path, number, size):
    """About `size` characters; gives the SHA-256 of the image and its length."""
    digest, chars = hashlib.sha256(), 0
    with path.with_suffix(".tmp").open("wb") as file:

        def put(data):
            nonlocal chars
            file.write(data)
            digest.update(data)
            chars += len(data)

        put(b"%%\nO%04d\n" % number)
        block = 0
        while chars < size:
            put(
                b"".join(
                    b"X%d.%03d Y-%d.5 Z%d.25\n" % (n % 999, n % 1000, n % 77, n % 13)
                    for n in range(block, block + 4000)
                )
            )
            block += 4000
        put(b"M30\n%\n")
    path.with_suffix(".tmp").rename(path)
    return digest.hexdigest(), chars


def take(server, chars, seconds):
    """Reads so many characters; gives their SHA-256."""
    digest, left, end = hashlib.sha256(), chars, time.monotonic() + seconds
    while left:
        assert select.select([server.line()], [], [], max(0.0, end - time.monotonic()))[0], f"{left} did not come"
        piece = server.line().recv(min(left, 1 << 18))
        assert piece
        digest.update(piece)
        left -= len(piece)
    return digest.hexdigest()


@pytest.mark.slow
def test_a_hundred_megabytes_go_out_at_flat_memory(tmp_path):
    server = SocketLine()
    drop, sent = tmp_path / "shop/mill/to-machine", tmp_path / "shop/mill/sent"
    words = [sys.executable, str(HERE / "drip_service.py"), str(tmp_path), server.port]
    with (tmp_path / "run.log").open("wb") as log:
        service = subprocess.Popen(words, stdout=log, stderr=log, env={"PYTHONPATH": str(HERE.parent)})
    try:
        server.line()
        until(drop.exists)
        memory = []
        for number, size in ((1, 1_000_000), (2, 100_000_000)):
            sha256, chars = write_program(drop / f"{number:04}.nc", number, size)
            assert (drop / f"{number:04}.nc").exists()
            server.line().sendall(b"\x11")
            assert take(server, chars, 300) == sha256
            receipt = parse(until((sent / f"{number:04}.nc.receipt.txt").read_text, 120))
            assert receipt.get("result") == "sent"
            assert "keep clear" in (sent / f"{number:04}.nc.receipt.txt").read_text().lower()
            memory.append(memory_mb(service.pid, "VmHWM"))
        print(f"highest memory {memory[0]:.1f} MB after 1 MB, {memory[1]:.1f} MB after 100 MB")
        assert memory[1] - memory[0] < 20
        ledger = [
            json.loads(line) for f in (tmp_path / "state/ledger").glob("*.jsonl") for line in f.read_text().splitlines()
        ]
        assert [(r["wire_sha256"], r["wire_chars"]) for r in ledger if r["event"] == "sent"][-1] == (sha256, chars)
    finally:
        service.terminate()
        service.wait(120)
        server.close()
    assert "Traceback" not in (tmp_path / "run.log").read_text()


def test_the_block_under_way_is_shown_and_the_file_stays_until_the_end(tmp_path):
    server = SocketLine()
    slow = settings(server, line={"baud": 2400, "flow": "xon/xoff"}, send={"start_on": "dc1", "drip_feed": True})
    try:
        with house(tmp_path, mill={**slow, "program": {"memory_chars": 100}}) as shop:
            blocks = [f"N{n} G01 X{n}.5 Z-{n}.25" for n in range(10, 500, 10)]
            wire = "\n".join(["%", "O0001", *blocks, "M30", "%", ""]).encode()
            dropped = shop.drop("mill", "0001.nc", wire)
            server.line().sendall(b"\x11")
            got, _ = server.read(lambda got: len(got) > 100)
            server.line().sendall(b"\x13")
            state = until(lambda: held(shop))
            assert dropped.exists()
            assert state["transfer"]["block"] in [*blocks, "O0001"]
            more = drained(server)
            assert len(more) <= 8
            around = (got + more)[-80:].decode()
            assert state["transfer"]["block"] in wire.decode()
            assert state["transfer"]["block"].split(" ")[0] in around
            server.line().sendall(b"\x11")
            got += more + server.read(lambda rest: len(got) + len(more) + len(rest) == len(wire))[0]
            assert got == wire
            assert shop.receipt("mill", "sent", "0001.nc").get("result") == "sent"
            assert not dropped.exists()
    finally:
        server.close()


def held(shop: House):
    status = json.loads(shop.dncd("status", "--json").stdout)["machines"]["mill"]
    return status if status["state"] == "held" else None


def drained(server):
    """What was under way when the control said stop."""
    got = b""
    while select.select([server.line()], [], [], 0.2)[0]:
        got += server.line().recv(4096)
    return got
