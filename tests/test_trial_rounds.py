"""What a round of a trial is worth by what came back, and what a loopback step signs; pure, on tape images and cables."""

import random
from dataclasses import replace

import pytest
from cable_faults import AT_END, CABLE_FAULTS
from control_spelling import BY_NAME, COMMENT, Spelling, spell
from pygcode import Line as Parsed
from simulated_cable import SimulatedPort

from dncd.choices import EndsOn, Flow, StartOn
from dncd.commissioning.loopback_findings import Trouble
from dncd.commissioning.loopback_measures import Plan
from dncd.commissioning.trial_sheet import Body, Done, Round, spelling_of, trial_blocks, trial_file
from dncd.line_trial.round_trip import Back, image_of
from dncd.line_trial.steps import Bench, judged, loopback_judged
from dncd.outside.config_rules import PROFILES
from dncd.program.substance import Answer
from dncd.standin.build import of_profile
from dncd.tape.codes import Coder
from dncd.values import NO_FAULTS, WireBytes

LATHE = replace(of_profile("iso-tape"), name="gang-lathe")


def sent(body: Body, round_: int = 1) -> str:
    return trial_file(trial_blocks(LATHE, "O7777", round_, 10, body))


def came_back(text: str, body: Body, whole: str = "") -> Round:
    """The judgement on a punch of this text between two marks, or on these characters as they are."""
    wire = Coder.of(LATHE.tape, LATHE.line).encode(whole.encode()) if whole else image_of(LATHE, text).wire
    back = Back(WireBytes(bytes(wire)), (), EndsOn.MARK, NO_FAULTS, 1.0)
    return judged(Bench(LATHE, "O7777", 1, print, body=body), Round(1, Done.FAILED, 600), sent(body), back)


@pytest.mark.parametrize("profile", PROFILES)
def test_bare_numbers_move_nothing_and_are_others_each_round(profile: str) -> None:
    """By a parser from outside (PyPI pygcode): block numbers, and M30 at the end."""
    machine = of_profile(profile)
    programs = {trial_blocks(machine, "O7777", round_, 10, Body.NUMBERS) for round_ in range(1, 11)}
    assert len(programs) == 10
    for blocks in programs:
        assert (blocks[0], blocks[-1]) == ("O7777", "M30")
        assert len(set(blocks)) == len(blocks) == 102
        parsed = [Parsed(block).block for block in blocks[1:-1]]
        assert [[type(code).__name__ for code in one.gcodes] for one in parsed] == [["GCodeLineNumber"]] * 100
        assert {len(one.words) for one in parsed} == {1}
        assert not list(Coder.of(machine.tape, machine.line).uncodable(trial_file(blocks)))


@pytest.mark.parametrize("body", Body)
@pytest.mark.parametrize("name", BY_NAME)
def test_a_controls_own_spelling_passes_and_is_told(name: str, body: Body) -> None:
    spelt = spell(sent(body), BY_NAME[name], random.Random(1))
    came = came_back(spelt, body)
    if body is Body.COMMENTS and not BY_NAME[name].comments:
        assert came.done is Done.FAILED
        assert "this control keeps no comments" in came.what
        assert "--body numbers" in came.what
        return
    assert came.done is Done.PASSED, came.what
    assert came.how is (Answer.EQUAL if spelt == sent(body) else Answer.SUBSTANCE)
    assert dict(came.spelling)["letter O"] == ("not kept" if BY_NAME[name].colon else "kept")
    if body is Body.COMMENTS:
        assert dict(came.spelling) == {"letter O": dict(came.spelling)["letter O"], "comments": "kept"}


@pytest.mark.parametrize("whole", ["%\n%\n", "%O7777\n%\n", "%\n:7777\n%\n"])
def test_a_program_of_comments_that_comes_back_empty_proves_nothing(whole: str) -> None:
    came = came_back("", Body.COMMENTS, whole)
    assert came.done is Done.FAILED
    assert "--body numbers" in came.what


def test_half_a_program_is_damaged_and_no_habit() -> None:
    came = came_back("", Body.COMMENTS, "%\nO7777\n")
    assert came.what.startswith("it came back damaged: ")


@pytest.mark.parametrize("body", Body)
def test_any_change_fails_the_round(body: Body) -> None:
    text, last = sent(body), sent(body, 2)
    assert came_back(last, body).what.startswith("it came back changed: ")
    lines = text.split("\n")
    for number in range(1, len(lines) - 1):
        assert came_back("\n".join(lines[:number] + lines[number + 1 :]), body).done is Done.FAILED
    assert came_back(
        COMMENT.sub("(A)", text, count=1) if body is Body.COMMENTS else text.replace("M30", "M02"), body
    ).what
    assert spell(text, Spelling(), random.Random(1)) == text


def test_a_sheet_keeps_what_the_rounds_showed() -> None:
    assert spelling_of("Trial\n\nresult: proven\nspelling: letter O not kept; comments kept\n\nSteps\n") == {
        "letter O": "not kept",
        "comments": "kept",
    }
    assert spelling_of("Trial\n\nresult: proven\nspelling: nothing is known of it\n\n") == {}


NEEDS_LINES = (
    replace(LATHE, line=replace(LATHE.line, flow=Flow.RTS_CTS)),
    replace(LATHE, send=replace(LATHE.send, start_on=StartOn.CTS)),
)


@pytest.mark.parametrize("name", CABLE_FAULTS)
def test_no_step_that_is_not_good_is_signed_as_passed(name: str) -> None:
    make, trouble = CABLE_FAULTS[name]
    plan = replace(AT_END, soak_s=0.5) if isinstance(AT_END, Plan) else AT_END
    measures = SimulatedPort(make()).run(plan)
    for machine in (LATHE, *NEEDS_LINES):
        step = loopback_judged(measures, plan, machine)
        assert ("not good" in step.what) <= (step.done is Done.FAILED), step
        if machine in NEEDS_LINES:
            assert step.done is Done.FAILED, step
    if trouble in (Trouble.STUCK_ON, Trouble.OUTPUTS_JOINED):
        assert loopback_judged(measures, plan, LATHE).done is Done.FAILED


def test_data_wires_alone_are_enough_for_a_line_without_handshake() -> None:
    make, _ = CABLE_FAULTS["data wires alone"]
    plan = replace(AT_END, soak_s=0.5)
    step = loopback_judged(SimulatedPort(make()).run(plan), plan, LATHE)
    assert step.done is Done.PASSED
    assert step.what.startswith("Port and cable: good at 9600")
    assert "; of no matter here: No handshake line follows" in step.what
