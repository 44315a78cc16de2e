# ruff: noqa: E501 - a trick a line
"""What somebody of the office can do to the shop's folders leads dncd nowhere else: nothing outside a machine's own folders
is read, written or moved, each trick is told or of no effect, and the machine works on when it is undone.

The service is a user of its own, and so is the office, in the service's group, as the README sets it up. A trick of the
`share` is done with rights that the office has not here, but may have where a share knows no owners.
"""

import hashlib
import json
import os
import pty
import shutil
import subprocess
import sys
import tempfile
import tty
from pathlib import Path

import pytest
from house import House
from waiting import until, watched

from dncd.records.verify import verify

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        os.geteuid() != 0 or not shutil.which("setpriv"), reason="users of their own need root and setpriv"
    ),
]

SERVICE, OFFICE = 4001, 4002
GOOD = b"%\r\nO0004\r\nM30\r\n%\r\n"
LINK, OTHER = "it is a link or a file where a folder must be", "by another user"

FOLDERS = ("to-machine", "from-machine", "from-machine/damaged", "sent", "refused")
TRICKS = [  # name, who, script (in the machine's folder; $O outside, $S state), how it is undone, what is told
    *((f"{f} is a link", "share", f"swap {f} link $O", f"back {f}", LINK) for f in FOLDERS),
    *((f"{f} leads into the records", "share", f"swap {f} link $S/ledger", f"back {f}", LINK)
      for f in ("to-machine", "refused", "from-machine")),
    ("another machine's inbox", "share", "swap from-machine link ../mill/to-machine", "back from-machine", LINK),
    ("the machine's folder is a link", "share", "swap $M link $O", "back $M", LINK),
    ("sent is a file", "share", "swap sent file", "back sent", LINK),
    ("refused is a pipe", "share", "swap refused pipe", "back refused", LINK),
    ("an own folder for sent", "share", "swap sent folder", "back sent", OTHER),
    ("an own folder for to-machine", "share", "swap to-machine folder", "back to-machine", OTHER),
    *((f"{f} is moved away", "office", f"mv {f} {f}.old", "", "DENIED") for f in ("to-machine", "sent", "refused")),
    ("the machine's folder is moved away", "office", "mv $M $M.old", "", "DENIED"),
    ("a drop that is a link", "office", "ln -s $O/canary.nc to-machine/a.nc", "rm to-machine/a.nc", "is a link"),
    ("a drop that is a link to the ledger", "office", "ln -s $S/ledger/*.jsonl to-machine/b.nc", "rm to-machine/b.nc", "is a link"),
    ("a drop that is a link to a device", "office", "ln -s /dev/zero to-machine/c.nc", "rm to-machine/c.nc", "is a link"),
    ("a drop that is a hard link", "share", "ln $O/canary.nc to-machine/d.nc", "rm to-machine/d.nc", "is a hard link"),
    ("a drop that is a hard link to the ledger", "share", "ln $S/ledger/*.jsonl to-machine/e.nc", "rm to-machine/e.nc", "is a hard link"),
    ("a drop that is a pipe", "office", "mkfifo to-machine/f.nc", "rm to-machine/f.nc", "is no plain file"),
    ("a drop that is a device", "share", "mknod to-machine/g.nc c 1 5", "rm to-machine/g.nc", "is no plain file"),
    ("a drop that is a folder", "office", "mkdir to-machine/h.nc", "rmdir to-machine/h.nc", "is a folder"),
    ("the old name of a half-written status", "office", "ln -s $S/ledger/*.jsonl .STATUS.txt.part", "rm .STATUS.txt.part", ""),
    ("STATUS.txt is a link", "share", "rm STATUS.txt; ln -s $O/canary.nc STATUS.txt", "", ""),
    ("STATUS.txt is a folder", "share", "rm STATUS.txt; mkdir STATUS.txt", "rmdir STATUS.txt", "STATUS.txt cannot be written"),
    ("a name in sent is taken by a link", "share", "ln -sf $O/canary.nc sent/go.nc", "rm sent/go.nc", ""),
    ("a receipt's name is taken by a link", "share", "ln -sf $O/canary.nc sent/go.nc.receipt.txt", "rm sent/go.nc.receipt.txt", ""),
    ("a name in refused is taken by a link", "share", "ln -sf $O/new.txt refused/bad.nc.receipt.txt", "rm refused/bad.nc.receipt.txt", ""),
    ("a delivery's name is taken by a link", "share", "ln -sf $O/canary.nc from-machine/O0007.nc", "rm -f from-machine/O0007*", ""),
]  # fmt: skip


SWAP = f"""\
import os, shutil, sys
what, place, *more = sys.argv[1:]
away = os.environ["T"] + "/away"
if what == "back":
    shutil.rmtree(place) if os.path.isdir(place) and not os.path.islink(place) else os.unlink(place)
    os.rename(away, place)
    sys.exit()
new = os.environ["T"] + "/new"
match more:
    case ["link", target]: os.symlink(target, new)
    case ["file"]: os.close(os.open(new, os.O_CREAT))
    case ["pipe"]: os.mkfifo(new)
    case ["folder"]: os.mkdir(new); os.chmod(new, 0o777); os.chown(new, {OFFICE}, -1)
os.rename(place, away)
os.rename(new, place)
"""
"""Puts something in the place of a folder, or the folder back, in an instant: dncd makes one that is missing anew, and what two
commands of a shell move there afterwards would lie in that."""


class Shop(House):
    """A service that is no root, and people of the office."""

    def start(self, machines):
        for folder, mode in ((self.shop, 0o3775), (self.state, 0o750)):
            folder.mkdir(exist_ok=True)
            os.chown(folder, SERVICE, SERVICE)
            folder.chmod(mode)
        words = [
            "setpriv",
            f"--reuid={SERVICE}",
            f"--regid={SERVICE}",
            "--clear-groups",
            "--",
            sys.executable,
            "-m",
            "dncd",
        ]
        words += ["--config", str(self.root / "dncd.toml"), "run"]
        self.process = subprocess.Popen(words, stdout=self.log, stderr=self.log, umask=0o007, cwd=self.root)
        until(lambda: all((self.shop / name / "STATUS.txt").exists() for name in machines))

    def does(self, who, script):
        """In the machine's folder; whether it could be done."""
        machine = self.shop / "lathe"
        places = {"O": self.root / "outside", "S": self.state, "T": self.root / "share", "M": machine}
        words = (
            ["setpriv", f"--reuid={OFFICE}", f"--regid={SERVICE}", "--clear-groups", "--"] if who == "office" else []
        )
        env = {**os.environ, **{key: str(place) for key, place in places.items()}, "SWAP": SWAP}
        script = f'swap() {{ {sys.executable} -c "$SWAP" swap "$@"; }}; back() {{ {sys.executable} -c "$SWAP" back "$@"; }}; {script}'
        return (
            subprocess.run([*words, "sh", "-ec", script], cwd=machine, env=env, check=False, umask=0o002).returncode
            == 0
        )

    def drops(self, name, data):
        path = self.shop / "lathe" / "to-machine" / name
        self.does("office", f"printf '{data.decode()}' > to-machine/{name}".replace("%", "%%"))
        return path

    def trouble(self):
        return json.loads(self.dncd("status", "--json").stdout)["machines"]["lathe"]["trouble"]

    def untouched(self, ledger):
        """All that is no machine's own: what lies outside, what is the other machine's, what stood in the ledger."""
        found = {}
        for folder in (self.root / "outside", self.shop / "mill"):
            for path in sorted(folder.rglob("*")):
                if path.is_file() and path.name != "STATUS.txt" and not path.name.startswith(".dncd-"):
                    found[str(path)] = hashlib.sha256(path.read_bytes()).hexdigest()
        now = b"".join(path.read_bytes() for path in sorted((self.state / "ledger").glob("*.jsonl")))
        assert now.startswith(ledger)
        assert {path.name for path in (self.state / "ledger").iterdir() if path.suffix != ".jsonl"} == {".lock"}
        return found, now


@pytest.fixture(scope="module")
def shop():
    root = Path(tempfile.mkdtemp(prefix="dncd-tricks-"))
    root.chmod(0o755)
    ends = [pty.openpty() for _ in range(2)]
    for master, slave in ends:
        tty.setraw(slave)
        os.chown(os.ttyname(slave), SERVICE, SERVICE)
        os.set_blocking(master, False)
    (root / "outside").mkdir()
    (root / "share").mkdir()
    (root / "outside" / "canary.nc").write_bytes(GOOD)
    for path in (root / "outside", root / "outside" / "canary.nc"):
        os.chown(path, SERVICE, SERVICE)  # the service may do all with it, were it led there
    machines = {
        name: {"line": {"port": os.ttyname(slave), "baud": 9600, "frame": "7E1"}, "send": {"start_on": "now"}}
        for name, (_, slave) in zip(("lathe", "mill"), ends, strict=True)
    }
    try:
        with watched(root):
            found = Shop(root, machines)
            found.masters = [master for master, _ in ends]
            try:
                yield found
                assert found.stop() == 0
                assert "Traceback" not in (root / "run.log").read_text()
                assert verify(root / "state", root / "shop").problems == ()
            finally:
                if found.process.poll() is None:
                    found.process.kill()
                    found.process.wait(120)
                found.log.close()
    finally:
        for end in ends:
            for descriptor in end:
                os.close(descriptor)
        shutil.rmtree(root)


def works(shop, tag):
    """A program goes out, one is refused, and one comes in."""
    shop.drops(f"go-{tag}.nc", GOOD)
    shop.drops(f"bad-{tag}.nc", b"%\r\nO0003 \\303\\204\r\nM30\r\n%\r\n")
    assert shop.receipt("lathe", "sent", f"go-{tag}.nc").get("result") == "sent"
    assert shop.receipt("lathe", "refused", f"bad-{tag}.nc").get("result") == "refused"


@pytest.mark.parametrize(("name", "who", "script", "undo", "told"), TRICKS, ids=[trick[0] for trick in TRICKS])
def test_a_trick_leads_nowhere(shop, name, who, script, undo, told):
    tag = hashlib.sha256(name.encode()).hexdigest()[:8]
    outside, ledger = shop.untouched(b"")
    done = shop.does(who, script)
    assert done == (told != "DENIED")
    if told and done:
        shop.drops(f"mean-{tag}.nc", GOOD)  # whatever becomes of it: not outside
        until(lambda: any(told in what for what in shop.trouble()), about=lambda: str(shop.trouble()))
        assert shop.untouched(ledger)[0] == outside
    elif done:
        for file, where, data in (("go.nc", "sent", GOOD), ("bad.nc", "refused", b"%\r\nO0003 \\303\\204\r\n%\r\n")):
            shop.drops(file, data)
            until(lambda file=file: not os.path.lexists(shop.shop / "lathe" / "to-machine" / file))
            until(lambda where=where: list((shop.shop / "lathe" / where).glob("*.receipt.txt")))
        os.write(shop.masters[0], b"".join(bytes([c | (bin(c).count("1") % 2) << 7]) for c in b"%\nO0007\nM30\n%\n"))
        seen = len(ledger.splitlines())
        until(lambda: b'"received"' in b"\n".join(shop.untouched(ledger)[1].splitlines()[seen:]))
    assert shop.untouched(ledger)[0] == outside
    assert not undo or shop.does("share", undo)
    until(lambda: not shop.trouble(), about=lambda: str(shop.trouble()))
    works(shop, tag)
    assert shop.untouched(ledger)[0] == outside


@pytest.mark.parametrize("who", ["root", "office"])
def test_what_is_sent_under_a_narrow_umask_can_be_read_by_the_service(shop, who):
    file = shop.root / f"narrow-{who}.nc"
    file.write_bytes(GOOD)
    before = ["setpriv", f"--reuid={OFFICE}", f"--regid={SERVICE}", "--clear-groups", "--"] if who == "office" else []
    words = [
        *before,
        sys.executable,
        "-m",
        "dncd",
        "--config",
        str(shop.root / "dncd.toml"),
        "send",
        "lathe",
        str(file),
    ]
    done = subprocess.run(words, capture_output=True, text=True, check=False, umask=0o077, cwd="/", timeout=120)
    assert done.returncode == 0, done.stderr + str(shop.trouble())
    assert shop.receipt("lathe", "sent", file.name).get("result") == "sent"


FLIP = """
import ctypes, os, sys, time
libc, one, other, end = ctypes.CDLL(None), sys.argv[1].encode(), sys.argv[2].encode(), time.monotonic() + 4
while time.monotonic() < end:
    libc.renameat2(-100, one, -100, other, 2)
if os.path.islink(one):
    libc.renameat2(-100, one, -100, other, 2)
"""


@pytest.mark.parametrize(
    ("what", "where"),
    [("to-machine", "$S/ledger"), ("refused", "$O"), ("sent", "$S/ledger"), ("to-machine/race.nc", "$O/canary.nc")],
)
def test_a_race_leads_nowhere(shop, what, where):
    """A name is a link and what it was, in turn, thousands of times while dncd works there."""
    outside, ledger = shop.untouched(b"")
    shop.drops("race.nc", GOOD)
    assert shop.does("share", f"ln -s {where} $M/flip")
    machine = shop.shop / "lathe"
    flip = subprocess.Popen([sys.executable, "-c", FLIP, str(machine / what), str(machine / "flip")])
    number = 0
    while flip.poll() is None:
        number += 1
        shop.drops(f"r{number % 40}.nc", GOOD if number % 2 else b"%\r\nO0003 \\303\\204\r\n%\r\n")
    shop.does("share", "rm -f $M/flip")
    assert shop.untouched(ledger)[0] == outside
    until(lambda: not shop.trouble(), about=lambda: str(shop.trouble()))
    until(
        lambda: not list((machine / "to-machine").glob("r*.nc")),
        about=lambda: str(list((machine / "to-machine").iterdir())),
    )
    assert shop.untouched(ledger)[0] == outside
