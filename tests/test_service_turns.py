"""What the next start brings, as office and operator meet it: a real service and a control at a pseudo-terminal."""

import hashlib
import json
import os
import signal
import subprocess
import sys
import time

import pytest
from house import house, machine, text
from pty_line import PtyLine
from waiting import until

from dncd.errors import RecordsError
from dncd.outside.command_client import ask
from dncd.peer_text import local_text
from dncd.records.orders import Batch, Order, Orders

SLEEVE = text(["O0004 (SLEEVE)", "N10 G00 X1.", "M30"])
FLANGE = text(["O0007 (FLANGE)", "N10 G00 X2.", "M30"])


def wire(data):
    """What the control hears of a file: LF block ends, even parity."""
    return bytes(b | (b.bit_count() % 2) << 7 for b in data.replace(b"\r\n", b"\n"))


def next_of(shop):
    return json.loads(shop.dncd("status", "--json").stdout)["machines"]["lathe"]["next"]


def looked_at(shop, file):
    return until(lambda: (found := next_of(shop)) and found["file"] == file and found["revision"] and found)


def notes(shop):
    return (shop.shop / "lathe" / "STATUS.txt").read_text()


def read_key(control, data):
    control.go()
    assert control.read(len(wire(data))) == wire(data)


def settings(control, **send):
    made = machine(control, start="dc1")
    made["send"] |= send
    return made


def test_status_tells_what_the_next_key_brings_with_revision_proof_and_warnings(tmp_path):
    with PtyLine() as control, house(tmp_path, lathe=settings(control)) as shop:
        shop.drop("lathe", "0004.nc", SLEEVE)
        first = looked_at(shop, "0004.nc")
        assert {key: first[key] for key in ("program", "title", "revision", "is_new", "proven", "warnings", "then")} == {
            "program": "O0004", "title": "SLEEVE", "revision": 1, "is_new": True, "proven": False, "warnings": [], "then": []
        }  # fmt: skip
        read_key(control, SLEEVE)
        shop.receipt("lathe", "sent", "0004.nc")
        assert shop.dncd("prove", "lathe", "O0004", "--note", "first part good").returncode == 0
        shop.drop("lathe", "again.nc", SLEEVE)
        shop.drop("lathe", "flange.nc", FLANGE.replace(b"M30\r\n", b""))
        until(lambda: next_of(shop)["then"] == ["O0007"])
        again = looked_at(shop, "again.nc")
        assert (again["revision"], again["is_new"], again["proven"], again["text_of"]) == (1, False, True, 1)
        assert again["dropped"].endswith("Z")
        until(lambda: "the next READ brings O0004 rev 1 SLEEVE, proven, dropped " in notes(shop))
        assert "; then O0007" in shop.dncd("status").stdout
        assert shop.dncd("next", "lathe", "flange.nc").stdout == "lathe: flange.nc goes next\n"
        told = looked_at(shop, "flange.nc")
        assert "no M02, M30 or M99" in told["warnings"][0]
        until(lambda: "warning: line 3" in notes(shop))
        read_key(control, FLANGE.replace(b"M30\r\n", b""))


def test_a_proof_is_told_of_a_file_that_waits_already(tmp_path):
    with PtyLine() as control, house(tmp_path, lathe=settings(control)) as shop:
        shop.drop("lathe", "0004.nc", SLEEVE)
        looked_at(shop, "0004.nc")
        read_key(control, SLEEVE)
        shop.receipt("lathe", "sent", "0004.nc")
        shop.drop("lathe", "again.nc", SLEEVE)
        assert not looked_at(shop, "again.nc")["proven"]
        assert shop.dncd("prove", "lathe", "O0004", "--note", "first part good").returncode == 0
        until(lambda: next_of(shop)["proven"])
        control.say(wire(SLEEVE.replace(b"X1.", b"X1.5")))
        until(lambda: next_of(shop)["revision"] == 3)


def test_two_files_with_a_day_between_them_wait_for_somebodys_word(tmp_path):
    """The disk's clock cannot be set back: the settings call three tenths of a second old."""
    with PtyLine() as control, house(tmp_path, lathe=settings(control, stale_h=0.3 / 3600)) as shop:
        old = shop.drop("lathe", "0004.nc", SLEEVE)
        looked_at(shop, "0004.nc")
        until(lambda: time.time() > old.stat().st_ctime + 0.5)
        shop.drop("lathe", "0007.nc", FLANGE)
        until(lambda: next_of(shop)["withheld"])
        control.go()
        until(lambda: "the next READ brings nothing: 0004.nc is in front" in notes(shop))
        assert "what to do: take it out of to-machine/, drop it again, or say `dncd next lathe 0004.nc`" in notes(shop)
        until(lambda: "start withheld" in (tmp_path / "run.log").read_text())
        assert shop.dncd("next", "lathe", "nobody.nc").returncode == 1
        assert shop.dncd("next", "lathe", "0007.nc").returncode == 0
        assert control.read(len(wire(FLANGE))) == wire(FLANGE)
        shop.receipt("lathe", "sent", "0007.nc")
        read_key(control, SLEEVE)  # one alone always goes
        shop.receipt("lathe", "sent", "0004.nc")


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL])
def test_a_batch_goes_on_where_it_was_after_a_restart(tmp_path, how):
    with PtyLine() as control, house(tmp_path, lathe=settings(control)) as shop:
        shop.drop("lathe", "0007.nc", FLANGE)
        looked_at(shop, "0007.nc")
        digest = hashlib.sha256(SLEEVE).hexdigest()
        ask(shop.state, {"do": "again", "machine": "lathe", "sha256": digest, "times": 3})
        shop.drop("lathe", "0004.nc", SLEEVE)
        until(lambda: next_of(shop)["then"] == ["O0004"])
        assert shop.dncd("next", "lathe", "0004.nc").returncode == 0
        until(lambda: next_of(shop)["of"] == "1 of 3")
        read_key(control, SLEEVE)
        until(lambda: next_of(shop).get("of") == "2 of 3")
        os.kill(shop.process.pid, how)
        shop.process.wait(120)
        shop.start(["lathe"])
        until(lambda: next_of(shop).get("of") == "2 of 3")
        assert looked_at(shop, "0004.nc")["then"] == ["O0007"]
        refused = shop.dncd("next", "lathe", "0007.nc")
        assert "0004.nc is in the middle of its batch: 1 of 3 went out" in refused.stderr
        read_key(control, SLEEVE)
        until(lambda: next_of(shop).get("of") == "3 of 3")
        assert not list((shop.shop / "lathe" / "sent").iterdir())
        read_key(control, SLEEVE)
        receipt = shop.receipt("lathe", "sent", "0004.nc")
        assert (receipt.get("of"), receipt.get("result")) == ("3 of 3", "sent")
        sent = [r for r in shop.ledger() if r["event"] == "sent"]
        assert [(r["file"], r["of"]) for r in sent] == [("0004.nc", f"{n} of 3") for n in (1, 2, 3)]
        assert receipt.get("first") == local_text(sent[0]["time"])
        assert len({r["transfer"] for r in sent}) == 3
        read_key(control, FLANGE)
        shop.receipt("lathe", "sent", "0007.nc")
        assert shop.dncd("verify").returncode == 0
        assert Orders(shop.state).of("lathe").batches == ()


def test_send_again_follows_a_batch_to_its_end(tmp_path):
    with PtyLine() as control, house(tmp_path, lathe=settings(control)) as shop:
        source = tmp_path / "0004.nc"
        source.write_bytes(SLEEVE)
        words = [sys.executable, "-m", "dncd", "--config", str(tmp_path / "dncd.toml"), "send", "--again", "2", "lathe"]
        sender = subprocess.Popen([*words, str(source)], stdout=subprocess.PIPE, text=True)
        for piece in ("1 of 2", "2 of 2"):
            until(lambda piece=piece: next_of(shop).get("of") == piece)
            assert sender.poll() is None
            read_key(control, SLEEVE)
        said, _ = sender.communicate(timeout=120)
        assert sender.returncode == 0
        assert "0004.nc: sent" in said


def test_an_order_that_cannot_be_read_stops_its_machine_until_somebody_says_what_is_next(tmp_path):
    (tmp_path / "state" / "orders").mkdir(parents=True)
    (tmp_path / "state" / "orders" / "lathe.json").write_text("{")
    with PtyLine() as control, house(tmp_path, lathe=settings(control)) as shop:
        shop.drop("lathe", "0004.nc", SLEEVE)
        until(lambda: "a batch may be in the middle" in notes(shop))
        until(lambda: next_of(shop))
        assert shop.dncd("next", "lathe", "0004.nc").returncode == 0
        until(lambda: "batch" not in notes(shop))
        read_key(control, SLEEVE)


# --- the records of it -----------------------------------------------------------------------------------------------------
def test_a_batch_is_counted_once_however_often_it_is_told(tmp_path):
    orders = Orders(tmp_path)
    orders.ask("lathe", "abc", 3)
    asked = orders.batch("lathe", "0004.nc", "abc")
    assert (asked, asked.piece) == (Batch("abc", 3), "1 of 3")
    for _ in range(2):
        orders.count("lathe", Batch("abc", 3, 1, "0004.nc", "T"))
    assert Orders(tmp_path).of("lathe") == Order("lathe", batches=(Batch("abc", 3, 1, "0004.nc", "T"),))
    edited = orders.batch("lathe", "0004.nc", "other contents")
    assert edited.piece == "2 of 3"
    assert not orders.batch("lathe", "other.nc", "abc").sha256
    orders.over("lathe", "0004.nc", edited)
    assert Orders(tmp_path).of("lathe").batches == ()


def test_a_batch_whose_file_is_gone_counts_no_other_program_of_its_name(tmp_path):
    orders = Orders(tmp_path)
    orders.ask("lathe", "asked for, not begun", 2)
    orders.count("lathe", Batch("abc", 3, 1, "0004.nc", "T"))
    orders.put("lathe", {"0004.nc": 0}, ())
    assert orders.batch("lathe", "0004.nc", "edited").piece == "2 of 3"
    orders.put("lathe", {}, ())  # its file went away, as a first look after a restart finds
    assert not orders.batch("lathe", "0004.nc", "another program").piece
    assert Orders(tmp_path).of("lathe").batches == (Batch("asked for, not begun", 2),)


def test_the_end_of_one_file_leaves_the_batch_of_another_with_the_same_contents(tmp_path):
    orders = Orders(tmp_path)
    before = orders.batch("lathe", "a.nc", "abc")  # checked before somebody asked
    orders.ask("lathe", "abc", 3)
    orders.over("lathe", "a.nc", before)
    assert orders.batch("lathe", "b.nc", "abc").piece == "1 of 3"
    orders.over("lathe", "b.nc", Batch("abc", 3))  # refused or withdrawn before its first piece
    assert orders.of("lathe").batches == ()


def test_an_order_that_cannot_be_read_is_released_by_who_says_what_is_next_alone_and_kept(tmp_path):
    path = tmp_path / "orders" / "lathe.json"
    Orders(tmp_path)
    path.write_bytes(b"{torn")
    orders = Orders(tmp_path)
    with pytest.raises(RecordsError, match="a batch may be in the middle"):
        orders.ask("lathe", "abc", 3)
    orders.count("lathe", Batch("abc", 3, 1, "0004.nc", "T"))  # the end of a piece that the last run left
    assert (path.read_bytes(), list(Orders(tmp_path).problems)) == (b"{torn", ["lathe"])
    orders.put("lathe", {"0004.nc": 7}, ())
    assert not orders.problems
    assert Orders(tmp_path).of("lathe") == Order("lathe", {"0004.nc": 7}, (), (Batch("abc", 3, 1, "0004.nc", "T"),))
    assert (tmp_path / "orders" / "unreadable-lathe.json.bytes").read_bytes() == b"{torn"


def test_a_standing_count_is_a_batch_of_its_own_for_each_file(tmp_path):
    orders = Orders(tmp_path)
    assert orders.batch("lathe", "a.nc", "abc", 5) == Batch("abc", 5)
    orders.ask("lathe", "abc", 1)
    assert orders.batch("lathe", "a.nc", "abc", 5) == Batch("abc", 1)
