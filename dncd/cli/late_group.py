"""A group whose commands are loaded when they are asked for, so that `--help`, a TAB and each command stay quick."""

import importlib
from collections.abc import Mapping
from typing import Any

import click
from click.shell_completion import CompletionItem

from dncd.cli.examples import EXAMPLES


def help_of(command: click.Command) -> str:
    """The command's docstring from its source: `python -OO` leaves it out of the code."""
    import ast
    import inspect
    from pathlib import Path

    body = inspect.unwrap(command.callback) if command.callback else None
    if body is None:
        return ""
    tree = ast.parse(Path(body.__code__.co_filename).read_text("utf-8"))
    found = (node for node in tree.body if isinstance(node, ast.FunctionDef) and node.name == body.__name__)
    return next((ast.get_docstring(node) or "" for node in found), "")


class LateGroup(click.Group):
    """late: by the command's word its place in this room, MODULE:NAME, and its short help, which is shown without loading
    it."""

    def __init__(self, *args: Any, late: Mapping[str, tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.late = late

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.late)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name in self.late and cmd_name not in self.commands:
            module, _, name = self.late[cmd_name][0].partition(":")
            command: click.Command = getattr(importlib.import_module(f"dncd.cli.{module}"), name)
            path = cmd_name if self.name == "dncd" else f"{self.name} {cmd_name}"
            command.help = command.help or help_of(command)
            command.epilog = "Example:\n\n\b\n" + EXAMPLES[path] if path in EXAMPLES else None
            self.add_command(command, cmd_name)
        return self.commands.get(cmd_name)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(word, text) for word, (_, text) in self.late.items()])

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        words = [CompletionItem(w, help=text) for w, (_, text) in self.late.items() if w.startswith(incomplete)]
        return words + click.Command.shell_complete(self, ctx, incomplete)
