"""A large library, measured: revisions, commands, start of the service's records, packing; beside plain git.

    python tests/bench/library.py [--programs 10000] [--revisions 50000] [--keep DIR]

A script, not a test. It prints what was measured and, where git can do the same, the ratio to it:
`git fast-import` is no rival (it syncs nothing); the plumbing with core.fsync=all makes one commit as dncd does.
"""

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import big_library

from dncd.records.library import Library, Text, Writer, path_of
from dncd.records.library_index import path_of_index
from dncd.records.packing import tidy
from dncd.values import Origin

MACHINE, PROGRAM = "machine-07", "O0123"


def timed(what: Callable[[], Any]) -> float:
    began = time.perf_counter()
    what()
    return time.perf_counter() - began


def said(name: str, seconds: float, note: str = "") -> None:
    print(f"  {name:52} {seconds * 1000:10.1f} ms  {note}")


def git(library: Path, *words: str, given: bytes = b"") -> bytes:
    head = ["git", f"--git-dir={library}", "-c", "core.fsync=all", "-c", "user.name=x", "-c", "user.email=x@x"]
    return subprocess.run([*head, *words], input=given, capture_output=True, check=True).stdout.strip()


def git_commit(library: Path, text: bytes) -> None:
    """One revision by plumbing, synced: blob, index of the tree, tree, commit, branch."""
    env = {**os.environ, "GIT_INDEX_FILE": str(library / "bench.index")}
    blob = git(library, "hash-object", "-w", "--stdin", given=text).decode()
    head = ["git", f"--git-dir={library}", "-c", "core.fsync=all"]
    path = f"{MACHINE}/{PROGRAM}.nc"
    subprocess.run([*head, "update-index", "--add", "--cacheinfo", f"100644,{blob},{path}"], check=True, env=env)
    tree = subprocess.run([*head, "write-tree"], check=True, env=env, capture_output=True).stdout.decode().strip()
    commit = git(library, "commit-tree", tree, "-p", "refs/heads/main", "-m", "x").decode()
    git(library, "update-ref", "refs/heads/main", commit)


def commits(state: Path, rounds: int = 100) -> None:
    copy = state.with_name("copy")
    shutil.copytree(state, copy, dirs_exist_ok=True)
    library = path_of(copy)
    subprocess.run(
        ["git", f"--git-dir={library}", "read-tree", "main"],
        check=True,
        env={**os.environ, "GIT_INDEX_FILE": str(library / "bench.index")},
    )
    with Writer(state) as writer:
        ours, gits = [], []
        for n in range(rounds):
            text = big_library.text_of(2467, 90_000 + n)
            ours.append(timed(lambda t=text: writer.revise(MACHINE, PROGRAM, Text.of(t), Origin.OFFICE, {})))
            if n % 5 == 0:
                gits.append(timed(lambda t=text: git_commit(library, t)))
    shutil.rmtree(copy)
    half, late = statistics.median(ours), sorted(ours)[int(len(ours) * 0.95)]
    said("a revision, durable (median)", half, f"95 %: {late * 1000:.1f} ms, worst {max(ours) * 1000:.1f} ms")
    said("the same by git's plumbing, synced", statistics.median(gits), f"ratio {half / statistics.median(gits):.2f}")


def commands(root: Path, settings: Path) -> None:
    for words in (
        ["programs"],
        ["programs", MACHINE],
        ["show", MACHINE, PROGRAM],
        ["diff", MACHINE, PROGRAM],
        ["log", "--last", "20"],
    ):
        run = ["dncd", "--config", str(settings), *words]
        spent = [
            timed(
                lambda w=run: subprocess.run(
                    [sys.executable, "-m", *w], check=True, stdout=subprocess.DEVNULL, cwd=root
                )
            )
            for _ in range(3)
        ]
        said(f"dncd {' '.join(words)}", statistics.median(spent))
    library = path_of(root / "state")
    log = timed(lambda: git(library, "log", "--format=%H", "main", "--", f"{MACHINE}/{PROGRAM}.nc"))
    said("git log of one program", log)


def write_ledger(state: Path, programs: int, revisions: int) -> None:
    """A line for each revision: sent, or received."""
    from dncd.records import durable
    from dncd.records.ledger import Ledger

    class NoSync(durable.Disk):
        def fsync(self, fd: int) -> None:
            """The bench's own ledger need not last."""

    whole, durable.DISK = durable.DISK, NoSync()
    ledger = Ledger.open(state)
    for n, (program, number) in enumerate(big_library.order(programs, revisions)):
        fields = {
            "machine": big_library.machine_of(program),
            "program": big_library.name_of(program),
            "file": f"{big_library.name_of(program)}.nc",
            "sha256": "ab" * 32,
            "wire_sha256": "cd" * 32,
            "wire_chars": 2400,
            "seconds": 5.4,
            "holds": 0,
            "revision": number,
            "commit": "ef" * 20,
            "transfer": f"{big_library.machine_of(program)}@{n}",
        }
        ledger.append("sent" if number % 3 else "received", fields)
    ledger.close()
    durable.DISK = whole


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    words.add_argument("--programs", type=int, default=10_000)
    words.add_argument("--revisions", type=int, default=50_000)
    words.add_argument("--keep", type=Path)
    given = words.parse_args()
    root = given.keep or Path(tempfile.mkdtemp(prefix="dncd-bench-"))
    state, settings = root / "state", root / "dncd.toml"
    tables = [f'[machines.machine-{n:02}.line]\nport = "/dev/none-{n}"\n' for n in range(big_library.MACHINES)]
    settings.write_text("".join(tables))
    print(f"{given.programs:,} programs, {given.revisions:,} revisions, in {root}")
    if not path_of(state).exists():
        said("made by git fast-import", timed(lambda: big_library.make(state, given.programs, given.revisions)))
        said("and its ledger", timed(lambda: write_ledger(state, given.programs, given.revisions)))
    path_of_index(state).unlink(missing_ok=True)
    said("opened for the service, no index", timed(lambda: Writer(state).close()))
    said("opened for the service", timed(lambda: Writer(state).close()))
    said("opened by a reader, newest of all", timed(lambda: newest(state)))
    print(f"  index {path_of_index(state).stat().st_size / 1e6:.1f} MB")
    commits(state)
    commands(root, settings)
    done: list[Any] = []
    said("dncd tidy after that", timed(lambda: done.append(tidy(path_of(state)))))
    print(f"  {done[0].before}\n  {done[0].after}")
    if given.keep is None:
        shutil.rmtree(root)


def newest(state: Path) -> None:
    with Library(state) as library:
        for machine in library.machines():
            library.newest(machine)


if __name__ == "__main__":
    main()
