"""What a command asks of one machine over the command socket; in the loop's thread."""

from collections.abc import Callable, Mapping
from typing import Any, Final

from dncd.station.machine import Station

_Request = Mapping[str, Any]


def _go(station: Station, _: _Request) -> dict[str, Any]:
    station.need_line()
    started = {"file": station.outgoing.go()}
    station.kick()
    return started


def _withdraw(station: Station, request: _Request) -> dict[str, Any]:
    withdrawn = {"file": station.outgoing.withdraw(str(request.get("file") or ""))}
    station.kick()
    return withdrawn


def _ask_for_program(station: Station, _: _Request) -> dict[str, Any]:
    station.ask_for_program()
    return {}


def _send_all_the_same(station: Station, request: _Request) -> dict[str, Any]:
    station.outgoing.send_all_the_same(str(request["do"]), str(request.get("sha256")))
    return {}


def _ended(station: Station, request: _Request) -> dict[str, Any]:
    file, after = request.get("file"), int(request.get("after", 0))  # a number of the ledger: the wall clock may jump
    for told in reversed(station.endings):
        if told.file == file and told.fields["seq"] > after:
            return {"ended": told.as_dict()}
    return {"ended": None}


OF_A_MACHINE: Final[Mapping[object, Callable[[Station, _Request], dict[str, Any]]]] = {
    "go": _go,
    "withdraw": _withdraw,
    "request": _ask_for_program,
    "over-edits": _send_all_the_same,
    "to-prove": _send_all_the_same,
    "ended": _ended,
}
"""By the word of the request."""


def answer_of(station: Station, request: _Request) -> dict[str, Any]:
    """The answer to one of these requests. NotDoneError where the machine cannot do it now."""
    return OF_A_MACHINE[request["do"]](station, request)
