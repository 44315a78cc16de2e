"""The wall clock of another place, so that a test sees which times are the place's."""

import time
from collections.abc import Iterator

import pytest


def clock_of(zone: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """For a fixture to yield from. zone: as in POSIX TZ (POSIX.1, 8.3)."""
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.fixture
def five_and_a_half_hours_east(monkeypatch: pytest.MonkeyPatch):
    """India has no summer time."""
    yield from clock_of("IST-5:30", monkeypatch)
