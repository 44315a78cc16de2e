"""The folders of the machines in the shop's folder, each opened part by part and never through a link.

The office writes there, so a name that was a folder at the last look may be a link to anywhere at this one. What works in
one of these folders works through a descriptor of it: the paths that `opened` gives lead to the opened folder itself,
whatever bears its name meanwhile (proc_pid_fd(5)). A folder that is another's, or none at all, is a problem of its machine.

One service a machine's folder: each renews a claim there, and takes nothing where another one's claim is alive.
`MACHINE/.dncd-claim` names who serves it: the state folder by a number of its own, host and process. Clocks of two boxes
differ, so nobody reads another's time: a claim is alive while it changes. One that has not changed for `TAKE_OVER_S` is a
dead service's, and is taken over; so is one that somebody removed.
"""

import contextlib
import errno
import json
import math
import os
import secrets
import socket
import stat
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Final

from dncd.errors import RecordsError
from dncd.peer_text import printable
from dncd.records import durable
from dncd.records.problems import Problem

TO_MACHINE: Final = "to-machine"
FOLDERS: Final = (TO_MACHINE, "from-machine", "from-machine/damaged", "sent", "refused")
BACKUPS: Final = "from-machine/backups"
STATUS: Final = "STATUS.txt"

_SHOP: Final = ".."
"""In place of a folder's name: the one above the machine's."""

_FLAGS: Final = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC
_OWN_FOLDER_MODE: Final = durable.SHARED_FOLDER_MODE | stat.S_ISVTX
"""Of a machine's folder: its five folders are the service's, and nobody else may rename them (sticky, inode(7))."""


class ShopFolders:
    """All machines' folders. From any thread."""

    def __init__(self, shop: Path) -> None:
        self._shop = shop
        self._known: dict[tuple[str, str], os.stat_result] = {}
        self.problems: dict[str, Problem] = {}
        """Machines with a folder that is not what it should be, as `look` found it: nothing is taken or delivered there."""
        self.loose: dict[str, Problem] = {}
        """Machines in whose folder others may rename what dncd made there, and dncd cannot change that."""

    def path_of(self, machine: str, name: str = "") -> Path:
        """The path of a folder as people know it; for messages and records, never to work with."""
        return self._shop / machine / name

    @contextlib.contextmanager
    def opened(self, machine: str, name: str = "") -> Iterator[Path]:
        """A path of the opened folder, good inside the `with`; a missing folder is made. Errors name the place as people
        know it. RecordsError for a link, for what is no folder, and for one that another user put in its place."""
        with contextlib.ExitStack() as closing:
            fd = self._open(machine, name)
            closing.callback(os.close, fd)
            folder, known = _by_descriptor(fd), str(self.path_of(machine, name))
            try:
                yield folder
            except OSError as error:
                for key in ("filename", "filename2"):
                    if isinstance(place := getattr(error, key), str | os.PathLike):
                        setattr(error, key, str(place).replace(str(folder), known))
                raise
            except RecordsError as error:
                where = error.where.replace(str(folder), known)
                raise RecordsError(error.what.replace(str(folder), known), where, error.next_step) from error

    def open_drop(self, machine: str, name: str) -> int:
        """A descriptor of a dropped file, the file and its name being on the disk. OSError EMLINK for one that has another
        name besides: whoever has that one can change what is sent, and it may be a file that the office may not read."""
        with self.opened(machine, TO_MACHINE) as folder:
            fd = durable.open_regular(folder / name)
            try:
                if os.fstat(fd).st_nlink > 1:
                    raise OSError(errno.EMLINK, "it has another name besides; copy it in", str(folder / name))
                durable.DISK.fsync(fd)
                durable.fsync_dir(folder)
            except BaseException:
                os.close(fd)
                raise
        return fd

    def look(self, machine: str) -> tuple[str, ...]:
        """Looks whether all folders of a machine are what they should be, makes what is missing, and names it."""
        made: list[str] = []
        backups = (BACKUPS,) if (machine, BACKUPS) in self._known else ()
        try:
            with contextlib.ExitStack() as closing:
                closing.callback(os.close, above := self._open_shop())
                opened = dict[str, int]()
                for level in ("", *FOLDERS, *backups):  # each after the one that it lies in
                    fd, new = self._part(opened.get(level.rpartition("/")[0], above), machine, level)
                    closing.callback(os.close, fd)
                    opened[level] = fd
                    made += [level] if new else []
        except RecordsError as error:
            self.problems[machine] = Problem.of(error, "", "")
            raise
        self.problems.pop(machine, None)
        return tuple(name for name in made if name)

    def write_status(self, machine: str, text: str) -> None:
        """STATUS.txt: whole, but not worth a sync."""
        with self.opened(machine) as folder:
            write_quick(folder / STATUS, text.encode("utf-8", "replace"))

    def taken_away(self, machine: str, files: Iterable[str]) -> frozenset[str]:
        """Those of refused files that lie there no more, nor another one of their name behind them. OSError, RecordsError
        where nobody can say."""
        with self.opened(machine, FOLDERS[-1]) as folder:
            lying = os.listdir(folder)  # noqa: PTH208 - names alone
        paths = {file: Path(durable.tidy_name(file)) for file in files}
        return frozenset(f for f, p in paths.items() if not {p.name, f"{p.stem} (2){p.suffix}"}.intersection(lying))

    def lying(self) -> frozenset[tuple[int, ...]]:
        """Identities of what lies in all to-machine folders; one that cannot be read keeps none of the others'."""
        found: set[tuple[int, ...]] = set()
        for machine in _names(self._shop):
            folder = self.path_of(machine, TO_MACHINE)
            for name in _names(folder):
                with contextlib.suppress(OSError):
                    found.add(identity((folder / name).lstat()))
        return frozenset(found)

    def sweep(self) -> None:
        """Removes what a cut left half-written under a hidden name. At start only; a folder that cannot be used is left."""
        for machine in _names(self._shop):
            for name in ("", *FOLDERS[1:], BACKUPS):
                with contextlib.suppress(OSError, RecordsError):
                    if stat.S_ISDIR(self.path_of(machine, name).lstat().st_mode):
                        with self.opened(machine, name) as folder:
                            durable.sweep(folder)

    def _open(self, machine: str, name: str) -> int:
        """A descriptor of a folder; what of its path is missing is made."""
        fd = self._open_shop()
        parts = name.split("/") if name else []
        for level in ("", *("/".join(parts[: count + 1]) for count in range(len(parts)))):
            above = fd
            try:
                fd, _ = self._part(above, machine, level)
            finally:
                os.close(above)
        return fd

    def _open_shop(self) -> int:
        with contextlib.suppress(FileNotFoundError):
            return os.open(self._shop, _FLAGS)
        durable.make_folder(self._shop, durable.SHARED_FOLDER_MODE)
        return os.open(self._shop, _FLAGS)

    def _part(self, above: int, machine: str, level: str) -> tuple[int, bool]:
        """One folder of those above it: its descriptor, and whether it was made just now."""
        part, place, new = level.rpartition("/")[2] or machine, self.path_of(machine, level), False
        shop, whole = (machine, _SHOP), (machine, "")
        try:
            fd = _opened_part(part, above, place)
        except FileNotFoundError:
            if not level and self._on_another_disk(shop, above):
                raise _unmounted(place) from None
            mode = durable.SHARED_FOLDER_MODE if level else _OWN_FOLDER_MODE
            with contextlib.suppress(FileExistsError):
                durable.DISK.mkdir(_by_descriptor(above) / part, mode)
                new = True
            durable.fsync_dir(_by_descriptor(above))
            fd = _opened_part(part, above, place)
        try:
            if not (level or new) and self._on_another_disk(whole, fd) and TO_MACHINE not in os.listdir(fd):  # noqa: PTH208
                raise _unmounted(place)
            self._compare(machine, level, os.fstat(fd), new)
            if not level:
                self._known[shop] = os.fstat(above)
                self._keep_own(machine, fd)
        except BaseException:
            os.close(fd)
            raise
        return fd, new

    def _keep_own(self, machine: str, fd: int) -> None:
        """Makes a machine's folder sticky where others may write there: that of dncd 0.1.0 is not."""
        found = os.fstat(fd)
        loose = bool(found.st_mode & 0o022) and not found.st_mode & stat.S_ISVTX
        if loose and found.st_uid == os.geteuid():
            with contextlib.suppress(OSError):  # systemd's RestrictSUIDSGID: the set-group-ID bit is not said again
                os.fchmod(fd, stat.S_IMODE(found.st_mode) | stat.S_ISVTX)
                loose = False
        if not loose:
            self.loose.pop(machine, None)
            return
        what = (
            "others than dncd's user may rename the folders in it, for it is not sticky, and dncd may not change that"
        )
        self.loose[machine] = Problem(what, str(self.path_of(machine)), "chown it to dncd's user, then chmod +t it")

    def _on_another_disk(self, which: tuple[str, str], fd: int) -> bool:
        """Than at the last look, as the empty folder below a share that went away is. What waits or is just being sent is on
        the share, and would come a second time with it."""
        return which in self._known and self._known[which].st_dev != os.fstat(fd).st_dev

    def _compare(self, machine: str, level: str, found: os.stat_result, new: bool) -> None:
        """With the folder that had this name at the last look: another one must be of the same owner."""
        known = self._known.get((machine, level))
        if known is not None and not new and not os.path.samestat(known, found) and known.st_uid != found.st_uid:
            what = "this folder was put in the place of another by another user, so nothing is taken or delivered there"
            next_step = "put the one that was there back, or take this one away: dncd makes a new one"
            raise RecordsError(what, str(self.path_of(machine, level)), next_step)
        self._known[machine, level] = found


def _names(folder: Path) -> list[str]:
    """What lies in a folder; [] where it cannot be read."""
    with contextlib.suppress(OSError):
        return os.listdir(folder)  # noqa: PTH208 - names alone
    return []


def identity(status: os.stat_result) -> tuple[int, ...]:
    """Another one means that the file was saved anew, or is another."""
    return (status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns)


def _unmounted(place: Path) -> RecordsError:
    what = "it is on another disk than before and empty, as if its share had gone away: nothing is taken or delivered there"
    return RecordsError(what, str(place), "mount the share again; where this is its new place, restart dncd")


def _by_descriptor(fd: int) -> Path:
    return Path(f"/proc/self/fd/{fd}")


def _opened_part(part: str, above: int, place: Path) -> int:
    """RecordsError for a link or a file (ENOTDIR, ELOOP); any other error is the disk's or the share's."""
    try:
        return os.open(part, _FLAGS | os.O_NOFOLLOW, dir_fd=above)
    except OSError as error:
        if error.errno not in (errno.ENOTDIR, errno.ELOOP):
            error.filename = str(place)
            raise
        what = "it is a link or a file where a folder must be, so nothing is taken or delivered there"
        next_step = "take it away: dncd makes a new one, or put the folder back"
        raise RecordsError(what, str(place), next_step) from error


def write_quick(path: Path, data: bytes) -> None:
    """Writes a file whole, at one instant, over one that may be there; not worth a sync. For the shop's folder: what lies
    under its name, a link too, is replaced and never written through."""
    temporary = path.with_name(durable.hidden_name())
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    fd = os.open(temporary, flags, durable.SHARED_FILE_MODE)
    with durable.or_discarded(temporary):
        with durable.closing(fd):
            os.write(fd, data)
        durable.DISK.rename(temporary, path)


CLAIM: Final = ".dncd-claim"
TAKE_OVER_S: Final = 60.0
"""Seconds without a change after which a claim is a dead service's."""

RENEW_S: Final = 10.0
"""Seconds between two renewals: each makes the system tell of several events, for every machine."""

_LONGEST: Final = 4096  # bytes


class Claims:
    """`keep` is for the notes thread, `check` for the records thread; problems: machines that another serves, for any."""

    def __init__(self, state: Path, folders: ShopFolders, clock: Callable[[], float] = time.monotonic) -> None:
        self._state, self._folders, self._clock = state, folders, clock
        self._own: dict[str, object] = {}
        self._beat = 0
        self._renewed: dict[str, float] = {}
        self._seen: dict[str, tuple[dict[str, object], float]] = {}
        self.problems: dict[str, Problem] = {}

    def keep(self, machine: str) -> bool:
        """Renews the claim on a machine's folder; whether it is this service's. OSError, RecordsError of the folder."""
        with self._folders.opened(machine) as folder:
            there, own = _claim_in(folder), False
            if there and not (own := self._is_own(there)):
                seen, since = self._seen.get(machine, ({}, 0.0))
                if seen != there:
                    self._seen[machine] = there, self._clock()
                if seen != there or self._clock() - since < TAKE_OVER_S:
                    self.problems[machine] = self._problem(machine, there)
                    return False
            if not own or self._clock() - self._renewed.get(machine, -math.inf) >= RENEW_S:
                self._beat += 1
                write_quick(folder / CLAIM, json.dumps({**self._who(), "beat": self._beat}).encode())
                self._renewed[machine] = self._clock()
        self._seen.pop(machine, None)
        self.problems.pop(machine, None)
        return True

    def check(self, machine: str) -> None:
        """RecordsError where another service has the folder; right before something goes out."""
        with self._folders.opened(machine) as folder:
            there = _claim_in(folder)
        if there and not self._is_own(there):
            raise self._problem(machine, there).error

    def give_up(self, machine: str) -> None:
        """The service ends, or serves the machine no more: whoever comes next need not wait."""
        with contextlib.suppress(OSError, RecordsError), self._folders.opened(machine) as folder:
            if self._is_own(_claim_in(folder)):
                durable.discard(folder / CLAIM)

    def _who(self) -> dict[str, object]:
        if not self._own:
            path = self._state / "service-id"
            with contextlib.suppress(FileExistsError):
                durable.write_new(path, [secrets.token_hex(16).encode()])
            host = socket.gethostname()
            own = f"{path.read_text('ascii')}@{host}"  # a copy of the state folder on another box is another service
            self._own = {"who": own, "host": host, "pid": os.getpid(), "state": str(self._state)}
        return self._own

    def _is_own(self, there: dict[str, object]) -> bool:
        return bool(there) and there.get("who") == self._who()["who"]

    def _problem(self, machine: str, there: dict[str, object]) -> Problem:
        who = printable(f"process {there.get('pid', '?')} on {there.get('host', '?')}, state {there.get('state', '?')}")
        return Problem(
            f"another dncd serves this folder ({who}), so nothing is taken from it",
            str(self._folders.path_of(machine) / CLAIM),
            "stop one of the two, or give each its own shop.folder; what a dead one left is taken over"
            f" after {TAKE_OVER_S:g} s, or as soon as that file is removed",
        )


def _claim_in(folder: Path) -> dict[str, object]:
    """The claim; {} where there is none. What is no plain file, or was torn by a power cut, is replaced by a claim."""
    try:
        fd = durable.open_regular(folder / CLAIM)
    except OSError:
        return {}
    try:
        found = json.loads(os.read(fd, _LONGEST))
    except (ValueError, RecursionError):
        return {}
    finally:
        os.close(fd)
    return found if isinstance(found, dict) else {}
