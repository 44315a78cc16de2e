"""A day's work of an office whose computer syncs what it saves, and of one whose computer does not."""

import contextlib
import os
import time
from pathlib import Path

from workday import Drop, Workday


class SyncedDay(Workday):
    """An office whose computer syncs what it saves, as a file server with `strict sync` does."""

    syncs = True

    def change_a_setting(self) -> None:
        """The settings are not what is tried here."""

    def _save(self, path: Path, data: bytes) -> None:
        with path.open("wb") as file:
            file.write(data)
            if self.syncs:
                file.flush()
                os.fsync(file.fileno())

    def _bind(self, folder: Path) -> None:
        if self.syncs:
            fd = os.open(folder, os.O_RDONLY)
            os.fsync(fd)
            os.close(fd)

    def _drop(self, machine: str, name: str, data: bytes, tag: str, wire: bytes) -> None:
        folder = self.shop / machine / "to-machine"
        drop = Drop(machine, name, data, tag, wire, time.monotonic())
        self._clear(folder)
        self._save(folder / f"{name}.part", data)
        with contextlib.suppress(FileExistsError):
            (folder / name).hardlink_to(folder / f"{name}.part")
            self.drops.append(drop)
        (folder / f"{name}.part").unlink()
        self._bind(folder)

    def _clear(self, folder: Path) -> None:
        """A cut may leave a temporary name as the other name of a dropped file: who writes there writes into both."""
        for path in folder.glob("[!.]*.part"):  # not those of dncd
            path.unlink()

    def edit_waiting(self, machine: str) -> None:
        self._clear(self.shop / machine / "to-machine")
        super().edit_waiting(machine)
        self._sync_all(self.shop / machine / "to-machine")

    def take_away(self, machine: str) -> None:
        super().take_away(machine)
        self._bind(self.shop / machine / "to-machine")

    def edit_delivered(self, machine: str) -> None:
        super().edit_delivered(machine)
        self._sync_all(self.shop / machine / "from-machine", even_if_lazy=True)

    def _sync_all(self, folder: Path, *, even_if_lazy: bool = False) -> None:
        if not (self.syncs or even_if_lazy):
            return
        for path in folder.iterdir():
            with contextlib.suppress(FileNotFoundError):
                fd = os.open(path, os.O_RDONLY)
                os.fsync(fd)
                os.close(fd)
        fd = os.open(folder, os.O_RDONLY)
        os.fsync(fd)
        os.close(fd)


class LazyDay(SyncedDay):
    """An office that saves and goes home: nothing that it writes is synced by it (edits in from-machine/ are, for what an
    office saves over a delivered file is nobody's to keep but its own)."""

    syncs = False
