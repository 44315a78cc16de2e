"""A disk of our own that loses its power: ext4 in a file, behind a loop device, cut by ext4's own shutdown.

`EXT4_IOC_SHUTDOWN` with "no flush of the journal" stops every write at once and for good, as a power cut does: what was
never synced, and was not yet committed by the kernel, is gone after the next mount (include/uapi/linux/ext4.h).
"""

import fcntl
import os
import shutil
import struct
import subprocess
from pathlib import Path
from typing import Final

_SHUTDOWN: Final = 0x8004587D
"""_IOR('X', 125, __u32)."""

_NO_LOG_FLUSH: Final = 2

SIZE: Final = 192 * 1024 * 1024


class CutDisk:
    """Mounted at `root` while it is entered. OSError or CalledProcessError where this computer lets nobody mount."""

    def __init__(self, image: Path, root: Path) -> None:
        self.image, self.root = image, root

    def __enter__(self) -> "CutDisk":
        with self.image.open("wb") as file:
            file.truncate(SIZE)
        _run("mkfs.ext4", "-q", "-F", str(self.image))
        self.root.mkdir(exist_ok=True)
        self._mount()
        return self

    def __exit__(self, *_: object) -> None:
        subprocess.run(["umount", "-l", str(self.root)], check=False, capture_output=True)
        self.image.unlink()

    def cut(self) -> None:
        """No write that is not on the disk by now will ever be."""
        fd = os.open(self.root, os.O_RDONLY | os.O_DIRECTORY)
        try:
            fcntl.ioctl(fd, _SHUTDOWN, struct.pack("I", _NO_LOG_FLUSH))
        finally:
            os.close(fd)

    def power_on(self) -> None:
        """Mounts it again; nobody may have a file of it open."""
        _run("umount", str(self.root))
        self._mount()

    def _mount(self) -> None:
        _run("mount", "-o", "loop", str(self.image), str(self.root))


def why_not(folder: Path) -> str:
    """Why this computer cannot have such a disk; "" where it can."""
    if os.geteuid() != 0:
        return "a disk to be cut needs root"
    if missing := [name for name in ("mkfs.ext4", "mount", "umount") if shutil.which(name) is None]:
        return f"a disk to be cut needs {', '.join(missing)}"
    try:
        with CutDisk(folder / "try.img", folder / "try") as disk:
            disk.cut()
            disk.power_on()
    except (OSError, subprocess.CalledProcessError) as error:
        return f"no disk can be mounted and cut here: {error}"
    return ""


def _run(*words: str) -> None:
    subprocess.run(words, check=True, capture_output=True, timeout=120)
