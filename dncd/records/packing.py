"""Packing the library: many loose objects into one file, safe against a kill at any instant, readers and a writer.

1. a new pack is written beside everything that is there (by `git pack-objects`, which keeps what changed only);
2. every pack is read back against its own checksum (gitformat-pack(5): SHA-1 at the end) and synced, then their folder;
3. only then loose objects that are in a pack go, and older packs all of whose objects are in a newer one.

Whoever reads meanwhile finds each object in one place or the other. Nothing else is ever removed, not even what nothing
names.
"""

import contextlib
import fcntl
import hashlib
import os
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from dulwich.object_format import SHA1
from dulwich.pack import load_pack_index

from dncd import defaults
from dncd.errors import NotDoneError, RecordsError
from dncd.records import durable
from dncd.records.git_program import PACK_BOUNDS, GitProgram

_LEFT_S: Final = 86_400.0
_ENDINGS: Final = (".idx", ".rev", ".bitmap", ".pack")


@dataclass(frozen=True, slots=True)
class Size:
    """Loose objects, packs, and bytes on the disk of all of them."""

    loose: int
    packs: int
    held_bytes: int


@dataclass(frozen=True, slots=True)
class Tidied:
    """What a tidying found and left, and the seconds it took."""

    before: Size
    after: Size
    seconds: float


def loose_about(library: Path) -> int:
    """About how many loose objects there are: one folder of 256 is counted, as git gc does; names are evenly spread."""
    folder = library / "objects" / "17"
    return 256 * sum(1 for _ in folder.iterdir()) if folder.is_dir() else 0


def size_of(library: Path) -> Size:
    loose = [path.stat().st_size for path in _loose(library)]
    packs = [path.stat().st_size for path in (library / "objects" / "pack").glob("pack-*")]
    count = sum(1 for _ in (library / "objects" / "pack").glob("pack-*.pack"))
    return Size(len(loose), count, sum(loose) + sum(packs))


def tidy(library: Path) -> Tidied:
    """Packs what is loose, and all packs into one where they have become many. NotDoneError while another one does it;
    RecordsError when a pack cannot be made or is not what it should be."""
    began = time.monotonic()
    packs = library / "objects" / "pack"
    with durable.reporting("the library cannot be packed", library):
        durable.make_folder(packs)
        with _alone(packs):
            before = size_of(library)
            _sweep(library)
            old = sorted(packs.glob("pack-*.idx"))
            whole = len(old) >= defaults.PACKS_MOST
            _pack(library, whole=whole)
            found = _make_sure(packs)
            for path in _loose(library):
                if path.parent.name + path.name in found:
                    durable.DISK.unlink(path)
            if whole:
                _drop_older(old, packs)
            return Tidied(before, size_of(library), time.monotonic() - began)


@contextlib.contextmanager
def _alone(packs: Path) -> Iterator[None]:
    with durable.closing(os.open(packs, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)) as fd:
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise NotDoneError(
                "the library is being packed by another process", str(packs), "Wait until that one is done"
            ) from None
        yield


def _loose(library: Path) -> Iterator[Path]:
    for folder in (library / "objects").glob("[0-9a-f][0-9a-f]"):
        yield from (path for path in folder.iterdir() if len(path.name) == 38)


def _sweep(library: Path) -> None:
    """What a kill left half-written a day ago or longer, by dncd's or git's own names of such."""
    for path in (*(library / "objects").glob("[0-9a-f][0-9a-f]/tmp_obj_*"), *(library / "objects/pack").glob("tmp_*")):
        with contextlib.suppress(FileNotFoundError):
            if time.time() - path.stat().st_mtime > _LEFT_S:
                durable.DISK.unlink(path)


def _pack(library: Path, *, whole: bool) -> None:
    """git-pack-objects(1), the way git repack calls it: to a temporary name, then the pack, then its index. It takes a
    loose object for what its name says; git-verify-pack(1) does not, and a pack that it finds wrong goes again."""
    git = GitProgram()
    packs = library / "objects" / "pack"
    old = set(packs.glob("pack-*.idx"))
    bounds = [*PACK_BOUNDS, "-c", "core.fsync=all"]
    some = [] if whole else ["--unpacked", "--incremental"]
    words = ["pack-objects", "-q", "--all", "--reflog", "--non-empty", "--delta-base-offset", "--honor-pack-keep"]
    done = git.run([*bounds, *words, *some, str(packs / "pack")], defaults.PACK_S, library)
    if done.code:
        raise RecordsError(f"git could not pack it: {done.why}", str(library), "Nothing was removed; run `dncd verify`")
    for index in set(packs.glob("pack-*.idx")) - old:
        done = git.run(["verify-pack", "--", str(index)], defaults.PACK_S, library)
        if done.code:
            _drop(index)
            what = f"an object of it is damaged: {done.why}"
            raise RecordsError(what, str(library), "Nothing was removed; run `dncd verify`")


def _make_sure(packs: Path) -> set[str]:
    """Reads every pack back and syncs it; the names of all that is in them. RecordsError for one that is damaged."""
    found: set[str] = set()
    for index in sorted(packs.glob("pack-*.idx")):
        pack = index.with_suffix(".pack")
        if not _is_whole(pack, index):
            raise RecordsError("a pack is damaged", str(pack), "Nothing was removed; take the library from a backup")
        found |= _names(index)
        for path in (pack, index):
            durable.sync_file(path)
    durable.fsync_dir(packs)
    return found


def _is_whole(pack: Path, index: Path) -> bool:
    """Whether both end with the SHA-1 of what is before it, and the index is of this pack (its last 40 bytes)."""
    sums = {path: hashlib.sha1(usedforsecurity=False) for path in (pack, index)}
    ends = {}
    for path, digest in sums.items():
        rest = b""
        for chunk in durable.read_chunks(path):
            data = rest + chunk
            digest.update(data[:-40])
            rest = data[-40:]
        digest.update(rest[:-20])
        ends[path] = rest
    sound = all(ends[path][-20:] == digest.digest() for path, digest in sums.items())
    return sound and ends[index][:20] == ends[pack][-20:]


def _names(index: Path) -> set[str]:
    with contextlib.closing(load_pack_index(str(index), SHA1)) as loaded:
        return {entry[0].hex() for entry in loaded.iterentries()}


def _drop_older(old: list[Path], packs: Path) -> None:
    """Packs of before all of whose objects are in the new ones; the index first, as git does it."""
    fresh: set[str] = set()
    for index in set(packs.glob("pack-*.idx")) - set(old):
        fresh |= _names(index)
    for index in old:
        if not index.with_suffix(".keep").exists() and _names(index) <= fresh:
            _drop(index)
    durable.fsync_dir(packs)


def _drop(index: Path) -> None:
    for ending in _ENDINGS:
        with contextlib.suppress(FileNotFoundError):
            durable.DISK.unlink(index.with_suffix(ending))
