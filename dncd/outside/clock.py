"""The two clocks: one that never jumps, for lines and dues, and the wall's, for people and records."""

import time
from datetime import UTC, datetime


def now() -> float:
    """Seconds on the monotonic clock; only differences mean something."""
    return time.monotonic()


def utc_now() -> datetime:
    """The wall clock in UTC. It may jump; nothing is ordered by it."""
    return datetime.now(UTC)
