"""The index of the library: derived from git, kept up with it, and never trusted over it."""

import os
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import Any

import big_library
import pytest
from steps import steps

from dncd import defaults
from dncd.errors import RecordsError
from dncd.records.library import Library, Revision, Text, Writer, path_of
from dncd.records.library_index import Index, _connect, path_of_index
from dncd.values import Origin

needs_git = pytest.mark.skipif(shutil.which("git") is None, reason="the git program is not installed")


def revise(library: Writer, program: str, text: str) -> Revision:
    return library.revise("gang-lathe", program, Text.of(text.encode()), Origin.OFFICE, {})


def git(state: Path, *words: str) -> str:
    head = ["git", "-c", "safe.directory=*", "-c", "user.name=x", "-c", "user.email=x@x", f"--git-dir={path_of(state)}"]
    return subprocess.run([*head, *words], capture_output=True, text=True, check=True).stdout


def seen(state: Path) -> dict[str, list[Revision]]:
    with Library(state) as library:
        return {p: library.history(m, p) for m in library.machines() for p in library.programs(m)}


def from_git(state: Path) -> dict[str, list[Revision]]:
    """The same with no index to go by."""
    kept = path_of_index(state).rename(state / "kept") if path_of_index(state).exists() else None
    try:
        return seen(state)
    finally:
        if kept is not None:
            kept.rename(path_of_index(state))


def reads_of(library: Library, monkeypatch: pytest.MonkeyPatch) -> list[bytes]:
    """The names of all objects that are read from now on."""
    names: list[bytes] = []
    plain = library.repo.object_store.get_raw

    def get_raw(name: Any) -> Any:
        names.append(name)
        return plain(name)

    monkeypatch.setattr(library.repo.object_store, "get_raw", get_raw)
    return names


def test_a_reader_walks_only_what_the_index_does_not_have(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    writer = Writer(tmp_path)
    for n in range(defaults.INDEX_ROWS + 5):
        revise(writer, f"O{n % 7:04}", f"O{n % 7:04} (PART Ä{n})\nM30\n")
    with Library(tmp_path) as reader:
        names = reads_of(reader, monkeypatch)
        found = reader.history("gang-lathe", "O0003")
        assert [r.number for r in found] == list(range(1, len(found) + 1))
        assert len(names) == 6, "the five that are newer, and the one that the index names"
        assert reader.newest("gang-lathe")["O0003"] == found[-1]
    writer.close()
    with Library(tmp_path) as reader:
        names = reads_of(reader, monkeypatch)
        newest = reader.newest("gang-lathe")["O0003"]
        assert names == []
        assert newest.title.startswith("PART Ä")
        assert newest.chars == len(reader.text("gang-lathe", "O0003"))
    assert seen(tmp_path) == from_git(tmp_path)


@pytest.mark.parametrize("harm", ["gone", "empty", "cut", "garbage", "half", "rows", "version"])
def test_a_lost_or_torn_index_is_made_anew(tmp_path: Path, harm: str) -> None:
    with Writer(tmp_path) as writer:
        for n in range(30):
            revise(writer, f"O{n % 9:04}", f"(PART {n})\n")
    good, path = seen(tmp_path), path_of_index(tmp_path)
    data = path.read_bytes()
    match harm:
        case "gone":
            path.unlink()
        case "empty":
            path.write_bytes(b"")
        case "cut":
            path.write_bytes(data[: len(data) // 2])
        case "garbage":
            path.write_bytes(b"SQLite format 3\0" + os.urandom(5000))
        case "half":
            path.write_bytes(data[:4096] + bytes(8192) + data[12288:])
        case _:
            said = {"rows": "DELETE FROM revisions WHERE position = 9", "version": "PRAGMA user_version = 77"}
            connection = sqlite3.connect(path)
            connection.execute(said[harm])
            connection.commit()
            connection.close()
    assert seen(tmp_path) == good
    with Writer(tmp_path) as writer:
        assert revise(writer, "O0000", "(NEW)\n").number == len(good["O0000"]) + 1
    index = Index.find(path)
    assert index is not None
    assert index.rows == 31
    index.close()


def test_what_is_no_index_is_not_kept_open(tmp_path: Path) -> None:
    path = tmp_path / "library.index"
    path.write_bytes(b"no database" * 1000)
    with pytest.raises(sqlite3.DatabaseError) as error:  # which keeps whatever was not closed alive
        _connect(path, "rw")
    assert [fd for fd in Path("/proc/self/fd").iterdir() if fd.is_symlink() and fd.readlink() == path] == []
    assert Index.find(path) is None
    del error


@needs_git
def test_main_moved_by_other_hands_is_noticed(tmp_path: Path) -> None:
    """Set back, set to another line, or committed to without trailers: what git says holds."""
    with Writer(tmp_path) as writer:
        for n in range(80):
            revise(writer, f"O{n % 2:04}", f"(PART {n})\n")
        back = writer.history("gang-lathe", "O0001")[9].commit
        git(tmp_path, "update-ref", "refs/heads/main", back)
        assert len(writer.history("gang-lathe", "O0001")) == 10
        assert revise(writer, "O0001", "(ANOTHER)\n").number == 11
        tree = git(tmp_path, "rev-parse", "main^{tree}").strip()
        hers = git(tmp_path, "commit-tree", tree, "-p", "main", "-m", "by hand").strip()
        git(tmp_path, "update-ref", "refs/heads/main", hers)
        assert revise(writer, "O0001", "(AND ONE MORE)\n").number == 12
    assert seen(tmp_path) == from_git(tmp_path)
    assert len(seen(tmp_path)["O0001"]) == 12


@needs_git
def test_a_text_changed_by_hand_is_not_taken_for_the_newest_revision(tmp_path: Path) -> None:
    with Writer(tmp_path) as writer:
        revise(writer, "O0001", "one\n")
        clone = tmp_path / "clone"
        subprocess.run(["git", "clone", "-q", str(path_of(tmp_path)), str(clone)], check=True)
        (clone / "gang-lathe" / "O0001.nc").write_text("by hand\n")
        words = ["git", "-C", str(clone), "-c", "user.name=x", "-c", "user.email=x@x"]
        subprocess.run([*words, "commit", "-qam", "by hand"], check=True)
        subprocess.run([*words, "push", "-q", "origin", "main"], check=True)
        assert revise(writer, "O0001", "one\n").number == 2, "main holds another text now"
        assert git(tmp_path, "show", "main:gang-lathe/O0001.nc") == "one\n"


def test_a_wrong_row_is_seen_when_its_program_changes(tmp_path: Path) -> None:
    """A revision is never left out because the index says so."""
    with Writer(tmp_path) as writer:
        revise(writer, "O0001", "one\n")
        two = revise(writer, "O0001", "two\n")
        one = writer.history("gang-lathe", "O0001")[0]
    connection = sqlite3.connect(path_of_index(tmp_path))
    connection.execute("UPDATE revisions SET blob = ? WHERE number = 2", (one.blob,))
    connection.commit()
    connection.close()
    with Writer(tmp_path) as writer:
        assert writer.history("gang-lathe", "O0001")[1].blob == one.blob
        assert revise(writer, "O0001", "one\n").number == 3
        assert [r.blob for r in writer.history("gang-lathe", "O0001")] == [one.blob, two.blob, one.blob]


def test_only_one_writes_the_index(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(defaults, "INDEX_SAVE_ROWS", 1)
    writer = Writer(tmp_path)
    revise(writer, "O0001", "one\n")
    seen(tmp_path)
    assert not path_of_index(tmp_path).exists(), "a reader leaves none beside the service"
    writer.close()
    path_of_index(tmp_path).unlink()
    before = seen(tmp_path)
    assert path_of_index(tmp_path).exists(), "with no service it does"
    assert seen(tmp_path) == before


@needs_git
def test_a_clone_that_is_not_what_is_needed_is_told(tmp_path: Path) -> None:
    first = tmp_path / "first"
    with Writer(first) as writer:
        revise(writer, "O0001", "one\n")
    source = str(path_of(first))
    with_copy = tmp_path / "with-copy"
    subprocess.run(["git", "clone", "-q", source, str(path_of(with_copy))], check=True)
    with pytest.raises(RecordsError, match="--bare"):
        Writer(with_copy)
    other = tmp_path / "other"
    subprocess.run(["git", "clone", "-q", "--bare", source, str(path_of(other))], check=True)
    git(other, "branch", "-m", "main", "box-two")
    with pytest.raises(RecordsError, match="branch -m box-two main"):
        Writer(other)
    git(other, "branch", "-m", "box-two", "main")
    with Writer(other) as writer:
        assert revise(writer, "O0001", "two\n").number == 2


@needs_git
@pytest.mark.slow
def test_ten_thousand_programs_and_fifty_thousand_revisions(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is counted holds on any machine; `bench/library.py` measures the times."""
    path = big_library.make(tmp_path, 10_000, 50_000)
    Writer(tmp_path).close()
    opened = []
    assert steps(lambda: opened.append(Writer(tmp_path))) < 20_000, "with an index that fits, a start reads nothing"
    (writer,) = opened
    names = reads_of(writer, monkeypatch)
    count = len(writer.history("machine-07", "O0123"))
    assert count == sum(program == 123 * 20 + 7 for program, _ in big_library.order(10_000, 50_000))
    for n in range(50):
        made = writer.revise("machine-07", "O0123", Text.of(b"(NEW %d)\n" % n), Origin.OFFICE, {})
        assert made.number == count + n + 1
    assert len(names) < 50 * 6, "a few objects for each, however many there are"
    words = [sys.executable, "-c", PROGRAMS, str(tmp_path)]
    for _ in ("beside the service", "without it"):
        said = subprocess.run(words, capture_output=True, text=True, check=True).stdout
        assert said.split() == ["10000", "50050"]
        writer.close()
    assert path.is_dir()


PROGRAMS = """
import sys
from pathlib import Path

from dncd.records.library import Library
with Library(Path(sys.argv[1])) as library:
    newest = [r for machine in library.machines() for r in library.newest(machine).values()]
print(len(newest), sum(r.number for r in newest))
"""
