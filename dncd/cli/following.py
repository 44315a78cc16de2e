"""Following dropped files to their end, with a progress bar where there is a terminal."""

import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import click

from dncd.cli.progress import cleared_line, show
from dncd.cli.status import doing
from dncd.errors import NoServiceError
from dncd.outside.command_client import ask
from dncd.peer_text import printable

LOOK_S: Final = 0.3
"""Seconds between two looks: a bar that moves three times a second is smooth enough to watch."""

GONE_S: Final = 10.0
"""Seconds after which a file that neither waits nor moves nor lies in its folder counts as taken away by somebody."""


class Following:
    """Follows files that were dropped for one machine; one look is one `look`."""

    def __init__(self, state: Path, folder: Path, machine: str, files: Mapping[str, int], quiet: bool) -> None:
        """files: name in the folder → number of the ledger's last line before its drop."""
        self.machine = machine
        self.pending = dict(files)
        self.ended: dict[str, dict[str, Any]] = {}
        self._state, self._folder, self._quiet = state, folder, quiet
        self._said: dict[str, str] = {}
        self._missed: dict[str, float] = {}

    def to_the_end(self) -> None:
        """Returns when every file has ended. NoServiceError when the service goes away."""
        with cleared_line():
            while self.look(time.monotonic()):
                time.sleep(LOOK_S)

    def look(self, now: float) -> bool:
        """Asks once about every pending file; False when none is left."""
        for file, after in list(self.pending.items()):
            request = {"do": "ended", "machine": self.machine, "file": file, "after": after}
            if (ended := ask(self._state, request).get("ended")) is not None:
                self._end(file, ended)
        if not self.pending:
            return False
        status = ask(self._state, {"do": "status"})["machines"][self.machine]
        transfer = status["transfer"]
        moving = transfer["file"] if transfer and transfer.get("of_chars") is not None else ""
        if moving in self.pending:
            self._moves(moving, status)
        for file in list(self.pending):
            if file == moving or file in status["waiting"] or (self._folder / file).exists():
                self._missed.pop(file, None)
                if file != moving:
                    self._waits(file, status)
            elif now - self._missed.setdefault(file, now) > GONE_S:
                self._end(
                    file, {"result": "withdrawn", "file": file, "reasons": ["somebody took it out of the folder"]}
                )
        return bool(self.pending)

    def left(self) -> list[str]:
        """What goes on without us, in sentences."""
        if not self.pending:
            return []
        moving = [f for f in self.pending if self._said.get(f) in ("sending", "held")]
        waiting = [f for f in self.pending if f not in moving]
        said = [f"{printable(f)} goes on being sent" for f in moving]
        said += [f"{printable(f)} still waits in {self._folder}" for f in waiting]
        return [*said, f"`dncd status {self.machine}` shows it, `dncd withdraw {self.machine}` stops it"]

    def _waits(self, file: str, status: Mapping[str, Any]) -> None:
        what = "waits for its turn"
        if status["state"] == "no-port":
            what = f"waits for the port {status.get('port', '')}".strip()
        elif status["waiting"][:1] == [file] and status["state"] == "waiting":
            what = f"waits for {status.get('waits_for') or 'the start'}"
        elif file not in status["waiting"]:
            what = "is being looked at"
        self._say(file, what)

    def _moves(self, file: str, status: Mapping[str, Any]) -> None:
        if self._quiet or not sys.stderr.isatty():
            self._say(file, "held" if status["state"] == "held" else "sending")
        else:
            self._said[file] = "sending"
            tenths = 10 * int(status["transfer"]["chars"]) // max(1, int(status["transfer"]["of_chars"]))
            show(printable(f"[{'#' * tenths:<10}] {doing(status)}"))

    def _end(self, file: str, ended: dict[str, Any]) -> None:
        self.pending.pop(file)
        self.ended[file] = ended
        self._say(file, str(ended["result"]))
        if self._quiet:
            return
        for reason in ended.get("reasons") or ():
            click.echo(f"  {printable(str(reason))}")
        if ended.get("receipt"):
            click.echo(f"  receipt: {printable(str(ended['receipt']))}")

    def _say(self, file: str, what: str) -> None:
        if self._said.get(file) == what:
            return
        self._said[file] = what
        if not self._quiet:
            show("")
            click.echo(f"{printable(file)}: {printable(what)}")


def cut_short(error: NoServiceError, following: Following) -> NoServiceError:
    """The service went away while we followed: says what becomes of the files."""
    next_step = (
        f"{error.next_step}. What waited goes on waiting in to-machine/ until then; what was being sent ends as "
        f"interrupted: look with `dncd log {following.machine}`"
    )
    return NoServiceError(error.what, error.where, next_step)
