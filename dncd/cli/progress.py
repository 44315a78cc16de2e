"""One line on a terminal that says how far a test of a line is; nothing where nobody looks."""

import contextlib
import sys
from collections.abc import Callable, Iterator

import click

from dncd.cli.layout import seconds

_WIDE = 70


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
        click.echo(f"\r{text[:_WIDE]:<{_WIDE}}\r", err=True, nl=False)


@contextlib.contextmanager
def cleared_line() -> Iterator[None]:
    """Leaves the line empty at the end, whatever happened."""
    try:
        yield
    finally:
        show("")
