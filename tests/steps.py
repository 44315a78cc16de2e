"""Work counted instead of time: the same on every machine, whatever else it does."""

import sys


def steps(job):
    """Lines of Python that `job` runs, loops counted each time round."""
    count = 0

    def trace(_frame, event, _given):
        nonlocal count
        count += event == "line"
        return trace

    before = sys.gettrace()
    sys.settrace(trace)
    try:
        job()
    finally:
        sys.settrace(before)
    return count


def grows(job, small, large):
    """How many times as much work the larger of two inputs is."""
    return steps(lambda: job(large)) / steps(lambda: job(small))
