"""The demo's shop on this machine: a folder, settings, the real service as a process of its own, and its commands.

It knows of the service what a user may know: folders, receipts, commands and exit statuses.
"""

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final, TypeVar

import dncd
from dncd.peer_text import printable

_SETTINGS = """\
[shop]
folder = "shop"
state = "state"
settle_s = 0.3

[machines.gang-lathe]
title = "Gang lathe, bay 2"

[machines.gang-lathe.line]
port = {lathe}
baud = 4800
frame = "7E2"
flow = "xon/xoff"
ahead_chars = 8

[machines.gang-lathe.tape]
code = "iso"

[machines.bore-mill]
title = "Bore mill, bay 5"

[machines.bore-mill.line]
port = {mill}
baud = 9600
frame = "8N1"
flow = "xon/xoff"
ahead_chars = 8

[machines.bore-mill.tape]
code = "eia"
leader_chars = 20
"""


T = TypeVar("T")


class DemoFailedError(Exception):
    """A step of the demo did not do what it should; the message says which and what was seen."""


DEADLINE_S: Final = 180.0
"""Seconds within which each step of the demo must have happened, on a machine however busy."""


def until(what: Callable[[], T], missing: str) -> T:
    """The first true value of what(), asked twenty times a second; DemoFailedError with `missing` if there is none."""
    end = time.monotonic() + DEADLINE_S
    while time.monotonic() < end:
        if found := what():
            return found
        time.sleep(0.05)
    raise DemoFailedError(f"{missing} within {DEADLINE_S:g} s")


class DemoShop:
    """home: an empty folder for everything. Enter it to start the service; leaving stops it."""

    def __init__(self, home: Path, lathe: str, mill: str) -> None:
        self.folder, self.state = home / "shop", home / "state"
        self.settings, self.log, self._page_log = home / "dncd.toml", home / "run.log", home / "page.log"
        self.settings.write_text(_SETTINGS.format(lathe=json.dumps(lathe), mill=json.dumps(mill)), "utf-8")
        here = Path(dncd.__file__).resolve().parent.parent  # where the child finds this same dncd, installed or not
        self._env = {
            **os.environ,
            "PYTHONUTF8": "1",
            "PYTHONPATH": os.pathsep.join([str(here), os.environ.get("PYTHONPATH", "")]),
        }
        self._words = [sys.executable, "-m", "dncd", "--config", str(self.settings)]
        self._processes: list[subprocess.Popen[bytes]] = []

    def __enter__(self) -> "DemoShop":
        self._service = self._started(self.log, "run")
        return self

    def __exit__(self, *_: object) -> None:
        for started in self._processes:
            if started.poll() is None:
                started.kill()
            started.wait()

    def _started(self, log: Path, *words: str) -> "subprocess.Popen[bytes]":
        """A command in the background, which ctrl-C does not reach."""
        with log.open("ab") as said:
            made = subprocess.Popen([*self._words, *words], env=self._env, stdout=said, stderr=said, process_group=0)
        self._processes.append(made)
        return made

    def show_page(self) -> None:
        """Begins to show the shop's page, on this computer alone; `page_line` says where."""
        self._page = self._started(self._page_log, "page", "--listen", "127.0.0.1:0")

    def page_line(self) -> str:
        """Where the page is to be looked at, or why it cannot be: in a line."""

        def said() -> str:
            ended = self._page.poll() is not None
            text = self._page_log.read_text("utf-8", "replace").strip()
            found = re.search(r"http://\S+/", text)
            if found is not None and not ended:
                return f"On the page, as it happens: {found[0]}"
            why = text.rpartition("\n")[2] or "it said nothing"
            return f"The page cannot be shown here, all else goes on: {printable(why)[:200]}" if ended else ""

        return until(said, "the page neither came up nor ended")

    def wait_until_listening(self) -> None:
        def listens() -> bool:
            if self._service.poll() is not None:
                raise DemoFailedError(f"the service ended with {self._service.returncode}:\n{self.log_end()}")
            return self.command("status").stdout.count("listening") == 2

        until(listens, "the service did not come up")

    def stop(self) -> int:
        self._service.send_signal(signal.SIGTERM)
        try:
            return self._service.wait(DEADLINE_S)
        except subprocess.TimeoutExpired:
            raise DemoFailedError(f"the service did not end within {DEADLINE_S:g} s of SIGTERM") from None

    def command(self, *words: str) -> "subprocess.CompletedProcess[str]":
        return subprocess.run(
            [*self._words, *words],
            env=self._env,
            capture_output=True,
            encoding="utf-8",
            timeout=DEADLINE_S,
            check=False,
        )

    def shown(self, *words: str, typed: bool) -> int:
        """A command whose output is seen as it comes; its exit status. typed: whether it may ask who sits here."""
        sys.stdout.flush()
        try:
            source = None if typed else subprocess.DEVNULL
            return subprocess.run([*self._words, *words], env=self._env, stdin=source, check=False).returncode
        except KeyboardInterrupt:  # the command had it too
            return 1

    def drop(self, machine: str, name: str, text: str) -> None:
        (self.folder / machine / "to-machine" / name).write_text(text, "utf-8", newline="")

    def receipt(self, where: str, name: str) -> str:
        path = self.folder / where / f"{name}.receipt.txt"
        until(path.exists, f"no receipt {where}/{path.name}")
        return path.read_text("utf-8")

    def log_end(self) -> str:
        return self.log.read_text("utf-8", "replace")[-1500:]
