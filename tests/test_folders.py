"""The shared folders: what is listed, when a file is complete, and that no lost event loses a file."""

import errno
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from device_servers import wait_for
from watchdog.events import FileOpenedEvent
from watchdog.observers.inotify import InotifyObserver

from dncd import defaults
from dncd.choices import Watch
from dncd.outside import folder_looks
from dncd.outside.folder_events import FolderEvents, _threads_of
from dncd.outside.folder_looks import Complete, FolderState, Hint, left_alone, opened, plain_files
from dncd.outside.folders import Entry, Folders, Listing
from dncd.records import held_open
from dncd.records.held_open import Writer, leases_tell
from dncd.records.shop_folders import ShopFolders, identity
from dncd.values import ShopSettings

DEADLINE_S = 120.0


class Board:
    """Where the news is pinned: the newest of each machine, and how many there were."""

    def __init__(self) -> None:
        self.changed = threading.Condition()
        self.newest: dict[str, Listing] = {}
        self.listings: dict[str, list[Listing]] = {}
        self.notes: list[str] = []
        self.count = 0

    def post(self, news: Listing) -> None:
        with self.changed:
            self.newest[news.machine] = news
            self.listings.setdefault(news.machine, []).append(news)
            self.notes += news.notes
            self.count += 1
            self.changed.notify_all()

    def wait(self, what: Callable[[], bool], within_s: float = DEADLINE_S) -> None:
        with self.changed:
            assert self.changed.wait_for(what, within_s), self.newest

    def complete(self, machine: str = "gang-lathe") -> list[str]:
        news = self.newest.get(machine)
        return [entry.name for entry in news.entries if entry.complete is Complete.YES] if news else []

    def names(self, machine: str = "gang-lathe") -> list[str]:
        news = self.newest.get(machine)
        return [entry.name for entry in news.entries] if news else []

    def entry(self, name: str) -> Entry | None:
        news = self.newest.get("gang-lathe")
        return next((entry for entry in news.entries if entry.name == name), None) if news else None


@pytest.fixture
def board() -> Board:
    return Board()


@pytest.fixture
def start(tmp_path: Path, board: Board) -> Iterator[Callable[..., Folders]]:
    """Starts the watching of two machines, and ends it with the test."""
    running: list[Folders] = []

    def starter(watch: Watch = Watch.EVENTS, settle_s: float = 0.1) -> Folders:
        shop = ShopSettings(tmp_path / "shop", tmp_path / "state", watch=watch, settle_s=settle_s)
        running.append(Folders(shop, ShopFolders(shop.folder), ["gang-lathe", "bore-mill"], board.post))
        board.wait(lambda: len(board.newest) == 2)
        wait_for(lambda: watch is Watch.POLLING or running[-1]._events.come or bool(running[-1].problem))
        return running[-1]

    threads = threading.active_count()
    yield starter
    for folders in running:
        folders.stop()
        folders.stop()
    assert threading.active_count() == threads


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    return tmp_path / "shop" / "gang-lathe" / "to-machine"


# --- with real folders ---------------------------------------------------------------------------------------------


def test_the_folders_of_the_contract_are_made(start: Callable[..., Folders], tmp_path: Path, board: Board) -> None:
    start()
    for machine in ("gang-lathe", "bore-mill"):
        made = {str(p.relative_to(tmp_path / "shop" / machine)) for p in (tmp_path / "shop" / machine).rglob("*")}
        assert made == {"to-machine", "from-machine", "from-machine/damaged", "sent", "refused"}
        assert board.newest[machine] == Listing(machine, ())


def test_a_closed_file_is_complete_without_waiting(start: Callable[..., Folders], inbox: Path, board: Board) -> None:
    start(settle_s=600)
    (inbox / "0004.nc").write_text("%\nO0004\n%\n")
    board.wait(lambda: board.complete() == ["0004.nc"])
    entry, status = board.entry("0004.nc"), (inbox / "0004.nc").lstat()
    assert entry == Entry(
        "0004.nc", status.st_ino, status.st_dev, 10, status.st_mtime_ns, status.st_ctime_ns, Complete.YES
    )
    assert board.names("bore-mill") == []


def test_a_file_that_was_renamed_in_is_complete(
    start: Callable[..., Folders], inbox: Path, tmp_path: Path, board: Board
) -> None:
    start(settle_s=600)
    (tmp_path / "made elsewhere").write_text("%\n")
    (tmp_path / "made elsewhere").rename(inbox / "a.nc")
    board.wait(lambda: board.complete() == ["a.nc"])
    (inbox / "b.nc.part").write_text("%\n")
    (inbox / "b.nc.part").rename(inbox / "b.nc")
    board.wait(lambda: board.complete() == ["a.nc", "b.nc"])


@pytest.mark.parametrize("watch", list(Watch))
def test_an_empty_file_waits_and_a_file_without_events_settles(
    watch: Watch, start: Callable[..., Folders], inbox: Path, board: Board
) -> None:
    folders = start(watch, settle_s=0.3)
    began = time.monotonic()
    (inbox / "empty.nc").touch()
    folders.poke("gang-lathe")
    board.wait(lambda: board.names() == ["empty.nc"])
    board.wait(lambda: board.complete() == ["empty.nc"])
    assert time.monotonic() - began >= 0.3, "never sooner; how much later is the machine's affair"


def test_a_slow_copy_is_not_taken_while_it_is_open(start: Callable[..., Folders], inbox: Path, board: Board) -> None:
    start(settle_s=0.05)
    with opened(inbox) as folder:
        if not leases_tell(folder):
            pytest.skip("this file system does not tell who writes")
    with (inbox / "long.nc").open("wb") as copy:
        copy.truncate(30)  # the full size first, as some copies do
        for line in range(3):
            copy.write(b"N10 G01 X1")
            copy.flush()
            board.wait(lambda: board.names()[:1] == ["long.nc"])
            (inbox / f"meanwhile {line}.nc").write_text("%")
            board.wait(lambda n=line: f"meanwhile {n}.nc" in board.complete())
            (inbox / f"later {line}.nc").write_text("%")
            board.wait(lambda n=line: f"later {n}.nc" in board.complete())  # twice settle_s without a change
            assert "long.nc" not in board.complete()
    board.wait(lambda: "long.nc" in board.complete())
    assert board.names()[0] == "long.nc"
    entry = board.entry("long.nc")
    assert entry
    assert entry.size == 30


def test_an_edited_file_is_incomplete_until_it_is_closed(
    start: Callable[..., Folders], inbox: Path, board: Board
) -> None:
    start(settle_s=600)
    (inbox / "a.nc").write_text("%\n")
    (inbox / "b.nc").write_text("%\n")
    board.wait(lambda: board.complete() == ["a.nc", "b.nc"])
    with (inbox / "a.nc").open("a") as edit:
        edit.write("M30\n")
        edit.flush()
        board.wait(lambda: board.complete() == ["b.nc"])
    board.wait(lambda: board.complete() == ["a.nc", "b.nc"])  # and keeps its place


def test_a_removed_file_shows_by_absence(start: Callable[..., Folders], inbox: Path, board: Board) -> None:
    start()
    (inbox / "a.nc").write_text("%\n")
    board.wait(lambda: board.complete() == ["a.nc"])
    (inbox / "a.nc").unlink()
    board.wait(lambda: board.names() == [])


def test_what_no_one_meant_as_a_program_is_left_alone(
    start: Callable[..., Folders], inbox: Path, tmp_path: Path, board: Board
) -> None:
    start(settle_s=0.05)
    (tmp_path / "outside.nc").write_text("%\n")
    (inbox / "link.nc").symlink_to(tmp_path / "outside.nc")
    (inbox / "broken.nc").symlink_to(tmp_path / "nowhere")
    (inbox / "folder.nc").mkdir()
    os.mkfifo(inbox / "pipe.nc")
    for name in (".hidden.nc", "~$0004.nc", "Thumbs.db", "desktop.ini", "0004.TMP", "0004.nc.part", "a.crdownload"):
        (inbox / name).write_text("%\n")
    (inbox / "last.nc").write_text("%\n")
    board.wait(lambda: board.complete() == ["last.nc"])
    assert board.names() == ["last.nc"]


def test_names_of_any_bytes_survive(start: Callable[..., Folders], inbox: Path, board: Board) -> None:
    start()
    names = [b"\xff\xfe.nc", b"two\nlines.nc", b"tab\t;$(x).nc", "Gehäuse Ø40.nc".encode(), b"-rf", b"x" * 255]
    for name in names:
        (inbox / os.fsdecode(name)).write_text("%\n")
    board.wait(lambda: len(board.complete()) == len(names))
    assert [os.fsencode(name) for name in board.complete()] == names


def test_order_at_start_is_by_time_then_name_and_later_as_they_came(
    start: Callable[..., Folders], inbox: Path, board: Board
) -> None:
    inbox.mkdir(parents=True)
    for name, at in (("c", 100), ("b", 300), ("a", 300), ("d", 200)):
        (inbox / name).write_text("%")
        os.utime(inbox / name, (at, at))
    start(settle_s=0.05)
    board.wait(lambda: len(board.complete()) == 4)
    assert board.complete() == ["c", "d", "a", "b"]
    for name in ("z", "y", "x"):
        (inbox / name).write_text("%")
        os.utime(inbox / name, (50, 50))
    board.wait(lambda: len(board.complete()) == 7)
    assert board.complete() == ["c", "d", "a", "b", "z", "y", "x"]


def test_lost_events_lose_no_file(start: Callable[..., Folders], inbox: Path, board: Board) -> None:
    """As after an overflow, or on a mount that sends none: nothing is said, and the slow look finds it."""
    folders = start(settle_s=0.05)
    assert folders._events.come
    folders._events.on_any_event = lambda _: None  # type: ignore[method-assign]
    (inbox / "a.nc").write_text("%\n")
    board.wait(lambda: board.complete() == ["a.nc"], within_s=defaults.RESCAN_S + 2)
    (inbox / "a.nc").unlink()
    folders.poke()
    board.wait(lambda: board.names() == [])


def test_a_crowd_comes_in_few_listings_and_in_order(start: Callable[..., Folders], inbox: Path, board: Board) -> None:
    start()
    names = [f"{number:04}.nc" for number in range(3000)]
    for name in names:
        (inbox / name).write_text("%")
    board.wait(lambda: len(board.complete()) == len(names))
    assert board.complete() == names
    assert board.count < len(names) / 30


def test_a_folder_that_was_removed_is_made_again_told_and_watched(
    start: Callable[..., Folders], inbox: Path, board: Board
) -> None:
    start(settle_s=600)
    for _ in range(2):
        (inbox / "a.nc").write_text("%\n")
        board.wait(lambda: board.complete() == ["a.nc"])  # settle_s is long: only an event can have told
        board.notes.clear()
        shutil.rmtree(inbox)
        board.wait(lambda: any("to-machine" in note for note in board.notes))
        board.wait(lambda: board.names() == [])
        assert inbox.is_dir()
    inbox.rename(inbox.with_name("moved away"))
    inbox.mkdir()
    (inbox / "b.nc").write_text("%\n")
    board.wait(lambda: board.names() == ["b.nc"])


def test_a_folder_that_is_a_link_is_told_and_not_followed(
    start: Callable[..., Folders], inbox: Path, tmp_path: Path, board: Board
) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "secret.nc").write_text("%\n")
    inbox.parent.mkdir(parents=True)
    inbox.symlink_to(tmp_path / "elsewhere")
    folders = start()
    assert "it is a link" in board.newest["gang-lathe"].problem
    assert board.names() == []
    inbox.unlink()
    folders.poke()
    board.wait(lambda: board.newest["gang-lathe"].problem == "")


def test_wrong_rights_are_told() -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place, "to-machine")
        folder.mkdir()
        Path(place).chmod(0o755)
        folder.chmod(0o555)
        assert folder_looks.problem_of(Path(place), 0, []) == ""
        words = (
            f"import os, sys; sys.path[:0] = {sys.path!r}\n"
            "from pathlib import Path\nfrom dncd.outside.folder_looks import problem_of\n"
            "os.geteuid() or os.setuid(65534)\n"
            f"print(problem_of(Path({str(folder)!r}), 0, []))"
        )
        found = subprocess.run([sys.executable, "-c", words], capture_output=True, text=True, check=True)
        assert "may not take files out of" in found.stdout
        assert "give its user the right to write there" in found.stdout
        folder.chmod(0o755)


@pytest.mark.parametrize("limit", ["no descriptor", "no watch"])
def test_a_system_without_events_to_give_is_told_and_the_folders_are_looked_at(
    limit: str, start: Callable[..., Folders], inbox: Path, board: Board, monkeypatch: pytest.MonkeyPatch
) -> None:
    """inotify(7): EMFILE where the user has too many instances, ENOSPC where it has too many watches."""

    def none_left(*_: object, **__: object) -> None:
        code = errno.EMFILE if limit == "no descriptor" else errno.ENOSPC
        raise OSError(code, "inotify limit reached")

    where = {"no descriptor": "__init__", "no watch": "schedule"}
    monkeypatch.setattr(InotifyObserver, where[limit], none_left)
    folders = start(settle_s=0.1)
    assert "inotify limit reached" in folders.problem
    (inbox / "a.nc").write_text("%\n")
    board.wait(lambda: board.complete() == ["a.nc"])
    monkeypatch.undo()
    folders._events._ask_at = 0.0  # a minute later
    folders.poke()
    wait_for(lambda: folders.problem == "")


@pytest.mark.parametrize("whole", ["all of it", "its reader"])
def test_what_listens_to_events_is_started_anew_when_it_ends(
    whole: str, start: Callable[..., Folders], inbox: Path, board: Board
) -> None:
    folders = start(settle_s=600)
    observer = folders._events._observer
    assert observer
    if whole == "all of it":
        observer.stop()
        observer.join(DEADLINE_S)
    else:  # what reads the kernel's descriptor met something that it had not thought of
        alone = [t for t in _threads_of(observer) if t not in (observer, *observer.emitters)]
        assert alone
        for thread in alone:
            thread.stop()
            thread.join(DEADLINE_S)
    folders.poke()
    wait_for(lambda: "has ended" in folders.problem)
    folders._events._ask_at = 0.0
    folders.poke()
    wait_for(lambda: folders.problem == "")
    assert folders._events._observer is not observer
    (inbox / "b.nc").write_text("%\n")
    board.wait(lambda: "b.nc" in board.complete())


def test_a_foreign_folder_that_hangs_below_the_shop_keeps_neither_the_listings_nor_the_end(
    tmp_path: Path, board: Board, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The kernel is asked for each folder below the shop's, somebody's archive on a dead mount too."""
    hangs, asked = threading.Event(), threading.Event()

    def hang(_self: object) -> None:
        asked.set()
        hangs.wait(DEADLINE_S)

    monkeypatch.setattr(InotifyObserver, "start", hang)
    shop = ShopSettings(tmp_path / "shop", tmp_path / "state", settle_s=0.1)
    threads = threading.active_count()
    folders = Folders(shop, ShopFolders(shop.folder), ["gang-lathe"], board.post)
    board.wait(lambda: len(board.newest) == 1)
    assert asked.wait(DEADLINE_S)
    (tmp_path / "shop" / "gang-lathe" / "to-machine" / "a.nc").write_text("%\n")
    folders.poke()
    board.wait(lambda: board.complete() == ["a.nc"])
    folders._events._ask_at = 0.0
    folders.poke()
    wait_for(lambda: "the system has not given them within 60 s" in folders.problem)
    assert not folders.stop(0.0)
    hangs.set()
    wait_for(lambda: threading.active_count() == threads)


@pytest.mark.parametrize("when", ["at a stop", "when a part of it ended"])
def test_an_observer_that_does_not_end_is_not_waited_for(
    when: str, start: Callable[..., Folders], inbox: Path, board: Board, monkeypatch: pytest.MonkeyPatch
) -> None:
    folders, hangs, asked = start(settle_s=0.1), threading.Event(), threading.Event()
    stop = InotifyObserver.on_thread_stop

    def hang(observer: InotifyObserver) -> None:
        asked.set()
        hangs.wait(DEADLINE_S)
        stop(observer)

    monkeypatch.setattr(InotifyObserver, "on_thread_stop", hang)
    if when == "at a stop":
        assert not folders.stop(0.0)
    else:
        assert folders._events._observer
        for emitter in tuple(folders._events._observer.emitters):
            emitter.stop()
            emitter.join(DEADLINE_S)
        folders.poke()
        assert asked.wait(DEADLINE_S)
        (inbox / "a.nc").write_text("%\n")
        folders.poke()
        board.wait(lambda: board.complete() == ["a.nc"])
    hangs.set()
    wait_for(lambda: not any("end" in thread.name for thread in threading.enumerate()))


def test_an_event_of_a_kind_that_nobody_knows_is_a_change(tmp_path: Path) -> None:
    heard: list[tuple[str, Hint]] = []
    events = FolderEvents(tmp_path, lambda: None)
    events.watch(tmp_path / "inbox", lambda name, hint: heard.append((name, hint)))
    events.on_any_event(FileOpenedEvent(str(tmp_path / "inbox" / "a.nc")))
    assert heard == [("a.nc", Hint.CHANGED)]


def test_a_fault_over_one_folder_is_told_and_the_others_are_looked_at(
    start: Callable[..., Folders], tmp_path: Path, board: Board, monkeypatch: pytest.MonkeyPatch
) -> None:
    folders = start()
    monkeypatch.setattr(folders._folders["gang-lathe"], "state", None)
    (tmp_path / "shop" / "bore-mill" / "to-machine" / "a.nc").write_text("%\n")
    folders.poke()
    board.wait(lambda: board.complete("bore-mill") == ["a.nc"])
    board.wait(lambda: "dncd failed over" in board.newest["gang-lathe"].problem)
    assert folders.thread.alive()


def test_a_listing_says_what_makes_it_another_than_the_one_before(
    start: Callable[..., Folders], inbox: Path, board: Board
) -> None:
    folders = start()
    for name in ("a.nc", "b.nc"):
        (inbox / name).write_text("%\n")
    board.wait(lambda: board.complete() == ["a.nc", "b.nc"])
    before = board.newest["gang-lathe"]
    (inbox / "a.nc").unlink()
    (inbox / "c.nc").write_text("%\n")
    board.wait(lambda: board.complete() == ["b.nc", "c.nc"])
    taken: dict[str, Entry] = {}
    for listing in board.listings["gang-lathe"]:
        taken = {name: entry for name, entry in taken.items() if name not in listing.gone}
        taken |= {entry.name: entry for entry in listing.changed}
        assert set(taken.values()) == set(listing.entries)
    assert board.newest["gang-lathe"].entries[0] is before.entries[1]
    folders.take("gang-lathe")
    board.wait(lambda: board.newest["gang-lathe"].changed == board.newest["gang-lathe"].entries)


def test_what_lay_there_at_a_start_is_known_though_one_of_the_folders_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By it half a file that a power cut left is told from a whole one."""
    drops = [tmp_path / name / "to-machine" / "a.nc" for name in ("lathe", "mill", "saw")]
    for drop in drops:
        drop.parent.mkdir(parents=True)
        drop.write_bytes(b"%")
    known, asked, lstat = {identity(drop.lstat()): drop for drop in drops}, [], Path.lstat

    def fails_once(path: Path) -> os.stat_result:
        asked.append(path)
        if len(asked) == 1:
            raise OSError(errno.EIO, "Input/output error")
        return lstat(path)

    monkeypatch.setattr(Path, "lstat", fails_once)
    assert {known[found] for found in ShopFolders(tmp_path).lying()} == set(drops) - {asked[0]}


# --- the book alone, with a clock of our own -----------------------------------------------------------------------


class Shelf:
    """A folder without events: the test says what was seen and when."""

    def __init__(self, folder: Path, settle_s: float = 1.0) -> None:
        self.folder, self.state, self.now = folder, FolderState(settle_s), 1000.0
        self.writers: dict[str, Writer] = {}

    def look(self, after_s: float = 0.0) -> dict[str, Complete]:
        self.now += after_s
        with opened(self.folder) as descriptor:
            files, _ = plain_files(descriptor)
        entries = self.state.look(files, self.now, lambda name: self.writers.get(name, Writer.UNTOLD))
        return {entry.name: entry.complete for entry in entries}


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return Shelf(tmp_path)


YES, NO = Complete.YES, Complete.NO


def test_unchanged_for_settle_s_counts_from_the_last_change(shelf: Shelf, tmp_path: Path) -> None:
    file = tmp_path / "a"
    file.write_text("1")
    assert shelf.look() == {"a": NO}
    assert shelf.state.due(shelf.now) == shelf.now + 1.0
    assert shelf.look(0.9) == {"a": NO}
    file.write_text("12")
    assert shelf.look(0.2) == {"a": NO}
    assert shelf.look(0.9) == {"a": NO}
    assert shelf.look(0.1) == {"a": YES}
    assert shelf.state.due(shelf.now) is None


def test_a_close_event_spares_the_wait_unless_a_change_came_after_it(shelf: Shelf, tmp_path: Path) -> None:
    (tmp_path / "a").write_text("1")
    (tmp_path / "b").write_text("1")
    (tmp_path / "empty").touch()
    for name in ("a", "b", "empty"):
        shelf.state.hint(name, Hint.CHANGED)
        shelf.state.hint(name, Hint.CLOSED)
    shelf.state.hint("b", Hint.CHANGED)
    assert shelf.look() == {"a": YES, "b": NO, "empty": NO}
    assert shelf.look(1.0) == {"a": YES, "b": YES, "empty": YES}


def test_a_new_file_waits_for_its_event_which_tells_its_place(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path, settle_s=0.5)
    shelf.state.lag_s = 0.5
    (tmp_path / "there before").write_text("1")
    assert list(shelf.look()) == ["there before"]
    assert shelf.look(0.5) == {"there before": YES}
    (tmp_path / "z").write_text("1")
    (tmp_path / "lost").write_text("1")
    assert list(shelf.look(0.1)) == ["there before"]
    assert shelf.state.due(shelf.now) == shelf.now + 0.5
    (tmp_path / "a").write_text("1")
    shelf.state.hint("z", Hint.CHANGED)
    shelf.state.hint("a", Hint.CHANGED)
    assert list(shelf.look(0.1)) == ["there before", "z"]
    assert list(shelf.look(0.4)) == ["there before", "z", "lost", "a"]


def test_files_whose_events_were_lost_keep_their_place_before_those_that_came_after_them(tmp_path: Path) -> None:
    """As after an overflow: the kernel kept the first events, threw the next away, and told of what came later."""
    shelf = Shelf(tmp_path, settle_s=0.5)
    shelf.state.lag_s = 0.5
    shelf.look()
    names = [f"{n * 37 % 100:02}" for n in range(60)]
    for n, name in enumerate(names):
        (tmp_path / name).write_text("1")
        if n < 20 or n >= 40:
            shelf.state.hint(name, Hint.CHANGED)
            shelf.state.hint(name, Hint.CLOSED)
    assert list(shelf.look(0.1)) == names[:20]
    (tmp_path / "last").write_text("1")
    shelf.state.hint("last", Hint.CLOSED)
    assert list(shelf.look(0.1)) == names[:20]
    assert list(shelf.look(0.4)) == [*names, "last"]


def test_a_file_whose_event_comes_late_is_complete_with_those_behind_it(tmp_path: Path) -> None:
    """The events of thousands of files are read piece by piece: a listing may fall between a file's first and its last."""
    shelf = Shelf(tmp_path, settle_s=0.5)
    shelf.state.lag_s = 0.5
    shelf.look()
    for name in ("c", "b", "a"):
        (tmp_path / name).write_text("1")
    assert shelf.look(0.1) == {}
    shelf.state.hint("c", Hint.CHANGED)  # its CLOSED is still to be read, as are all events of the others
    assert shelf.look(0.5) == {"c": YES, "b": YES, "a": YES}
    assert list(shelf.look()) == ["c", "b", "a"]


def test_who_writes_keeps_a_file_from_being_taken_and_is_told_after_a_while(shelf: Shelf, tmp_path: Path) -> None:
    (tmp_path / "a").write_text("1")
    shelf.writers["a"] = Writer.SOMEBODY
    shelf.state.hint("a", Hint.CLOSED)
    assert shelf.look() == {"a": NO}
    assert shelf.look(5) == {"a": NO}
    assert shelf.state.held_open(shelf.now) == []
    assert shelf.look(defaults.HELD_OPEN_S) == {"a": NO}
    assert shelf.state.held_open(shelf.now) == ["a"]
    assert "'a' is still open for writing" in folder_looks.problem_of(tmp_path, 1, ["a"])
    shelf.writers["a"] = Writer.NOBODY
    assert shelf.look(0.1) == {"a": YES}
    assert shelf.state.held_open(shelf.now) == []


def test_the_lease_tells_who_writes(tmp_path: Path) -> None:
    (tmp_path / "a").write_text("1")
    with opened(tmp_path) as folder:
        if not leases_tell(folder):
            pytest.skip("this file system does not tell who writes")
        assert held_open.writer_of(folder, "a") is Writer.NOBODY
        with (tmp_path / "a").open("r+"):
            assert held_open.writer_of(folder, "a") is Writer.SOMEBODY
        with (tmp_path / "a").open("r"):
            assert held_open.writer_of(folder, "a") is Writer.NOBODY
        assert held_open.writer_of(folder, "gone") is Writer.UNTOLD
        os.mkfifo(tmp_path / "pipe")
        assert held_open.writer_of(folder, "pipe") is not Writer.NOBODY  # and it waits for no writer


def test_a_lease_given_back_stops_no_writer(tmp_path: Path) -> None:
    """Many probes beside a program that opens and writes: nobody is signalled to death, nobody waits long."""
    file = tmp_path / "a"
    file.write_text("")
    done = threading.Event()

    def write() -> None:
        for _ in range(300):
            with file.open("a") as out:
                out.write("N10\n")
        done.set()

    writer = threading.Thread(target=write)
    writer.start()
    seen = set()
    with opened(tmp_path) as folder:
        while not done.is_set():
            seen.add(held_open.writer_of(folder, "a"))
    writer.join()
    assert file.stat().st_size == 1200
    assert seen <= set(Writer)


@pytest.mark.parametrize(
    ("name", "alone"),
    [
        (".x", True),
        ("~$x.nc", True),
        ("THUMBS.DB", True),
        ("Desktop.ini", True),
        ("x.Tmp", True),
        ("x.PART", True),
        ("x.nc~", True),
        ("tmp", False),
        ("x.tmp.nc", False),
        ("~x.nc", False),
        ("0004", False),
        ("%O0004", False),
    ],
)
def test_side_files(name: str, alone: bool) -> None:
    assert left_alone(name) is alone


def test_a_shop_of_any_size_takes_four_threads_and_one_inotify_descriptor(tmp_path: Path, board: Board) -> None:
    shop = ShopSettings(tmp_path / "shop", tmp_path / "state")
    before, open_before = threading.active_count(), inotify_descriptors()
    folders = Folders(shop, ShopFolders(shop.folder), [f"machine {number}" for number in range(128)], board.post)
    board.wait(lambda: len(board.newest) == 128)
    assert threading.active_count() <= before + 4  # one of dncd's, and watchdog's: two in 7, three in 6
    wait_for(lambda: inotify_descriptors() == open_before + 1)
    assert folders.problem == ""
    assert folders.stop(DEADLINE_S)


def inotify_descriptors() -> int:
    return sum("inotify" in str(fd.readlink()) for fd in Path("/proc/self/fd").iterdir() if fd.is_symlink())


def test_a_folder_that_vanished_with_files_in_it_is_told_until_something_waits_again(
    start: Callable[..., Folders], inbox: Path, board: Board
) -> None:
    start()
    (inbox / "0004.nc").write_text("%\nO0004\n%\n")
    board.wait(lambda: board.complete() == ["0004.nc"])
    inbox.parent.rename(inbox.parent.with_name("away"))
    board.wait(lambda: "gone with it ('0004.nc')" in board.newest["gang-lathe"].problem)
    (inbox / "0005.nc").write_text("%\nO0005\n%\n")
    board.wait(lambda: board.complete() == ["0005.nc"])
    board.wait(lambda: board.newest["gang-lathe"].problem == "")


def test_what_lies_there_and_is_no_drop_is_named(start: Callable[..., Folders], inbox: Path, board: Board) -> None:
    start()
    (inbox / "sub").mkdir()
    (inbox / "away.nc").symlink_to("/etc/passwd")
    board.wait(lambda: "is a folder" in board.newest["gang-lathe"].problem)
    board.wait(lambda: "'away.nc' is a link" in board.newest["gang-lathe"].problem)


def test_a_file_beside_to_machine_and_half_a_copy_that_rests_are_named(
    monkeypatch: pytest.MonkeyPatch, start: Callable[..., Folders], inbox: Path, board: Board
) -> None:
    monkeypatch.setattr(defaults, "HELD_OPEN_S", 0.0)
    start()
    (inbox.parent / "0007.NC").write_text("%\n")
    (inbox / "0004.nc.tmp").write_text("%\n")
    (inbox / "Thumbs.db").write_text("")
    board.wait(lambda: "'0007.NC' lies beside to-machine/" in board.newest["gang-lathe"].problem)
    board.wait(lambda: "'0004.nc.tmp' has the name of a half-made copy" in board.newest["gang-lathe"].problem)
    assert "Thumbs" not in board.newest["gang-lathe"].problem
