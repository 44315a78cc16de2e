"""Proven revisions: signed off at the machine, and all that is sent where only proven ones may be."""

import contextlib
import errno
import hashlib
import json
import os
import shutil
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from failing_disk import FailingDisk, Kill, steps, used
from house import fits_schema
from station_jobs import jobs_of
from station_rig import rig
from waiting import until

from dncd.cli import main
from dncd.errors import NotDoneError, RecordsError, StateHeldError, UsageError
from dncd.outside.command_client import ask
from dncd.records import state_format
from dncd.records.holdings import Holdings
from dncd.records.ledger import Ledger, records
from dncd.records.library import Text, Writer
from dncd.records.proving import Signing, Standing, prove
from dncd.records.receipts import parse
from dncd.records.verify import verify
from dncd.service.signing import sign, sign_for
from dncd.values import (
    Frame,
    LineSettings,
    MachineSettings,
    Origin,
    ProgramSettings,
)

MACHINE, PROGRAM = "gang-lathe", "O0004"
TEXTS = [f"O0004 (PUMP SHAFT)\nN10 G01 X1. F0.{n}\nM30\n" for n in (15, 10, 12)]
GOOD = Signing(MACHINE, PROGRAM, "order 1187, first part measured", "R. Foreman", 2)


class House:
    """A state folder with three revisions of a program."""

    def __init__(self, root: Path) -> None:
        self.state = root / "state"
        self.ledger = Ledger.open(self.state)
        self.library = Writer(self.state)

    def fill(self) -> None:
        for n, text in enumerate(TEXTS, 1):
            made = self.library.revise(MACHINE, PROGRAM, Text.of(text.encode()), Origin.OFFICE, {})
            self.sent(n, made.commit)

    def sent(self, number: int, commit: str = "") -> None:
        said = {"machine": MACHINE, "program": PROGRAM, "revision": number}
        self.ledger.append("sent", {**said, **({"commit": commit} if commit else {})})

    def prove(self, signing: Signing = GOOD):
        return prove(self.ledger, self.library, Holdings.read(self.state), signing)

    def signed(self) -> list[dict[str, object]]:
        return [line for line in records(self.state) if line["event"] == "proven"]

    def git(self, *words: str) -> str:
        done = subprocess.run(
            ["git", f"--git-dir={self.state / 'library.git'}", *words], capture_output=True, text=True, check=True
        )
        return done.stdout

    def close(self) -> None:
        self.ledger.close()
        self.library.close()


@pytest.fixture
def house(tmp_path: Path):
    made = House(tmp_path)
    made.fill()
    yield made
    made.close()


# --- on record -------------------------------------------------------------------------------------------------------


def test_a_signature_stands_in_the_ledger_alone(house: House) -> None:
    done = house.prove()
    assert (done.new, done.signed.revision, done.signed.by) == (True, 2, "R. Foreman")
    (line,) = house.signed()
    commit = house.library.history(MACHINE, PROGRAM)[1].commit
    assert {key: line[key] for key in ("machine", "program", "revision", "commit", "note", "by")} == {
        "machine": MACHINE,
        "program": PROGRAM,
        "revision": 2,
        "commit": commit,
        "note": GOOD.note,
        "by": GOOD.by,
    }
    assert house.git("for-each-ref", "--format=%(refname)") == "refs/heads/main\n"
    assert house.git("rev-list", "--count", "main").strip() == "3"
    assert verify(house.state, house.state.parent / "shop").problems == ()


def test_said_again_it_is_on_record_once_and_other_words_are_added(house: House) -> None:
    first = house.prove()
    again = house.prove()
    assert (again.new, again.signed) == (False, first.signed)
    assert len(house.signed()) == 1
    other = house.prove(Signing(MACHINE, PROGRAM, "second order", "R. Foreman", 2))
    assert other.new
    assert len(house.signed()) == 2


def test_notes_that_0_1_0_or_somebody_made_are_left_alone(house: House) -> None:
    one = house.library.history(MACHINE, PROGRAM)[0]
    who = ("-c", "user.name=x", "-c", "user.email=x@localhost")
    house.git(*who, "notes", "--ref=proven", "add", "-m", "by hand", one.commit)
    before = house.git("rev-parse", "refs/notes/proven")
    house.prove(Signing(MACHINE, PROGRAM, "mine", "me", 1))
    assert house.git("rev-parse", "refs/notes/proven") == before
    assert verify(house.state, house.state.parent / "shop").problems == ()


@pytest.mark.parametrize("way", [pytest.param(errno.ENOSPC, marks=pytest.mark.slow), Kill])
def test_cut_at_each_operation_and_said_again(tmp_path: Path, way: object) -> None:
    start = tmp_path / "start"
    first = House(start)
    first.fill()
    first.close()

    def flow(root: Path) -> None:
        house = House(root)
        try:
            house.prove()
        finally:
            with contextlib.suppress(Exception):
                house.close()

    shutil.copytree(start, tmp_path / "count")
    for k in steps(lambda: flow(tmp_path / "count")):
        root = tmp_path / "cut"
        shutil.copytree(start, root)
        with contextlib.suppress(Exception, Kill), used(FailingDisk(k, way)):
            flow(root)
        after = House(root)
        after.prove()
        after.git("fsck", "--strict")
        report = verify(after.state, root / "shop")
        assert (report.problems, report.notes) == ((), ()), f"cut at {k}"
        assert len(after.signed()) == 1, f"cut at {k}"
        after.close()
        shutil.rmtree(root)


def test_without_a_number_it_is_what_the_control_is_known_to_hold(house: House) -> None:
    asked = Signing(MACHINE, PROGRAM, "good", "me")
    assert house.prove(asked).signed.revision == 3
    house.sent(2)
    with pytest.raises(NotDoneError, match=r"newest revision is 3.*hold revision 2 \(sent\)"):
        house.prove(asked)
    house.ledger.append("interrupted", {"machine": MACHINE, "program": PROGRAM, "revision": 3})
    with pytest.raises(NotDoneError, match="in part"):
        house.prove(asked)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (Signing(MACHINE, PROGRAM, " \n", "me", 1), "--note: it has 0 characters"),
        (Signing(MACHINE, PROGRAM, "x" * 501, "me", 1), "--note: it has 501 characters"),
        (Signing(MACHINE, PROGRAM, "good", "", 1), "--by: it has 0 characters"),
        (Signing(MACHINE, PROGRAM, "good", "me", 4), "there is no revision 4"),
        (Signing(MACHINE, "O0005", "good", "me", 1), "no such program"),
    ],
)
def test_what_cannot_be_signed(house: House, wrong: Signing, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        house.prove(wrong)
    assert house.signed() == []


def test_a_note_of_several_lines_is_one(house: House) -> None:
    house.prove(Signing(MACHINE, PROGRAM, "good\n\nBy: somebody else\x1b[2J", "me", 1))
    assert house.signed()[0]["note"] == r"good By: somebody else\x1b[2J"


def test_the_same_text_under_a_later_number_is_proven(house: House) -> None:
    house.prove()
    again = house.library.revise(MACHINE, PROGRAM, Text.of(TEXTS[1].encode()), Origin.OFFICE, {})
    standing = Standing(house.library, Holdings.read(house.state), MACHINE)
    assert again.number == 4
    found = [standing.of_revision(PROGRAM, n) for n in range(6)]
    assert [signed.revision if signed else None for signed in found] == [None, None, 2, None, 2, None]


def test_verify_misses_what_is_gone(house: House) -> None:
    house.prove()
    commit = house.library.history(MACHINE, PROGRAM)[0].commit
    wrong = {"machine": MACHINE, "program": PROGRAM, "revision": 3, "commit": commit, "note": "x", "by": "y"}
    house.ledger.append("proven", wrong)
    report = verify(house.state, house.state.parent / "shop")
    assert any("ledger line 5 says gang-lathe/O0004 revision 3" in p for p in report.problems)
    assert report.notes == ()


# --- at the command line -----------------------------------------------------------------------------------------------


@pytest.fixture
def words(house: House, capsys: pytest.CaptureFixture[str]):
    house.close()
    file = house.state.parent / "dncd.toml"
    file.write_text('[machines.gang-lathe.line]\nport = "/dev/ttyS0"\n')

    def run(*line: str) -> tuple[int, str, str]:
        status = main(["--config", str(file), *line])
        return (status, *capsys.readouterr())

    yield run
    house.ledger, house.library = Ledger.open(house.state), Writer(house.state)


def test_prove_and_what_the_commands_say_then(words) -> None:
    status, out, _ = words("prove", MACHINE, PROGRAM, "-r", "2", "--note", "first part good", "--by", "R. Foreman")
    assert status == 0
    assert out.startswith("gang-lathe: O0004, revision 2 is proven: first part good (R. Foreman, 20")
    _, out, _ = words("prove", MACHINE, PROGRAM, "-r", "2", "--note", "first part good", "--by", "R. Foreman", "--json")
    done = json.loads(out)
    assert (done["revision"], done["new"], done["by"]) == (2, False, "R. Foreman")
    assert fits_schema("prove", done)
    (program,) = json.loads(words("programs", MACHINE, "--json")[1])
    assert (program["proven"], program["last_proven"]) == (None, 2)
    assert "no (revision 2 is)" in words("programs", MACHINE)[1]
    shown = json.loads(words("show", MACHINE, PROGRAM, "-r", "2", "--json")[1])
    assert shown["proven"] == {"revision": 2, "time": done["time"], "by": "R. Foreman", "note": "first part good"}
    assert json.loads(words("show", MACHINE, PROGRAM, "--json")[1])["proven"] is None
    assert "(revision 2, first part good, signed R. Foreman)" in words("log")[1]
    assert words("prove", MACHINE, PROGRAM, "--note", "third", "--by", "me")[0] == 0
    (program,) = json.loads(words("programs", MACHINE, "--json")[1])
    assert (program["proven"]["revision"], program["last_proven"]) == (3, 3)
    assert "yes, 20" in words("programs", MACHINE)[1]
    assert words("verify")[0] == 0


def test_what_prove_refuses(words) -> None:
    assert words("prove", MACHINE, PROGRAM)[0] == 2
    status, _, said = words("prove", MACHINE, "O0005", "--note", "x")
    assert (status, "no such program" in said) == (2, True)
    assert words("prove", "gang-lath", PROGRAM, "--note", "x")[0] == 2


def test_nobody_signs_beside_a_service_that_has_the_state(house: House) -> None:
    lock = state_format.hold(house.state / "service.lock")
    try:
        with pytest.raises(StateHeldError):
            sign(house.state, GOOD)
    finally:
        os.close(lock)


# --- sending -----------------------------------------------------------------------------------------------------------


class Shop:
    """One machine's jobs without a line."""

    def __init__(self, root: Path, only: bool, opened: contextlib.ExitStack) -> None:
        settings = ProgramSettings(send_only_proven=only)
        machine = MachineSettings(MACHINE, LineSettings("x", frame=Frame.parse("7E2")), program=settings)
        self.folder = root / "shop" / MACHINE
        self.jobs = opened.enter_context(jobs_of(root, machine))
        self.office = self.jobs.store

    def send(self, name: str, text: str):
        """Checks, prepares, sends; the receipt."""
        path = self.folder / "to-machine" / name
        path.write_text(f"%\n{text}%\n")
        told = self.jobs.send(name)
        return parse(Path(told.receipt).read_text())

    def prove(self, number: int = 0, program: str = PROGRAM) -> None:
        signing = Signing(MACHINE, program, "good part", "me", number)
        prove(self.office.ledger, self.office.library, self.office.holdings(), signing)


@pytest.fixture
def shop(tmp_path: Path, request: pytest.FixtureRequest):
    with contextlib.ExitStack() as opened:
        yield Shop(tmp_path, getattr(request, "param", True), opened)


@pytest.mark.parametrize("shop", [False], indirect=True)
def test_a_receipt_says_whether_it_is_proven(shop: Shop) -> None:
    assert shop.send("a.nc", TEXTS[0]).get("proven") == "no"
    shop.prove()
    assert shop.send("a.nc", TEXTS[0]).get("proven").startswith("yes, revision 1, 20")
    assert shop.send("a.nc", TEXTS[1]).get("proven") == "no"
    two = shop.send("two.nc", TEXTS[0] + "O0005\nM30\n").all("proven")
    assert two[0].startswith("O0004: yes, revision 1, ")
    assert two[1:] == ("O0005: no",)


def test_only_what_is_proven_goes_out(shop: Shop) -> None:
    first = shop.send("a.nc", TEXTS[0])
    assert first.get("result") == "refused"
    assert "O0004: not proven at this machine with this text" in first.all("reason")[0]
    lies = shop.folder / "refused/a.nc"
    assert f"`dncd send --to-prove gang-lathe {lies}`" in first.all("reason")[1], "it can be typed as it stands"
    assert "`dncd prove gang-lathe O0004 --note TEXT`" in first.all("reason")[1]
    shop.jobs.sends.gates.leaves.give("to-prove", hashlib.sha256(f"%\n{TEXTS[0]}%\n".encode()).hexdigest())
    supervised = shop.send("a.nc", TEXTS[0])
    assert supervised.get("result") == "sent"
    assert supervised.get("proven") == "no"
    assert "sent for its prove-out" in supervised.get("warning")
    assert shop.send("a.nc", TEXTS[0]).get("result") == "refused", "one asking sends it once"
    shop.prove()
    assert shop.send("a.nc", TEXTS[0]).get("result") == "sent"
    assert shop.send("a.nc", TEXTS[1]).get("result") == "refused"
    spelt = shop.send("a.nc", TEXTS[0].replace(" ", "").replace("G01", "(HERE)G1"))
    assert spelt.get("proven").startswith("yes, revision 1, 20"), "the same in substance"
    both = shop.send("both.nc", TEXTS[0] + "O0005\nM30\n")
    assert both.get("result") == "refused"
    assert both.all("reason")[0].startswith("O0005: not proven")


def test_a_start_knows_what_was_proven_before(tmp_path: Path) -> None:
    """The ledger of the run before is read before the first file is judged."""
    house = House(tmp_path)
    house.fill()
    house.prove()
    house.close()
    with contextlib.ExitStack() as opened:
        assert Shop(tmp_path, True, opened).send("a.nc", TEXTS[1]).get("result") == "sent"


def test_the_service_signs_in_its_records_thread(tmp_path: Path) -> None:
    machine = MachineSettings(MACHINE, LineSettings("x", frame=Frame.parse("7E2")))
    with rig(tmp_path, machine) as bay:
        bay.office.library.revise(MACHINE, PROGRAM, Text.of(TEXTS[0].encode()), Origin.OFFICE, {})
        box: list[object] = []

        def ask() -> None:
            request = {"do": "prove", "program": PROGRAM, "revision": 1, "note": "good", "by": "me"}
            box.append(sign_for(MACHINE, bay.office, bay.hands, request))

        asking = threading.Thread(target=ask)
        asking.start()
        bay.until(lambda: box)
        asking.join()
        assert box[0]["revision"] == 1
        assert [line["by"] for line in bay.ledger("proven")] == ["me"]


# --- the whole of it -------------------------------------------------------------------------------------------------


def test_a_running_service_signs_and_sends_for_a_prove_out(house: House, capsys: pytest.CaptureFixture[str]) -> None:
    house.close()
    root = house.state.parent
    port = f'port = "{root}/no-such-port"'
    only = "[machines.gang-lathe.program]\nsend_only_proven = true\n"
    (root / "dncd.toml").write_text(f"[shop]\nsettle_s = 0.1\n[machines.gang-lathe.line]\n{port}\n{only}")
    config = ["--config", str(root / "dncd.toml")]
    (root / "0004.nc").write_text(f"%\n{TEXTS[1]}%\n")
    with contextlib.ExitStack() as stack:
        running = stack.enter_context(
            subprocess.Popen(
                [sys.executable, "-m", "dncd", *config, "run"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
            )
        )
        stack.callback(running.kill)
        until((house.state / "dncd.sock").exists, folder=root)
        assert main([*config, "send", MACHINE, str(root / "0004.nc")]) == 1
        assert "not proven at this machine" in capsys.readouterr().out
        following = stack.enter_context(
            subprocess.Popen(
                [sys.executable, "-m", "dncd", *config, "send", "--to-prove", MACHINE, str(root / "0004.nc")],
                stdout=subprocess.DEVNULL,
            )
        )
        stack.callback(following.kill)
        until(lambda: ask(house.state, {"do": "status"})["machines"][MACHINE]["waiting"] == ["0004.nc"], folder=root)
        assert main([*config, "prove", MACHINE, PROGRAM, "-r", "2", "--note", "good", "--by", "me"]) == 0
        running.terminate()
        assert running.wait(120) == 0
    assert [(line["revision"], line["by"]) for line in house.signed()] == [(2, "me")]
    assert [line["event"] for line in records(house.state) if line["event"] in ("refused", "proven")] == [
        "refused",
        "proven",
    ]
    assert verify(house.state, root / "shop").problems == ()
    house.ledger, house.library = Ledger.open(house.state), Writer(house.state)


def test_without_a_library_nothing_is_made(tmp_path):
    """A wrong settings file must not leave a state folder of the wrong owner behind."""
    with pytest.raises(RecordsError, match="there is no library"):
        sign(tmp_path / "state", Signing("gang-lathe", "O0001", "first part", "shift 2", 0))
    assert not (tmp_path / "state").exists()
