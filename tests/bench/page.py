"""What the page costs and how soon it tells: lines that send, with many open pages and without.

    python tests/bench/page.py [--lines 16,64] [--pages 50] [--chars 9600]

Beside the lines one more machine, `bell`, begins and ends captures: the time from its character to the news of that at each
open page is measured, at whatever moment of a look it falls. Pages are plain readers of `/news`, all in a process of their
own. For each number of lines: the worst line's part of the rate, with the pages and without; processor time of service and
page; the memory of both. Exit status 1: a goal missed. A machine whose cores are full measures itself: see the load beside.
"""

import argparse
import contextlib
import multiprocessing
import os
import re
import selectors
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from line import ENV, YardProcess, even, memory_mb, program, service_of, service_words, settings, spent, states
from pty_line import PtyLine
from waiting import until, watched

SOON_S = 0.3
PAGE_MB = 150.0
GROWTH_MB = 10.0
RATIO = 0.998
RINGS = 12
CARD = re.compile(rb'"machine-bell-card".{0,2000}?state.{0,4}>(Receiving|Listening)', re.DOTALL)


@dataclass(frozen=True, slots=True)
class Row:
    """One run. used: of the worst line; late_s: from each event to each page, sorted."""

    used: float
    service_cpu: float
    page_cpu: float
    service_mb: float
    page_mb: float
    late_s: tuple[float, ...]


# --- the process of the open pages -------------------------------------------------------------------------------------
def read_news(pipe: Connection, port: int, pages: int) -> None:
    """Opens them, and reads until told `end`. Told what the bell is to show, it says when each page was told that."""
    with selectors.DefaultSelector() as selector:
        selector.register(pipe, selectors.EVENT_READ)
        kept, wanted, told = dict.fromkeys(range(pages), b""), "", dict[int, float]()
        for number in kept:
            sock = socket.create_connection(("127.0.0.1", port))
            sock.sendall(f"GET /news?on=floor HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
            selector.register(sock, selectors.EVENT_READ, number)
        pipe.send([])
        while wanted != "end":
            for key, _ in selector.select():
                if not isinstance(key.fileobj, socket.socket):
                    wanted, told = pipe.recv(), {}
                    pipe.send([])
                    continue
                came, last = kept[key.data] + key.fileobj.recv(1 << 18), 0
                for found in CARD.finditer(came):
                    if found[1].decode() == wanted:
                        told.setdefault(key.data, time.monotonic())
                    last = found.end()
                start = came.rfind(b'"machine-bell-card"', last)
                kept[key.data] = came[start:] if start >= 0 else came[max(last, len(came) - 20) :]
                if len(told) == pages:
                    pipe.send(list(told.values()))
                    wanted, told = "", {}


@contextlib.contextmanager
def open_pages(port: int, pages: int) -> Iterator[Connection]:
    context = multiprocessing.get_context("spawn")
    here, far = context.Pipe()
    process = context.Process(target=read_news, args=(far, port, pages))
    process.start()
    here.recv()
    yield here
    here.send("end")
    process.join(10)


@contextlib.contextmanager
def page_of(folder: Path, words: list[str]) -> Iterator[tuple["subprocess.Popen[str]", int]]:
    with (folder / "page.log").open("wb") as log:
        page = subprocess.Popen(
            [*words, "page", "--listen", "127.0.0.1:0"], env=ENV, stdout=subprocess.PIPE, stderr=log, text=True
        )
    assert page.stdout
    try:
        yield page, int(re.search(r":(\d+)/", page.stdout.readline())[1])  # type: ignore[index]
    finally:
        page.terminate()
        page.wait(60)
        page.stdout.close()


# --- one run -----------------------------------------------------------------------------------------------------------
def ring(bell: PtyLine, folder: Path, pages: Connection | None) -> list[float]:
    """The bell punches programs while the lines send; seconds from each of its changes to the news at each page."""
    late = []
    for number in range(1, RINGS + 1):
        for said, shown in ((b"%%\nO%04d\nN10 G00" % number, "Receiving"), (b" X1.\nM30\n%\n", "Listening")):
            if pages is not None:
                pages.send(shown)
                pages.recv()
            at = time.monotonic()
            bell.say(even(said))
            if pages is not None:
                late += [when - at for when in pages.recv()]
        until((folder / f"shop/bell/from-machine/O{number:04}.nc.receipt.txt").exists, 120)
    return late


def run(lines: int, pages: int, text: bytes) -> Row:
    with YardProcess(lines, 9600, 0.0) as yard, PtyLine() as bell, tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        file = settings(folder, [*yard.paths, bell.path], 9600, 8)
        file.write_text(file.read_text("utf-8").replace(f"machines.m{lines}.", "machines.bell."), "utf-8")
        words = service_words(file)
        with contextlib.ExitStack() as stack:
            service = stack.enter_context(service_of(folder, words))
            stack.enter_context(watched(folder))
            until(lambda: states(words).count("listening") == lines + 1, 120)
            page, pipe = None, None
            if pages:
                page, port = stack.enter_context(page_of(folder, words))
                pipe = stack.enter_context(open_pages(port, pages))
            for index in range(lines):
                (folder / f"shop/m{index}/to-machine/0100.nc").write_bytes(text)
            until(lambda: states(words).count("waiting") == lines, 120)
            before = spent(service.pid), spent(page.pid) if page else 0.0
            began = time.monotonic()
            yard.ask("read")
            late = ring(bell, folder, pipe)
            _, found = yard.ask("wait")
            after = spent(service.pid), spent(page.pid) if page else 0.0
            wall = time.monotonic() - began
            assert all(taken == even(text) for _, _, taken in found), "not whole"
            return Row(
                used=min(used for _, used, _ in found),
                service_cpu=(after[0] - before[0]) / wall,
                page_cpu=(after[1] - before[1]) / wall,
                service_mb=memory_mb(service.pid, "VmHWM"),
                page_mb=memory_mb(page.pid, "VmHWM") if page else 0.0,
                late_s=tuple(sorted(late)),
            )


# --- the table ---------------------------------------------------------------------------------------------------------
def shown(lines: int, pages: int, row: Row) -> str:
    late = row.late_s
    soon = f"{late[len(late) // 2]:.3f} s, 99 of 100 {late[len(late) * 99 // 100]:.3f} s" if late else "-"
    return (
        f"{lines:>5} {pages:>5}   used {row.used:.2%}   service {row.service_cpu:6.1%} of a core, {row.service_mb:5.1f} MB"
        f"   page {row.page_cpu:6.1%}, {row.page_mb:5.1f} MB   told in {soon}   load {os.getloadavg()[0]:.1f}"
    )


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    words.add_argument("--lines", default="16,64", help="numbers of lines, with commas")
    words.add_argument("--pages", type=int, default=50)
    words.add_argument("--chars", type=int, default=12_000, help="characters of the program")
    given = words.parse_args()
    text, missed = program(given.chars), []
    for lines in map(int, given.lines.split(",")):
        bare, open_ = run(lines, 0, text), run(lines, given.pages, text)
        ratio, growth = open_.used / bare.used, open_.service_mb - bare.service_mb
        print(f"{shown(lines, 0, bare)}\n{shown(lines, given.pages, open_)}")
        print(f"      with : without   line used {ratio:.4f}, the service's memory +{growth:.1f} MB", flush=True)
        soon = open_.late_s[len(open_.late_s) * 99 // 100] if open_.late_s else 0.0
        for reached, what in (
            (soon < SOON_S, f"{lines} lines: told in {soon:.3f} s, {SOON_S} s wanted"),
            (open_.page_mb < PAGE_MB, f"{lines} lines: the page has {open_.page_mb:.0f} MB"),
            (ratio >= RATIO, f"{lines} lines: line used {ratio:.4f} of what it is without the page"),
            (growth < GROWTH_MB, f"{lines} lines: the service grew by {growth:.1f} MB"),
        ):
            if not reached:
                missed.append(what)
    for what in missed:
        print(f"not reached: {what}")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
