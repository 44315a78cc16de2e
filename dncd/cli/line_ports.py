"""`dncd line ports`: which serial ports there are, and whose."""

import dataclasses
import os
from pathlib import Path

import click

from dncd.cli.asking import JSON, Asked, command
from dncd.cli.layout import print_json
from dncd.errors import SettingsError
from dncd.peer_text import printable
from dncd.ports.listing import SerialPort, serial_ports


@command(JSON)
def ports(given: Asked, as_json: bool) -> None:
    found = serial_ports()
    named = _machines(given)
    users = {port.device: [name for name, device in named.items() if _same(port, device)] for port in found}
    absent = {name: device for name, device in named.items() if not any(name in names for names in users.values())}
    if as_json:
        listed = [{**dataclasses.asdict(port), "machines": users[port.device]} for port in found]
        print_json({"ports": listed, "elsewhere": absent})
        return
    if not found:
        click.echo("This machine has no serial port. Plug the adaptor in; `dmesg` says what the kernel makes of it.")
    for port in found:
        click.echo("\n".join(_lines(port, users[port.device])))
    for name, device in absent.items():
        click.echo(f"{name} uses {printable(device)}, {_why_absent(device)}")


def _machines(given: Asked) -> dict[str, str]:
    """Machine → its port. Without a settings file there are none; one that is wrong is an error."""
    try:
        file = given.file
    except SettingsError:
        return {}
    machines = given.settings.machines.items() if file.exists() else ()
    return {name: machine.line.port for name, machine in machines}


def _same(port: SerialPort, device: str) -> bool:
    return device in (port.device, *port.names) or os.path.realpath(device) == port.device


def _why_absent(device: str) -> str:
    if "://" in device:
        return "behind the network"
    return "which is not a serial port of this machine" if Path(device).exists() else "which is not there"


def _lines(port: SerialPort, machines: list[str]) -> list[str]:
    lines = [port.best_name]
    if port.best_name != port.device:
        lines.append(f"  just now {port.device}, which may change; write the name above into the settings")
    if port.usb:
        number = f", serial number {port.serial}" if port.serial else ", without a number of its own"
        lines.append(f"  USB adaptor {port.chip or 'without a name'} ({port.usb}{number}), driver {port.driver}")
    else:
        lines.append(f"  a port of the board, driver {port.driver}")
    if machines:
        lines.append(f"  used by {', '.join(machines)}")
    if port.held_by:
        lines.append(f"  open in {', '.join(map(str, port.held_by))}")
    if not port.may_open:
        lines.append("  this user may not open it: `ls -lL` shows its group, often dialout; join that")
    return lines
