"""`dncd line wiring`: the cable of a machine as text, and as a page to print."""

from collections.abc import Callable
from pathlib import Path

import click

from dncd.cli.asking import FILE, MACHINE, Asked, command
from dncd.cli.layout import save_page
from dncd.commissioning.wiring import Connector, Contacts, Order, wiring_text

_CONNECTORS = ("de-9", "db-25")


def connector_option(word: str, default: str, whose: str) -> Callable[[click.decorators.FC], click.decorators.FC]:
    choice = click.Choice(_CONNECTORS, case_sensitive=False)
    return click.option(
        f"--{word}", word.replace("-", "_"), type=choice, default=default, show_default=True, help=whose
    )


@command(MACHINE)
@connector_option("at-port", "de-9", "The connector of dncd's port.")
@connector_option("at-control", "db-25", "The connector of the control.")
@click.option(
    "--control-has",
    type=click.Choice([each.value for each in Contacts]),
    default=Contacts.SOCKETS.value,
    show_default=True,
    help="What the control's connector has: the page shows the plug that fits.",
)
@click.option("--page", metavar="FILE", type=FILE, help="Write it as an HTML page to print.")
def wiring(given: Asked, machine: str, *, at_port: str, at_control: str, control_has: str, page: Path | None) -> None:
    settings = given.machine(machine)
    order = Order(
        machine,
        settings.title,
        settings.line.baud,
        settings.line.flow,
        Connector(at_port.upper()),
        Connector(at_control.upper()),
        Contacts(control_has),
    )
    if page is None:
        click.echo(wiring_text(order), nl=False)
        return
    from dncd.commissioning.wiring_page import wiring_page

    save_page(page, wiring_page(order), "<!DOCTYPE html>")
    click.echo(f"{page} is written: open it in a browser and print it")
