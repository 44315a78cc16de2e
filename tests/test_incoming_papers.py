"""Captures on record: what the port noticed counts, noise does not, and two without a name are two."""

import pytest

from dncd.line.receiving import CaptureEnd, Ended
from dncd.records.ledger import records
from dncd.station.incoming_papers import IncomingPapers
from dncd.station.office import Office
from dncd.station.papers import Damage
from dncd.values import Counters, Frame, LineSettings, MachineSettings, Settings, ShopSettings

WIRE = b"%\nO0004\nM30\n%\n"


@pytest.fixture
def desk(tmp_path):
    machine = MachineSettings("mill", LineSettings("x", frame=Frame.parse("8E1")))
    shop = ShopSettings(tmp_path / "shop", tmp_path / "state")
    office = Office.open(Settings(tmp_path / "dncd.toml", shop, {"mill": machine}))
    yield IncomingPapers(office, machine), tmp_path
    office.close()


def caught(papers, wire, damage=None, printable=10):
    spool = papers.spool(None, wire)
    return papers.captured(spool, Ended(CaptureEnd.MARK, len(wire), printable, 1.0), damage or Damage(), 1.0).transfers


def test_faults_that_the_port_cannot_place_make_a_capture_damaged(desk):
    papers, root = desk
    (told,) = caught(papers, WIRE, Damage(notices=Counters(parity=2)))
    assert told["event"] == "damaged"
    assert "2 of parity" in told["reasons"][0]
    assert not list((root / "shop/mill/from-machine").glob("*.nc"))
    (told,) = caught(papers, WIRE)
    assert told["event"] == "received"


def test_characters_that_the_port_marked_are_damage(desk):
    (told,) = caught(desk[0], WIRE, Damage(bad=(4,)))
    assert told["event"] == "damaged"
    assert "line 2, column 3" in told["reasons"][0]


def test_noise_is_no_capture(desk):
    papers, root = desk
    assert caught(papers, b"\xfe\xfe", printable=0) == ()
    assert list(records(root / "state")) == []
    assert list((root / "state/captures").iterdir()) == []


def test_two_without_a_name_are_two_programs(desk):
    papers, _ = desk
    names = {caught(papers, b"%\nX1.\nM30\n%\n")[0]["program"], caught(papers, b"%\nX2.\nM30\n%\n")[0]["program"]}
    assert len(names) == 2
    assert all(name.startswith("UNNAMED-") for name in names)
