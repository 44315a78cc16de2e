"""The library's objects as git keeps them, written durably and with flat memory.

Objects are loose files first (zlib of `KIND SIZE NUL DATA`, named by the SHA-1 of that, `git help hash-object`) and packs
later. Reading packs and making them is dulwich's; writing a loose object is ours, because a lock file that a power cut
leaves beside one would make dulwich refuse that very object for ever after, and because it syncs neither file nor folder.
"""

import contextlib
import hashlib
import secrets
import zlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from dulwich.object_store import DiskObjectStore
from dulwich.objects import ObjectID, ShaFile

from dncd.errors import RecordsError
from dncd.records import durable

PACK_AT: Final = 3000
"""Loose objects at which packing pays: git's own gc.auto is 6700; a few thousand already double the time of a history."""

PACK_BATCH: Final = 500
"""Objects packed in one go, between which the records thread can serve what is urgent."""

PACK_BYTES: Final = 1 << 20
"""A larger loose file stays loose: packing holds the objects of a batch in memory."""

_KINDS: Final = {1: b"commit", 2: b"tree", 3: b"blob", 4: b"tag"}


@dataclass(frozen=True, slots=True)
class Text:
    """A program text that can be read as often as needed. size: bytes; chunks: starts a reading."""

    size: int
    chunks: Callable[[], Iterable[bytes]]

    @classmethod
    def of(cls, data: bytes) -> "Text":
        """A text that is held in memory."""
        return cls(len(data), lambda: (data,))

    @classmethod
    def file(cls, path: Path) -> "Text":
        """A text that lies in a file, as long as nobody changes it."""
        return cls(path.stat().st_size, lambda: durable.read_chunks(path))


def object_id(kind: bytes, text: Text) -> str:
    """The object's name, in hex. RecordsError if the text is not as long as it says."""
    digest, size = hashlib.sha1(b"%s %d\0" % (kind, text.size), usedforsecurity=False), 0
    for chunk in text.chunks():
        size += len(chunk)
        digest.update(chunk)
    if size != text.size:
        raise RecordsError(
            f"a text of {text.size} bytes gave {size} while it was read", "library", "send or punch the program again"
        )
    return digest.hexdigest()


class Objects:
    """The `objects` folder of a repository. One writer; any number of readers, also git itself."""

    def __init__(self, folder: Path, disk: durable.Disk = durable.DISK) -> None:
        """folder: `objects` of the repository; it must exist."""
        self._folder, self._disk = folder, disk
        self._packed = DiskObjectStore(str(folder), fsync_object_files=True)

    def close(self) -> None:
        """Closes the packs."""
        self._packed.close()

    def write(self, kind: bytes, text: Text) -> tuple[str, Path | None]:
        """Writes an object; returns its name and the folder to sync before anything names the object.

        None instead of a folder: the object is in a pack already.
        """
        name = object_id(kind, text)
        path = self._path(name)
        for _ in range(5):  # git's gc may remove the folder, which it finds empty, between our two steps
            try:
                self._disk.utime(path)  # there already, from before: keep it from being pruned
            except FileNotFoundError:
                pass
            else:
                return name, path.parent
            if self._in_pack(name):
                return name, None
            with contextlib.suppress(FileNotFoundError):
                durable.make_folder(path.parent, self._disk)
                self._write_loose(path, kind, text)
                return name, path.parent
        raise RecordsError(
            "an object could not be written", str(path.parent), "look whether another program empties it"
        )

    def _write_loose(self, path: Path, kind: bytes, text: Text) -> None:
        digest = hashlib.sha1(usedforsecurity=False)

        def packed() -> Iterator[bytes]:
            zipper = zlib.compressobj(1)
            header = b"%s %d\0" % (kind, text.size)
            digest.update(header)
            yield zipper.compress(header)
            for chunk in text.chunks():
                digest.update(chunk)
                yield zipper.compress(chunk)
            yield zipper.flush()

        # `tmp_obj_` is git's own word for it: its gc removes one that a power cut left.
        temporary = durable.write_temporary(
            path.parent, packed(), self._disk, name=f"tmp_obj_{secrets.token_hex(6)}", mode=0o444
        )
        if digest.hexdigest() != path.parent.name + path.name:
            durable.discard(temporary, self._disk)
            raise RecordsError("a text changed while it was read", "library", "send or punch the program again")
        self._disk.rename(temporary, path)

    def read(self, name: str) -> tuple[bytes, bytes]:
        """Kind and data of an object. KeyError if there is none, RecordsError if it cannot be read."""
        try:
            kind, data = self._packed.get_raw(ObjectID(name.encode()))
        except KeyError:
            raise
        except Exception as error:  # whatever dulwich meets in a broken object: zlib, format and checksum errors
            raise RecordsError(f"an object cannot be read: {error}", name, "run `dncd verify`") from error
        return _KINDS[kind], data

    def chunks(self, name: str) -> Iterator[bytes]:
        """The data of an object in pieces: flat memory while it is loose."""
        try:
            pieces = self._loose_pieces(self._path(name))
            header = next(pieces)
        except FileNotFoundError:
            yield self.read(name)[1]
            return
        yield header.partition(b"\0")[2]
        yield from pieces

    def _loose_pieces(self, path: Path) -> Iterator[bytes]:
        """Header and data as they lie in a loose file; the first piece holds the whole header."""
        unzip = zlib.decompressobj()
        try:
            for chunk in durable.read_chunks(path):
                data = unzip.decompress(chunk, durable.CHUNK)
                while data:
                    yield data
                    data = unzip.decompress(unzip.unconsumed_tail, durable.CHUNK)
            if tail := unzip.flush():
                yield tail
        except zlib.error as error:
            raise RecordsError(f"an object cannot be read: {error}", path.name, "run `dncd verify`") from error
        if not unzip.eof:
            raise RecordsError("an object is cut short", path.name, "run `dncd verify`")

    def __contains__(self, name: str) -> bool:
        return self._path(name).is_file() or self._in_pack(name)

    def _in_pack(self, name: str) -> bool:
        return self._packed.contains_packed(ObjectID(name.encode()))

    def _path(self, name: str) -> Path:
        return self._folder / name[:2] / name[2:]

    def loose(self) -> Iterator[tuple[str, Path]]:
        """Name and file of every loose object."""
        for folder in sorted(self._folder.iterdir()):
            if len(folder.name) == 2 and folder.is_dir():
                for path in folder.iterdir():
                    if len(path.name) == 38:
                        yield folder.name + path.name, path

    def faults(self) -> Iterator[tuple[str, str]]:
        """Name and fault of every object or pack whose bytes do not give its name."""
        for name, path in self.loose():
            digest = hashlib.sha1(usedforsecurity=False)
            try:
                for piece in self._loose_pieces(path):
                    digest.update(piece)
            except RecordsError as error:
                yield name, error.what
                continue
            except FileNotFoundError:
                continue  # packed meanwhile
            if digest.hexdigest() != name:
                yield name, "its bytes are not those that gave it its name"
        for pack in self._packed.packs:
            try:
                pack.check()
            except Exception as error:  # noqa: BLE001 - whatever dulwich finds is the fault to tell
                yield pack.name().decode("ascii", "replace"), f"the pack is damaged: {type(error).__name__} {error}"

    def pack_some(self) -> int:
        """Packs up to PACK_BATCH small loose objects, durably, then removes them; how many. Nothing else is touched."""
        batch: list[tuple[ShaFile, None]] = []
        paths = []
        for name, path in self.loose():
            if path.stat().st_size <= PACK_BYTES:
                batch.append((ShaFile.from_path(str(path), ObjectID(name.encode())), None))
                paths.append(path)
            if len(batch) == PACK_BATCH:
                break
        if not batch:
            return 0
        self._packed.add_objects(batch)  # syncs the pack and its index
        durable.fsync_dir(self._folder / "pack", self._disk)
        for path in paths:
            durable.discard(path, self._disk)
        return len(batch)

    def sweep(self) -> None:
        """Removes what a power cut left of unfinished objects; only for the one writer."""
        for folder in self._folder.iterdir():
            if len(folder.name) == 2 and folder.is_dir():
                for path in folder.glob("tmp_obj_*"):
                    durable.discard(path, self._disk)


def tree_entry(tree: bytes, name: bytes) -> str:
    """The object's name that a tree (raw) has for an entry, or an empty string (format: mode SP name NUL 20 bytes)."""
    found = next((sha for _, each, sha in tree_entries(tree) if each == name), b"")
    return found.hex()


def tree_entries(tree: bytes) -> Iterator[tuple[bytes, bytes, bytes]]:
    """Mode, name and binary object name of each entry."""
    position = 0
    while position < len(tree):
        end = tree.index(b"\0", position)
        mode, _, name = tree[position:end].partition(b" ")
        yield mode, name, tree[end + 1 : end + 21]
        position = end + 21


def with_entry(tree: bytes, mode: bytes, name: bytes, object_name: str) -> bytes:
    """A tree (raw) in which an entry is put or replaced, in git's order (a folder sorts as if its name ended in `/`)."""

    def key(mode: bytes, name: bytes) -> bytes:
        return name + b"/" if mode == b"40000" else name

    entry = mode + b" " + name + b"\0" + bytes.fromhex(object_name)
    wanted = key(mode, name)
    position = 0
    while position < len(tree):
        end = tree.index(b"\0", position)
        each_mode, _, each = tree[position:end].partition(b" ")
        if each == name:
            return tree[:position] + entry + tree[end + 21 :]
        if key(each_mode, each) > wanted:
            break
        position = end + 21
    return tree[:position] + entry + tree[position:]
