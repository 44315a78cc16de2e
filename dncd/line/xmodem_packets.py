"""XMODEM's packets: SOH (STX for 1024 characters), number, its complement, characters, check.

The check is the low byte of the characters' sum, or their CRC-16 high byte first. Numbers begin at 1 and go on from 255 to
0. The last packet is filled up with SUB. Source: the XMODEM/YMODEM reference of 1988, chapters 7 and 8 (verified); STX for
1024 characters: a specification of 1993 (verified).
"""

import binascii
import enum
from typing import Final

SOH, STX, EOT, ACK, BS, NAK, CAN, SUB, C = 0x01, 0x02, 0x04, 0x06, 0x08, 0x15, 0x18, 0x1A, 0x43

SMALL: Final = 128
LARGE: Final = 1024
"""Characters of a packet."""


class Check(enum.Enum):
    """How a packet is checked: `SUM` one byte, `CRC` two."""

    SUM = "checksum"
    CRC = "crc"


def check_bytes(data: bytes, check: Check) -> bytes:
    """The check of a packet's characters: low byte of their sum, or CRC-16/XMODEM (high byte first, start value 0)."""
    if check is Check.SUM:
        return bytes([sum(data) & 0xFF])
    return binascii.crc_hqx(data, 0).to_bytes(2, "big")


def packet(number: int, data: bytes, size: int, check: Check) -> bytes:
    """One packet. number: from 1, any height; data: at most `size` characters, filled up with SUB; size: 128 or 1024."""
    head = bytes([SOH if size == SMALL else STX, number & 0xFF, 0xFF - (number & 0xFF)])
    filled = data.ljust(size, bytes([SUB]))
    return head + filled + check_bytes(filled, check)
