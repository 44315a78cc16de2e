"""The command `tidy`: pack the library. The service does it by itself when no line is busy."""

from typing import TYPE_CHECKING, Any

import click

from dncd.cli.asking import Asked, as_json, asked
from dncd.cli.layout import count, print_json, seconds

if TYPE_CHECKING:
    from dncd.records.packing import Size


@click.command()
@as_json
@asked
def tidy(given: Asked, as_json: bool) -> None:
    """Pack the library; nothing of it is lost.

    Also beside the running service, which does it by itself when no line is busy.
    """
    state = given.state
    from dncd.records.git_program import GitProgram
    from dncd.records.library import Library
    from dncd.records.packing import tidy as pack

    with Library(state) as library:
        path = library.path
    done = pack(path, GitProgram.find())
    if as_json:
        named = {"before": done.before, "after": done.after}
        sizes = {
            name: {"loose": size.loose, "packs": size.packs, "bytes": size.held_bytes} for name, size in named.items()
        }
        print_json({**sizes, "seconds": round(done.seconds, 3)})
        return
    click.echo(f"before: {told(done.before)}")
    click.echo(f"now:    {told(done.after)}, in {seconds(done.seconds)}")


def told(size: "Size") -> str:
    """A size in words."""
    return f"{count(size.loose, 'loose object')}, {count(size.packs, 'pack')}, {size.held_bytes / 1e6:,.1f} MB"


COMMANDS: tuple[Any, ...] = (tidy,)
