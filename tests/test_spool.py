"""Captures as they come: every byte that was taken is there after a cut; what was refused is there once when tried again."""

import errno
from pathlib import Path

import pytest
from failing_disk import FailingDisk, Kill, used

from dncd.errors import RecordsError
from dncd.records import durable, plans
from dncd.records.spool import CaptureSpool, leftovers

PARTS = [b"%\nO0004\n", b"N10 G00", b" X1.\nM30\n%\n"]


def test_bytes_are_kept_as_they_come(tmp_path: Path) -> None:
    spool = CaptureSpool(tmp_path, plans.fresh_id("gang-lathe"))
    for part in PARTS:
        spool.append(part)
    assert b"".join(spool.chunks()) == b"".join(PARTS) == spool.path.read_bytes()
    found = leftovers(tmp_path)
    assert [(left.machine, left.size) for left in found] == [("gang-lathe", len(b"".join(PARTS)))]
    kept = spool.keep_damaged()
    assert leftovers(tmp_path) == []
    assert kept.read_bytes() == b"".join(PARTS)


def test_a_good_one_goes(tmp_path: Path) -> None:
    spool = CaptureSpool(tmp_path, plans.fresh_id("bore-mill"))
    spool.append(b"x")
    spool.remove()
    assert list((tmp_path / "captures").iterdir()) == []


def test_two_captures_never_share_a_file(tmp_path: Path) -> None:
    spool = CaptureSpool(tmp_path, "gang-lathe@1")
    with pytest.raises(RecordsError):
        CaptureSpool(tmp_path, "gang-lathe@1")
    spool.close()


@pytest.mark.parametrize("way", [errno.ENOSPC, errno.EIO])
def test_a_part_that_was_refused_is_there_once_when_given_again(
    tmp_path: Path, way: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk = FailingDisk()
    monkeypatch.setattr(durable, "DISK", disk)
    spool = CaptureSpool(tmp_path, "gang-lathe@1")
    for part in PARTS:
        for k in (1, 2, 3):
            disk.at, disk.done, disk.error = k, [], way
            with pytest.raises(RecordsError):
                spool.append(part)
        disk.at = 0
        spool.append(part)
    assert spool.path.read_bytes() == b"".join(PARTS)
    spool.close()


def test_a_power_cut_loses_nothing_that_was_taken(tmp_path: Path) -> None:
    for k in range(1, 4):
        disk = FailingDisk()
        spool = CaptureSpool(tmp_path, f"gang-lathe@{k}")
        spool.append(PARTS[0])
        disk.at, disk.done, disk.error = k, [], Kill
        with pytest.raises(Kill), used(disk):
            spool.append(PARTS[1])
        spool.close()
        assert spool.path.read_bytes().startswith(PARTS[0])
