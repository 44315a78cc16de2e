"""`dncd tidy` leaves a library that the service's user can go on with, whoever gives it and whatever his umask."""

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

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


def tidy(state: Path, *before: str, umask: int = 0o077) -> subprocess.CompletedProcess[str]:
    words = [*before, sys.executable, "-m", "dncd", "--config", str(state.parent / "dncd.toml"), "tidy"]
    return subprocess.run(words, capture_output=True, text=True, check=False, umask=umask, cwd="/")


@pytest.mark.parametrize("who", ["root", "the service's user"])
def test_what_tidy_leaves_is_the_services(state: Path, who: str) -> None:
    before = () if who == "root" else ("setpriv", f"--reuid={SERVICE}", f"--regid={SERVICE}", "--clear-groups", "--")
    done = tidy(state, *before)
    assert done.returncode == 0, done.stderr
    assert size_of(path_of(state)).packs
    for path in state.rglob("*"):
        found = path.stat()
        assert (found.st_uid, found.st_gid) == (SERVICE, SERVICE), path
        assert found.st_mode & 0o440 == 0o440, path
    revisions = (
        "from pathlib import Path; from dncd.records.library import Library\n"
        f"with Library(Path({str(state)!r})) as library: print(len(library.history('lathe', 'O0001')))"
    )
    words = [
        "setpriv",
        f"--reuid={SERVICE}",
        f"--regid={SERVICE}",
        "--clear-groups",
        "--",
        sys.executable,
        "-c",
        revisions,
    ]
    assert subprocess.run(words, capture_output=True, text=True, check=True, cwd="/").stdout == "60\n"


def test_another_user_is_told(state: Path) -> None:
    done = tidy(state, "setpriv", "--reuid=4002", f"--regid={SERVICE}", "--clear-groups", "--")
    assert done.returncode == 1
    assert "is another user's" in done.stderr
    assert "told better" not in done.stderr
