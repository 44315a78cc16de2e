"""`dncd page`: the shop's page, in a process of its own."""

import sys

import click

from dncd.cli.asking import Asked, command
from dncd.errors import UsageError


@command()
@click.option("--listen", metavar="HOST:PORT", default="", help="Where browsers come, instead of [page] listen.")
def page(given: Asked, listen: str) -> None:
    """What every line does. Without settings for it, on this computer alone: http://127.0.0.1:8750/. On a network it needs a
    certificate and people (`dncd people add`). Without a service it says so, and shows the records."""
    from dncd.outside import config_page
    from dncd.outside.config import page_of

    if listen and config_page.place(listen) is None:
        next_step = "Say an address of this computer and a port, such as 127.0.0.1:8750"
        raise UsageError(f"the page cannot listen at {listen!r}", "--listen", next_step)
    found = page_of(given.file, listen)
    place, local = config_page.place(found.listen), config_page.is_here(found)
    assert place is not None  # noqa: S101 - else page_of had said so
    from dncd.page.app import Page
    from dncd.page.boxes import of_settings
    from dncd.page.door import Access
    from dncd.page.people import read
    from dncd.page.server import Tls, listening, serve

    if not local and not read(given.state).people:
        next_step = "Say first who may: `dncd people add NAME --role keeper`"
        raise UsageError("nobody may use the page yet, and others than this computer reach it", found.listen, next_step)
    tls = Tls(found.certificate, found.key) if found.key else None
    secure = tls is not None or bool(found.behind_proxy)
    far = of_settings(found), found.box_ca
    proxies = tuple(str(config_page.address(each)) for each in found.behind_proxy.split())
    with listening(*place, proxies) as sock:
        made = Page(given.state, given.folder, Access(config_page.hosts(found), secure, local, proxies), far=far)
        sock.listen(128)
        click.echo(f"The page is at {config_page.address_of(found, sock.getsockname()[1])} until ctrl-C")
        sys.stdout.flush()
        serve(made, sock, tls)
