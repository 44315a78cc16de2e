"""The packet protocols of a line, one row each: whatever differs between them above their machines stands here."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final

from dncd import defaults
from dncd.choices import Protocol
from dncd.line import kermit, xmodem
from dncd.line.packet_machine import Machine, Patience, SendingMachine
from dncd.line.xmodem import NAK, SOH, STX, C
from dncd.values import LineSettings


@dataclass(frozen=True, slots=True)
class Offer:
    """What is to be sent. name: of the dropped file; chars: of the whole tape image."""

    name: str
    chars: int

    @property
    def plain_name(self) -> str:
        """The name in letters, digits, points and dashes: what any control's files may be called."""
        return re.sub(r"[^A-Za-z0-9.-]", "_", self.name)[:64] or "PROGRAM"


@dataclass(frozen=True, slots=True)
class Row:
    """sender: a machine for an offer, with the seconds to wait for the receiver's first word; receiver: one that waits for a
    program; wishes: single characters by which a receiver asks for one, and by which dncd asks on an idle line (b"": it
    keeps still there); wish: the same for people; heads: characters that begin a packet of the next program, which needs a
    new machine (b"": one machine takes all that come); next_s: seconds until that one asks."""

    sender: Callable[[LineSettings, Offer, float, float, Patience], SendingMachine]
    receiver: Callable[[LineSettings, float], Machine]
    wishes: bytes
    heads: bytes
    next_s: float
    wish: str


def _xmodem_sender(line: LineSettings, offer: Offer, now: float, start_s: float, patience: Patience) -> SendingMachine:
    name, chars = offer.plain_name, offer.chars
    return xmodem.Sender(line.protocol, now, start_s=start_s, patience=patience, name=name, chars=chars)


def _kermit_sender(line: LineSettings, offer: Offer, now: float, start_s: float, patience: Patience) -> SendingMachine:
    return kermit.Sender(line.frame, offer.plain_name.upper(), now, start_s=start_s, patience=patience)


_XMODEM: Final = Row(
    _xmodem_sender,
    lambda line, now: xmodem.Receiver(line.protocol, now),
    wishes=bytes([C, NAK]),
    heads=bytes([SOH, STX]),
    next_s=defaults.XMODEM_REST_S,
    wish="XMODEM's C or NAK",
)

PROTOCOLS: Final[Mapping[Protocol, Row]] = {
    Protocol.XMODEM: _XMODEM,
    Protocol.XMODEM_CRC: _XMODEM,
    Protocol.XMODEM_1K: _XMODEM,
    Protocol.YMODEM: replace(_XMODEM, wishes=bytes([C]), next_s=0.0, wish="YMODEM's C"),
    Protocol.KERMIT: Row(_kermit_sender, lambda line, _: kermit.Receiver(line.frame), b"", b"", 0.0, "Kermit's NAK"),
}
"""By `line.protocol`; `plain` characters are none."""
