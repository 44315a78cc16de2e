"""An accountant who trusts nothing of dncd: reads the ledger as JSON lines, the library through git, the folders and
receipts as bytes, and holds them against what was dropped, what the controls took and what they punched.
"""

import hashlib
import json
import subprocess
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from waiting import until
from workday import Drop, Punch, Workday, coded

MARGIN_S = 0.5
"""Seconds before a SIGKILL in which caught characters may still have been in memory: 50 ms as promised, and what a busy
machine of two cores adds; a campaign in which more lies between may widen it. What was measured is printed."""

OUT = ("sent", "refused", "interrupted", "withdrawn")
FILL = b"\n\x8d\x80\0"
"""Block ends and blank tape, which begin no capture."""


@dataclass
class Up:
    """One run of the service, by its log: when it listened, and when it was killed (endless while it runs). dead: when it
    was certainly gone; what came in between it may have read, and nobody has it. late_s: by how much a wait in this run was
    late at most, for the machine had other work: the service may have been as late."""

    ready: float
    killed: float = float("inf")
    dead: float = float("inf")
    late_s: float = 0.0


@dataclass
class Accounts:
    """faults: what does not add up, in words; empty is the only good answer."""

    day: Workday
    ups: list[Up] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    margin_s: float = MARGIN_S
    settled: bool = False
    lost_most_s: float = 0.0
    longest_raw: str = ""
    _longest: int = 0
    _raws: dict[str, bytes] = field(default_factory=dict)
    _lines: list[dict[str, Any]] = field(default_factory=list)

    def check(self, *, settled: bool) -> list[str]:
        """settled: the service has stopped and nothing waits; else it runs, and only what always holds is asked."""
        self.faults, self.settled = [], settled
        self._lines = lines = self._ledger()
        self._receipts(lines)
        self._dropped(lines, settled)
        self._on_the_line(lines, settled)
        self._punched(lines, settled)
        self._edits()
        if settled:
            self._nothing_left()
            self._library(lines)
        return self.faults

    def unread(self) -> list[str]:
        """Punches of which something is neither on record nor in a capture."""
        self.faults = []
        self._punched(self._ledger(), settled=True)
        return self.faults

    def worked(self, least: int) -> None:
        """Says what the day was, so that a campaign in which nothing happened does not pass for a good one."""
        events = Counter(line["event"] for line in self._ledger())
        print(
            f"{len(self.day.drops)} drops, {len(self.day.punches)} punches, {len(self.day.edits)} edits: {dict(events)}"
        )
        print(f"characters that came up to {self.lost_most_s * 1000:.0f} ms before a kill are missing")
        for event in ("sent", "received", "refused"):
            assert events[event] or least < 5, f"nothing was {event}"
        assert events["sent"] + events["received"] >= least, "hardly anything happened"

    def _say(self, what: str) -> None:
        self.faults.append(what)

    # --- ledger: each line's own hash, the chain, the numbers ---------------------------------------------------------
    def _ledger(self) -> list[dict[str, Any]]:
        found, prev = [], "0" * 64
        for path in sorted((self.day.state / "ledger").glob("*.jsonl")):
            raw = path.read_bytes()
            for text in raw[: raw.rfind(b"\n") + 1].splitlines():
                line = json.loads(text)
                plain = {k: v for k, v in line.items() if k != "hash"}
                form = json.dumps(plain, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
                if hashlib.sha256(form).hexdigest() != line["hash"] or line["prev"] != prev:
                    self._say(f"ledger line {line['seq']} breaks the chain")
                if line["seq"] != len(found) + 1:
                    self._say(f"ledger line {line['seq']} stands at place {len(found) + 1}")
                prev = line["hash"]
                found.append(line)
        return found

    # --- receipts: each names a file that is there, and a line that says the same --------------------------------------
    def _receipts(self, lines: list[dict[str, Any]]) -> None:
        for path in self.day.shop.glob("*/**/*.receipt.txt"):
            wrong = [self._receipt(path, lines)]
            if wrong[0] and self._again(lambda p=path: self._receipt(p, self._ledger()) if p.exists() else ""):
                self._say(f"{path.relative_to(self.day.shop)}: {wrong[0]}")

    def _receipt(self, path: Path, lines: list[dict[str, Any]]) -> str:
        try:
            pairs = [line.partition(": ")[::2] for line in path.read_text().splitlines()]
        except FileNotFoundError:
            return ""
        keys = dict(reversed(pairs))
        missing = {"result", "machine", "program", "file", "sha256", "time"} - keys.keys()
        if missing:
            return f"lacks {missing}"
        seq = int(keys["ledger"].split()[0])
        if seq > len(lines):
            return "names a ledger line that is not there"
        line = lines[seq - 1]
        if (line["event"], line["sha256"], line["time"]) != (keys["result"], keys["sha256"], keys["time"]):
            return f"says other things than ledger line {seq}"
        file = path.with_name(keys["file"])
        if file.name != path.name.removesuffix(".receipt.txt"):
            return "names another file"
        if not file.exists():
            return "names a file that is not there"
        edited = path.parent.name == "from-machine" and (path.parent.parent.name, file.read_bytes()) in self.day.edits
        if _sha(file) != keys["sha256"] and not edited:
            return "names a file with other contents"
        return ""

    def _again(self, what: Any) -> bool:
        """Whether it is still wrong a few looks later: a service that runs works on while the accountant reads."""
        if self.settled:
            return True
        try:
            until(lambda: not what(), 60.0)
        except AssertionError:
            return True
        return False

    # --- every dropped byte ---------------------------------------------------------------------------------------------
    def _dropped(self, lines: list[dict[str, Any]], settled: bool) -> None:
        ends: dict[tuple[str, str], list[dict[str, Any]]] = {}
        for line in lines:
            if line["event"] in OUT:
                ends.setdefault((line["machine"], line["sha256"]), []).append(line)
        places = self._places()
        for drop in self.day.drops:
            if self._drop(drop, ends, places, settled) and self._again(lambda d=drop: self._drop_now(d, settled)):
                self._say(f"{drop.machine}/{drop.name} ({drop.tag}): {self._drop_now(drop, settled)}")

    def _drop_now(self, drop: Drop, settled: bool) -> str:
        ends: dict[tuple[str, str], list[dict[str, Any]]] = {}
        for line in self._ledger():
            if line["event"] in OUT:
                ends.setdefault((line["machine"], line["sha256"]), []).append(line)
        return self._drop(drop, ends, self._places(), settled)

    def _places(self) -> dict[tuple[str, str], list[Path]]:
        found: dict[tuple[str, str], list[Path]] = {}
        for name in self.day.controls:
            for where in ("to-machine", "sent", "refused"):
                folder = self.day.shop / name / where
                for entry in folder.iterdir() if folder.is_dir() else []:
                    if entry.name.endswith((".receipt.txt", ".part")):
                        continue
                    try:
                        found.setdefault((name, _sha(entry)), []).append(entry)
                    except FileNotFoundError:
                        continue
        return found

    def _drop(self, drop: Drop, ends: Any, places: Any, settled: bool) -> str:
        told, where = ends.get((drop.machine, drop.sha256), []), places.get((drop.machine, drop.sha256), [])
        if len(told) > 1:
            return f"has {len(told)} endings: {[line['event'] for line in told]}"
        if len(where) > 1:
            return f"lies in {len(where)} places: {[str(p.relative_to(self.day.shop)) for p in where]}"
        if not told and not where and not drop.taken_away:
            return "is nowhere"
        if told and not where and not (told[0]["event"] == "withdrawn" and drop.taken_away):
            return f"ended as {told[0]['event']} and its file is nowhere"
        if not settled:
            return ""
        if not told and where and where[0].parent.name != "to-machine":
            return f"lies in {where[0]} and nothing is told"
        if told and where:
            folder = "sent" if told[0]["event"] == "sent" else "refused"
            if where[0].parent.name != folder:
                return f"ended as {told[0]['event']} and lies in {where[0]}"
            if not where[0].with_name(where[0].name + ".receipt.txt").exists():
                return f"has no receipt beside {where[0]}"
        return ""

    # --- what the controls took ----------------------------------------------------------------------------------------
    def _on_the_line(self, lines: list[dict[str, Any]], settled: bool) -> None:
        sent = {(line["machine"], line["sha256"]) for line in lines if line["event"] == "sent"}
        taken = {name: bytes(control.stand_in.taken) for name, control in self.day.controls.items()}
        for drop in self.day.drops:
            code = self.day.controls[drop.machine].code
            head = drop.wire[: drop.wire.find(coded(code, drop.tag)) + len(drop.tag)] if drop.wire else b""
            times = taken[drop.machine].count(head) if head else 0
            whole = taken[drop.machine].count(drop.wire) if drop.wire else 0
            if times > 1:
                self._say(f"{drop.machine}/{drop.name} ({drop.tag}) went out {times} times")
            if settled and (drop.machine, drop.sha256) in sent and whole != 1:
                self._say(
                    f"{drop.machine}/{drop.name} ({drop.tag}) is told as sent; the control has {whole} whole ones"
                )

    # --- every punched byte ----------------------------------------------------------------------------------------------
    def _punched(self, lines: list[dict[str, Any]], settled: bool) -> None:
        if not settled:
            return
        told: dict[str, list[dict[str, Any]]] = {}
        for line in lines:
            if line["event"] in ("received", "damaged"):
                told.setdefault(line["wire_sha256"], []).append(line)
        raws: dict[str, list[bytes]] = {name: [] for name in self.day.controls}
        self._raws = {path.name: path.read_bytes() for path in (self.day.state / "captures").iterdir()}
        for name, raw in self._raws.items():
            raws[name.partition("@")[0]].append(raw)
        good = {hashlib.sha256(punch.wire).hexdigest() for punch in self.day.punches if not punch.noisy}
        for digest, found in told.items():
            if found[0]["event"] == "received" and digest not in good:
                self._say(f"ledger line {found[0]['seq']}: a program was received that nobody punched")
        for punch in self.day.punches:
            self._punch(punch, told.get(hashlib.sha256(punch.wire).hexdigest(), []), raws[punch.machine])

    def _punch(self, punch: Punch, told: list[dict[str, Any]], raws: list[bytes]) -> None:
        control = self.day.controls[punch.machine]
        start = control.said.find(punch.wire, punch.first)
        what = f"{punch.machine}: the punched {punch.number} at {punch.first}"
        if start < 0:
            self._say(f"{what} was not punched to its end")
            return
        times = control.times[start : start + len(punch.wire)]
        results = Counter(line["event"] for line in told)
        if results["received"] > 1 or (punch.noisy and results["received"]):
            self._say(f"{what} is on record as {dict(results)}")
        if results["received"]:
            return
        for up in [up for up in self.ups if up.ready < times[-1]]:
            mine = [i for i, at in enumerate(times) if at < up.killed and not self._ended(at, up)]
            part = punch.wire[mine[0] : mine[-1] + 1].lstrip(FILL) if mine else b""
            kept = _kept(part, raws)
            if part and kept < len(part.rstrip(FILL)):
                lost_s = up.killed - times[mine[-1] + 1 - len(part) + kept]
                self.lost_most_s = max(self.lost_most_s, lost_s)
                if lost_s > self.margin_s + up.late_s:
                    told_as = f"{lost_s:.2f} s before the kill; told: {dict(results)}"
                    self._say(f"{what}: {len(part) - kept} characters of it are nowhere, {told_as}")
                    return
            kept = max((_common(part, raw) for raw in raws), default=0)
            if kept > max(60, self._longest) and up.killed - times[mine[-1]] > self.margin_s + 0.01:
                self._longest = kept
                self.longest_raw = next(name for name, raw in self._raws.items() if part[:kept] in raw)
        alone = all(not up.ready - 1 < times[0] <= times[-1] < up.killed for up in self.ups)
        if not alone and not told and not punch.noisy and self._undisturbed(times) and not self._meets(punch, times):
            self._say(f"{what} is whole and was not received")

    def _ended(self, at: float, up: Up) -> bool:
        """Whether an earlier run may have had this character: it was not yet gone when it came."""
        return any(at < other.dead < up.ready for other in self.ups)

    def _meets(self, punch: Punch, times: list[float]) -> bool:
        """Whether somebody's `go`, late on a busy computer, sent a program to that control while it punched: what it said
        then is no capture."""
        if self.day.controls[punch.machine].start != "go":
            return False
        shift = time.time() - time.monotonic()
        for line in self._lines:
            if line.get("machine") == punch.machine and line["event"] in ("sent", "interrupted"):
                over = datetime.fromisoformat(line["time"]).timestamp() - shift
                if over - line.get("seconds", 0.0) - 1 < times[-1] and times[0] < over:
                    return True
        return False

    def _undisturbed(self, times: list[float]) -> bool:
        return not any(times[0] - 0.1 < up.killed < times[-1] + self.margin_s for up in self.ups)

    # --- edits in from-machine/, the library, what is left -----------------------------------------------------------------
    def _edits(self) -> None:
        for machine, data in self.day.edits:
            if not self._edit_there(machine, data) and self._again(
                lambda m=machine, d=data: not self._edit_there(m, d)
            ):
                self._say(f"{machine}: {data!r}, saved in from-machine/, is gone")

    def _edit_there(self, machine: str, data: bytes) -> bool:
        folder = self.day.shop / machine / "from-machine"
        for path in folder.iterdir():
            try:
                if path.is_file() and path.stat().st_size == len(data) and path.read_bytes() == data:
                    return True
            except FileNotFoundError:
                continue
        return False

    def _nothing_left(self) -> None:
        state = self.day.state
        left = [p.name for p in (*(state / "underway").iterdir(), *(state / "outgoing").iterdir())]
        left += [p.name for p in (state / "captures").iterdir() if not p.name.endswith(".damaged.raw")]
        left += [str(p.relative_to(self.day.shop)) for p in self.day.shop.rglob(".dncd-*")]
        if left:
            self._say(f"left over: {left}")

    def _library(self, lines: list[dict[str, Any]]) -> None:
        if self._git("fsck", "--strict", "--no-dangling").returncode:
            self._say("git fsck finds fault with the library")
        main = set(self._git("rev-list", "main").stdout.decode().split())
        texts = {drop.sha256: drop for drop in self.day.drops}
        wanted = [line for line in lines if line.get("commit") and "program" in line]
        asked = "".join(f"{line['commit']}:{line['machine']}/{line['program']}.nc\n" for line in wanted)
        blobs = _blobs(self._git("cat-file", "--batch", text=asked.encode()).stdout)
        for line, blob in zip(wanted, blobs, strict=True):
            if line["commit"] not in main:
                self._say(f"the commit of ledger line {line['seq']} is not on main")
            if (drop := texts.get(line["sha256"])) is not None:
                body = drop.data.replace(b"\r\n", b"\n").removeprefix(b"%\n").removesuffix(b"%\n")
                if blob != body:
                    self._say(f"the revision of ledger line {line['seq']} is not what was dropped")

    def _git(self, *words: str, text: bytes = b"") -> "subprocess.CompletedProcess[bytes]":
        where = ["git", "--git-dir", str(self.day.state / "library.git")]
        return subprocess.run([*where, *words], input=text, capture_output=True, check=False, timeout=120)


def _blobs(out: bytes) -> Iterator[bytes]:
    while out:
        head, _, out = out.partition(b"\n")
        size = int(head.split()[-1]) if head.split()[-1].isdigit() else -1
        yield out[: max(size, 0)] if size >= 0 else b""
        out = out[size + 1 :] if size >= 0 else out


def _kept(part: bytes, raws: list[bytes]) -> int:
    """Characters of `part` that are in the raws, from its beginning on: a pause may have made two captures of one punch."""
    kept = 0
    while kept < len(part):
        more = max((_common(part[kept:], raw) for raw in raws), default=0)
        kept += more
        if more < 20:  # so few stand anywhere by chance
            break
    return kept


def _common(part: bytes, raw: bytes) -> int:
    """Length of the longest beginning of `part` that stands in `raw`."""
    low, high = 0, len(part)
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if part[:middle] in raw else (low, middle - 1)
    return low


def _sha(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
