"""Two people in the office and an operator change one program: every text is kept, no unseen edit is overwritten.

The jobs of both directions are real (library, ledger, folders); the control is a text that sendings replace.
"""

import contextlib
import itertools
import subprocess
import time

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from station_jobs import jobs_of

from dncd.choices import MachineEdits
from dncd.records.ledger import records
from dncd.records.receipts import parse
from dncd.station.gates import LEAVE_S, Leaves
from dncd.station.results import Checked, TakenIn
from dncd.values import Frame, LineSettings, MachineSettings, ProgramSettings

BASE = ["O0004", *(f"N{n} G01 X{n}. F0.15" for n in range(10, 200, 10)), "M30"]


class Shop:
    """One machine's papers without a line."""

    def __init__(self, root, edits=MachineEdits.REFUSE):
        program = ProgramSettings(machine_edits=edits)
        machine = MachineSettings("mill", LineSettings("x", frame=Frame.parse("7E1")), program=program)
        self.folder = root / "shop" / "mill"
        self.state = root / "state"
        (self.folder / "to-machine").mkdir(parents=True)
        self._opened = jobs_of(root, machine)
        self.jobs = self._opened.__enter__()
        self.office = self.jobs.store
        self.control = ""

    def drop(self, lines, meanwhile=lambda: None):
        """Checks, prepares and sends; gives the result. meanwhile: what happens between check and start."""
        name = f"{time.monotonic_ns()}.nc"
        (self.folder / "to-machine" / name).write_text("\n".join(["%", *lines, "%", ""]))
        ending = self.jobs.send(name, meanwhile)
        if ending.result == "sent":
            self.control = "\n".join(lines) + "\n"
        return ending

    def punch(self):
        wire = bytes(c | (0x80 if c.bit_count() % 2 else 0) for c in f"%\n{self.control}%\n".encode())
        return self.jobs.capture(wire).transfers

    def approve(self, lines, seen=""):
        import hashlib

        sha256 = hashlib.sha256("\n".join(["%", *lines, "%", ""]).encode()).hexdigest()
        self.jobs.sends.gates.leaves.give("over-edits", sha256, seen)

    def seen(self):
        return self.jobs.sends.gates.seen(self.office.library, ["O0004"])

    def delivered(self):
        return (
            (self.folder / "from-machine" / "O0004.nc").read_bytes().decode().replace("\r\n", "\n").splitlines()[1:-1]
        )

    def texts(self):
        return [self.office.library.blob(r.blob).decode() for r in self.office.library.history("mill", "O0004")]

    def close(self):
        self._opened.__exit__(None, None, None)


@pytest.fixture
def shop(tmp_path):
    with contextlib.closing(Shop(tmp_path)) as shop:
        yield shop


def edited(lines, block, feed):
    return [line.replace("F0.15", f"F{feed}") if line.startswith(f"N{block} ") else line for line in lines]


def punched_edit(shop, block=40, feed="0.10"):
    shop.drop(BASE)
    shop.control = "\n".join(edited(BASE, block, feed)) + "\n"
    assert shop.punch()[0]["event"] == "received"


def test_an_old_copy_is_held_with_the_differences_and_the_ways_out(shop):
    punched_edit(shop)
    told = shop.drop(edited(BASE, 90, "0.2"))
    assert told.result == "refused"
    receipt = parse((shop.folder / "refused" / (told.file + ".receipt.txt")).read_text())
    said = " ".join(receipt.all("reason")) if hasattr(receipt, "all") else str(receipt)
    assert "block N40: F 0.15 → 0.10" in said
    assert "from-machine/O0004.nc" in said
    assert "dncd send --over-edits mill" in said
    assert shop.texts()[-1] == "\n".join(edited(BASE, 40, "0.10")) + "\n"


def test_a_file_built_on_the_edit_goes_out(shop):
    punched_edit(shop)
    assert shop.drop(edited(shop.delivered(), 90, "0.2")).result == "sent"
    assert shop.drop(edited(BASE, 100, "0.3")).result == "refused", "another desk with an old copy"


def test_over_edits_sends_it_once_and_says_so(shop):
    punched_edit(shop)
    over = edited(BASE, 90, "0.2")
    shop.approve(over)
    told = shop.drop(over)
    assert told.result == "sent"
    receipt = (shop.folder / "sent" / (told.file + ".receipt.txt")).read_text()
    assert "over the operator's edit of revision 2" in receipt
    assert shop.drop(edited(over, 100, "0.3")).result == "sent", "what was given up is not asked for again"


def test_a_leave_to_send_over_edits_ends_with_the_file_that_it_was_given_for(shop):
    """Refused for an edit that came meanwhile: nobody has seen that one, so the same file alone is refused again."""
    punched_edit(shop)
    over = edited(BASE, 90, "0.2")
    shop.approve(over)

    def operator():
        shop.control = "\n".join(edited(edited(BASE, 40, "0.10"), 60, "0.11")) + "\n"
        shop.punch()

    assert shop.drop(over, operator).result == "refused"
    assert shop.drop(over).result == "refused"


def test_a_leave_to_send_over_edits_is_for_one_file_and_not_for_another_with_the_same_bytes(shop):
    punched_edit(shop)
    over, names = edited(BASE, 90, "0.2"), ("first.nc", "second.nc")
    for name in names:
        (shop.folder / "to-machine" / name).write_text("\n".join(["%", *over, "%", ""]))
    shop.approve(over)
    taken, other = map(shop.jobs.take_in, names)
    assert isinstance(taken, TakenIn), "it waits"
    assert isinstance(other, Checked)
    assert "this file lacks what the operator changed" in other.edits[0]
    assert shop.jobs.sends.look_at("third.nc", (shop.folder / "to-machine/first.nc").read_bytes()).edits
    shop.jobs.dismiss("second.nc", other)
    assert isinstance(shop.jobs.take_in("first.nc"), TakenIn), "looked at anew, as after a reload"
    (shop.folder / "to-machine/second.nc").write_text("\n".join(["%", *over, "%", ""]))
    shop.approve(over)
    assert isinstance(shop.jobs.take_in("second.nc"), TakenIn), "with a leave of its own"


@pytest.mark.parametrize("later", [edited(BASE, 60, "0.11"), BASE])
def test_a_leave_for_what_somebody_saw_is_none_for_what_came_back_since(shop, later):
    """Another edit, or the edit taken back, between the look and the check of the file: nobody allowed a loss of that."""
    punched_edit(shop)
    over, looked_at = edited(BASE, 90, "0.2"), shop.seen()
    shop.control = "\n".join(later) + "\n"
    shop.punch()
    assert shop.seen() != looked_at
    shop.control = "\n".join(edited(BASE, 60, "0.11")) + "\n"
    shop.punch()
    shop.approve(over, looked_at)
    assert shop.drop(over).result == "refused"
    shop.approve(over, shop.seen())
    assert shop.drop(over).result == "sent"


def test_what_would_be_said_of_a_file_is_what_is_said_of_it_and_leaves_nothing_behind(shop):
    punched_edit(shop)
    lines = [*edited(BASE, 90, "0.2")[:-1], "N195 G01 X1.\u00e9", "M30"]
    before = sorted(path.name for path in shop.state.rglob("*"))
    checked = shop.jobs.sends.look_at("0004.nc", "\n".join(["%", *lines, "%", ""]).encode())
    assert sorted(path.name for path in shop.state.rglob("*")) == before
    told = shop.drop(lines)
    named = [reason.partition("dncd send")[0] for reason in told.reasons]
    assert [reason.partition("dncd send")[0] for reason in checked.refusals] == named
    assert set(checked.edits) < set(checked.refusals), "what is wrong with the text is no matter of an edit"


def test_what_the_operator_took_back_is_not_asked_for(shop):
    punched_edit(shop)
    shop.control = "\n".join(BASE) + "\n"
    shop.punch()
    assert shop.delivered() == BASE
    assert shop.drop(edited(BASE, 90, "0.2")).result == "sent"


def test_an_edit_behind_many_revisions_of_the_office_is_held(shop):
    punched_edit(shop)
    lines = shop.delivered()
    for n in range(13):
        lines = [*lines[:-1], f"(REV {n})", lines[-1]]
        assert shop.drop(lines).result == "sent"
    assert shop.drop(BASE).result == "refused"


def test_the_part_of_an_edit_that_was_not_given_up_is_held_and_named_alone(shop):
    shop.drop(BASE)
    shop.control = "\n".join(edited(edited(BASE, 40, "0.10"), 120, "0.11")) + "\n"
    shop.punch()
    some = edited(BASE, 40, "0.10")
    shop.approve(some)
    assert shop.drop(some).result == "sent"
    told = shop.drop(edited(BASE, 90, "0.2"))
    assert told.result == "refused"
    said = " ".join(told.reasons)
    assert "N40: F 0.15 → 0.10" in said
    assert "N120" not in said


def test_an_edit_that_comes_between_check_and_start_holds_the_sending(shop):
    shop.drop(BASE)

    def operator():
        shop.control = "\n".join(edited(BASE, 40, "0.10")) + "\n"
        shop.punch()

    told = shop.drop(edited(BASE, 90, "0.2"), operator)
    assert told.result == "refused"
    assert "block N40: F 0.15 → 0.10" in " ".join(told.reasons)
    assert shop.control == "\n".join(edited(BASE, 40, "0.10")) + "\n"


def taken_back(shop):
    punched_edit(shop)
    shop.control = "\n".join(BASE) + "\n"
    assert shop.punch()[0]["revision"] == 1


def test_an_edit_that_the_operator_took_back_holds_nothing(shop):
    """What was sent last has come back equal since: nothing at the machine is unseen."""
    taken_back(shop)
    assert shop.drop(edited(BASE, 90, "0.2")).result == "sent"


@pytest.mark.parametrize(("block", "feed"), [(60, "0.05"), (40, "0.10")], ids=["another edit", "the same edit again"])
@pytest.mark.parametrize("when", ["before the check", "between check and start"])
def test_an_edit_after_one_that_was_taken_back_holds(shop, block, feed, when):
    taken_back(shop)

    def operator():
        shop.control = "\n".join(edited(BASE, block, feed)) + "\n"
        shop.punch()

    if when == "before the check":
        operator()
    told = shop.drop(edited(BASE, 90, "0.2"), operator if when != "before the check" else lambda: None)
    assert told.result == "refused"
    assert f"block N{block}: F 0.15 → {feed}" in " ".join(told.reasons)


def test_the_same_text_again_is_no_new_revision(shop):
    shop.drop(BASE)
    shop.drop(BASE)
    assert shop.punch()[0]["event"] == "received"
    assert len(shop.texts()) == 1
    punched_edit(shop)
    assert shop.drop(shop.delivered()).result == "sent"
    assert len(shop.texts()) == 2


def spelt(lines):
    """As a control might punch it: a colon, no blanks, no zeros at the end, its own order."""
    words = [line.replace("O0004", ":4").split() for line in lines]
    return ["".join([each[0], *reversed(each[1:])]).replace("0.10", "0.1") for each in words]


def test_the_control_s_own_spelling_holds_nothing(shop):
    shop.drop(BASE)
    shop.control = "\n".join(spelt(BASE)) + "\n"
    assert shop.punch()[0]["revision"] == 1
    assert shop.delivered() == spelt(BASE)
    assert shop.drop(edited(BASE, 90, "0.2")).result == "sent"
    assert len(shop.texts()) == 2


def test_an_edit_in_the_control_s_own_spelling_is_held_and_named_alone(shop):
    shop.drop(BASE)
    shop.control = "\n".join(spelt(edited(BASE, 40, "0.10"))) + "\n"
    shop.punch()
    told = shop.drop(edited(BASE, 90, "0.2"))
    assert told.result == "refused"
    said = " ".join(told.reasons)
    assert "(revision 2: block N40: F 0.15 → 0.1)" in said
    with_edit = shop.folder / "from-machine" / "O0004 (office text with the edit).nc"
    lines = with_edit.read_text().splitlines()
    assert lines == ["%", *edited(BASE, 40, "0.1"), "%"]
    assert shop.drop(edited(lines[1:-1], 90, "0.2")).result == "sent", "in the office's spelling it holds the edit"


def test_a_comment_of_the_operator_is_kept_and_holds_nothing(shop):
    shop.drop(BASE)
    shop.control = "\n".join(BASE).replace("F0.15", "F0.15 (SLOWLY)", 1) + "\n"
    shop.punch()
    assert len(shop.texts()) == 2
    assert shop.drop(edited(BASE, 90, "0.2")).result == "sent"


def test_where_edits_are_not_held_the_old_copy_goes_out(tmp_path):
    with contextlib.closing(Shop(tmp_path, MachineEdits.SEND)) as shop:
        punched_edit(shop)
        assert shop.drop(BASE).result == "sent"


STEPS = ("drop", "punch", "edit in place", "send again")


@pytest.mark.parametrize("order", list(itertools.permutations(STEPS)), ids="-".join)
def test_every_order_of_four_steps(shop, order):
    shop.drop(BASE)
    seen, last, unpunched = {shop.control}, BASE, False
    punched = set()
    for n, step in enumerate(order):
        if step == "edit in place":
            shop.control = shop.control.replace("M30", f"G04 P{n}\nM30")
            unpunched = True
        elif step == "punch":
            shop.punch()
            seen.add(shop.control)
            if unpunched:
                punched |= {line for line in shop.control.splitlines() if line.startswith("G04")}
        else:
            last = last if step == "send again" else edited(last, 50, f"0.{n + 2}")
            told = shop.drop(last)
            if told.result == "sent":
                seen.add(shop.control)
                assert punched <= set(last)
            else:
                assert not punched <= set(last)
    assert seen <= set(shop.texts())


class EditsStay(RuleBasedStateMachine):
    """Two desks with copies of their own, an operator, and a control."""

    root = None

    @initialize()
    def begin(self):
        import tempfile
        from pathlib import Path

        self.temporary = tempfile.TemporaryDirectory()
        self.shop = Shop(Path(self.temporary.name))
        assert self.shop.drop(BASE).result == "sent"
        self.desks = [list(BASE), list(BASE)]
        self.kept = {self.shop.control}
        self.punched: set[str] = set()
        self.count = 0

    @rule(desk=st.integers(0, 1), block=st.sampled_from(range(10, 200, 10)))
    def drops_a_change(self, desk, block):
        self.count += 1
        self.desks[desk] = edited(self.desks[desk], block, f"0.{self.count + 20}")
        self.sends(self.desks[desk])

    @rule(desk=st.integers(0, 1))
    def drops_it_again(self, desk):
        self.sends(self.desks[desk])

    @rule(desk=st.integers(0, 1))
    @precondition(lambda self: (self.shop.folder / "from-machine" / "O0004.nc").exists())
    def takes_the_machine_s_text_over(self, desk):
        self.desks[desk] = self.shop.delivered()

    @rule(desk=st.integers(0, 1))
    def sends_over_the_edits(self, desk):
        self.shop.approve(self.desks[desk])
        assert self.shop.drop(self.desks[desk]).result == "sent"
        self.kept.add(self.shop.control)
        self.punched &= set(self.desks[desk])  # somebody saw the differences and gave them up

    @rule(at=st.integers(1, 19))
    def the_operator_edits(self, at):
        self.count += 1
        lines = self.shop.control.splitlines()
        self.shop.control = "\n".join([*lines[:at], f"G04 P{self.count}", *lines[at:]]) + "\n"

    @rule()
    def the_operator_punches(self):
        self.shop.punch()
        self.kept.add(self.shop.control)
        self.punched |= {line for line in self.shop.control.splitlines() if line.startswith("G04")}

    def sends(self, lines):
        result = self.shop.drop(lines).result
        if result == "sent":
            self.kept.add(self.shop.control)
            assert self.punched <= set(lines), "a sending overwrote an edit that nobody in the office had seen"
        else:
            assert result == "refused"

    @invariant()
    def every_text_is_a_revision(self):
        if hasattr(self, "shop"):
            assert self.kept <= set(self.shop.texts())

    def teardown(self):
        if hasattr(self, "shop"):
            revisions = [r["revision"] for r in records(self.shop.state) if r["event"] in ("sent", "received")]
            assert max(revisions) == len(self.shop.texts())
            git = subprocess.run(
                ["git", "-C", str(self.shop.state / "library.git"), "fsck", "--strict"],
                capture_output=True,
                check=False,
            )
            self.shop.close()
            self.temporary.cleanup()
            assert git.returncode == 0, git.stderr


TestEditsStay = EditsStay.TestCase
TestEditsStay.settings = settings(
    max_examples=25, stateful_step_count=12, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)


def test_a_leave_of_which_nothing_came_is_not_given_twice_and_lapses() -> None:
    """A drop behind it may have failed: it must let nothing go over an edit on another day."""
    clock = [0.0]
    leaves = Leaves(lambda: clock[0])
    leaves.give("over-edits", "abc")
    leaves.give("over-edits", "abc")
    assert leaves.of("over-edits", "abc", "4.nc", "now") == "somebody"
    leaves.use_up("abc", "4.nc")
    assert leaves.of("over-edits", "abc", "4.nc", "now") == ""
    leaves.give("over-edits", "abc")
    clock[0] = LEAVE_S + 1
    assert leaves.of("over-edits", "abc", "4.nc", "now") == ""


def test_a_leave_that_a_file_has_stays_while_it_waits_and_goes_with_it() -> None:
    clock = [0.0]
    leaves = Leaves(lambda: clock[0])
    leaves.give("over-edits", "abc", "then", "Olga", "4.nc")
    assert leaves.of("over-edits", "abc", "4.nc", "now") == "", "it is for other edits"
    leaves.give("over-edits", "abc", "now", "Sam", "4.nc")
    assert leaves.of("over-edits", "abc", "4.nc", "now") == "Sam"
    clock[0] = 100 * LEAVE_S
    assert leaves.of("over-edits", "abc", "4.nc", "now") == "Sam"
    leaves.use_up("abc", "4.nc")
    assert leaves.of("over-edits", "abc", "4.nc", "now") == ""
