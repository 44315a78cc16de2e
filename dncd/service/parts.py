"""What the service is made of, for those that work with all of it."""

from dataclasses import dataclass

from dncd.outside.journal import Journal
from dncd.outside.workers import Workers
from dncd.records.store import Store
from dncd.service.backups import BackingUp
from dncd.service.health import Health
from dncd.service.library_care import LibraryCare
from dncd.service.reload import Reloading
from dncd.service.stations import Stations


@dataclass(frozen=True, slots=True)
class Parts:
    """One of each."""

    workers: Workers
    store: Store
    stations: Stations
    health: Health
    backing_up: BackingUp
    reloading: Reloading
    care: LibraryCare
    log: Journal
