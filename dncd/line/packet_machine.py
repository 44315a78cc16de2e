"""What all packet machines share: the events that they give, and how one follows a table of rules (`packet_rules`).

A machine has no clock and no port. It is fed `bytes` and `now` (seconds of any steady clock), says by `next_due` when it
wants a `tick`, and holds what it wants to say until `outgoing` fetches it.
"""

import enum
import math
from dataclasses import dataclass
from typing import Final

from dncd.line.packet_rules import Cause, Do, Phase, Table


class Ending(enum.Enum):
    """How a transfer ended: `CANCELLED` here, `ABORTED` by the peer, `FAILED` after too many tries or out of step."""

    DONE = "done"
    CANCELLED = "cancelled"
    ABORTED = "aborted"
    FAILED = "failed"


class Patience(enum.Enum):
    """What a sender does about a receiver that says nothing: repeat the packet, or leave that to the receiver. A
    control that cuts while it reads may keep its ACK back until it has room, for as long as it likes."""

    REPEAT = "repeat"
    WAIT = "wait"


@dataclass(frozen=True, slots=True)
class Started:
    """The first packet goes out, or came whole. name: what the sender calls the program, "" where it does not."""

    name: str = ""


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """chars: characters of the program, without filling, that the receiver has just acknowledged."""

    chars: int


@dataclass(frozen=True, slots=True)
class Received:
    """data: the characters of one packet, filling included."""

    data: bytes


@dataclass(frozen=True, slots=True)
class Repeated:
    """A packet is sent, or asked for, once more; why: for the journal."""

    why: str


@dataclass(frozen=True, slots=True)
class Ended:
    """The program is over; reason: a phrase for a receipt, "" where it is done."""

    ending: Ending
    reason: str


@dataclass(frozen=True, slots=True)
class Wish:
    """The other side waits for a program."""


Event = Started | Acknowledged | Received | Repeated | Ended | Wish

CLOSING_TRIES: Final = 3
"""How often the end of a batch is said: the program is there, and what is left is a courtesy."""


class Machine:
    """Does what `table` says for its phase and for what happens; `_do` knows how."""

    def __init__(self, table: Table) -> None:
        self.phase = Phase.START
        self.chars = 0
        """Characters handed over so far: acknowledged, or delivered (filling included)."""
        self._table = table
        self._due = math.inf
        self._out = bytearray()
        self._events: list[Event] = []
        self._tries = 0

    def feed(self, data: bytes, now: float) -> list[Event]:
        raise NotImplementedError

    def next_due(self) -> float | None:
        """When `tick` should be called; None while only the peer can go on."""
        return None if self._due == math.inf else self._due

    def tick(self, now: float) -> list[Event]:
        if now >= self._due:
            self._on(Cause.SILENCE, now)
        return self._drain()

    def ask(self, now: float) -> None:
        """A receiver that keeps still until a program is offered asks for one from now on; others do by themselves."""

    def outgoing(self) -> bytes:
        """What has to be written now, in order; it is given once."""
        data = bytes(self._out)
        self._out.clear()
        return data

    def cancel(self, now: float) -> list[Event]:
        """Ends the transfer from this side and says so (drop what was not yet written of a packet)."""
        if self.phase is not Phase.OVER:
            self._out.clear()
            self._give_up(Ending.CANCELLED, "cancelled here")
        return self._drain()

    def _on(self, cause: Cause, now: float) -> None:
        do, _ = self._table.get((self.phase, cause), (Do.NOTHING, frozenset[Phase]()))
        if do is Do.ABORTED:
            self._over(Ending.ABORTED, self._said_abort())
        elif do is not Do.NOTHING:
            self._do(do, cause, now)

    def _do(self, do: Do, cause: Cause, now: float) -> None:
        raise NotImplementedError

    def _farewell(self, reason: str) -> bytes:
        """What tells the peer that this side gives up."""
        raise NotImplementedError

    def _said_abort(self) -> str:
        """How the peer gave up."""
        raise NotImplementedError

    def _give_up(self, ending: Ending, reason: str) -> None:
        self._over(ending, reason, say=self._farewell(reason))

    def _not_whole(self, number: int, most: int) -> bool:
        """A packet did not come whole: whether it may be asked for again; after `most` tries it is given up."""
        self._tries += 1
        if self._tries >= most:
            self._give_up(Ending.FAILED, f"packet {number} did not come whole in {self._tries} tries")
            return False
        self._events.append(Repeated(f"packet {number} did not come whole"))
        return True

    def _over(self, ending: Ending, reason: str, say: bytes = b"") -> None:
        self._out += say
        self.phase, self._due = Phase.OVER, math.inf
        self._events.append(Ended(ending, reason))

    def _drain(self) -> list[Event]:
        events, self._events = self._events, []
        return events


class SendingMachine(Machine):
    """Sends one program. Feed it with `supply` and `finish`, in step with `wanted`. most: characters that it holds."""

    def __init__(self, table: Table, most: int) -> None:
        super().__init__(table)
        self._most, self._held, self._finished = most, bytearray(), False

    @property
    def wanted(self) -> int:
        """Characters that may be supplied now."""
        return 0 if self._finished else max(0, self._most - len(self._held))

    def supply(self, data: bytes, now: float) -> list[Event]:
        self._held += data
        self._on(Cause.SUPPLY, now)
        return self._drain()

    def finish(self, now: float) -> list[Event]:
        self._finished = True
        self._on(Cause.SUPPLY, now)
        return self._drain()

    def _once_more(self, what: str, cause: Cause, most: int) -> bool:
        """Something is asked for again, or was not answered: whether it may be said again; after `most` tries it is given
        up."""
        self._tries += 1
        why = f"{what} {'was not answered' if cause is Cause.SILENCE else 'was asked for again'}"
        if self._tries >= most:
            self._give_up(Ending.FAILED, f"{why} {self._tries} times in a row")
            return False
        self._events.append(Repeated(why))
        return True

    def written(self, now: float) -> None:
        """What `outgoing` gave has left on the line, or is leaving: from here on the answer counts, and the wait for it."""
        raise NotImplementedError

    @property
    def answer_due(self) -> bool:
        """Whether the control owes the answer to a packet: while it does, it holds the line."""
        return self.phase is Phase.REPLY
