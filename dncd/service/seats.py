"""Several controls on one port, behind a switch box: one of them is seated, and its station alone has the port.

dncd cannot see how the box is turned: somebody says it (`dncd seat`). The others keep their queues and folders, and nothing
of theirs opens the port. Who is seated stands in the stations alone (`PortSide.unseated`). For the loop's thread.
"""

from collections.abc import Collection

from dncd.errors import NotDoneError
from dncd.ledger_lines import Fields, programs_of
from dncd.records.holdings import Holdings, is_unnamed
from dncd.records.problems import Problem
from dncd.station.driver import Station
from dncd.station.events import Ask, Wish


def _behind(switch: str, stations: Collection[Station]) -> list[Station]:
    return [station for station in stations if switch and station.settings.seat.switch == switch]


def _seated(switch: str, stations: Collection[Station]) -> str:
    return next((one.name for one in _behind(switch, stations) if not one.core.port.unseated), "")


def seat(station: Station, stations: Collection[Station]) -> Fields:
    """Seats a machine, or says anew that it is: no start that was said before counts any more. Gives what goes on record.
    NotDoneError, and all stays as it was, while the line of the box is in use or lent, or where there is no box."""
    switch = station.settings.seat.switch
    if not switch:
        next_step = "Nothing needs to be said; several machines on one port name a `seat.switch` in the settings"
        raise NotDoneError("it has a port of its own", station.name, next_step)
    before = _seated(switch, stations)
    for one in _behind(switch, stations):
        if one.name == before:
            one.kick()  # what the control said up to now still counts
            one.tell(Ask(Wish.UNSEAT, "it is being turned"))
            one.doubt = None
    station.tell(Ask(Wish.BACK))
    tell(stations)
    return {"machine": station.name, "switch": switch, "before": before}


def tell(stations: Collection[Station]) -> None:
    for station in stations:
        if (unseated := station.core.port.unseated) and (switch := station.settings.seat.switch):
            seated = _seated(switch, stations)
            why = f"{switch} is turned to {seated}" if seated else f"nobody has said yet how {switch} is turned"
            if why != unseated:
                station.tell(Ask(Wish.UNSEAT, why))


def stay(old: Station, new: Station) -> None:
    """A station begins with other settings: its machine stays seated behind the same box, with what is in doubt."""
    if (switch := new.settings.seat.switch) and switch == old.settings.seat.switch and not old.core.port.unseated:
        new.doubt = old.doubt
        new.tell(Ask(Wish.BACK))


def doubt(station: Station, stations: Collection[Station], held: Holdings) -> Problem | None:
    """The doubt that has just come up: what came is new at the seated machine, and one alone of the others behind its box
    has a program of that name. Perhaps the box is turned there: nothing is sent until somebody says who is seated."""
    came, station.core.account.came = station.core.account.came, ()
    others = [one.name for one in _behind(station.settings.seat.switch, stations) if one is not station]
    for program in (name for record in came for name, revision in programs_of(record) if revision == 1):
        knows = [name for name in others if held.one(name, program).revision]
        if len(knows) == 1 and not is_unnamed(program) and station.doubt is None:
            switch = station.settings.seat.switch
            what = f"{program} came in, new here, and {knows[0]} alone has one of that name: how is {switch} turned?"
            next_step = (
                f"look, then say `dncd seat {station.name}` or `dncd seat {knows[0]}`; nothing is sent until then"
            )
            station.doubt = Problem(what, station.name, next_step)
            return station.doubt
    return None
