"""`dncd learn`: a shop to play with: the real service, two stand-in controls, six programs, and always a next step.

One prompt is everybody: `drop` is the office's hand, `dncd …` its commands, and every other word an operator's key at one of
the controls. What came of it is waited for before the next word is taken, so that the same words can be typed or piped.
"""

import contextlib
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any, Final

from dncd.outside.command_client import ask
from dncd.peer_text import local_text, printable
from dncd.service.next_words import next_lines
from dncd.standin import demo_programs
from dncd.standin.control import Mode, StandIn
from dncd.standin.demo import LATHE, MILL, new_or_empty
from dncd.standin.demo_shop import DEADLINE_S, DemoFailedError, DemoShop
from dncd.standin.keyboard import Keyboard
from dncd.standin.plug import NullModem, Rates
from dncd.standin.screen import CAUTION, Screen
from dncd.standin.yard import Yard

LESSON: Final = (
    ("drop 1", "the office drops a program into the lathe's folder"),
    ("read", "the operator of the lathe presses READ, and its DC1 starts the program"),
    ("edit", "the part chatters: he lowers the last feed at the control"),
    ("punch", "and punches the program, so that the office has his edit"),
    ("dncd diff gang-lathe O0004", "what he changed, word by word"),
    ("drop 5", "the office drops its own next version, which lacks his edit"),
    ("drop 3", "a program with faults"),
    ("drop 4", "a drawing, by mistake"),
    ("drop 2", "a program without M30: it waits, and its warning is to be read before READ is pressed"),
    ("dncd status", "what waits where: the same stands in STATUS.txt in each machine's folder"),
    ("read", "the operator saw the warning and has it all the same"),
    ("drop 6", "a long program for the bore mill: it waits until somebody there presses READ"),
    ("mill", "you go over to the bore mill; `lathe` leads back"),
    ("round", "READ, then PUNCH what came: the control has what the office sent"),
    ("dncd programs", "who holds which revision"),
    ("dncd verify", "all records held against each other"),
    ("quit", "that is all; `dncd manual` has the rest"),
)
"""What to type, in this order, and what that is."""

HELP: Final = """\
drop N                    the office drops program N; drop alone lists them
lathe, mill               whose keys the words are: the gang lathe's or the bore mill's
dncd …                    a command of dncd, such as dncd status, dncd log, dncd withdraw gang-lathe
next                      the next step again; Enter does the same
every other word is a key of the control:"""

_SHOWN: Final = ("result", "program", "reason", "compared", "difference", "warning")
"""Keys of a receipt that are shown; the rest is read in its file."""

_MOST: Final = 6
LOOK_S: Final = 0.05
EARLY_S: Final = 2.0


class Lesson:
    def __init__(self, shop: DemoShop, controls: Mapping[str, StandIn], keyboard: Keyboard) -> None:
        self._shop, self._controls, self._keyboard = shop, controls, keyboard
        self._screens = {
            name: Screen(control, control.path, keyboard, sys.stdout) for name, control in controls.items()
        }
        self._at = "gang-lathe"
        self._step = 0
        self._seen = dict[Path, int]()
        self._early = dict[
            str, dict[str, str]
        ]()  # where READ was pressed before anything waited, as `pressed` of a status
        self._words: dict[str, Callable[[list[str]], bool]] = {
            "drop": self._drop,
            "dncd": self._command,
            "lathe": partial(self._go_to, "gang-lathe"),
            "mill": partial(self._go_to, "bore-mill"),
            "next": lambda _: True,
            "help": self._help,
            "?": self._help,
        }

    def play(self) -> None:
        """Until `quit`, the end of what is typed, or ctrl-C."""
        self._say_next()
        with contextlib.suppress(EOFError):
            while (words := self._keyboard.words(f"{self._at}> ", print)) != ["quit"]:
                self._do(words or ["next"])
                self._tell_early()
                self._say_next()

    def _do(self, words: list[str]) -> None:
        done = self._words.get(words[0].lower(), self._key)
        went = done(words if done == self._key else words[1:])
        typed = " ".join(words).lower()
        for step in range(self._step, len(LESSON)):
            if went and typed == LESSON[step][0].lower():
                self._step = step + 1
            if not LESSON[step][0].startswith("dncd "):  # a look may be left out, no deed
                break

    def _say_next(self) -> None:
        if self._step < len(LESSON):
            typed, what = LESSON[self._step]
            print(f"\nStep {self._step + 1} of {len(LESSON)}: type `{typed}`: {what}.", flush=True)

    # --- what may be typed -----------------------------------------------------------------------------------------
    def _drop(self, words: list[str]) -> bool:
        samples = demo_programs.SAMPLES
        if not words or words[0] not in samples:
            print("\n".join(f"drop {n}  {sample.file:<10} {sample.what}" for n, sample in samples.items()))
            return False
        sample = samples[words[0]]
        self._shop.drop(sample.machine, sample.file, sample.text)
        print(f"{sample.file} is in shop/{sample.machine}/to-machine/: {sample.what}")
        if done := self._until(lambda: bool(self._fresh()) or self._waits_at(sample.machine, sample.file)):
            print("\n".join(next_lines(self._status(sample.machine)["next"])) or "nothing waits")
        return done

    def _command(self, words: list[str]) -> bool:
        if len(words) == 2 and words[0] == "backup" and words[1] in self._controls:  # else it would keep the prompt
            ask(self._shop.state, {"do": "backup", "machine": words[1]})
            at = words[1].rpartition("-")[2]
            print(f"A backup of {words[1]} is awaited: type `{at}`, then `punch all`; it ends after a minute of quiet.")
            return True
        return self._shop.shown(*words, typed=self._keyboard.by_hand) == 0

    def _go_to(self, machine: str, _: list[str]) -> bool:
        self._at = machine
        print(f"you are at the {machine.replace('-', ' ')}")
        return True

    def _help(self, _: list[str]) -> bool:
        print(HELP)
        return self._screens[self._at].obey(["help"])

    def _key(self, words: list[str]) -> bool:
        """A key; waits for the receipts that it must bring: one for what READ takes, one for what PUNCH gives."""
        key, control = words[0].lower(), self._controls[self._at]
        waiting = any((self._shop.folder / self._at / "to-machine").iterdir())
        if key == "round" and not waiting:  # it would take what is dropped next, which nobody can type meanwhile
            number = next(n for n, sample in demo_programs.SAMPLES.items() if sample.machine == self._at)
            print(
                f"Nothing waits for this control, and `round` takes what waits: type `drop {number}` first, then `round`."
            )
            return False
        if not self._screens[self._at].obey(words):
            return False
        receipts = (key in ("read", "round") and waiting) + (key in ("punch", "round"))
        if key == "read" and not waiting:
            end = time.monotonic() + EARLY_S  # its DC1 is heard in a moment, unless something is set wrong
            self._until(lambda: bool(self._status(self._at)["pressed"]) or time.monotonic() > end)
            if pressed := self._status(self._at)["pressed"]:
                self._early[self._at], until = pressed, local_text(pressed["until"])
                print(f"Nothing waits for this control: what is dropped until {until} goes at once.")
        return not receipts or self._until(lambda: control.mode is Mode.OFF and len(self._fresh()) >= receipts)

    # --- what came of it -------------------------------------------------------------------------------------------
    def _tell_early(self) -> None:
        """How a READ ended that was pressed before anything waited."""
        for machine, early in list(self._early.items()):
            status, reads = self._status(machine), self._controls[machine].mode is Mode.READING
            last, until = status["last"], local_text(early["until"])
            if status["transfer"] or (reads and status["pressed"]):
                continue
            how = f"it counted until {until}, and brings nothing any more: `reset`, then `read`"
            if status["pressed"]:
                how = f"the reader is off, which no control says: what is dropped until {until} goes out, unread"
            elif not reads and last["event"] == "sent" and last["time"] >= early["at"]:
                how = f"it brought {last['file']}, {local_text(last['time'])}"
            del self._early[machine]
            print(f"The early READ at the {machine.replace('-', ' ')} is over: {how}.")

    def _until(self, happened: Callable[[], bool]) -> bool:
        """Waits for it and tells what is new; False: a key, ctrl-C or the deadline ended the wait."""
        end, done = time.monotonic() + DEADLINE_S, False
        try:
            while not (done := happened()) and not self._keyboard.pressed() and time.monotonic() < end:
                time.sleep(LOOK_S)
        except KeyboardInterrupt:
            print()
        for screen in self._screens.values():
            screen.news()
        for path, at in sorted(self._fresh().items(), key=lambda each: each[1]):
            self._seen[path] = at
            self._show(path)
        if not done:
            print("Not done yet; it goes on. `state` says what the control does, `dncd status` what the service does.")
        return done

    def _show(self, receipt: Path) -> None:
        lines = [line for line in receipt.read_text("utf-8").splitlines() if line.partition(":")[0] in _SHOWN]
        print(f"receipt {receipt.relative_to(self._shop.folder.parent)}:")
        print("\n".join(f"  | {printable(line)}" for line in lines[:_MOST]))
        if lines[_MOST:]:
            print(f"  and {len(lines) - _MOST} more lines like these")

    def _fresh(self) -> dict[Path, int]:
        """The receipts that nobody was told of, by their times in ns."""
        found = {path: path.stat().st_mtime_ns for path in self._shop.folder.rglob("*.receipt.txt")}
        return {path: at for path, at in found.items() if self._seen.get(path) != at}

    def _waits_at(self, machine: str, file: str) -> bool:
        """Whether the service has looked at it and has it wait for the control."""
        status = self._status(machine)
        idle = self._controls[machine].mode is not Mode.READING or "too long ago" in status["waits_for"]
        return file in status["waiting"] and bool(status["next"]) and idle

    def _status(self, machine: str) -> Any:
        return ask(self._shop.state, {"do": "status"})["machines"][machine]


def main(folder: Path | None) -> int:
    """folder: a new or empty one in which all files stay; none: a temporary one, deleted at the end. Gives 0, or 1 where
    the shop could not be opened."""
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    signal.signal(signal.SIGHUP, signal.default_int_handler)
    if folder is not None:
        return _opened(folder.resolve(), "they stay there") if new_or_empty(folder, "--folder") else 1
    with tempfile.TemporaryDirectory(prefix="dncd-learn-") as home:
        return _opened(Path(home), "deleted at the end, but for `dncd learn --folder DIR`")


def _opened(home: Path, fate: str) -> int:
    plugs = NullModem(Rates.SEEN), NullModem(Rates.SEEN)  # a rate that somebody sets wrong is wrong
    controls = {"gang-lathe": StandIn(LATHE, plug=plugs[0]), "bore-mill": StandIn(MILL, plug=plugs[1])}
    for control in controls.values():
        control.memory.store(*demo_programs.first_programs())
    try:
        with Yard(*controls.values()), DemoShop(home, *(control.path for control in controls.values())) as shop:
            shop.show_page()
            shop.wait_until_listening()
            print("A shop to learn in: the service runs, with a gang lathe and a bore mill.")
            print(f"Its files: {home} ({fate}).\nIn other terminals: export DNCD_CONFIG={shop.settings}\n{CAUTION}")
            print(shop.page_line())
            print("`?` lists what may be typed, ctrl-C ends.")
            try:
                Lesson(shop, controls, Keyboard(sys.stdin)).play()
            finally:
                shop.stop()
    except KeyboardInterrupt:
        print()
    except DemoFailedError as error:
        sys.stderr.write(f"The shop could not be opened: {error}\n")
        return 1
    print("The service and the controls are off.")
    return 0
