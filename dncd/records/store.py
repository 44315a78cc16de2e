"""The records of the whole service, opened, recovered and closed as one."""

import contextlib
import os
import tempfile  # noqa: F401 - before the user changes, who may not read where Python lies
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Unpack

from dncd.errors import NotDoneError, RecordsError
from dncd.ledger_lines import Fields
from dncd.records import durable, repair, revival, state_format
from dncd.records.backups import Backups
from dncd.records.endings import Endings, OnRecord, Shop
from dncd.records.holdings import Holdings
from dncd.records.ledger import Ledger, stopped
from dncd.records.library import Library, Writer, path_of
from dncd.records.plans import InPlan
from dncd.records.problems import Problem
from dncd.records.recovery import Recovery, UnreadablePlans
from dncd.records.revisions import walk
from dncd.records.spool import Leftover
from dncd.values import Settings


def stepped_back(state: Path, ledger: Ledger) -> list[str]:
    """After a run without a stop: a library that is of another moment than its ledger, as in a copy, goes to where both are
    whole; sentences. RecordsError where something on record would go: a person decides that."""
    if stopped(state) or not (path_of(state) / "HEAD").is_file():
        return []
    found = repair.look(state, repair.RECENT)
    if found.main == found.before:
        return []
    found = repair.look(state)  # what a short look does not reach is not gone
    if found.on_record:
        what = f"the library lacks {len(found.on_record)} revisions that the ledger names, and its newest state is not whole"
        next_step = "`dncd recover` takes it to the newest state that is whole, and says what is lost"
        raise RecordsError(what, str(path_of(state)), next_step)
    return repair.carry_out(state, ledger, found)


class RecordsWatch:
    """`look` is for the records thread. ledger: why no line can be written, for any thread; None where all is well."""

    def __init__(self, state: Path, ledger: Ledger, library: Library) -> None:
        self._state, self._ledger, self._library = state, ledger, library
        self._head = library.head()
        self._set_back_to = self._head
        self.ledger: Problem | None = None

    def look(self) -> Problem | None:
        """What is wrong with ledger, captures or library now."""
        self.ledger = None
        try:
            self._ledger.check()
        except RecordsError as error:
            self.ledger = Problem.of(error, "", "")
            return self.ledger
        try:
            return self._gone() or self._set_back()
        except RecordsError as error:
            return Problem.of(error, "", "")

    def _gone(self) -> Problem | None:
        folders = [self._state / name for name in ("captures", "outgoing", "underway")]
        objects = self._library.path / "objects"
        for folder in (*folders, objects):
            if not folder.is_dir() or (folder == objects and self._head is not None and not any(folder.iterdir())):
                what = "what dncd keeps there was removed while it runs"
                return Problem(what, str(folder), "stop dncd, take it from a backup, start it again; see `dncd verify`")
        return None

    def _set_back(self) -> Problem | None:
        """Revisions that were there and that the newest commit does not know of any more."""
        head = self._library.head()
        if head not in (self._head, self._set_back_to):
            store = self._library.repo.object_store
            known = self._head is None or any(
                told.commit == self._head for told in walk(store, head, str(self._library.path))
            )
            self._head, self._set_back_to = (head, head) if known else (self._head, head)
        if head == self._head or self._head is None:
            return None
        what = f"main was set back or put elsewhere while dncd runs: it no longer holds {self._head.decode()[:12]}"
        return Problem(what, str(self._library.path), "put it back with git's update-ref; see `dncd verify`")


class Store:
    """The records of the whole service. Only the records thread writes through it."""

    def __init__(self, shop: Shop, lock: int, ledger: Ledger, library: Writer) -> None:
        self.shop, self.ledger, self.library = shop, ledger, library
        self.endings = Endings(shop, ledger, library)
        self.orders = self.endings.orders
        self.unreadable = UnreadablePlans(self.endings)
        """Which machines nothing is sent to until somebody has looked at what their controls hold."""
        self._converted: list[str] = []
        self.old_box = revival.old_box(shop.state)
        """Why no line is served, None where all are."""
        self.reader = Library(shop.state)
        """For the checks thread alone."""
        self.held = Holdings()
        ledger.told = self.held.follow
        self.lay_at_cut = frozenset() if stopped(shop.state) else shop.folders.lying()
        """Dropped files that lay there as the last run ended without a stop: they may be half saved."""
        self.backups = Backups(shop, ledger, library, self.held)
        self.recovery = Recovery(self.endings, self.unreadable, self.backups)
        self.watch = RecordsWatch(shop.state, ledger, library)
        self._ended: tuple[str, list[OnRecord]] = ("", [])
        self._lock = lock

    @classmethod
    def open(cls, settings: Settings) -> "Store":
        """Takes the state folder. StateHeldError if another service has it."""
        state = settings.shop.state
        lock = state_format.hold(state / "service.lock")
        shop = Shop(state, settings.shop.folder, settings.shop.file_line_end.chars, settings.shop.file_extension)
        with contextlib.ExitStack() as opened:  # what was taken is given back where the rest cannot be opened
            opened.callback(os.close, lock)
            state_format.same_user(state / "service.lock")
            converted = state_format.take_over(state)
            ledger = Ledger.open(state)
            opened.callback(ledger.close)
            converted += stepped_back(state, ledger)
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
        self.recovery.wait_for(plan.machine)
        backup = self.backups.of_capture(plan)
        if self._ended[0] != plan.id:  # else the disk failed over the backup: its programs are on record
            self._ended = (plan.id, self.endings.end_in(plan))
        if backup is not None:
            self.backups.finish(backup)
        told, self._ended = self._ended[1], ("", [])
        return told

    def note(self, event: str, **fields: Unpack[Fields]) -> None:
        self.ledger.append(event, fields)

    def recover(self, cut_short: Callable[[Leftover], bool]) -> list[str]:
        """Finishes or names what the last run left; sentences for the journal. cut_short: records a capture of a machine."""
        return [*self._converted, *self.ledger.notes, *self.recovery.begin(cut_short)]

    def blocked(self, machine: str) -> Problem | None:
        """Why nothing may be sent to a machine now; from any thread."""
        if problem := self.orders.problems.get(machine):
            return problem
        own = self.unreadable.machines.get(machine) or self.endings.stuck.why(machine)
        folders = self.shop.folders.problems.get(machine) or self.endings.claims.problems.get(machine)
        return self.old_box or own or folders or self.watch.ledger

    def old_box_off(self, by: str) -> None:
        revival.old_box_off(self.shop.state, self.ledger, by)
        self.old_box = None

    def close(self) -> None:
        self.ledger.close()
        self.reader.close()
        self.library.close()
        os.close(self._lock)


def become_owner(state: Path) -> None:
    """Makes this process write as the service does: root becomes the state folder's user and group, and the umask leaves
    what that folder's mode leaves. NotDoneError for anybody else. For the rest of the process."""
    try:
        found = state.stat()
    except FileNotFoundError:
        return  # said better by whatever reads it next
    if os.geteuid() == 0 != found.st_uid:
        os.setgroups([])
        os.setgid(found.st_gid)
        os.setuid(found.st_uid)
    elif os.geteuid() != found.st_uid:
        what = "the state folder is another user's, and the service could not go on with files of yours in it"
        raise NotDoneError(what, str(state), "Start the service, or give the command as its user or as root")
    os.umask(0o777 & ~found.st_mode)


@contextlib.contextmanager
def ledger_beside(state: Path) -> Iterator[Ledger]:
    """The ledger to write in, while no service can start; the process is the service's user from then on.
    StateHeldError if one has just started; NotDoneError for another user than the service's or root."""
    become_owner(state)
    with durable.closing(state_format.hold(state / "service.lock")), contextlib.closing(Ledger.open(state)) as ledger:
        yield ledger
