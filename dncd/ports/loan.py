"""A machine's line for one command: borrowed from the service where one runs, free to be opened where none does."""

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from dncd.errors import DncdError, NoServiceError
from dncd.outside.command_client import StreamRequest


@dataclass(frozen=True, slots=True)
class Loan:
    """from_service: whether the service gave the line and takes it back; False: none has it, and the port is just opened."""

    from_service: bool


@contextlib.contextmanager
def line_for(state: Path, machine: str, command: str) -> Iterator[Loan]:
    """Holds the line of `machine` for the command, as its user typed it, until the context is left. Open the port inside.

    NotDoneError with what the line is doing, where the service uses it or may not be spoken to. A machine that the service
    does not know (its settings are older) is free. The service opens the port again when the context is left, and as well
    when this process ends in any other way.
    """
    held: StreamRequest | None = None
    try:
        held = StreamRequest(state, {"do": "lend", "machine": machine, "command": command})
    except NoServiceError:
        held = None
    except DncdError as error:
        if error.code != "usage":
            raise
    try:
        yield Loan(from_service=held is not None)
    finally:
        if held is not None:
            held.close()
