"""Power cuts all through a day's work on a disk that binds nothing but what was synced (`strict_disk`), under an office that
syncs what it saves: nothing told is lost, nothing goes out twice, and the next start is there at once.

DNCD_STRICT_CUTS (default 20) and DNCD_CUT_SEED make longer runs, or the same again.
"""

import contextlib
import os
import random
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from campaign import Campaign
from failing_disk import Kill, used
from forked_runs import Forker, Process
from strict_disk import RecordingDisk, StrictDisk, in_memory
from synced_day import SyncedDay
from waiting import until

from dncd.records import durable
from dncd.standin.yard import Yard

CUTS = int(os.environ.get("DNCD_STRICT_CUTS", "20"))
SEED = int(os.environ.get("DNCD_CUT_SEED", "11"))
CUTS_A_DAY = 10


class StrictDay(SyncedDay):
    """What the office saves is on the disk when the next one does something."""

    disk: StrictDisk

    def change_a_setting(self) -> None:
        """The settings are not what is tried here."""

    def _drop(self, machine: str, *what: object) -> None:
        with self.disk.notes.alone():
            super()._drop(machine, *what)  # type: ignore[arg-type]
            self.disk.office_synced(self.shop / machine / "to-machine")

    def edit_waiting(self, machine: str) -> None:
        with self.disk.notes.alone():
            super().edit_waiting(machine)
            self.disk.office_synced(self.shop / machine / "to-machine")

    def take_away(self, machine: str) -> None:
        with self.disk.notes.alone():
            super().take_away(machine)
            self.disk.office_synced(self.shop / machine / "to-machine")

    def edit_delivered(self, machine: str) -> None:
        with self.disk.notes.alone():
            super().edit_delivered(machine)
            self.disk.office_synced(self.shop / machine / "from-machine")


class StrictCampaign(Campaign):
    """A campaign whose kills are power cuts, at a change of the disk or at any time."""

    def __init__(self, root: Path, forker: Forker, seed: int) -> None:
        super().__init__(root, forker, seed)
        self.day = self.accounts.day = StrictDay(root / "box", seed)
        self.day.log = root / "run.log"
        self.disk = self.day.disk = StrictDisk(root / "box", root / "notes")
        self.notes = root / "notes"
        self.accounts.margin_s = 5.0  # what is caught waits for the others' turn at the disk; `cut` looks at the syncs

    def cut(self, process: Process) -> dict[Path, bytes]:
        """The power goes, and comes again; the receipts that anybody could read before, with their contents."""
        with self.disk.notes.alone():
            self.kill(process)
        told = {path: path.read_bytes() for path in self._receipts()}
        captures = self.disk.cut(self.rng).inside("state", "captures")
        assert all(len(raw.later) <= 2 for raw in captures), "an append to a capture was not synced before the next"
        return told

    def _receipts(self) -> list[Path]:
        """Those that never give way to newer ones."""
        return [path for path in self.day.shop.glob("*/**/*.receipt.txt") if path.parent.name != "from-machine"]

    def kept(self, told: dict[Path, bytes]) -> list[str]:
        """Receipts that were there before the cut and are not, or say something else."""
        return [str(path) for path, data in told.items() if not path.exists() or path.read_bytes() != data]


@pytest.fixture
def where() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(dir=in_memory()) as name:
        yield Path(name)


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_cuts_on_a_disk_that_binds_nothing_but_what_was_synced(where: Path) -> None:
    print(f"seed {SEED}: DNCD_CUT_SEED={SEED} runs it again")
    with Forker() as forker:
        for number in range(-(-CUTS // CUTS_A_DAY)):
            (root := where / str(number)).mkdir()
            campaign = StrictCampaign(root, forker, SEED * 1000 + number)
            with Yard(*(control.stand_in for control in campaign.day.controls.values())):
                whole_day(campaign, min(CUTS_A_DAY, CUTS - number * CUTS_A_DAY))


def begun(campaign: StrictCampaign, at: int, told: dict[Path, bytes]) -> Process:
    """The next start: at once, and with all that was told."""
    about = lambda: f"cut {campaign.kills}: {campaign.kept(told)}\n{campaign.day.log.read_text()[-3000:]}"  # noqa: E731
    process = campaign.start(at)
    assert at or not process.ended(), about()
    until(lambda: process.ended() or not campaign.kept(told), about=about)
    return process


def whole_day(campaign: StrictCampaign, cuts: int) -> None:
    rng, told = campaign.rng, dict[Path, bytes]()
    while campaign.kills < cuts:
        at = rng.choice([0, rng.randrange(1, 40), rng.randrange(40, 1500)])
        process = begun(campaign, at, told)
        if not process.ended():
            campaign.look(f"cut {campaign.kills}")
        campaign.work(process, 3.0 if at else rng.choice([0.5, 2.5]) * rng.random())
        told |= campaign.cut(process)
    process = begun(campaign, 0, told)
    campaign.work(process, 0.3)
    campaign.evening(process)
    assert campaign.kept(told) == []


def test_the_model_loses_what_was_not_synced(where: Path) -> None:
    """Each half of a rename from folder to folder by itself, names without contents, contents without a name."""
    seen = set[tuple[tuple[str, bytes], ...]]()
    for seed in range(60):
        root = where / str(seed)
        for name in ("a", "b"):
            (root / "box" / name).mkdir(parents=True)
        (root / "box" / "a" / "old").write_bytes(b"old")
        disk, recording = StrictDisk(root / "box", root / "notes"), RecordingDisk(root / "notes")
        with used(recording):
            durable.replace(root / "box" / "a" / "sure", b"sure")
            recording.rename(root / "box" / "a" / "old", root / "box" / "b" / "old")
            path = durable.write_temporary(root / "box" / "b", [b"synced"], name="nameless")
            recording.truncate(fd := recording.open(path, os.O_RDWR), 3)
            os.close(fd)
        disk.cut(random.Random(seed))
        there = {str(p.relative_to(root / "box")): p.read_bytes() for p in (root / "box").rglob("*") if p.is_file()}
        assert there.pop("a/sure") == b"sure"
        seen.add(tuple(sorted(there.items())))
    assert {len([name for name, _ in found if name.endswith("old")]) for found in seen} == {0, 1, 2}
    assert {data for found in seen for name, data in found if name == "b/nameless"} == {b"synced", b"syn"}


class BusyOffice(RecordingDisk):
    """Somebody syncs the folders of the drops behind each change."""

    def __init__(self, notes: Path, at: int, folders: tuple[Path, ...]) -> None:
        super().__init__(notes, at, _gone)
        self._folders = folders

    @contextlib.contextmanager
    def _change(self) -> Iterator[Callable[..., None]]:
        with super()._change() as note:
            yield note
            for folder in self._folders:
                note("names synced", folder.stat().st_ino, {each.name: each.stat().st_ino for each in folder.iterdir()})


def _gone() -> None:
    raise Kill


def test_a_move_from_folder_to_folder_is_under_one_of_both_names_whoever_syncs_the_first(where: Path) -> None:
    """As a dropped file that is refused at once has it: the state has no copy of it."""
    at, ended = 0, False
    while not ended:
        at += 1
        box = where / str(at) / "box"
        for name in ("to-machine", "refused"):
            (box / name).mkdir(parents=True)
        (box / "to-machine" / "1.nc").write_bytes(b"drop")
        disk = StrictDisk(box, where / str(at) / "notes")
        with (
            contextlib.closing(BusyOffice(where / str(at) / "notes", at, (box / "to-machine",))) as office,
            used(office),
        ):
            try:
                durable.move_new(box / "to-machine" / "1.nc", box / "refused" / "1.nc")
                ended = True
            except Kill:
                pass
        disk.cut(random.Random(0))
        assert [path.read_bytes() for path in box.rglob("*.nc")][:1] == [b"drop"], at
    assert at > 2
