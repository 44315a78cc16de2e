"""What came as one piece (packets, a capture that silence or a code ended, a leftover), cut into its punches."""

from dataclasses import dataclass

from dncd.line.receiving import Began, CaptureEnd, Caught, Ended, Receiving
from dncd.values import WireBytes


@dataclass(frozen=True, slots=True)
class Punch:
    """One punch of the piece. bad: indexes in `wire` that the port marked; why: what ended it."""

    wire: WireBytes
    bad: tuple[int, ...]
    why: CaptureEnd


def punches(receiving: Receiving, wire: bytes, bad: tuple[int, ...]) -> tuple[Punch, ...]:
    """receiving: an idle one that ends captures at marks. Noise without a printable character is no punch."""
    found, data, marked = list[Punch](), bytearray(), list[int]()
    for event in (*receiving.feed(wire, 0.0, bad), *receiving.stop(0.0)):
        match event:
            case Began():
                data, marked = bytearray(), []
            case Caught(part, hits):
                marked += [len(data) + index for index in hits]
                data += part
            case Ended(why, _, printable, _, mark) if printable:
                found.append(Punch(WireBytes(mark + data), tuple(len(mark) + index for index in marked), why))
    return tuple(found)
