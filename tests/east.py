"""A wall clock that is not at UTC, so that a test sees which times are the place's."""

import time

import pytest


@pytest.fixture
def five_and_a_half_hours_east(monkeypatch: pytest.MonkeyPatch):
    """POSIX TZ (POSIX.1, 8.3): India has no summer time."""
    monkeypatch.setenv("TZ", "IST-5:30")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()
