"""Property tests say the same thing twice: a red run is a change of the code, not of the dice.

`HYPOTHESIS_PROFILE=search pytest` looks for new cases instead.

The whole suite runs on one worker more than there are processors, for its services wait most of their time. A terminal's
number is given out again as soon as it is free, so that of two workers one could find the other's line at a path that it
knew: each has terminals of its own, which only root can arrange; without root there is one worker. A run of named tests
has one, too. What takes longest begins first, so that no worker is left alone with it at the end.
"""

import ctypes
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("steady", derandomize=True, deadline=None)
settings.register_profile("search", derandomize=False, deadline=None)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "steady"))

LONGEST = (
    "kill_campaign", "finding", "crowd", "page_live", "packages", "box", "endings", "line_trial", "soak", "library_index",
    "page_browser", "service_ports", "noise_next_door", "power_cut", "strict_disk", "disk_campaign", "copies", "drip_feed",
    "backups", "first_hour", "half_hour", "odd_punches", "tape_capture", "nobodys_edit_lost", "config", "seats", "survey",
    "state_folder", "service_turns", "folders", "odd_ends", "station_core",
)  # fmt: skip
"""Files of tests by how long they take, the longest first; all others follow as they stand."""

SYNCING = ("backups", "crowd", "disk_campaign", "endings", "kill_campaign", "ledger", "library", "packing", "soak")
"""Files of tests that sync a great deal and are about order and work: they are not to wait for a disk."""

_LIBC = ctypes.CDLL(None, use_errno=True)
_CLONE_NEWNS, _MS_BIND, _MS_REC, _MS_PRIVATE = 0x20000, 0x1000, 0x4000, 0x40000  # linux/sched.h, linux/mount.h


def _mount(source: str, target: str, kind: str, flags: int, options: str = "") -> None:
    words = (word.encode() for word in (source, target, kind))
    if _LIBC.mount(*words, ctypes.c_ulong(flags), options.encode()):
        raise OSError(ctypes.get_errno(), f"mount of {target}")


def _own_terminals() -> None:
    """Gives this process, and what it starts, a /dev/pts of its own (mount_namespaces(7), the kernel's devpts)."""
    if _LIBC.unshare(_CLONE_NEWNS):
        raise OSError(ctypes.get_errno(), "unshare")
    _mount("none", "/", "", _MS_REC | _MS_PRIVATE)
    with tempfile.TemporaryDirectory() as place:
        _mount("devpts", place, "devpts", 0, "newinstance,ptmxmode=0666,mode=620")
        _mount(place, "/dev/pts", "", _MS_BIND)
        _LIBC.umount2(place.encode(), 2)
    _mount("/dev/pts/ptmx", "/dev/ptmx", "", _MS_BIND)


def _can_have_own_terminals() -> bool:
    """Tried in a process that is gone afterwards."""
    child = os.fork()
    if child == 0:
        try:
            _own_terminals()
        except OSError:
            os._exit(1)
        os._exit(0)
    return os.waitpid(child, 0)[1] == 0


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    whole = config.args_source is not pytest.Config.ArgsSource.ARGS and not config.option.usepdb
    return (os.cpu_count() or 1) + 1 if whole and _can_have_own_terminals() else 0


def pytest_configure(config: pytest.Config) -> None:
    config.option.loadscopereorder = False  # the order is ours: `LONGEST`, and not the files with the most tests first
    if hasattr(config, "workerinput"):
        _own_terminals()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    places = {f"test_{name}.py": place for place, name in enumerate(LONGEST)}
    items.sort(key=lambda item: places.get(item.path.name, len(places)))


def _in_memory() -> Path | None:
    """Where the system has a file system in memory, with room."""
    memory = Path("/dev/shm")
    if not os.access(memory, os.W_OK):
        return None
    room = os.statvfs(memory)
    return memory if room.f_bavail * room.f_frsize > 2_000_000_000 else None


@pytest.fixture
def tmp_path(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Path]:
    """An empty folder; for the files of `SYNCING` in memory, where that can be."""
    memory = _in_memory() if request.path.name.removeprefix("test_").removesuffix(".py") in SYNCING else None
    if memory is None:
        yield tmp_path
        return
    with tempfile.TemporaryDirectory(dir=memory, prefix="dncd-", ignore_cleanup_errors=True) as place:
        yield Path(place)
