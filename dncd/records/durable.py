"""Files that survive a power cut: the one owner of fsync, rename and link.

A name in a folder is durable once the file was synced, then named, then the folder was synced (fsync(2): syncing a file
does not sync the entry that names it). Every system call goes through `DISK`, so that a test can let operation number k
fail or stop there. Errors of the disk come up as OSError; `reporting` turns them into a RecordsError with its three
sentences.
"""

import contextlib
import ctypes
import errno
import functools
import hashlib
import os
import re
import secrets
import stat
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Final

from dncd.errors import RecordsError

CHUNK: Final = 1 << 13
"""Bytes read or written at a time: memory stays flat whatever the size of a file, and no step over a piece keeps the line
loop waiting for long."""

FILE_MODE: Final = 0o644
FOLDER_MODE: Final = 0o755
"""dncd's own records: its group may read them, with the umask of the service, and nobody else may change them."""

SHARED_FILE_MODE: Final = 0o664
SHARED_FOLDER_MODE: Final = 0o775
"""In the shop's folder the office reads and takes what dncd writes; the umask of the service may narrow both."""

HIDDEN: Final = ".dncd-"
"""Start of the names that dncd uses while a file is on its way; a dot file is never taken for a program."""

RECEIPT: Final = ".receipt.txt"

_RENAME_NOREPLACE: Final = 1  # renameat2(2), as the next
_RENAME_EXCHANGE: Final = 2
NO_SUCH_RENAME: Final = (errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP)
"""What a file system says that only knows rename(2)."""

_AT_FDCWD: Final = -100  # fcntl.h
_NAME_BYTES: Final = 230  # 255 of a file name, less the receipt's ending and a number


class Disk:
    """The system calls of this room, one method each. A test's disk overrides them to fail or stop."""

    def open(self, path: Path, flags: int, mode: int = FILE_MODE) -> int:
        """open(2), never inherited by a child."""
        return os.open(path, flags | os.O_CLOEXEC, mode)

    def write(self, fd: int, data: bytes | memoryview) -> int:
        """write(2): may take fewer bytes than given."""
        return os.write(fd, data)

    def fsync(self, fd: int) -> None:
        os.fsync(fd)

    def truncate(self, fd: int, size: int) -> None:
        os.ftruncate(fd, size)

    def rename(self, source: Path, target: Path) -> None:
        """rename(2): replaces the target at one instant."""
        source.rename(target)

    def rename_new(self, source: Path, target: Path) -> None:
        """renameat2(2) with RENAME_NOREPLACE: FileExistsError instead of replacing; EINVAL where it cannot be done."""
        _renameat2(source, target, _RENAME_NOREPLACE)

    def exchange(self, one: Path, other: Path) -> None:
        """renameat2(2) with RENAME_EXCHANGE: two files change names at one instant; EINVAL where it cannot be done."""
        _renameat2(one, other, _RENAME_EXCHANGE)

    def link(self, source: Path, target: Path) -> None:
        """link(2): never replaces a target."""
        os.link(source, target, follow_symlinks=False)

    def unlink(self, path: Path) -> None:
        path.unlink()

    def mkdir(self, path: Path, mode: int = FOLDER_MODE) -> None:
        path.mkdir(mode)

    def utime(self, path: Path) -> None:
        """utimensat(2) with the present time."""
        os.utime(path)


DISK = Disk()
"""The one disk of the process; a test puts another in its place (`failing_disk.used`)."""


@functools.cache
def _libc() -> ctypes.CDLL:
    return ctypes.CDLL(None, use_errno=True)


def _renameat2(source: Path, target: Path, flags: int) -> None:
    """renameat2(2); OSError ENOSYS where the C library has none."""
    call = getattr(_libc(), "renameat2", None)
    if call is None:
        raise OSError(errno.ENOSYS, "no renameat2")
    if call(_AT_FDCWD, os.fsencode(source), _AT_FDCWD, os.fsencode(target), flags):
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number), str(target))


TRIED_AGAIN: Final = "; dncd tries again"

_NEXT_STEPS: Final = {
    errno.ENOSPC: "make room on that disk",
    errno.EDQUOT: "raise the quota of the service's user or make room",
    errno.EROFS: "mount that disk for writing; look in the system's journal for why it was not",
    errno.EACCES: "give the service's user the right to read and write there",
    errno.EPERM: "give the service's user the right to read and write there",
    errno.EIO: "the disk fails: look in the system's journal and replace it",
    errno.EXDEV: "put it back on one disk with the other folders of the machine",
}


def next_step_of(number: int | None) -> str:
    """What helps against an error of the disk, by its number."""
    return _NEXT_STEPS.get(number or 0, "look at that place")


@contextlib.contextmanager
def reporting(what: str, where: Path, then: str = "") -> Iterator[None]:
    """Turns an OSError inside into a RecordsError: what could not be done, the place, and what helps. then: what
    follows by itself, such as `TRIED_AGAIN` where a running service comes back to it."""
    try:
        yield
    except OSError as error:
        reason = os.strerror(error.errno) if error.errno else str(error)
        raise RecordsError(f"{what}: {reason}", str(where), next_step_of(error.errno) + then) from error


@contextlib.contextmanager
def closing(fd: int) -> Iterator[int]:
    try:
        yield fd
    finally:
        os.close(fd)


# --- folders -----------------------------------------------------------------------------------------------------
def fsync_dir(folder: Path) -> None:
    """Makes the names in a folder durable."""
    with closing(DISK.open(folder, os.O_RDONLY | os.O_DIRECTORY)) as fd:
        DISK.fsync(fd)


def make_folder(folder: Path, mode: int = FOLDER_MODE) -> None:
    """Makes a folder, and those above it, durably; one that is there already is fine."""
    if not folder.parent.is_dir():
        make_folder(folder.parent, mode)
    add_folder(folder, mode)


def add_folder(folder: Path, mode: int = FOLDER_MODE) -> None:
    """As `make_folder`, in a folder that must be there: a state folder that vanished is not made anew below a service."""
    if folder.is_dir():
        return
    with contextlib.suppress(FileExistsError):
        DISK.mkdir(folder, mode)
    fsync_dir(folder.parent)


# --- writing -----------------------------------------------------------------------------------------------------
def write_all(fd: int, data: bytes) -> None:
    rest = memoryview(data)
    while rest:
        rest = rest[DISK.write(fd, rest) :]


def hidden_name() -> str:
    """A fresh name for a file that is being written; swept away at the next start if a cut leaves it."""
    return f"{HIDDEN}{secrets.token_hex(8)}.part"


def write_temporary(folder: Path, chunks: Iterable[bytes], name: str = "", mode: int = FILE_MODE) -> Path:
    """Writes chunks to a synced file with a hidden name; the caller names it. On an error nothing stays."""
    path = folder / (name or hidden_name())
    fd = DISK.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, mode)
    with or_discarded(path), closing(fd):
        for chunk in chunks:
            write_all(fd, chunk)
        DISK.fsync(fd)
    return path


def sweep(folder: Path) -> int:
    """Removes files in a folder that a cut left half-written under a hidden name; how many. At start only."""
    left = sorted(folder.glob(f"{HIDDEN}*.part"))
    for path in left:
        remove(path)
    return len(left)


def discard(path: Path) -> None:
    """Removes a file that may be gone; used while another error is on its way up, so it raises none of its own."""
    with contextlib.suppress(OSError):
        DISK.unlink(path)


@contextlib.contextmanager
def or_discarded(path: Path) -> Iterator[None]:
    """A file goes again where what is done with it fails."""
    try:
        yield
    except Exception:
        discard(path)
        raise


def remove(path: Path) -> None:
    """Removes a file durably; one that is gone already is fine."""
    with contextlib.suppress(FileNotFoundError):
        DISK.unlink(path)
        fsync_dir(path.parent)


def write_new(path: Path, chunks: Iterable[bytes], mode: int = FILE_MODE) -> None:
    """Writes a file that must not exist yet: whole or not at all. FileExistsError if the name is taken."""
    _write(path, chunks, mode, _give_name)


def replace(path: Path, data: bytes | Iterable[bytes], mode: int = FILE_MODE) -> None:
    """Writes a file whole, at one instant, over one that may be there."""
    _write(path, [data] if isinstance(data, bytes) else data, mode, DISK.rename)


def _write(path: Path, chunks: Iterable[bytes], mode: int, give_name: Callable[[Path, Path], None]) -> None:
    temporary = write_temporary(path.parent, chunks, mode=mode)
    with or_discarded(temporary):
        give_name(temporary, path)
    fsync_dir(path.parent)


def append_line(fd: int, line: bytes, size: int) -> int:
    """Appends one line (with its line end) at `size`, the file's length so far, and syncs it; returns the new length.
    On an OSError the file is cut back to `size` if the disk lets us; the caller keeps `size` and may call again."""
    os.lseek(fd, size, os.SEEK_SET)
    try:
        write_all(fd, line)
        DISK.fsync(fd)
    except OSError:
        with contextlib.suppress(OSError):
            DISK.truncate(fd, size)
        raise
    return size + len(line)


NO_LINKS: Final = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK)
"""What a file system without hard links says."""


def _give_name(source: Path, target: Path) -> None:
    """Moves a file to a free name of the same file system without ever replacing one (FileExistsError)."""
    try:
        DISK.rename_new(source, target)  # one step: a power cut never leaves the file under both names
        return
    except OSError as error:
        if error.errno not in NO_SUCH_RENAME:
            raise
    try:
        DISK.link(source, target)
    except OSError as error:
        if error.errno not in NO_LINKS:
            raise
        # A file system without hard links (FAT, some network mounts): claim the name, then rename over our own claim.
        os.close(DISK.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW))
        DISK.rename(source, target)
        return
    DISK.unlink(source)


def _move_across(source: Path, target: Path) -> None:
    """From folder to folder: the new name is on the disk before the old one goes, for somebody else's sync may bind the one
    folder and not the other. Where no second name can be given, as `_give_name` does it."""
    try:
        DISK.link(source, target)
    except OSError as error:
        if error.errno not in NO_LINKS:
            raise
        _give_name(source, target)
        return
    fsync_dir(target.parent)
    DISK.unlink(source)


def move_new(source: Path, target: Path) -> None:
    """Moves a file to a name that must be free, durably, also onto another file system. FileExistsError if taken."""
    try:
        (_give_name if source.parent == target.parent else _move_across)(source, target)
    except OSError as error:
        if error.errno != errno.EXDEV:
            raise
        write_new(target, read_chunks(source), SHARED_FILE_MODE)
        DISK.unlink(source)
    fsync_dir(target.parent)
    if source.parent != target.parent:
        fsync_dir(source.parent)


def place(source: Path, folder: Path, wanted: str) -> Path:
    """Moves a file into a folder under the wanted name, or a numbered one if that is taken; returns where it lies."""
    while True:
        target = folder / free_name(folder, wanted)
        try:
            move_new(source, target)
        except FileExistsError:
            continue
        return target


# --- names -------------------------------------------------------------------------------------------------------
def tidy_name(name: str) -> str:
    """A name that is safe to write: one part, printable, short enough to bear a number and a receipt's ending."""
    clean = "".join(c if c.isprintable() and c not in "/\\" and not "\ud800" <= c <= "\udfff" else "_" for c in name)
    clean = clean.strip()
    if clean in ("", ".", ".."):
        clean = "UNNAMED"
    stem, suffix = _split(clean)
    if len(suffix.encode()) > 32:
        stem, suffix = clean, ""
    room = _NAME_BYTES - len(suffix.encode())
    short = stem.encode()[:room].decode("utf-8", "ignore") + suffix
    if short.lower().endswith(RECEIPT):
        short = short[: -len(RECEIPT)] + ".receipt_.txt"  # else it would sit where another file's receipt belongs
    return short


def _split(name: str) -> tuple[str, str]:
    stem, dot, suffix = name.rpartition(".")
    return (stem, dot + suffix) if stem else (name, "")


def free_name(folder: Path, name: str) -> str:
    """The name itself, or `NAME (2).EXT` and so on: one that neither a file nor a receipt in the folder bears."""
    name = tidy_name(name)
    stem, suffix = _split(name)
    number = 1
    while os.path.lexists(folder / name) or os.path.lexists(folder / (name + RECEIPT)):
        number += 1
        name = f"{stem} ({number}){suffix}"
    return name


def unnumbered(name: str) -> str:
    """The name that was asked for, of one that `free_name` gave."""
    stem, suffix = _split(name)
    return re.sub(r" \(\d+\)$", "", stem) + suffix


# --- reading -----------------------------------------------------------------------------------------------------
def open_regular(path: Path) -> int:
    """Opens a file for reading; a link, folder, pipe or device is an OSError (ELOOP, EISDIR or EINVAL), never followed.
    O_NONBLOCK: opening a pipe must not wait for its writer."""
    fd = DISK.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    mode = os.fstat(fd).st_mode
    if not stat.S_ISREG(mode):
        os.close(fd)
        raise OSError(errno.EISDIR if stat.S_ISDIR(mode) else errno.EINVAL, "not a regular file", str(path))
    return fd


def read_chunks(source: Path | int) -> Iterator[bytes]:
    """The bytes of a regular file in pieces of at most CHUNK. A descriptor is read from its start and stays open."""
    fd = source if isinstance(source, int) else open_regular(source)
    try:
        offset = 0
        while chunk := os.pread(fd, CHUNK, offset):
            offset += len(chunk)
            yield chunk
    finally:
        if not isinstance(source, int):
            os.close(fd)


def sync_file(path: Path) -> None:
    with closing(open_regular(path)) as fd:
        DISK.fsync(fd)


def free_bytes(folder: Path) -> int | None:
    """Bytes that this user may still write to the file system of `folder` (statvfs(3)); None where nobody tells."""
    try:
        room = os.statvfs(folder)
    except OSError:
        return None
    return room.f_bavail * room.f_frsize


def sha256_of(path: Path) -> str:
    """SHA-256 of a regular file, in hex (FIPS 180-4)."""
    digest = hashlib.sha256()
    for chunk in read_chunks(path):
        digest.update(chunk)
    return digest.hexdigest()


def holds(path: Path, sha256: str) -> bool:
    """Whether a regular file is there and has this SHA-256."""
    try:
        return sha256_of(path) == sha256
    except OSError:
        return False
