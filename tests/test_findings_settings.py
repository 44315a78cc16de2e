"""What the settings say about findings reaches the check of a dropped file, with what the library knows."""

import contextlib

import pytest
from station_jobs import jobs_of

from dncd.choices import Programs, Weight
from dncd.records.library import Text
from dncd.station.events import Scope
from dncd.station.results import TakenIn
from dncd.values import Frame, LineSettings, MachineSettings, Origin, ProgramSettings


@contextlib.contextmanager
def desk(root, **program):
    machine = MachineSettings("mill", LineSettings("x", frame=Frame.parse("7E1")), program=ProgramSettings(**program))
    with jobs_of(root, machine) as jobs:

        def check(text):
            (root / "shop/mill/to-machine/x.nc").write_text(text)
            found = jobs.take_in("x.nc", Scope.CHECK)
            return found.checked if isinstance(found, TakenIn) else found

        yield jobs.store, check


SUB = "%\nO0001(PLATE)\nM98 P0500\nM30\n%\n"


def test_a_subprogram_that_nobody_has_is_a_warning_until_the_library_has_it(tmp_path):
    with desk(tmp_path) as (office, check):
        found = check(SUB)
        assert not found.refusals
        assert any("O0500" in said for said in found.warnings)
        office.library.revise("mill", "O0500", Text.of(b"O0500\nM99\n"), Origin.OFFICE, {})
        assert not any("O0500" in said for said in check(SUB).warnings)


def test_a_weight_of_the_settings_refuses_or_says_nothing(tmp_path):
    with desk(tmp_path, findings=(("missing-subprogram", Weight.REFUSE),)) as (_, check):
        assert any("O0500" in said for said in check(SUB).refusals)
    with desk(tmp_path, findings=(("missing-subprogram", Weight.OFF),)) as (_, check):
        found = check(SUB)
        assert not found.refusals
        assert not found.warnings


@pytest.mark.parametrize(("number", "ok"), [("O0999", False), ("O1000", True), ("O7999", True), ("O8000", False)])
def test_numbers_that_the_control_does_not_take(tmp_path, number, ok):
    settings = {"lowest_number": 1000, "highest_number": 7999, "findings": (("number-out-of-range", Weight.REFUSE),)}
    with desk(tmp_path, **settings) as (_, check):
        assert bool(check(f"%\n{number}\nM30\n%\n").refusals) is not ok


def test_a_control_that_takes_one_program(tmp_path):
    two = "%\nO0001\nM30\nO0002\nM30\n%\n"
    with desk(tmp_path, programs=Programs.ONE) as (_, check):
        assert any("O0002" in said for said in check(two).refusals)
    with desk(tmp_path) as (_, check):
        assert check(two).programs == ("O0001", "O0002")
        assert not check(two).refusals


def test_a_number_that_another_part_has(tmp_path):
    with desk(tmp_path) as (office, check):
        office.library.revise("mill", "O0001", Text.of(b"O0001(BUSHING)\nM30\n"), Origin.OFFICE, {})
        assert any("BUSHING" in said and "PLATE" in said for said in check("%\nO0001(PLATE)\nM30\n%\n").warnings)
        assert not check("%\nO0001(BUSHING REV B)\nM30\n%\n").warnings
