"""How a test waits: for an event, with a deadline."""

import contextlib
import os
import select
import time


def until(what, seconds=30.0):
    """The first true value of what() within a deadline; looks as often as the kernel lets it."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        with contextlib.suppress(FileNotFoundError):
            if value := what():
                return value
        os.sched_yield()
        select_pause()
    raise AssertionError(f"not within {seconds} s")


def select_pause():

    select.select([], [], [], 0.01)
