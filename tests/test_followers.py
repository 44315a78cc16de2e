"""Following the status: who asks once is told each change, soon and not more often than it is of use."""

import json
import types
from typing import Any

import pytest
from page_shop import NEXT

from dncd.outside import command_server
from dncd.outside.command_client import joined
from dncd.outside.command_server import StreamReply
from dncd.outside.loop import Loop
from dncd.service.followers import FIGURES_S, LOOK_S, NAMES, Followers
from dncd.service.next_words import next_lines

NOT_UTF_8 = "\udce4"
"""A byte of a file's name, as Python reads it."""


class FakeStation:
    """What of a station the followers look at."""

    def __init__(self, name: str) -> None:
        self.name, self.state = name, "listening"
        self.core: Any = types.SimpleNamespace(sender=types.SimpleNamespace(run=None, queue=types.SimpleNamespace()))
        self.core.sender.queue.waiting = ()
        self.chars, self.faults = 0, list[Exception]()

    def broke(self, error: Exception) -> None:
        self.faults.append(error)


class Notes:
    def __init__(self, stations: dict[str, FakeStation]) -> None:
        self.stations, self.asked, self.more = stations, 0, dict[str, Any]()

    def of(self, station: FakeStation) -> dict[str, Any]:
        self.asked += 1
        if station.chars < 0:
            raise ZeroDivisionError
        return {"state": station.state, "transfer": {"chars": station.chars} if station.chars else None}

    def transfer(self, station: FakeStation) -> dict[str, Any] | None:
        return {"chars": station.chars} if station.chars else None

    def write(self, station: FakeStation) -> dict[str, Any]:
        return self.of(station) | self.more

    def status(self) -> dict[str, Any]:
        return {"service": {"pid": 1}, "machines": {name: self.of(s) for name, s in self.stations.items()}}


class House:
    """Two machines, and a clock that is moved by hand."""

    def __init__(self) -> None:
        self.now = 100.0
        self.stations = {name: FakeStation(name) for name in ("lathe", "mill")}
        self.notes, self.loop = Notes(self.stations), Loop(lambda: self.now)
        self.followers = Followers(self.loop, self.stations, self.notes)  # type: ignore[arg-type]

    def passes(self, seconds: float) -> None:
        for _ in range(round(seconds / LOOK_S)):
            self.now += LOOK_S
            for _ in range(2 * len(self.stations)):  # one status is made at a time
                self.now += 0.001
                self.loop.once(0)

    def told(self, reply: StreamReply) -> list[dict[str, Any]]:
        return [json.loads(line) for line in reply.news.take().splitlines()]


@pytest.fixture
def house() -> Any:
    made = House()
    yield made
    made.loop.close()


def settled(house: House) -> StreamReply:
    """Somebody follows, and was told all that there is."""
    reply = house.followers.follow()
    house.passes(2 * LOOK_S)
    house.told(reply)
    return reply


def test_the_whole_comes_first_and_then_what_changes_alone(house: House) -> None:
    reply = settled(house)
    assert reply.content == {
        "service": {"pid": 1},
        "machines": {n: house.notes.of(s) for n, s in house.stations.items()},
    }
    house.stations["mill"].state = "held"
    house.passes(LOOK_S)
    assert house.told(reply) == [{"machines": {"mill": {"state": "held", "transfer": None}}}]
    house.passes(1.0)
    assert house.told(reply) == []


def test_what_a_station_says_many_times_is_told_once_within_a_look(house: House) -> None:
    reply = settled(house)
    for _ in range(50):
        house.followers.changed(house.stations["lathe"])  # type: ignore[arg-type]
    house.passes(LOOK_S)
    assert [list(news["machines"]) for news in house.told(reply)] == [["lathe"]]


def test_no_look_makes_more_than_one_status_at_a_time(house: House) -> None:
    reply = settled(house)
    for station in house.stations.values():
        station.state = "held"
    asked = house.notes.asked
    house.now += LOOK_S
    house.loop.once(0)
    assert (house.notes.asked, house.told(reply)) == (asked + 1, [])
    house.passes(LOOK_S)
    assert [set(news["machines"]) for news in house.told(reply)] == [set(house.stations)], "and all are told at once"


def test_figures_of_a_transfer_come_once_a_second(house: House) -> None:
    house.stations["lathe"].chars = 1
    reply = settled(house)
    for chars in range(2, 62):
        house.stations["lathe"].chars = chars
        house.passes(LOOK_S)
    told = house.told(reply)
    assert 2 <= len(told) <= 1 + 60 * LOOK_S / FIGURES_S
    assert all(list(news) == ["figures"] and list(news["figures"]) == ["lathe"] for news in told), "and nothing else"
    house.stations["lathe"].chars = 70
    house.followers.changed(house.stations["lathe"])  # type: ignore[arg-type]
    house.passes(LOOK_S)
    assert house.told(reply) == [{"machines": {"lathe": {"state": "listening", "transfer": {"chars": 70}}}}]


def test_a_machine_with_thousands_of_waiting_files_can_be_told_of(house: House) -> None:
    names = [f"{n:04} a long name of a program for some machine.nc" for n in range(6000)]
    house.notes.more = {"waiting": names, "next": {"program": "O1", "then": names[1:]}}
    reply = settled(house)
    house.followers.visit(house.stations["lathe"])  # type: ignore[arg-type]
    house.passes(2 * LOOK_S)
    (news,) = house.told(reply)
    told = news["machines"]["lathe"]
    assert (told["waiting"], told["waiting_more"]) == (names[:NAMES], 6000 - NAMES)
    assert (told["next"]["then"], told["next"]["then_more"]) == (names[1 : NAMES + 1], 5999 - NAMES)
    assert next_lines(NEXT | told["next"])[0].endswith("and 5996 more"), "as if all were named"


def test_all_machines_may_have_a_thousand_long_names_at_once(house: House) -> None:
    """More than what waits for a follower: who takes his news gets them all the same, and nothing is asked anew for ever."""
    names = [f"{n:04} {NOT_UTF_8 * 200}.nc" for n in range(1500)]
    reply = settled(house)
    house.notes.more = {"waiting": names, "next": {"program": "O1", "then": names[1:]}}
    for _ in range(2):
        for station in house.stations.values():
            house.followers.visit(station)  # type: ignore[arg-type]
        house.passes(LOOK_S)
        (news,) = house.told(reply)
        assert [len(machine["waiting"]) for machine in news["machines"].values()] == [NAMES, NAMES]
        house.notes.more = house.notes.more | {"pending": "now another"}


def test_nothing_is_looked_at_while_nobody_follows(house: House) -> None:
    house.stations["lathe"].state = "held"
    house.passes(3.0)
    house.followers.visit(house.stations["lathe"])  # type: ignore[arg-type]
    assert house.notes.asked == 1, "for STATUS.txt alone"
    reply = settled(house)
    reply.gone()
    house.passes(LOOK_S)
    asked = house.notes.asked
    house.stations["lathe"].state = "listening"
    house.passes(3.0)
    assert house.notes.asked == asked


def test_a_round_tells_what_nobody_had_said(house: House) -> None:
    reply = settled(house)
    aged: dict[str, Any] = {"state": "listening", "transfer": None, "backup": {"age_days": 2}}
    house.notes.more = {"backup": {"age_days": 2}}
    for _ in range(2):
        house.followers.visit(house.stations["lathe"])  # type: ignore[arg-type]
        house.followers.round_over({"service": {"pid": 1, "seq": 7}, "machines": {"lathe": aged}})
    house.passes(2 * LOOK_S)
    assert house.told(reply) == [
        {"service": {"pid": 1, "seq": 7}, "names": ["lathe"]},
        {"machines": {"lathe": aged}},
    ]


def test_a_station_whose_status_fails_keeps_the_others_news(house: House) -> None:
    reply = settled(house)
    house.stations["lathe"].chars = -1
    for station in house.stations.values():
        house.followers.changed(station)  # type: ignore[arg-type]
    house.passes(LOOK_S)
    assert [list(news["machines"]) for news in house.told(reply)] == [["mill"]]
    assert [type(fault) for fault in house.stations["lathe"].faults] == [ZeroDivisionError]


def test_a_machine_that_a_reload_let_go_is_not_told_of_behind_the_names_that_there_are(house: House) -> None:
    reply = settled(house)
    for station in house.stations.values():
        station.state = "held"
    house.now += LOOK_S
    house.loop.once(0)  # the lathe's status is made, and not told yet
    del house.stations["lathe"]
    house.followers.round_over(house.notes.status())
    house.passes(LOOK_S)
    status = {"machines": {"lathe": {}, "mill": {}}}
    for news in house.told(reply):
        status = joined(status, news)
    assert list(status["machines"]) == ["mill"]


def test_a_slow_reader_is_told_how_much_it_missed(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    reply = settled(house)
    news = {"machines": {"lathe": {"state": "x" * 1000}}}
    most = command_server.NEWS_BYTES // len(json.dumps(news, separators=(",", ":")) + "\n")
    for _ in range(most + 5):
        house.followers._put(news)
    told = house.told(reply)
    assert len(told) == most + 1
    assert told[-1] == {"dropped": 5}


def test_news_find_their_places() -> None:
    status = {"service": {"pid": 1}, "machines": {"a": {"state": "x"}, "b": {"state": "x"}}}
    assert joined(status, {"machines": {"b": {"state": "y"}}})["machines"] == {"a": {"state": "x"}, "b": {"state": "y"}}
    figures = joined(status, {"figures": {"b": {"chars": 7}, "gone": None}})
    assert figures == status | {"machines": {"a": {"state": "x"}, "b": {"state": "x", "transfer": {"chars": 7}}}}
    after = joined(status, {"service": {"pid": 2}, "names": ["b"]})
    assert after == {"service": {"pid": 2}, "machines": {"b": {"state": "x"}}}
