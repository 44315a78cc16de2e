"""A delivery replaces the delivery before it, and nothing that somebody saved there, in whatever instant."""

import errno
import hashlib
import os
import stat
from collections.abc import Callable
from pathlib import Path

import pytest
from failing_disk import FailingDisk, Kill, used

from dncd.records import durable
from dncd.records.delivery import OVER, deliver
from dncd.records.durable import Disk
from dncd.records.held_open import leases_tell

OLD, NEW, NOTES = b"O0004\r\nN10 G00 X1.\r\n", b"O0004\r\nN10 G00 X2.\r\n", b"notes of the office"
BEFORE = hashlib.sha256(OLD).hexdigest()
ASIDE = "O0004 (edited in the folder).nc"


class Office(Disk):
    """Lets somebody do something right before the files change names. exchanges: whether the file system can do that."""

    def __init__(self, at_once: Callable[[], object] = lambda: None, exchanges: bool = True) -> None:
        self.at_once, self.exchanges, self.times = at_once, exchanges, 0

    def exchange(self, one: Path, other: Path) -> None:
        if not self.exchanges:
            raise OSError(errno.EINVAL, "unknown flag")
        self._now()
        super().exchange(one, other)

    def rename(self, source: Path, target: Path) -> None:
        if not self.exchanges and ".dncd-" not in source.name:
            self._now()
        super().rename(source, target)

    def _now(self) -> None:
        self.times += 1
        if self.times == 1:
            self.at_once()


def files(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def over(folder: Path) -> Path:
    return folder / f"{OVER}gang-lathe@1.0"


def delivered_by(disk: Disk, path: Path) -> str:
    with used(disk):
        return deliver(path, NEW, BEFORE, over(path.parent))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    (tmp_path / "O0004.nc").write_bytes(OLD)
    return tmp_path / "O0004.nc"


@pytest.mark.parametrize("exchanges", [True, False])
def test_the_delivery_before_is_replaced(path: Path, exchanges: bool) -> None:
    assert delivered_by(Office(exchanges=exchanges), path) == ""
    assert files(path.parent) == {"O0004.nc": NEW}


@pytest.mark.parametrize("exchanges", [True, False])
def test_what_is_saved_in_the_very_instant_is_set_aside(path: Path, exchanges: bool) -> None:
    office = Office(lambda: path.write_bytes(NOTES), exchanges)
    assert delivered_by(office, path) == ASIDE
    assert office.times == 1
    assert files(path.parent) == {"O0004.nc": NEW, ASIDE: NOTES}


def test_a_file_saved_by_renaming_in_the_very_instant_is_set_aside(path: Path) -> None:
    """Most editors write beside and rename over."""
    beside = path.with_name("saved")
    beside.write_bytes(NOTES)
    assert delivered_by(Office(lambda: beside.rename(path)), path) == ASIDE
    assert files(path.parent) == {"O0004.nc": NEW, ASIDE: NOTES}


@pytest.mark.parametrize("exchanges", [True, False])
def test_a_file_taken_away_in_the_very_instant_is_no_hindrance(path: Path, exchanges: bool) -> None:
    assert delivered_by(Office(path.unlink, exchanges), path) == ""
    assert files(path.parent) == {"O0004.nc": NEW}


def test_a_file_saved_while_the_name_is_free_is_set_aside(path: Path) -> None:
    class Between(Office):
        def rename_new(self, source: Path, target: Path) -> None:
            if target == path:
                self._now()
            super().rename_new(source, target)

        def rename(self, source: Path, target: Path) -> None:
            Disk.rename(self, source, target)

    assert delivered_by(Between(lambda: path.write_bytes(NOTES), False), path) == ASIDE
    assert files(path.parent) == {"O0004.nc": NEW, ASIDE: NOTES}


@pytest.mark.parametrize("exchanges", [True, False])
def test_somebody_who_saves_without_end_does_not_hold_dncd_up(path: Path, exchanges: bool) -> None:
    class Restless(Office):
        def rename_new(self, source: Path, target: Path) -> None:
            if target == path:
                path.write_bytes(NOTES)
            super().rename_new(source, target)

    deliver_it = lambda: delivered_by(Restless(exchanges=exchanges), path)  # noqa: E731
    if exchanges:
        assert deliver_it() == ""
    else:
        with pytest.raises(OSError, match="saved again and again"):
            deliver_it()
        deliver(path, NEW, BEFORE, over(path.parent))
    assert path.read_bytes() == NEW
    assert not [name for name in files(path.parent) if name.startswith(".")]


def test_a_file_that_somebody_still_writes_stays(path: Path) -> None:
    """An editor that holds the old file open and fills it after the delivery writes into the one that was set aside."""
    folder = os.open(path.parent, os.O_RDONLY)
    tells = leases_tell(folder)
    os.close(folder)
    if not tells:
        pytest.skip("this file system does not tell who writes")
    with path.open("ab") as editor:
        assert deliver(path, NEW, BEFORE, over(path.parent)) == ASIDE
        editor.write(NOTES)
    assert files(path.parent) == {"O0004.nc": NEW, ASIDE: OLD + NOTES}


def test_the_same_again_changes_nothing(path: Path) -> None:
    number = path.stat().st_ino
    assert deliver(path, OLD, BEFORE, over(path.parent)) == ""
    assert path.stat().st_ino == number
    assert files(path.parent) == {"O0004.nc": OLD}


@pytest.mark.parametrize("kind", ["link", "dangling", "folder", "pipe"])
def test_what_is_no_plain_file_is_set_aside_and_never_followed(path: Path, tmp_path: Path, kind: str) -> None:
    path.unlink()
    if kind == "folder":
        path.mkdir()
    elif kind == "pipe":
        os.mkfifo(path)
    else:
        path.symlink_to(tmp_path / ("other" if kind == "link" else "nowhere"))
    (tmp_path / "other").write_bytes(OLD)
    assert deliver(path, NEW, BEFORE, over(path.parent)) == ASIDE
    assert path.read_bytes() == NEW
    assert stat.S_ISREG(path.lstat().st_mode)
    assert (tmp_path / "other").read_bytes() == OLD
    assert os.path.lexists(path.with_name(ASIDE))


@pytest.mark.parametrize("exchanges", [True, False])
@pytest.mark.parametrize("saved", [True, False])
@pytest.mark.parametrize("way", [errno.ENOSPC, Kill])
def test_cut_at_each_operation(tmp_path: Path, way: object, saved: bool, exchanges: bool) -> None:
    """Tried again after a cut, as after a start: nothing lost, nothing doubled, nothing left hidden."""

    class Cut(Office, FailingDisk):
        def __init__(self, at: int, at_once: Callable[[], object]) -> None:
            FailingDisk.__init__(self, at, way)  # type: ignore[arg-type]
            Office.__init__(self, at_once, exchanges)

    k, cut = 0, True
    while cut:
        k += 1
        path = tmp_path / str(k) / "O0004.nc"
        path.parent.mkdir()
        path.write_bytes(OLD)
        done: list[bool] = []

        def save(path: Path = path, done: list[bool] = done) -> None:
            if saved:
                path.write_bytes(NOTES)
                done.append(True)

        try:
            delivered_by(Cut(k, save), path)
            cut = False
        except (OSError, Kill):
            pass
        durable.sweep(path.parent)
        deliver(path, NEW, BEFORE, over(path.parent))
        wanted = {"O0004.nc": NEW, **({ASIDE: NOTES} if done else {})}
        assert files(path.parent) == wanted, f"cut at {k}"
    assert k > 8
