"""What the page reads of the state folder, beside the service and never in its way.

Nothing here writes, makes an index or takes a lock, whoever runs it and whatever he may write.
"""

import asyncio
import contextlib
import queue
import threading
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Final, TypeVar, cast
from weakref import WeakValueDictionary

from dncd.commissioning.line_health import KEYS, LineHealth, health_of, tells
from dncd.errors import NotDoneError, RecordsError
from dncd.ledger_lines import Record
from dncd.outside.threads import Thread
from dncd.peer_text import printable
from dncd.records import durable, ledger
from dncd.records.holdings import Holdings
from dncd.records.library import Library, Revision, path_of
from dncd.records.verify import Report, verify

_T = TypeVar("_T")

SEARCHED_CHARS: Final = 20_000_000
"""Characters of texts that one search reads: 4,000 programs of 5,000 characters, in about a second."""

DAMAGED_BYTES: Final = 200_000
"""Of a damaged capture that is shown: more than any control's memory holds."""

SHARE_S: Final = 2.0
"""Seconds in which the shop's folder must answer: one on a network that is gone does not for minutes."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which lines of the ledger are asked for; "" for any. since, until: UTC as the ledger has it; words: all must stand
    somewhere in the line, in capitals or not; before: lines with a smaller number only, 0 for all."""

    machine: str = ""
    program: str = ""
    event: str = ""
    since: str = ""
    until: str = ""
    words: tuple[str, ...] = ()
    before: int = 0

    def has(self, line: Record) -> bool:
        programs = (line.get("program"), *line.get("programs", ()))
        return (
            self.machine in ("", line.get("machine"))
            and self.event in ("", line.get("event"))
            and (not self.program or self.program in programs)
            and self.since <= line.get("time", "")
            and (not self.until or line.get("time", "") <= self.until)
            and (not self.before or line["seq"] < self.before)
            and all(word in _said(line) for word in self.words)
        )


def _said(line: Record) -> str:
    """All that people may look for in a line, in small letters."""
    return " ".join(str(value) for key, value in line.items() if key not in ("prev", "hash")).casefold()


@dataclass(frozen=True, slots=True)
class Place:
    """Where a text has what was looked for. line: its number from 1 in the newest revision; text: of it, printable."""

    machine: str
    program: str
    revision: Revision
    line: int
    text: str


@dataclass(frozen=True, slots=True)
class Verified:
    """What holding the records against each other found, and when it was over."""

    at: datetime
    report: Report


class Lines:
    """All lines over months, by the ledger. known: what `worse` said last."""

    def __init__(self, state: Path) -> None:
        self._state, self._week, self._lock = state, date.min, threading.Lock()
        self._looking = False
        self.known: Mapping[str, str] = {}

    def told(self, today: date) -> Mapping[str, str]:
        """What is known. Where a week is over since, all of the ledger is read in a thread of its own, and no page waits."""
        if _monday(today) != self._week and not self._looking:
            self._looking = True
            Thread("lines", partial(self._look, today)).start()
        return self.known

    def _look(self, today: date) -> None:
        try:
            with contextlib.suppress(RecordsError):  # pages say that already
                self.worse(today)
        finally:
            self._looking = False

    def health(self, machine: str, today: date) -> LineHealth:
        """today: UTC."""
        return health_of(ledger.records(self._state, machine), today, machine)

    def worse(self, today: date) -> Mapping[str, str]:
        """The machines whose lines are worse than they were, each with what grew most surely. Looked at once a week: a week
        counts when it is over."""
        with self._lock:
            if (week := _monday(today)) != self._week:
                transfers: defaultdict[str, list[Record]] = defaultdict(list)
                for record in filter(tells, ledger.records(self._state)):
                    own = {key: part for key, part in record.items() if key in KEYS}
                    transfers[record.get("machine", "")].append(cast(Record, own))
                found = {name: health_of(own, today, name).worse for name, own in transfers.items()}
                self.known, self._week = {name: worse[0].said for name, worse in found.items() if worse}, week
        return self.known


def _monday(day: date) -> date:
    return day - timedelta(days=day.weekday())


class _LookedAt(Library):
    """A library that leaves no index behind, even where it could."""

    def close(self) -> None:
        self._let_go()


class Reading:
    """The records of one shop, for the threads of the page. RecordsError where they cannot be read.

    known: what `held` gave last; undecided: how much waits for a decision, as counted last; verified: the last result of
    `verify`, nothing before the first; verifying: since when one is made, nothing where none is.
    """

    def __init__(self, state: Path, folder: Path) -> None:
        self._state, self._folder = state, folder
        self._lock, self._verifying, self._at_share = threading.RLock(), threading.Lock(), threading.Lock()
        self.known, self.by_week, self.undecided = Holdings(), Lines(state), 0
        self._library: _LookedAt | None = None
        self.verified: tuple[Verified, ...] = ()
        self.verifying: tuple[datetime, ...] = ()

    def close(self) -> None:
        with self._lock:
            if self._library is not None:
                self._library.close()
            self._library = None

    def held(self) -> Holdings:
        """What the controls hold and what is proven, by the ledger as it stands now; only what is new is read."""
        self.known.catch_up(self._state)
        return self.known

    def lines(self, wanted: Wanted, most: int) -> list[Record]:
        """Up to so many lines, newest first."""
        found = ledger.newest_first(self._state, _bytes_of(wanted))
        return list(islice(filter(wanted.has, found), most))

    def damaged(self, machines: Sequence[str]) -> list[Record]:
        """The damaged captures of machines since the last good one of each, newest first."""
        checks = self.held().checks
        left = {machine: checks.ending(machine).damaged for machine in machines}
        found = ledger.newest_first(self._state, b'"event":"damaged"') if any(left.values()) else iter(())
        taken: list[Record] = []
        for line in found:
            machine = line.get("machine", "")
            if left.get(machine):
                left[machine] -= 1
                taken.append(line)
                if not any(left.values()):
                    break
        return taken

    def newest(self, machine: str) -> dict[str, Revision]:
        """The newest revision of each program, with its title."""
        return self._ask(lambda library: {p: library.described(r) for p, r in library.newest(machine).items()}, {})

    def history(self, machine: str, program: str) -> list[Revision]:
        return self._ask(lambda library: library.history(machine, program), [])

    def text(self, revision: Revision) -> str:
        """RecordsError where it is gone or damaged."""
        return self._ask(lambda library: library.blob(revision.blob).decode("utf-8", "replace"), "")

    def machines(self) -> list[str]:
        """Those that have programs in the library, also if the settings have them no more."""
        return self._ask(lambda library: library.machines(), [])

    def texts_with(self, words: str, machines: Sequence[str], most: int) -> list[Place]:
        """Up to so many: the first place in each newest text that has these words, in capitals or not, blanks left out."""
        wanted = "".join(words.casefold().split())
        return list(islice(self._places(wanted, machines), most)) if wanted else []

    def _places(self, wanted: str, machines: Sequence[str]) -> Iterator[Place]:
        left = SEARCHED_CHARS
        for machine in machines:
            for program, revision in self.newest(machine).items():
                left -= max(0, revision.chars)
                if left < 0:
                    return
                text = self.text(revision)
                if wanted in "".join(text.casefold().split()):  # few have it: the others are not read line by line
                    lines = enumerate(text.split("\n"), 1)
                    found = ((n, line) for n, line in lines if wanted in "".join(line.casefold().split()))
                    yield from (
                        Place(machine, program, revision, n, printable(line[:200])) for n, line in islice(found, 1)
                    )

    def _ask(self, question: Callable[[Library], _T], nothing: _T) -> _T:
        """What the library says; nothing where no service has made one yet."""
        with self._lock:
            if self._library is None:
                if not (path_of(self._state) / "HEAD").is_file():
                    return nothing
                self._library = _LookedAt(self._state)
            return question(self._library)

    def damaged_texts(self, captures: Sequence[Record]) -> list[str]:
        """Their texts, of lines of the ledger. NotDoneError where the shop's folder does not answer: one thread alone ever
        waits for it, however many ask."""
        texts = queue.SimpleQueue[list[str]]()

        def look() -> None:
            try:
                texts.put([self.damaged_text(line["machine"], line.get("file", "")) for line in captures])
            finally:
                self._at_share.release()

        if self._at_share.acquire(timeout=SHARE_S):
            Thread("share", look).start()
            with contextlib.suppress(queue.Empty):
                return texts.get(timeout=SHARE_S)
        next_step = "Look whether the share is there"
        raise NotDoneError("the shop's folder cannot be read just now", str(self._folder), next_step)

    def damaged_text(self, machine: str, file: str) -> str:
        """The text of a damaged capture as it lies in the shop's folder; "" where it is gone or may not be read."""
        path = self._folder / machine / "from-machine" / "damaged" / Path(file).name
        try:
            with open(durable.open_regular(path), "rb") as opened:  # noqa: PTH123 - a descriptor: no link, and no pipe that waits
                return opened.read(DAMAGED_BYTES).decode("utf-8", "replace")
        except OSError:
            return ""

    def verify(self) -> None:
        """Holds all records against each other, once at a time; whoever comes while it runs waits for nothing."""
        if not self._verifying.acquire(blocking=False):
            return
        try:
            report = verify(self._state, self._folder)
        except RecordsError as error:
            report = Report((str(error),), (), 0, 0, 0)
        finally:
            self.verifying = ()
            self._verifying.release()
        self.verified = (Verified(datetime.now(UTC), report),)


def _bytes_of(wanted: Wanted) -> bytes:
    """Bytes that each wanted line has: the canonical form has no blanks, and names of machines need no escapes."""
    if wanted.machine.replace("-", "").isalnum() and wanted.machine.isascii():
        return f'"machine":"{wanted.machine}"'.encode()
    return f'"event":"{wanted.event}"'.encode() if wanted.event.isalpha() else b""


_LATE: Final = (
    "the records cannot be read just now",
    "the page",
    "Look whether the disk of the state folder answers; try again in a moment",
)


_OWN: Final = (
    "the records cannot be read just now: as many pages of yours are being made as one may have",
    "the page",
    "Wait until they are there; else look whether the disk of the state folder answers",
)


class Looks:
    """What may hang with the disk that it reads, in threads of which nobody waits for one longer than so. For an event loop.

    at_once: threads at a time, those that hang counted in; patience_s: seconds; late: what, where and what next for one
    that takes longer; share: threads at a time of one person, 0 for all;
    own: as late, for who has used up his.
    """

    def __init__(
        self,
        at_once: int,
        patience_s: float,
        late: tuple[str, str, str] = _LATE,
        share: int = 0,
        own: tuple[str, str, str] = _OWN,
    ) -> None:
        self._free, self._patience_s, self._late = asyncio.Semaphore(at_once), patience_s, late
        self._share, self._own_late = share or at_once, own if share else late
        self._shares = WeakValueDictionary[str, asyncio.Semaphore]()  # of those who wait or look just now

    @property
    def full(self) -> bool:
        """Whether all threads are at work, or hang."""
        return self._free.locked()

    async def done(self, job: Callable[[], _T], whose: str = "") -> _T:
        """Its result, or what it raised. NotDoneError where that did not come in time; its thread goes on for itself.
        whose: of the person whose share it takes."""
        loop = asyncio.get_running_loop()
        answer: asyncio.Future[_T] = loop.create_future()
        late, own = self._own_late, self._shares.setdefault(whose, asyncio.Semaphore(self._share))

        def over(found: Callable[[], None]) -> None:
            self._free.release()
            own.release()
            if not answer.done():
                found()

        def work() -> None:
            try:
                found = partial(answer.set_result, job())
            except Exception as error:  # noqa: BLE001 - it is whoever waits who is told
                found = partial(answer.set_exception, error)
            with contextlib.suppress(RuntimeError):  # the loop has ended
                loop.call_soon_threadsafe(over, found)

        try:
            async with asyncio.timeout(self._patience_s):
                await own.acquire()
                late, undo = self._late, [own]
                try:
                    await self._free.acquire()
                    undo.append(self._free)
                    Thread("page-look", work).start()
                except BaseException:  # too late, or no thread is left
                    for taken in undo:
                        taken.release()
                    raise
                return await answer
        except TimeoutError:
            raise NotDoneError(*late) from None
