"""State folders of other versions, and plans that cannot be read: `states/0.1.0` is a folder as that version left it.

It was killed in the middle of sending 0006.nc; before that two programs were sent, both were punched back (a backup, one of
them changed), one revision was proven and a trial of the line was signed.
"""

import dataclasses
import hashlib
import itertools
import json
import os
import pty
import select
import shutil
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
from failing_disk import FailingDisk, Kill, used
from house import House, house
from waiting import until

from dncd import __version__
from dncd.errors import RecordsError
from dncd.outside.pushing import Pushed
from dncd.page import people
from dncd.records import codec, plans, state_format
from dncd.records.backups import BackupPlan
from dncd.records.holdings import SignedOff
from dncd.records.ledger import Ledger, records
from dncd.records.library import Library
from dncd.records.plans import (
    Comparison,
    Counted,
    Evidence,
    Feed,
    InPlan,
    OnWire,
    OutPlan,
    Part,
    Sent,
    on_wire,
)
from dncd.records.receipts import parse
from dncd.records.store import Store
from dncd.records.verify import verify
from dncd.values import LineSettings, MachineSettings, Result, Settings, ShopSettings

OLD = Path(__file__).parent / "states" / "0.1.0"
MACHINE = "gang-lathe"
DROPPED = (OLD / "shop" / MACHINE / "to-machine" / "0006.nc").read_bytes()
PLAN = next((OLD / "state" / "underway").iterdir()).read_bytes()
ID = json.loads(PLAN)["id"]
NEWER = json.dumps({**json.loads(PLAN), "format": codec.FORMAT + 1}).encode()
SPOILT = [b"", PLAN[:40], b"[]", b'{"kind": "out"}', b"\xff\xfe", NEWER, PLAN.replace(b"881", b'"x"')]


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A copy of the old folders."""
    shutil.copytree(OLD, tmp_path, dirs_exist_ok=True)
    return tmp_path


@pytest.fixture
def line() -> Iterator[tuple[int, dict[str, dict[str, object]]]]:
    """A terminal's master, and the settings of a machine at its other end that is sent to without being asked."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    yield master, {"line": {"port": os.ttyname(slave), "baud": 9600, "frame": "7E1"}, "send": {"start_on": "now"}}
    os.close(master)
    os.close(slave)


def settings(root: Path) -> Settings:
    machines = {MACHINE: MachineSettings(MACHINE, LineSettings("x"))}
    return Settings(root / "dncd.toml", ShopSettings(root / "shop", root / "state"), machines)


def opened(root: Path) -> tuple[Store, list[str]]:
    office = Store.open(settings(root))
    return office, office.recover(lambda _: True)


def spoil(root: Path, data: bytes = b"") -> Path:
    path = root / "state" / "underway" / f"{ID}.json"
    path.write_bytes(data)
    return path


def came(master: int) -> bytes:
    """What has gone out to the control so far."""
    data = b""
    while select.select([master], [], [], 0)[0]:
        data += os.read(master, 65536)
    return bytes(byte & 0x7F for byte in data)


def events(root: Path, *wanted: str) -> list[dict[str, object]]:
    return [line for line in records(root / "state") if line["event"] in wanted]


def receipt(root: Path, name: str):
    return parse((root / "shop" / MACHINE / "refused" / f"{name}.receipt.txt").read_text())


# --- the folder's form ----------------------------------------------------------------------------------------------
def test_a_folder_of_0_1_0_is_taken_over_and_nothing_is_sent_twice(root: Path, line) -> None:
    master, machine = line
    before = len(list(records(OLD / "state")))
    with house(root, **{MACHINE: machine}) as shop:
        told = shop.receipt(MACHINE, "refused", "0006.nc")
        assert (told.get("result"), told.get("sha256")) == ("interrupted", hashlib.sha256(DROPPED).hexdigest())
        assert shop.dncd("verify").returncode == 0
        (machine_status,) = json.loads(shop.dncd("status", "--json").stdout)["machines"].values()
        assert machine_status["backup"]["programs"] == 2
        assert machine_status["trouble"] == []
        assert "O0004" in shop.dncd("programs", MACHINE).stdout
        assert "the state folder of dncd 0.1.0 has format 1 now" in (root / "run.log").read_text()
        assert [r["event"] for r in shop.ledger()[before:]] == ["interrupted", "started"]
    assert came(master) == b""
    assert json.loads((root / "state" / "format").read_bytes()) == {
        "format": codec.FORMAT,
        "number": state_format.FORMAT,
        "dncd": __version__,
    }


def test_a_folder_of_0_2_0_is_read_as_it_is_and_nothing_is_sent_twice(tmp_path: Path, line) -> None:
    """Killed as the one of 0.1.0 was."""
    master, machine = line
    shutil.copytree(OLD.with_name("0.2.0"), tmp_path, dirs_exist_ok=True)
    dropped = (tmp_path / "shop" / MACHINE / "to-machine" / "0006.nc").read_bytes()
    before = [record["event"] for record in records(tmp_path / "state")]
    assert before.count("sent") == 2
    with house(tmp_path, **{MACHINE: machine}) as shop:
        told = shop.receipt(MACHINE, "refused", "0006.nc")
        assert (told.get("result"), told.get("sha256")) == ("interrupted", hashlib.sha256(dropped).hexdigest())
        assert shop.dncd("verify").returncode == 0
        held = json.loads(shop.dncd("holds", MACHINE, "--json").stdout)
        assert [program["program"] for program in held["programs"]][:2] == ["O0004", "O0005"]
        assert "is proven" in shop.dncd("prove", MACHINE, "O0005", "--by", "A", "--note", "again").stdout
        assert [r["event"] for r in shop.ledger()[len(before) :]] == ["interrupted", "started", "proven"]
    assert came(master) == b""


@pytest.mark.parametrize("version", ["0.3.0", "0.5.0", "0.6.0", "0.7.0"])
def test_a_batch_that_a_kill_cut_short_ends_and_what_waited_waits(tmp_path: Path, line, version: str) -> None:
    """Killed in the second piece of three; `dncd next` had put the batch in front of three files, which go by key again."""
    master, machine = line
    machine["send"] = {"start_on": "go"}
    shutil.copytree(OLD.with_name(version), tmp_path, dirs_exist_ok=True)
    before = [record["event"] for record in records(tmp_path / "state")]
    assert before.count("sent") == 3
    with house(tmp_path, **{MACHINE: machine}) as shop:
        assert shop.receipt(MACHINE, "refused", "again.nc").get("result") == "interrupted"
        until(lambda: json.loads(shop.dncd("status", "--json").stdout)["machines"][MACHINE]["next"])
        status = json.loads(shop.dncd("status", "--json").stdout)["machines"][MACHINE]
        assert status["waiting"] == ["0006.nc", "0007.nc", "0008.nc"]
        assert shop.dncd("verify").returncode == 0
        assert "is proven" in shop.dncd("prove", MACHINE, "O0005", "--by", "A", "--note", "again").stdout
        assert [r["event"] for r in shop.ledger()[len(before) :]] == ["interrupted", "started", "proven"]
    assert came(master) == b""


@pytest.mark.parametrize("version", ["0.6.0", "0.7.0"])
def test_who_was_on_record_signs_on_with_the_same_phrase(version: str) -> None:
    known = people.read(OLD.with_name(version) / "state")
    fitter = known.signed_on("A. Fitter", "eleven brass washers")
    assert fitter is not None
    assert fitter.role is people.Role.BRING
    assert known.named("M. Planner").role is people.Role.OFFICE
    assert known.signed_on("M. Planner", "eleven brass washer") is None


def test_a_folder_of_0_4_0_is_read_as_it_is_with_what_came_damaged(tmp_path: Path, line) -> None:
    """Killed in the middle of sending 0006.nc; before that two were sent and punched back, one of them changed, and a third
    punch came damaged."""
    master, machine = line
    shutil.copytree(OLD.with_name("0.4.0"), tmp_path, dirs_exist_ok=True)
    before = [record["event"] for record in records(tmp_path / "state")]
    assert before[-3:] == ["backup", "proven", "damaged"]
    with house(tmp_path, **{MACHINE: machine}) as shop:
        assert shop.receipt(MACHINE, "refused", "0006.nc").get("result") == "interrupted"
        assert shop.dncd("verify").returncode == 0
        held = json.loads(shop.dncd("holds", MACHINE, "--json").stdout)["programs"]
        assert [(program["program"], program["revision"]) for program in held][:2] == [("O0004", 2), ("O0005", 1)]
        assert "block N20: Z -30. → -30.2" in shop.dncd("diff", MACHINE, "O0004").stdout
        assert [r["event"] for r in shop.ledger()[len(before) :]] == ["interrupted", "started"]
    assert came(master) == b""
    assert list((tmp_path / "state" / "captures").glob("*.damaged.raw"))


def test_a_folder_of_a_newer_dncd_is_refused_and_stays_as_it_is(root: Path) -> None:
    newer = codec.encode(state_format.StateFormat(state_format.FORMAT + 1, "9.1"))
    (root / "state" / "format").write_bytes(newer)
    there = {path: path.read_bytes() for path in root.rglob("*") if path.is_file()}
    for opening in (
        lambda: Store.open(settings(root)),
        lambda: Ledger.open(root / "state"),
        lambda: Library(root / "state"),
        lambda: list(records(root / "state")),
        lambda: verify(root / "state", root / "shop"),
    ):
        with pytest.raises(RecordsError, match=r"dncd 9\.1 wrote this state folder .*Install dncd 9\.1"):
            opening()
    left = {path: path.read_bytes() for path in root.rglob("*") if path.is_file() and path.name != "service.lock"}
    assert left == there


@pytest.mark.parametrize("spoilt", [b"", b"{}", b"\xff"])
def test_a_format_that_cannot_be_read_is_told(root: Path, spoilt: bytes) -> None:
    (root / "state" / "format").write_bytes(spoilt)
    with pytest.raises(RecordsError, match=r"cannot be told which dncd wrote .*remove this file"):
        Store.open(settings(root))


def test_a_new_folder_gets_its_format_and_nothing_is_said(tmp_path: Path) -> None:
    for _ in range(2):
        office, said = opened(tmp_path)
        office.close()
        assert said == []
    assert state_format.check(tmp_path / "state") == state_format.StateFormat(state_format.FORMAT, __version__)


# --- plans that cannot be read --------------------------------------------------------------------------------------
@pytest.mark.parametrize("spoilt", SPOILT)
def test_a_plan_that_cannot_be_read_ends_its_file_and_stops_its_machine(root: Path, spoilt: bytes) -> None:
    spoil(root, spoilt)
    for _ in range(2):  # the second start finds all of it done
        office, said = opened(root)
        assert office.unreadable.machines.keys() == {MACHINE}
        (told,) = events(root, "plan-unreadable")
        assert (told["machine"], told["transfer"], told["file"], told["program"]) == (MACHINE, ID, "0006.nc", "O0006")
        (ended,) = events(root, "interrupted")
        assert (ended["file"], ended["program"], ended["transfer"]) == ("0006.nc", "O0006", ID)
        assert not {"wire_sha256", "wire_chars", "chars"} & ended.keys()
        assert receipt(root, "0006.nc").get("result") == "interrupted"
        assert "cannot be read" in (receipt(root, "0006.nc").get("reason") or "")
        assert "may hold a part of this program" in (receipt(root, "0006.nc").get("caution") or "")
        assert not list((root / "shop" / MACHINE / "to-machine").iterdir())
        office.close()
    assert f"{MACHINE}: 0006.nc ended as interrupted" not in said
    assert f"`dncd withdraw {MACHINE}`" in verify(root / "state", root / "shop").notes[-1]
    office, _ = opened(root)
    office.unreadable.release(MACHINE)
    office.unreadable.release(MACHINE)
    assert office.unreadable.machines == {}
    office.close()
    assert len(events(root, "released")) == 1
    assert (root / "state" / "underway" / f"unreadable-{ID}.bytes").read_bytes() == spoilt
    office, _ = opened(root)
    assert office.unreadable.machines == {}
    office.close()
    assert verify(root / "state", root / "shop").problems == ()


def test_bytes_that_no_dropped_file_has_are_kept_as_an_interrupted_one(root: Path) -> None:
    spoil(root)
    edited = root / "shop" / MACHINE / "to-machine" / "0006.nc"
    edited.write_bytes(b"%\nO0006\nM30\n%\n")
    office, _ = opened(root)
    office.close()
    assert edited.read_bytes() == b"%\nO0006\nM30\n%\n"
    (ended,) = events(root, "interrupted")
    assert (root / "shop" / MACHINE / "refused" / str(ended["file"])).read_bytes() == DROPPED


def test_a_cut_at_any_operation_loses_and_doubles_nothing(tmp_path: Path) -> None:
    at = 0
    while True:
        at += 1
        root = tmp_path / str(at)
        shutil.copytree(OLD, root)
        spoil(root)
        office = Store.open(settings(root))
        try:
            with used(FailingDisk(at, Kill)):
                office.recover(lambda _: True)
            cut = False
        except Kill:
            cut = True
        office.close()
        if not cut:
            break
        office, _ = opened(root)
        office.close()
        assert office.unreadable.machines.keys() == {MACHINE}, at
        assert [len(events(root, event)) for event in ("plan-unreadable", "interrupted")] == [1, 1], at
        kept = [path.name for path in (root / "shop" / MACHINE / "refused").iterdir()]
        assert sorted(kept) == ["0006.nc", "0006.nc.receipt.txt"], at
        assert not list((root / "shop" / MACHINE / "to-machine").iterdir()), at
        assert verify(root / "state", root / "shop").problems == (), at
    assert at > 10


@pytest.mark.parametrize("known", [True, False], ids=["bytes-known", "bytes-lost"])
def test_nothing_goes_out_until_a_person_has_said_so(root: Path, line, known: bool) -> None:
    master, machine = line
    spoil(root)
    if not known:
        (root / "state" / "outgoing" / f"{ID}.file").unlink()
    with house(root, **{MACHINE: machine}) as shop:
        shop.drop(MACHINE, "0007.nc", b"%\nO0007\nM30\n%\n")
        waits = lambda: status(shop)["waiting"]  # noqa: E731
        there = ["0007.nc"] if known else ["0006.nc", "0007.nc"]
        until(lambda: sorted(waits()) == there)  # which one is complete first is the computer's affair
        (trouble,) = status(shop)["trouble"]
        assert "the plan of a transfer cannot be read" in trouble
        assert f"`dncd withdraw {MACHINE}`" in trouble
        until(lambda: trouble in (root / "shop" / MACHINE / "STATUS.txt").read_text())
        assert "plan unreadable" in (root / "run.log").read_text()
        if not known:
            assert shop.dncd("withdraw", MACHINE, "0006.nc").returncode == 0  # still by its name
            shop.receipt(MACHINE, "refused", "0006.nc")
        assert [r["event"] for r in shop.ledger()].count("sent") == 2
        assert came(master) == b""
        told = shop.dncd("withdraw", MACHINE)
        assert (told.returncode, told.stdout[:30]) == (0, f"{MACHINE}: it is sent to again"[:30])
        shop.receipt(MACHINE, "sent", "0007.nc")
        assert status(shop)["trouble"] == []
        assert shop.dncd("verify").returncode == 0
    assert came(master) == b"%\nO0007\nM30\n%\n"


def status(shop: House) -> dict[str, list[str]]:
    return json.loads(shop.dncd("status", "--json").stdout)["machines"][MACHINE]


# --- the codec ------------------------------------------------------------------------------------------------------
RECORDS = [
    OutPlan(
        "m@1",
        "m",
        "caf\u00e9 \udcff.nc",
        "ab",
        ("O1",),
        ("O1 (X)",),
        revisions=(1, 2),
        drip_feed=Feed.DRIP,
        signed=(SignedOff("O1", 2, "t", "n", "b"),),
        ended=Sent(
            Result.INTERRUPTED,
            ("a", "b"),
            1.0,
            line_faults={"parity": 2},
            counted=Counted.UNKNOWN,
            wire=OnWire(3, "cd"),
        ),
    ),
    InPlan(
        "m@2",
        "m",
        Result.RECEIVED,
        3,
        "ab",
        2.0,
        (Part("O1", "O1", "X1.\n", "%", Comparison.DIFFERS, 2, ("-a", "+b"), Evidence.ONCE),),
        notes=("n",),
    ),
    BackupPlan("m@3", "m", 4, "", "%", "f", (("O1", "revision 1"),)),
    Pushed("r", "b", waiting=3),
]


@pytest.mark.parametrize("record", RECORDS, ids=lambda record: type(record).__name__)
def test_what_is_written_is_read_and_what_is_newer_is_left_out(record) -> None:
    data = codec.encode(record, kind="x")
    assert codec.decode(type(record), data) == record
    plain = json.loads(data)
    assert (plain["format"], plain["kind"]) == (codec.FORMAT, "x")
    assert codec.decode(type(record), json.dumps({**plain, "of 2031": [1]}).encode()) == record
    assert codec.decode({"x": type(record)}, data) == record
    for defaulted in dataclasses.fields(record):
        if defaulted.default is not dataclasses.MISSING:
            left = {key: value for key, value in plain.items() if key != defaulted.name}
            read = codec.decode(type(record), json.dumps(left).encode())
            assert getattr(read, defaulted.name) == defaulted.default
    with pytest.raises(ValueError, match="does not say what kind"):
        codec.decode({"y": type(record)}, data)
    with pytest.raises(ValueError, match=f"has format {codec.FORMAT + 1}"):
        codec.decode(type(record), json.dumps({**plain, "format": codec.FORMAT + 1}).encode())


def test_a_plan_of_0_1_0_is_read_as_it_was_meant(root: Path) -> None:
    (plan,) = plans.load_all(root / "state")
    assert isinstance(plan, OutPlan)
    assert (plan.file, plan.drip_feed, plan.ended, plan.wire_chars) == ("0006.nc", Feed.STORED, None, 881)


@pytest.mark.parametrize("cuts", [(), (1,), (2, 5), tuple(range(1, 12))])
def test_what_went_over_the_line_is_counted_from_the_opening_mark(cuts: tuple[int, ...]) -> None:
    image = b"\0\0\0%\nO1\n%\n\0\0"
    edges = (0, *cuts, len(image))
    pieces = [image[a:b] for a, b in itertools.pairwise(edges)]
    for chars in range(11):
        part = image[3:chars] if chars > 3 else b""
        assert on_wire(pieces, 3, chars) == OnWire(len(part), hashlib.sha256(part).hexdigest())
