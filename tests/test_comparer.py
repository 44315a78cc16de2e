"""Comparing beside the service: the same lines as here, and nothing lost when the process that compares is killed."""

import contextlib
import os
import signal

import pytest

from dncd.outside.comparer import Comparer, differences
from dncd.program.comparing import compare
from dncd.program.differences import lines

OLD = "".join(f"N{n} G01 X{n}.5 F0.15\n" for n in range(10, 5000, 10))
NEW = OLD.replace("N40 G01 X40.5 F0.15", "N40 G01 X40.5 F0.10").replace("N70 G01", "N70 G00")


@pytest.fixture
def comparer():
    with contextlib.closing(Comparer()) as comparer:
        yield comparer


def test_says_what_a_comparison_here_says(comparer):
    said = comparer.differences(OLD, NEW, 40)
    assert list(said) == list(lines(compare(OLD, NEW)))
    assert len(said) == 2
    assert "N40" in said[0]
    assert "F 0.15 → 0.10" in said[0]
    assert comparer.differences(OLD, NEW, 1) == said[:1]
    assert comparer.differences("X1\n", "X2\n", 40) == differences("X1\n", "X2\n", 40)


def test_text_of_any_kind_comes_through(comparer):
    old = OLD + "(Ø \u2028 \ud7ff)\n"
    assert comparer.differences(old, old.replace("Ø", "ø"), 40) == differences(old, old.replace("Ø", "ø"), 40)


def test_a_killed_process_costs_nothing_but_time(comparer):
    expected = comparer.differences(OLD, NEW, 40)
    child = comparer._child
    os.kill(child.pid, signal.SIGKILL)
    assert comparer.differences(OLD, NEW, 40) == expected
    assert comparer.differences(OLD, NEW, 40) == expected
    assert comparer._child is not child


def test_closing_ends_the_process(comparer):
    comparer.differences(OLD, NEW, 40)
    child = comparer._child
    comparer.close()
    assert child.poll() is not None
