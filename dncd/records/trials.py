"""The sheets of trials: `STATE/trials/MACHINE/TIME.txt`, each named by a ledger line with its SHA-256.

A line is proven by the newest sheet if that says so and the settings that decide what goes over the line are still those
of the sheet. Order of writing: sheet (durable), ledger line (durable); sheets are never changed.
"""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, Final

from dncd.choices import RENAMED_KEYS
from dncd.commissioning.trial_sheet import NOT_PROVEN, PROVEN, head_of, settings_of, spelling_of
from dncd.errors import RecordsError
from dncd.ledger_lines import Fields
from dncd.peer_text import local_text, some
from dncd.records import durable
from dncd.records.ledger import Ledger, records
from dncd.values import LineSettings, MachineSettings

EVENT: Final = {PROVEN: "proven", NOT_PROVEN: "not-proven"}
"""Events of the ledger, by the result of a sheet."""

_OF_NO_MATTER: Final = frozenset({"dc1_stays_s", "drip_feed", "stall_s"})
"""Settings of `send` that decide how long is waited, not what goes over the line."""


@dataclass(frozen=True, slots=True)
class Proof:
    """What the newest sheet of a machine says. result, time, by, settings: as they stand on it, "" and () without one."""

    sheet: str = ""
    result: str = ""
    time: str = ""
    by: str = ""
    settings: tuple[str, ...] = ()

    def standing(self, machine: MachineSettings) -> dict[str, object]:
        """Whether the line is proven with these settings: `since` (null if not), `by`, and `why` in words."""
        if not self.sheet:
            return {"since": None, "by": None, "why": "not proven: no trial was made (dncd line trial)"}
        day = local_text(self.time)[:10]
        if self.result != PROVEN:
            return {"since": None, "by": None, "why": f"not proven: the trial of {day} failed"}
        if changes := changed_since(self.settings, machine):
            return {"since": None, "by": None, "why": f"no longer proven: since the trial of {day} {some(changes, 1)}"}
        return {"since": self.time, "by": self.by, "why": f"proven since {day} by {self.by}"}


def changed_since(lines: tuple[str, ...], machine: MachineSettings) -> tuple[str, ...]:
    """Which settings of a sheet are others now, in words. A key that is newer than the sheet counts unless it is at its
    default, and one that was renamed counts under its new name, so that an update of dncd alone unproves nothing."""
    renamed = {f"{table}.{old}": f"{table}.{new}" for (table, old), new in RENAMED_KEYS.items()}
    default = MachineSettings(machine.name, LineSettings(machine.line.port))
    then = _by_key(settings_lines(default)) | {renamed.get(key, key): value for key, value in _by_key(lines).items()}
    now = _by_key(settings_lines(machine))
    return tuple(f"{key} was {then[key]} and is {value}" for key, value in now.items() if value != then[key])


def _by_key(lines: tuple[str, ...]) -> dict[str, str]:
    return dict(line.split(" = ", 1) for line in lines if " = " in line)


def settings_lines(machine: MachineSettings) -> tuple[str, ...]:
    """`table.key = value` of every setting that decides what goes over the line."""
    return tuple(
        f"{name}.{field.name} = {_plain(getattr(getattr(machine, name), field.name))}"
        for name in ("line", "tape", "send", "receive")
        for field in fields(getattr(machine, name))
        if field.name not in _OF_NO_MATTER
    )


def _plain(value: Any) -> str:
    if isinstance(value, tuple):
        return ", ".join(f"{char} 0x{code:02X}" for char, code in value) or "none"
    return f"{value:g}" if isinstance(value, float) else str(value) or "none"


def fingerprint(machine: MachineSettings) -> str:
    """SHA-256, in hex, of `settings_lines`, LF after each."""
    return hashlib.sha256("".join(f"{line}\n" for line in settings_lines(machine)).encode()).hexdigest()


def folder_of(state: Path, machine: str) -> Path:
    return state / "trials" / machine


def keep(state: Path, ledger: Ledger, text: str) -> Path:
    """Puts a sheet on record; gives its path. RecordsError: the disk did not take it, or it is no sheet."""
    head = head_of(text)
    machine, result = head.get("machine", ""), head.get("result", "")
    if result not in EVENT or not machine or "/" in machine or machine.startswith("."):
        raise RecordsError("this is no sheet of a trial", "trial", "Make it with `dncd line trial`")
    folder, data = folder_of(state, machine), text.encode("utf-8")
    with durable.reporting("the sheet of the trial cannot be kept", folder):
        for part in (state / "trials", folder):
            durable.add_folder(part)
        stamp = "".join(char for char in head["time"] if char.isalnum())
        path = folder / durable.free_name(folder, f"{stamp}.txt")
        durable.write_new(path, [data])
    fields: Fields = {
        "machine": machine,
        "by": head.get("by", ""),
        "sheet": f"trials/{machine}/{path.name}",
        "sha256": hashlib.sha256(data).hexdigest(),
        "settings_sha256": head.get("settings-sha256", ""),
        "rounds": head.get("rounds", ""),
    }
    if spelling := spelling_of(text):
        fields["spelling"] = spelling
    ledger.append(EVENT[result], fields)
    return path


def latest(state: Path, machine: str) -> Proof:
    """The newest sheet's word; one that cannot be read proves nothing."""
    folder = folder_of(state, machine)
    sheets = sorted(folder.glob("*.txt"), key=lambda path: (path.stem.split(" ")[0], len(path.name), path.name))
    if not sheets:
        return Proof()
    try:
        text = sheets[-1].read_text("utf-8")
    except (OSError, UnicodeDecodeError):
        text = ""
    head = head_of(text)
    said = (head.get("result", ""), head.get("time", ""), head.get("by", ""))
    return Proof(sheets[-1].name, *said, settings_of(text))


def faults(state: Path) -> Iterator[str]:
    """Sheets and ledger held against each other, for `verify`: changed, lost, or named by no line."""
    named: dict[str, str] = {}
    for line in records(state):
        if line["event"] in EVENT.values() and "sheet" in line:
            named[line["sheet"]] = line["sha256"]
    for path in sorted((state / "trials").glob("*/*.txt")):
        name = path.relative_to(state).as_posix()
        if name not in named:
            yield f"{name}: the ledger does not name this sheet: make the trial again"
        elif durable.sha256_of(path) != named.pop(name):
            yield f"{name}: this sheet was changed since it was signed"
    for name in sorted(named):
        if not (state / name).is_file():
            yield f"{name}: this sheet is gone, the ledger names it"
