"""Times as people name them on the command line."""

import click
import pytest
from wall_clock import clock_of

from dncd.cli.moments import Moment


@pytest.fixture(autouse=True)
def berlin(monkeypatch: pytest.MonkeyPatch):
    """An hour east of UTC, two in summer (rules common practice of the EU)."""
    yield from clock_of("CET-1CEST,M3.5.0,M10.5.0/3", monkeypatch)


@pytest.mark.parametrize(
    ("said", "meant"),
    [
        ("2026-07-01", "2026-07-01T21:59:59.999Z"),
        ("2026-01-01", "2026-01-01T22:59:59.999Z"),
        ("2026-07-01 14:30", "2026-07-01T12:30:59.999Z"),
        ("2026-07-01T14:30:05", "2026-07-01T12:30:05.999Z"),
        ("2026-07-01T14:30:05.250", "2026-07-01T12:30:05.250Z"),
        ("2026-07-01T14:30:05Z", "2026-07-01T14:30:05.999Z"),
        ("2026-07-01T14:30:00.000Z", "2026-07-01T14:30:00.000Z"),
        ("2026-07-01 14:30+05:30", "2026-07-01T09:00:59.999Z"),
        ("41", "41"),
    ],
)
def test_a_day_a_minute_a_second_count_whole(said: str, meant: str) -> None:
    assert Moment().convert(said, None, None) == meant


@pytest.mark.parametrize("said", ["", "yesterday", "2026-13-01", "14:30", "20260701", "2026-07-01 25:00", "9999-12-31"])
def test_what_is_no_time_is_told(said: str) -> None:
    with pytest.raises(click.BadParameter, match="is not a time"):
        Moment().convert(said, None, None)
