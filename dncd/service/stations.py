"""The stations of the service, as settings come and go under them.

A reload touches a station only where its own settings changed, and never cuts what is under way: the old station takes up
nothing new, and makes room for the new one as soon as everything of it is on record.
"""

import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

from dncd.errors import DncdError, PortBusyError, PortError, PortGoneError, SettingsError
from dncd.outside.journal import journal
from dncd.outside.loop import Loop
from dncd.ports.opening import open_for
from dncd.ports.port import Port
from dncd.service import lending, seats
from dncd.station.driver import Station
from dncd.station.events import Ask, OpenFailed, Wish
from dncd.values import MachineSettings, Settings

WAITS = "its new settings hold as soon as what is under way is over"
LEAVES = "it is in the settings no more, and is let go as soon as what is under way is over"


@dataclass(frozen=True, slots=True)
class Changes:
    """What another settings file means for the machines, by name."""

    new: tuple[str, ...]
    changed: tuple[str, ...]
    removed: tuple[str, ...]

    def sentence(self) -> str:
        said = [
            f"{word}: {', '.join(names)}"
            for word, names in (("new", self.new), ("changed", self.changed), ("removed", self.removed))
            if names
        ]
        return "; ".join(said) or "nothing changed"


def changes(old: Settings, new: Settings) -> Changes:
    """What differs. SettingsError where [shop] or [library] does: folders and records of a running service stay put."""
    if differing := [key for key in _fixed_keys(old) if _fixed_keys(old)[key] != _fixed_keys(new)[key]]:
        problems = tuple(f"{new.file.name}: {key} is read at a start alone and is another now." for key in differing)
        raise SettingsError(str(new.file), problems, "Restart the service to have it so, or put the old value back")
    return Changes(
        tuple(name for name in new.machines if name not in old.machines),
        tuple(name for name, m in new.machines.items() if name in old.machines and old.machines[name] != m),
        tuple(name for name in old.machines if name not in new.machines),
    )


def _fixed_keys(settings: Settings) -> dict[str, object]:
    shop = {f"[shop] {key}": getattr(settings.shop, key) for key in settings.shop.__slots__}
    return shop | {f"[library] {key}": getattr(settings.library, key) for key in settings.library.__slots__}


OPEN_S: Final = 15.0
"""Seconds after which a port that is still being opened counts as absent for now."""

Opened = Port | DncdError
"""An open port, or why there is none just now."""


def open_ports(machines: Iterable[MachineSettings]) -> dict[str, Opened]:
    """Opens all ports at once. A port that is absent or busy is given as its error; PortError is raised at once."""
    wanted = list(machines)
    results: dict[str, Opened] = {}
    lock, over = threading.Lock(), threading.Event()

    def work(machine: MachineSettings) -> None:
        try:
            port: Opened = open_for(machine)
        except (PortError, PortBusyError, PortGoneError) as error:
            port = error
        with lock:
            if not over.is_set():
                results[machine.name] = port
                return
        close_all([port])  # nobody waits for it any more; the station tries again by itself

    threads = [threading.Thread(target=work, args=(m,), daemon=True, name=f"dncd-open-{m.name}") for m in wanted]
    for thread in threads:
        thread.start()
    until = time.monotonic() + OPEN_S
    for thread in threads:
        thread.join(max(0.0, until - time.monotonic()))
    with lock:
        over.set()
    wrong = [error for error in results.values() if isinstance(error, PortError)]
    if wrong:
        close_all(results.values())
        raise wrong[0]
    gone = PortGoneError("it is still being opened", "port", "Wait, or look at the network")
    return {m.name: results.get(m.name, gone) for m in wanted}


def close_all(opened: Iterable[Opened]) -> None:
    for port in opened:
        if not isinstance(port, DncdError):
            port.close()


class Stations(Mapping[str, Station]):
    """Stations by machine name. Everything here is for the loop's thread. build: makes the station of a machine; came,
    left: told when a station begins, or has given its port back. What one station raises is its own and keeps none of
    the others from its settings."""

    def __init__(
        self,
        settings: Settings,
        loop: Loop,
        build: Callable[[MachineSettings], Station],
        came: Callable[[Station], None],
        left: Callable[[Station], None],
    ) -> None:
        self.settings, self._loop = settings, loop
        self._build, self._came, self._left = build, came, left
        self._stations = {name: build(machine) for name, machine in settings.machines.items()}
        self._pending: dict[str, MachineSettings | None] = {}

    def __getitem__(self, name: str) -> Station:
        return self._stations[name]

    def __iter__(self) -> Iterator[str]:
        return iter(tuple(self._stations))

    def __len__(self) -> int:
        return len(self._stations)

    @property
    def pending(self) -> tuple[str, ...]:
        return tuple(self._pending)

    def busy(self) -> bool:
        """Whether anything of any station is not on record yet. From any thread."""
        return any(station.busy for station in tuple(self._stations.values()))

    def take(self, settings: Settings, ports: Mapping[str, Opened]) -> Changes:
        """Other settings hold from now on. ports: those opened already, of new machines and new ports."""
        found = changes(self.settings, settings)
        self.settings = settings
        self._pending.clear()
        for name, station in self._stations.items():
            machine = settings.machines.get(name)
            if machine is not None and machine == replace(station.settings, title=machine.title):
                station.settings = machine  # nothing but its title: what the control said stays said
            if machine != station.settings:
                self._pending[name] = machine
                self._loop.serve(
                    station, partial(station.tell, Ask(Wish.RETIRE, WAITS if machine is not None else LEAVES))
                )
            else:  # an earlier reload wanted it otherwise, and has been taken back
                self._loop.serve(station, partial(station.tell, Ask(Wish.SERVE)))
        opened = dict(ports)
        self._settle(opened)
        for name, machine in settings.machines.items():
            if name not in self._stations:
                self._begin(machine, opened.pop(name, None))
        self._in_order()
        close_all(opened.values())  # of stations that are not idle yet: they were opened to learn of a bad setting now
        return found

    def settle(self) -> tuple[str, ...]:
        """Carries out what waits for stations that are idle now; names them."""
        return self._settle({})

    def _settle(self, opened: dict[str, Opened]) -> tuple[str, ...]:
        idle = {name for name, station in self._stations.items() if not (station.busy or lending.borrowed(station))}
        done = tuple(name for name in self._pending if name in idle)
        for name in done:
            machine, old = self._pending.pop(name), self._stations.pop(name)
            self._loop.serve(old, old.close)
            self._left(old)
            if machine is not None:
                self._begin(machine, opened.pop(name, None))
                if (new := self._stations.get(name)) is not None:
                    self._loop.serve(new, partial(seats.stay, old, new))
        self._in_order()
        return done

    def _in_order(self) -> None:
        order = [*self.settings.machines, *self._pending]
        self._stations = {name: self._stations[name] for name in order if name in self._stations}
        seats.tell(self._stations.values())

    def _begin(self, machine: MachineSettings, port: Opened | None) -> None:
        try:
            station = self._stations[machine.name] = self._build(machine)
        except Exception as error:  # noqa: BLE001 - the other machines are served all the same
            journal().failed(f"a fault of dncd over the settings of {machine.name}: it is not served", error)
            close_all([] if port is None else [port])
            return
        self._came(station)
        self.plug(station, port)

    def plug(self, station: Station, port: Opened | None) -> None:
        """Gives a station its port, or why there is none just now; None: it opens its port itself."""
        if port is None:
            self._loop.serve(station, partial(station.tell, Ask(Wish.SERVE)))
        elif isinstance(port, DncdError):
            self._loop.serve(station, partial(station.tell, OpenFailed(port)))
        else:
            self._loop.serve(station, partial(station.take_port, port))
