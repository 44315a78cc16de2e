"""How things look on a terminal: tables, times, sizes, how far a test is; JSON; and pages to print."""

import contextlib
import json
import os
import re
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any, Final

from dncd.cli.invocation import echo, marks
from dncd.errors import DncdError, NotDoneError
from dncd.peer_text import printable

if TYPE_CHECKING:
    from pathlib import Path


def print_json(value: Any) -> None:
    """JSON alone; escapes keep it printable on every terminal."""
    marks.add("answered")
    echo(json.dumps(value, ensure_ascii=True, indent=2))


def print_error(error: DncdError) -> None:
    """For programs that asked for JSON, unless the command has given its own already."""
    if "answered" not in marks:
        about = {"code": error.code, "what": error.what, "where": error.where, "next": error.next_step}
        print_json({"error": about})


def terminal_width() -> int:
    """Columns of the terminal that standard output is; 0 where it is none, and nothing need be folded."""
    try:
        return os.get_terminal_size(sys.stdout.fileno()).columns
    except (OSError, ValueError):
        return 0


def paged(lines: Iterable[str]) -> None:
    """Lines, a page at a time where a person looks at a terminal: by $PAGER, else less, which ends where all is seen."""
    if sys.stdin.isatty() and sys.stdout.isatty():
        import click

        os.environ.setdefault("LESS", "FRX")
        click.echo_via_pager(f"\n{line}" if n else line for n, line in enumerate(lines))
        return
    for line in lines:
        echo(line)


def fold(line: str) -> str:
    import textwrap

    width = terminal_width()
    if len(line) <= width or not width:
        return line
    return textwrap.fill(line, max(width, 20), subsequent_indent="    ", break_on_hyphens=False)


def table(
    heads: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[int] = (), spare: Sequence[int] = ()
) -> list[str]:
    """Lines of a table with aligned columns. Cells are made printable. right: columns that stand to the right; spare:
    those that a narrow terminal leaves out. What is still too wide is folded within its column, never within a number
    or a date."""
    cells = [[printable(cell) for cell in row] for row in (heads, *rows)]
    widths = [max(len(row[column]) for row in cells) for column in range(len(heads))]
    room = terminal_width()
    shown = [n for n in range(len(heads)) if n not in spare or not room or sum(widths) + 2 * len(widths) - 2 <= room]
    if room:
        words = [{word for row in cells for word in row[n].split()} for n in range(len(heads))]
        least = [max((_least(word) for word in each), default=0) for each in words]
        while sum(widths[n] + 2 for n in shown) - 2 > room and (wide := [n for n in shown if widths[n] > least[n]]):
            widths[max(wide, key=lambda n: widths[n])] -= 1
    lines = []
    for row in cells:
        columns = {n: _folded(row[n], widths[n]) for n in shown}
        for at in range(max(map(len, columns.values()))):
            parts = {n: column[at] if at < len(column) else "" for n, column in columns.items()}
            padded = (c.rjust(widths[n]) if n in right else c.ljust(widths[n]) for n, c in parts.items())
            lines.append("  ".join(padded).rstrip())
    return lines


_BREAKS: Final = 8
"""Characters of a word without digits that stay together."""


def _least(word: str) -> int:
    return len(word) if re.search(r"\d", word) else min(len(word), _BREAKS)


def _folded(cell: str, width: int) -> list[str]:
    if len(cell) <= width:
        return [cell]
    import textwrap

    return textwrap.wrap(cell, width, break_on_hyphens=False) or [""]


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


_WIDE: Final = 70


def progress(what: str, of_s: float) -> Callable[[float], None]:
    """Give it the seconds that have gone, as often as you like: it says so once a second. of_s: about how many there are."""
    if not sys.stderr.isatty():
        return lambda _: None
    shown = -1

    def told(gone: float) -> None:
        nonlocal shown
        if int(gone) != shown:
            shown = int(gone)
            show(f"{what} for {seconds(gone)}, of about {seconds(of_s)}")

    return told


def show(text: str) -> None:
    if sys.stderr.isatty():
        echo(f"\r{text[:_WIDE]:<{_WIDE}}\r", err=True, nl=False)


@contextlib.contextmanager
def cleared_line() -> Iterator[None]:
    """Leaves the line empty at the end, whatever happened."""
    try:
        yield
    finally:
        show("")


def save_page(path: "Path", text: str, ours: str) -> None:
    """Writes an HTML page, also over an older one, which has `ours` near its beginning. NotDoneError: it was not written."""
    from dncd.records import durable

    try:
        if path.exists() and ours.encode() not in path.read_bytes()[:2000]:
            what = "the file exists and is not such a page, so it stays as it is"
            raise NotDoneError(what, str(path), "Name another FILE")
        durable.replace(path, text.encode("utf-8"))
    except OSError as error:
        raise NotDoneError(f"it cannot be written: {error.strerror}", str(path), "Name another FILE") from None
