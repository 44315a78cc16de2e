"""Endings of transfers: what stands in folders, ledger and library after each, and after a cut at every operation of one."""

import contextlib
import dataclasses
import errno
import hashlib
from collections.abc import Callable
from pathlib import Path

import pytest
from failing_disk import FailingDisk, Kill, used
from strict_disk import each_cut

from dncd.cli.log import log_line
from dncd.errors import RecordsError
from dncd.records import durable, plans, receipts
from dncd.records.endings import Endings, Shop
from dncd.records.ledger import Ledger, check_chain, records
from dncd.records.library import Text, Writer
from dncd.records.plans import Counted, InPlan, OutPlan, Part, Sent
from dncd.records.verify import verify

DROPPED = b"%\r\nO0004\r\nN10 G00 X1.\r\nM30\r\n%\r\n"
TEXT = b"O0004\nN10 G00 X1.\nM30\n"
EDITED = TEXT.replace(b"X1.", b"X2.")
WIRE = {"wire_chars": 30, "wire_sha256": "cd" * 32}


class House:
    """A state folder and a shop folder, and the endings that work on them; opened anew as after a restart."""

    def __init__(self, root: Path) -> None:
        self.shop = Shop(root / "state", root / "shop", "\r\n", ".nc")
        self.folder = root / "shop" / "gang-lathe"
        self.open()

    def open(self) -> None:
        self.ledger = Ledger.open(self.shop.state)
        try:
            self.library = Writer(self.shop.state)
        except BaseException:
            self.ledger.close()
            raise
        self.endings = Endings(self.shop, self.ledger, self.library)

    def close(self) -> None:
        self.ledger.close()
        self.library.close()

    def finish_plans(self) -> None:
        """What a start does with what is left: half-written files go, plans are carried out."""
        for folder in (self.folder, *(p for p in self.folder.rglob("*") if p.is_dir())):
            durable.sweep(folder)
        for plan in plans.load_all(self.shop.state):
            self.endings._again.add(plan.id)
            if isinstance(plan, InPlan):
                self.endings.end_in(plan)
            elif plan.ended is None:
                self.endings.end_out(plan, Sent("interrupted", ("the service stopped",)))
            else:
                self.endings.carry_out(plan)

    def drop(self, data: bytes = DROPPED, name: str = "0004.nc") -> Path:
        path = self.folder / "to-machine" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        return path

    def store(self, plan: OutPlan, data: bytes = DROPPED) -> None:
        """The copy of the checked bytes."""
        path = self.shop.state / "outgoing" / f"{plan.id}.file"
        if not path.exists():
            durable.write_new(path, [data])

    def files(self) -> dict[str, bytes]:
        """Every file of the machine's folder but receipts, by its path under it."""
        found = sorted(p for p in self.folder.rglob("*") if p.is_file() and not p.name.endswith(durable.RECEIPT))
        return {p.relative_to(self.folder).as_posix(): p.read_bytes() for p in found}

    def receipt(self, name: str) -> receipts.Receipt:
        return receipts.read(self.folder / (name + durable.RECEIPT))

    def events(self) -> list[str]:
        return [line["event"] for line in records(self.shop.state)]

    def texts(self) -> list[bytes]:
        return [self.library.blob(r.blob) for r in self.library.history("gang-lathe", "O0004")]

    def sound(self) -> None:
        assert check_chain(self.shop.state) == []
        assert verify(self.shop.state, self.shop.folder).problems == ()
        assert plans.load_all(self.shop.state) == []


@pytest.fixture
def house(tmp_path: Path):
    found = House(tmp_path)
    yield found
    found.close()


def out_plan(name: str = "0004.nc", plan_id: str = "gang-lathe@1", data: bytes = DROPPED) -> OutPlan:
    digest = hashlib.sha256(data).hexdigest()
    return OutPlan(plan_id, "gang-lathe", name, digest, ("O0004",), ("O0004",), began="2026-11-25T10:00:00Z", **WIRE)


def in_plan(text: bytes = TEXT, told: str = "", plan_id: str = "gang-lathe@2", carried: str = "") -> InPlan:
    part = Part("O0004", "O0004", text.decode(), "%", told, carried=carried)
    return InPlan(plan_id, "gang-lathe", "received", seconds=1.0, parts=(part,), **WIRE)


def damaged_plan() -> InPlan:
    whole = "%\nO0004\nN10 G0? X1.\n"
    reasons = ("line 3, column 7: parity",)
    return InPlan(
        "gang-lathe@3", "gang-lathe", "damaged", seconds=1.0, program="O0004", whole=whole, reasons=reasons, **WIRE
    )


def begin(house: House, plan: OutPlan, text: bytes = TEXT) -> OutPlan:
    return house.endings.begin(plan, [("O0004", Text.of(text), {})])


# --- out -------------------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(("result", "where"), [("sent", "sent"), ("interrupted", "refused"), ("withdrawn", "refused")])
def test_a_sending_ends(house: House, result: str, where: str) -> None:
    house.drop()
    house.store(out_plan())
    plan = begin(house, out_plan())
    assert house.texts() == [TEXT], "the revision is made before the first character"
    assert house.files() == {"to-machine/0004.nc": DROPPED}, "and the file stays until the end"
    told = house.endings.end_out(plan, Sent(result, ("because",), seconds=2.5, holds=3, chars=30))
    assert told is not None
    assert house.files() == {f"{where}/0004.nc": DROPPED}
    line = next(line for line in records(house.shop.state) if line["event"] == result)
    assert (line["program"], line["file"], line["machine"]) == ("O0004", "0004.nc", "gang-lathe")
    assert line["sha256"] == hashlib.sha256(DROPPED).hexdigest()
    assert (line["wire_sha256"], line["wire_chars"], line["seconds"], line["holds"]) == ("cd" * 32, 30, 2.5, 3)
    assert line["revision"] == 1
    receipt = house.receipt(f"{where}/0004.nc")
    assert receipt.get("ledger") == f"{line['seq']} {line['hash']}"
    assert receipt.get("result") == result
    house.sound()


def test_where_the_service_died_in_the_middle_nothing_is_said_to_be_counted(house: House) -> None:
    house.drop()
    plan = begin(house, out_plan())
    house.endings.end_out(plan, Sent("interrupted", ("a cut",), counted=Counted.UNKNOWN))
    (line,) = [line for line in records(house.shop.state) if line["event"] == "interrupted"]
    assert not {"chars", "held_s"} & line.keys()
    assert " s)" not in log_line(line)
    receipt = house.receipt("refused/0004.nc")
    assert receipt.get("handed over") == "not known, between no character and all of them"
    assert not receipt.all("took")
    assert not receipt.all("holds")
    house.sound()


def test_a_plan_keeps_whether_its_sending_was_counted(tmp_path: Path) -> None:
    for counted in Counted:
        plan = dataclasses.replace(out_plan(), ended=Sent("interrupted", counted=counted))
        durable.make_folder(plans.folder_of(tmp_path))
        plans.save(tmp_path, plan)
        assert plans.load(tmp_path, plan.id) == plan


def test_a_refused_file_makes_no_revision(house: House) -> None:
    house.drop(b"bad")
    plan = OutPlan("gang-lathe@1", "gang-lathe", "0004.nc", hashlib.sha256(b"bad").hexdigest(), ("O0004",), ("O0004",))
    house.endings.end_out(plan, Sent("refused", tuple(f"line {n}" for n in range(1, 4))))
    assert house.files() == {"refused/0004.nc": b"bad"}
    assert house.receipt("refused/0004.nc").all("reason") == ("line 1", "line 2", "line 3")
    assert house.texts() == []
    house.sound()


def test_a_file_that_was_edited_during_its_sending_is_a_new_drop(house: House) -> None:
    house.drop()
    house.store(out_plan())
    plan = begin(house, out_plan())
    house.drop(b"a newer one")
    house.endings.end_out(plan, Sent("sent"))
    assert house.files() == {"sent/0004.nc": DROPPED, "to-machine/0004.nc": b"a newer one"}
    house.sound()


def test_a_file_that_was_taken_away_during_its_sending_is_kept_from_its_copy(house: House) -> None:
    path = house.drop()
    house.store(out_plan())
    plan = begin(house, out_plan())
    path.unlink()
    house.endings.end_out(plan, Sent("sent"))
    assert house.files() == {"sent/0004.nc": DROPPED}
    house.sound()


def test_a_second_one_of_the_same_name_gets_a_number(house: House) -> None:
    for n, name in ((1, "sent/0004.nc"), (2, "sent/0004 (2).nc")):
        house.drop()
        house.store(out_plan(plan_id=f"gang-lathe@{n}"))
        house.endings.end_out(begin(house, out_plan(plan_id=f"gang-lathe@{n}")), Sent("sent"))
        assert house.receipt(name).get("file") == name.removeprefix("sent/")
    assert house.texts() == [TEXT]
    house.sound()


def test_one_taken_out_by_hand_has_a_ledger_line_only(house: House) -> None:
    house.drop().unlink()
    house.endings.withdrawn_by_hand(out_plan())
    assert house.events() == ["withdrawn"]
    assert house.files() == {}
    house.sound()


# --- in --------------------------------------------------------------------------------------------------------------------
def test_a_capture_is_delivered(house: House) -> None:
    house.endings.end_in(in_plan())
    assert house.files() == {"from-machine/O0004.nc": DROPPED}
    assert house.events() == ["received"]
    assert house.texts() == [TEXT]
    house.sound()


def test_the_newest_replaces_an_unedited_older_one(house: House) -> None:
    house.endings.end_in(in_plan())
    house.endings.end_in(in_plan(EDITED, "differs", "gang-lathe@4"))
    assert house.files() == {"from-machine/O0004.nc": DROPPED.replace(b"X1.", b"X2.")}
    do = str(house.receipt("from-machine/O0004.nc").get("do"))
    assert do.startswith("look at what was changed at the machine, below, and take it over")
    assert house.events() == ["received", "received", "differs"]
    assert house.texts() == [TEXT, EDITED]
    house.sound()


def test_an_edited_one_is_set_aside(house: House) -> None:
    house.endings.end_in(in_plan())
    (house.folder / "from-machine" / "O0004.nc").write_bytes(b"notes of the office")
    house.endings.end_in(in_plan(EDITED, "differs", "gang-lathe@4"))
    assert sorted(house.files().values()) == sorted([b"notes of the office", DROPPED.replace(b"X1.", b"X2.")])
    assert house.files()["from-machine/O0004.nc"] == DROPPED.replace(b"X1.", b"X2.")
    assert house.receipt("from-machine/O0004.nc").get("note") == (
        "O0004.nc had been edited in the folder; what was there lies beside it as O0004 (edited in the folder).nc"
    )
    house.sound()


def test_a_damaged_one_is_kept_apart(house: House) -> None:
    for _ in range(2):
        house.endings.end_in(damaged_plan())
    kept = b"%\r\nO0004\r\nN10 G0? X1.\r\n"
    names = ["from-machine/damaged/O0004 (2).nc", "from-machine/damaged/O0004.nc"]
    assert house.files() == dict.fromkeys(names, kept)
    assert house.receipt(names[1]).get("reason") == "line 3, column 7: parity"
    assert house.texts() == []
    house.sound()


def test_the_ledger_says_how_many_characters_of_a_damaged_one_are_damaged(house: House) -> None:
    house.endings.end_in(dataclasses.replace(damaged_plan(), whole="N10 G\ufffd\ufffd\n"))
    assert [line["hit"] for line in records(house.shop.state)] == [2]


# --- cuts ------------------------------------------------------------------------------------------------------------------
def sending(house: House) -> None:
    house.store(out_plan())
    house.endings.end_out(begin(house, out_plan()), Sent("sent"))


def receiving(house: House) -> None:
    house.endings.end_in(in_plan(EDITED, "differs"))


def carrying(house: House) -> None:
    house.endings.end_in(in_plan(EDITED, "differs", carried="O0004 (NEW)\n"))


def damaging(house: House) -> None:
    house.endings.end_in(damaged_plan())


def prepared(root: Path, edited: bool, beside: bool = False) -> None:
    """The day so far, on a good disk: one program delivered, perhaps edited in place, and one dropped."""
    house = House(root)
    house.endings.end_in(in_plan(plan_id="gang-lathe@0", carried="O0004 (OLD)\n" if beside else ""))
    if edited:
        (house.folder / "from-machine" / "O0004.nc").write_bytes(b"notes of the office")
    house.drop()
    house.close()


@pytest.mark.parametrize("edited", [False, True])
@pytest.mark.parametrize("flow", [sending, receiving, carrying, damaging])
@pytest.mark.parametrize("way", [errno.ENOSPC, pytest.param(Kill, marks=pytest.mark.slow)])
def test_cut_at_each_operation(tmp_path: Path, flow: Callable[[House], None], way: object, edited: bool) -> None:
    """After the next start: one ending, one file, one receipt, each revision once, nobody's bytes gone."""
    if edited and flow is not receiving:
        pytest.skip("the same as unedited")
    k, cut = 0, True
    while cut:
        k += 1
        root = tmp_path / str(k)
        prepared(root, edited, beside=flow is carrying)
        disk = FailingDisk(k, way)  # type: ignore[arg-type]
        house = House(root)
        try:
            with used(disk):
                flow(house)
            cut = False
        except (OSError, RecordsError, Kill):
            pass
        house.close()
        house.open()
        begun = [p.id for p in plans.load_all(house.shop.state)]
        house.finish_plans()
        _check_after(house, flow, begun, edited, f"{flow.__name__} cut at {k} ({disk.done[-1]})")
        house.close()
    assert k > 20, "the flow has many operations, and each was tried"


def _check_after(house: House, flow: Callable[[House], None], begun: list[str], edited: bool, which: str) -> None:
    events, files = house.events()[1:], house.files()
    contents = list(files.values())
    assert not [name for name in files if "/." in name], which
    if edited:
        assert contents.count(b"notes of the office") == 1, which
    if flow is sending:
        assert contents.count(DROPPED) == 2, (which, files.keys())  # the delivered one of before, and the dropped one
        assert len(events) == ("to-machine/0004.nc" not in files), (which, events, files.keys())
        assert events in ([], ["sent"], ["interrupted"]), which
    elif flow is carrying:
        (beside,) = (name for name in files if "with the edit" in name)
        assert (b"NEW" in files[beside]) == bool(events), (which, files)
        assert len(files) == 3, (which, files.keys())
    elif flow is receiving:
        assert events in ([], ["received", "differs"]), which
        assert bool(events) == (house.texts()[-1] == EDITED), which
        assert "from-machine/O0004.nc" in files, (which, files.keys())
        assert len(files) == 2 + (edited and bool(events)), (which, files.keys())
    else:
        assert events in ([], ["damaged"]), which
        assert sum(name.startswith("from-machine/damaged/") for name in files) == len(events), which
    assert not begun or events, which
    assert len(house.texts()) == len(set(house.texts())), which
    house.sound()


# --- a disk that binds nothing but what was synced ------------------------------------------------------------------------
def a_sending(root: Path) -> None:
    """The office saves a file, and syncs it; it goes out, all of it; another of that name is refused."""
    with contextlib.closing(House(root)) as house:
        for number, result in enumerate(("sent", "refused")):
            data = DROPPED.replace(b"X1.", b"X%d." % number)
            durable.make_folder(house.folder / "to-machine")
            with (house.folder / "to-machine" / "0004.nc").open("wb") as file:
                file.write(data)
            durable.sync_file(Path(file.name))
            durable.fsync_dir(house.folder / "to-machine")
            plan = out_plan(plan_id=f"gang-lathe@{number}", data=data)
            house.store(plan, data)
            house.endings.end_out(begin(house, plan) if result == "sent" else plan, Sent(result))


@pytest.mark.slow
def test_a_sending_cut_at_each_change_has_its_file_once_and_one_ending() -> None:
    for root, which in each_cut(a_sending):
        with contextlib.closing(House(root)) as house:
            house.finish_plans()
            house.sound()
            names = {name: data for name, data in house.files().items() if not name.startswith(".")}
            assert len(set(names.values())) == len(names), f"{which}: {names}"
            ends = [line["sha256"] for line in records(house.shop.state)]
            assert len(set(ends)) == len(ends), which
            lying = {hashlib.sha256(data).hexdigest() for name, data in names.items() if "to-machine" not in name}
            assert lying == set(ends), which
