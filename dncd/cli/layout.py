"""How things look on a terminal: tables, times, sizes; JSON; and pages to print."""

import json
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from dncd.errors import NotDoneError
from dncd.peer_text import printable


def print_json(value: Any) -> None:
    """JSON alone; escapes keep it printable on every terminal."""
    click.echo(json.dumps(value, ensure_ascii=True, indent=2))


def table(heads: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[int] = ()) -> list[str]:
    """Lines of a table with aligned columns; `right`: columns that stand to the right. Cells are made printable."""
    cells = [[printable(cell) for cell in row] for row in (heads, *rows)]
    widths = [max(len(row[column]) for row in cells) for column in range(len(heads))]
    lines = []
    for row in cells:
        padded = [c.rjust(w) if n in right else c.ljust(w) for n, (c, w) in enumerate(zip(row, widths, strict=True))]
        lines.append("  ".join(padded).rstrip())
    return lines


def local_time(text: str) -> str:
    """A record's time (ISO 8601, UTC) as the wall clock here shows it; what is no time stays as it is."""
    try:
        return datetime.fromisoformat(text).astimezone().strftime("%Y-%m-%d %H:%M:%S")
    except ValueError:
        return text


def seconds(value: float) -> str:
    """`4.2 s`, `12 min 5 s`, `3 h 10 min`."""
    if value < 10:
        return f"{value:.1f} s"
    whole = round(value)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    return f"{whole // 3600} h {whole % 3600 // 60} min"


def number(value: Any) -> str:
    """A count with thousands marked, or nothing where there is none."""
    return f"{value:,}" if isinstance(value, int) else ""


def count(value: int, one: str, many: str = "") -> str:
    """`1 hold`, `3 holds`."""
    return f"{value:,} {one if value == 1 else many or one + 's'}"


def save_page(path: Path, text: str, ours: str) -> None:
    """Writes an HTML page, also over an older one, which has `ours` near its beginning. NotDoneError: it was not written."""
    from dncd.records import durable

    try:
        if path.exists() and ours.encode() not in path.read_bytes()[:2000]:
            what = "the file exists and is not such a page, so it stays as it is"
            raise NotDoneError(what, str(path), "Name another FILE")
        durable.replace(path, text.encode("utf-8"))
    except OSError as error:
        raise NotDoneError(f"it cannot be written: {error.strerror}", str(path), "Name another FILE") from None
