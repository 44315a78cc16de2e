"""How much room a disk has left for the service's user."""

import os
from pathlib import Path


def free_bytes(folder: Path) -> int | None:
    """Bytes that this user may still write to the file system of `folder` (statvfs(3)); None where nobody tells."""
    try:
        room = os.statvfs(folder)
    except OSError:
        return None
    return room.f_bavail * room.f_frsize
