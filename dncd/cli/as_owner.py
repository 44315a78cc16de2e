"""A command that writes in the state folder leaves what the service can go on with, whoever gives it."""

import os
import tempfile  # noqa: F401 - before the user changes, who may not read where Python lies
from pathlib import Path

from dncd.errors import NotDoneError


def become_owner(state: Path) -> None:
    """Makes this process write as the service does: root becomes the state folder's user and group, and the umask leaves
    what that folder's mode leaves. NotDoneError for anybody else. For the rest of the process."""
    try:
        found = state.stat()
    except FileNotFoundError:
        return  # said better by whatever reads it next
    if os.geteuid() == 0 != found.st_uid:
        os.setgroups([])
        os.setgid(found.st_gid)
        os.setuid(found.st_uid)
    elif os.geteuid() != found.st_uid:
        what = "the state folder is another user's, and the service could not go on with files of yours in it"
        raise NotDoneError(what, str(state), "Give the command as its user, or as root")
    os.umask(0o777 & ~found.st_mode)
