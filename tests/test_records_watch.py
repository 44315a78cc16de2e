"""What others do to ledger and library while the service runs is told in its status, and no line goes where none is read."""

import contextlib
import json
import os
import shutil
import subprocess
from pathlib import Path
from types import SimpleNamespace

import pytest
from house import house
from two_machines import DROPPED, opened, terminal
from waiting import until

from dncd.errors import RecordsError
from dncd.records.ledger import check_chain
from dncd.records.library import Text
from dncd.records.plans import OutPlan
from dncd.service.records_care import RecordsCare
from dncd.values import Origin, ShopSettings

RUINS = {
    "cut": lambda path: os.truncate(path, path.stat().st_size // 2),
    "added to": lambda path: path.write_bytes(path.read_bytes() + b"x\n"),
    "renamed": lambda path: path.rename(path.with_suffix(".old")),
    "removed": lambda path: path.unlink(),
    "replaced": lambda path: (shutil.copy(path, path.with_suffix(".new")), path.with_suffix(".new").rename(path)),
}


@pytest.mark.parametrize("ruin", RUINS)
def test_no_line_goes_into_a_ledger_that_is_not_what_it_was(tmp_path: Path, ruin: str) -> None:
    office = opened(tmp_path)
    with contextlib.closing(office):
        office.note("started")
        office.note("stopped")
        assert office.watch.look() is None
        path = next((tmp_path / "state" / "ledger").glob("*.jsonl"))
        kept = tmp_path / "kept"
        os.link(path, kept)
        before = path.read_bytes()
        RUINS[ruin](path)
        problem = office.watch.look()
        assert problem is not None
        assert "ledger's file" in problem.what
        assert office.blocked("lathe") == problem
        for tried in (
            lambda: office.note("started"),
            lambda: office.endings.begin(OutPlan("lathe@x", "lathe", "9.nc", "0" * 64, ("O9",), ("O9",)), []),
        ):
            with pytest.raises(RecordsError, match="ledger's file"):
                tried()
        kept.write_bytes(before)
        kept.rename(path) if not path.exists() or not path.samefile(kept) else kept.unlink()
        assert office.watch.look() is None
        office.note("started")
    assert check_chain(tmp_path / "state") == []


def revised(office, text: bytes) -> None:
    office.library.revise("lathe", "O0001", Text.of(text), Origin.OFFICE, {})


def test_main_that_is_set_back_is_told_until_it_is_right_again(tmp_path: Path) -> None:
    office = opened(tmp_path)
    with contextlib.closing(office):
        assert office.watch.look() is None
        revised(office, b"O0001\nM30\n")
        assert office.watch.look() is None
        first = office.library.head().decode()
        revised(office, b"O0001\nM02\n")
        revised(office, b"O0001\nM99\n")
        assert office.watch.look() is None
        last = office.library.head().decode()
        main = ["git", "-C", str(office.library.path), "update-ref", "refs/heads/main"]
        subprocess.run([*main, first], check=True)
        for _ in range(2):
            assert "main was set back" in office.watch.look().what
        subprocess.run([*main, last], check=True)
        assert office.watch.look() is None
        assert office.blocked("lathe") is None


@pytest.mark.parametrize("folder", ["captures", "library.git/objects"])
def test_folders_that_are_removed_are_told(tmp_path: Path, folder: str) -> None:
    office = opened(tmp_path)
    with contextlib.closing(office):
        assert office.watch.look() is None
        shutil.rmtree(tmp_path / "state" / folder)
        problem = office.watch.look()
        assert problem is not None
        assert (problem.where, "was removed" in problem.what) == (str(tmp_path / "state" / folder), True)


def test_the_status_tells_it_and_what_waits_goes_out_when_it_is_put_back(tmp_path: Path) -> None:
    with terminal() as lathe, house(tmp_path, lathe=lathe) as shop:
        trouble = lambda: json.loads(shop.dncd("status", "--json").stdout)["service"]["trouble"]  # noqa: E731
        path = next((tmp_path / "state" / "ledger").glob("*.jsonl"))
        path.rename(path.with_suffix(".old"))
        until(lambda: any("ledger's file" in what for what in trouble()))
        shop.drop("lathe", "1.nc", DROPPED)
        until(lambda: "ledger's file" in (tmp_path / "shop" / "lathe" / "STATUS.txt").read_text())
        path.with_suffix(".old").rename(path)
        assert shop.receipt("lathe", "sent", "1.nc").get("result") == "sent"
        until(lambda: not trouble())
    assert check_chain(tmp_path / "state") == []


@pytest.mark.parametrize(
    ("jump", "said"),
    [
        (-3600.0, ["set back by 3600 s"]),
        (-6.0, ["set back by 6 s"]),
        (86400.0, ["put forward by 86400 s"]),
        (4.0, []),
        (-4.0, []),
    ],
)
def test_a_jump_of_the_clock_is_told_once(tmp_path: Path, jump: float, said: list[str]) -> None:
    told: list[str] = []
    mono, wall = [1000.0], [1.8e9]
    loop = SimpleNamespace(now=lambda: mono[0])
    log = SimpleNamespace(warning=lambda event, **fields: told.append(f"{event}: {fields['what']}"))
    parts = SimpleNamespace(workers=SimpleNamespace(loop=loop), log=log)
    care = RecordsCare(parts, ShopSettings(tmp_path, tmp_path), lambda: wall[0])
    for step in (0.0, jump, 0.0, 0.0):
        mono[0] += 2.0
        wall[0] += 2.001 + step  # a clock that is pulled slowly to the right time is no jump
        care.look_at_clock()
    assert len(told) == len(said)
    assert all(words in line and line.startswith("clock: ") for words, line in zip(said, told, strict=True))
