"""A machine's line for one command: borrowed from the service where one runs, free to be opened where none does."""

import contextlib
from collections.abc import Iterator
from pathlib import Path

from dncd.errors import DncdError, NoServiceError
from dncd.outside.command_client import StreamRequest


@contextlib.contextmanager
def line_for(state: Path, machine: str, command: str) -> Iterator[None]:
    """Holds the line of `machine` for the command, as its user typed it, until the context is left. Open the port inside.

    NotDoneError with what the line is doing, where the service uses it or may not be spoken to. A machine that the service
    does not know (its settings are older) is free. The service opens the port again when the context is left, and as well
    when this process ends in any other way.
    """
    with contextlib.ExitStack() as held:
        try:
            held.callback(StreamRequest(state, {"do": "lend", "machine": machine, "command": command}).close)
        except DncdError as error:
            if not isinstance(error, NoServiceError) and error.code != "usage":
                raise
        yield
