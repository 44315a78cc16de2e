"""The byte stream of Telnet taken apart and put together (RFC 854): data, options and sub-negotiated values.

Commands that have no meaning here, and values that are broken off, are left out.

States, and what leads on (a 255 within values is doubled too, RFC 855 from memory)::

    DATA     --IAC-->                  COMMAND
    COMMAND  --IAC-->                  DATA, and 255 is data
    COMMAND  --WILL WONT DO DONT-->    OPTION --any--> DATA
    COMMAND  --SB-->                   SUB
    COMMAND  --any other-->            DATA
    SUB      --IAC-->                  SUB_MARK
    SUB_MARK --IAC-->                  SUB, and 255 is part of the value
    SUB_MARK --SE-->                   DATA, the value is complete
    SUB_MARK --any other-->            as COMMAND: the value was broken off
"""

import enum
from dataclasses import dataclass
from typing import Final

SE, SB, WILL, WONT, DO, DONT, IAC = 240, 250, 251, 252, 253, 254, 255

LONGEST_VALUE: Final = 512
"""Bytes of one sub-negotiation that are kept: the longest that has a meaning to dncd is a server's signature text."""


@dataclass(frozen=True, slots=True)
class Data:
    """Bytes of the line, doubled 255 undone."""

    data: bytes


@dataclass(frozen=True, slots=True)
class Negotiation:
    verb: int
    option: int


@dataclass(frozen=True, slots=True)
class Value:
    """What stood between SB and SE, option first, doubled 255 undone; at most LONGEST_VALUE bytes."""

    raw: bytes


Item = Data | Negotiation | Value


class _At(enum.Enum):
    DATA = enum.auto()
    COMMAND = enum.auto()
    OPTION = enum.auto()
    SUB = enum.auto()
    SUB_MARK = enum.auto()


class TelnetStream:
    """Takes the stream apart; any cutting gives the same items, but for where data is cut."""

    def __init__(self) -> None:
        self._at = _At.DATA
        self._verb = 0
        self._value = bytearray()

    def feed(self, raw: bytes) -> list[Item]:
        items: list[Item] = []
        at = 0
        while at < len(raw):
            if self._at is not _At.DATA:
                self._step(raw[at], items)
                at += 1
                continue
            mark = raw.find(IAC, at)
            end = len(raw) if mark < 0 else mark
            if end > at:
                _add_data(items, raw[at:end])
            if mark >= 0:
                self._at = _At.COMMAND
            at = end + (mark >= 0)
        return items

    def _step(self, byte: int, items: list[Item]) -> None:
        if self._at is _At.SUB:
            if byte == IAC:
                self._at = _At.SUB_MARK
            else:
                self._keep(byte)
        elif self._at is _At.SUB_MARK and byte == IAC:
            self._at = _At.SUB
            self._keep(byte)
        elif self._at is _At.SUB_MARK and byte == SE:
            self._at = _At.DATA
            items.append(Value(bytes(self._value)))
        elif self._at is _At.OPTION:
            self._at = _At.DATA
            items.append(Negotiation(self._verb, byte))
        else:
            self._command(byte, items)

    def _command(self, byte: int, items: list[Item]) -> None:
        self._at = _At.DATA
        if byte == IAC:
            _add_data(items, b"\xff")
        elif byte in (WILL, WONT, DO, DONT):
            self._verb, self._at = byte, _At.OPTION
        elif byte == SB:
            self._value.clear()
            self._at = _At.SUB

    def _keep(self, byte: int) -> None:
        if len(self._value) < LONGEST_VALUE:
            self._value.append(byte)


def escaped(data: bytes) -> bytes:
    """Data bytes as they go to the other end: each 255 twice."""
    return data.replace(b"\xff", b"\xff\xff")


def negotiation(verb: int, option: int) -> bytes:
    return bytes((IAC, verb, option))


def value(option: int, content: bytes) -> bytes:
    return bytes((IAC, SB, option)) + escaped(content) + bytes((IAC, SE))


def _add_data(items: list[Item], data: bytes) -> None:
    last = items[-1] if items else None
    if isinstance(last, Data):
        items[-1] = Data(last.data + data)
    else:
        items.append(Data(data))
