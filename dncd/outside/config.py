"""Settings: one TOML file read into `dncd.values.Settings`, every fault told at once.

What each key may be stands in `config_rules`.
"""

import json
import os
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import Any, Final

from dncd.choices import RENAMED_KEYS, RENAMED_WORDS, USUAL_ENDS, EndsOn, StartOn, TapeCode
from dncd.errors import SettingsError
from dncd.outside import config_rules
from dncd.outside.config_outline import absolute, settings_bytes
from dncd.outside.config_page import page_faults
from dncd.outside.config_rules import KINDS, MACHINE_NAME, MACHINE_NAME_ALLOWED, TABLES, Rule, profile_text
from dncd.peer_text import nearest, short
from dncd.values import (
    Frame,
    LibrarySettings,
    MachineSettings,
    PageSettings,
    Settings,
    ShopSettings,
)

ONCE: Final = ("shop", "library", "page")
"""Tables that there are once, in the order in which they are shown."""

_PAGE_FILES: Final = ("certificate", "key", "box_tokens", "box_ca")

_TOP: Final = "[shop], [library], [page] and [machines.NAME]"

LONGEST_SHOWN: Final = 120
"""Characters of a wrong value that are shown."""


def load(path: Path) -> Settings:
    """Reads and checks the settings file. SettingsError with a line for each fault; a missing file is one too."""
    return read(path, _read(path))


def read(path: Path, text: str) -> Settings:
    """Checks the text of a settings file that is, or is going to be, at `path`. SettingsError as `load`."""
    faults = _Faults(path)
    raw = _parse(path, text)
    settings = _Reader(path, faults).settings(raw)
    faults.end()
    return settings


def page_of(path: Path, listen: str) -> PageSettings:
    """The table `[page]` alone, whatever else the file says. listen: instead of what it says, ""; errors as `load`."""
    raw, faults = _parse(path, _read(path)), _Faults(path)
    table = raw.get("page", {})
    if listen and isinstance(table, dict):
        raw["page"] = {**table, "listen": listen}
    found = _Reader(path, faults).page(raw)
    faults.end()
    return found


def _read(path: Path) -> str:
    try:
        return settings_bytes(path).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        problem = f"{path.name}: line {line}: byte 0x{error.object[error.start]:02X} is not UTF-8."
        raise SettingsError(str(path), (problem,), f"Save {path} as UTF-8") from None


def _parse(path: Path, text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        said = str(error)
        place = re.search(r" \(at line (\d+), column (\d+)\)$", said)
        lines = text.splitlines() or [""]
        if place:
            line, column, what = int(place[1]), int(place[2]), said[: place.start()]
        else:
            line, column, what = len(lines), len(lines[-1]) + 1, re.sub(r" \(at end of document\)$", "", said)
        block = _printable(lines[min(line, len(lines)) - 1].strip())
        problem = f"{path.name}: line {line}, column {column}: not TOML: {what[:1].lower()}{what[1:]}: {block}"
        raise SettingsError(
            str(path), (problem,), f"Correct that line of {path}: true or false, text in quotes"
        ) from None
    except RecursionError:
        problem = f"{path.name}: brackets are nested too deep."
        raise SettingsError(str(path), (problem,), f"Take them out of {path}") from None


_printable: Final = partial(short, longest=LONGEST_SHOWN)


def toml_value(value: Any) -> str:
    """A value as it would stand in the file, printable whatever it holds."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (StrEnum, Frame, Path, str)):
        return "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in json.dumps(str(value), ensure_ascii=False))
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{toml_value(str(k))} = {toml_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml_value, value)) + "]"
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else toml_value(name)


def _near(word: object, known: tuple[str, ...]) -> str:
    """`; did you mean …?`, or nothing when no known word is near."""
    found = nearest(str(word), known)
    return f"; did you mean '{found}'?" if found else ""


@dataclass(slots=True)
class _Faults:
    """The lines of all faults, in the order in which they were found; and of hints, which are none."""

    path: Path
    lines: list[str] = field(default_factory=list)
    hints: list[str] = field(default_factory=list)

    def at(self, table: str, key: str, value: Any, what: str) -> None:
        shown = _printable(toml_value(value))
        self.lines.append(f"{self.path.name}: [{table}] {_key(key)} = {shown}: {what}")

    def of(self, table: str, what: str) -> None:
        """A fault of a whole table, or of the file where `table` is empty."""
        place = f"[{table}]: " if table else ""
        self.lines.append(f"{self.path.name}: {place}{what}")

    def end(self) -> None:
        """SettingsError where there is one."""
        if self.lines:
            next_step = f"Correct {self.path}; `dncd check-config` reads it again"
            raise SettingsError(str(self.path), (*self.lines, *self.hints), next_step)


@dataclass(frozen=True, slots=True)
class _Checked:
    """A table after its check: values that hold, and the keys whose value does not."""

    name: str
    values: Mapping[str, Any]
    faulty: frozenset[str]

    def get(self, key: str) -> Any:
        """The value, its default where it was not given, or None where it is faulty."""
        return None if key in self.faulty else self.values.get(key)


class _Reader:
    """Goes through the tables of one file; a fault in one does not keep the others from being checked."""

    def __init__(self, path: Path, faults: _Faults) -> None:
        self.path, self.faults = path, faults

    def settings(self, raw: dict[str, Any]) -> Settings:
        """What can be made of it, with defaults in place of what is wrong: `faults` say whether it holds."""
        for key, value in raw.items():
            if key not in (*ONCE, "machines"):
                self._unknown_top(key, value)
        shop, library, page = self._shop(raw), LibrarySettings(**self._once("library", raw).values), self.page(raw)
        tables = raw.get("machines", {})
        if not isinstance(tables, dict) or any(not isinstance(t, dict) for t in tables.values()):
            self.faults.of("machines", "each machine needs its own table, such as [machines.gang-lathe]")
            tables = {}
        elif not tables:
            self.faults.of("", "no machine is named: add a table such as [machines.gang-lathe] with its line")
        read = {name: self._machine(name, table) for name, table in tables.items()}
        _ports_apart(self.faults, {name: parts for name, (_, parts) in read.items()})
        machines = {name: machine for name, (machine, _) in read.items() if machine is not None}
        return Settings(self.path.absolute(), shop, machines, library, page, tuple(self.faults.hints))

    def _unknown_top(self, key: str, value: Any) -> None:
        near = _near(key, (*ONCE, "machines"))
        if isinstance(value, dict):
            self.faults.of(_key(key), f"unknown table; tables are {_TOP}{near}")
            return
        rules = KINDS["shop"].rules
        home = "; this key belongs in [shop]" if key in rules else near
        shown = _printable(toml_value(value))
        self.faults.of("", f"{_key(key)} = {shown}: stands in no table; tables are {_TOP}{home}")

    def _once(self, name: str, raw: Mapping[str, Any]) -> _Checked:
        """A table that there is once."""
        table = raw.get(name, {})
        if not isinstance(table, dict):
            self.faults.of(name, "must be a table")
            table = {}
        return self._table(name, name, table)

    def _shop(self, raw: Mapping[str, Any]) -> ShopSettings:
        checked = self._once("shop", raw)
        values = dict(checked.values)
        for key in ("folder", "state"):
            values[key] = Path(absolute(self.path, str(values[key])))
        folder, state = values["folder"], values["state"]
        if not checked.faulty & {"folder", "state"} and (folder.is_relative_to(state) or state.is_relative_to(folder)):
            what = f"neither may lie in the other, and folder is {folder}: dncd would take its own records for programs"
            self.faults.at("shop", "state", str(state), what)
        return ShopSettings(**values)

    def page(self, raw: Mapping[str, Any]) -> PageSettings:
        checked = self._once("page", raw)
        for key, what in page_faults(checked.get):
            self.faults.at("page", key, checked.get(key), what)
        paths = {key: absolute(self.path, path) for key in _PAGE_FILES if (path := checked.values[key])}
        return PageSettings(**{**checked.values, **paths})

    def _machine(self, name: str, raw: dict[str, Any]) -> tuple[MachineSettings | None, dict[str, _Checked]]:
        before = len(self.faults.lines)
        where = f"machines.{_key(name)}"
        if not MACHINE_NAME.fullmatch(name):
            slug = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:64]
            near = f"; did you mean '{slug}'?" if slug else ""
            self.faults.of(where, f"a machine's name has {MACHINE_NAME_ALLOWED}{near}")
        own = self._table("machine", where, {k: v for k, v in raw.items() if k not in TABLES})
        start: dict[str, Any] = {}
        if profile := own.get("profile"):
            start = tomllib.loads(profile_text(profile))
        tables: dict[str, _Checked] = {}
        for table in TABLES:
            given = raw.get(table, {})
            if not isinstance(given, dict):
                self.faults.at(where, table, given, f"must be a table, [{where}.{table}]")
                given = {}
            tables[table] = self._table(
                table,
                f"{where}.{table}",
                {**start.get(table, {}), **self._in_todays_words(table, f"{where}.{table}", given)},
            )
        self._fits(tables["line"], tables["tape"])
        program = tables["program"]
        low, high = program.get("lowest_number"), program.get("highest_number")
        if low is not None and high is not None and low > high:
            what = f"lowest_number is {low}: no program number lies between the two"
            self.faults.at(program.name, "highest_number", high, what)
        self._ends(tables["tape"], tables["receive"])
        send = tables["send"]
        for key, what in config_rules.said_faults(*(tables[table].get for table in ("line", "tape", "send"))):
            self.faults.at(send.name, key, send.get(key), what)
        if len(self.faults.lines) > before:
            return None, tables
        parts = {table: kind(**tables[table].values) for table, kind in TABLES.items()}
        days = own.values["backup_days"]
        return MachineSettings(name=name, title=own.values["title"], backup_days=days, **parts), tables

    def _in_todays_words(self, table: str, where: str, raw: dict[str, Any]) -> dict[str, Any]:
        """The table with words of old in their new form, and a hint for each. A key under both names stays, as unknown."""
        new = {}
        for key, value in raw.items():
            named = RENAMED_KEYS.get((table, key), key)
            if named != key and named in raw:
                named = key
            word = RENAMED_WORDS.get((table, named, value), value) if isinstance(value, str) else value
            if (named, word) != (key, value):
                what = f"is written {named} = {_printable(toml_value(word))} now; the old word is still read"
                self.faults.hints.append(f"{self.path.name}: [{where}] {key} = {_printable(toml_value(value))} {what}")
            new[named] = word
        return new

    def _table(self, kind: str, where: str, raw: dict[str, Any]) -> _Checked:
        table = KINDS[kind]
        values, faulty = dict(table.defaults), set[str]()
        for key, value in raw.items():
            if key not in table.rules:
                self._unknown(kind, where, key, value)
                continue
            try:
                values[key] = table.rules[key].check(value)
            except ValueError:
                faulty.add(key)
                self._wrong(table.rules[key], where, key, value)
        for key in [key for key in table.rules if key not in values and key not in faulty]:
            faulty.add(key)
            self.faults.of(where, f"{key}: missing, and it has no default; it is {table.rules[key].allowed}")
        return _Checked(where, values, frozenset(faulty))

    def _wrong(self, rule: Rule, where: str, key: str, value: Any) -> None:
        if isinstance(value, dict) and (inside := list(rule.inside(value))):
            for name, entry, what in inside:
                self.faults.at(f"{where}.{key}", name, entry, what)
            return
        near = _near(value, rule.near) if isinstance(value, (str, int, float)) else ""
        if key == "port" and isinstance(value, str) and value.startswith(("tty", "serial/")):
            near = f"; did you mean '/dev/{_printable(value)}'?"
        if key == "frame" and isinstance(value, (int, float)):  # 7E2 without quotes is a number, 700
            near = '; put it in quotes, such as frame = "7E2"'
        shown = re.sub(r"(?<=://)[^/@\s]*(?=@)", "…", value) if key == "remote" and isinstance(value, str) else value
        self.faults.at(where, key, shown, f"allowed: {rule.allowed}{near}")

    def _unknown(self, kind: str, where: str, key: str, value: Any) -> None:
        known = tuple(KINDS[kind].rules)
        tables = tuple(TABLES) if kind == "machine" else ()
        if isinstance(value, dict):
            allowed = f"; tables here are {', '.join(tables)}" if tables else f"; keys here are {', '.join(known)}"
            self.faults.of(f"{where}.{_key(key)}", f"unknown table{_near(key, tables or known) or allowed}")
        else:
            near = self._home(key, kind, where) or _near(key, known) or "; known are " + ", ".join(known)
            self.faults.at(where, key, value, f"unknown key{near}")

    def _home(self, key: str, kind: str, where: str) -> str:
        """Where a key belongs that is known, but not in this table."""
        machine = where if kind == "machine" else where.rpartition(".")[0]
        if kind in ONCE:
            return ""
        homes = [t for t in TABLES if t != kind and key in KINDS[t].rules]
        return f"; it belongs in [{machine}.{homes[0]}]" if homes else ""

    def _ends(self, tape: _Checked, receive: _Checked) -> None:
        """EIA code has not every character that may end a capture."""
        ends_on, code = receive.get("ends_on"), tape.get("code")
        if ends_on is not None and code is not None and code not in ends_on.codes:
            *most, last = [f'"{end}"' for end in EndsOn if code in end.codes]
            what = f"{code.upper()} code has no such character; end captures on {', '.join(most)} or {last}"
            self.faults.at(receive.name, "ends_on", ends_on, what)

    def _fits(self, line: _Checked, tape: _Checked) -> None:
        """What no single key can tell: frame, code and protocol must carry each other."""
        frame, code, protocol = line.get("frame"), tape.get("code"), line.get("protocol")
        for key, what in config_rules.tape_faults(tape.get):
            self.faults.at(tape.name, key, tape.get(key), what)
        if code is TapeCode.EIA and (ends := tape.get("block_end")) in USUAL_ENDS and "\r" in ends.chars:
            what = f'block_end = "{ends}" is read as "EOB", for EIA code has no CR; write it so'
            self.faults.hints.append(f"{self.path.name}: [{tape.name}] {what}")
        if frame is None:
            return
        eight_plain = frame.data_bits == 8 and frame.parity == "N"
        if code is TapeCode.EIA and not eight_plain:
            what = 'tape.code = "eia" has its own odd parity and needs eight bits without parity: 8N1 or 8N2'
        elif protocol is not None and protocol.whole_bytes and not eight_plain:
            what = f'protocol = "{protocol}" sends whole bytes and needs eight bits without parity: 8N1 or 8N2'
        elif code is TapeCode.ISO and frame.data_bits < 7:
            what = 'tape.code = "iso" needs seven or eight bits, such as 7E1, 7E2 or 8N1'
        else:
            return
        self.faults.at(line.name, "frame", frame, what)


def _ports_apart(faults: _Faults, machines: Mapping[str, Mapping[str, _Checked]]) -> None:
    """One port serves one machine, or those behind one switch box, where a control must ask for what it gets."""
    firsts: dict[tuple[str, str], str] = {}
    """The first machine with a port, with a switch, with a switch that is turned to it at the start."""
    devices: dict[str, str] = {}
    for name, tables in machines.items():
        line, seat, send = (tables[table] for table in ("line", "seat", "send"))
        port, switch = line.get("port"), seat.get("switch")
        if port is None or switch is None:
            continue
        device = devices[name] = port.lower() if "://" in port else os.path.realpath(port)
        if (other := firsts.setdefault(("port", device), name)) != name and (
            not switch or switch != machines[other]["seat"].get("switch")
        ):
            what = f"[machines.{_key(other)}.line] has the same port; one port serves one machine, or those that name"
            faults.at(line.name, "port", port, f"{what} the same seat.switch")
        if not switch:
            continue
        if devices[other := firsts.setdefault(("switch", switch), name)] != device:
            what = f"[machines.{_key(other)}.seat] names it too, and has another port; a switch box shares one port"
            faults.at(seat.name, "switch", switch, what)
        if seat.get("at_start") and (other := firsts.setdefault(("start", switch), name)) != name:
            faults.at(seat.name, "at_start", True, f"[machines.{_key(other)}.seat] has it too; one is seated at a time")
        if send.get("start_on") is StartOn.NOW:
            what = "it would go to whatever the switch box is turned to; allowed there: dc1, cts, dsr, go"
            faults.at(send.name, "start_on", StartOn.NOW, what)
