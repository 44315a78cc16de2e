"""Packing the library: what a reader, a writer and git see of it at any instant. Outside check: the git program."""

import errno
import random
import shutil
import subprocess
import threading
import zlib
from pathlib import Path

import pytest
from failing_disk import FailingDisk, Kill, steps, used
from forked_children import Loaded

from dncd import defaults
from dncd.cli import main
from dncd.errors import NotDoneError, RecordsError
from dncd.outside.upkeep import Upkeep
from dncd.records import packing
from dncd.records.library import Library, Text, Writer, path_of
from dncd.values import Origin

pytestmark = pytest.mark.skipif(shutil.which("git") is None, reason="the git program is not installed")


def fill(state: Path, revisions: int, start: int = 0) -> None:
    with Writer(state) as library:
        for n in range(start, start + revisions):
            library.revise("gang-lathe", f"O{n % 5:04}", Text.of(b"(%d)\n" % n * 40), Origin.OFFICE, {})


def seen(state: Path) -> list[tuple[str, str]]:
    """Every revision and its text."""
    with Library(state) as library:
        programs = library.programs("gang-lathe")
        return [
            (r.commit, library.text("gang-lathe", p, r.number))
            for p in programs
            for r in library.history("gang-lathe", p)
        ]


def whole(state: Path) -> None:
    words = ["git", "-c", "safe.directory=*", f"--git-dir={path_of(state)}", "fsck", "--strict", "--full"]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    said = [s for s in (done.stdout + done.stderr).split("\n") if s and not s.startswith(("dangling", "notice:"))]
    assert (done.returncode, said) == (0, [])


def test_a_packed_library_is_the_same_and_goes_on(tmp_path: Path) -> None:
    fill(tmp_path, 30)
    before = seen(tmp_path)
    done = packing.tidy(path_of(tmp_path))
    assert (done.before.loose, done.before.packs) == (120, 0)
    assert (done.after.loose, done.after.packs) == (0, 1)
    assert seen(tmp_path) == before
    whole(tmp_path)
    fill(tmp_path, 5, 30)
    assert len(seen(tmp_path)) == 35
    assert packing.tidy(path_of(tmp_path)).after.packs == 2
    again = packing.tidy(path_of(tmp_path))
    assert again.before == again.after
    whole(tmp_path)


def test_many_packs_become_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(defaults, "PACKS_MOST", 3)
    for n in range(4):
        fill(tmp_path, 3, n * 3)
        done = packing.tidy(path_of(tmp_path))
        assert (done.after.loose, done.after.packs) == (0, n + 1 if n < 3 else 1)
    assert len(seen(tmp_path)) == 12
    whole(tmp_path)


def test_what_nothing_names_is_kept(tmp_path: Path) -> None:
    """A revision that a cut kept from main is not for dncd to throw away."""
    fill(tmp_path, 3)
    lost = subprocess.run(
        ["git", f"--git-dir={path_of(tmp_path)}", "hash-object", "-w", "--stdin"],
        input=b"not on main\n",
        capture_output=True,
        check=True,
    ).stdout.decode()
    packing.tidy(path_of(tmp_path))
    with Library(tmp_path) as library:
        assert library.blob(lost.strip()) == b"not on main\n"


def test_a_damaged_pack_removes_nothing(tmp_path: Path) -> None:
    fill(tmp_path, 3)
    packing.tidy(path_of(tmp_path))
    fill(tmp_path, 2, 3)
    (pack,) = (path_of(tmp_path) / "objects" / "pack").glob("*.pack")
    data = bytearray(pack.read_bytes())
    data[len(data) // 2] ^= 1
    pack.chmod(0o644)
    pack.write_bytes(data)
    loose = packing.size_of(path_of(tmp_path)).loose
    with pytest.raises(RecordsError):
        packing.tidy(path_of(tmp_path))
    assert packing.size_of(path_of(tmp_path)).loose == loose


def test_a_damaged_object_is_not_packed(tmp_path: Path) -> None:
    fill(tmp_path, 3)
    with Library(tmp_path) as library:
        blob = library.newest("gang-lathe")["O0001"].blob
    path = path_of(tmp_path) / "objects" / blob[:2] / blob[2:]
    path.chmod(0o644)
    path.write_bytes(zlib.compress(b"blob 3\0one"))
    with pytest.raises(RecordsError):
        packing.tidy(path_of(tmp_path))
    assert packing.size_of(path_of(tmp_path)).loose == 12


def test_without_git_it_says_so_and_removes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fill(tmp_path, 3)
    loose = packing.size_of(path_of(tmp_path)).loose
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(RecordsError, match="git program is not installed"):
        packing.tidy(path_of(tmp_path))
    assert packing.size_of(path_of(tmp_path)).loose == loose


@pytest.mark.slow
def test_a_disk_that_fails_or_stops_at_each_operation(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(defaults, "PACKS_MOST", 2)
    start = tmp_path / "start"
    for n in range(3):
        fill(start, 2, n * 2)
        if n < 2:
            packing.tidy(path_of(start))
    before = seen(start)

    def flow() -> None:
        shutil.rmtree(tmp_path / "state", ignore_errors=True)
        shutil.copytree(start, tmp_path / "state")
        packing.tidy(path_of(tmp_path / "state"))

    for way in (errno.EIO, Kill):
        for k in steps(flow):
            with pytest.raises((OSError, RecordsError, Kill)), used(FailingDisk(k, way)):
                flow()
            assert seen(tmp_path / "state") == before, (way, k)
            packing.tidy(path_of(tmp_path / "state"))
            assert seen(tmp_path / "state") == before, (way, k)
            whole(tmp_path / "state")


def test_one_at_a_time(tmp_path: Path) -> None:
    fill(tmp_path, 1)
    with (
        packing._alone(path_of(tmp_path) / "objects" / "pack"),
        pytest.raises(NotDoneError, match="another process"),
    ):
        packing.tidy(path_of(tmp_path))


CHILD = """
from pathlib import Path
from dncd import defaults
from dncd.records.packing import tidy
defaults.PACKS_MOST = 3

def child(library):
    while True:
        print(tidy(Path(library)).after.packs, flush=True)
"""


@pytest.mark.parametrize("rounds", [3, pytest.param(40, marks=pytest.mark.slow)])
def test_killed_at_any_instant_beside_a_writer_and_readers(tmp_path: Path, rounds: int) -> None:
    """A packing child is killed again and again while revisions are made and read; none is missed, git finds no fault."""
    chance = random.Random(4)
    fill(tmp_path, 20)
    made, stop = [20], threading.Event()
    faults: list[BaseException] = []

    def read() -> None:
        try:
            while not stop.is_set():
                least = made[0]
                assert len(seen(tmp_path)) >= least
        except BaseException as error:
            faults.append(error)

    reader = threading.Thread(target=read)
    reader.start()
    try:
        with Writer(tmp_path) as library, Loaded(CHILD) as loaded:
            for _ in range(rounds):
                child = loaded.child(path_of(tmp_path))
                for _ in range(chance.randint(0, 2)):
                    child.out.readline()
                for _ in range(chance.randint(1, 12)):
                    count = made[0]
                    text = Text.of(b"(%d)\n" % count * 40)
                    library.revise("gang-lathe", f"O{count % 5:04}", text, Origin.OFFICE, {})
                    made[0] += 1
                child.killed()
    finally:
        stop.set()
        reader.join(60)
    assert faults == []
    assert len(seen(tmp_path)) == made[0]
    packing.tidy(path_of(tmp_path))
    whole(tmp_path)


def test_the_service_has_it_packed_when_no_line_is_busy(tmp_path: Path) -> None:
    settings = tmp_path / "dncd.toml"
    settings.write_text('[machines.gang-lathe.line]\nport = "/dev/tty-gang-lathe"\n')
    fill(tmp_path / "state", 300)
    library = path_of(tmp_path / "state")
    told: list[tuple[str, int]] = []
    busy, asked, done = threading.Event(), threading.Event(), threading.Event()

    def idle() -> bool:
        asked.set()
        return not busy.is_set()

    def tell(said: str, code: int) -> None:
        told.append((said, code))
        done.set()

    busy.set()
    upkeep = Upkeep(settings, tmp_path / "state", idle, tell, every_s=0.01, loose=256)
    upkeep.start()
    try:
        assert asked.wait(120)
        assert packing.size_of(library).packs == 0
        busy.clear()
        assert done.wait(120)
    finally:
        assert upkeep.stop(10)
    assert told[0][1] == 0
    assert "now: 0 loose objects, 1 pack" in told[0][0]
    assert packing.loose_about(library) < 256


def test_the_command_says_what_it_did(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings = tmp_path / "dncd.toml"
    settings.write_text('[machines.gang-lathe.line]\nport = "/dev/tty-gang-lathe"\n')
    assert main(["--config", str(settings), "tidy"]) == 1
    assert "no library" in capsys.readouterr().err
    fill(tmp_path / "state", 3)
    assert main(["--config", str(settings), "tidy"]) == 0
    said = capsys.readouterr().out
    assert "before: 12 loose objects, 0 packs" in said
    assert "now:    0 loose objects, 1 pack" in said
