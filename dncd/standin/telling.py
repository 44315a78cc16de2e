"""How the demo tells its story: headings, plain sentences, checked facts, and a progress line."""

import sys
import textwrap
import time
from collections.abc import Callable
from typing import TextIO

from dncd.standin.build import Figures
from dncd.standin.control import StandIn
from dncd.standin.demo_shop import DEADLINE_S, DemoFailedError

WIDTH = 100
ON_TERMINAL_S = 0.2
IN_FILE_S = 3.0
"""Seconds between two states of the progress: a line that is written over, or one more line of a log."""


class Teller:
    """Tells to `out`; counts the facts that held."""

    def __init__(self, out: TextIO = sys.stdout) -> None:
        self.facts = 0
        self._out, self._began, self._parts = out, time.monotonic(), 0

    def part(self, title: str) -> None:
        self._parts += 1
        at = f"{time.monotonic() - self._began:.0f} s"
        self._line(f"\n{self._parts}. {title} {'-' * (WIDTH - len(title) - len(at) - 5)} {at}")

    def say(self, text: str) -> None:
        """A paragraph, indented as its first line is."""
        indent = " " * (len(text) - len(text.lstrip(" ")))
        self._line(textwrap.fill(text, WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False))

    def show(self, text: str, above: str = "") -> None:
        if above:
            self._line(f"    {above}")
        self._line(textwrap.indent(text.rstrip("\n"), "    | ", lambda _: True))

    def fact(self, held: bool, what: str, seen: object = "") -> None:
        """A fact that this step must have made true; DemoFailedError with what was seen instead."""
        if not held:
            raise DemoFailedError(
                f"this should hold and does not: {what}" + (f"\nseen instead: {seen}" if seen else "")
            )
        self.facts += 1
        self._line(textwrap.fill(what, WIDTH, initial_indent="  ok  ", subsequent_indent="      "))

    def follow(self, controls: dict[str, StandIn], chars: dict[str, int], done: Callable[[], bool]) -> bool:
        """Shows how far each control has read until done(); False if that does not come."""
        terminal = self._out.isatty()
        end, pause = time.monotonic() + DEADLINE_S, ON_TERMINAL_S if terminal else IN_FILE_S
        waker = next(iter(controls.values()))
        finished = False
        while not finished and time.monotonic() < end:
            finished = waker.wait_for(done, pause)
            state = "   ".join(_state(name, control, chars[name]) for name, control in controls.items())
            self._out.write(f"\r      {state}\x1b[K" if terminal else f"      {state}\n")
            self._out.flush()
        if terminal:
            self._out.write("\n")
        return finished

    def _line(self, text: str) -> None:
        self._out.write(f"{text}\n")
        self._out.flush()


def _state(name: str, control: StandIn, of_chars: int) -> str:
    seen = control.figures()
    share = min(100, 100 * seen.taken // of_chars)
    return f"{name} {seen.taken:>5,}/{of_chars:,} {share:>3} % {rate(seen):>4.0f} char/s {seen.holds} holds"


def rate(seen: Figures) -> float:
    return (seen.taken - 1) / (seen.last - seen.first) if seen.last > seen.first else 0.0
