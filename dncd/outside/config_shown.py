"""What holds, for people and for programs: the settings written out again.

What is read of a file is `config`.
"""

from collections.abc import Iterator
from dataclasses import fields
from typing import Any

from dncd.outside import config_rules
from dncd.outside.config import ONCE, toml_value
from dncd.outside.config_rules import KINDS, TABLES, Table
from dncd.values import LineSettings, SeatSettings, Settings


def explain(settings: Settings) -> str:
    """What holds, as a settings file of its own: every key with its value, what the user did not change marked so.
    `load` of this text gives the same settings."""
    return "\n".join(_explained(settings))


def _explained(settings: Settings) -> Iterator[str]:
    yield f"# What holds in {settings.file}; `dncd check-config --all` prints what is the default, too, and marks it so."
    for n, name in enumerate(ONCE):
        yield f"\n[{name}]" if n else f"[{name}]"
        yield from _keys(KINDS[name], getattr(settings, name))
    for machine in settings.machines.values():
        yield ""
        yield f"[machines.{machine.name}]"
        yield f"title = {toml_value(machine.title)}"
        yield f"backup_days = {machine.backup_days}"
        for table in TABLES:
            part = getattr(machine, table)
            yield ""
            yield f"[machines.{machine.name}.{table}]{_meaning(part)}"
            yield from _keys(KINDS[table], part)
    yield ""


def _keys(table: Table, part: Any) -> Iterator[str]:
    for f in fields(part):
        value = getattr(part, f.name)
        default = f.name in table.defaults and value == table.defaults[f.name]
        yield f"{f.name} = {toml_value(config_rules.written(value))}" + ("    # default" if default else "")


def _meaning(part: Any) -> str:
    """What follows from a table by arithmetic, as a comment."""
    if isinstance(part, LineSettings):
        rate, ahead = 1 / part.char_s, part.ahead_chars * part.char_s * 1000
        bit = {"M": "1", "S": "0"}.get(part.frame.parity, "")
        wire = f"; on the wire 8N{str(part.frame)[2:]} with the eighth bit always {bit}" if bit else ""
        return f"    # {rate:.4g} characters a second; {part.ahead_chars} ahead are {ahead:.3g} ms{wire}"
    if isinstance(part, SeatSettings) and part.switch:
        return "    # nothing goes over the line until it is seated: `dncd seat`" + ", or at the start" * part.at_start
    return ""


def plain(settings: Settings) -> dict[str, Any]:
    """What holds, as JSON can carry it; tables and keys as in the file."""
    machines = {
        m.name: {
            "title": m.title,
            "backup_days": m.backup_days,
            **{table: _plain_table(getattr(m, table)) for table in TABLES},
        }
        for m in settings.machines.values()
    }
    tables = {name: _plain_table(getattr(settings, name)) for name in ONCE}
    return {"file": str(settings.file), **tables, "machines": machines}


def _plain_table(part: Any) -> dict[str, Any]:
    values = ((f.name, config_rules.written(getattr(part, f.name))) for f in fields(part))
    return {k: v if isinstance(v, (bool, int, float, list, dict)) else str(v) for k, v in values}
