"""Comparing beside the service: the same lines as here, and nothing lost when the process that compares is killed."""

import contextlib
import os
import signal

import pytest

from dncd.outside.comparer import Comparer
from dncd.program.edits import Version
from dncd.program.readback import read_back
from dncd.values import Origin

OLD = "".join(f"N{n} G01 X{n}.5 F0.15\n" for n in range(10, 5000, 10))
NEW = OLD.replace("N40 G01 X40.5 F0.15", "N40 G01 X40.5 F0.10").replace("N70 G01", "N70 G00")


@pytest.fixture
def comparer():
    with contextlib.closing(Comparer()) as comparer:
        yield comparer


def known(text: str) -> list[Version]:
    return [Version(3, Origin.OFFICE, text)]


def test_says_what_a_comparison_here_says(comparer):
    said = comparer.read_back(known(OLD), NEW)
    assert said == read_back(known(OLD), NEW)
    assert len(said.differences) == 2
    assert said.differences[0] == "block N40: F 0.15 → 0.10"
    spelt = NEW.replace(" ", "")
    assert comparer.read_back(known(OLD), spelt) == read_back(known(OLD), spelt)
    assert comparer.read_back(known(OLD), spelt).carried.text == NEW
    assert comparer.read_back(known("X1\n"), "X2\n") == read_back(known("X1\n"), "X2\n")


def test_text_of_any_kind_comes_through(comparer):
    old = OLD + "(Ø \u2028 \ud7ff)\n"
    new = old.replace("Ø", "ø").replace("N70 G01", "N70 G00")
    assert comparer.read_back(known(old), new) == read_back(known(old), new)


def test_a_killed_process_costs_nothing_but_time(comparer):
    expected = comparer.read_back(known(OLD), NEW)
    child = comparer._child
    os.kill(child.pid, signal.SIGKILL)
    assert comparer.read_back(known(OLD), NEW) == expected
    assert comparer.read_back(known(OLD), NEW) == expected
    assert comparer._child is not child


def test_closing_ends_the_process(comparer):
    comparer.read_back(known(OLD), NEW)
    child = comparer._child
    comparer.close()
    assert child.poll() is not None
