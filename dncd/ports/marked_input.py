"""What a serial driver makes of characters that came with wrong parity or stop bits: marked ones."""

from dncd.ports.port import Reading


class MarkedInput:
    """Decoder of PARMRK input: FF FF is a good FF, FF 00 x a character x that the UART marked (termios(3))."""

    def __init__(self) -> None:
        self._held = b""

    def feed(self, raw: bytes) -> Reading:
        """The characters of `raw` and the indexes of the marked ones; an unfinished mark waits for its rest."""
        if not self._held and b"\xff" not in raw:
            return Reading(raw)
        raw = self._held + raw
        data, bad = bytearray(), []
        at = 0
        while at < len(raw):
            mark = raw.find(b"\xff", at)
            if mark < 0:
                data += raw[at:]
                at = len(raw)
                break
            data += raw[at:mark]
            at = mark
            kind = raw[mark + 1 : mark + 2]
            if not kind or (kind == b"\0" and len(raw) < mark + 3):
                break
            if kind == b"\0":
                bad.append(len(data))
                data.append(raw[mark + 2])
                at = mark + 3
            else:
                data.append(0xFF)
                # a lone FF cannot come from a driver that marks; it is kept, and its neighbour read anew
                at = mark + (2 if kind == b"\xff" else 1)
        self._held = raw[at:]
        return Reading(bytes(data), tuple(bad))
