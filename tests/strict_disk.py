"""A file system that binds nothing but what was synced, kept as a model beside a real folder.

All that dncd does on its disk goes through `dncd.records.durable.DISK`. `RecordingDisk` is put in its place: it does each
thing, and notes it. After a kill `StrictDisk.cut` makes the folder anew as the worst disk might have it: the contents of a
file as they were when it was synced last, the names in a folder as they were when that folder was synced last, and of all
that came later any part, by chance, in any order. One rename within a folder is one thing; one from folder to folder is two.
What was written past `DISK` was not synced either: it is there, torn or gone.
"""

import contextlib
import fcntl
import json
import os
import random
import shutil
import signal
import stat
import tempfile
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from failing_disk import Kill, used

from dncd.records.durable import Disk


class Notes:
    """The file in which everybody notes what was done, in its order. One at a time does something and notes it."""

    def __init__(self, path: Path) -> None:
        self._lock = threading.RLock()
        self._fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC)

    @contextlib.contextmanager
    def alone(self) -> Iterator[None]:
        with self._lock:
            fcntl.flock(self._fd, fcntl.LOCK_EX)
            try:
                yield
            finally:
                fcntl.flock(self._fd, fcntl.LOCK_UN)

    def note(self, *what: Any) -> None:
        os.write(self._fd, json.dumps(what).encode() + b"\n")

    def clear(self) -> None:
        os.ftruncate(self._fd, 0)

    def close(self) -> None:
        os.close(self._fd)


def _listing(folder: Path) -> dict[str, int]:
    """Names and inode numbers."""
    return {path.name: _inode(path) for path in folder.iterdir()}


def _inode(path: Path) -> int:
    return path.lstat().st_ino


def _kill() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


class RecordingDisk(Disk):
    """Notes what is done. at: the change at which its process is gone, counted from 1; 0 for none."""

    def __init__(self, notes: Path, at: int = 0, gone: Callable[[], None] = _kill) -> None:
        self._notes, self._at, self._count, self._gone = Notes(notes), at, 0, gone

    @contextlib.contextmanager
    def _change(self) -> Iterator[Callable[..., None]]:
        with self._notes.alone():
            self._count += 1
            if 0 < self._at <= self._count:
                self._gone()
            yield self._notes.note

    def close(self) -> None:
        self._notes.close()

    def open(self, path: Path, flags: int, mode: int = 0o664) -> int:
        if not flags & (os.O_CREAT | os.O_TRUNC) or path.exists():
            return super().open(path, flags, mode)
        with self._change() as note:
            fd = super().open(path, flags, mode)
            note("made", path.parent.stat().st_ino, path.name, os.fstat(fd).st_ino, "file")
            return fd

    def write(self, fd: int, data: bytes | memoryview) -> int:
        with self._change() as note:
            at, count = os.lseek(fd, 0, os.SEEK_CUR), super().write(fd, data)
            note("written", os.fstat(fd).st_ino, at, bytes(data[:count]).hex())
            return count

    def truncate(self, fd: int, size: int) -> None:
        with self._change() as note:
            super().truncate(fd, size)
            note("cut to", os.fstat(fd).st_ino, size)

    def fsync(self, fd: int) -> None:
        with self._change() as note:
            found = os.fstat(fd)
            if stat.S_ISDIR(found.st_mode):
                note("names synced", found.st_ino, _listing(Path(f"/proc/self/fd/{fd}")))
            else:
                note("synced", found.st_ino, Path(f"/proc/self/fd/{fd}").read_bytes().hex())

    def _moved(self, what: Callable[[Path, Path], None], source: Path, target: Path) -> None:
        with self._change() as note:
            inode, above, below = _inode(source), source.parent.stat().st_ino, target.parent.stat().st_ino
            what(source, target)
            if above == below:
                note("named", above, {source.name: 0, target.name: inode})
            else:
                note("named", below, {target.name: inode})
                note("named", above, {source.name: 0})

    def rename(self, source: Path, target: Path) -> None:
        self._moved(super().rename, source, target)

    def rename_new(self, source: Path, target: Path) -> None:
        self._moved(super().rename_new, source, target)

    def exchange(self, one: Path, other: Path) -> None:
        with self._change() as note:
            folder = one.parent.stat().st_ino
            assert folder == other.parent.stat().st_ino
            super().exchange(one, other)
            note("named", folder, {one.name: _inode(one), other.name: _inode(other)})

    def link(self, source: Path, target: Path) -> None:
        with self._change() as note:
            super().link(source, target)
            note("named", target.parent.stat().st_ino, {target.name: _inode(source)})

    def unlink(self, path: Path) -> None:
        with self._change() as note:
            super().unlink(path)
            note("named", path.parent.stat().st_ino, {path.name: 0})

    def mkdir(self, path: Path, mode: int = 0o775) -> None:
        with self._change() as note:
            super().mkdir(path, mode)
            note("made", path.parent.stat().st_ino, path.name, _inode(path), "folder")


@dataclass
class File:
    """synced: what is sure; later: what was written since, (offset, bytes), or (size, None) for a cut to a size."""

    synced: bytes = b""
    later: list[tuple[int, bytes | None]] = field(default_factory=list)
    mtime_ns: int = 0


@dataclass
class Folder:
    """synced: the names that are sure; later: changes since, each happens whole or not at all; None: the name goes."""

    synced: "dict[str, Thing]" = field(default_factory=dict)
    later: "list[dict[str, Thing | None]]" = field(default_factory=list)

    def inside(self, *path: str) -> "list[File]":
        """The files in a folder of this one that is surely there; [] if it is not."""
        found: Thing | None = self
        for name in path:
            found = found.synced.get(name) if isinstance(found, Folder) else None
        return [each for each in found.synced.values() if isinstance(each, File)] if isinstance(found, Folder) else []


Thing = File | Folder


class StrictDisk:
    """A folder on such a disk. `settle` begins: what is there now is sure."""

    def __init__(self, root: Path, notes: Path) -> None:
        self.root, self.path, self.notes = root, notes, Notes(notes)
        self._things: dict[int, Thing] = {}
        self._live: dict[int, Path] = {}
        self.settle()

    def close(self) -> None:
        self.notes.close()

    def settle(self) -> None:
        self._things = {}
        self._sure(self.root)
        self.notes.clear()

    def _sure(self, path: Path) -> Thing:
        found = path.lstat()
        if (known := self._things.get(found.st_ino)) is not None:  # a second name of one file
            return known
        if stat.S_ISDIR(found.st_mode):
            thing: Thing = Folder({entry.name: self._sure(entry) for entry in path.iterdir()})
        else:
            thing = File(path.read_bytes() if stat.S_ISREG(found.st_mode) else b"", [], found.st_mtime_ns)
        self._things[found.st_ino] = thing
        return thing

    def office_synced(self, folder: Path) -> None:
        """Somebody who is `alone` has synced all files that lie in the folder, and the folder."""
        for path in folder.iterdir():
            if path.is_file() and not path.name.startswith(".dncd-"):
                self.notes.note("synced", _inode(path), path.read_bytes().hex())
        self.notes.note("names synced", _inode(folder), _listing(folder))

    def replayed(self) -> Folder:
        """The model as it is now; whoever asks is alone, or nobody else is left."""
        self._live = {_inode(path): path for path in self.root.rglob("*")}
        for line in self.path.read_text().splitlines():
            self._replay(*json.loads(line))
        self.notes.clear()
        for inode, path in self._live.items():
            if isinstance(thing := self._things.get(inode), File):
                thing.mtime_ns = path.lstat().st_mtime_ns
        root = self._things[_inode(self.root)]
        assert isinstance(root, Folder)
        return root

    def _replay(self, what: str, inode: int, *rest: Any) -> None:
        match what, rest:
            case "made", (name, number, kind):
                made = self._things[number] = File() if kind == "file" else Folder()
                self._folder(inode).later.append({name: made})
            case "written", (at, data):
                self._file(inode).later.append((at, bytes.fromhex(data)))
            case "cut to", (size,):
                self._file(inode).later.append((size, None))
            case "synced", (data,):
                thing = self._file(inode)
                thing.synced, thing.later = bytes.fromhex(data), []
            case "names synced", (names,):
                folder = self._folder(inode)
                folder.synced, folder.later = {name: self._thing(number) for name, number in names.items()}, []
            case "named", (names,):
                changed = {name: self._thing(number) if number else None for name, number in names.items()}
                self._folder(inode).later.append(changed)

    def _thing(self, inode: int) -> Thing:
        """What was written past the disk is taken as it lies there now, all of it unsynced."""
        if inode not in self._things:
            path = self._live.get(inode)
            if path is not None and path.is_dir() and not path.is_symlink():
                folder = self._things[inode] = Folder()
                folder.later = [{entry.name: self._thing(_inode(entry))} for entry in path.iterdir()]
            else:
                there = path is not None and path.is_file() and not path.is_symlink()
                self._things[inode] = File(later=[(0, path.read_bytes())] if there and path else [])
        return self._things[inode]

    def _file(self, inode: int) -> File:
        thing = self._thing(inode)
        assert isinstance(thing, File)
        return thing

    def _folder(self, inode: int) -> Folder:
        thing = self._thing(inode)
        assert isinstance(thing, Folder)
        return thing

    def cut(self, rng: random.Random) -> Folder:
        """Nobody works there any more: the folder as the disk has it after a cut right now; the model of before."""
        model, chance = self.replayed(), rng.choice([0.0, 0.3, 0.5, 0.7, 1.0])
        shutil.rmtree(self.root)
        self._make(model, self.root, rng, chance, {})
        self.settle()
        return model

    def _make(self, thing: Thing, path: Path, rng: random.Random, chance: float, made: dict[int, Path]) -> None:
        if isinstance(thing, Folder):
            path.mkdir()
            names: dict[str, Thing | None] = dict(thing.synced)
            for change in thing.later:
                if rng.random() < chance:
                    names |= change
            for name, inside in names.items():
                if inside is not None:
                    self._make(inside, path / name, rng, chance, made)
        elif id(thing) in made:
            path.hardlink_to(made[id(thing)])
        else:
            made[id(thing)] = path
            path.write_bytes(_contents(thing, rng, chance))
            os.utime(path, ns=(thing.mtime_ns, thing.mtime_ns))


def _contents(file: File, rng: random.Random, chance: float) -> bytes:
    data = bytearray(file.synced)
    for at, piece in file.later:
        if rng.random() >= chance:
            continue
        if piece is None:
            del data[at:]
            data += bytes(at - len(data))
        else:
            came = piece if rng.random() < 0.7 else piece[: rng.randrange(len(piece) + 1)]
            data += bytes(max(0, at - len(data)))
            data[at : at + len(came)] = came
    return bytes(data)


def in_memory() -> Path | None:
    """A file system on which an inode number comes once only, as the model needs it; None: where temporary files are."""
    fast = Path("/dev/shm")
    return fast if fast.is_dir() else None


def each_cut(flow: Callable[[Path], object]) -> Iterator[tuple[Path, str]]:
    """A folder, and which cut it is: two for each change that the flow makes."""
    ended, at = False, 0
    while not ended:
        at += 1
        for seed in range(2):
            with tempfile.TemporaryDirectory(dir=in_memory()) as name:
                root = Path(name)
                (root / "box").mkdir()
                with contextlib.closing(StrictDisk(root / "box", root / "notes")) as disk:
                    ended = cut_at(at, root, flow)
                    disk.cut(random.Random(at * 100 + seed))
                yield root / "box", f"change {at}, seed {seed}"


def cut_at(at: int, root: Path, flow: Callable[[Path], object]) -> bool:
    """Whether the flow came to its end before change number `at`."""

    def gone() -> None:
        raise Kill

    with contextlib.closing(RecordingDisk(root / "notes", at, gone)) as disk, used(disk):
        try:
            flow(root / "box")
        except Kill:
            return False
    return True
