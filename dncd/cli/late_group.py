"""A group whose commands are loaded when they are asked for, so that `--help`, a TAB and each command stay quick."""

import contextlib
import importlib
import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

import click

from dncd import __version__
from dncd.cli.asking import WORDS, command, everywhere
from dncd.cli.commands import ABOUT, LATE, LINE, PEOPLE, WIDEST
from dncd.cli.service_commands import PLAIN
from dncd.errors import DncdError, UsageError
from dncd.peer_text import nearest

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem


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


_MEANT: Final = {
    **{word: f"dncd line {word}" for word in LINE},
    "start": "dncd run",
    "stop": "dncd withdraw MACHINE",
    "list": "dncd programs",
}
"""What is typed for a command, and the command."""


def plainer(error: click.ClickException) -> click.ClickException:
    """What a user did wrong, told anew where the library's own words do not say what to do."""
    match error:
        case click.MissingParameter(param=click.Parameter(name="machine"), ctx=click.Context(obj=obj) as ctx) if obj:
            with contextlib.suppress(DncdError):
                return click.UsageError(f"Which machine? {', '.join(obj.outline.machines)}", ctx)
        case click.BadParameter(param=click.Parameter(type=click.IntRange(min=least, max=most), opts=opts), ctx=ctx):
            to = f" to {most}" if most is not None else ""
            return click.UsageError(f"{opts[-1]} wants a whole number from {least or 0}{to}: {error.message}", ctx)
        case click.BadParameter(param=click.Parameter(type=click.Choice(choices=known))):
            said = re.match(r"'([^']*)' is not", error.message)
            if said and (near := nearest(said[1], map(str, known))):
                said_on = f"{error.message} Did you mean '{near}'?"
                return click.BadParameter(said_on, error.ctx, error.param)
    return error


class LateGroup(click.Group):
    """late: by the command's word its place in this room, MODULE:NAME, and the beginning of its help, which is shown without
    loading it; the rest of the help is the command's docstring."""

    def __init__(self, *args: Any, late: Mapping[str, tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.late = late
        self.params += everywhere(hidden=self.name != "dncd")

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Words that people type for a command are told with the command: the nearest word is often another thing."""
        if args[0] == "help" and args[1:]:
            return super().resolve_command(ctx, [*args[1:], "--help"])
        if args[0] in ("help", "version"):
            click.echo(ctx.get_help() if args[0] == "help" else f"dncd {__version__}")
            ctx.exit()
        if args[0] not in self.late and args[0] in _MEANT:
            raise click.UsageError(f"There is no command {args[0]!r}. Type: {_MEANT[args[0]]}", ctx)
        if args[0] not in self.late and not args[0].startswith("-") and (near := nearest(args[0], self.late)):
            raise click.UsageError(f"There is no command {args[0]!r}. Did you mean '{near}'?", ctx)
        return super().resolve_command(ctx, args)

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.late)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name in self.late and cmd_name not in self.commands:
            place, said = self.late[cmd_name]
            module, _, name = place.partition(":")
            if place:
                found: click.Command = getattr(importlib.import_module(f"dncd.cli.{module}"), name)
            else:
                body, known = PLAIN[cmd_name]
                found = command(*(WORDS[word] for word in known.split() if word in WORDS), name=cmd_name)(body)
            path = cmd_name if self.name == "dncd" else f"{self.name} {cmd_name}"
            found.help = f"{said}\n\n{help_of(found)}"
            machine = " gang-lathe" if any(word.name == "machine" and word.required for word in found.params) else ""
            found.epilog = f"Example:\n\n\b\n{EXAMPLES.get(path, f'dncd {path}{machine}')}"
            found.params += everywhere(hidden=True)
            self.add_command(found, cmd_name)
        return self.commands.get(cmd_name)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(word, text) for word, (_, text) in self.late.items()])

    def shell_complete(self, ctx: click.Context, incomplete: str) -> "list[CompletionItem]":
        from click.shell_completion import CompletionItem

        words = [CompletionItem(w, help=text) for w, (_, text) in self.late.items() if w.startswith(incomplete)]
        return words + click.Command.shell_complete(self, ctx, incomplete)


EXAMPLES: Final = {
    "completion": "dncd completion bash > /usr/share/bash-completion/completions/dncd",
    "demo": "dncd demo --keep /tmp/demo",
    "diff": "dncd diff gang-lathe O0004\ndncd diff gang-lathe O0004 -r 2 -r 5",
    "holds": "dncd holds gang-lathe --at '2026-07-01 14:30'",
    "line replay": "dncd line replay watched.txt --machine gang-lathe",
    "line setup": "dncd line setup gang-lathe.toml",
    "line watch": "dncd line watch gang-lathe --record watched.txt",
    "log": "dncd log gang-lathe --since 2026-07-01 --event damaged\ndncd log --follow",
    "manual": "dncd manual sending\ndncd manual operator --page door.html",
    "next": "dncd next gang-lathe 0005.nc",
    "people add": "dncd people add 'A. Miller' --role office\ndncd people add 'A. Miller' --role office < phrase.txt",
    "people box": "dncd people box hall-1",
    "people remove": "dncd people remove 'A. Miller'",
    "programs": "dncd programs gang-lathe\ndncd programs gang-lathe --sheet -o door.html",
    "prove": "dncd prove gang-lathe O0004 --note 'order 1187, first part measured'",
    "restore": "dncd restore gang-lathe --at '2026-07-01 14:30' -o memory.nc",
    "revive": "dncd revive shop-monday.tar\ndncd revive git@server:programs.git --branch main\ndncd revive --old-box-is-off",
    "send": "dncd send gang-lathe 0004.nc\ndncd show gang-lathe O0004 -r 3 | dncd send gang-lathe - --name 0004.nc\n"
    "dncd send --again 20 gang-lathe 0004.nc",
    "show": "dncd show gang-lathe O0004 -r 3",
    "snapshot": "dncd snapshot shop-monday.tar",
    "standin": "dncd standin --profile iso-tape --link /tmp/lathe",
    "status": "dncd status --follow",
    "unit": "dncd unit --into /\ndncd unit dncd.toml",
    "withdraw": "dncd withdraw gang-lathe 0004.nc",
}
"""An example or two for each command that wants more than a machine, shown under its help and in its manual page."""

PROGRAM: Final = "dncd"


@click.group(
    name=PROGRAM,
    cls=LateGroup,
    late=LATE,
    help=ABOUT,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": WIDEST},
)
@click.version_option(__version__, prog_name=PROGRAM, message="%(prog)s %(version)s")
def group() -> None:
    """The command line; its help is above, for `python -OO` leaves this out."""


for word, below in {"line": LINE, "people": PEOPLE}.items():
    group.add_command(LateGroup(word, late=below, help=LATE[word][1]))


def run(words: list[str]) -> int:
    """Runs the command that the words name; its exit status. What is wrong with the words is told."""
    try:
        status = group.main(args=words, prog_name=PROGRAM, standalone_mode=False)
    except click.exceptions.Exit as asked:
        return asked.exit_code
    except click.ClickException as error:
        error = plainer(error)
        error.show()
        context = getattr(error, "ctx", None)
        where = context.command_path if context else PROGRAM
        if "--json" in words:
            from dncd.cli.layout import print_error

            print_error(UsageError(error.format_message(), where, f"`{where} --help` says what it takes"))
        return error.exit_code
    except click.Abort:
        click.echo("Stopped.", err=True)
        return 1
    return status if isinstance(status, int) else 0
