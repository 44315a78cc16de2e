"""What commands ask over the command socket: one table of words.

Each request is answered in a thread of its socket, one at a time for each of the two sockets. What it wants of the stations
is done in the loop's thread, what it wants on record in the records thread; the answer waits for both.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, Final, TypeVar

from dncd import defaults
from dncd.errors import NotDoneError, UsageError
from dncd.outside import journal
from dncd.outside.command_server import StreamReply
from dncd.outside.workers import result_of
from dncd.peer_text import printable
from dncd.service import lending, seats
from dncd.service.parts import Parts
from dncd.service.signing import keep_for, recorded, sign_for
from dncd.station.driver import REQUESTS, Station
from dncd.station.events import Ask, Wish

_ANSWER_S: Final = 5.0
"""Seconds in which the loop must have done what was asked, within the patience of whoever asked."""

_Request = Mapping[str, Any]
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Requests:
    """Answers them. status: the status object, in the loop's thread; follow: the same with the news behind
    it; unless_stopping: as `lending.End`."""

    parts: Parts
    status: Callable[[], dict[str, Any]]
    follow: Callable[[], StreamReply]
    unless_stopping: lending.End

    def answer(self, request: _Request) -> dict[str, Any] | StreamReply:
        """The content of the answer. UsageError for a word that is not known; NotDoneError where it cannot be done now."""
        do = request.get("do")
        if do not in _WORDS:
            raise UsageError(f"the service does not know the request {do!r}", "command socket", "Update dncd")
        return _WORDS[str(do)](self, request)

    def in_loop(self, job: Callable[[], _T]) -> _T:
        """Has `job` done in the loop's thread, and gives its result or raises what it raised."""

        def unwanted(result: _T) -> None:
            if isinstance(result, StreamReply):
                result.gone()  # nobody is left who could close it

        try:
            return result_of(job, self.parts.workers.loop.post, _ANSWER_S, unwanted)
        except TimeoutError:
            what = "the service is busy or stopping"
            raise NotDoneError(what, "command socket", "Ask again in a moment") from None

    def machine(self, request: _Request) -> Station:
        """The station that is meant; in the loop's thread. UsageError where there is none."""
        name = str(request.get("machine"))
        if name not in self.parts.stations:
            where, known = str(self.parts.stations.settings.file), ", ".join(self.parts.stations)
            raise UsageError(f"there is no machine {name!r}", where, f"The machines are {known}")
        return self.parts.stations[name]

    def look_again(self, station: Station) -> None:
        """Lets a station take up what was asked of it; what it raises is its own."""
        self.parts.workers.loop.post(station.kick, station)


_Word = Callable[[Requests, _Request], dict[str, Any] | StreamReply]


def _in_loop(job: _Word) -> _Word:
    return lambda desk, request: desk.in_loop(lambda: job(desk, request))


def _of_machine(job: Callable[[Requests, Station, _Request], dict[str, Any] | StreamReply]) -> _Word:
    return _in_loop(lambda desk, request: job(desk, desk.machine(request), request))


def _withdraw(desk: Requests, request: _Request) -> dict[str, Any]:
    station, file = desk.in_loop(lambda: desk.machine(request)), str(request.get("file") or "")
    unreadable = desk.parts.store.unreadable
    if not file and station.name in unreadable.machines:  # a plan that cannot be read has stopped it: it goes on
        recorded(desk.parts.workers, station.name, lambda: unreadable.release(station.name))
        withdrawn: dict[str, Any] = {"released": True}
    else:
        withdrawn = desk.in_loop(lambda: station.answer(request))
    desk.look_again(station)
    return withdrawn


def _announce_backup(desk: Requests, station: Station, _: _Request) -> dict[str, Any]:
    desk.parts.backing_up.announce(station.name, desk.parts.workers.loop.now())
    return {}


def _end_backup(desk: Requests, station: Station, _: _Request) -> dict[str, Any]:
    desk.parts.backing_up.end(station.name, station, desk.parts.workers.loop.now())
    return {}


def _seat(desk: Requests, request: _Request) -> dict[str, Any]:
    parts = desk.parts
    if (waits := parts.store.old_box) is not None:
        raise NotDoneError(waits.what, waits.where, waits.next_step)
    fields = desk.in_loop(lambda: seats.seat(desk.machine(request), parts.stations.values()))
    by = printable(str(request.get("by")))[:80]
    recorded(parts.workers, fields["machine"], lambda: parts.store.note("seated", **(fields | {"by": by})))
    return {**fields}


def _keep_trial(desk: Requests, request: _Request) -> dict[str, Any]:
    station = desk.in_loop(lambda: desk.machine(request))
    return keep_for(station, desk.parts.store, desk.parts.workers, str(request.get("sheet")))


def _prove(desk: Requests, request: _Request) -> dict[str, Any]:
    machine = desk.in_loop(lambda: desk.machine(request).name)
    signed = sign_for(machine, desk.parts.store, desk.parts.workers, dict(request))
    desk.in_loop(lambda: desk.machine(request).tell(Ask(Wish.WEIGH)))
    return signed


def _old_box_off(desk: Requests, request: _Request) -> dict[str, Any]:
    parts, by = desk.parts, printable(str(request.get("by")))[:80]
    recorded(parts.workers, str(parts.stations.settings.shop.state), lambda: parts.store.old_box_off(by))
    for station in list(parts.stations.values()):
        desk.in_loop(partial(lending.hand_over, station))
        desk.look_again(station)
    return {}


def _again(desk: Requests, request: _Request) -> dict[str, Any]:
    """How often the next file with these contents goes out: on record before it is dropped."""
    machine, times = desk.in_loop(lambda: desk.machine(request).name), request.get("times")
    if not isinstance(times, int) or not 1 <= times <= defaults.MOST_AGAIN:
        raise UsageError(f"{times!r} is no number of times", "--again", f"Say 1 to {defaults.MOST_AGAIN}")
    job = partial(desk.parts.store.orders.ask, machine, str(request.get("sha256")), times)
    recorded(desk.parts.workers, machine, job)
    return {}


_WORDS: Final[Mapping[str, _Word]] = {
    "status": _in_loop(lambda desk, _: desk.status()),
    "follow": _in_loop(lambda desk, _: desk.follow()),
    "journal": _in_loop(lambda _desk, _: {"lines": journal.recent()}),
    "reload": _in_loop(lambda desk, _: {"number": desk.parts.reloading.ask()}),
    "again": _again,
    **dict.fromkeys(
        REQUESTS,
        _of_machine(lambda _, station, request: station.answer(request)),
    ),
    "withdraw": _withdraw,
    "backup": _of_machine(_announce_backup),
    "backup-end": _of_machine(_end_backup),
    "lend": _of_machine(lambda desk, station, request: lending.lend(station, dict(request), desk.unless_stopping)),
    "watch": _of_machine(lambda desk, station, _: lending.watch(station, desk.unless_stopping)),
    "seat": _seat,
    "old-box-off": _old_box_off,
    "keep-trial": _keep_trial,
    "prove": _prove,
}
