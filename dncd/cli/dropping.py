"""A careful drop: a copy under a hidden name in `to-machine/`, then named there without ever replacing a file."""

import os
import sys
from pathlib import Path
from typing import Final

import click

from dncd.errors import NotDoneError, UsageError
from dncd.records import durable

INPUT: Final = Path("-")
"""The file that stands for standard input."""


def from_input(name: str) -> Path:
    """Standard input as a file of that name, which goes when the command ends."""
    import tempfile

    folder = tempfile.TemporaryDirectory(prefix="dncd-")
    click.get_current_context().call_on_close(folder.cleanup)
    file = Path(folder.name) / Path(name).name
    file.write_bytes(sys.stdin.buffer.read())
    return file


def check(source: Path) -> None:
    """UsageError where the file could not be dropped, or would be left alone once dropped."""
    from dncd.outside.folder_looks import left_alone

    if source.is_dir():
        raise UsageError("that is a folder", str(source), "Name the files in it, such as FOLDER/*.nc")
    if not source.is_file():
        raise UsageError("there is no such file", str(source), "Name a file with a program")
    if left_alone(source.name):
        what = "files with such a name are left alone: nobody means them as programs"
        raise UsageError(what, str(source), "Give it another name")
    try:
        source.open("rb").close()
    except OSError as error:
        what = f"it cannot be read: {error.strerror}"
        raise UsageError(what, str(source), "Give yourself the right to read it") from None


def drop(source: Path, folder: Path) -> str:
    """Copies a file into a machine's `to-machine/`; gives the name that it has there, numbered if its own was taken."""
    if not folder.is_dir():
        raise NotDoneError("the folder to drop into is not there", str(folder), "Is the shop folder mounted here?")
    with durable.reporting("the file cannot be dropped", folder / source.name):
        found = folder.stat()
        os.umask(0o777 & ~found.st_mode)  # for whom the folder is: the service must read what is dropped
        if os.geteuid() == 0:
            os.setegid(found.st_gid)
        while True:
            target = folder / durable.free_name(folder, source.name)
            try:
                durable.write_new(target, durable.read_chunks(source.resolve()), mode=durable.SHARED_FILE_MODE)
            except FileExistsError:
                continue  # somebody took the name between the look and the link
            return target.name
