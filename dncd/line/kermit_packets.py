"""Kermit's packets: MARK, length, number, type, data, check; all but MARK and the line's end are printable.

Source: Frank da Cruz, "Kermit Protocol Manual", sixth edition (1986), from memory, tried against two programs of Debian.
Left out: long packets, sliding windows, attributes, the commands of a server.
"""

import re
from dataclasses import dataclass
from typing import Final

MARK: Final = 0x01
CR: Final = 0x0D
MOST: Final = 94
"""Characters of a packet behind its length."""

_LEAST: Final = 20
"""No peer takes less; a packet must have room for one character with all its prefixes."""

NUMBERS: Final = 64
_QUOTE, _REPEAT, _EIGHTH = ord("#"), ord("~"), ord("&")
_NONE: Final = -1


@dataclass(frozen=True, slots=True)
class Packet:
    """kind: S offer, F name, D data, Z end of a file, B end of all, Y yes, N no, E error; number: 0 to 63."""

    kind: str
    number: int
    data: bytes = b""


def check_chars(chars: bytes, check: int) -> bytes:
    """The check of what stands between MARK and it: 1 six bits of the sum, 2 twelve bits of it, 3 a CRC of 16 bits."""
    total = sum(chars)
    if check == 1:
        return bytes([32 + (total + (total >> 6 & 3) & 63)])
    if check == 2:
        return bytes([32 + (total >> 6 & 63), 32 + (total & 63)])
    crc = 0
    for char in chars:  # CRC-16 of CCITT, lowest bit first, four bits at a time
        crc = crc >> 4 ^ ((crc ^ char) & 15) * 0o10201
        crc = crc >> 4 ^ ((crc ^ char >> 4) & 15) * 0o10201
    return bytes([32 + (crc >> 12), 32 + (crc >> 6 & 63), 32 + (crc & 63)])


def wire(packet: Packet, check: int) -> bytes:
    """The packet as it goes out, without the line's end."""
    head = bytes([32 + len(packet.data) + 2 + check, 32 + packet.number]) + packet.kind.encode("ascii")
    return bytes([MARK]) + head + packet.data + check_chars(head + packet.data, check)


def read(raw: bytes, check: int) -> Packet | None:
    """What `Reader` gave; None where it is damaged. check: as agreed on; an S always has 1, and the length of an N tells."""
    kind = chr(raw[2])
    size = 1 if kind == "S" else len(raw) - 3 if kind == "N" else check
    if not 1 <= size <= min(3, len(raw) - 3) or check_chars(raw[:-size], size) != raw[-size:]:
        return None
    return Packet(kind, raw[1] - 32 & 63, raw[3:-size])


class Reader:
    """Finds packets in what comes: a MARK always begins one."""

    def __init__(self) -> None:
        self._kept = bytearray()

    def feed(self, data: bytes) -> list[bytes]:
        found = []
        self._kept += data
        while (at := self._kept.find(MARK)) >= 0:
            del self._kept[:at]
            size = self._kept[1] - 31 if len(self._kept) > 1 else 0
            part = self._kept[1 : 1 + size]
            if MARK in part or (len(self._kept) > 1 and not 4 <= size <= MOST + 2):
                del self._kept[0]  # cut short, or no packet of ours (one program of Debian makes them of 95)
            elif size and len(part) == size:
                found.append(bytes(part))
                del self._kept[: 1 + size]
            else:
                return found
        self._kept.clear()
        return found


@dataclass(frozen=True, slots=True)
class Terms:
    """What two sides agreed on. most: characters behind the length; wait_s: seconds that the peer wants to be waited for;
    before, after: what it wants around each packet; quote: its prefix of control characters; eighth, repeat: the prefixes of
    both for the eighth bit and for repetitions, -1 for none; check: 1 to 3."""

    most: int = 80
    wait_s: float = 10.0
    before: bytes = b""
    after: bytes = b"\r"
    quote: int = _QUOTE
    eighth: int = _NONE
    repeat: int = _NONE
    check: int = 1


def offer(seven: bool, check: int) -> bytes:
    """The data of our S, or of the Y to one. seven: the line carries seven bits, so the eighth needs a prefix."""
    return bytes([32 + MOST, 32 + 10, 32, 64, 32 + CR, _QUOTE, _EIGHTH if seven else ord("Y"), 48 + check, _REPEAT])


def agree(ours: bytes, theirs: bytes) -> Terms:
    """ours, theirs: the data of both sides' S and Y; what theirs leaves out has the manual's default."""
    most, wait, pads, pad, end, quote, eighth, check, repeat = (theirs + b" " * 9)[:9]
    prefix = {ours[6], eighth} - {ord("Y")}
    both = len(prefix) == 1 and (char := prefix.pop()) not in b"N "
    return Terms(
        max(_LEAST, min(MOST, most - 32)) if most > 32 else 80,
        float(wait - 32) if 1 < wait - 32 < MOST else 10.0,
        bytes([(pad ^ 64) & 0x7F]) * (pads - 32),
        bytes([end - 32]) if end > 32 else b"\r",
        quote if quote > 32 else _QUOTE,
        char if both else _NONE,
        repeat if repeat == ours[8] else _NONE,
        check - 48 if check == ours[7] else 1,
    )


_RUN: Final = re.compile(rb"(.)\1*", re.DOTALL)


def coded(data: bytes, room: int, terms: Terms) -> tuple[int, bytes]:
    """As many characters of `data` as fit into `room`: their number, and what stands for them in a packet of ours."""
    out, used = bytearray(), 0
    while used < len(data):
        run = _RUN.match(data[used : used + MOST])
        length = len(run[0]) if run else 1
        one = _coded(data[used], terms)
        if terms.repeat != _NONE and length * len(one) > len(one) + 2:
            piece = bytes([terms.repeat, 32 + length]) + one
        else:
            piece, length = one, 1
        if len(out) + len(piece) > room:
            break
        out += piece
        used += length
    return used, bytes(out)


def _coded(char: int, terms: Terms) -> bytes:
    prefix = b""
    if terms.eighth != _NONE and char & 0x80:
        prefix, char = bytes([terms.eighth]), char & 0x7F
    low = char & 0x7F
    if low < 32 or low == 0x7F:
        return prefix + bytes([_QUOTE, char ^ 64])
    return prefix + (bytes([_QUOTE, char]) if low in (_QUOTE, terms.eighth, terms.repeat) else bytes([char]))


def decoded(data: bytes, terms: Terms) -> bytes:
    """What the data of a packet of the peer's stand for."""
    out, chars = bytearray(), iter(data)
    for first in chars:
        char, times, high = first, 1, 0
        if char == terms.repeat:
            times, char = next(chars, 32) - 32, next(chars, 32)
        if char == terms.eighth:
            high, char = 0x80, next(chars, 32)
        if char == terms.quote:
            char = next(chars, 32)
            char ^= 64 if 63 <= char & 0x7F <= 95 else 0
        out += bytes([char | high]) * times
    return bytes(out)
