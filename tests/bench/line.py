"""What a line costs and how well it is used: dncd beside a bare self-paced loop, and beside copying with kernel XON/XOFF.

    python tests/bench/line.py [--lines 1,16,64,128] [--chars 9600] [--ahead 8] [--only-lines]

For each number of lines: part of the line's rate that was used (worst line), processor time as part of one core for each
line, memory, and the ratio to the bare loop (`bare_loop.py`: `select` and a clock, no records). Then one line at other
rates; 16 controls that read 500 char/s out of 512 characters (lost, most after a DC3), also by `stty` and `cat`; and how
long people wait, alone and beside 64 busy lines. The controls run in a process of their own. Exit status 1: a goal missed.
A pseudo-terminal keeps some thousand characters that a stop does not hold back, as a USB adaptor or a device server may.
"""

import argparse
import contextlib
import json
import multiprocessing
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from multiprocessing.connection import Connection
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from pty_line import PtyLine  # noqa: E402
from waiting import until, watched  # noqa: E402

from dncd.standin.build import Build  # noqa: E402
from dncd.standin.control import Mode, StandIn  # noqa: E402
from dncd.standin.yard import Yard  # noqa: E402
from dncd.values import Frame  # noqa: E402

TICKS = os.sysconf("SC_CLK_TCK")
ENV = {**os.environ, "PYTHONPATH": str(ROOT)}
TRIES = 5
QUIET_S = 2.0


@dataclass(frozen=True, slots=True)
class Row:
    """One run. used: worst line; cpu_s, wall_s: of the process or processes that send; memory_mb: all of them."""

    lines: int
    way: str
    baud: int
    holding: bool
    used: float
    lost: int
    after_dc3: int
    holds: int
    whole: int
    cpu_s: float
    wall_s: float
    memory_mb: float
    yard_cpu_s: float

    @property
    def core_percent(self) -> float:
        return 100 * self.cpu_s / self.wall_s / self.lines


def even(data: bytes) -> bytes:
    return bytes(char | (0x80 if char.bit_count() % 2 else 0) for char in data)


def program(chars: int) -> bytes:
    """A text of about so many characters between its marks, LF line ends."""
    blocks = ["O0100"]
    size = 6
    while size < chars - 8:
        blocks.append(f"N{len(blocks) * 10} G01 X{len(blocks) / 100:.2f} Z-{len(blocks) / 50:.2f} F0.1")
        size += len(blocks[-1]) + 1
    return "\n".join(["%", *blocks, "M30", "%", ""]).encode()


# --- the process of the controls -----------------------------------------------------------------------------------
def serve(pipe: Connection, lines: int, baud: int, reads_per_s: float) -> None:
    """Answers `read` (all press READ), `wait` (until all are off or nothing comes any more) with the figures."""
    build = Build(baud=baud, frame=Frame.parse("7E1"), reads_per_s=reads_per_s)
    controls = [StandIn(build) for _ in range(lines)]
    with Yard(*controls):
        pipe.send([control.path for control in controls])
        while (word := pipe.recv()) != "end":
            if word == "read":
                for control in controls:
                    control.clear()
                    control.read_in()
                began = time.process_time()
                pipe.send(None)
            else:
                wait_until_still(controls)
                spent = time.process_time() - began
                pipe.send(
                    (
                        spent,
                        [(asdict(c.figures()), c.figures().line_used(build.char_s), bytes(c.taken)) for c in controls],
                    )
                )


def wait_until_still(controls: list[StandIn]) -> None:
    """Until every reader is off, or its control took no character for a while (a lost mark leaves a reader on)."""
    for control in controls:
        before = 0
        while not control.wait_for(lambda c=control: c.mode is Mode.OFF, QUIET_S) and len(control.taken) != before:
            before = len(control.taken)
        control.wait_for(lambda c=control: c.taken[-1:] != even(b"%"), 0.1)  # the last block end after the mark


class YardProcess:
    """The controls in their own process. `paths`: their ports."""

    def __init__(self, lines: int, baud: int, reads_per_s: float):
        context = multiprocessing.get_context("spawn")
        self._pipe, far = context.Pipe()
        self._process = context.Process(target=serve, args=(far, lines, baud, reads_per_s))
        self._process.start()
        self.paths = self._pipe.recv()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._pipe.send("end")
        self._process.join(10)

    def ask(self, word: str):
        self._pipe.send(word)
        return self._pipe.recv()


# --- the two ways --------------------------------------------------------------------------------------------------
def settings(folder: Path, paths: list[str], baud: int, ahead: int) -> Path:
    lines = ["[shop]", 'folder = "shop"', 'state = "state"', "settle_s = 0.3"]
    for index, path in enumerate(paths):
        lines += [
            f"[machines.m{index}.line]",
            f'port = "{path}"',
            f"baud = {baud}",
            'frame = "7E1"',
            f"ahead = {ahead}",
        ]
    file = folder / "dncd.toml"
    file.write_text("\n".join(lines) + "\n", "utf-8")
    return file


def spent(pid: int) -> float:
    """Processor seconds of a process."""
    fields = Path(f"/proc/{pid}/stat").read_text("ascii").rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def memory_mb(pid: int, key: str = "VmRSS") -> float:
    status = Path(f"/proc/{pid}/status").read_text("ascii")
    return next(int(line.split()[1]) for line in status.splitlines() if line.startswith(key)) / 1024


def states(words: list[str], env: dict[str, str] = ENV) -> list[str]:
    """What each line of a service does; nothing while it does not answer."""
    done = subprocess.run([*words, "status", "--json"], check=False, env=env, capture_output=True, text=True)
    return [m["state"] for m in json.loads(done.stdout)["machines"].values()] if done.returncode == 0 else []


def service_words(file: Path) -> list[str]:
    return [sys.executable, "-m", "dncd", "--config", str(file)]


@contextlib.contextmanager
def service_of(folder: Path, words: list[str]) -> Iterator["subprocess.Popen[bytes]"]:
    with (folder / "run.log").open("wb") as log:
        service = subprocess.Popen([*words, "run"], env=ENV, stdout=log, stderr=log)
    try:
        yield service
    finally:
        service.terminate()
        service.wait(60)


def by_dncd(yard: YardProcess, text: bytes, baud: int, *, ahead: int, holding: bool) -> Row:
    lines = len(yard.paths)
    with tempfile.TemporaryDirectory(prefix="dncd-bench-") as name:
        folder = Path(name)
        words = service_words(settings(folder, yard.paths, baud, ahead))
        with service_of(folder, words) as service, watched(folder):
            until(lambda: states(words).count("listening") == lines, 120)
            for index in range(lines):
                (folder / f"shop/m{index}/to-machine/0100.nc").write_bytes(text)
            until(lambda: states(words).count("waiting") == lines, 120)
            cpu, began = spent(service.pid), time.monotonic()
            yard.ask("read")
            yard_cpu, found = yard.ask("wait")
            cpu, wall = spent(service.pid) - cpu, time.monotonic() - began
            until(lambda: len(list(folder.glob("shop/*/sent/0100.nc.receipt.txt"))) == lines, 120)
            return row_of(
                "dncd", baud, holding, even(text), found, cpu, wall, memory_mb(service.pid, "VmHWM"), yard_cpu
            )


def by_bare_loop(yard: YardProcess, text: bytes, baud: int, ahead: int, holding: bool) -> Row:
    with tempfile.NamedTemporaryFile() as file:
        file.write(even(text))
        file.flush()
        words = [sys.executable, str(Path(__file__).with_name("bare_loop.py")), file.name, str(baud), str(ahead)]
        with subprocess.Popen([*words, *yard.paths], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as loop:
            assert loop.stdout
            assert loop.stdin
            loop.stdout.readline()
            cpu, began = spent(loop.pid), time.monotonic()
            yard.ask("read")
            yard_cpu, found = yard.ask("wait")
            cpu, wall = spent(loop.pid) - cpu, time.monotonic() - began
            memory = memory_mb(loop.pid)
            loop.stdin.close()
            loop.terminate()
        return row_of("bare loop", baud, holding, even(text), found, cpu, wall, memory, yard_cpu)


def by_copy(yard: YardProcess, text: bytes, holding: bool) -> Row:
    with tempfile.NamedTemporaryFile() as file:
        file.write(even(text))
        file.flush()
        for path in yard.paths:
            subprocess.run(["stty", "-F", path, "raw", "-echo", "ixon", "stop", "0x93"], check=True)
        yard.ask("read")
        before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
        ports = [os.open(path, os.O_WRONLY | os.O_NOCTTY) for path in yard.paths]
        copies = [subprocess.Popen(["cat", file.name], stdout=port) for port in ports]
        memory = sum(memory_mb(copy.pid) if copy.poll() is None else 0.0 for copy in copies)
        yard_cpu, found = yard.ask("wait")
        wall = time.monotonic() - began
        for copy, port in zip(copies, ports, strict=True):
            copy.wait(30)
            os.close(port)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        return row_of("stty, cat", 9600, holding, even(text), found, cpu, wall, memory, yard_cpu)


def row_of(
    way: str,
    baud: int,
    holding: bool,
    wire: bytes,
    found: list,
    cpu: float,
    wall: float,
    memory: float,
    yard_cpu: float,
) -> Row:
    return Row(
        lines=len(found),
        way=way,
        baud=baud,
        holding=holding,
        used=min(used for _, used, _ in found),
        lost=sum(figures["lost"] for figures, _, _ in found),
        after_dc3=max((max(figures["after_dc3"], default=0) for figures, _, _ in found), default=0),
        holds=sum(figures["holds"] for figures, _, _ in found),
        whole=sum(taken == wire and not figures["lost"] for figures, _, taken in found),
        cpu_s=cpu,
        wall_s=wall,
        memory_mb=memory,
        yard_cpu_s=yard_cpu,
    )


# --- how long people wait ------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Waits:
    """Seconds, middle and longest of TRIES: from a drop to "waiting"; from a punch's last character to its receipt."""

    lines: int
    drop_s: tuple[float, float]
    punch_s: tuple[float, float]


def waits(lines: int, text: bytes, ahead: int) -> Waits:
    """Beside so many lines that send."""
    with (
        YardProcess(max(lines, 1), 9600, 0.0) as yard,
        PtyLine() as out,
        PtyLine() as back,
        tempfile.TemporaryDirectory(prefix="dncd-bench-") as name,
    ):
        folder, paths = Path(name), yard.paths[:lines]
        words = service_words(settings(folder, [*paths, out.path, back.path], 9600, ahead))
        with service_of(folder, words), watched(folder):
            until(lambda: states(words).count("listening") == lines + 2, 120)
            for index in range(lines):
                (folder / f"shop/m{index}/to-machine/0100.nc").write_bytes(text)
            until(lambda: states(words).count("waiting") == lines, 120)
            yard.ask("read")
            office, control = folder / f"shop/m{lines}", folder / f"shop/m{lines + 1}"
            drops = [drop(office, number) for number in range(1, TRIES + 1)]
            punches = [punch(back, control, number) for number in range(1, TRIES + 1)]
        return Waits(lines, of_all(drops), of_all(punches))


def of_all(times: list[float]) -> tuple[float, float]:
    return sorted(times)[len(times) // 2], max(times)


def drop(machine: Path, number: int) -> float:
    """To the state `waiting` in STATUS.txt; then it is taken out again."""
    file, status = machine / f"to-machine/{number:04}.nc", machine / "STATUS.txt"
    file.write_bytes(b"%%\nO%04d\nM30\n%%\n" % number)
    began = time.monotonic()
    until(lambda: f"{number:04}.nc" in (said := status.read_text("utf-8")) and "state: waiting" in said, 120)
    took = time.monotonic() - began
    file.unlink()
    until(lambda: "state: listening" in status.read_text("utf-8"), 120)
    return took


def punch(line: PtyLine, machine: Path, number: int) -> float:
    """A short program: a pseudo-terminal carries it at once."""
    line.say(even(b"%%\nO%04d\nN10 G00 X1.\nM30\n%%\n" % number))
    began = time.monotonic()
    until((machine / f"from-machine/O{number:04}.nc.receipt.txt").exists, 120)
    return time.monotonic() - began


# --- the table -----------------------------------------------------------------------------------------------------
AT_MOST = {16: 1.5, 64: 1.5, 128: 1.5}
"""Lines → processor time of dncd for one second of the bare loop's."""

USED = {1: 0.999, 128: 0.995}
"""Lines → part of the line's rate at 9600 baud, worst line."""

HEAD = (
    f"{'lines':>5} {'way':<10} {'baud':>6} {'control':<9} {'arrived':>8} {'lost':>8} {'used':>7} {'holds':>6} "
    f"{'after DC3':>9} {'core/line':>9} {'MB':>7} {'MB/line':>8}   controls"
)


def shown(row: Row) -> str:
    used = "-" if row.holding else f"{row.used:.2%}"
    return (
        f"{row.lines:>5} {row.way:<10} {row.baud:>6} {'500 char/s' if row.holding else 'no holds':<10}"
        f"{row.whole:>4}/{row.lines:<3} {row.lost:>8,} {used:>7} {row.holds:>6} {row.after_dc3:>9} "
        f"{row.core_percent:>8.3f}% {row.memory_mb:>7.1f} {row.memory_mb / row.lines:>8.2f}   "
        f"{100 * row.yard_cpu_s / row.wall_s:.0f} % of a core   load {os.getloadavg()[0]:.1f}"
    )


class Table:
    """Runs, prints and judges. missed: goals that were not reached, in words."""

    def __init__(self, chars: int, ahead: int) -> None:
        self.text, self.ahead = program(chars), ahead
        self.rows: list[Row] = []
        self.missed: list[str] = []

    def run(self, way: str, lines: int, *, baud: int = 9600, ahead: int = 0, holding: bool = False) -> Row:
        ahead = ahead or self.ahead
        with YardProcess(lines, baud, 500.0 if holding else 0.0) as yard:
            if way == "dncd":
                row = by_dncd(yard, self.text, baud, ahead=ahead, holding=holding)
            elif way == "bare loop":
                row = by_bare_loop(yard, self.text, baud, ahead, holding)
            else:
                row = by_copy(yard, self.text, holding)
        self.rows.append(row)
        print(shown(row), flush=True)
        if way == "dncd":
            self.goal(row.whole == lines, f"{lines} lines: {row.whole} programs arrived whole")
            self.goal(row.after_dc3 <= ahead, f"{row.after_dc3} characters after a stop, {ahead} allowed")
        return row

    def goal(self, reached: bool, what: str) -> None:
        if not reached:
            self.missed.append(what)

    def beside_bare_loop(self, lines: int) -> None:
        ours, bare = self.run("dncd", lines), self.run("bare loop", lines)
        ratio = ours.cpu_s / bare.cpu_s if bare.cpu_s else float("nan")
        print(f"      dncd : bare loop  processor {ratio:.2f}, line used {ours.used / bare.used:.4f}", flush=True)
        self.goal(lines not in AT_MOST or ratio <= AT_MOST[lines], f"{lines} lines: processor {ratio:.2f} : bare loop")
        if lines in USED:
            self.goal(ours.used >= USED[lines], f"{lines} lines: the worst was {ours.used:.2%} used")

    def alone(self, baud: int, ahead: int, used: float) -> None:
        row = self.run("dncd", 1, baud=baud, ahead=ahead)
        self.goal(row.used >= used, f"one line at {baud}: {row.used:.2%} used, {used:.1%} wanted")

    def holding(self, lines: int) -> None:
        for way in ("dncd", "bare loop", "stty, cat"):
            self.run(way, lines, holding=True)

    def waits(self, lines: int) -> None:
        seen = waits(lines, self.text, self.ahead)
        print(
            f"{lines:>5} lines beside   drop to waiting {seen.drop_s[0]:.3f} s (longest {seen.drop_s[1]:.3f})   "
            f"last character of a punch to its receipt {seen.punch_s[0]:.3f} s (longest {seen.punch_s[1]:.3f})   "
            f"load {os.getloadavg()[0]:.1f}",
            flush=True,
        )


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    words.add_argument("--lines", default="1,16,64,128", help="numbers of lines beside the bare loop, with commas")
    words.add_argument("--chars", type=int, default=9_600, help="characters of the program")
    words.add_argument("--ahead", type=int, default=8)
    words.add_argument("--only-lines", action="store_true", help="leave out other rates, holds and waits")
    given = words.parse_args()
    table = Table(given.chars, given.ahead)
    print(f"{len(table.text):,} characters, 7E1, ahead = {given.ahead}, on {os.cpu_count()} cores\n{HEAD}")
    for lines in map(int, given.lines.split(",")):
        table.beside_bare_loop(lines)
    if not given.only_lines:
        table.alone(38_400, given.ahead, 0.997)
        table.alone(115_200, 32, 0.995)
        table.holding(16)
        table.waits(0)
        table.waits(64)
    for missed in table.missed:
        print(f"not reached: {missed}")
    return 1 if table.missed else 0


if __name__ == "__main__":
    sys.exit(main())
