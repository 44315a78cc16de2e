"""git objects written durably, one loose file each (gitrepository-layout(5), objects/??/).

dulwich's own writer does not sync and leaves lock files after a crash that later refuse the very same content.
"""

import contextlib
import os
import time
import zlib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from dulwich.objects import Commit, ObjectID, ShaFile

from dncd.errors import RecordsError
from dncd.records import durable
from dncd.records.texts import FactsReading, Text

_TRIES = 5
"""A `git gc` removes an object folder that it finds empty, also between our making it and our file in it."""


class ObjectWriter:
    """Writes into the `objects` folder of one repository; gives the folder that is to be synced."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def write(self, item: ShaFile) -> Path:
        return self._object(item.id.decode(), lambda: [item.as_legacy_object(1)])

    def write_text(self, text: Text, name: str) -> Path:
        """A text, under git's name of it, by pieces. RecordsError where it is another one than when it was named."""

        def packed() -> Iterator[bytes]:
            packer = zlib.compressobj(1)
            yield packer.compress(b"blob %d\0" % text.size)
            reading = FactsReading(text.size)
            for chunk in text.chunks():
                reading.feed(chunk)
                yield packer.compress(chunk)
            yield packer.flush()
            if reading.blob != name:
                raise RecordsError(
                    "the text of a revision changed on the disk", str(self._folder), "Drop its file again"
                )

        return self._object(name, packed)

    def _object(self, name: str, packed: Callable[[], Iterable[bytes]]) -> Path:
        """Writes an object whole under its name, unless it is there; the folder to sync."""
        folder = self._folder / name[:2]
        target = folder / name[2:]
        with contextlib.suppress(FileNotFoundError):
            durable.DISK.utime(target)  # there already: freshened, so that no clean-up takes it for old
            return folder
        for left in reversed(range(_TRIES)):
            durable.add_folder(folder)
            try:
                temporary = durable.write_temporary(folder, packed(), name=f"tmp_obj_{os.urandom(6).hex()}", mode=0o444)
            except FileNotFoundError:
                if not left:
                    raise
                continue
            durable.DISK.rename(temporary, target)
            break
        return folder


def new_commit(tree: ObjectID, parent: bytes | None) -> Commit:
    """A commit of dncd's own, made now; it lacks its message."""
    commit = Commit()
    commit.tree, commit.parents = tree, [ObjectID(parent)] if parent else []
    commit.author = commit.committer = b"dncd <dncd@localhost>"
    commit.commit_time = commit.author_time = int(time.time())
    commit.commit_timezone = commit.author_timezone = 0
    return commit
