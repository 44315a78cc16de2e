"""The service as its users meet it: a real `dncd run`, folders, and a control at the other end of a pseudo-terminal."""

import hashlib
import json
import os
import pty
import subprocess
import sys
import tty

import pytest
from house import LONG, build, house, machine, text, toml
from programs import NIST
from waiting import until

from dncd.choices import TapeCode
from dncd.records.receipts import parse
from dncd.standin.control import StandIn
from dncd.standin.yard import Yard


@pytest.mark.parametrize("blocks", [LONG[:130], pytest.param(LONG, marks=pytest.mark.slow)], ids=["short", "12,000"])
def test_a_slow_control_with_a_small_memory_loses_nothing(tmp_path, blocks):
    """At 9600 baud into 500 characters a second and a memory of 512: 0 lost, at most `ahead` after DC3."""
    control = StandIn(build(reads_per_s=500))
    with Yard(control), house(tmp_path, lathe=machine(control, start="dc1")) as shop:
        shop.drop("lathe", "long.nc", text(blocks))
        until(lambda: "waiting" in (shop.shop / "lathe" / "STATUS.txt").read_text())
        control.read_in()
        receipt = shop.receipt("lathe", "sent", "long.nc")
        assert receipt.get("result") == "sent"
        assert control.wait_for(lambda: 100 in numbers(control), 120)
        figures = control.figures()
        assert figures.lost == 0
        assert figures.holds >= 3
        assert max(figures.after_dc3) <= 8
        stored = next(p for p in control.memory.programs.values())
        assert list(stored.blocks) == blocks
        sent = [r for r in shop.ledger() if r["event"] == "sent"]
        assert sent[0]["wire_chars"] == len("\n".join(["%", *blocks, "%", ""]))


def taken(control, chars):
    return control.wait_for(lambda: control.figures().taken >= chars, 120)


def numbers(control):
    return {int("".join(c for c in str(number) if c.isdigit())) for number in control.memory.programs}


ODD = {
    "crlf.nc": (text(["O1", "M30"]), "O1\nM30\n"),
    "cr.nc": (text(["O2", "M30"], "\r"), "O2\nM30\n"),
    "tabs.nc": (text(["O3", "N1\tG00\tX1.", "M30"]), "O3\nN1\tG00\tX1.\nM30\n"),
    "bom.nc": (b"\xef\xbb\xbf" + text(["O4", "M30"]), "O4\nM30\n"),
    "blanks.nc": (text(["O5  ", "N1 X1.   ", "", "M30"]), "O5  \nN1 X1.   \n\nM30\n"),
    "noend.nc": (b"%\nO6\nM30\n%", "O6\nM30\n"),
    "semicolon.nc": (text(["O7;", "M30;"]), "O7;\nM30;\n"),
    "sub.nc": (text(["O8", "M30"]) + b"\x1a\0\r\n", "O8\nM30\n"),
    "several.nc": (text(["O0010", "M30", "O0011", "M99"]), "O0010\nM30\nO0011\nM99\n"),
    "named.nc": (text(["N1 G00 X1.", "M30"], opening="%SHAFT"), "N1 G00 X1.\nM30\n"),
}


@pytest.mark.slow
def test_odd_files_and_nist_programs_go_out_and_come_back_unchanged(tmp_path):
    """Files as offices have them, and the four programs of NISTIR 6556 (vectors marked verified, text copy)."""
    programs = {f"nist-{p['id']}.nc": ("\n".join(p["lines"]).encode(), "\n".join([*p["lines"], ""])) for p in NIST}
    wires = {}
    control = StandIn(build(baud=115200))
    settings = machine(control, baud=115200)
    with Yard(control), house(tmp_path, lathe=settings) as shop:
        for name, (data, body) in {**ODD, **programs}.items():
            before = control.figures().taken
            shop.drop("lathe", name, data)
            assert shop.receipt("lathe", "sent", name).get("sha256") == hashlib.sha256(data).hexdigest()
            opening = "%SHAFT" if name == "named.nc" else "%"
            wires[name] = f"{opening}\n{body}%\n"
            wanted = before + len(wires[name])
            assert taken(control, wanted)
        sent = {r["file"]: r for r in shop.ledger() if r["event"] == "sent"}
        for name, wire in wires.items():
            coded = bytes(b | (b.bit_count() % 2) << 7 for b in wire.encode())
            assert sent[name]["wire_sha256"] == hashlib.sha256(coded).hexdigest(), name
        git = subprocess.run(
            ["git", "--git-dir", str(shop.state / "library.git"), "fsck", "--strict"], capture_output=True, check=False
        )
        assert git.returncode == 0, git.stderr
        assert shop.dncd("verify").returncode == 0


def test_what_is_no_program_ends_in_a_receipt_or_is_left_alone(tmp_path):
    control = StandIn(build())
    with Yard(control), house(tmp_path, lathe=machine(control)) as shop:
        folder = shop.shop / "lathe" / "to-machine"
        (tmp_path / "elsewhere.nc").write_bytes(text(["O9", "M30"]))
        (folder / "link.nc").symlink_to(tmp_path / "elsewhere.nc")
        (folder / "folder.nc").mkdir()
        os.mkfifo(folder / "pipe.nc")
        bad = {
            "binary.nc": bytes(range(256)) * 40,
            "zeros.nc": bytes(50_000_000),
            "empty.nc": b"",
            "two\nlines ..%2f.nc": b"%\nO1\n\x07\n%\n",
        }
        for name, data in bad.items():
            shop.drop("lathe", name, data)
        refused = shop.shop / "lathe" / "refused"
        found = until(
            lambda: len(list(refused.glob("*.receipt.txt"))) == len(bad) and list(refused.glob("*.receipt.txt"))
        )
        for path in found:
            receipt = parse(path.read_text())
            assert receipt.get("result") == "refused"
            assert receipt.get("reason"), path
        shop.drop("lathe", "good.nc", text(["O10", "M30"]))
        assert shop.receipt("lathe", "sent", "good.nc").get("result") == "sent"
        assert {p.name for p in folder.iterdir()} == {"link.nc", "folder.nc", "pipe.nc"}


@pytest.mark.parametrize(("code", "frame"), [("iso", "7E1"), ("eia", "8N1")])
def test_stop_in_the_middle_is_interrupted_with_receipt_and_ledger_line(tmp_path, code, frame):
    control = StandIn(build(TapeCode(code), frame, 1200))
    with Yard(control), house(tmp_path, lathe=machine(control, code, frame, 1200)) as shop:
        shop.drop("lathe", "long.nc", text(LONG[:100]))
        assert control.wait_for(lambda: control.figures().taken > 50, 120)
        assert shop.stop() == 0
        assert shop.receipt("lathe", "refused", "long.nc").get("result") == "interrupted"
        assert [r["event"] for r in shop.ledger()][-2:] == ["interrupted", "stopped"]
        assert (shop.shop / "lathe" / "refused" / "long.nc").read_bytes() == text(LONG[:100])
        assert "does not run" in (shop.shop / "lathe" / "STATUS.txt").read_text()


def killed(shop):
    shop.process.kill()
    shop.process.wait(120)


@pytest.mark.slow
def test_killed_in_a_capture_keeps_every_character_that_was_caught(tmp_path):
    """SIGKILL while the control punches: at the next start the capture is on record as damaged, raw characters and all."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    line = {"port": os.ttyname(slave), "baud": 9600, "frame": "7E1"}
    sent = bytes(b | (b.bit_count() % 2) << 7 for b in b"%\nO0042\nN10 G00 X1.\nN20 G01")
    with house(tmp_path, lathe={"line": line}) as shop:
        os.write(master, sent)
        captures = shop.state / "captures"
        until(lambda: [p for p in captures.glob("*.raw") if p.stat().st_size == len(sent)])
        killed(shop)
        shop.start(["lathe"])
        receipt = shop.receipt("lathe", "from-machine/damaged", "O0042.nc")
        assert receipt.get("result") == "damaged"
        assert [p.read_bytes() for p in captures.glob("*.damaged.raw")] == [sent]
        assert [r["event"] for r in shop.ledger()].count("damaged") == 1
        killed(shop)
        shop.start(["lathe"])  # once more: nothing is told twice
        assert [r["event"] for r in shop.ledger()].count("damaged") == 1
        assert shop.dncd("verify").returncode == 0
    os.close(master)
    os.close(slave)


@pytest.mark.slow
def test_killed_in_a_sending_is_told_once_and_never_sent_again(tmp_path):
    control = StandIn(build(baud=1200))
    with Yard(control), house(tmp_path, lathe=machine(control, baud=1200)) as shop:
        shop.drop("lathe", "long.nc", text(LONG[:100]))
        assert control.wait_for(lambda: control.figures().taken > 50, 120)
        killed(shop)
        shop.start(["lathe"])
        assert shop.receipt("lathe", "refused", "long.nc").get("result") == "interrupted"
        assert (shop.shop / "lathe" / "refused" / "long.nc").read_bytes() == text(LONG[:100])
        assert [r["event"] for r in shop.ledger() if r.get("file") == "long.nc"] == ["interrupted"]
        assert not list((shop.state / "underway").iterdir())


@pytest.mark.parametrize(("table", "key", "value"), [("line", "flow", "rts/cts"), ("send", "start_on", "dsr")])
def test_a_port_without_the_modem_lines_that_are_needed_ends_the_start(tmp_path, table, key, value):
    """Never an approximation: without CTS nobody could stop the sending."""
    master, slave = pty.openpty()
    line = {"port": os.ttyname(slave), "baud": 9600, "frame": "7E1"}
    tables = {"line": line}
    tables.setdefault(table, {})[key] = value
    lines = []
    for name, keys in tables.items():
        lines += [f"[machines.lathe.{name}]", *(f"{k} = {toml(v)}" for k, v in keys.items())]
    (tmp_path / "dncd.toml").write_text("\n".join(lines))
    words = [sys.executable, "-m", "dncd", "--config", str(tmp_path / "dncd.toml"), "run"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 2
    assert "lathe" in done.stderr
    assert value in done.stderr
    assert "Traceback" not in done.stderr
    os.close(master)
    os.close(slave)


def ends(records, expected):
    found = [r for r in records if r["event"] in ("received", "damaged")]
    return found if len(found) >= expected else None


def come_back(root, code, frame, files):
    """Drops each file; what went over the line is punched back as it came. Returns what was refused, by name."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    tables = {
        "line": {"port": os.ttyname(slave), "baud": 115200, "frame": frame},
        "tape": {"code": code},
        "send": {"start_on": "now"},
        "receive": {"silence_s": 0.5},
        "program": {"lower_case": "keep"},
    }
    refused = {}
    with house(root, mill=tables) as shop:
        for name, (data, body) in files.items():
            shop.drop("mill", name, data)
            folder = shop.shop / "mill"
            until(lambda n=name, f=folder: any((f / w / f"{n}.receipt.txt").exists() for w in ("sent", "refused")))
            if (folder / "refused" / f"{name}.receipt.txt").exists():
                refused[name] = shop.receipt("mill", "refused", name)
                continue
            chars = shop.ledger()[-1]["wire_chars"]
            wire = b""
            while len(wire) < chars:
                wire += os.read(master, chars - len(wire))
            before, expected = len(shop.ledger()), 2 if name == "several.nc" else 1
            os.write(master, wire)
            told = until(lambda n=before, e=expected: ends(shop.ledger()[n:], e))
            assert {r["event"] for r in told} == {"received"}, (name, told)
            assert {r["wire_sha256"] for r in told} == {hashlib.sha256(wire).hexdigest()}, name
            got = ""
            for record in told:
                receipt = shop.receipt("mill", "from-machine", record["file"])
                delivered = (folder / "from-machine" / record["file"]).read_bytes()
                assert receipt.get("sha256") == hashlib.sha256(delivered).hexdigest()
                got += delivered.decode().replace("\r\n", "\n").split("\n", 1)[1].removesuffix("%\n")
            assert got == body, name
        check = json.loads(shop.dncd("status", "--json").stdout)["machines"]["mill"]["checked"]
        matched = [r for r in shop.ledger() if r["event"] == "matched"][-1]
        assert check == {key: matched[key] for key in ("program", "revision", "time")}
        assert shop.dncd("verify").returncode == 0
    os.close(master)
    os.close(slave)
    return refused


@pytest.mark.slow
def test_what_went_out_comes_back_unchanged(tmp_path):
    """Odd files and the NISTIR 6556 programs, in ISO all of them; in EIA those that it carries, the others with place."""
    programs = {f"nist-{p['id']}.nc": ("\n".join(p["lines"]).encode(), "\n".join([*p["lines"], ""])) for p in NIST}
    files = {**ODD, **programs}
    (tmp_path / "iso").mkdir()
    (tmp_path / "eia").mkdir()
    assert come_back(tmp_path / "iso", "iso", "7E1", files) == {}
    refused = come_back(tmp_path / "eia", "eia", "8N1", files)
    assert set(refused) == {"semicolon.nc", *programs}
    for receipt in refused.values():
        assert "line" in receipt.get("reason")
        assert "column" in receipt.get("reason")
