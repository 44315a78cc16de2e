"""The library: what git itself reads of it, and what is left of it when the disk fails, stops, or the power goes.

Outside check: the git program (`fsck --strict`, `log`, `show`), where it is installed.
"""

import contextlib
import errno
import os
import random
import shutil
import subprocess
from functools import partial
from pathlib import Path

import pytest
from failing_disk import FailingDisk, Kill, steps, used
from forked_children import Loaded
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from strict_disk import each_cut

from dncd import defaults
from dncd.errors import RecordsError
from dncd.records import branch, durable
from dncd.records.branch import NEW
from dncd.records.durable import Disk
from dncd.records.library import Library, Text, Writer, blob_name, path_of
from dncd.values import Origin

needs_git = pytest.mark.skipif(shutil.which("git") is None, reason="the git program is not installed")
WIRE = {"Wire-SHA256": "ab" * 32}


def git(state: Path, *words: str) -> bytes:
    """What git says, told that another owner's repository is fine."""
    head = ["git", "-c", "safe.directory=*", f"--git-dir={path_of(state)}"]
    return subprocess.run([*head, *words], capture_output=True, check=True).stdout


def whole(state: Path) -> None:
    """`git fsck --strict` finds nothing but, after a cut, objects that nothing names."""
    head = ["git", "-c", "safe.directory=*", f"--git-dir={path_of(state)}"]
    done = subprocess.run([*head, "fsck", "--strict", "--full"], capture_output=True, text=True, check=False)
    said = [s for s in (done.stdout + done.stderr).split("\n") if s and not s.startswith(("dangling", "notice:"))]
    assert (done.returncode, said) == (0, [])


def revise(library: Writer, program: str, text: bytes, origin: Origin = Origin.OFFICE, machine: str = "gang-lathe"):
    return library.revise(machine, program, Text.of(text), origin, WIRE)


@pytest.fixture
def library(tmp_path: Path):
    writer = Writer(tmp_path)
    yield writer
    writer.close()


def test_one_commit_a_revision(library: Writer, tmp_path: Path) -> None:
    first = revise(library, "O0004", b"O0004\nM30\n")
    again = revise(library, "O0004", b"O0004\nM30\n", Origin.MACHINE)
    second = revise(library, "O0004", b"O0004\nM05\nM30\n", Origin.MACHINE)
    back = revise(library, "O0004", b"O0004\nM30\n")
    other = revise(library, "O0004", b"O0004\nM30\n", machine="bore-mill")
    assert [m.number for m in (first, again, second, back, other)] == [1, 1, 2, 3, 1]
    assert again == first
    assert [r.number for r in library.history("gang-lathe", "O0004")] == [1, 2, 3]
    assert [r.origin for r in library.history("gang-lathe", "O0004")] == [Origin.OFFICE, Origin.MACHINE, Origin.OFFICE]
    assert library.history("bore-mill", "O0004") == [other]
    assert library.machines() == ["bore-mill", "gang-lathe"]
    assert library.history("gang-lathe", "O9999") == []
    with Library(tmp_path) as reader:
        assert reader.history("gang-lathe", "O0004") == library.history("gang-lathe", "O0004")
        assert reader.text("gang-lathe", "O0004", 2) == "O0004\nM05\nM30\n"


@needs_git
def test_git_reads_what_the_contract_says(library: Writer, tmp_path: Path) -> None:
    texts = [b"O0004\nN10 G00 X1.\nM30\n", b"O0004\nN10 G00 X2.\nM30\n"]
    revise(library, "O0004", texts[0])
    revise(library, "O0007", b"O0007\n")
    made = revise(library, "O0004", texts[1], Origin.MACHINE)
    path = "gang-lathe/O0004.nc"
    commits = git(tmp_path, "log", "--format=%H", "main", "--", path).decode().split()[::-1]
    assert [git(tmp_path, "show", f"{c}:{path}") for c in commits] == texts
    assert commits[1] == made.commit
    said = git(tmp_path, "log", "-1", "--format=%B", "main").decode().splitlines()
    assert {"Machine: gang-lathe", "Program: O0004", "From: machine", f"Wire-SHA256: {WIRE['Wire-SHA256']}"} <= set(
        said
    )
    trailers = git(tmp_path, "log", "-1", "--format=%(trailers:key=Program,valueonly)", "main").decode().strip()
    assert trailers == "O0004", "git takes them for trailers too"
    assert git(tmp_path, "log", "-1", "--format=%an <%ae>|%cn", "main").decode().strip() == "dncd <dncd@localhost>|dncd"
    assert git(tmp_path, "symbolic-ref", "HEAD").strip() == b"refs/heads/main"
    whole(tmp_path)


@needs_git
def test_a_name_of_a_text_is_the_one_git_gives(tmp_path: Path) -> None:
    data = os.urandom(70_000)
    (tmp_path / "x").write_bytes(data)
    said = subprocess.run(["git", "hash-object", tmp_path / "x"], capture_output=True, text=True, check=True).stdout
    assert blob_name(Text(lambda: (data[n : n + 999] for n in range(0, len(data), 999)), len(data))) == said.strip()


@needs_git
@settings(max_examples=10, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(["a", "b-1", "b"]), st.sampled_from(["O1", "O10", "O1-", "A.B", "Ö 1"])), max_size=9
    )
)
def test_folders_and_files_stand_in_the_order_that_git_wants(
    tmp_path_factory: pytest.TempPathFactory, order: list[tuple[str, str]]
) -> None:
    state = tmp_path_factory.mktemp("order")
    writer = Writer(state)
    for n, (machine, program) in enumerate(order):
        revise(writer, program, f"{n}\n".encode(), machine=machine)
    writer.close()
    whole(state)
    names = (
        git(state, "-c", "core.quotePath=false", "ls-tree", "-r", "--name-only", "main").decode().split("\n")[:-1]
        if order
        else []
    )
    assert sorted(names) == sorted({f"{machine}/{program}.nc" for machine, program in order})


@pytest.mark.slow
@needs_git
def test_a_disk_that_fails_or_stops_at_each_operation(tmp_path: Path) -> None:
    """Told revisions stay; after the next opening the same revision can be made; git finds nothing wrong."""

    def flow(state: Path, *, told: list[bytes]) -> None:
        writer = Writer(state)
        try:
            for text in (b"one\n", b"two\n"):
                revise(writer, "O0004", text)
                told.append(text)
        finally:
            writer.close()

    for way in (errno.ENOSPC, Kill):
        for k in steps(partial(flow, tmp_path / f"count{way}", told=[])):
            state = tmp_path / f"{way}-{k}"
            told: list[bytes] = []
            disk = FailingDisk(k, way)
            try:
                with used(disk):
                    flow(state, told=told)
            except (OSError, RecordsError, Kill):
                pass
            else:  # only what is no part of a revision failed (the index, or clearing up), or two objects share a folder
                assert told == [b"one\n", b"two\n"]
                assert way == errno.ENOSPC or len(disk.done) < k
            writer = Writer(state)
            revise(writer, "O0004", b"one\n") if not told else None
            revise(writer, "O0004", b"two\n")
            texts = [writer.blob(r.blob) for r in writer.history("gang-lathe", "O0004")]
            writer.close()
            assert texts == [b"one\n", b"two\n"], (way, k)
            whole(state)


@pytest.mark.slow
@needs_git
def test_a_library_cut_at_each_change_of_its_first_day_is_whole() -> None:
    def flow(root: Path) -> None:
        with contextlib.closing(Writer(root)) as library:
            for number in range(2):
                revise(library, "O0004", b"%d\n" % number)
                durable.write_new(root / str(number), [b"told"])

    for root, which in each_cut(flow):
        with contextlib.closing(Writer(root)) as library:
            told = [number for number in range(2) if (root / str(number)).exists()]
            there = [library.blob(revision.blob) for revision in library.history("gang-lathe", "O0004")]
            assert all(b"%d\n" % number in there for number in told), which
            revise(library, "O0004", b"next\n")
            whole(root)


@needs_git
def test_what_a_crash_leaves_does_not_refuse_the_next_revision(library: Writer, tmp_path: Path) -> None:
    revise(library, "O0004", b"one\n")
    library.close()
    name = blob_name(Text.of(b"two\n"))
    folder = path_of(tmp_path) / "objects" / name[:2]
    folder.mkdir(exist_ok=True)
    (folder / "tmp_obj_123456").write_bytes(b"half")
    new, lock = path_of(tmp_path) / NEW, path_of(tmp_path) / "refs" / "heads" / "main.lock"
    new.write_bytes(b"0" * 40)
    lock.hardlink_to(new)
    writer = Writer(tmp_path)
    assert not lock.exists()
    assert not new.exists()
    assert revise(writer, "O0004", b"two\n").number == 2
    writer.close()
    whole(tmp_path)


def test_a_lock_of_another_git_is_left_alone_while_it_may_run(
    library: Writer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A lock by another one, fresh or while any git runs, stays and refuses; one left behind goes."""
    revise(library, "O0004", b"one\n")
    library.close()
    monkeypatch.setattr(defaults, "BRANCH_WAIT_S", 0.05)
    runs = [False]
    monkeypatch.setattr(branch, "git_runs", lambda: runs[0])
    lock = path_of(tmp_path) / "refs" / "heads" / "main.lock"
    locks = [lock, path_of(tmp_path) / "packed-refs.lock", path_of(tmp_path) / "HEAD.lock"]
    for path in locks:
        path.touch()
    writer = Writer(tmp_path)
    assert all(path.exists() for path in locks)
    with pytest.raises(RecordsError, match="holds the branch"):
        revise(writer, "O0004", b"two\n")
    runs[0] = True
    os.utime(lock, (1, 1))
    with pytest.raises(RecordsError, match="holds the branch"):
        revise(writer, "O0004", b"two\n")
    assert lock.exists()
    runs[0] = False
    assert revise(writer, "O0004", b"two\n").number == 2
    assert not lock.exists()
    assert all(path.exists() for path in locks[1:])
    writer.close()


def test_a_git_that_runs_is_seen(tmp_path: Path) -> None:
    for number, name in ((1, "init"), (20, "bash")):
        (tmp_path / str(number)).mkdir()
        (tmp_path / str(number) / "comm").write_text(f"{name}\n")
    assert not branch.git_runs(tmp_path)
    (tmp_path / "20" / "comm").write_text("git-receive-pac\n")
    assert branch.git_runs(tmp_path)
    assert branch.git_runs(tmp_path / "none"), "where it cannot be told, it may run"


def test_a_disk_without_hard_links(tmp_path: Path) -> None:
    class NoLinks(Disk):
        def link(self, source: Path, target: Path) -> None:
            raise OSError(errno.EPERM, "no hard links here", str(target))

    with used(NoLinks()), contextlib.closing(Writer(tmp_path)) as writer:
        assert [revise(writer, "O0004", text).number for text in (b"one\n", b"two\n")] == [1, 2]
    with Library(tmp_path) as reader:
        assert len(reader.history("gang-lathe", "O0004")) == 2


@needs_git
def test_git_may_pack_it_meanwhile(library: Writer, tmp_path: Path) -> None:
    for n in range(5):
        revise(library, "O0004", f"{n}\n".encode())
    git(tmp_path, "gc", "-q")
    assert (path_of(tmp_path) / "packed-refs").exists()
    assert revise(library, "O0004", b"4\n").number == 5
    assert revise(library, "O0004", b"5\n").number == 6
    assert [library.blob(r.blob) for r in library.history("gang-lathe", "O0004")] == [b"%d\n" % n for n in range(6)]
    with Library(tmp_path) as reader:
        assert len(reader.history("gang-lathe", "O0004")) == 6
    whole(tmp_path)


def test_a_large_text_is_not_held_in_memory(library: Writer) -> None:
    """40 MB go in by pieces; what Python holds at most meanwhile is a fraction of that (tracemalloc)."""
    import tracemalloc

    piece = b"N10 G01 X1.234 Y5.678 Z9.012\n" * 4000
    text = Text(lambda: (piece for _ in range(350)), len(piece) * 350)
    tracemalloc.start()
    try:
        made = library.revise("gang-lathe", "O0001", text, Origin.OFFICE, WIRE)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert text.size > 40_000_000
    assert peak < 4_000_000
    assert made.blob in {path.parent.name + path.name for path in (library.path / "objects").glob("??/*")}


def test_a_text_that_changes_its_size_is_no_revision(library: Writer) -> None:
    with pytest.raises(ValueError, match="bytes"):
        library.revise("gang-lathe", "O0001", Text(lambda: [b"abc"], 4), Origin.OFFICE, WIRE)
    assert library.history("gang-lathe", "O0001") == []


def test_a_damaged_or_lost_text_is_told(library: Writer) -> None:
    made = revise(library, "O0004", b"one\n")
    path = library.path / "objects" / made.blob[:2] / made.blob[2:]
    kept = path.read_bytes()
    path.chmod(0o644)
    path.write_bytes(kept[: len(kept) // 2])
    with pytest.raises(RecordsError):
        library.blob(made.blob)
    path.unlink()
    with pytest.raises(RecordsError):
        library.blob(made.blob)


def test_no_library_is_told(tmp_path: Path) -> None:
    with pytest.raises(RecordsError):
        Library(tmp_path)


# --- kill -9 ---------------------------------------------------------------------------------------------------------------
CHILD = """
from pathlib import Path
from dncd.records.library import Text, Writer
from dncd.values import Origin

def child(state, n):
    writer, n = Writer(Path(state)), int(n)
    while True:
        n += 1
        program = f"O{n % 7:04}"
        made = writer.revise("gang-lathe", program, Text.of(f"{program} {n}\\n".encode()), Origin.OFFICE, {})
        print(program, made.commit, flush=True)
"""


@needs_git
@pytest.mark.parametrize("rounds", [6, pytest.param(200, marks=pytest.mark.slow)])
def test_killed_at_any_instant_of_a_commit(tmp_path: Path, rounds: int) -> None:
    chance = random.Random(9)
    told: set[str] = set()
    with Loaded(CHILD) as loaded:
        for n in range(rounds):
            child = loaded.child(tmp_path, n * 1000)
            lines = [child.out.readline() for _ in range(chance.randint(1, 8))]
            told |= {line.split()[1] for line in (*lines, *child.killed())}
            if n % 5 == 0 or n == rounds - 1:
                whole(tmp_path)
                assert told <= set(git(tmp_path, "rev-list", "main").decode().split())
    assert len(told) >= rounds
