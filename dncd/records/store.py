"""The records of the whole service, opened, recovered and closed as one."""

import contextlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from dncd.peer_text import printable
from dncd.records import durable, locks, plans, state_format
from dncd.records.backups import FOLDER as BACKUPS
from dncd.records.backups import Backups
from dncd.records.endings import Endings, OnRecord, Shop
from dncd.records.holdings import Holdings
from dncd.records.ledger import Ledger
from dncd.records.library import Library, Writer
from dncd.records.plans import Counted, InPlan, Sent
from dncd.records.spool import Leftover, leftovers
from dncd.records.unreadable import UnreadablePlans
from dncd.values import Result, Settings

_CUT_OFF: Final = (
    "the service or its machine stopped in the middle of the sending; how much the control took is not known;"
    " delete what the control holds of it, then drop the file again"
)


class Store:
    """The records of the whole service. Only the records thread writes through it."""

    def __init__(self, shop: Shop, lock: int, ledger: Ledger, library: Writer) -> None:
        self.shop, self.ledger, self.library = shop, ledger, library
        self.endings = Endings(shop, ledger, library)
        self.unreadable = UnreadablePlans(self.endings, self.note)
        """Which machines nothing is sent to until somebody has looked at what their controls hold."""
        self._converted: list[str] = []
        self.reader = Library(shop.state)
        """For the checks thread alone."""
        self.held = Holdings()
        ledger.told = self.held.follow
        self.backups = Backups(shop, ledger, library, self.held)
        self._ended: tuple[str, list[OnRecord]] = ("", [])
        self._lock = lock

    @classmethod
    def open(cls, settings: Settings) -> "Store":
        """Takes the state folder. StateHeldError if another service has it."""
        state = settings.shop.state
        lock = locks.hold(state / "service.lock")
        shop = Shop(state, settings.shop.folder, settings.shop.file_line_end.chars, settings.shop.file_extension)
        with contextlib.ExitStack() as opened:  # what was taken is given back where the rest cannot be opened
            opened.callback(os.close, lock)
            converted = state_format.take_over(state)
            ledger = Ledger.open(state)
            opened.callback(ledger.close)
            library = Writer(state)
            opened.callback(library.close)
            store = cls(shop, lock, ledger, library)
            store._converted = converted
            opened.pop_all()
        return store

    def holdings(self) -> Holdings:
        """What the controls hold, and what was proven, by the ledger as it stands now. From any thread."""
        if self.held.seq != self.ledger.seq:  # such as at a start, before the ledger was read
            self.held.catch_up(self.shop.state)
        return self.held

    def end_in(self, plan: InPlan) -> list[OnRecord]:
        """A capture has come to its end; one that is a backup of the control's memory is told as that, too."""
        backup = self.backups.of_capture(plan)
        if self._ended[0] != plan.id:  # else the disk failed over the backup: its programs are on record
            self._ended = (plan.id, self.endings.end_in(plan))
        if backup is not None:
            self.backups.finish(backup)
        told, self._ended = self._ended[1], ("", [])
        return told

    def note(self, event: str, **fields: Any) -> None:
        """A ledger line that is no transfer."""
        self.ledger.append(event, fields)

    def write_note(self, path: Path, text: str) -> None:
        """STATUS.txt and its like: whole, but not worth a sync."""
        temporary = path.with_name(f".{path.name}.part")
        temporary.write_text(text, "utf-8")
        durable.DISK.rename(temporary, path)

    def recover(self, cut_short: Callable[[Leftover], bool]) -> list[str]:
        """Finishes or names what the last run left; sentences for the journal. cut_short: records a capture of a machine."""
        said = [*self._converted, *self.ledger.notes, *self.unreadable.recover()]
        for plan in plans.load_all(self.shop.state):
            if isinstance(plan, InPlan):
                self.endings.end_in(plan)
                said.append(f"{plan.machine}: what the control punched before the last stop is on record now")
                continue
            if plan.ended is None:
                self.endings.again(plan.id)
                self.endings.end_out(plan, Sent(Result.INTERRUPTED, (_CUT_OFF,), counted=Counted.UNKNOWN))
                said.append(f"{plan.machine}: {printable(plan.file)} was being sent and ended as interrupted")
            else:
                self.endings.again(plan.id)
                self.endings.carry_out(plan)
                said.append(f"{plan.machine}: {printable(plan.file)} ended as {plan.ended.result}")
        for leftover in leftovers(self.shop.state):
            if cut_short(leftover):
                said.append(f"{leftover.machine}: a capture that was cut short is on record with all its characters")
        said += self.backups.recover()
        self._sweep()
        for left in (self.shop.state / "outgoing").iterdir():
            durable.discard(left)
        return said

    def _sweep(self) -> None:
        """Removes what a cut left half-written under a hidden name."""
        state, shop = self.shop.state, self.shop.folder
        folders = [state, *state.glob("*"), *shop.glob("*/sent"), *shop.glob("*/refused"), *shop.glob("*/from-machine")]
        for folder in [*folders, *shop.glob("*/from-machine/damaged"), *shop.glob(f"*/{BACKUPS}")]:
            durable.sweep(folder)

    def close(self) -> None:
        """Gives the state folder back."""
        self.ledger.close()
        self.reader.close()
        self.library.close()
        os.close(self._lock)
