"""README, manual, CHANGELOG and DEVELOPERS against the code: each command, option, module and test they name is there."""

import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from dncd import __version__
from dncd.cli.late_group import group
from dncd.cli.packaged import TOPICS

ROOT = Path(__file__).resolve().parent.parent
ROOMS = {path.name for path in (ROOT / "dncd").iterdir() if path.is_dir()}


MANUAL = [f"dncd/manual/{topic}.md" for topic in TOPICS]


QUIET = {"dncd/manual/operator.md", "dncd/manual/promises.md", "dncd/manual/shop.md"}
"""Pages that name hardly a command."""


def text_of(name: str) -> str:
    return (ROOT / name).read_text("utf-8")


def named(name: str) -> list[str]:
    """What stands between backticks, and the lines of the code blocks."""
    blocks = re.split(r"^```.*$", text_of(name), flags=re.MULTILINE)
    spans = [" ".join(span.split()) for part in blocks[::2] for span in re.findall(r"`([^`]+)`", part)]
    return spans + [line for block in blocks[1::2] for line in block.splitlines()]


def commands(name: str) -> list[str]:
    """What follows `dncd` where it is the command, without what is optional and the comment."""
    parts = (part.strip() for text in named(name) for part in text.split("&&"))
    found = (re.match(r"(?:\S*/)?dncd (.*?)(?: #.*)?$", part) for part in parts)
    return sorted({" ".join(match[1].replace("[", " ").replace("]", " ").split()) for match in found if match})


def followed(words: list[str]) -> Iterator[str]:
    """What there is not of a line's command and options."""
    command: click.Command = group
    context = click.Context(group)
    known = {"--help", "--version"}
    while words:
        word = words.pop(0)
        if word.startswith("-") and word != "-":
            known |= {option for parameter in command.params for option in (*parameter.opts, *parameter.secondary_opts)}
            if word not in known:
                yield word
            elif command is group and word == "--config":
                words.pop(0)
        elif isinstance(command, click.Group):
            under = command.get_command(context, word)
            if under is None:
                yield word
                return
            command = under


@pytest.mark.parametrize("name", ["README.md", "CHANGELOG.md", "DEVELOPERS.md", *MANUAL])
def test_each_command_that_is_named_is_there(name: str) -> None:
    lines = commands(name)
    assert len(lines) > 1 or name in QUIET
    assert {line: missing for line in lines if (missing := list(followed(line.split())))} == {}


def test_each_command_is_in_the_manual() -> None:
    text = text_of("dncd/manual/commands.md")
    words = group.list_commands(click.Context(group))
    for word in list(words):
        below = group.get_command(click.Context(group), word)
        words += (
            [f"{word} {w}" for w in below.list_commands(click.Context(below))] if isinstance(below, click.Group) else []
        )
    assert [word for word in words if f"dncd {word}" not in text] == []


def test_the_manual_has_its_topics_and_no_other_page() -> None:
    assert sorted(MANUAL) == sorted(str(path.relative_to(ROOT)) for path in (ROOT / "dncd/manual").iterdir())
    named_topics = {line.split()[1] for line in commands("README.md") if line.startswith("manual ")} - {"TOPIC"}
    assert named_topics == set(TOPICS)


@pytest.mark.parametrize("name", ["README.md", *MANUAL])
def test_settings_are_named_once_and_never_by_an_option(name: str) -> None:
    """One rule: DNCD_CONFIG. The one place that names the option is the page of the settings."""
    assert [line for line in commands(name) if line.startswith("--config")] == []


def test_the_readme_keeps_its_cautions_and_fits() -> None:
    text = text_of("README.md")
    for words in ("Prove out a new or changed program", "A serial line corrects nothing", "Keep clear while a drip-fed",
                  "hold a part of a program", "both ends switched off", "Shield and ground", "mains wiring",
                  "machine's own manual"):  # fmt: skip
        assert words in text
    assert len(text.splitlines()) < 130


def paths(span: str) -> Iterator[tuple[str, str]]:
    """The paths that a span names, braces opened, each with the name in it that follows a point, or ""."""
    for found in re.finditer(
        r"(?<![\w/~.:-])(?:[a-z_]+/)+[\w*{},]+(?:\.(?:py|md|toml|service))?(?:\.[A-Za-z]\w*)?/?", span
    ):
        whole = found[0].rstrip("/")
        head, brace, rest = whole.partition("{")
        for word in rest.rstrip("}").split(",") if brace else [""]:
            path = head + word
            base, point, name = path.rpartition(".")
            yield (base, name) if point and name not in ("py", "md", "toml", "service") else (path, "")


def missing(span: str) -> Iterator[str]:
    for path, name in paths(span):
        room = path.split("/", 1)[0]
        if room not in ROOMS | {"tests", "config", "systemd"}:
            continue
        start = ROOT / "dncd" if room in ROOMS else ROOT
        files = [*start.glob(path), *start.glob(f"{path}.py")]
        if not files or (name and not any(name in file.read_text("utf-8") for file in files)):
            yield f"{path}.{name}" if name else path
    for test in re.findall(r"\btest_\w+", span):
        if not (ROOT / "tests" / f"{test}.py").exists():
            yield test


def test_the_page_for_developers_names_only_what_is_there() -> None:
    spans = named("DEVELOPERS.md")
    assert sum(1 for span in spans for _ in paths(span)) > 50
    assert sorted({word for span in spans for word in missing(span)}) == []


def test_a_path_that_is_not_there_is_found() -> None:
    assert list(missing("station/{core,gone} and `test_nothing`")) == ["station/gone", "test_nothing"]
    assert list(missing("outside/command_server.NoQueue")) == ["outside/command_server.NoQueue"]
    assert list(missing("STATE/ledger/YYYY-MM.jsonl, to-machine/0004.nc")) == []
    assert list(followed(["--config", "a.toml", "line", "tset", "m"])) == ["tset"]
    assert list(followed(["send", "--over-edit", "m", "f"])) == ["--over-edit"]


def test_the_changelog_begins_with_this_version() -> None:
    heads = re.findall(r"^## (\S+) \((\d{4}-\d\d-\d\d)\)$", text_of("CHANGELOG.md"), re.MULTILINE)
    assert heads[0][0] == __version__
    assert [version for version, _ in heads] == sorted((version for version, _ in heads), reverse=True)
