"""How long the survey and the comparing of a 10 MB program take, beside difflib and `git diff` on the same pair.

    python tests/bench/comparing.py [BLOCKS]

difflib finds lines only; comparing also reads blocks without their numbers, blanks and zeros, and the words of each. A
program of many equal blocks is difflib's hard case: of that it is given a hundredth.
"""

import difflib
import random
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TypeVar

from dncd.choices import TapeCode
from dncd.program.comparing import compare
from dncd.program.differences import summary, unified
from dncd.program.dropped import encoding_of
from dncd.program.program_checks import Rules
from dncd.program.survey import survey
from dncd.tape.codes import Coder
from dncd.values import Frame, ProgramSettings

_T = TypeVar("_T")


def _blocks(rng: random.Random, count: int) -> list[str]:
    return [
        f"N{n} G01 X{rng.uniform(-99, 99):.3f} Y{rng.uniform(-99, 99):.3f} F{rng.randrange(50, 500)}."
        for n in range(count)
    ]


def _edited(rng: random.Random, blocks: list[str], edits: int) -> list[str]:
    """A third each changed, dropped and new."""
    new = list(blocks)
    for n in range(edits):
        at = rng.randrange(len(new))
        if n % 3 == 0:
            new[at] = new[at].replace(" F", " F1")
        elif n % 3 == 1:
            del new[at]
        else:
            new.insert(at, "G04 P500")
    return new


def _seconds(job: Callable[[], _T]) -> tuple[float, _T]:
    started = time.perf_counter()
    result = job()
    return time.perf_counter() - started, result


def _git(old: str, new: str) -> int:
    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(folder) / name for name in ("old.nc", "new.nc")]
        for path, text in zip(paths, (old, new), strict=True):
            path.write_text(text, "utf-8", newline="")
        done = subprocess.run(
            ["git", "diff", "--no-index", "--no-color", *map(str, paths)], capture_output=True, check=False
        )
        return len(done.stdout.splitlines())


def main(count: int) -> None:
    rng = random.Random(1)
    old = _blocks(rng, count)
    new = _edited(rng, old, 60)
    renumbered = [block.replace("N", "N1", 1) for block in new]
    old_text, new_text, renumbered_text = ("\n".join(blocks) + "\n" for blocks in (old, new, renumbered))
    print(f"{count} blocks, {len(old_text) / 1e6:.1f} MB, 60 edits")
    ours, comparison = _seconds(lambda: compare(old_text, new_text))
    print(f"compare                         {ours:7.2f} s   {summary(comparison)}")
    seconds, comparison = _seconds(lambda: compare(old_text, renumbered_text))
    print(f"compare, every block renumbered {seconds:7.2f} s   {summary(comparison)}")
    seconds, found = _seconds(lambda: sum(1 for _ in unified(old_text, new_text, "old", "new")))
    print(f"unified                         {seconds:7.2f} s   {found} lines")
    git, found = _seconds(lambda: _git(old_text, new_text))
    print(f"git diff                        {git:7.2f} s   {found} lines, compare takes {ours / git:.1f} times as long")
    theirs, _ = _seconds(lambda: difflib.SequenceMatcher(None, old, new, autojunk=False).get_opcodes())
    print(f"difflib                         {theirs:7.2f} s   compare takes {ours / theirs:.1f} times as long")
    few = [f"G01 X{n}." for n in range(7)]
    repeated = [few[n % 7] for n in range(count)]
    shaken = _edited(rng, repeated, 60)
    seconds, comparison = _seconds(lambda: compare("\n".join(repeated), "\n".join(shaken)))
    print(f"compare, seven blocks repeated  {seconds:7.2f} s   {summary(comparison)}")
    part_old, part_new = repeated[: count // 100], _edited(rng, repeated[: count // 100], 6)
    theirs, _ = _seconds(lambda: difflib.SequenceMatcher(None, part_old, part_new, autojunk=False).get_opcodes())
    seconds, _ = _seconds(lambda: compare("\n".join(part_old), "\n".join(part_new)))
    print(
        f"difflib on a hundredth of it    {theirs:7.2f} s   compare {seconds:.3f} s: {theirs / seconds:.0f} times as quick"
    )
    raw = f"%\nO1\n{old_text}M30\n%\n".encode()

    def chunks() -> Iterable[bytes]:
        return (raw[at : at + 65_536] for at in range(0, len(raw), 65_536))

    rules = Rules(Coder(TapeCode.ISO, Frame.parse("7E2")).uncodable, ProgramSettings(), memory_chars=0)
    seconds, _ = _seconds(lambda: survey(chunks, encoding_of(chunks), rules))
    tracemalloc.start()
    survey(chunks, encoding_of(chunks), rules)
    peak = tracemalloc.get_traced_memory()[1]
    print(f"survey                          {seconds:7.2f} s   {peak / 1e6:.1f} MB of memory at most")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300_000)
