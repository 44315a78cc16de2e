"""One service a machine's folder: each renews a claim there, and takes nothing where another one's claim is alive.

`MACHINE/.dncd-claim` names who serves it: the state folder by a number of its own, host and process. Clocks of two boxes
differ, so nobody reads another's time: a claim is alive while it changes. One that has not changed for `TAKE_OVER_S` is a
dead service's, and is taken over; so is one that somebody removed.
"""

import contextlib
import json
import math
import os
import secrets
import socket
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

from dncd.errors import RecordsError
from dncd.peer_text import printable
from dncd.records import durable
from dncd.records.problems import Problem
from dncd.records.shop_folders import ShopFolders, write_quick

NAME: Final = ".dncd-claim"
TAKE_OVER_S: Final = 60.0
"""Seconds without a change after which a claim is a dead service's."""

RENEW_S: Final = 10.0
"""Seconds between two renewals: each makes the system tell of several events, for every machine."""

_LONGEST: Final = 4096  # bytes


class Claims:
    """`keep` is for the notes thread, `check` for the records thread; problems: machines that another serves, for any."""

    def __init__(self, state: Path, folders: ShopFolders, clock: Callable[[], float] = time.monotonic) -> None:
        self._state, self._folders, self._clock = state, folders, clock
        self._own: dict[str, object] = {}
        self._beat = 0
        self._renewed: dict[str, float] = {}
        self._seen: dict[str, tuple[dict[str, object], float]] = {}
        self.problems: dict[str, Problem] = {}

    def keep(self, machine: str) -> bool:
        """Renews the claim on a machine's folder; whether it is this service's. OSError, RecordsError of the folder."""
        with self._folders.opened(machine) as folder:
            there, own = _read(folder), False
            if there and not (own := self._is_own(there)):
                seen, since = self._seen.get(machine, ({}, 0.0))
                if seen != there:
                    self._seen[machine] = there, self._clock()
                if seen != there or self._clock() - since < TAKE_OVER_S:
                    self.problems[machine] = self._problem(machine, there)
                    return False
            if not own or self._clock() - self._renewed.get(machine, -math.inf) >= RENEW_S:
                self._beat += 1
                write_quick(folder / NAME, json.dumps({**self._who(), "beat": self._beat}).encode())
                self._renewed[machine] = self._clock()
        self._seen.pop(machine, None)
        self.problems.pop(machine, None)
        return True

    def check(self, machine: str) -> None:
        """RecordsError where another service has the folder; right before something goes out."""
        with self._folders.opened(machine) as folder:
            there = _read(folder)
        if there and not self._is_own(there):
            raise self._problem(machine, there).error

    def give_up(self, machine: str) -> None:
        """The service ends, or serves the machine no more: whoever comes next need not wait."""
        with contextlib.suppress(OSError, RecordsError), self._folders.opened(machine) as folder:
            if self._is_own(_read(folder)):
                durable.discard(folder / NAME)

    def _who(self) -> dict[str, object]:
        if not self._own:
            path = self._state / "service-id"
            with contextlib.suppress(FileExistsError):
                durable.write_new(path, [secrets.token_hex(16).encode()])
            host = socket.gethostname()
            own = f"{path.read_text('ascii')}@{host}"  # a copy of the state folder on another box is another service
            self._own = {"who": own, "host": host, "pid": os.getpid(), "state": str(self._state)}
        return self._own

    def _is_own(self, there: dict[str, object]) -> bool:
        return bool(there) and there.get("who") == self._who()["who"]

    def _problem(self, machine: str, there: dict[str, object]) -> Problem:
        who = printable(f"process {there.get('pid', '?')} on {there.get('host', '?')}, state {there.get('state', '?')}")
        return Problem(
            f"another dncd serves this folder ({who}), so nothing is taken from it",
            str(self._folders.path_of(machine) / NAME),
            "stop one of the two, or give each its own shop.folder; what a dead one left is taken over"
            f" after {TAKE_OVER_S:g} s, or as soon as that file is removed",
        )


def _read(folder: Path) -> dict[str, object]:
    """The claim; {} where there is none. What is no plain file, or was torn by a power cut, is replaced by a claim."""
    try:
        fd = durable.open_regular(folder / NAME)
    except OSError:
        return {}
    try:
        found = json.loads(os.read(fd, _LONGEST))
    except (ValueError, RecursionError):
        return {}
    finally:
        os.close(fd)
    return found if isinstance(found, dict) else {}
