"""Captures on record: what the port noticed counts, noise does not, and two without a name are two."""

import pytest
from station_jobs import jobs_of

from dncd import defaults
from dncd.choices import EndsOn, MarkAt
from dncd.records.ledger import records
from dncd.station.capture_jobs import HOUR_S, Ration
from dncd.station.results import Damage
from dncd.values import Counters, Frame, LineSettings, MachineSettings, ReceiveSettings, TapeSettings

WIRE = b"%\nO0004\nM30\n%\n"


@pytest.fixture
def desk(tmp_path):
    machine = MachineSettings("mill", LineSettings("x", frame=Frame.parse("8E1")))
    with jobs_of(tmp_path, machine) as jobs:
        yield jobs, tmp_path


def caught(jobs, wire, damage=None, printable=10):
    return jobs.capture(wire, damage, printable=printable).transfers


def test_faults_that_the_port_cannot_place_make_a_capture_damaged(desk):
    jobs, root = desk
    (told,) = caught(jobs, WIRE, Damage(notices=Counters(parity=2)))
    assert told["event"] == "damaged"
    assert "2 of parity" in told["reasons"][0]
    assert not list((root / "shop/mill/from-machine").glob("*.nc"))
    (told,) = caught(jobs, WIRE)
    assert told["event"] == "received"


def test_characters_that_the_port_marked_are_damage(desk):
    (told,) = caught(desk[0], WIRE, Damage(bad=(4,)))
    assert told["event"] == "damaged"
    assert "line 2, column 3" in told["reasons"][0]


def test_noise_is_no_capture(desk):
    jobs, root = desk
    assert caught(jobs, b"\xfe\xfe", printable=0) == ()
    assert list(records(root / "state")) == []
    assert list((root / "state/captures").iterdir()) == []


def test_two_without_a_name_are_two_programs(desk):
    jobs, _ = desk
    names = {caught(jobs, b"%\nX1.\nM30\n%\n")[0]["program"], caught(jobs, b"%\nX2.\nM30\n%\n")[0]["program"]}
    assert len(names) == 2
    assert all(name.startswith("UNNAMED-") for name in names)


# --- too much damage ------------------------------------------------------------------------------------------------

GARBAGE = b"%\nO0004\nM3\xff0\n%\n"


@pytest.fixture
def hours(desk, monkeypatch):
    """Jobs with a clock that the test moves, in seconds, and small limits."""
    monkeypatch.setattr(defaults, "OVERFLOW_BYTES", 10 * len(GARBAGE))
    jobs, root = desk
    time = [0.0]
    jobs.keeps._clock = lambda: time[0]
    jobs.keeps._ration = Ration(most=3, most_chars=100)
    return jobs, root, time


def catch(jobs, wire):
    return jobs.capture(wire)


def files(root):
    return [p for p in root.rglob("*") if p.is_file() and "ledger" not in p.parts and "library.git" not in p.parts]


def test_garbage_for_ever_fills_no_disk_and_a_good_program_comes_through(hours):
    jobs, root, time = hours
    assert [len(catch(jobs, GARBAGE).transfers) for _ in range(3)] == [1, 1, 1]
    size = None
    for n in range(60):
        told = catch(jobs, GARBAGE)
        assert told.transfers == ()
        assert "within an hour" in told.overflow
        assert f"{n + 1} more" in told.overflow
        if n == 30:
            size = len(files(root))
    assert len(files(root)) == size
    kept = [p for p in (root / "state/captures").iterdir() if ".overflow" in p.name]
    assert len(kept) == 2
    assert sum(p.stat().st_size for p in kept) <= 2 * defaults.OVERFLOW_BYTES
    (told,) = catch(jobs, WIRE).transfers
    assert told["event"] == "received"
    time[0] = HOUR_S + 1
    assert catch(jobs, GARBAGE).transfers[0]["event"] == "damaged"
    events = [(r["event"], r.get("captures")) for r in records(root / "state") if "overflow" in r["event"]]
    assert events == [("overflow", None), ("overflow over", 60)]


def test_garbage_between_good_programs_is_told_once_an_hour(hours):
    papers, root, time = hours
    for n in range(40):
        time[0] = n
        catch(papers, GARBAGE)
        catch(papers, WIRE)
    assert [r["event"] for r in records(root / "state") if "overflow" in r["event"]] == ["overflow"]
    time[0] = 2 * HOUR_S
    catch(papers, WIRE)
    assert [r.get("captures") for r in records(root / "state") if "overflow" in r["event"]] == [None, 37]


def test_programs_without_a_name_are_rationed_too(hours):
    jobs, _, _ = hours
    told = [catch(jobs, f"%\nX{n}.\nM30\n%\n".encode()) for n in range(5)]
    assert [len(t.transfers) for t in told] == [1, 1, 1, 0, 0]


def test_characters_count_too(hours):
    jobs, _, _ = hours
    assert len(catch(jobs, b"%\n" + b"N1 \xff\n" * 30 + b"%\n").transfers) == 1
    assert "characters" in catch(jobs, GARBAGE).overflow


def test_a_full_shelf_is_emptied_by_clearing_the_folder(hours, monkeypatch):
    jobs, root, time = hours
    monkeypatch.setattr(defaults, "DAMAGED_FILES", 6)
    for n in range(3):
        time[0] = n * HOUR_S * 2
        told = catch(jobs, GARBAGE)
    assert "clear from-machine/damaged/" in told.overflow
    assert len(list((root / "state/captures").glob("*.damaged.raw"))) == 2
    for path in (root / "shop/mill/from-machine/damaged").iterdir():
        path.unlink()
    time[0] += 2 * HOUR_S
    jobs.keeps._ration.keep(0, time[0])
    monkeypatch.setattr(defaults, "DAMAGED_FILES", 2)
    assert catch(jobs, GARBAGE).transfers[0]["event"] == "damaged"
    assert len(list((root / "state/captures").glob("*.damaged.raw"))) == 1


def test_a_disk_with_little_room_keeps_it_for_good_programs(hours, monkeypatch):
    jobs, root, _ = hours
    monkeypatch.setattr(defaults, "DISK_LEAST_BYTES", 1 << 62)
    assert "left" in catch(jobs, GARBAGE).overflow
    assert not list(root.glob("shop/mill/from-machine/damaged/*"))
    assert catch(jobs, WIRE).transfers[0]["event"] == "received"


def test_what_there_was_no_memory_for_is_damage_with_a_reason(desk):
    (told,) = caught(desk[0], WIRE, Damage(lost=12_345))
    assert told["event"] == "damaged"
    assert f"only its first {len(WIRE)} characters are kept, 12345 after them are lost" in told["reasons"][0]
    (told,) = caught(desk[0], b"", Damage(lost=7), printable=0)
    assert told["event"] == "damaged"


def test_a_fault_of_dncd_itself_keeps_the_characters(desk, monkeypatch):
    def fault(*_given):
        raise ZeroDivisionError("some fault")

    monkeypatch.setattr("dncd.station.judging.read_all", fault)
    jobs, root = desk
    (told,) = caught(jobs, WIRE)
    assert told["event"] == "damaged"
    assert "report it" in told["reasons"][0]
    (raw,) = (root / "state/captures").glob("*.damaged.raw")
    assert raw.read_bytes() == WIRE


# --- what may not become a revision, and what is put together ---------------------------------------------------------


def library_text(jobs, program):
    return jobs.store.library.text("mill", program)


def test_an_empty_shell_is_no_revision_of_a_program_that_has_blocks(desk):
    jobs, root = desk
    caught(jobs, b"%\nO0004\nN10 X1.\nM30\n%\n")
    (told,) = caught(jobs, b"%\nO0004 (EMPTIED)\n%\n")
    assert told["event"] == "damaged"
    assert "a number without a block, but revision 1 of it has blocks" in told["reasons"][0]
    assert b"N10 X1." in (root / "shop/mill/from-machine/O0004.nc").read_bytes()
    dump = caught(jobs, b"%\nO0004\nO0005\nN10 X5.\nM30\n%\n")
    assert [(t["event"], t["program"]) for t in dump] == [("received", "O0005")]
    assert "O0004 came as a number without" in (root / "shop/mill/from-machine/O0005.nc.receipt.txt").read_text()
    assert library_text(jobs, "O0004") == "O0004\nN10 X1.\nM30\n"
    assert caught(jobs, b"%\nO0006\n%\n")[0]["event"] == "received", "nothing is known of this one"


def test_two_programs_of_one_number_are_both_kept(desk):
    """controls 41: two turrets."""
    jobs, root = desk
    upper, lower = "O0004\nN10 X1.\nM30\n", "O0004\nN10 X2.\nM30\n"
    for again in (False, True):
        told = caught(jobs, f"%\n{upper}{lower}%\n".encode())
        assert [(t["event"], t["program"], t["revision"]) for t in told] == [
            ("received", "O0004", 1),
            ("received", "O0004-2", 1),
        ], again
    folder = root / "shop/mill/from-machine"
    assert (folder / "O0004.nc").read_bytes() == f"%\n{upper}%\n".replace("\n", "\r\n").encode()
    assert (folder / "O0004-2.nc").read_bytes() == f"%\n{lower}%\n".replace("\n", "\r\n").encode()


def test_a_torso_without_a_closing_mark_is_known_by_its_end_word(tmp_path):
    tape, receive = TapeSettings(mark_at=MarkAt.START), ReceiveSettings(EndsOn.SILENCE)
    machine = MachineSettings("mill", LineSettings("x", frame=Frame.parse("8E1")), tape=tape, receive=receive)
    with jobs_of(tmp_path, machine) as jobs:
        for wire, event in (
            (b"N20 X2.\nM30\n", "received"),
            (b"N20 X2.\n", "damaged"),
            (b"N20 X3.\nM30\n", "received"),
        ):
            (told,) = jobs.capture(b"%\nO0004\nN10 X1.\n" + wire, why=EndsOn.SILENCE).transfers
            assert told["event"] == event


GOOD = b"%\nO0004 (RING)\nN10 G00 X1.\nN20 G01 Z-5. F100\nM30\n%\n"


@pytest.fixture
def parity(tmp_path):
    machine = MachineSettings("mill", LineSettings("x", frame=Frame.parse("7E1")))
    with jobs_of(tmp_path, machine) as jobs:
        yield jobs, tmp_path


def even(chars, *hits):
    wire = bytearray(char | (char.bit_count() % 2) << 7 for char in chars)
    for at in hits:
        wire[at] ^= 0x10
    return bytes(wire)


@pytest.mark.parametrize(
    ("first", "second"), [((20,), (30,)), ((0, 20), (21, 40)), ((15,), (len(GOOD) - 2,)), ((14,), (3,))]
)
def test_two_damaged_punches_give_the_whole_program(parity, first, second):
    jobs, root = parity
    assert caught(jobs, even(GOOD, *first))[0]["event"] == "damaged"
    (told,) = caught(jobs, even(GOOD, *second))
    assert (told["event"], told["program"]) == ("received", "O0004")
    assert library_text(jobs, "O0004").encode() == GOOD[2:-2]
    receipt = (root / "shop/mill/from-machine/O0004.nc.receipt.txt").read_text()
    said = f"{len(first)} characters from this one and {len(second)} from captures/mill@"
    assert f"put together from two damaged punches: {said}" in receipt
    (raw,) = (root / "state/captures").glob("*.damaged.raw")
    assert raw.name in receipt


@pytest.mark.parametrize("second", [(20,), (20, 30)])
def test_damage_at_one_place_in_both_gives_nothing(parity, second):
    jobs, _ = parity
    assert caught(jobs, even(GOOD, 20))[0]["event"] == "damaged"
    assert caught(jobs, even(GOOD, *second))[0]["event"] == "damaged"


def test_two_punches_that_differ_are_not_put_together(parity):
    jobs, _ = parity
    caught(jobs, even(GOOD, 20))
    assert caught(jobs, even(GOOD.replace(b"F100", b"F200"), 30))[0]["event"] == "damaged"
    assert caught(jobs, even(GOOD.replace(b"F100", b"F10"), 30))[0]["event"] == "damaged"
