"""A systemd of its own: PID 1 of new namespaces, on a throw-away layer over this machine's root, without its network.

Nothing of the machine is changed: what is written lies in a file system in memory that ends with the namespaces, /proc/sys
and /sys are read-only, no device but null and its like is there, and the only mark outside is an empty control group while
it runs. All processes end with the first one.
"""

import contextlib
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import click
import pytest
from waiting import until

SYSTEMD = Path("/lib/systemd/systemd")
TOOLS = ("unshare", "nsenter", "setpriv", "mount", "pivot_root", "systemctl", "systemd-sysusers", "systemd-tmpfiles")

PACKAGES = str(Path(click.__file__).parents[1])
"""Where what dncd imports is installed."""

PYTHON = f"/opt/dncd/python/bin/python{sys.version_info.major}.{sys.version_info.minor}"
"""This Python, as the box sees it."""

MASKED = (
    "systemd-udevd.service", "systemd-udevd-kernel.socket", "systemd-udevd-control.socket", "systemd-udev-trigger.service",
    "systemd-networkd.service", "systemd-timesyncd.service", "systemd-resolved.service", "systemd-random-seed.service",
    "systemd-sysctl.service", "systemd-modules-load.service", "systemd-binfmt.service", "proc-sys-fs-binfmt_misc.automount",
    "dev-hugepages.mount", "sys-kernel-debug.mount", "sys-kernel-tracing.mount", "sys-fs-fuse-connections.mount",
    "sys-kernel-config.mount", "swap.target", "local-fs.target", "timers.target", "sockets.target", "paths.target",
    "keyboard-setup.service", "apparmor.service", "systemd-firstboot.service", "systemd-machine-id-commit.service",
)  # fmt: skip

# $1: a mount point; $2: files to lay over the root; $3, $4: this Python and its packages, seen as /opt/dncd/python and
# /opt/dncd/packages, for the unit hides home folders from the service
BOOT = r"""
set -e
mount -t tmpfs -o size=512m,mode=755 tmpfs "$1"
mkdir "$1/upper" "$1/work" "$1/root"
mount -t overlay -o "lowerdir=/,upperdir=$1/upper,workdir=$1/work" overlay "$1/root"
cp -r --preserve=mode,links "$2/." "$1/root/"
mkdir -p "$1/root/opt/dncd/python" "$1/root/opt/dncd/packages"
mount --bind -o ro "$3" "$1/root/opt/dncd/python"
mount --bind -o ro "$4" "$1/root/opt/dncd/packages"
cd "$1/root"
mount -t proc proc proc
mount --bind proc/sys proc/sys && mount -o remount,bind,ro proc/sys
mount -t sysfs -o ro sysfs sys
mount -t cgroup2 cgroup2 sys/fs/cgroup
mount -t tmpfs -o mode=755 tmpfs dev
for name in null zero full random urandom tty; do touch "dev/$name"; mount --bind "/dev/$name" "dev/$name"; done
mkdir dev/pts dev/shm
mount -t devpts -o newinstance,ptmxmode=0666,mode=0620,gid=5 devpts dev/pts
ln -s pts/ptmx dev/ptmx
ln -s /proc/self/fd dev/fd
mount -t tmpfs -o mode=1777 tmpfs dev/shm
mount -t tmpfs -o mode=755 tmpfs run
mount -t tmpfs -o mode=1777 tmpfs tmp
hostname box
pivot_root . mnt
umount -l mnt
exec env -i container=other PATH=/usr/sbin:/usr/bin:/sbin:/bin \
    setpriv --bounding-set -sys_time,-sys_module,-sys_rawio,-syslog,-sys_boot \
    /lib/systemd/systemd --system --unit=box.target --log-target=journal --show-status=no
"""


def wait_for(what: Callable[[], object], until_s: float) -> bool:
    """Looks until `what` is true; whether it came true in time."""
    try:
        return bool(until(what, until_s))
    except AssertionError:
        return False


def why_not() -> str:
    """What is missing here for a systemd of its own; "" if nothing is."""
    if os.geteuid() != 0:
        return "namespaces with a systemd in them want root"
    if missing := [tool for tool in TOOLS if shutil.which(tool) is None]:
        return f"not on this machine: {', '.join(missing)}"
    if not SYSTEMD.exists():
        return f"no {SYSTEMD} on this machine"
    if _groups() is None:
        return "no control groups of version 2 are mounted here"
    return ""


def _groups() -> Path | None:
    """This process's own control group, of version 2."""
    for line in Path("/proc/mounts").read_text().splitlines():
        _, where, kind, *_ = line.split()
        if kind == "cgroup2":
            for own in Path("/proc/self/cgroup").read_text().splitlines():
                if own.startswith("0::"):
                    return Path(where) / own.removeprefix("0::").lstrip("/")
    return None


class Box:
    """A running systemd. pid: its process as this machine sees it."""

    def __init__(self, pid: int) -> None:
        self.pid = pid

    def words(self, *words: str, user: str = "") -> list[str]:
        """A command line that runs in the box, as root or as another user with his groups."""
        drop = ["setpriv", f"--reuid={user}", f"--regid={user}", "--init-groups", "--"] if user else []
        into = [
            "nsenter",
            f"--target={self.pid}",
            "--mount",
            "--pid",
            "--uts",
            "--ipc",
            "--net",
            "--cgroup",
            "--root",
            "--wd",
        ]
        clean = ["env", "-i", "PATH=/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "LANG=C.UTF-8", "SYSTEMD_PAGER=cat"]
        return [*into, *clean, *drop, *words]

    def run(self, *words: str, user: str = "", typed: str = "") -> subprocess.CompletedProcess[str]:
        """Runs a command in the box to its end. typed: what it reads."""
        given = self.words(*words, user=user)
        return subprocess.run(given, capture_output=True, text=True, timeout=120, check=False, input=typed)

    def ok(self, *words: str, user: str = "", typed: str = "") -> str:
        """Its output; fails if it fails."""
        done = self.run(*words, user=user, typed=typed)
        assert done.returncode == 0, f"{words}: {done.stdout}{done.stderr}"
        return done.stdout

    def shown(self, name: str, unit: str = "dncd") -> str:
        """A property of the unit."""
        return self.ok("systemctl", "show", unit, "--property", name, "--value").strip()


@contextlib.contextmanager
def boxed(tmp_path: Path, files: Path) -> Iterator[Box]:
    """Starts one with `files` laid over the root; skips where it does not come up. At the end nothing of it is left."""
    groups = _groups()
    assert groups is not None
    own, mount_point = groups / f"dncd-test-{os.getpid()}", tmp_path / "box"
    mount_point.mkdir()
    system = files / "etc/systemd/system"
    system.mkdir(parents=True, exist_ok=True)
    for name in MASKED:
        (system / name).symlink_to("/dev/null")
    (system / "box.target").write_text("[Unit]\nRequires=basic.target\nAfter=basic.target\nAllowIsolate=yes\n")
    try:
        own.mkdir()
    except OSError as error:
        pytest.skip(f"no control group can be made here: {error.strerror}")
    try:
        with (tmp_path / "boot.log").open("w+") as log:
            words = [
                "setpriv",
                "--pdeathsig=KILL",
                "unshare",
                "--mount",
                "--propagation=private",
                "--pid",
                "--fork",
                "--kill-child",
                "--uts",
                "--ipc",
                "--net",
            ]
            words += ["--cgroup", "sh", "-c", BOOT, "boot", str(mount_point), str(files), sys.base_prefix, PACKAGES]
            join = f'echo $$ > "{own}/cgroup.procs" && exec "$@"'
            with subprocess.Popen(
                ["sh", "-c", join, "join", *words], stdin=subprocess.DEVNULL, stdout=log, stderr=log
            ) as outer:
                try:
                    yield _up(outer, log.name)
                finally:
                    outer.send_signal(signal.SIGKILL)  # and with it PID 1 of the box (--kill-child), and with that all
    finally:
        assert wait_for(lambda: _is_removed(own), 120), f"{own} cannot be removed"
    assert "dncd-test" not in Path("/proc/mounts").read_text()
    assert str(mount_point) not in Path("/proc/mounts").read_text()


def _up(outer: subprocess.Popen[bytes], log: str) -> Box:
    children = Path(f"/proc/{outer.pid}/task/{outer.pid}/children")

    def first() -> int:
        return next((int(word) for word in children.read_text().split()), 0) if outer.poll() is None else 0

    def is_up() -> bool:
        return bool(first()) and Box(first()).run("systemctl", "is-active", "box.target").stdout.strip() == "active"

    if not wait_for(lambda: outer.poll() is not None or is_up(), 120) or outer.poll() is not None:
        pytest.skip(f"systemd does not come up in namespaces here: {Path(log).read_text()[-300:]}")
    return Box(first())


def _is_removed(group: Path) -> bool:
    if not group.exists():
        return True
    folders = sorted((path for path in group.rglob("*") if path.is_dir()), reverse=True)
    try:
        for folder in [*folders, group]:
            folder.rmdir()
    except OSError:  # a process in it is still on its way out
        return False
    return True
