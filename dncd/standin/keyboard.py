"""What is typed at a stand-in's keys: lines of words from a terminal, a file or a pipe."""

import contextlib
import re
import select
import shlex
import sys
from collections.abc import Callable
from typing import Final, TextIO

_KEY: Final = re.compile(r"\x1b(?:\[[0-9;]*[A-Za-z~]|O[A-Z])")
"""What an arrow key and its like put into a line where nothing edits it."""


class Keyboard:
    def __init__(self, lines: TextIO) -> None:
        self.by_hand: Final = lines is sys.stdin and lines.isatty()
        self._lines = lines
        if self.by_hand:
            with contextlib.suppress(ImportError):  # loaded, it gives `input` its arrow keys and the lines before
                import readline  # noqa: F401

    def line(self, prompt: str = "") -> str:
        """The next line with its end; "" where there is no more. prompt: shown where somebody types."""
        if not self.by_hand:
            return self._lines.readline()
        try:
            return f"{input(prompt)}\n"
        except EOFError:
            return ""

    def words(self, prompt: str, say: Callable[[str], None]) -> list[str]:
        """The words of the next line, none for an empty one. say: is told what cannot be read. EOFError: there is none."""
        while line := self.line(prompt):
            try:
                return shlex.split(_KEY.sub("", line), comments=True)
            except ValueError:
                say("A quotation mark is open: close it, or leave it out.")
        raise EOFError

    def pressed(self) -> bool:
        """Whether somebody typed a line that nobody has taken yet; a file or a pipe never says so, it is read to its end."""
        return self.by_hand and bool(select.select([self._lines], [], [], 0)[0])
