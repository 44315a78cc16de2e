"""Whether other work costs the lines their rate: all lines send, with and without something going on beside them.

    python tests/bench/beside.py [--lines 64] [--chars 12000] [--baud 9600] [--ahead 8]

Beside them go: a 10 MB file that is checked, edits that a control punches (caught, compared, committed), `dncd diff` of
two 10 MB revisions over and over, and somebody who asks for the status (what a page would ask) ten times a second. Each
row shows the worst and the middle line, and the ratio of the worst to the worst of the undisturbed run.
"""

import argparse
import contextlib
import os
import subprocess
import sys
import tempfile
import threading
import tty
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

import line

BIG_CHARS = 10_000_000
PAUSE = threading.Event()


class Beside:
    """What goes on beside the lines, from `begin` to `end`. words: `python -m dncd --config FILE`."""

    def __init__(self, folder: Path, words: list[str], env: dict[str, str]):
        self.folder, self.words, self.env = folder, words, env
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._work, daemon=True)

    def begin(self) -> None:
        self._thread.start()

    def end(self) -> None:
        self._over.set()
        self._thread.join(60)

    def _work(self) -> None:
        while not self._over.wait(0.1):
            self.once()

    def once(self) -> None:
        """One piece of work."""

    def ask(self, *more: str) -> None:
        subprocess.run([*self.words, *more], env=self.env, capture_output=True, check=False)


class Nothing(Beside):
    """nothing"""


class Check(Beside):
    """a 10 MB file is checked"""

    done = False

    def once(self) -> None:
        if not self.done:
            (self.folder / "shop/spare/to-machine/0777.nc").write_bytes(line.program(BIG_CHARS))
            self.done = True


class Punch(Beside):
    """edits are punched, compared and committed"""

    edit = 0

    def once(self) -> None:
        self.edit += 1
        wire = line.even(line.program(30_000).replace(b"O0100", b"O0778").replace(b"F0.1", b"F0.%d" % self.edit))
        for at in range(0, len(wire), 2_000):
            os.write(self.far, wire[at : at + 2_000])
            self._over.wait(0.02)

    far = -1


class Diff(Beside):
    """two 10 MB revisions are compared"""

    def once(self) -> None:
        self.ask("diff", "spare", "O0900")


class Status(Beside):
    """somebody asks for the status"""

    def once(self) -> None:
        self.ask("status", "--json")


KINDS = (Nothing, Check, Punch, Diff, Status)


def two_revisions(words: list[str], env: dict[str, str], folder: Path, far: int) -> None:
    """Two 10 MB revisions of one program, for `diff`: sent to the spare control, which says DC1 each time."""
    for feed in (b"F0.1", b"F0.2"):
        text = line.program(2_000_000).replace(b"O0100", b"O0900").replace(b"F0.1", feed)
        (folder / "shop/spare/to-machine/0900.nc").write_bytes(text)
        reader = threading.Thread(target=swallow, args=(far, len(text)), daemon=True)
        reader.start()
        sent = folder / "shop/spare/sent"
        before = len(list(sent.glob("*.receipt.txt")))
        os.write(far, b"\x11")
        line.until(lambda: len(list(sent.glob("*.receipt.txt"))) > before, 300)  # noqa: B023


def swallow(far: int, chars: int) -> None:
    while chars > 0:
        chars -= len(os.read(far, 65_536))


def measured(kind: type[Beside], lines: int, text: bytes, baud: int, ahead: int) -> list[float]:
    """Part of the rate that each line used, worst first."""
    far, near = os.openpty()
    tty.setraw(near)
    with line.YardProcess(lines, baud, 0.0) as yard, tempfile.TemporaryDirectory(prefix="dncd-bench-") as name:
        folder = Path(name)
        file = line.settings(folder, yard.paths, baud, ahead)
        spare = (
            f'[machines.spare]\n[machines.spare.line]\nport = "{os.ttyname(near)}"\nbaud = 230400\nframe = "7E1"\n'
            "ahead_chars = 4096\n[machines.spare.program]\nmemory_chars = 100000000\n"
        )
        file.write_text(file.read_text("utf-8") + spare, "utf-8")
        words = [sys.executable, "-m", "dncd", "--config", str(file)]
        env = {**os.environ, "PYTHONPATH": str(line.ROOT)}
        with (folder / "run.log").open("wb") as log:
            service = subprocess.Popen([*words, "run"], env=env, stdout=log, stderr=log)
        try:
            line.until(lambda: line.states(words, env).count("listening") == lines + 1, 60)
            if kind is Diff:
                two_revisions(words, env, folder, far)
            for index in range(lines):
                (folder / f"shop/m{index}/to-machine/0100.nc").write_bytes(text)
            line.until(lambda: line.states(words, env).count("waiting") >= lines, 60)
            work = kind(folder, words, env)
            if isinstance(work, Punch):
                work.far = far
            yard.ask("read")
            work.begin()
            _, found = yard.ask("wait")
            work.end()
        finally:
            service.terminate()
            service.wait(60)
    with contextlib.suppress(OSError):
        os.close(near)
        os.close(far)
    return sorted(used for _, used, _ in found)


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    words.add_argument("--lines", type=int, default=64)
    words.add_argument("--chars", type=int, default=12_000)
    words.add_argument("--baud", type=int, default=9600)
    words.add_argument("--ahead", type=int, default=8)
    words.add_argument("--only", default="", help="a part of the name of what goes on beside")
    given = words.parse_args()
    print(f"{given.lines} lines at {given.baud} baud 7E1, ahead {given.ahead}, {os.cpu_count()} cores")
    print(f"{'beside the lines':<44} {'worst':>8} {'middle':>8} {'ratio':>8}")
    base = 0.0
    for kind in KINDS:
        if kind is not Nothing and given.only not in kind.__doc__:
            continue
        used = measured(kind, given.lines, line.program(given.chars), given.baud, given.ahead)
        base = base or used[0]
        print(f"{kind.__doc__:<44} {used[0]:>8.2%} {used[len(used) // 2]:>8.2%} {used[0] / base:>8.4f}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
