"""Commands leave what the service's user can go on with, whoever gives them and whatever his umask; others change nothing.

And the machines' folders of dncd 0.1.0, which others of the group may rename."""

import os
import shutil
import stat
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from dncd.records.ledger import records
from dncd.records.library import Text, Writer, path_of
from dncd.records.packing import size_of
from dncd.values import Origin

pytestmark = pytest.mark.skipif(
    os.geteuid() != 0 or not shutil.which("setpriv"), reason="users of their own need root and setpriv"
)

SERVICE = 4001


@pytest.fixture
def state():
    root = Path(tempfile.mkdtemp(prefix="dncd-tidy-"))
    root.chmod(0o755)
    (root / "dncd.toml").write_text('[machines.lathe.line]\nport = "/dev/ttyS0"\n')
    with Writer(root / "state") as library:
        for number in range(60):
            library.revise("lathe", "O0001", Text.of(b"O0001\nN%d\nM30\n" % number), Origin.OFFICE, {})
    subprocess.run(["chown", "-R", f"{SERVICE}:{SERVICE}", str(root / "state")], check=True)
    (root / "state").chmod(0o750)
    yield root / "state"
    shutil.rmtree(root)


SERVICES = ("setpriv", f"--reuid={SERVICE}", f"--regid={SERVICE}", "--clear-groups", "--")
OTHERS = ("setpriv", "--reuid=4002", f"--regid={SERVICE}", "--clear-groups", "--")


def python(*words: str, umask: int = 0o077) -> subprocess.CompletedProcess[str]:
    return subprocess.run(words, capture_output=True, text=True, check=False, umask=umask, cwd="/", timeout=120)


def dncd(state: Path, *words: str, before: tuple[str, ...] = ()) -> subprocess.CompletedProcess[str]:
    return python(*before, sys.executable, "-m", "dncd", "--config", str(state.parent / "dncd.toml"), *words)


def keep_sheet(state: Path, before: tuple[str, ...] = ()) -> subprocess.CompletedProcess[str]:
    """What `dncd line trial` does at its end."""
    sheet = "dncd trial sheet\n\nmachine: lathe\ntime: 2026-11-27T10:00:00Z\nby: Petra\nresult: proven\n"
    words = (
        "from pathlib import Path; from dncd.service.signing import keep_sheet; from dncd.errors import DncdError\n"
        f"try: print(keep_sheet(Path({str(state)!r}), 'lathe', {sheet!r}))\nexcept DncdError as e: raise SystemExit(str(e))"
    )
    return python(*before, sys.executable, "-c", words)


def all_of(state: Path) -> dict[Path, tuple[int, int, int, int]]:
    return {
        path: (found.st_uid, found.st_gid, found.st_mode, found.st_size)
        for path in state.rglob("*")
        if (found := path.stat())
    }


def are_the_services(state: Path) -> None:
    for path, (owner, group, mode, _) in all_of(state).items():
        assert (owner, group) == (SERVICE, SERVICE), path
        assert mode & 0o440 == 0o440, path


@pytest.mark.parametrize("who", ["root", "the service's user"])
def test_what_tidy_leaves_is_the_services(state: Path, who: str) -> None:
    done = dncd(state, "tidy", before=() if who == "root" else SERVICES)
    assert done.returncode == 0, done.stderr
    assert size_of(path_of(state)).packs
    are_the_services(state)
    revisions = (
        "from pathlib import Path; from dncd.records.library import Library\n"
        f"with Library(Path({str(state)!r})) as library: print(len(library.history('lathe', 'O0001')))"
    )
    assert python(*SERVICES, sys.executable, "-c", revisions).stdout == "60\n"


@pytest.mark.parametrize("who", ["root", "the service's user"])
def test_what_is_signed_without_a_service_is_the_services(state: Path, who: str) -> None:
    before = () if who == "root" else SERVICES
    for done in (
        dncd(state, "prove", "lathe", "O0001", "-r", "60", "--note", "first part", "--by", "Petra", before=before),
        keep_sheet(state, before),
    ):
        assert done.returncode == 0, done.stderr
    are_the_services(state)
    assert [line["event"] for line in records(state)][-2:] == ["proven", "proven"]


@pytest.mark.parametrize("who", ["root", "another user"])
def test_the_service_of_another_user_changes_nothing(state: Path, who: str) -> None:
    (state / "service.lock").touch()
    os.chown(state / "service.lock", SERVICE, SERVICE)
    (state / "service.lock").chmod(0o660)
    before = all_of(state)
    done = dncd(state, "run", before=() if who == "root" else OTHERS)
    assert done.returncode == 1
    assert "told better" not in done.stderr
    assert ("another user's service" in done.stderr) == (who == "root")
    assert {**all_of(state), state / "service.lock": 0} == {**before, state / "service.lock": 0}


@pytest.mark.parametrize(
    "words",
    [("tidy",), ("prove", "lathe", "O0001", "-r", "60", "--note", "x", "--by", "Petra"), ("sheet",),
     ("programs",), ("log",), ("verify",), ("status",), ("show", "lathe", "O0001"), ("holds", "lathe")],
)  # fmt: skip
def test_another_user_changes_nothing(state: Path, words: tuple[str, ...]) -> None:
    before = all_of(state)
    done = keep_sheet(state, OTHERS) if words == ("sheet",) else dncd(state, *words, before=OTHERS)
    if words[0] in ("tidy", "prove", "sheet"):
        assert done.returncode == 1
        assert "is another user's" in done.stderr
    assert "told better" not in done.stderr
    assert "Traceback" not in done.stderr
    assert all_of(state) == before


@pytest.mark.parametrize("owner", [SERVICE, 4002])
def test_a_folder_of_before_is_made_sticky_or_told(state: Path, owner: int) -> None:
    shop = state.parent / "shop"
    (shop / "lathe").mkdir(parents=True)
    for folder, uid in ((shop, SERVICE), (shop / "lathe", owner)):
        os.chown(folder, uid, SERVICE)
        folder.chmod(0o2770)
    look = (
        "from pathlib import Path; from dncd.records.shop_folders import ShopFolders\n"
        f"found = ShopFolders(Path({str(shop)!r})); found.look('lathe')\n"
        "print(*(f'{each.where}: {each.sentence}' for each in found.loose.values()))"
    )
    done = python(*SERVICES, sys.executable, "-c", look)
    assert done.returncode == 0, done.stderr
    sticky = (shop / "lathe").stat().st_mode & stat.S_ISVTX
    assert bool(sticky) == (owner == SERVICE)
    assert ("it is not sticky" in done.stdout) == (owner != SERVICE)
    assert (shop / "lathe").stat().st_mode & 0o2770 == 0o2770
