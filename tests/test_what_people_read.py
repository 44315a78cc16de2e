"""What people are told, and when: STATUS.txt and `status`, `send`, receipts, and the words of commands."""

import json
import re
import subprocess
import sys
from types import SimpleNamespace

import pytest
from house import ENV, LONG, house, machine, text
from pty_line import PtyLine
from waiting import until

from dncd.cli import main
from dncd.cli.invocation import unknown
from dncd.commissioning.loopback_measures import Echo, Measures
from dncd.line.codes import ReaderCode
from dncd.line.starting import Starts, StartWay
from dncd.peer_text import moment
from dncd.program.names import spelt
from dncd.records.checks import REFUSED_KEPT, Checks, Last
from dncd.service import status
from dncd.service.next_words import last_lines, later_warnings
from dncd.values import Keys, SendSettings

SLEEVE = text(["O0004 (SLEEVE)", "N10 G00 X1.", "M30"])
NO_END = text(["O0005 (RING)", "N10 G00 X1."])


TIME = "2026-11-27T15:00:57.123Z"


def ended(event, file="0004.nc", **more):
    return {"event": event, "machine": "lathe", "file": file, "time": TIME, **more}


def test_the_last_ending_and_what_came_damaged_since_the_last_good_one_are_told():
    checks = Checks()
    assert checks.ending("lathe") == Last()
    assert last_lines({"last": {"time": ""}}) == []
    for event in ("received", "damaged", "damaged", "refused"):
        checks.feed(ended(event))
    last = checks.ending("lathe")
    assert (last.event, last.file, last.damaged) == ("refused", "0004.nc", 2)
    told = last_lines({"last": {"time": last.time, "event": last.event, "file": last.file, "damaged": last.damaged}})
    assert "refused 0004.nc: see its receipt in refused/" in told[0]
    assert told[1].startswith("damaged: 2 captures since the last good one; see the receipts in from-machine/damaged/")
    checks.feed(ended("received"))
    assert checks.ending("lathe").damaged == 0
    checks.feed({"event": "proven", "machine": "lathe", "time": "later"})
    assert checks.ending("lathe").event == "received", "a signature is no ending of a file"


def test_what_is_refused_stays_to_be_looked_at_until_it_went_out_or_is_old():
    checks = Checks()
    for file, program in (("0211.nc", "O0211"), ("bracket.dxf", "BRACKET"), ("0300.nc", "O0300"), ("old.nc", "O0400")):
        checks.feed(ended("refused", file, program=program))
    checks.feed(ended("refused", "older.nc", program="O0500") | {"time": "2026-11-19T15:00:57.123Z"})
    checks.feed(ended("sent", "0300.nc", program="O0301"))
    checks.feed(ended("sent", "new.nc", program="O0400", programs=["O0400", "O0401"]))
    assert list(checks.refused("lathe", "2026-11-20T00:00:00Z")) == ["0211.nc", "bracket.dxf"]
    assert checks.refused("mill", "") == {}
    still = {"count": 3, "refused": ["0211.nc", "bracket.dxf"], "edits": ["O0123"]}
    (_, told) = last_lines({"last": {"time": TIME, "event": "sent", "file": "a.nc", "damaged": 0}, "open": still})
    assert told == "3 to look at: refused bracket.dxf, 0211.nc; changed at the machine O0123; see their receipts"


def test_of_thousands_of_refused_files_the_newest_are_known_and_each_sending_looks_at_these_alone():
    checks = Checks()
    for number in range(1000):
        checks.feed(ended("refused", f"{number}.nc", program=f"O{number}"))
    assert list(checks.refused("lathe", "")) == [f"{number}.nc" for number in range(1000 - REFUSED_KEPT, 1000)]
    checks.feed(ended("sent", "other.nc", program="O999"))
    assert "999.nc" not in checks.refused("lathe", "")
    checks.feed({"event": "refused", "machine": "lathe"})
    assert checks.refused("lathe", "")[""] == "", "a line that lacks its keys says nothing, and stops nobody"


def test_warnings_of_what_waits_behind_are_told_by_file():
    found = {"next": {"file": "a.nc"}, "warnings": {"a.nc": ["first"], "b.nc": ["no end", "odd"]}}
    assert later_warnings(found) == ["b.nc: warning: no end (and 1 more)"]
    assert later_warnings({}) == []


def test_status_and_send_warn_before_a_program_goes_and_tell_what_became_of_it(tmp_path):
    with PtyLine() as control, house(tmp_path, lathe=machine(control, start="dc1")) as shop:
        note = (shop.shop / "lathe" / "STATUS.txt").read_text
        (shop.shop / "lathe" / "0007.NC").write_bytes(SLEEVE)
        shop.drop("lathe", "0004.nc", SLEEVE)
        shop.drop("lathe", "0005.nc", NO_END)
        until(lambda: "0005.nc: warning: line 3" in note())
        until(lambda: "not looked at: '0007.NC' lies beside to-machine/: move it into to-machine/" in note())
        shop.drop("lathe", "bad.nc", SLEEVE.replace(b"X1.", b"X\x01."))
        until(lambda: "refused bad.nc: see its receipt in refused/" in note())
        assert "refused bad.nc" in shop.dncd("status").stdout
        machines = json.loads(shop.dncd("status", "--json").stdout)["machines"]
        assert machines["lathe"]["last"]["event"] == "refused"
        assert list(machines["lathe"]["warnings"]) == ["0005.nc"]
        control.go()
        shop.receipt("lathe", "sent", "0004.nc")
        until(lambda: "1 to look at: refused bad.nc; see their receipts" in note())
        (shop.shop / "lathe" / "refused" / "bad.nc").unlink()
        until(lambda: "to look at" not in note(), 30)


def test_send_warns_while_there_is_time_to_take_it_back(tmp_path):
    with PtyLine() as control, house(tmp_path, lathe=machine(control, start="dc1")):
        (tmp_path / "0005.nc").write_bytes(NO_END)
        words = [sys.executable, "-m", "dncd", "--config", str(tmp_path / "dncd.toml"), "send", "lathe", "0005.nc"]
        with subprocess.Popen(words, cwd=tmp_path, env=ENV, stdout=subprocess.PIPE, text=True) as send:
            assert any(line.startswith("0005.nc: warning: line 3") for line in iter(send.stdout.readline, ""))
            control.go()
            assert "0005.nc: sent" in send.communicate(timeout=120)[0]


def test_what_was_pressed_too_early_is_said_in_the_words_of_the_machines_own_keys(tmp_path):
    with PtyLine() as control:
        lathe = machine(control, start="dc1")
        lathe["send"]["dc1_stays_s"] = 0
        lathe["keys"] = {"read": "INPUT", "reset": "CLEAR"}
        with house(tmp_path, lathe=lathe) as shop:
            control.go()
            assert shop.answers()
            shop.drop("lathe", "0004.nc", SLEEVE)
            until(lambda: "too long ago; press CLEAR, then INPUT" in (shop.shop / "lathe" / "STATUS.txt").read_text())
            assert "waits for INPUT: it was pressed at " in shop.dncd("status").stdout


def test_a_start_that_only_ended_a_hold_is_told_with_what_to_press():
    starts = Starts(SendSettings(), keys=Keys("INPUT", "PUNCH", "CLEAR"))
    core = SimpleNamespace(sender=SimpleNamespace(starts=starts, queue=SimpleNamespace(first=lambda: None)))
    starts.sending_ended(100.0)
    assert status._waits_for(core, 101.0) == "the control to say DC1: press INPUT at the control"
    starts.said(ReaderCode.DC3, 100.01)
    starts.said(ReaderCode.DC1, 101.0)
    said = status._waits_for(core, 102.0)
    assert re.fullmatch(
        r"INPUT: what came at \d\d:\d\d only ended a hold of the program before; press INPUT again", said
    )
    starts.said(ReaderCode.DC1, 104.0)
    assert "again" not in status._waits_for(core, 105.0)


def test_a_reload_of_a_mere_title_forgets_no_start(tmp_path):
    with PtyLine() as control, house(tmp_path, lathe=machine(control, start="dc1")) as shop:
        control.go()
        assert shop.answers()
        file = tmp_path / "dncd.toml"
        file.write_text(file.read_text() + '[machines.lathe]\ntitle = "Lathe, bay 2"\n')
        assert "changed: lathe" in shop.dncd("reload").stdout
        until(lambda: "lathe (Lathe, bay 2)" in (shop.shop / "lathe" / "STATUS.txt").read_text())
        shop.drop("lathe", "0004.nc", SLEEVE)
        assert shop.receipt("lathe", "sent", "0004.nc").get("result") == "sent"


@pytest.mark.parametrize(
    ("dc1_at", "dropped_at", "too_old"), [(None, 0.0, False), (10.0, 60.0, False), (10.0, 70.1, True)]
)
def test_a_dc1_is_too_old_once_it_stayed_its_time(dc1_at, dropped_at, too_old):
    assert StartWay(SendSettings(dc1_stays_s=60)).too_old(dc1_at, dropped_at) is too_old


def test_a_receipt_tells_people_first_and_then_has_its_record(tmp_path):
    with PtyLine() as control, house(tmp_path, lathe=machine(control)) as shop:
        shop.drop("lathe", "0004.nc", SLEEVE)
        sent = shop.receipt("lathe", "sent", "0004.nc")
        front, _, record = (shop.shop / "lathe/sent/0004.nc.receipt.txt").read_text().partition("\n\n")
        assert [line.partition(":")[0] for line in front.split("\n")] == ["what", "do"]
        assert front.endswith("O0004 (SLEEVE) was sent to lathe, all of it\n" + f"do: {sent.get('do')}")
        assert record.startswith("result: sent\nmachine: lathe\n")
        assert (front + record).count("prove out") == 1
        assert sent.get("time").endswith("Z"), "records have UTC"
        shop.drop("lathe", "note.txt", b"HELLO FRED\nPLEASE MAKE 10 OF THESE\n")
        refused = shop.receipt("lathe", "refused", "note.txt")
        assert "note.txt was not sent to lathe; it lies here" in refused.get("what")
        assert "this is no part program" in refused.get("why")
        assert refused.get("do").endswith("drop it into to-machine/ again")
        assert len(refused.all("reason")) == 1, "one cause, one sentence"


def test_a_punch_of_letter_salad_is_told_by_its_cause_and_gets_no_name_of_it(tmp_path):
    with PtyLine() as control, house(tmp_path, lathe=machine(control)) as shop:
        control.say(b"%\nO\x80008\n" + b"Y\x83X\x85\xffF\x7fcE\x9b" * 40 + b"\n%\n")
        damaged = shop.shop / "lathe/from-machine/damaged"
        (receipt,) = until(lambda: list(damaged.glob("*.receipt.txt")))
        assert receipt.name.startswith("UNNAMED-2")
        found = shop.receipt("lathe", "from-machine/damaged", receipt.name.removesuffix(".receipt.txt"))
        assert len(found.all("reason")) == 1
        assert "compare line.baud, line.frame and tape.code" in found.get("why")
        assert found.get("do").startswith("punch it out again")


# --- the words of commands ------------------------------------------------------------------------------------------

SHOP = '[machines.gang-lathe.line]\nport = "/dev/null"\n[machines.bore-mill.line]\nport = "/dev/ttyS9"\n'


@pytest.mark.parametrize(
    ("typed", "status", "told"),
    [
        (["status"], 3, "The service does not run. Start it: `dncd --config {file} run` (or `systemctl start dncd`)."),
        (["withdraw"], 2, "Which machine? gang-lathe, bore-mill"),
        (["status", "--config", "x.toml"], 2, "x.toml: there is no such settings file"),
        (["status", "--config", "{folder}"], 2, "{folder}: it is a folder, not a settings file."),
        (["trial", "gang-lathe"], 2, "There is no command 'trial'. Type: dncd line trial"),
        (["stauts"], 2, "There is no command 'stauts'. Did you mean 'status'?"),
        (["line", "helth"], 2, "There is no command 'helth'. Did you mean 'health'?"),
        (["manual", "trail"], 2, "Did you mean 'trial'?"),
        (["stop"], 2, "Type: dncd withdraw MACHINE"),
        (["show", "gang-lathe", "O0004", "-r", "abc"], 2, "--revision wants a whole number from 1: 'abc'"),
        (["show", "gang-lathe", "O0004", "-r", "0"], 2, "--revision wants a whole number from 1: 0"),
        (["help", "send"], 0, "Offer files to a machine"),
        (["help"], 0, "Commands:"),
        (["version"], 0, "dncd "),
    ],
)
def test_what_is_typed_wrong_is_told_with_what_to_type(tmp_path, capsys, typed, status, told):
    file = tmp_path / "shop.toml"
    file.write_text(SHOP)
    typed = [word.replace("{folder}", str(tmp_path)) for word in typed]
    assert main(["--config", str(file), *typed]) == status
    out, err = capsys.readouterr()
    assert told.format(file=file, folder=tmp_path) in out + err


def test_a_value_that_is_no_toml_is_told_with_how_it_is_written(tmp_path, capsys):
    file = tmp_path / "shop.toml"
    file.write_text(SHOP + "[machines.gang-lathe.program]\nsend_only_proven = yes\n")
    assert main(["--config", str(file), "check-config"]) == 2
    assert "true or false, text in quotes" in capsys.readouterr().err


def test_a_program_is_found_by_its_number_and_no_other_number_is_offered():
    assert [spelt(word) for word in ("4", "o4", "0004", "O0004", "BRACKET.1")] == ["O0004"] * 4 + ["BRACKET.1"]
    assert "O0014" in str(unknown("program", "O0004", ["O0014"], "the library"))
    assert "Did you mean" not in str(unknown("program", "O0004", ["O0014"], "the library"))
    assert "Did you mean 'BRACKET'?" in str(unknown("program", "BRACKE", ["BRACKET"], "the library"))


def test_a_withdrawal_in_mid_sending_says_that_the_control_holds_a_part(tmp_path):
    with PtyLine() as control, house(tmp_path, lathe=machine(control)) as shop:
        shop.drop("lathe", "0100.nc", text(LONG))
        control.read(50)
        control.hold()
        until(lambda: json.loads(shop.dncd("status", "--json").stdout)["machines"]["lathe"]["state"] == "held")
        told = shop.dncd("withdraw", "lathe").stdout
        assert "0100.nc is withdrawn; it lies in refused/ with its receipt" in told
        assert "which may hold a part of O0100: delete it there" in told


def test_no_count_is_more_than_its_whole():
    soak = Echo(sent=100, lost=100, added=78)
    assert Measures((), frozenset(), Echo(), 0, 0.0, 0.0, (), Echo(), soak, 38400).errors_per_million == 1e6


def test_a_key_that_was_pressed_before_anything_waited_is_told_in_the_terminal_and_in_status_txt_too():
    pressed = {"at": "2026-11-01T10:00:00Z", "until": "2026-11-01T10:01:00Z"}
    (line,) = last_lines({"pressed": pressed, "keys": {"read": "INPUT"}, "last": {"time": ""}})
    at, until = (moment(pressed[key]) for key in ("at", "until"))
    assert line == f"INPUT is pressed since {at}: what is dropped until {until} goes at once"
    assert last_lines({"pressed": {}, "keys": {"read": "INPUT"}, "last": {"time": ""}}) == []
