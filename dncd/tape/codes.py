"""The two tape codes as tables: ISO 646 with the parity of the frame, and EIA RS-244 with its own odd parity.

A `Coder` turns ISO 646 characters (the only form in which the rest of dncd knows a program) into the bytes of an
eight-bit line and back, one byte a character, by `bytes.translate`.

Sources: ISO 840 / EIA RS-358 is ISO 646 with even parity in channel 8 (verified). The RS-244 values of digits, letters,
space, TAB, DEL, EOB and punctuation are verified in tables of the code family; ER 0x0B for `%` is from memory, and
`(` 0x1A and `)` 0x4A are builder-assigned, so these three are defaults that the settings may change.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from dncd.choices import USUAL_ENDS, BlockEnd, DcParity, TapeCode
from dncd.values import Frame, IsoBytes, LineSettings, TapeSettings, WireBytes

FAULT: Final = 0xFF
"""Stands in decoded characters for a byte that is no character of the code; no ISO 646 character has eight bits."""

NUL: Final = 0x00
EOT: Final = 0x04
BS: Final = 0x08
TAB: Final = 0x09
LF: Final = 0x0A
CR: Final = 0x0D
DC1: Final = 0x11
DC2: Final = 0x12
DC3: Final = 0x13
DC4: Final = 0x14
SUB: Final = 0x1A
DEL: Final = 0x7F

EOB: Final = 0x80
"""EIA end of block: channel 8 alone. No other code has a hole in channel 8 (verified)."""

EIA_STANDARD: Final[Mapping[str, int]] = {
    **dict(zip("0123456789", b"\x20\x01\x02\x13\x04\x15\x16\x07\x08\x19", strict=True)),
    **dict(zip("ABCDEFGHI", b"\x61\x62\x73\x64\x75\x76\x67\x68\x79", strict=True)),
    **dict(zip("JKLMNOPQR", b"\x51\x52\x43\x54\x45\x46\x57\x58\x49", strict=True)),
    **dict(zip("STUVWXYZ", b"\x32\x23\x34\x25\x26\x37\x38\x29", strict=True)),
    **dict(zip(" .,/+-&\t", b"\x10\x6b\x3b\x31\x70\x40\x0e\x3e", strict=True)),
}
"""Characters that RS-244 itself has, with their bytes (channel n is bit n - 1)."""

EIA_CUSTOMARY: Final[Mapping[str, int]] = {"%": 0x0B, "(": 0x1A, ")": 0x4A}
"""Characters that RS-244 leaves to the builder, with the usual bytes: `%` as ER (memory), the others builder-assigned."""

EIA_FUNCTIONS: Final[Mapping[str, int]] = {"EOB": EOB, "BS": 0x2A, "LC": 0x7A, "UC": 0x7C, "DEL": 0x7F}
"""Codes that stand for no character of a program and that no setting may take."""

_LINE_SIGNALS: Final = (DC1, DC2, DC3, DC4)


def with_parity(char: int, parity: str) -> int:
    """A seven-bit character with its parity in bit 7: `E` even, `O` odd, `M` mark (one), `N` none and `S` space (zero)."""
    ones = char.bit_count() % 2
    return char | (0x80 if parity == "M" or (parity == "E" and ones) or (parity == "O" and not ones) else 0)


def _iso_table(frame: Frame) -> dict[int, int]:
    """ISO 646 character → byte on the line. ValueError where the frame cannot carry seven bits."""
    if frame.data_bits < 7:
        raise ValueError(f"ISO code has seven bits, which the frame {frame} cannot carry: set line.frame to 7E2 or 8N1")
    return {char: with_parity(char, frame.parity if frame.carries_own_parity else "N") for char in range(128)}


def _eia_table(frame: Frame, eia_codes: Mapping[str, int]) -> dict[int, int]:
    """ISO 646 character → EIA byte. ValueError for a wrong frame or an impossible code in the settings."""
    if frame.data_bits != 8 or frame.parity != "N":
        raise ValueError(
            f"EIA code brings its own parity and needs eight bits without parity, not the frame {frame}:"
            " set line.frame to 8N1 or 8N2"
        )
    for char, byte in eia_codes.items():
        _check_eia_code(char, byte)
    chars = {**EIA_STANDARD, **EIA_CUSTOMARY, **eia_codes}
    taken = {byte: name for name, byte in EIA_FUNCTIONS.items()}
    for char, byte in sorted(chars.items(), key=lambda entry: entry[0] in eia_codes):
        if byte in taken:
            raise ValueError(f"tape.eia_codes gives {char!r} the byte 0x{byte:02X}, which is already {taken[byte]!r}")
        taken[byte] = char
    signals = {char: with_parity(char, "E") for char in _LINE_SIGNALS}
    functions = {NUL: NUL, LF: EOB, BS: EIA_FUNCTIONS["BS"], DEL: EIA_FUNCTIONS["DEL"]}
    return {**{ord(char): byte for char, byte in chars.items()}, **functions, **signals}


def _check_eia_code(char: str, byte: int) -> None:
    """One entry of `tape.eia_codes`: a printable character that is no small letter, and an odd byte below 0x80."""
    if len(char) != 1 or not (" " <= char <= "~" or char == "\t") or char.islower():
        raise ValueError(
            f"tape.eia_codes names {char!r}, which is not one printable ISO character (EIA code has no small letters)"
        )
    if not 0 < byte < EOB:
        raise ValueError(
            f"tape.eia_codes gives {char!r} the byte {byte:#04x}; allowed are 0x01 to 0x7F, because channel 8 is EOB alone"
        )
    if byte.bit_count() % 2 == 0:
        raise ValueError(
            f"tape.eia_codes gives {char!r} the byte 0x{byte:02X}, which has {byte.bit_count()} holes;"
            " every EIA code has an odd number of holes"
        )


@dataclass(frozen=True, slots=True)
class Decoded:
    """Characters of a piece of line, one for each byte, with FAULT (0xFF) in place of each that is none."""

    chars: bytes

    @property
    def faults(self) -> tuple[int, ...]:
        """Indexes of the bytes that are no character of the code, in order."""
        return tuple(found.start() for found in re.finditer(b"\xff", self.chars))


class Coder:
    """ISO 646 characters ⇄ bytes of an eight-bit line, for one code and frame. code, frame: what the machine has;
    eia_codes: bytes for characters that RS-244 leaves to the builder (they change or extend `EIA_CUSTOMARY`); ends:
    what ends a block, of which a character of its own is decoded to CR or LF (`BlockEnd.read`). ValueError, in one
    sentence fit for a user, where these cannot go together."""

    __slots__ = ("_to_chars", "_to_wire", "_uncodable", "_unknown", "codable", "code", "end", "ends", "frame")

    def __init__(
        self,
        code: TapeCode,
        frame: Frame,
        eia_codes: Mapping[str, int] | None = None,
        ends: BlockEnd = USUAL_ENDS[0],
    ) -> None:
        self.code, self.frame, self.ends = code, frame, ends
        table = _iso_table(frame) if code is TapeCode.ISO else _eia_table(frame, eia_codes or {})
        to_wire, to_chars = bytearray(256), bytearray([FAULT]) * 256
        for char, byte in table.items():
            to_wire[char], to_chars[byte] = byte, char
        self._to_wire, self._unknown = bytes(to_wire), bytes(table)
        self.end = self.encode(IsoBytes(ends.chars.encode("ascii")))
        """What ends a block, coded."""
        if ends.own and "\n" not in ends.chars:
            to_chars[to_wire[LF]] = CR  # which beside an end of its own is none
        for byte, char in zip(self.end, ends.decoded.encode("ascii"), strict=True):
            to_chars[byte] = char
        self._to_chars = bytes(to_chars)
        self.codable = frozenset(chr(char) for char in table if 0x20 <= char < DEL or char == TAB) - ends.own
        """Characters of a program that the code carries: printable ones and TAB, without block ends."""
        self._uncodable = re.compile(f"[^\n{re.escape(''.join(sorted(self.codable)))}]")

    @classmethod
    def of(cls, tape: TapeSettings, line: LineSettings) -> "Coder":
        """The coder of a machine; ValueError as the class says."""
        return cls(tape.code, line.frame, dict(tape.eia_codes), tape.ends)

    def blocks(self, text: str) -> WireBytes:
        """Blocks with '\\n' behind each, coded, with what ends a block in its place. ValueError as `encode`."""
        coded = self.encode(IsoBytes(text.encode("ascii")))
        return WireBytes(coded.replace(self._to_wire[LF : LF + 1], self.end))

    def encode(self, chars: IsoBytes) -> WireBytes:
        """One byte of the line for each character (ISO 646, LF being EOB in EIA). ValueError if one has no code."""
        strange = chars.translate(None, self._unknown)
        if strange:
            raise ValueError(f"{self.code.value} code has no byte for the character 0x{strange[0]:02X}")
        return WireBytes(chars.translate(self._to_wire))

    def decode(self, wire: WireBytes) -> Decoded:
        """One character for each byte of the line; what breaks the parity or is in no table becomes FAULT."""
        return Decoded(wire.translate(self._to_chars))

    def uncodable(self, text: str) -> Iterator[int]:
        """Indexes of the characters of `text` that a file may not have in this code; '\\n' is a block end and may be."""
        return (found.start() for found in self._uncodable.finditer(text))

    def signal(self, code: int, parity: DcParity) -> WireBytes:
        """The byte by which dncd says a DC code (0x11 to 0x14), with the eighth bit that the setting asks for."""
        if parity is DcParity.AS_FRAME:
            return self.encode(IsoBytes(bytes([code])))
        return WireBytes(bytes([with_parity(code, "E" if parity is DcParity.EVEN else "N")]))

    def forms(self, chars: bytes) -> tuple[bytes, ...]:
        """The bytes that are each of these ISO characters, the one that dncd says first. ValueError if one has no code."""
        own = self.encode(IsoBytes(chars))
        return tuple(
            bytes([byte, *(self.signals(char) - {byte} if char in _LINE_SIGNALS else ())])
            for char, byte in zip(chars, own, strict=True)
        )

    def signals(self, char: int) -> frozenset[int]:
        """Bytes on the line that stand for a control character such as DC3. In ISO with the parity bit or without; in
        EIA only the form with an even number of holes, which no EIA character has (0x13 is the digit 3, 0x93 is DC3;
        hole counts verified in two connection manuals)."""
        if self.code is TapeCode.EIA:
            return frozenset({with_parity(char, "E")})
        return frozenset({char, char | 0x80})
