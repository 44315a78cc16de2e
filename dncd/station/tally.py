"""What one line has done since the service started: counted, for `status`, the health endpoint and a report."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from dncd.values import NO_FAULTS, Counters, Result


@dataclass(slots=True)
class Tally:
    """chars: characters of the transfers that have ended; faults: what the port noticed; losses: times it went away."""

    transfers: dict[str, int] = field(default_factory=lambda: dict.fromkeys(Result, 0))
    chars_out: int = 0
    chars_in: int = 0
    holds: int = 0
    held_s: float = 0.0
    faults: Counters = NO_FAULTS
    losses: int = 0
    summed_up: int = 0

    def went_out(self, record: Mapping[str, Any]) -> None:
        """A dropped file has ended; record: its ledger line."""
        self._count(record)
        self.chars_out += int(record.get("chars") or 0)
        self.holds += int(record.get("holds") or 0)
        self.held_s += float(record.get("held_s") or 0.0)

    def came_in(self, records: Sequence[Mapping[str, Any]]) -> None:
        """A capture has ended; records: the ledger lines of its programs, which all have the characters of the whole."""
        for record in records:
            self._count(record)
        if records:
            self.chars_in += int(records[0].get("wire_chars") or 0)
        else:
            self.summed_up += 1

    def _count(self, record: Mapping[str, Any]) -> None:
        event = record.get("event")
        if event in self.transfers:
            self.transfers[event] += 1

    def as_dict(self) -> dict[str, Any]:
        """For `status`."""
        faults = {name: getattr(self.faults, name) for name in Counters.__slots__}
        return {
            "transfers": dict(self.transfers),
            "chars_out": self.chars_out,
            "chars_in": self.chars_in,
            "holds": self.holds,
            "held_s": round(self.held_s, 3),
            "faults": faults,
            "port_losses": self.losses,
            "summed_up": self.summed_up,
        }
