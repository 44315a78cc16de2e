"""The operator's part at a stand-in control, in lines of text: keys as words, answers in plain sentences.

It reads words from a terminal, a file or a pipe; `wait` makes a script wait for reader and punch, so that the same lines
can be typed or run. What the control does by itself is told as it happens.
"""

import contextlib
import re
import signal
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from typing import Final, TextIO

from dncd import defaults
from dncd.choices import USUAL_ENDS, BlockEnd, TapeCode
from dncd.peer_text import printable
from dncd.standin.build import PARITY, Build, CodeForm, Dc3
from dncd.standin.control import Mode, StandIn
from dncd.standin.keyboard import Keyboard
from dncd.standin.program_memory import Alarm, Stored
from dncd.values import Frame

WAIT_S: Final = 600.0
"""Seconds that `wait` waits when it is not told otherwise: ten minutes, a long program at a slow rate."""

LOOK_S: Final = 0.2
"""Seconds between two looks for news where nothing woke the watcher."""

HAND_S: Final = 0.5
"""Seconds that an operator's hand takes from one key to the next, at the least."""

HELP: Final = """\
read                      {keys.read}: the reader is on and takes a program
punch [NUMBER | all]      {keys.punch}: gives a program, or all of them; alone: the one that came in last
round                     read, wait, punch and wait in one; in a trial punch only when it asks for it
list, show NUMBER         what the memory holds
edit NUMBER OLD NEW       the first block with OLD gets NEW ("quotes" around blanks)
edit [NUMBER]             the last feed becomes a quarter less
key NUMBER                key a program in, block by block; a line with . alone ends it
delete NUMBER
reset                     RESET: reader and punch off, alarm gone
noise PER_MILLION         of a million characters on the line, so many are hit (0: none)
set KEY VALUE             wrong settings on purpose: baud, frame, code, block-end, dc3
right                     all settings as they were
plug, unplug              a loopback plug in the control's place, and back
state                     what it does, what it is set to, what it saw
wait [SECONDS]            until reader and punch are off; Enter or ctrl-C ends the wait
quit"""

CAUTION: Final = (
    "This is a stand-in: nothing moves. At a real machine a new or changed program is proved out before it cuts."
)


class Screen:
    """Plays one control. port: what a settings file names as `line.port` to reach it."""

    def __init__(self, control: StandIn, port: str, keyboard: Keyboard, out: TextIO) -> None:
        self._control, self._port, self._keyboard, self._out = control, port, keyboard, out
        self._right = control.build
        self._lock = threading.Lock()
        self._over = threading.Event()
        self._told = Mode.OFF
        self._held = dict(control.memory.programs)
        keys = control.build.keys
        self._words: dict[str, Callable[[list[str]], None]] = {
            keys.read.lower(): self._read,
            keys.punch.lower(): self._punch,
            "read": self._read,
            "punch": self._punch,
            "list": self._list,
            "show": lambda words: self._say(control.memory.programs[self._number(words[0])].text().rstrip("\n")),
            "edit": self._edit,
            "delete": self._delete,
            "reset": self._reset,
            "noise": self._noise,
            "set": self._set,
            "right": self._set_right,
            "plug": self._plug,
            "unplug": self._unplug,
            "state": self._state,
            "wait": self._wait,
            "round": self._round,
            "key": self._key,
            **dict.fromkeys(("help", "?"), lambda _: self._say(HELP.format(keys=keys))),
        }

    def play(self) -> None:
        build = self._control.build
        self._say(f"{build.title}: {_line_of(build)}, on {self._port}\n{CAUTION}\nhelp lists the keys.")
        watcher = threading.Thread(target=self._watch, name="screen", daemon=True)
        watcher.start()
        try:
            while (words := self._keyboard.words("control> ", self._say))[:1] != ["quit"]:
                if words:
                    self.obey(words)
        except EOFError:
            pass  # nobody types any more
        finally:
            self._over.set()
            watcher.join()

    def obey(self, words: list[str]) -> bool:
        """Presses the key that the words name; False where there is none or it could do nothing, which is told."""
        do = self._words.get(words[0].lower())
        try:
            if do is not None:
                do(words[1:])
                return True
            self._say(f"There is no key {printable(words[0])}. help lists the keys.")
        except KeyError as error:
            self._say(f"The memory holds no {printable(str(error.args[0]))}. list shows what it holds.")
        except ValueError as error:
            text = printable(str(error))
            self._say(f"{text[:1].upper()}{text[1:]}.")
        except IndexError:
            self._say(f"{words[0]} wants more words. help lists the keys.")
        return False

    def _say(self, text: str) -> None:
        with self._lock:
            self._write(text)

    def _write(self, text: str) -> None:
        self._out.write(f"{text}\n")
        self._out.flush()

    # --- what it does by itself ------------------------------------------------------------------------------------
    def _watch(self) -> None:
        while not self._over.is_set():
            self._control.wait_for(lambda: self._control.mode is not self._told, LOOK_S)
            self.news()

    def news(self) -> None:
        control = self._control
        with self._lock:
            mode, before, self._told = control.mode, self._told, control.mode
            if mode is before or mode is not Mode.OFF:
                return
            self._write(self._ended(before))

    def _ended(self, before: Mode) -> str:
        control = self._control
        now = dict(control.memory.programs)
        new, self._held = [p for p in now.values() if self._held.get(p.number) is not p], now
        if control.alarm is not Alarm.NONE:
            return f"ALARM: {control.alarm}. reset clears it."
        if before is Mode.PUNCHING:
            return "punched: the punch is off"
        seen = control.figures()
        lost = f", {seen.lost} characters lost" if seen.lost else ""
        kept = ", ".join(f"{p.number}, {len(p.blocks)} blocks" for p in new)
        if before is Mode.READING:
            return f"read in: {kept or 'nothing new'}; the reader is off{lost}"
        return "the control is back on the cable"

    # --- the keys --------------------------------------------------------------------------------------------------
    def _number(self, word: str = "") -> str:
        """The number of a program that the memory holds, however many zeros either has, or of the one that came in last;
        KeyError: it holds none."""
        if not word:
            return self._control.memory.newest()
        wanted = _new_number(word)
        for number in self._control.memory.programs:
            if int(number[1:]) == int(wanted[1:]):
                return number
        raise KeyError(wanted)

    def _read(self, _: list[str]) -> None:
        self._control.clear()
        self._control.read_in()
        self._started(Mode.READING, f"{self._control.build.keys.read}: the reader is on")

    def _punch(self, words: list[str]) -> None:
        if words and words[0].lower() == "all":
            self._control.punch_all()
        else:
            number = self._number(*words)
            self._control.punch(number)
            words = words or [number]
        self._started(Mode.PUNCHING, f"{self._control.build.keys.punch}: {words[0]} goes out")

    def _round(self, _: list[str]) -> None:
        self._read([])
        read = self._off_within(WAIT_S) and self._control.alarm is Alarm.NONE
        if not (read and self._control.figures().taken):
            raise ValueError("no program came in, so none is punched")
        self._control.wait_for(lambda: False, HAND_S)
        self._punch([])
        self._off_within(WAIT_S)

    def _started(self, mode: Mode, text: str) -> None:
        with self._lock:
            self._told = mode
        self._say(text)

    def _list(self, _: list[str]) -> None:
        memory = self._control.memory
        held = [memory.programs[number] for number in sorted(memory.programs)]
        rows = [f"{p.number}  {len(p.blocks)} blocks  {p.blocks[0] if p.blocks else ''}" for p in held]
        self._say("\n".join([*rows, f"{memory.free_chars:,} characters free"]))

    def _edit(self, words: list[str]) -> None:
        number = self._number(*words[:1])
        old, new = (words[1], words[2]) if words[1:] else self._less_feed(number)
        block = next(b for b in self._control.edit(number, old, new).blocks if new in b)
        self._held = dict(self._control.memory.programs)
        self._say(f"{number}: {block}\nProve it out before it cuts: single block, dry run, a hand at feed hold.")

    def _less_feed(self, number: str) -> tuple[str, str]:
        for block in reversed(self._control.memory.programs[number].blocks):
            if found := re.search(r"F(\d*\.?\d+)", block):
                return block, block.replace(found[0], f"F{float(found[1]) * 0.75:.4g}")
        raise ValueError(f"no block of {number} has a feed")

    def _key(self, words: list[str]) -> None:
        number, blocks = _new_number(words[0]), list[str]()
        while (line := self._keyboard.line()) and line.strip() != ".":
            blocks.append(line.rstrip("\r\n"))
        if not (blocks and blocks[0].startswith(number)):
            blocks.insert(0, number)
        alarm = self._control.memory.store(Stored(number, "", tuple(blocks)))
        self._held = dict(self._control.memory.programs)
        self._say(f"{number}: {len(blocks)} blocks keyed in" if alarm is Alarm.NONE else f"ALARM: {alarm}.")

    def _delete(self, words: list[str]) -> None:
        number = self._number(words[0])
        del self._control.memory.programs[number]
        self._say(f"{number} deleted")

    def _reset(self, _: list[str]) -> None:
        self._control.reset()
        self._started(Mode.OFF, "RESET: reader and punch are off")

    def _unplug(self, _: list[str]) -> None:
        self._control.reset()
        self._started(Mode.OFF, "the plug is off, the control is back on the cable, reader and punch are off")

    def _noise(self, words: list[str]) -> None:
        self._control.line.noise.per_million = float(words[0])
        self._say(f"noise on the line: {float(words[0]):g} of a million characters, both ways")

    def _plug(self, _: list[str]) -> None:
        self._control.loop()
        self._started(Mode.LOOPED, "the control is off the cable, a loopback plug is on its end")

    def _set(self, words: list[str]) -> None:
        key, value = words[0].lower(), words[1]
        self._control.set_up(changed(self._control.build, key, value))
        self._say(f"the control is set to {_line_of(self._control.build)}")

    def _set_right(self, _: list[str]) -> None:
        self._control.set_up(self._right)
        self._control.line.noise.per_million = 0.0
        self._say(f"the control is set to {_line_of(self._right)}; no noise")

    def _state(self, _: list[str]) -> None:
        control, seen = self._control, self._control.figures()
        lines = [
            f"{control.mode.value}; alarm: {control.alarm}",
            f"set to {_line_of(control.build)}; noise {control.line.noise.per_million:g} in a million",
            f"{seen.taken:,} characters came, {seen.lost} lost, {seen.holds} holds, "
            f"at most {max(seen.after_dc3, default=0)} behind a stop",
        ]
        self._say("\n".join(lines))

    def _wait(self, words: list[str]) -> None:
        seconds = float(words[0]) if words else WAIT_S
        if self._off_within(seconds):
            self._say("waited: reader and punch are off")
        else:
            self._say(f"the wait is over, and it is still {self._control.mode.value}")

    def _off_within(self, seconds: float) -> bool:
        """Waits until reader and punch are off, tells what came of it; False: a key, ctrl-C or the time ended the wait."""
        end, off = time.monotonic() + seconds, False
        with _ctrl_c() as came:
            if self._keyboard.by_hand:
                self._say("waits; Enter or ctrl-C ends the wait alone")
            while not (off or came or self._keyboard.pressed()) and (left := end - time.monotonic()) > 0:
                off = self._control.wait_for(lambda: self._control.mode in (Mode.OFF, Mode.LOOPED), min(left, LOOK_S))
        if came:
            self._say("")
        self.news()
        return off


@contextlib.contextmanager
def _ctrl_c() -> Iterator[list[int]]:
    """Ctrl-C is noted in the list meanwhile and raises nothing: within a wait for a lock that could end the program."""
    came: list[int] = []
    if threading.current_thread() is not threading.main_thread():
        yield came
        return
    before = signal.signal(signal.SIGINT, lambda number, _: came.append(number))
    try:
        yield came
    finally:
        signal.signal(signal.SIGINT, before)


def _new_number(word: str) -> str:
    """`7`, `O7` and `o0007` as a number of at least four digits, O0007; ValueError for what is none."""
    digits = word.lstrip("Oo:")
    if not digits.isdecimal():
        raise ValueError(f"{word} is no program number, such as O0210")
    return f"O{int(digits):04}"


def _line_of(build: Build) -> str:
    code = "EIA" if build.tape.code is TapeCode.EIA else f"ISO, {build.tape.block_end}"
    holds = "asks for each block" if build.reader.holds_by.by_block else f"holds by {build.reader.holds_by}"
    return f"{build.baud} baud, {build.frame}, {code}, {build.protocol}, {holds}"


def changed(build: Build, key: str, value: str) -> Build:
    """A build with one setting changed; ValueError in words for a key or value that there is not."""
    if key not in _SETTINGS:
        raise ValueError(f"{key} is none of {', '.join(_SETTINGS)}")
    allowed, change = _SETTINGS[key]
    try:
        return change(build, value)
    except (KeyError, ValueError):
        raise ValueError(f"{key} {value}: a control has {allowed}") from None


def _with_baud(build: Build, value: str) -> Build:
    return replace(build, baud={baud: baud for baud in defaults.BAUDS}[int(value)])


def _with_frame(build: Build, value: str) -> Build:
    frame = Frame.parse(value.upper())
    return replace(build, frame=frame, codes=PARITY[frame.parity])


def _with_code(build: Build, value: str) -> Build:
    code = TapeCode(value.lower())
    frame = Frame.parse("8N2") if code is TapeCode.EIA else Frame.parse("7E2")
    return replace(build, tape=replace(build.tape, code=code), frame=frame, codes=CodeForm.EVEN)


def _with_block_end(build: Build, value: str) -> Build:
    return replace(build, tape=replace(build.tape, block_end=BlockEnd(value.upper().replace("-", " "))))


def _with_dc3(build: Build, value: str) -> Build:
    return replace(build, dc3={"93": Dc3.WITH_PARITY, "13": Dc3.PLAIN}[value.lower().removeprefix("0x")])


_SETTINGS: Final[Mapping[str, tuple[str, Callable[[Build, str], Build]]]] = {
    "baud": ("a rate such as 300, 4800 or 9600", _with_baud),
    "frame": ("a frame such as 7E1, 7E2, 7O1 or 8N1", _with_frame),
    "code": ("iso (then 7E2) or eia (then 8N2)", _with_code),
    "block-end": (
        ", ".join(end.replace(" ", "-") for end in USUAL_ENDS) + ", or another such as ;-LF",
        _with_block_end,
    ),
    "dc3": ("93 (with its parity bit) or 13", _with_dc3),
}
