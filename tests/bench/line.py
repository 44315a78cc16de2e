"""What a line costs and how well it is used: dncd beside copying the file to the same port with kernel XON/XOFF.

    python tests/bench/line.py [--lines 1,16,64] [--chars 12000] [--baud 9600] [--ahead 8]

For each number of lines, with controls that never hold and with controls that read 500 char/s out of 512 characters:
part of the line's rate that was used (worst line), characters lost, most characters after a DC3, processor time as part
of one core for each line, and memory. The stand-in controls run in a process of their own. The copy is `stty` and `cat`
of this machine. A pseudo-terminal keeps some thousand characters that a stop does not hold back, as a USB adaptor or a
device server may; a UART on the board keeps 1 to 128, so there the copy loses fewer.
"""

import argparse
import json
import multiprocessing
import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import asdict, dataclass
from multiprocessing.connection import Connection
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from waiting import until  # noqa: E402

from dncd.standin.build import Build  # noqa: E402
from dncd.standin.control import Mode, StandIn  # noqa: E402
from dncd.standin.yard import Yard  # noqa: E402
from dncd.values import Frame  # noqa: E402

TICKS = os.sysconf("SC_CLK_TCK")
QUIET_S = 2.0


@dataclass(frozen=True, slots=True)
class Row:
    """One run. used: worst line; cpu_s, wall_s: of the process or processes that send; memory_mb: all of them."""

    lines: int
    way: str
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
            f"ahead_chars = {ahead}",
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


def states(words: list[str], env: dict[str, str]) -> list[str]:
    """What each line of a service does; nothing while it does not answer."""
    done = subprocess.run([*words, "status", "--json"], check=False, env=env, capture_output=True, text=True)
    return [m["state"] for m in json.loads(done.stdout)["machines"].values()] if done.returncode == 0 else []


def by_dncd(yard: YardProcess, text: bytes, baud: int, *, ahead: int, holding: bool) -> Row:
    lines = len(yard.paths)
    with tempfile.TemporaryDirectory(prefix="dncd-bench-") as name:
        folder = Path(name)
        words = [sys.executable, "-m", "dncd", "--config", str(settings(folder, yard.paths, baud, ahead))]
        env = {**os.environ, "PYTHONPATH": str(ROOT)}

        with (folder / "run.log").open("wb") as log:
            service = subprocess.Popen([*words, "run"], env=env, stdout=log, stderr=log)
        try:
            until(lambda: states(words, env).count("listening") == lines, 60)
            for index in range(lines):
                (folder / f"shop/m{index}/to-machine/0100.nc").write_bytes(text)
            until(lambda: states(words, env).count("waiting") == lines, 60)
            cpu, began = spent(service.pid), time.monotonic()
            yard.ask("read")
            yard_cpu, found = yard.ask("wait")
            cpu, wall = spent(service.pid) - cpu, time.monotonic() - began
            until(lambda: len(list(folder.glob("shop/*/sent/0100.nc.receipt.txt"))) == lines, 60)
            row = row_of("dncd", holding, even(text), found, cpu, wall, memory_mb(service.pid, "VmHWM"), yard_cpu)
        finally:
            service.terminate()
            service.wait(30)
        return row


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
        return row_of("stty, cat", holding, even(text), found, cpu, wall, memory, yard_cpu)


def row_of(
    way: str, holding: bool, wire: bytes, found: list, cpu: float, wall: float, memory: float, yard_cpu: float
) -> Row:
    return Row(
        lines=len(found),
        way=way,
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


# --- the table -----------------------------------------------------------------------------------------------------
HEAD = (
    f"{'lines':>5} {'way':<10} {'control':<9} {'arrived':>8} {'lost':>8} {'used':>7} {'holds':>6} {'after DC3':>9} "
    f"{'core/line':>9} {'MB':>7} {'MB/line':>8}   controls"
)


def shown(row: Row) -> str:
    used = "-" if row.holding else f"{row.used:.2%}"
    return (
        f"{row.lines:>5} {row.way:<10} {'500 char/s' if row.holding else 'no holds':<10}{row.whole:>4}/{row.lines:<3} "
        f"{row.lost:>8,} {used:>7} {row.holds:>6} {row.after_dc3:>9} {row.core_percent:>8.3f}% {row.memory_mb:>7.1f} "
        f"{row.memory_mb / row.lines:>8.2f}   {100 * row.yard_cpu_s / row.wall_s:.0f} % of a core"
    )


def ratio(ours: Row, theirs: Row) -> str:
    def of(a: float, b: float) -> str:
        return f"{a / b:.2f}" if b else "no base"

    return (
        f"      dncd : copy  processor {of(ours.cpu_s, theirs.cpu_s)}, memory {of(ours.memory_mb, theirs.memory_mb)}, "
        f"after DC3 {of(ours.after_dc3, theirs.after_dc3)}, lost {ours.lost:,} : {theirs.lost:,}, "
        f"line used {of(ours.used, theirs.used)}"
    )


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    words.add_argument("--lines", default="1,16,64", help="numbers of lines, with commas")
    words.add_argument("--chars", type=int, default=12_000, help="characters of the program")
    words.add_argument("--baud", type=int, default=9600)
    words.add_argument("--ahead", type=int, default=8)
    words.add_argument("--json", action="store_true", help="print the rows as JSON instead")
    given = words.parse_args()
    text, rows = program(given.chars), []
    if not given.json:
        print(
            f"{len(text):,} characters at {given.baud} baud 7E1, ahead {given.ahead}, on {os.cpu_count()} cores\n{HEAD}"
        )
    for lines in map(int, given.lines.split(",")):
        for holding in (False, True):
            pair = []
            for way in ("dncd", "copy"):
                with YardProcess(lines, given.baud, 500.0 if holding else 0.0) as yard:
                    pair.append(
                        by_dncd(yard, text, given.baud, ahead=given.ahead, holding=holding)
                        if way == "dncd"
                        else by_copy(yard, text, holding)
                    )
                if not given.json:
                    print(shown(pair[-1]), flush=True)
            rows += pair
            if not given.json:
                print(ratio(*pair), flush=True)
    if given.json:
        print(json.dumps([asdict(row) | {"core_percent": row.core_percent} for row in rows], indent=1))
    ours = [row for row in rows if row.way == "dncd"]
    return 0 if all(row.whole == row.lines and row.after_dc3 <= given.ahead for row in ours) else 1


if __name__ == "__main__":
    sys.exit(main())
