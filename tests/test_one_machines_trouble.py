"""Trouble of one machine's folders stays with that machine: the service starts, the others are served, and what is left is
put on record in its order as soon as it can be."""

import contextlib
import errno
import hashlib
import json
import os
from pathlib import Path

import pytest
from failing_disk import FailingDisk, used
from house import house
from two_machines import DROPPED, opened, terminal
from waiting import until

from dncd.records import durable, plans
from dncd.records.ledger import records
from dncd.records.plans import InPlan, OutPlan, Part, Sent
from dncd.records.verify import verify
from dncd.values import Result

REFUSED = "%\nO0003 (ÄÖ)\nM30\n%\n".encode()
WIRE = {"wire_chars": 30, "wire_sha256": "cd" * 32}


class DiskOfOneMachine(FailingDisk):
    """Lets nothing be renamed or made in one machine's folders."""

    def __init__(self, where: Path, number: int) -> None:
        super().__init__()
        self.where, self.number = os.fsencode(where), number

    def rename(self, source: Path, target: Path) -> None:
        self._refuse(target)
        super().rename(source, target)

    def open(self, path: Path, flags: int, mode: int = 0o664) -> int:
        if flags & os.O_CREAT:
            self._refuse(path)
        return super().open(path, flags, mode)

    def _refuse(self, path: Path) -> None:
        if os.path.realpath(os.fsencode(path.parent)).startswith(self.where):
            raise OSError(self.number, os.strerror(self.number), str(path))


def left_behind(root: Path, machine: str, number: int, ended: Sent | None) -> OutPlan:
    """A sending that the last run left, with its file still in to-machine/."""
    name, file = f"{machine}@20260101T00000{number}Z-{number:08d}", f"{number}.nc"
    digest = hashlib.sha256(DROPPED).hexdigest()
    plan = OutPlan(name, machine, file, digest, ("O0004",), ("O0004",), ended=ended, placed_as=file if ended else "")
    folder = root / "shop" / machine / "to-machine"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / file).write_bytes(DROPPED)
    durable.write_new(root / "state" / "outgoing" / f"{name}.file", [DROPPED])
    plans.save(root / "state", plan)
    return plan


@pytest.mark.parametrize("number", [errno.EROFS, errno.EXDEV, errno.EACCES, errno.EIO])
def test_a_plan_that_cannot_be_carried_out_stops_its_machine_alone_and_goes_on_record_later(
    tmp_path: Path, number: int
) -> None:
    opened(tmp_path).close()
    first = left_behind(tmp_path, "lathe", 1, Sent(Result.SENT))
    second = left_behind(tmp_path, "lathe", 2, None)
    left_behind(tmp_path, "mill", 3, None)
    office = opened(tmp_path)
    with contextlib.closing(office):
        with used(DiskOfOneMachine(tmp_path / "shop" / "lathe", number)):
            said = office.recover(lambda _: True)
            assert [line.partition(":")[0] for line in said if "ended" in line] == ["mill"]
            assert office.recovery.left == ("lathe",)
            problem = office.blocked("lathe")
            assert problem is not None
            assert os.strerror(number) in problem.what
            assert str(tmp_path / "shop" / "lathe") in problem.where
            assert "tries again" in problem.next_step
            assert office.blocked("mill") is None
            with pytest.raises(Exception, match=os.strerror(number)):
                office.endings.begin(OutPlan("lathe@x", "lathe", "9.nc", "0" * 64, ("O9",), ("O9",)), [])
            came = InPlan(
                "lathe@y", "lathe", Result.RECEIVED, parts=(Part("O7", "O7", "O7\nM30\n", "%"),), seconds=1.0, **WIRE
            )
            with pytest.raises(Exception, match=os.strerror(number)):
                office.end_in(came)
            assert office.recovery.again() == []
        assert (tmp_path / "state" / "outgoing" / f"{first.id}.file").exists()
        assert [line.partition(" ")[0] for line in office.recovery.again()] == ["lathe:", "lathe:"]
        assert office.recovery.left == ()
        assert office.blocked("lathe") is None
        office.end_in(came)
        lines = [(line["event"], line["file"]) for line in records(tmp_path / "state", "lathe")]
        assert lines == [("sent", "1.nc"), ("interrupted", "2.nc"), ("received", "O7.nc")]
    assert verify(tmp_path / "state", tmp_path / "shop").problems == ()
    assert second.id not in str(list((tmp_path / "state" / "underway").iterdir()))


@pytest.mark.parametrize("left", [b"", DROPPED[:9], DROPPED[:9] + bytes(len(DROPPED) - 9)])
def test_what_a_power_cut_left_of_an_interrupted_program_is_no_new_drop(tmp_path: Path, left: bytes) -> None:
    opened(tmp_path).close()
    left_behind(tmp_path, "lathe", 1, None)
    to_machine = tmp_path / "shop" / "lathe" / "to-machine"
    (to_machine / "1.nc").write_bytes(left)
    with contextlib.closing(opened(tmp_path)) as office:
        office.recover(lambda _: True)
        assert [line["event"] for line in records(tmp_path / "state", "lathe")] == ["interrupted"]
        assert list(to_machine.iterdir()) == []
        assert (tmp_path / "shop" / "lathe" / "refused" / "1.nc").read_bytes() == DROPPED


def test_what_the_office_saved_over_an_interrupted_program_is_a_new_drop(tmp_path: Path) -> None:
    opened(tmp_path).close()
    left_behind(tmp_path, "lathe", 1, None)
    to_machine = tmp_path / "shop" / "lathe" / "to-machine"
    (to_machine / "1.nc").write_bytes(DROPPED.replace(b"M30", b"M02"))
    with contextlib.closing(opened(tmp_path)) as office:
        office.recover(lambda _: True)
        assert (to_machine / "1.nc").read_bytes() == DROPPED.replace(b"M30", b"M02")
        assert (tmp_path / "shop" / "lathe" / "refused" / "1.nc").read_bytes() == DROPPED


def test_a_folder_that_is_a_file_is_told_and_the_service_starts_and_serves_the_others(tmp_path: Path) -> None:
    with terminal() as lathe, terminal() as mill:
        (tmp_path / "shop" / "lathe").mkdir(parents=True)
        (tmp_path / "shop" / "lathe" / "refused").write_text("no folder\n")
        with house(tmp_path, lathe=lathe, mill=mill) as shop:
            trouble = lambda: json.loads(shop.dncd("status", "--json").stdout)["machines"]["lathe"]["trouble"]  # noqa: E731
            until(lambda: any("a file where a folder must be" in what for what in trouble()))
            shop.drop("mill", "1.nc", DROPPED)
            assert shop.receipt("mill", "sent", "1.nc").get("result") == "sent"
            shop.drop("lathe", "2.nc", REFUSED)
            shop.drop("lathe", "3.nc", DROPPED)
            shop.stop()
            shop.log = (tmp_path / "run.log").open("ab")
            shop.start({"lathe": lathe, "mill": mill})
            shop.drop("mill", "4.nc", DROPPED)
            assert shop.receipt("mill", "sent", "4.nc").get("result") == "sent"
            assert [line for line in shop.ledger() if line.get("machine") == "lathe"] == []
            assert any("a file where a folder must be" in what for what in trouble())
            (tmp_path / "shop" / "lathe" / "refused").unlink()
            assert shop.receipt("lathe", "refused", "2.nc").get("result") == "refused"
            assert shop.receipt("lathe", "sent", "3.nc").get("result") == "sent"
            until(lambda: not trouble())
            assert "a file where a folder must be" in (tmp_path / "run.log").read_text()
    assert verify(tmp_path / "state", tmp_path / "shop").problems == ()
