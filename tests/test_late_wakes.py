"""What keeps the line loop from its turn: where it is woken late, characters are handed over earlier, and never more than
may be ahead; Python's search for garbage waits for a calm moment."""

import gc
import weakref

import pytest

from dncd.line.sending import Sending
from dncd.service import run
from dncd.values import Frame, LineSettings, SendSettings

LINE = LineSettings("/dev/null", 9600, Frame.parse("8N1"), ahead_chars=8)
TOTAL = 6_000


def sent(lates):
    """Seconds that the line takes for TOTAL characters, and the pieces; lates: seconds of each wake-up, over and over."""
    sending, now, pieces = Sending(LINE, SendSettings(), TOTAL, 0.0), 0.0, []
    sending.supply(b"x" * TOTAL)
    while sending.handed_over < TOTAL:
        if part := sending.allowed(now):
            assert sending.clock.in_front(now) + len(part) <= LINE.ahead_chars
            sending.wrote(len(part), len(part), now)
            pieces.append(len(part))
        now = max(now, sending.next_due()) + lates[len(pieces) % len(lates)]
    return sending.clock.busy_until, pieces


@pytest.mark.parametrize("late", [0.0, 0.0015, 0.003, 0.0045])
def test_wake_ups_that_are_always_late_cost_no_rate(late):
    seconds, _ = sent([late])
    assert TOTAL * LINE.char_s / seconds > 0.995


def test_a_punctual_computer_is_woken_as_seldom_as_can_be():
    _, pieces = sent([0.0])
    assert set(pieces[1:-1]) == {6}


def test_once_it_is_punctual_again_it_is_woken_as_seldom_as_before():
    _, pieces = sent([*[0.004] * 10, *[0.0] * 5_000])
    assert min(pieces[1:-1]) < 6
    assert set(pieces[-50:-1]) <= {5, 6}


def test_a_late_wake_up_now_and_then_costs_little():
    """One of fifty comes 4 ms late: it would leave the line still for 2 ms each time."""
    seconds, _ = sent([*[0.0] * 49, 0.004])
    assert TOTAL * LINE.char_s / seconds > 0.998


class Circle:
    """Garbage that only a search finds."""

    def __init__(self):
        self.me = self


@pytest.fixture
def searched():
    """All objects were searched just now, and many small searches have been made since."""
    thresholds = gc.get_threshold()
    gc.collect()
    gc.set_threshold(700, 10, 1_000)
    for _ in range(run.SEARCH_AFTER):
        gc.collect(1)
    yield
    gc.set_threshold(*thresholds)


def test_all_objects_are_searched_for_garbage_only_while_no_line_is_busy(searched):
    circle = Circle()
    gone = weakref.ref(circle)
    for _ in range(2):
        gc.collect(1)  # it is among the old ones
    del circle
    run.collect_garbage(busy=True)
    assert gone() is not None
    run.collect_garbage(busy=False)
    assert gone() is None
