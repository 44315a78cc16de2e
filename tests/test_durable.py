"""Files that survive: whole or not there, never overwriting, links not followed; the disk failing at every operation."""

import errno
import hashlib
import os
import shutil
import stat
import subprocess
from pathlib import Path

import pytest
from failing_disk import FailingDisk, Kill, steps, used
from hypothesis import given
from hypothesis import strategies as st

from dncd.errors import RecordsError, StateHeldError
from dncd.records import durable, state_format

WAYS = [errno.ENOSPC, errno.EIO, Kill]


def visible(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file() and not p.name.startswith(".dncd-")}


@pytest.fixture
def folders(tmp_path: Path):
    """Fresh folders, one for each try."""
    count = 0

    def fresh() -> Path:
        nonlocal count
        count += 1
        path = tmp_path / str(count)
        path.mkdir()
        return path

    return fresh


def test_a_new_file_is_whole_or_not_there(folders) -> None:
    def flow(folder: Path) -> None:
        durable.write_new(folder / "a.nc", [b"N10 ", b"M30\n"])

    for way in WAYS:
        for k in steps(lambda: flow(folders())):
            folder = folders()
            with pytest.raises((OSError, Kill)), used(FailingDisk(k, way)):
                flow(folder)
            assert visible(folder) in ({}, {"a.nc": b"N10 M30\n"}), (way, k)
            if way is not Kill and "a.nc" not in visible(folder):
                assert list(folder.iterdir()) == [], "an error leaves nothing behind"


def test_a_replaced_file_is_the_old_or_the_new_one(folders) -> None:
    def flow(folder: Path) -> None:
        (folder / "s").write_bytes(b"old")
        durable.replace(folder / "s", b"new and longer")

    for way in WAYS:
        for k in steps(lambda: flow(folders())):
            folder = folders()
            with pytest.raises((OSError, Kill)), used(FailingDisk(k, way)):
                flow(folder)
            assert visible(folder)["s"] in (b"old", b"new and longer"), (way, k)


def test_a_moved_file_is_never_lost(folders) -> None:
    def flow(folder: Path) -> None:
        (folder / "from").mkdir(exist_ok=True)
        (folder / "to").mkdir(exist_ok=True)
        (folder / "from" / "a.nc").write_bytes(b"mine")
        (folder / "to" / "a.nc").write_bytes(b"another's")
        assert durable.place(folder / "from" / "a.nc", folder / "to", "a.nc") == folder / "to" / "a (2).nc"

    for way in WAYS:
        for k in steps(lambda: flow(folders())):
            folder = folders()
            with pytest.raises((OSError, Kill)), used(FailingDisk(k, way)):
                flow(folder)
            there = [*visible(folder / "from").values(), *visible(folder / "to").values()]
            assert b"mine" in there, (way, k)
            assert visible(folder / "to")["a.nc"] == b"another's", (way, k)


def test_what_is_synced_before_a_name_appears(tmp_path: Path) -> None:
    """fsync(2): the file before its name, the folder after it."""
    disk = FailingDisk()
    with used(disk):
        durable.write_new(tmp_path / "a", [b"x"])
    assert disk.done == ["open", "write", "fsync", "rename_new", "fsync"]
    disk = FailingDisk()
    with used(disk):
        durable.replace(tmp_path / "a", b"y")
    assert disk.done == ["open", "write", "fsync", "rename", "fsync"]


def test_a_taken_name_gets_a_number(tmp_path: Path) -> None:
    (tmp_path / "0004.nc").touch()
    assert durable.free_name(tmp_path, "0004.nc") == "0004 (2).nc"
    (tmp_path / "0004 (2).nc.receipt.txt").touch()
    assert durable.free_name(tmp_path, "0004.nc") == "0004 (3).nc"
    (tmp_path / "O0005").symlink_to("nowhere")
    assert durable.free_name(tmp_path, "O0005") == "O0005 (2)"
    with pytest.raises(FileExistsError):
        durable.write_new(tmp_path / "0004.nc", [b""])


@given(st.text(max_size=300) | st.binary(max_size=300).map(lambda b: b.decode("utf-8", "surrogateescape")))
def test_a_tidy_name_can_be_written_with_a_receipt_beside_it(name: str) -> None:
    tidy = durable.tidy_name(name)
    assert tidy.isprintable()
    assert "/" not in tidy
    assert tidy not in ("", ".", "..")
    assert not tidy.lower().endswith(".receipt.txt")
    assert len(f"{tidy} (9999){durable.RECEIPT}".encode()) <= 255, "NAME_MAX of Linux, limits.h"
    assert durable.tidy_name(tidy) == tidy


def test_only_regular_files_are_read(tmp_path: Path) -> None:
    (tmp_path / "real").write_bytes(b"x")
    (tmp_path / "link").symlink_to("real")
    os.mkfifo(tmp_path / "pipe")
    for name, number in (("link", errno.ELOOP), ("pipe", errno.EINVAL), (".", errno.EISDIR)):
        with pytest.raises(OSError) as caught:
            durable.open_regular(tmp_path / name)
        assert caught.value.errno == number


def test_a_copy_is_what_sha256sum_says(tmp_path: Path) -> None:
    """Outside check: sha256sum (GNU coreutils)."""
    (tmp_path / "a").write_bytes(os.urandom(durable.CHUNK * 2 + 17))
    durable.write_new(tmp_path / "b", durable.read_chunks(tmp_path / "a"))
    words = subprocess.run(["sha256sum", tmp_path / "b"], capture_output=True, text=True, check=True).stdout.split()
    assert durable.sha256_of(tmp_path / "b") == durable.sha256_of(tmp_path / "a") == words[0]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a", "b"]


def test_a_line_is_appended_whole_or_cut_back(tmp_path: Path) -> None:
    for k in (1, 2):
        path = tmp_path / f"l{k}"
        path.write_bytes(b"one\n")
        fd = os.open(path, os.O_RDWR)
        try:
            with pytest.raises(OSError), used(FailingDisk(k)):
                durable.append_line(fd, b"two\n", 4)
            assert path.read_bytes() == b"one\n"
            assert durable.append_line(fd, b"two\n", 4) == 8
        finally:
            os.close(fd)
        assert path.read_bytes() == b"one\ntwo\n"


def test_a_name_that_is_taken_is_never_replaced(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"A")
    (tmp_path / "b").write_bytes(b"B")
    with pytest.raises(FileExistsError):
        durable.DISK.rename_new(tmp_path / "a", tmp_path / "b")
    assert visible(tmp_path) == {"a": b"A", "b": b"B"}
    durable.DISK.rename_new(tmp_path / "a", tmp_path / "c")
    assert visible(tmp_path) == {"b": b"B", "c": b"A"}
    with pytest.raises(FileNotFoundError):
        durable.DISK.rename_new(tmp_path / "a", tmp_path / "d")


def test_a_lock_is_held_by_one(tmp_path: Path) -> None:
    fd = state_format.hold(tmp_path / "deep" / "er" / ".lock")
    try:
        with pytest.raises(StateHeldError, match=str(os.getpid())):
            state_format.hold(tmp_path / "deep" / "er" / ".lock")
    finally:
        os.close(fd)
    os.close(state_format.hold(tmp_path / "deep" / "er" / ".lock"))


def test_a_group_reads_what_is_dncds_own_and_writes_what_is_the_shops(tmp_path: Path) -> None:
    old = os.umask(0o007)  # as the unit sets it
    try:
        durable.write_new(tmp_path / "own", [b"x"])
        durable.make_folder(tmp_path / "own folder" / "g")
        durable.write_new(tmp_path / "shop", [b"x"], mode=durable.SHARED_FILE_MODE)
        durable.make_folder(tmp_path / "shop folder" / "g", mode=durable.SHARED_FOLDER_MODE)
    finally:
        os.umask(old)

    def mode(name: str) -> int:
        return stat.S_IMODE((tmp_path / name).stat().st_mode)

    assert [mode("own"), mode("own folder"), mode("own folder/g")] == [0o640, 0o750, 0o750]
    assert [mode("shop"), mode("shop folder"), mode("shop folder/g")] == [0o660, 0o770, 0o770]


def test_an_error_of_the_disk_says_what_where_and_what_next(tmp_path: Path) -> None:
    failing = used(FailingDisk(2))
    with pytest.raises(RecordsError) as caught, failing, durable.reporting("it cannot be written", tmp_path):
        durable.write_new(tmp_path / "a", [b"x"])
    error = caught.value
    assert error.what == f"it cannot be written: {os.strerror(errno.ENOSPC)}"
    assert error.where == str(tmp_path)
    assert "room" in error.next_step


@pytest.mark.skipif(not Path("/dev/shm").is_dir(), reason="needs a second file system")
def test_a_file_moves_to_another_file_system(tmp_path: Path) -> None:
    other = Path("/dev/shm") / f"dncd-test-{os.getpid()}"
    other.mkdir()
    try:
        if other.stat().st_dev == tmp_path.stat().st_dev:
            pytest.skip("one file system")
        data = os.urandom(1000)
        (tmp_path / "a").write_bytes(data)
        assert durable.place(tmp_path / "a", other, "a") == other / "a"
        assert hashlib.sha256((other / "a").read_bytes()).digest() == hashlib.sha256(data).digest()
        assert not (tmp_path / "a").exists()
    finally:
        shutil.rmtree(other)
