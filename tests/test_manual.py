"""config/*.toml against the code: the manual shows every key with its default and range, the worked files load."""

import re
import tomllib
from pathlib import Path

import pytest

from dncd.outside import config
from dncd.outside.config_rules import KINDS, PROFILES, RULES, TABLES
from dncd.program.findings import ALWAYS_REFUSED
from dncd.program.findings import KINDS as FINDINGS

FOLDER = Path(__file__).parent.parent / "config"
MANUAL = FOLDER / "dncd.toml"
TEXT = MANUAL.read_text("utf-8")

WITHOUT_DEFAULT = {("machine", "title"), ("machine", "profile"), ("line", "port")}
"""Keys whose value in the manual is an example."""


def comment_above(table: str, key: str) -> str:
    """The comment lines that stand over a key, over the group of keys that it belongs to, or over a key's own table."""
    header = f"[{table}]" if table in ("shop", "library", "page") else "[machines.gang-lathe]"
    if table in TABLES or "." in table:
        header = f"[machines.gang-lathe.{table}]"
    lines = TEXT.splitlines()
    first = lines.index(header)
    starts = (f"{key} = ", f"[machines.gang-lathe.{table}.{key}]")
    at = next(n for n in range(first, len(lines)) if lines[n].startswith(starts))
    while not lines[at].startswith("#"):
        at -= 1
    end = at + 1
    while lines[at].startswith("#"):
        at -= 1
    return " ".join(line.lstrip("# ") for line in lines[at + 1 : end])


def manual_tables() -> dict[str, dict[str, object]]:
    raw = tomllib.loads(TEXT)
    machine = raw["machines"]["gang-lathe"]
    own = {k: v for k, v in machine.items() if k not in TABLES}
    return {**{t: raw[t] for t in ("shop", "library", "page")}, "machine": own, **{t: machine[t] for t in TABLES}}


EVERY_KEY = [(table, key) for table, kind in KINDS.items() for key in kind.rules]


@pytest.mark.parametrize(("table", "key"), EVERY_KEY)
def test_the_manual_shows_every_key_with_its_default(table: str, key: str) -> None:
    shown = manual_tables()[table]
    assert key in shown
    if (table, key) not in WITHOUT_DEFAULT:
        assert KINDS[table].rules[key].check(shown[key]) == KINDS[table].defaults[key]


def test_the_manual_shows_no_other_key() -> None:
    assert {(t, k) for t, keys in manual_tables().items() for k in keys} == set(EVERY_KEY)


@pytest.mark.parametrize(("table", "key"), EVERY_KEY)
def test_the_manual_says_what_is_allowed(table: str, key: str) -> None:
    said = comment_above(table, key)
    assert len(said) > 30
    rule = KINDS[table].rules[key]
    if found := re.search(r"from ([\d.]+) to (\d+)$", rule.allowed):
        assert f"({found[1]} to {found[2]})" in said
    elif (
        f"{table}.{key}" not in RULES
        and rule.near
        and key not in ("frame", "drip_feed", "send_only_proven", "echoes", "at_start")
    ):
        assert all(f'"{word}"' in said for word in rule.near), said
    elif key == "baud":
        assert set(rule.near) <= set(re.findall(r"\d+", said))
    elif key == "profile":
        assert all(name in said for name in PROFILES)


def test_the_manual_shows_every_finding_with_its_weight_and_what_it_is() -> None:
    shown = manual_tables()["program"]["findings"]
    assert shown == {code: kind.weight.value for code, kind in FINDINGS.items()}
    for code in FINDINGS:
        said = comment_above("program.findings", code)
        assert len(said) > 25, code
        assert ("Always refused" in said) == (code in ALWAYS_REFUSED), code


def test_every_rule_is_of_a_key_that_exists() -> None:
    assert set(RULES) <= {f"{table}.{key}" for table, key in EVERY_KEY}


@pytest.mark.parametrize("file", sorted(FOLDER.glob("*.toml")), ids=lambda p: p.stem)
def test_the_shipped_files_load(file: Path) -> None:
    settings = config.load(file)
    assert list(settings.machines) == [file.stem if file != MANUAL else "gang-lathe"]


def test_the_worked_files_are_what_their_names_say() -> None:
    lathe = config.load(FOLDER / "gang-lathe.toml").machines["gang-lathe"]
    mill = config.load(FOLDER / "bore-mill.toml").machines["bore-mill"]
    assert (str(lathe.line.frame), lathe.line.baud, lathe.line.flow.value) == ("7E2", 4800, "xon/xoff")
    assert (lathe.tape.code.value, mill.tape.code.value) == ("iso", "eia")
