"""The git program as a child: with the user's own settings and keys, never asking at a terminal, and ended when it must.

Pushing and packing need it; all else of dncd works where it is not installed.
"""

import contextlib
import os
import re
import shutil
import signal
import subprocess
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from dncd.peer_text import printable

_LONGEST: Final = 300

PACK_BOUNDS: Final = ("-c", "pack.threads=1", "-c", "pack.windowMemory=64m")
"""Of a packing beside lines that run."""

_QUIET: Final = {"GIT_TERMINAL_PROMPT": "0", "SSH_ASKPASS_REQUIRE": "never", "LC_ALL": "C", "GIT_OPTIONAL_LOCKS": "0"}
"""git(1), ssh(1): fail instead of asking; messages that can be told apart."""

_SSH: Final = "ssh -o BatchMode=yes -o ConnectTimeout=20 -o ServerAliveInterval=15 -o ServerAliveCountMax=4"


@dataclass(frozen=True, slots=True)
class Done:
    """How a git ended. code: its exit status, negative for a signal; out, err: what it wrote."""

    code: int
    out: str
    err: str

    @property
    def why(self) -> str:
        return reason_in(self.err) or f"git ended with {self.code}"


def reason_in(said: str) -> str:
    """What git, ssh and the server said that matters, in one printable line; "" if they said nothing."""
    lines = [line.strip() for line in without_users(said).split("\n")]
    lines = [line for line in lines if line and not line.startswith(("hint:", "To ", "Everything up-to-date"))]
    told = [line for line in lines if line.startswith(("fatal:", "error:", "ssh:", "remote: error", "remote: fatal"))]
    short = "; ".join(dict.fromkeys(told or lines[-2:]))
    return printable(short[:_LONGEST])


def without_users(text: str) -> str:
    """Addresses in a text without what stands before their @: it may be a password."""
    return re.sub(r"(?<=://)[^/@\s'\"]*(?=@)", "…", text)


class GitProgram:
    """One git at a time; `stop`, from another thread, ends it and lets none start any more."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._child: subprocess.Popen[str] | None = None
        self._stopped = False

    def run(
        self,
        words: Sequence[str],
        seconds: float,
        library: Path | None = None,
        more: Mapping[str, str] | None = None,
        given: str = "",
    ) -> Done:
        """Runs it to its end, on a library or on none. given: its standard input; more: environment. Longer than
        `seconds`, and it is ended, with its children. Where there is no git, that is how it ended."""
        if shutil.which("git") is None:
            return Done(127, "", "fatal: the git program is not installed: `apt install git`")
        head = ["git", "-c", "safe.directory=*", "-c", "gc.auto=0"]  # the library may be another user's
        head += [f"--git-dir={library}"] if library is not None else []
        env = {**os.environ, **_QUIET, **(more or {})}
        if "GIT_SSH_COMMAND" not in env and not self._has_own_ssh(library):
            env["GIT_SSH_COMMAND"] = _SSH
        return self._run([*head, *words], env, seconds, given)

    def _has_own_ssh(self, library: Path | None) -> bool:
        words = ["git", *([f"--git-dir={library}"] if library else []), "config", "--get", "core.sshCommand"]
        return bool(self._run(words, {**os.environ}, 10, "").out.strip())

    def _run(self, words: Sequence[str], env: Mapping[str, str], seconds: float, given: str) -> Done:
        with self._lock:
            if self._stopped:
                return Done(-signal.SIGTERM, "", "dncd is stopping")
            child = subprocess.Popen(
                words,
                env=env,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
                errors="backslashreplace",
                start_new_session=True,  # no terminal to ask at, and one group to end
            )
            self._child = child
        try:
            out, err = child.communicate(given, timeout=seconds)
        except subprocess.TimeoutExpired:
            _end(child)
            _, err = child.communicate()
            return Done(-signal.SIGKILL, "", f"{err}\nfatal: it was not done within {seconds:.0f} s")
        finally:
            with self._lock:
                self._child = None
        return Done(child.returncode, out, err)

    def stop(self) -> None:
        with self._lock:
            self._stopped = True
            if self._child is not None:
                _end(self._child)


def _end(child: "subprocess.Popen[str]") -> None:
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(child.pid, signal.SIGKILL)
