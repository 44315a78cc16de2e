"""A day's work of a shop with eight stand-in controls, compressed: drops, starts, punches, edits, all from one seed.

What was dropped, taken away, edited and punched is noted here, apart from anything that dncd writes down.
"""

import contextlib
import csv
import hashlib
import random
import time
from dataclasses import dataclass, field
from pathlib import Path

from dncd.choices import TapeCode
from dncd.errors import DncdError
from dncd.outside.command_client import ask
from dncd.standin.build import Build, Dc3
from dncd.standin.control import Mode, StandIn
from dncd.standin.program_memory import Stored
from dncd.standin.tape_punch import FlippedBit
from dncd.values import Frame, TapeSettings

_EIA = {
    row["char"]: int(row["hex"], 16)
    for row in csv.DictReader((Path(__file__).parent / "vectors" / "eia244.csv").read_text("utf-8").splitlines())
    if len(row["char"]) == 1
}
"""Code table from outside (its sources are named in it)."""

MACHINES = {
    "lathe-1": ("iso", "7E1", 38400, "now"),
    "lathe-2": ("iso", "7E1", 115200, "now"),
    "mill-1": ("eia", "8N1", 38400, "now"),
    "lathe-3": ("iso", "7E1", 38400, "dc1"),
    "lathe-4": ("iso", "7E2", 57600, "dc1"),
    "mill-2": ("eia", "8N1", 38400, "dc1"),
    "lathe-5": ("iso", "7E1", 19200, "go"),
    "mill-3": ("iso", "7E1", 115200, "go"),
}
"""Name: code, frame, baud, start. The first three only read, for nobody there keeps the office from sending."""


def coded(code: str, text: str) -> bytes:
    """Text as it goes over the line: even parity in the eighth bit (ISO 840), or RS-244."""
    if code == "iso":
        return bytes(b | (b.bit_count() % 2) << 7 for b in text.encode("ascii"))
    return bytes(0x80 if c == "\n" else 0x10 if c == " " else 0x0B if c == "%" else _EIA[c] for c in text)


@dataclass
class Drop:
    """A dropped file. tag: a word that only this program has; wire: its image, b"" for one that must be refused."""

    machine: str
    name: str
    data: bytes
    tag: str
    wire: bytes
    at: float
    taken_away: bool = False

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.data).hexdigest()


@dataclass
class Punch:
    """A punched program. given: time of each character, from the opening mark through the closing one's block end."""

    machine: str
    number: str
    wire: bytes
    first: int
    noisy: bool


@dataclass
class Control:
    """A stand-in and what went out of it: characters and the time of each."""

    stand_in: StandIn
    code: str
    start: str
    said: bytearray = field(default_factory=bytearray)
    times: list[float] = field(default_factory=list)
    go_at: float = 0.0

    def listen(self) -> None:
        write = self.stand_in.line._write

        def noted(data: bytes, *more: int) -> None:
            self.said += data
            self.times += [time.monotonic()] * len(data)
            write(data, *more)

        self.stand_in.line._write = noted


class Workday:
    """root: an empty folder. `act` does one thing that a person might do; `rng` decides which."""

    def __init__(self, root: Path, seed: int) -> None:
        self.root, self.shop, self.state = root, root / "shop", root / "state"
        self.settings, self.log = root / "dncd.toml", root / "run.log"
        self.rng = random.Random(seed)
        self.drops: list[Drop] = []
        self.punches: list[Punch] = []
        self.edits: list[tuple[str, bytes]] = []
        self.controls: dict[str, Control] = {}
        self._count = 0
        lines = ["[shop]", "settle_s = 0.1"]
        for name, (code, frame, baud, start) in MACHINES.items():
            tape = TapeSettings(code=TapeCode(code))
            stand_in = StandIn(Build(name, baud, Frame.parse(frame), tape, dc3=Dc3.WITH_PARITY, memory_m=10_000))
            control = self.controls[name] = Control(stand_in, code, start)
            control.listen()
            (self.shop / name / "to-machine").mkdir(parents=True)
            (self.shop / name / "from-machine").mkdir(parents=True)
            lines += [f"[machines.{name}.line]", f'port = "{stand_in.path}"', f"baud = {baud}", f'frame = "{frame}"']
            lines += [f"[machines.{name}.tape]", f'code = "{code}"', f"[machines.{name}.send]", f'start_on = "{start}"']
            lines += [f"[machines.{name}.receive]", "silence_s = 0.3"]
        self.settings.write_text("\n".join(lines) + "\n")

    def change_a_setting(self) -> None:
        """Another silence for one machine."""
        lines = self.settings.read_text().split("\n")
        at = self.rng.choice([i for i, line in enumerate(lines) if line.startswith("silence_s")])
        lines[at] = f"silence_s = {self.rng.choice([0.2, 0.3, 0.4])}"
        beside = self.settings.with_suffix(".new")
        beside.write_text("\n".join(lines))
        beside.replace(self.settings)

    def act(self) -> None:
        """One thing that happens in the shop."""
        machine = self.rng.choice(list(MACHINES))
        choices = [
            (self.drop, 30),
            (self.drop_what_is_refused, 6),
            (self.operate, 40),
            (self.edit_delivered, 8),
            (self.take_away, 4),
            (self.edit_waiting, 4),
        ]
        act = self.rng.choices([c[0] for c in choices], [c[1] for c in choices])[0]
        act(machine)

    # --- office ------------------------------------------------------------------------------------------------------
    def _blocks(self) -> tuple[str, str, list[str]]:
        self._count += 1
        number, tag = f"O{self._count % 7000 + 1:04d}", f"P{self._count:08d}"
        size = self.rng.choice([3, 20, 20, 60])
        return number, tag, [number, f"G04 {tag}", *(f"N{n} G01 X{n}.5 Z-{n}." for n in range(size)), "M30"]

    def drop(self, machine: str) -> None:
        """A good program under a name of a few, whole at once, or renamed in."""
        _, tag, blocks = self._blocks()
        wire = coded(self.controls[machine].code, "\n".join(["%", *blocks, "%", ""]))
        self._drop(machine, f"{self.rng.randrange(12)}.nc", "\r\n".join(["%", *blocks, "%", ""]).encode(), tag, wire)

    def drop_what_is_refused(self, machine: str) -> None:
        """A program with a character that no tape code has."""
        _, tag, blocks = self._blocks()
        blocks[-2] = "N9 G01 X\u00e9"
        self._drop(machine, f"bad {self.rng.randrange(3)}.nc", "\n".join(["%", *blocks, "%", ""]).encode(), tag, b"")

    def _drop(self, machine: str, name: str, data: bytes, tag: str, wire: bytes) -> None:
        folder = self.shop / machine / "to-machine"
        drop = Drop(machine, name, data, tag, wire, time.monotonic())
        if self.rng.random() < 0.5:
            with contextlib.suppress(FileExistsError), (folder / name).open("xb") as file:
                self.drops.append(drop)
                file.write(data)
            return
        (folder / f"{name}.part").write_bytes(data)
        with contextlib.suppress(FileExistsError):
            (folder / name).hardlink_to(folder / f"{name}.part")
            self.drops.append(drop)
        (folder / f"{name}.part").unlink()

    def edit_waiting(self, machine: str) -> None:
        """A waiting file is saved anew by an editor: the old bytes are gone by the office's own hand."""
        waiting = self._waiting(machine)
        if not waiting:
            return
        _, tag, blocks = self._blocks()
        name, data = self.rng.choice(waiting), "\n".join(["%", *blocks, "%", ""]).encode()
        folder = self.shop / machine / "to-machine"
        (folder / f"{name}.part").write_bytes(data)
        try:
            old = (folder / name).read_bytes()
            self._gone(machine, old)
        except FileNotFoundError:
            pass  # taken meanwhile: the saved one is a drop of its own
        wire = coded(self.controls[machine].code, "\n".join(["%", *blocks, "%", ""]))
        self.drops.append(Drop(machine, name, data, tag, wire, time.monotonic()))
        (folder / f"{name}.part").replace(folder / name)

    def take_away(self, machine: str) -> None:
        """A waiting file is taken out of the folder."""
        waiting = self._waiting(machine)
        if waiting:
            path = self.shop / machine / "to-machine" / self.rng.choice(waiting)
            with contextlib.suppress(FileNotFoundError):
                data = path.read_bytes()
                self._gone(machine, data)
                path.unlink()

    def _waiting(self, machine: str) -> list[str]:
        names = [path.name for path in (self.shop / machine / "to-machine").iterdir()]
        return sorted(name for name in names if name.endswith(".nc") and not name.startswith("."))

    def _gone(self, machine: str, data: bytes) -> None:
        for drop in self.drops:
            if drop.machine == machine and drop.data == data:
                drop.taken_away = True

    def edit_delivered(self, machine: str) -> None:
        """Somebody saves notes over a delivered program; a text of their own each time."""
        folder = self.shop / machine / "from-machine"
        names = sorted(p.name for p in folder.glob("O*.nc") if "edited" not in p.name)
        if not names:
            return
        name = self.rng.choice(names)
        self._count += 1
        data = f"notes {self._count} of the office".encode()
        (folder / f".{name}.swp").write_bytes(data)
        before = [b for m, b in self.edits if m == machine and b == _bytes(folder / name)]
        for old in before:
            self.edits.remove((machine, old))  # saved over by the office itself
        self.edits.append((machine, data))
        (folder / f".{name}.swp").replace(folder / name)

    # --- operators -----------------------------------------------------------------------------------------------------
    def operate(self, machine: str) -> None:
        """READ where something waits, or PUNCH, on a control that is neither reading nor punching."""
        control = self.controls[machine]
        if control.start == "now" or control.stand_in.mode is Mode.PUNCHING:
            return
        if control.start == "go" and self.rng.random() < 0.3:
            with contextlib.suppress(DncdError, OSError):
                control.go_at = time.monotonic()
                ask(self.state, {"do": "go", "machine": machine}, 1.0)
            return
        waits = bool(self._waiting(machine))
        if control.stand_in.mode is Mode.READING or (control.start == "dc1" and waits and self.rng.random() < 0.6):
            if waits:
                control.stand_in.read_in()
            return
        if control.start == "dc1" or (time.monotonic() - control.go_at > 1.5 and self._rests(machine)):
            self._punch(machine, control)

    def _rests(self, machine: str) -> bool:
        """Whether nothing goes out to it, by the status: on a busy computer what was started with `go` takes its time, and
        nobody punches into a program that comes in."""
        try:
            return ask(self.state, {"do": "status"}, 1.0)["machines"][machine]["state"] in ("listening", "waiting")
        except (DncdError, OSError):
            return False

    def _punch(self, machine: str, control: Control) -> None:
        self._count += 1
        number = f"O{9000 + self.rng.randrange(5):04d}"
        size = self.rng.choice([3, 20, 40, 80])
        # no block stands in two punches: what is left of one cannot pass for what is left of another
        blocks = (number, f"G04 P{self._count:08d}", *(f"N{n} G01 X{self._count}.25" for n in range(size)), "M30")
        stored = Stored(number, "", blocks)
        noise = (FlippedBit(self.rng.randrange(20, 30), 2),) if self.rng.random() < 0.1 else ()
        wire = coded(control.code, "\n".join(["%", *blocks, "%", ""]))
        control.stand_in.memory.programs[number] = stored
        with control.stand_in._changed:
            first = len(control.said)
            control.stand_in.punch(number, *noise)
        if noise:
            wire = bytes(b ^ 4 if i == noise[0].char else b for i, b in enumerate(wire))
        self.punches.append(Punch(machine, number, wire, first, bool(noise)))


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return b""
