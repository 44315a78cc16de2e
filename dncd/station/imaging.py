"""The tape image of a dropped file, as it goes out over the line."""

import contextlib
import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from dncd.line.whole_image import Around
from dncd.program import dropped, names
from dncd.program.survey import body
from dncd.records import durable
from dncd.records.plans import OnWire, on_wire
from dncd.records.texts import NO_FACTS, FactsReading
from dncd.station.results import NO_IMAGE, Checked, Prepared
from dncd.tape.codes import Coder
from dncd.tape.image import significant_chars, significant_chunks
from dncd.values import MachineSettings

IN_MEMORY: Final = 4 * 1024 * 1024
"""Bytes of a file, and characters of a tape image, that are kept in memory while they are worked on; a larger file is read
from its copy, and a larger image from a file as it goes out."""

_TAIL_CHARS: Final = 4_096
"""Characters at the end of a program in which its end word is looked for."""


def image_of(
    chunks: dropped.Chunks, copy: Path, image: Path, checked: Checked, *, settings: MachineSettings, coder: Coder
) -> Prepared:
    """Makes the tape image of a text; a small one stays in memory. copy, image: their files; coder: the machine's."""
    around, found, tape = Around.of(settings, coder), checked.survey, settings.tape
    sha256, chars, size, wire = hashlib.sha256(), 0, 0, bytearray(around.lead)
    tail = ""
    small, reading = found.image_chars <= IN_MEMORY, FactsReading(found.chars)

    def counted() -> Iterator[str]:
        nonlocal size, tail
        for text in body(chunks, checked.encoding, found):
            data = text.encode("utf-8")
            size += len(data)
            reading.feed(data)
            outgoing = dropped.replaced(text, settings.program.replace)
            tail = (tail + outgoing)[-_TAIL_CHARS:]
            yield outgoing

    with contextlib.nullcontext() if small else image.open("wb") as file:
        for piece in significant_chunks(found.opening, counted(), found.closing, coder):
            sha256.update(piece)
            chars += len(piece)
            wire += piece
            if file is not None and len(wire) > IN_MEMORY:
                file.write(wire)
                wire.clear()
        wire += around.trail
        if file is not None:
            file.write(wire)
    end, word = names.end_in(tail, settings.program.ends)
    behind = significant_chars("", [tail[end:]], found.closing, tape)
    return Prepared(
        copy,
        image,
        bytes(wire) if small else b"",
        around.total(chars),
        len(around.lead),
        chars,
        sha256.hexdigest(),
        around.shape(chars, behind, word),
        size,
        reading.result() if size == found.chars else NO_FACTS,
    )


def went_out(prepared: Prepared, handed_over: int) -> OnWire | None:
    """What went out of an image that did not go whole; handed_over: characters, of the leader too."""
    if handed_over >= prepared.lead + prepared.wire_chars:
        return None
    image = [prepared.wire] if prepared.wire else durable.read_chunks(prepared.image)
    return on_wire(image, prepared.lead, handed_over)


def put_away(prepared: Prepared) -> None:
    if prepared is not NO_IMAGE:
        for left in (prepared.copy, prepared.image):
            durable.discard(left)
