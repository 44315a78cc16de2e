"""Comparing beside the service: the same lines as here, and nothing lost when the process that compares is killed."""

import contextlib
import os
import signal
import subprocess
import sys
import threading

import pytest
from waiting import until

from dncd.outside.comparer import NOT_COMPARED, Comparer
from dncd.program.edits import LostEdit, Version
from dncd.program.readback import Reading, read_back
from dncd.program.substance import Answer
from dncd.values import Origin

OLD = "".join(f"N{n} G01 X{n}.5 F0.15\n" for n in range(10, 5000, 10))
NEW = OLD.replace("N40 G01 X40.5 F0.15", "N40 G01 X40.5 F0.10").replace("N70 G01", "N70 G00")


@pytest.fixture
def comparer():
    with contextlib.closing(Comparer()) as comparer:
        yield comparer


def process(comparer):
    """Of this thread."""
    return comparer._children[0]._process


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


def test_an_answer_that_this_dncd_does_not_know_costs_nothing_but_time(comparer):
    """As a process gives it that was started from the files of another version, installed meanwhile."""
    expected = comparer.read_back(known(OLD), NEW)
    child = comparer._children[0]
    child.end()
    other = "import sys; sys.stdin.buffer.read(1); sys.stdout.buffer.write(b'cno_such_room\\nAnswer\\n.')"
    child._process = subprocess.Popen([sys.executable, "-c", other], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert comparer.read_back(known(OLD), NEW) == expected


def test_a_killed_process_costs_nothing_but_time(comparer):
    expected = comparer.read_back(known(OLD), NEW)
    child = process(comparer)
    os.kill(child.pid, signal.SIGKILL)
    assert comparer.read_back(known(OLD), NEW) == expected
    assert comparer.read_back(known(OLD), NEW) == expected
    assert process(comparer) is not child


def test_closing_ends_the_process(comparer):
    comparer.read_back(known(OLD), NEW)
    child = process(comparer)
    comparer.close()
    assert child.poll() is not None


VERSIONS = (Version(1, Origin.OFFICE, OLD), Version(2, Origin.MACHINE, NEW))


@pytest.mark.parametrize(
    ("ask", "answer"),
    [
        (lambda comparer: comparer.read_back(known(OLD * 40), NEW * 40), Reading(3, Answer.CHANGED, (NOT_COMPARED,))),
        (lambda comparer: comparer.lost_edits(VERSIONS, OLD), (LostEdit(2, (NOT_COMPARED,)),)),
    ],
)
def test_a_process_that_does_not_answer_is_ended_and_its_question_is_told_as_not_compared(comparer, ask, answer):
    """Stopped, as one that is swapped out for good: a difference says so, an edit counts as lost, the next is answered."""
    comparer.read_back(known(OLD), NEW)
    stopped = process(comparer)
    comparer._within_s = 0.1
    os.kill(stopped.pid, signal.SIGSTOP)
    assert ask(comparer) == answer
    assert stopped.poll() is not None
    comparer._within_s = 60.0
    assert len(comparer.read_back(known(OLD), NEW).differences) == 2


def test_one_thread_never_waits_for_the_comparison_of_another(comparer):
    """The checks thread's process stands still; the records thread is answered."""
    comparer.read_back(known(OLD), NEW)
    stopped = process(comparer)
    os.kill(stopped.pid, signal.SIGSTOP)
    answered = []
    other = threading.Thread(target=lambda: answered.append((comparer.read_back(known(OLD), NEW), waits.is_alive())))
    waits = threading.Thread(target=lambda: comparer.read_back(known(OLD * 40), NEW * 40))
    waits.start()
    until(lambda: not comparer._free)  # it has the process that stands still
    other.start()
    other.join(60)
    assert answered == [(read_back(known(OLD), NEW), True)]
    os.kill(stopped.pid, signal.SIGKILL)
    waits.join(60)
