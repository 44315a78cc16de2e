"""Comparing beside the service: the same lines as here, and nothing lost when the process that compares is killed."""

import contextlib
import os
import signal
import threading

import pytest

from dncd.outside.comparer import NOT_COMPARED, Comparer, differences
from dncd.program.comparing import compare
from dncd.program.differences import lines
from dncd.program.edits import LostEdit, Version
from dncd.values import Origin

OLD = "".join(f"N{n} G01 X{n}.5 F0.15\n" for n in range(10, 5000, 10))
NEW = OLD.replace("N40 G01 X40.5 F0.15", "N40 G01 X40.5 F0.10").replace("N70 G01", "N70 G00")


@pytest.fixture
def comparer():
    with contextlib.closing(Comparer()) as comparer:
        yield comparer


def process(comparer):
    """Of this thread."""
    return comparer._children[threading.get_ident()]._process


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
    child = process(comparer)
    os.kill(child.pid, signal.SIGKILL)
    assert comparer.differences(OLD, NEW, 40) == expected
    assert comparer.differences(OLD, NEW, 40) == expected
    assert process(comparer) is not child


def test_closing_ends_the_process(comparer):
    comparer.differences(OLD, NEW, 40)
    child = process(comparer)
    comparer.close()
    assert child.poll() is not None


VERSIONS = (Version(1, Origin.OFFICE, OLD), Version(2, Origin.MACHINE, NEW))


@pytest.mark.parametrize(
    ("ask", "answer"),
    [
        (lambda comparer: comparer.differences(OLD * 40, NEW * 40, 40), (NOT_COMPARED,)),
        (lambda comparer: comparer.lost_edits(VERSIONS, OLD), (LostEdit(2, (NOT_COMPARED,)),)),
    ],
)
def test_a_process_that_does_not_answer_is_ended_and_its_question_is_told_as_not_compared(comparer, ask, answer):
    """Stopped, as one that is swapped out for good: a difference says so, an edit counts as lost, the next is answered."""
    comparer.differences(OLD, NEW, 40)
    stopped = process(comparer)
    comparer._children[threading.get_ident()]._within_s = 0.1
    os.kill(stopped.pid, signal.SIGSTOP)
    assert ask(comparer) == answer
    assert stopped.poll() is not None
    comparer._children[threading.get_ident()]._within_s = 60.0
    assert len(comparer.differences(OLD, NEW, 40)) == 2


def test_one_thread_never_waits_for_the_comparison_of_another(comparer):
    """The checks thread's process stands still; the records thread is answered."""
    comparer.differences(OLD, NEW, 40)
    stopped = process(comparer)
    os.kill(stopped.pid, signal.SIGSTOP)
    answered = []
    other = threading.Thread(target=lambda: answered.append((comparer.differences(OLD, NEW, 40), waits.is_alive())))
    children, main, started = comparer._children, threading.get_ident(), threading.Event()

    def stand_still():
        children[threading.get_ident()] = children.pop(main)
        started.set()
        comparer.differences(OLD * 40, NEW * 40, 40)

    waits = threading.Thread(target=stand_still)
    waits.start()
    assert started.wait(20)
    other.start()
    other.join(60)
    assert answered == [(differences(OLD, NEW, 40), True)]
    os.kill(stopped.pid, signal.SIGKILL)
    waits.join(60)
