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


SPELT = ":4\nN10G0X1.\nN20F.15G1Z-5.\nM30\n"


def test_one_in_the_control_s_own_spelling_is_matched_and_no_revision(tmp_path: Path) -> None:
    with desk(tmp_path) as shop:
        shop.send(TEXT)
        receipt = shop.punch(SPELT)
        assert (
            receipt.get("compared") == "the same as revision 1, which was sent, in the control's own spelling: checked"
        )
        assert [line.get("how") for line in shop.lines()] == [None, None, "in substance"]
        assert shop.events() == ["sent", "received", "matched"]
        assert shop.texts() == [TEXT]
        delivered = (shop.folder / "from-machine" / "O0004.nc").read_bytes()
        assert delivered == f"%\n{SPELT}%\n".replace("\n", "\r\n").encode(), "as the control punched it"
        assert list(shop.office.held.checks.checked(MACHINE, "O0004")) == [1]
        assert shop.office.held.one(MACHINE, "O0004").how.value == "checked"
        shop.punch(TEXT)
        assert shop.lines()[-1]["how"] == "equal"
        assert verify(tmp_path / "state", tmp_path / "shop").problems == ()


def test_how_a_control_spells_is_on_record_and_a_change_of_it_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "dncd.toml").write_text(f'[machines.{MACHINE}.line]\nport = "/dev/ttyS0"\n')
    with desk(tmp_path) as shop:
        shop.send(TEXT)
        assert shop.punch(SPELT).get("warning") == ""
        lost = ["blanks", "zeros in front", "letter O", "comments"]
        assert shop.lines()[-1]["spelling"] == dict.fromkeys(lost, "not kept")
        assert shop.punch(SPELT).get("warning") == ""
        receipt = shop.punch(SPELT.replace("N10", "N10 ").replace("G0", "G00"))
        assert receipt.get("warning").startswith("the control spells otherwise than before (blanks, zeros in front)")
        assert shop.lines()[-1]["spelling"]["blanks"] == "kept"
        assert shop.texts() == [TEXT]
    assert main(["--config", str(tmp_path / "dncd.toml"), "programs", MACHINE]) == 0
    said = capsys.readouterr().out.splitlines()[-1]
    assert said == "the control punches what it was given without its comments, letter O: that is no edit"


def test_an_edit_in_the_control_s_own_spelling_is_put_into_the_office_s_text(tmp_path: Path) -> None:
    whole = "O0004 (SHAFT)\n\n" + "".join(f"N{n} G01 X{n}.500 (CUT {n})\n" for n in range(100, 120)) + "M30\n"
    control = "".join(f"N{n}G1X{n}.5\n" for n in range(100, 120))
    changed = control.replace("N110G1X110.5", "N110G1X110.7")
    beside = "O0004 (office text with the edit).nc"
    with desk(tmp_path) as shop:
        shop.send(whole)
        receipt = shop.punch(f":0004\n{changed}M30\n")
        assert receipt.get("compared") == "differs from revision 1"
        assert receipt.all("difference") == ("block N110: X 110.500 → 110.7",)
        assert receipt.get("office text with the edit") == beside
        folder = shop.folder / "from-machine"
        text = whole.replace("X110.500", "X110.7")
        assert (folder / beside).read_bytes() == f"%\n{text}%\n".replace("\n", "\r\n").encode()
        again = shop.punch(f":0004\n{changed}M30 \n")
        assert again.get("compared") == "the same as revision 2, in the control's own spelling"
        assert shop.texts() == [whole, f":0004\n{changed}M30\n"], "the same edit otherwise spelt is no new revision"
        assert again.get("office text with the edit") == beside
        assert (folder / beside).exists(), "it is the same edit, punched once more"
        assert shop.punch(whole).get("office text with the edit") == ""
        assert not (folder / beside).exists(), "one of before that nobody touched is taken away"
        assert verify(tmp_path / "state", tmp_path / "shop").problems == ()


def test_a_second_edit_is_put_into_the_office_s_text_beside_the_first(tmp_path: Path) -> None:
    whole = "O0004 (SHAFT)\n" + "".join(f"N{n} X{n}. (A)\n" for n in range(20)) + "M30\n"
    control = "O0004\n" + "".join(f"N{n}X{n}.\n" for n in range(20)) + "M30\n"
    with desk(tmp_path) as shop:
        shop.send(whole)
        shop.punch(control.replace("X7.", "X7.5"))
        receipt = shop.punch(control.replace("X7.", "X7.5").replace("X9.", "X9.5"))
        assert receipt.all("difference") == ("block N9: X 9. → 9.5",), "against the newest revision"
        text = (shop.folder / "from-machine" / receipt.get("office text with the edit")).read_text()
        assert text == f"%\n{whole.replace('X7.', 'X7.5').replace('X9.', 'X9.5')}%\n"


def test_the_office_s_text_with_the_edit_that_somebody_worked_on_stays(tmp_path: Path) -> None:
    whole = "O0004 (SHAFT)\n" + "".join(f"N{n} X{n}. (A)\n" for n in range(20)) + "M30\n"
    control = "O0004\n" + "".join(f"N{n}X{n}.\n" for n in range(20)) + "M30\n"
    with desk(tmp_path) as shop:
        shop.send(whole)
        shop.punch(control.replace("X7.", "X7.5"))
        beside = shop.folder / "from-machine" / "O0004 (office text with the edit).nc"
        beside.write_bytes(b"notes of the office")
        assert shop.punch(control).get("office text with the edit") == ""
        assert beside.read_bytes() == b"notes of the office"


def test_where_it_is_not_sure_which_block_became_which_the_receipt_says_so(tmp_path: Path) -> None:
    with desk(tmp_path) as shop:
        shop.send(TEXT)
        receipt = shop.punch(":4\nN10G0X9.\nN20G1Z-7.F.25\nN30M8\nM30\n")
        assert receipt.get("office text with the edit") == ""
        assert any("do it by hand" in note for note in receipt.all("note"))
        assert len(list((shop.folder / "from-machine").glob("*.nc"))) == 1


def test_comments_alone_are_told_as_that(tmp_path: Path) -> None:
    with desk(tmp_path) as shop:
        shop.send(TEXT)
        receipt = shop.punch(TEXT.replace("F0.15", "F0.15 (SLOWLY)"))
        assert receipt.get("compared") == "comments alone changed against revision 1"
        assert receipt.all("difference") == ("comment (SLOWLY) added",)
        assert shop.lines()[-1]["event"] == "differs"
        assert shop.lines()[-1]["how"] == "comments alone"
        assert len(shop.texts()) == 2, "what somebody wrote is kept"


def test_block_numbers_alone_are_a_change_and_said(tmp_path: Path) -> None:
    with desk(tmp_path) as shop:
        shop.send(TEXT)
        assert shop.punch(TEXT.replace("N20", "N25")).all("difference") == ("block numbers alone changed",)


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
        shop.hands.records.do(lambda: hold.wait(120), lambda _: None, lambda _: done.set())  # the disk takes its time
        port.feed(f"%\n{EDIT}%\n".encode())
        shop.until(lambda: shop.station.core.captures.busy and shop.station.core.captures.capturing is None)
        shop.drop("0004 new.nc", f"%\n{office}%\n".encode())
        shop.until(lambda: shop.station.core.sender.queue.waiting)
        hold.set()
        shop.until(lambda: shop.ledger("refused", "sent")[1:])
        assert [line["event"] for line in shop.ledger("sent", "received", "refused")] == ["sent", "received", "refused"]
        assert not done.is_set()
