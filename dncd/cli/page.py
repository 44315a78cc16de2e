"""`dncd page`: the shop's page, in a process of its own."""

import sys
from typing import Final

import click

from dncd.cli.asking import Asked, command
from dncd.errors import UsageError

_HERE: Final = ("127.0.0.1", "localhost")


@command()
@click.option("--listen", metavar="HOST:PORT", default="127.0.0.1:8750", show_default=True, help="Where browsers come.")
def page(given: Asked, listen: str) -> None:
    """What every line does, in a browser on this computer. Without a service it says so, and shows the records."""
    from dncd.page.app import Page
    from dncd.page.door import Access
    from dncd.page.server import listening, serve

    host, _, port = listen.rpartition(":")
    if host not in _HERE or not (port.isascii() and port.isdigit() and int(port) < 65_536):
        raise UsageError(
            f"the page cannot listen at {listen!r}", "--listen", "Say an address of this computer: 127.0.0.1:8750"
        )
    with listening(host, int(port)) as sock:
        sock.listen(128)
        click.echo(f"The page is at http://{host}:{sock.getsockname()[1]}/ until ctrl-C")
        sys.stdout.flush()
        serve(Page(given.state, given.folder, Access(_HERE)), sock)
