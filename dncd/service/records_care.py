"""What each round does for the records: tries again what one machine's folders kept from them, asks what others did."""

import time
from collections.abc import Callable, Iterable
from typing import Final

from dncd.outside.folders import Listing
from dncd.records.problems import Problem
from dncd.service.parts import Parts
from dncd.values import ShopSettings

CLOCK_JUMP_S: Final = 5.0
"""Seconds by which the computer's clock must have moved between two rounds, beside the time that went by, to be told."""


class RecordsCare:
    """For the loop's thread; what it asks for is done in the records thread, one question of each kind at a time."""

    def __init__(self, parts: Parts, shop: ShopSettings, wall: Callable[[], float] = time.time) -> None:
        self._parts, self._shop, self._wall = parts, shop, wall
        self._ahead = wall() - parts.workers.loop.now()
        self._recovering = self._watching = False
        self._were_paused: set[str] = set()
        self._folder_problems: dict[str, str] = {}

    def look(self) -> list[str]:
        """One round; gives the machines whose folders are looked at again from now on."""
        self._recover_more()
        self._watch()
        self.look_at_clock()
        return self._taken_up_again()

    def look_at_clock(self) -> None:
        """Tells where the computer's clock was set, for the times of the records go by it."""
        ahead = self._wall() - self._parts.workers.loop.now()
        jump, self._ahead = ahead - self._ahead, ahead
        if abs(jump) < CLOCK_JUMP_S:
            return
        what = f"the clock was set back by {-jump:.0f} s: records made since bear earlier times than those before them"
        next_step = "see that it is right; `dncd verify` names the lines of the ledger that it concerns"
        if jump > 0:
            what = f"the clock was put forward by {jump:.0f} s, or the computer slept so long"
            next_step = "see that it is right: if it is put back later, records bear times that have not come yet"
        self._parts.log.warning("clock", what=what, where="the computer's clock", next=next_step)

    def paused(self) -> set[str]:
        """Machines whose to-machine/ is left alone: what lies there may be on its way to another folder yet, or another
        service takes it."""
        store = self._parts.store
        return {*store.recovery.left, *store.endings.claims.problems}

    def tell_recovered(self, sentences: Iterable[str]) -> None:
        for recovered in sentences:
            where, next_step = str(self._shop.state), "look at the receipt and at what the control holds"
            self._parts.log.warning("recovered", what=recovered, where=where, next=next_step)

    def tell_folder(self, listing: Listing) -> None:
        """What is wrong with a folder is told once, and once more when it is over."""
        log = self._parts.log
        for note in listing.notes:
            log.info("folder", machine=listing.machine, what=note)
        before = self._folder_problems.get(listing.machine, "")
        if listing.problem and listing.problem != before:
            where, next_step = str(self._shop.folder / listing.machine), "see `dncd status`"
            log.warning("folder", machine=listing.machine, what=listing.problem, where=where, next=next_step)
        elif before and not listing.problem:
            log.info("folder well again", machine=listing.machine)
        self._folder_problems[listing.machine] = listing.problem

    def _recover_more(self) -> None:
        store = self._parts.store
        if not store.recovery.left or self._recovering:
            return
        self._recovering = True

        def done(said: list[str]) -> None:
            self._recovering = False
            self.tell_recovered(said)

        def failed(_error: Exception) -> None:
            self._recovering = False

        self._parts.workers.records.do(store.recovery.again, done, failed)

    def _taken_up_again(self) -> list[str]:
        before, self._were_paused = self._were_paused, self.paused()
        for name in self._were_paused - before:
            if (problem := self._parts.store.blocked(name)) is not None:
                self._parts.log.warning("stopped", machine=name, **problem.fields)
        again = sorted(before - self._were_paused)
        for name in again:
            self._parts.log.info("goes on", machine=name)
        return again

    def _watch(self) -> None:
        if self._watching:
            return
        self._watching = True

        def found(problem: Problem | None) -> None:
            self._watching = False
            self._parts.health.set("records", problem)

        def failed(error: Exception) -> None:
            found(Problem.of(error, "the state folder cannot be looked at", str(self._shop.state)))

        self._parts.workers.records.do(self._parts.store.watch.look, found, failed)
