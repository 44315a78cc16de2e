"""What the service is made of, for those that work with all of it."""

from dataclasses import dataclass

from dncd.outside.journal import Journal
from dncd.outside.workers import Workers
from dncd.service.backups import BackingUp
from dncd.service.health import Health
from dncd.service.library_care import LibraryCare
from dncd.service.reload import Reloading
from dncd.service.stations import Stations
from dncd.station.office import Office


@dataclass(frozen=True, slots=True)
class Parts:
    """One of each."""

    workers: Workers
    office: Office
    stations: Stations
    health: Health
    backing_up: BackingUp
    reloading: Reloading
    care: LibraryCare
    log: Journal
