"""What the tests of the page show: statuses as the service tells them, and a state folder with a few records."""

import contextlib
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

from dncd.page.reading import Reading
from dncd.records.ledger import Ledger
from dncd.records.library import Text, Writer
from dncd.values import Origin

ZONE = timezone(timedelta(hours=1), "CET")
NOW = datetime(2026, 11, 28, 14, 10, tzinfo=ZONE)
NEXT: dict[str, Any] = {
    "by": "the next READ",
    "file": "0004.nc",
    "program": "O0004",
    "programs": 1,
    "title": "SLEEVE",
    "revision": 3,
    "is_new": False,
    "proven": True,
    "dropped": "2026-11-28T13:05:00Z",
    "of": "",
    "warnings": [],
    "then": [],
    "withheld": "",
    "next_step": "",
}
OUT: dict[str, Any] = {
    "direction": "out",
    "file": "0004.nc",
    "program": "O0004",
    "chars": 1200,
    "of_chars": 4800,
    "seconds": 5.0,
    "holds": 2,
    "held_s": 75.0,
    "held_for_s": 71.0,
    "block": "N120 G01 X24.5",
}
TEXTS = (
    "O0004 (SLEEVE)\nN10 G00 X26. Z2. (START)\nN20 G01 Z-20. F0.2\nN30 M30\n",
    "O0004 (SLEEVE)\nN10 G00 X26. Z2. (START)\nN20 G01 Z-20. F0.15\nN25 M08\nN30 M30\n",
)


def status(**changes: Any) -> dict[str, Any]:
    """Of a machine at rest, with these changes."""
    at_rest = {
        "state": "listening",
        "title": "Gang lathe, bay 2",
        "port": "/dev/ttyUSB0",
        "waiting": [],
        "waits_for": "",
        "next": {},
        "warnings": {},
        "transfer": None,
        "pending": "",
        "counters": {},
        "proven": {"since": "2026-10-02", "why": "proven since 2026-10-02"},
        "trouble": [],
        "lent_to": "",
        "not_seated": "",
        "keys": {"read": "READ", "punch": "PUNCH", "reset": "RESET"},
        "drip_feed": False,
        "folder": "",
        "backup": {
            "last": "2026-11-16T09:00:00Z",
            "age_days": 12.2,
            "programs": 14,
            "missing": 0,
            "due": "",
            "open": False,
        },
        "last": {"time": "2026-11-28T12:58:00Z", "event": "sent", "file": "0003.nc", "damaged": 0},
    }
    return at_rest | changes


def records(root: Path, machine: str = "gang-lathe") -> Reading:
    """A shop in which O0004 went out, came back with an edit and was proven; O0005 went out in part; O0006 came damaged."""
    state = root / "state"
    with contextlib.closing(Ledger.open(state)) as ledger, contextlib.closing(Writer(state)) as library:

        def note(event: str, program: str, **more: Any) -> None:
            ledger.append(event, {"machine": machine, "program": program, **more})

        for number, (text, origin) in enumerate(zip(TEXTS, Origin, strict=True), 1):
            library.revise(machine, "O0004", Text.of(text.encode()), origin, {})
            event = "sent" if origin is Origin.OFFICE else "received"
            note(event, "O0004", revision=number, file="O0004.nc", wire_chars=60, seconds=0.9, holds=0)
        note("differs", "O0004", revision=2, file="O0004.nc", against=1)
        note("proven", "O0004", revision=1, note="order 1187", by="R. Foreman")
        library.revise(machine, "O0005", Text.of(b"O0005 (SPACER)\nM30\n"), Origin.OFFICE, {})
        note("interrupted", "O0005", revision=1, file="0005.nc", reasons=["the line was lost"])
        hit = "line 3, column 6, block 'N20 G\ufffd1': character 20 of the capture is damaged: 0x1E"
        note("damaged", "O0006", file="O0006.nc", reasons=[hit])
    place = root / "shop" / machine / "from-machine" / "damaged"
    place.mkdir(parents=True)
    (place / "O0006.nc").write_bytes("%\r\nO0006\r\nN20 G\ufffd1 X2.\r\nM30\r\n%\r\n".encode())
    return Reading(state, root / "shop")
