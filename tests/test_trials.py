"""The pure parts of a trial and its record: the program, the sheet, what a sheet proves and what verify sees."""

from dataclasses import replace

import pygcode
import pytest

from dncd.choices import Flow
from dncd.commissioning.trial_sheet import (
    Done,
    Round,
    Sheet,
    Step,
    head_of,
    settings_of,
    sheet_text,
    trial_blocks,
    trial_file,
    trial_number,
)
from dncd.errors import RecordsError, UsageError
from dncd.line_trial.round_trip import image_of
from dncd.outside.config_rules import PROFILES
from dncd.records import trials
from dncd.records.ledger import Ledger, records
from dncd.standin.build import of_profile
from dncd.tape.codes import Coder
from dncd.values import Frame

LATHE = replace(of_profile("iso-tape"), name="gang-lathe", title="Gang lathe, bay 2")


def sheet(machine=LATHE, time="2026-11-25T14:33:58Z", *, rounds=2, steps=(), **more):
    passed = tuple(Round(n + 1, Done.PASSED, 624, 1.4, 1.4) for n in range(rounds))
    return Sheet(
        machine=machine.name,
        title=machine.title,
        time=time,
        by=more.get("by", "A. Fitter"),
        program="O7777",
        rounds_wanted=2,
        steps=steps or (Step("loopback", Done.SKIPPED, "no plug in the house"),),
        rounds=more.get("made", passed),
        settings=trials.settings_lines(machine),
        fingerprint=trials.fingerprint(machine),
    )


@pytest.mark.parametrize("profile", PROFILES)
def test_the_program_holds_nothing_that_moves(profile):
    """By a parser from outside (PyPI pygcode): no block of it has a word; and every code carries it."""
    machine = of_profile(profile)
    programs = set()
    for round_ in range(1, 11):
        blocks = trial_blocks(machine, "O7777", round_, 10)
        programs.add(blocks)
        assert blocks[0] == "O7777"
        for block in blocks[1:]:
            line = pygcode.Line(block)
            assert line.block.gcodes == []
            assert line.block.modal_params == []
            assert line.comment is not None
        text = trial_file(blocks)
        assert not list(Coder.of(machine.tape, machine.line).uncodable(text))
        wire = image_of(machine, text).wire
        assert wire == image_of(machine, text).wire
    assert len(programs) == 10, "each round's is another"


def test_its_number_is_one_that_the_control_takes():
    """And not from 8000 on, where many controls neither edit nor punch."""

    def taken(low, high):
        return replace(LATHE, program=replace(LATHE.program, lowest_number=low, highest_number=high))

    assert trial_number(LATHE) == "O7777"
    assert trial_number(taken(1, 999)) == "O0999"
    assert trial_number(taken(8000, 8999)) == "O8000"
    assert trial_number(taken(1, 7999), "O0012") == "O0012"
    with pytest.raises(UsageError, match="from 1 to 7999, and not O8888"):
        trial_number(taken(1, 7999), "O8888")


def test_a_control_that_is_too_small_for_it_is_told():
    small = replace(LATHE, program=replace(LATHE.program, memory_chars=200))
    with pytest.raises(UsageError, match=r"program\.memory_chars"):
        trial_blocks(small, "O7777", 1, 10)
    with pytest.raises(UsageError):
        trial_blocks(replace(LATHE, program=replace(LATHE.program, longest_block_chars=2)), "O7777", 1, 10)
    narrow = replace(LATHE, program=replace(LATHE.program, longest_block_chars=24))
    assert max(map(len, trial_blocks(narrow, "O7777", 1, 10))) <= 24


@pytest.mark.parametrize(
    ("made", "steps", "proven"),
    [
        ((Done.PASSED, Done.PASSED), (), True),
        ((Done.PASSED,), (), False),
        ((Done.PASSED, Done.FAILED), (), False),
        ((), (), False),
        ((Done.PASSED, Done.PASSED), (Done.FAILED,), False),
        ((Done.PASSED, Done.PASSED), (Done.SKIPPED,), True),
    ],
)
def test_what_proves_a_line(made, steps, proven):
    one = sheet(
        made=tuple(Round(n, done, what="it was lost") for n, done in enumerate(made, 1)),
        steps=tuple(Step("loopback", done, "because") for done in steps),
    )
    text = sheet_text(one)
    assert one.proven is proven
    head = head_of(text)
    assert head["result"] == ("proven" if proven else "not proven")
    assert head["by"] == "A. Fitter"
    assert ("do not put this line to work" in text) is not proven
    assert settings_of(text) == trials.settings_lines(LATHE)


def test_a_sheet_that_names_a_setting_by_its_old_name_still_counts():
    now = trials.settings_lines(LATHE)
    of_old = tuple(line.replace("line.ahead_chars = ", "line.ahead = ") for line in now)
    assert of_old != now
    assert trials.changed_since(of_old, LATHE) == ()
    other = replace(LATHE, line=replace(LATHE.line, ahead_chars=9))
    assert trials.changed_since(of_old, other) == ("line.ahead_chars was 8 and is 9",)


def kept(state, *sheets):
    ledger = Ledger.open(state)
    try:
        return [trials.keep(state, ledger, sheet_text(one)) for one in sheets]
    finally:
        ledger.close()


def test_a_sheet_on_record_and_what_it_proves(tmp_path):
    assert trials.latest(tmp_path, "gang-lathe").standing(LATHE)["since"] is None
    kept(tmp_path, sheet())
    (line,) = records(tmp_path)
    assert (line["event"], line["machine"], line["by"]) == ("proven", "gang-lathe", "A. Fitter")
    proof = trials.latest(tmp_path, "gang-lathe")
    assert proof.standing(LATHE) == {
        "since": "2026-11-25T14:33:58Z",
        "by": "A. Fitter",
        "why": "proven since 2026-11-25 by A. Fitter",
    }
    longer = replace(LATHE, send=replace(LATHE.send, stall_s=30.0, dc1_stays_s=1.0))
    assert proof.standing(longer)["since"], "how long is waited is not what goes over the line"
    for other, said in (
        (replace(LATHE, line=replace(LATHE.line, baud=9600)), "line.baud was 4800 and is 9600"),
        (replace(LATHE, line=replace(LATHE.line, frame=Frame.parse("7E1"))), "line.frame was 7E2 and is 7E1"),
        (replace(LATHE, line=replace(LATHE.line, flow=Flow.NONE)), "line.flow was xon/xoff and is none"),
        (replace(LATHE, tape=replace(LATHE.tape, leader_chars=9)), "tape.leader_chars was 0 and is 9"),
    ):
        standing = proof.standing(other)
        assert standing["since"] is None
        assert standing["why"] == f"no longer proven: since the trial of 2026-11-25 {said}"
    kept(tmp_path, sheet(time="2026-11-26T07:00:00Z", rounds=1))
    assert trials.latest(tmp_path, "gang-lathe").standing(LATHE)["why"] == "not proven: the trial of 2026-11-26 failed"
    assert list(trials.faults(tmp_path)) == []


def test_a_key_that_is_newer_than_the_sheet_unproves_nothing_at_its_default(tmp_path):
    text = "\n".join(line for line in sheet_text(sheet()).split("\n") if "send.after_char_s" not in line)
    ledger = Ledger.open(tmp_path)
    trials.keep(tmp_path, ledger, text)
    ledger.close()
    proof = trials.latest(tmp_path, "gang-lathe")
    assert proof.standing(LATHE)["since"]
    paced = replace(LATHE, send=replace(LATHE.send, after_char_s=0.5))
    assert proof.standing(paced)["why"].endswith("send.after_char_s was 0 and is 0.5")


def test_two_sheets_of_one_second_lie_side_by_side_and_the_second_counts(tmp_path):
    first, second = kept(tmp_path, sheet(), sheet(rounds=1))
    assert first != second
    assert trials.latest(tmp_path, "gang-lathe").result == "not proven"


def test_verify_sees_a_sheet_that_was_changed_lost_or_put_there(tmp_path):
    first, second = kept(tmp_path, sheet(), sheet(time="2026-11-26T07:00:00Z"))
    first.write_text(first.read_text().replace("A. Fitter", "Nobody"))
    second.unlink()
    (first.parent / "20270101T000000Z.txt").write_text(sheet_text(sheet(time="2027-01-01T00:00:00Z")))
    faults = list(trials.faults(tmp_path))
    assert len(faults) == 3
    for word in ("was changed", "is gone", "does not name"):
        assert sum(word in fault for fault in faults) == 1


@pytest.mark.parametrize(
    "text", ["", "Trial of a line\n\nresult: proven\n", "Trial of a line\n\nresult: fine\nmachine: x\n"]
)
def test_what_is_no_sheet_is_not_kept(tmp_path, text):
    ledger = Ledger.open(tmp_path)
    try:
        with pytest.raises(RecordsError):
            trials.keep(tmp_path, ledger, text)
        with pytest.raises(RecordsError):
            trials.keep(tmp_path, ledger, sheet_text(sheet(replace(LATHE, name="../up"))))
        assert ledger.seq == 0
    finally:
        ledger.close()
