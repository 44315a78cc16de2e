"""A disk that fails or stops at one operation: the k-th system call that changes something, counted from 1."""

import contextlib
import errno
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from dncd.records import durable
from dncd.records.durable import Disk


class Kill(BaseException):
    """The power went: nothing after this runs, not even what mends an ordinary error."""


class FailingDisk(Disk):
    """Counts changing calls in `done`. At number `at` it raises `error`, or stops for good where `error` is Kill.

    A write that fails takes half of its bytes first, as a full disk does.
    """

    def __init__(self, at: int = 0, error: type[BaseException] | int = errno.ENOSPC) -> None:
        self.at, self.error = at, error
        self.done: list[str] = []
        self.dead = False

    def _step(self, name: str) -> None:
        if self.dead:
            raise Kill
        self.done.append(name)
        if len(self.done) == self.at:
            if isinstance(self.error, int):
                raise OSError(self.error, os.strerror(self.error), name)
            self.dead = True
            raise self.error

    def open(self, path: Path, flags: int, mode: int = 0o664) -> int:
        if flags & (os.O_CREAT | os.O_TRUNC):
            self._step("open")
        elif self.dead:
            raise Kill
        return super().open(path, flags, mode)

    def write(self, fd: int, data: bytes | memoryview) -> int:
        try:
            self._step("write")
        except BaseException:
            if len(self.done) == self.at:
                super().write(fd, data[: len(data) // 2])
            raise
        return super().write(fd, data)


def _counted(name: str) -> Callable[..., Any]:
    plain = getattr(Disk, name)

    def call(self: FailingDisk, *given: Any) -> Any:
        self._step(name)
        return plain(self, *given)

    return call


for _name in ("fsync", "truncate", "rename", "rename_new", "exchange", "link", "unlink", "mkdir", "utime"):
    setattr(FailingDisk, _name, _counted(_name))


@contextlib.contextmanager
def used(disk: Disk) -> Iterator[Disk]:
    """The whole process writes through this disk meanwhile."""
    before, durable.DISK = durable.DISK, disk
    try:
        yield disk
    finally:
        durable.DISK = before


def steps(flow: Callable[[], object]) -> range:
    """1 to the number of changing calls that the flow makes on a good disk."""
    disk = FailingDisk()
    with used(disk):
        flow()
    return range(1, len(disk.done) + 1)


def each_cut(errors: tuple[Any, ...] = (errno.ENOSPC, errno.EIO, Kill)) -> Iterator[Any]:
    """The ways in which a disk goes."""
    yield from errors
