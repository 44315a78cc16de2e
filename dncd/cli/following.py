"""Following dropped files to their end, with a progress bar where there is a terminal."""

import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from dncd.cli.invocation import caution
from dncd.cli.layout import seconds
from dncd.cli.status import rate_of
from dncd.errors import NoServiceError
from dncd.outside.command_client import ask
from dncd.peer_text import printable
from dncd.station.states import line_said

if TYPE_CHECKING:
    from click._termui_impl import ProgressBar

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
        self._warned: set[str] = set()
        self._bar: ProgressBar[int] | None = None
        self._bar_file = ""

    def to_the_end(self) -> None:
        """Returns when every file has ended. NoServiceError when the service goes away."""
        try:
            while self.look(time.monotonic()):
                time.sleep(LOOK_S)
        finally:
            self._close_bar()

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
                gone = {"result": "withdrawn", "file": file, "reasons": ["somebody took it out of the folder"]}
                self._end(file, gone)
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
        if file in status["waiting"]:
            self._warn(file, status)
        if status["state"] in ("no-port", "lent"):
            what = f"waits: {line_said(status)}"
        elif status["waiting"][:1] == [file] and status["state"] == "waiting":
            what = f"waits for {status.get('waits_for') or 'the start'}"
        elif file not in status["waiting"]:
            what = "is being looked at"
        self._say(file, what)

    def _warn(self, file: str, status: Mapping[str, Any]) -> None:
        """Its warnings, once, while there is still time to take it back."""
        if file not in self._warned and not self._quiet:
            for warning in (status.get("warnings") or {}).get(file, ()):
                caution(f"{file}: warning: {warning}")
        self._warned.add(file)

    def _moves(self, file: str, status: Mapping[str, Any]) -> None:
        transfer = status["transfer"]
        held = status["state"] == "held"
        if self._quiet or not sys.stdout.isatty():
            self._say(file, "held" if held else "sending")
            return
        self._said[file] = "sending"
        if self._bar is None or self._bar_file != file:
            self._close_bar()
            self._bar_file = file
            self._bar = click.progressbar(
                length=int(transfer["of_chars"]),
                label=printable(file),
                item_show_func=lambda text: str(text) if text else "",
                show_pos=True,
            )
            self._bar.__enter__()
        rate = rate_of(transfer)
        note: Any = f"{rate:.0f}/s" if rate else ""
        if held:
            note = f"held for {seconds(float(transfer.get('held_for_s', 0)))}"
        self._bar.update(max(0, int(transfer["chars"]) - self._bar.pos), note)

    def _close_bar(self) -> None:
        if self._bar is not None:
            self._bar.__exit__(None, None, None)
            self._bar = None

    def _end(self, file: str, ended: dict[str, Any]) -> None:
        self.pending.pop(file)
        self.ended[file] = ended
        if self._bar is not None and self._bar_file == file:
            if ended["result"] == "sent" and self._bar.length is not None:
                self._bar.update(max(0, self._bar.length - self._bar.pos))
            self._close_bar()
        tell = click.echo if ended["result"] == "sent" else caution
        self._say(file, str(ended["result"]), tell)
        if self._quiet:
            return
        for reason in ended.get("reasons") or ():
            tell(f"  {printable(str(reason))}")
        if ended.get("receipt"):
            tell(f"  receipt: {printable(str(ended['receipt']))}")

    def _say(self, file: str, what: str, tell: Callable[[str], None] = click.echo) -> None:
        before, self._said[file] = self._said.get(file), what
        if before != what and not self._quiet:
            self._close_bar()
            tell(f"{printable(file)}: {printable(what)}")


def cut_short(error: NoServiceError, following: Following) -> NoServiceError:
    """The service went away while we followed: says what becomes of the files."""
    next_step = (
        f"{error.next_step}. What waited goes on waiting in to-machine/ until then; what was being sent ends as "
        f"interrupted: look with `dncd log {following.machine}`"
    )
    return NoServiceError(error.what, error.where, next_step)
