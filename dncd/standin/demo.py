"""`dncd demo`: the whole job on this machine alone, told as a story, each step checked.

The real service runs as a process of its own on a temporary folder; two stand-in controls sit at the other ends of two
virtual null modems. Nothing is taken on trust: what the controls hold is compared with what was dropped.
"""

import contextlib
import json
import signal
import sys
import tempfile
import textwrap
import time
from collections.abc import Callable
from pathlib import Path

from dncd.choices import TapeCode
from dncd.standin import demo_programs
from dncd.standin.build import Build
from dncd.standin.control import Mode, StandIn
from dncd.standin.demo_shop import DEADLINE_S, DemoFailedError, DemoShop, until
from dncd.standin.program_memory import Stored
from dncd.standin.tape_punch import FlippedBit
from dncd.standin.yard import Yard
from dncd.values import Frame, TapeSettings

LATHE = Build("gang-lathe", 4800, Frame.parse("7E2"), buffer_chars=256, high=192, low=64, reads_per_s=320)
"""ISO code, and a reader slower than its line: it must stop the host again and again."""

MILL = Build("bore-mill", 9600, Frame.parse("8N1"), TapeSettings(code=TapeCode.EIA))
"""EIA code, and a reader as fast as its line."""

CAUTIONS = """\
A program that arrived whole is not yet a proven program. Before the first part after any change,
wherever it was made: check the program number, tool and work offsets; run it dry, clear of the
work; then in single block with reduced rapid and a hand at feed hold. Before you drip-feed a cut,
know what your control does when its line falls silent. Plug and unplug the cable only with both
ends switched off."""


WIDTH = 100


class Teller:
    def __init__(self) -> None:
        self.facts = self._parts = 0
        self._began = time.monotonic()

    def part(self, title: str) -> None:
        self._parts += 1
        at = f"{time.monotonic() - self._began:.0f} s"
        self._line(f"\n{self._parts}. {title} {'-' * (WIDTH - len(title) - len(at) - 5)} {at}")

    def say(self, text: str) -> None:
        indent = " " * (len(text) - len(text.lstrip(" ")))
        self._line(textwrap.fill(text, WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False))

    def show(self, text: str, above: str = "") -> None:
        if above:
            self._line(f"    {above}")
        self._line(textwrap.indent(text.rstrip("\n"), "    | ", lambda _: True))

    def fact(self, held: bool, what: str, seen: object = "") -> None:
        """A fact that this step must have made true; DemoFailedError with what was seen instead."""
        if not held:
            raise DemoFailedError(f"this should hold and does not: {what}\nseen instead: {seen}")
        self.facts += 1
        self._line(textwrap.fill(what, WIDTH, initial_indent="  ok  ", subsequent_indent="      "))

    def _line(self, text: str) -> None:
        print(text, flush=True)


class Story:
    def __init__(self, shop: DemoShop, lathe: StandIn, mill: StandIn, tell: Teller) -> None:
        self.shop, self.lathe, self.mill, self.tell = shop, lathe, mill, tell

    def run(self, look_on: Callable[[], None]) -> None:
        """look_on: called once all facts but the last are told, while the service still runs."""
        self.opening()
        self.out()
        self.edited()
        self.refused()
        self.damaged()
        self.records()
        look_on()
        status = self.shop.stop()
        self.tell.fact(status == 0, "the service stopped when asked", status)

    def opening(self) -> None:
        self.tell.say(
            "Quayside Gear Works has two old controls. The gang lathe reads ISO tape code at 4800 baud, 7E2, through "
            "a buffer of 256 characters that it empties slower than the line fills it. The bore mill reads EIA code "
            "at 9600 baud. Both are stand-ins here, each at the far end of a virtual null modem with a clock of its "
            "own; the service between them and the office folder is the real one."
        )
        self.shop.wait_until_listening()
        self.tell.fact(True, "the service listens on both lines")

    def out(self) -> None:
        tell = self.tell
        tell.part("The office drops two programs, the operators press READ")
        sleeve, plate = demo_programs.bearing_sleeve(), demo_programs.gear_plate()
        self.shop.drop("gang-lathe", "0210.nc", demo_programs.as_file(sleeve))
        self.shop.drop("bore-mill", "0330.nc", demo_programs.as_file(plate))
        tell.say("  0210.nc into shop/gang-lathe/to-machine/, 0330.nc into shop/bore-mill/to-machine/")
        for control in (self.lathe, self.mill):
            control.clear()
            control.read_in()
        tell.say("  they read, for about ten seconds")
        read = self.lathe.wait_for(lambda: self.lathe.mode is Mode.OFF, DEADLINE_S)
        read = read and self.mill.wait_for(lambda: self.mill.mode is Mode.OFF, DEADLINE_S)
        tell.fact(read, "both controls read to the closing mark and switched their readers off")
        self._check_out("gang-lathe", self.lathe, "O0210", sleeve)
        self._check_out("bore-mill", self.mill, "O0330", plate)

    def _check_out(self, name: str, control: StandIn, number: str, blocks: tuple[str, ...]) -> None:
        tell, seen = self.tell, control.figures()
        kept = control.memory.programs.get(number)
        tell.fact(
            kept == Stored(number, "", blocks),
            f"{name} holds {number}: {len(blocks)} blocks, the same as were dropped, character for character",
            (control.alarm, kept),
        )
        after, used = max(seen.after_dc3, default=0), seen.line_used(control.build.char_s)
        speed = used / control.build.char_s
        tell.fact(seen.lost == 0, f"{name} lost no character: {speed:.0f} char/s, {seen.holds} holds", seen)
        tell.fact(after <= 8, f"at most {after} characters came after a DC3 (8 allowed)", seen)
        tell.say(f"  --  {name}: {100 * used:.1f} % of the line's rate was used, holds included (a busy machine: less)")
        receipt = self.shop.receipt(f"{name}/sent", f"{number[1:]}.nc")
        tell.show(receipt, f"shop/{name}/sent/{number[1:]}.nc.receipt.txt")
        tell.fact("result: sent" in receipt, "and the office has its receipt: sent", receipt)

    def edited(self) -> None:
        tell = self.tell
        tell.part("The lathe chatters; its operator lowers a feed and both punch their programs out")
        changed = self.lathe.edit("O0210", "F0.12", "F0.09")
        tell.say(
            "  at the gang lathe, in the finishing pass: F0.12 becomes F0.09. At the bore mill nothing is changed."
        )
        self.lathe.punch("O0210")
        self.mill.punch("O0330")
        receipts = self.shop.receipt("gang-lathe/from-machine", "O0210.nc")
        receipts += self.shop.receipt("bore-mill/from-machine", "O0330.nc")
        tell.fact(receipts.count("result: received") == 2, "both came back: received", receipts)
        file = self.shop.folder / "gang-lathe/from-machine/O0210.nc"
        tell.fact(
            file.read_bytes() == demo_programs.as_file(changed.blocks).encode(),
            "shop/gang-lathe/from-machine/O0210.nc is what the control holds, byte for byte",
        )
        until(lambda: "matched" in self._events("bore-mill"), "no matched of bore-mill in the ledger")
        tell.fact(True, "bore-mill: equal to what was last sent, no new revision")
        until(lambda: "differs" in self._events("gang-lathe"), "no differs of gang-lathe in the ledger")
        tell.fact(True, "gang-lathe: differs from what was last sent")
        differing = self.shop.command("diff", "gang-lathe", "O0210")
        said = differing.stdout + differing.stderr
        tell.show(said, "dncd diff gang-lathe O0210")
        tell.fact("F 0.12 → 0.09" in said, "the office sees the one word that changed", said)

    def refused(self) -> None:
        tell = self.tell
        tell.part("The office drops a program that this control cannot take")
        blocks, before = demo_programs.unfit(), len(self.lathe.taken)
        self.shop.drop("gang-lathe", "0211.nc", demo_programs.as_file(blocks))
        receipt = self.shop.receipt("gang-lathe/refused", "0211.nc")
        tell.show(receipt, "shop/gang-lathe/refused/0211.nc.receipt.txt")
        reasons = [line for line in receipt.splitlines() if line.startswith("reason:")]
        tell.fact("result: refused" in receipt and len(reasons) >= 3, "refused, with a reason for each fault", receipt)
        faults = {4: blocks[2].index("Ø") + 1, 5: blocks[3].index("g") + 1}
        named = all(any(f"line {n}, column {c}" in reason for reason in reasons) for n, c in faults.items())
        tell.fact(named, "each reason names the line and column", reasons)
        tell.fact(len(self.lathe.taken) == before, "not one character of it went to the control")

    def damaged(self) -> None:
        tell = self.tell
        tell.part("A welder starts up next to the cable while the bore mill punches")
        blocks = demo_programs.key_slot()
        self.mill.memory.store(Stored("O0331", "", blocks))
        at = "\n".join(("%", *blocks)).index("F60")
        tell.say("  the operator punches O0331; on the way one bit of one character turns over.")
        self.mill.punch("O0331", FlippedBit(at + 1, 3))
        folder = self.shop.folder / "bore-mill/from-machine/damaged"
        self.tell.fact(
            self.mill.wait_for(lambda: self.mill.mode is Mode.OFF, DEADLINE_S), "the punch has run to its end"
        )
        found = until(lambda: list(folder.glob("*.receipt.txt")), "no damaged capture")
        name = found[0].name.removesuffix(".receipt.txt")
        receipt = self.shop.receipt("bore-mill/from-machine/damaged", name)
        tell.show(receipt, f"shop/bore-mill/from-machine/damaged/{name}.receipt.txt")
        line, column = blocks.index("N50 G01 Z-3.5 F60 M08") + 2, "N50 G01 Z-3.5 F60 M08".index("F60") + 2
        tell.fact("result: damaged" in receipt, "the capture is kept apart as damaged, and is no revision", receipt)
        tell.fact(f"line {line}, column {column}" in receipt, f"it was hit in line {line}, column {column}", receipt)
        taken_for_good = self.shop.folder / "bore-mill/from-machine/O0331.nc"
        tell.fact(not taken_for_good.exists(), "from-machine/ has no O0331.nc that somebody might trust")
        self.mill.punch("O0331")
        receipt = self.shop.receipt("bore-mill/from-machine", "O0331.nc")
        whole = taken_for_good.read_bytes() == demo_programs.as_file(blocks).encode()
        tell.fact(whole and "result: received" in receipt, "punched once more, it is whole: received", receipt)

    def records(self) -> None:
        tell = self.tell
        tell.part("What is on record")
        tell.show(self.shop.command("log").stdout, "dncd log")
        verified = self.shop.command("verify")
        tell.show(verified.stdout + verified.stderr, "dncd verify")
        tell.fact(verified.returncode == 0, "ledger, library and receipts agree", verified)
        expected = {"sent": 2, "received": 3, "matched": 1, "refused": 1, "damaged": 1}
        events = self._events("gang-lathe") + self._events("bore-mill")
        counts = {event: events.count(event) for event in expected}
        words = ", ".join(f"{count} {event}" for event, count in expected.items())
        tell.fact(counts == expected, f"the ledger has them all: {words}", counts)

    def _events(self, machine: str) -> list[str]:
        text = "".join(path.read_text("utf-8") for path in sorted((self.shop.state / "ledger").glob("*.jsonl")))
        lines = [json.loads(line) for line in text.split("\n")[:-1]]
        return [line["event"] for line in lines if line.get("machine") == machine]


def new_or_empty(folder: Path, option: str) -> bool:
    """Makes a folder where there is none; False, and says so, where something lies in it."""
    folder.mkdir(parents=True, exist_ok=True)
    if any(folder.iterdir()):
        sys.stderr.write(f"{folder}: is not empty. Give {option} a new or an empty folder.\n")
        return False
    return True


def main(keep: Path | None, *, page: bool = False) -> int:
    """Tells the story; `keep`: an empty or new folder in which all files stay; page: shows the page beside it, and waits for
    ctrl-C before the end. 0, or 1 if a step failed."""
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    tell = Teller()
    if keep is not None:
        return _told(keep.resolve(), tell, "They stay there.", page=page) if new_or_empty(keep, "--keep") else 1
    with tempfile.TemporaryDirectory(prefix="dncd-demo-") as folder:
        fate = "They are deleted now; `dncd demo --keep DIR` leaves them in DIR."
        return _told(Path(folder), tell, fate, page=page)


def _told(home: Path, tell: Teller, fate: str, *, page: bool) -> int:
    lathe, mill = StandIn(LATHE), StandIn(MILL)

    def look_on() -> None:
        if page:
            with contextlib.suppress(KeyboardInterrupt):
                tell.part("All this can be looked at now")
                tell.say(f"{shop.page_line()}\n")
                tell.say("The shop goes on until ctrl-C.")
                signal.pause()

    with Yard(lathe, mill):
        shop = DemoShop(home, lathe.path, mill.path)
        try:
            with shop:
                if page:
                    shop.show_page()
                    tell.say(shop.page_line())
                Story(shop, lathe, mill, tell).run(look_on)
        except DemoFailedError as failed:
            tell.say("")
            sys.stderr.write(f"The demo failed: {failed}\nThe service's log ends:\n{shop.log_end()}\n")
            return 1
    tell.part(f"All files are in {home}")
    tell.say(fate)
    tell.say(f"{tell.facts} facts checked, all held.")
    tell.show(CAUTIONS, "CAUTIONS")
    return 0
