"""Readback: what comes back equal is checked, what differs says how, and what stands for the parity that a line lacks."""

import json
import threading
from pathlib import Path

import pytest
from fakes import FakePort
from readback_desk import MACHINE, desk
from station_rig import rig

from dncd.choices import StartOn
from dncd.cli import main
from dncd.records.checks import Check
from dncd.records.verify import verify
from dncd.values import Frame, LineSettings, MachineSettings, SendSettings

TEXT = "O0004 (SHAFT)\nN10 G00 X1.\nN20 G01 Z-5. F0.15\nM30\n"
EDIT = TEXT.replace("F0.15", "F0.10")


def test_one_that_comes_back_equal_is_matched_and_its_revision_checked(tmp_path: Path) -> None:
    with desk(tmp_path) as shop:
        shop.send(TEXT)
        receipt = shop.punch(TEXT)
        assert receipt.get("compared") == "equal to revision 1, which was sent: checked"
        assert shop.events() == ["sent", "received", "matched"]
        assert shop.texts() == [TEXT]
        time = shop.lines()[-1]["time"]
        assert shop.office.held.checks.last(MACHINE) == Check("O0004", 1, time)
        assert shop.office.held.checks.checked(MACHINE, "O0004") == {1: time}


def test_one_that_differs_is_a_revision_with_its_differences(tmp_path: Path) -> None:
    with desk(tmp_path) as shop:
        shop.send(TEXT)
        receipt = shop.punch(EDIT)
        assert receipt.get("compared") == "differs from revision 1"
        assert receipt.all("difference") == ("block N20: F 0.15 → 0.10",)
        assert shop.texts() == [TEXT, EDIT]
        assert shop.office.held.checks.last(MACHINE) is None


def test_an_edit_that_was_sent_again_unchanged_is_matched_when_it_comes_back(tmp_path: Path) -> None:
    """It is equal to what was last sent, though the newest revision came from the machine (contract, 5)."""
    with desk(tmp_path) as shop:
        shop.send(TEXT)
        shop.punch(EDIT)
        shop.send(EDIT)
        assert shop.texts() == [TEXT, EDIT], "sent again unchanged is no new revision"
        shop.punch(EDIT)
        assert shop.events()[-3:] == ["sent", "received", "matched"]
        assert shop.texts() == [TEXT, EDIT]
        assert list(shop.office.held.checks.checked(MACHINE, "O0004")) == [2]


def test_an_edit_that_the_operator_took_back_is_matched_and_no_new_revision(tmp_path: Path) -> None:
    with desk(tmp_path) as shop:
        shop.send(TEXT)
        shop.punch(EDIT)
        assert shop.punch(TEXT).get("revision") == "1"
        assert shop.events() == ["sent", "received", "differs", "received", "matched"]
        assert shop.texts() == [TEXT, EDIT]
        assert verify(tmp_path / "state", tmp_path / "shop").problems == ()


def test_a_line_with_parity_needs_no_second_punch(tmp_path: Path) -> None:
    with desk(tmp_path, "7E2") as shop:
        shop.send(TEXT)
        assert [shop.punch(EDIT).get("compared") for _ in range(2)] == [
            "differs from revision 1",
            "equal to revision 2",
        ]
        assert shop.events() == ["sent", "received", "differs", "received"]
        assert not any("sure" in line for line in shop.lines())


@pytest.mark.parametrize("sent_first", [False, True])
def test_without_parity_two_equal_punches_in_succession_are_marked(tmp_path: Path, sent_first: bool) -> None:
    with desk(tmp_path) as shop:
        if sent_first:
            shop.send(TEXT)
        once = shop.punch(EDIT)
        assert once.get("sure") == "punched once, not verifiable by parity"
        assert "flipped bit" in once.get("note")
        twice = shop.punch(EDIT)
        assert twice.get("sure") == "punched twice, equal"
        assert [line.get("sure") for line in shop.lines() if line["event"] == "received"] == [
            "punched once, not verifiable by parity",
            "punched twice, equal",
        ]
        assert shop.texts()[-1] == EDIT


def test_without_parity_a_punch_unlike_the_one_before_says_so(tmp_path: Path) -> None:
    with desk(tmp_path) as shop:
        shop.punch(TEXT)
        receipt = shop.punch(EDIT)
        assert receipt.get("sure").startswith("unlike the punch before it")
        assert "once more" in receipt.get("note")


def test_a_sending_between_two_punches_ends_their_succession(tmp_path: Path) -> None:
    with desk(tmp_path) as shop:
        shop.punch(TEXT)
        shop.send(TEXT)
        assert shop.punch(TEXT).get("sure") == "equal to what was sent"
        assert shop.punch(TEXT).get("sure") == "punched twice, equal"
        shop.send(EDIT, "interrupted")
        assert shop.punch(TEXT).get("sure") == "punched once, not verifiable by parity"


def test_programs_and_show_tell_the_check_and_when(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "dncd.toml").write_text(f'[machines.{MACHINE}.line]\nport = "/dev/ttyS0"\n')
    config = ["--config", str(tmp_path / "dncd.toml")]
    with desk(tmp_path) as shop:
        shop.send(TEXT)
        shop.punch(TEXT)
        shop.punch(EDIT)
        time = next(line["time"] for line in shop.lines() if line["event"] == "matched")
    assert main([*config, "programs", MACHINE, "--json"]) == 0
    (program,) = json.loads(capsys.readouterr().out)
    assert program["checked"] == {"revision": 1, "time": time}
    assert main([*config, "programs", MACHINE]) == 0
    assert "revision 1, 20" in capsys.readouterr().out
    for number, expected in ((1, time), (2, None)):
        assert main([*config, "show", MACHINE, "O0004", "-r", str(number), "--json"]) == 0
        assert json.loads(capsys.readouterr().out)["checked"] == expected


def test_a_file_waits_until_what_was_just_punched_is_on_record(tmp_path: Path) -> None:
    """Between a capture's last character and its record the line is free; a start then would overwrite an unseen edit."""
    settings = MachineSettings(
        MACHINE, LineSettings("x", frame=Frame.parse("8N1")), send=SendSettings(start_on=StartOn.NOW)
    )
    with rig(tmp_path, settings) as shop:
        port = shop.plug(FakePort())
        shop.drop("0004.nc", f"%\n{TEXT}%\n".encode())
        shop.until(lambda: shop.ledger("sent"))
        office = "O0004 (SHAFT)\nN10 G00 X1.\nN20 G01 Z-6. F0.15\nM30\n"
        hold, done = threading.Event(), threading.Event()
        shop.hands.records.do(lambda: hold.wait(20), lambda _: None, lambda _: done.set())  # the disk takes its time
        port.feed(f"%\n{EDIT}%\n".encode())
        shop.until(lambda: shop.station.core.captures.busy and shop.station.core.captures.capturing is None)
        shop.drop("0004 new.nc", f"%\n{office}%\n".encode())
        shop.until(lambda: shop.station.core.sender.queue.waiting)
        hold.set()
        shop.until(lambda: shop.ledger("refused", "sent")[1:])
        assert [line["event"] for line in shop.ledger("sent", "received", "refused")] == ["sent", "received", "refused"]
        assert not done.is_set()
