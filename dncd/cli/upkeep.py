"""Commands for those who keep the box: `verify`, `snapshot`, `revive`, `recover`, `tidy`, `report`."""

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from dncd import defaults
from dncd.cli.asking import FILE, JSON, Asked, command, user_name
from dncd.cli.layout import count, print_json, seconds
from dncd.errors import SettingsError, UsageError
from dncd.peer_text import local_text, printable

if TYPE_CHECKING:
    from dncd.records.packing import Size
    from dncd.values import Settings

SAID: Final = {
    "none": "has no such branch yet; dncd makes it with its next push",
    "ahead": "is ahead: it has revisions that this library has lost, or somebody pushed there; nothing is pushed until "
    "both agree: `dncd manual upkeep`, Backing up",
    "different": "has other revisions than this library: another box pushes to this branch, or one of the two was "
    "replaced; nothing is pushed until both agree",
}
"""What is wrong with a server, by `outside.library_server.Stand`."""


@command(JSON)
@click.option("--local", is_flag=True, help="Leave the library's server out.")
def verify(given: Asked, local: bool, as_json: bool) -> int:
    """With [library] remote set, also whether the server has what this library has."""
    settings = given.settings
    from dncd.records.verify import verify as check

    report = check(settings.shop.state, settings.shop.folder)
    problems, notes = list(report.problems), list(report.notes)
    server: dict[str, Any] | None = None
    if settings.library.remote and not local:
        server = compared(settings, problems, notes)
    if as_json:
        facts = {"problems": problems, "notes": notes, "ledger": report.records, "revisions": report.revisions}
        print_json({**facts, **({"server": server} if server is not None else {})})
        return 1 if problems else 0
    for problem in problems:
        click.echo(printable(problem))
    for note in notes:
        click.echo(printable(f"note: {note}"))
    read = f"{count(report.records, 'ledger line')}, {count(report.revisions, 'revision')}"
    read += f" and {count(report.receipts, 'receipt')}"
    click.echo(f"{count(len(problems), 'problem')} found in {read}")
    return 1 if problems else 0


def compared(settings: "Settings", problems: list[str], notes: list[str]) -> dict[str, Any]:
    """How the server stands to the library; what is wrong goes to problems, what will right itself to notes."""
    from dncd.errors import NotDoneError, RecordsError
    from dncd.outside.library_server import LibraryServer, Stand
    from dncd.records.library import Library, path_of

    server = LibraryServer(path_of(settings.shop.state), settings.library)
    where = f"library: the server {server.shown}, branch {settings.library.branch},"
    facts: dict[str, Any] = {"remote": server.shown, "branch": settings.library.branch, "stand": None, "behind": 0}
    try:
        with Library(settings.shop.state) as library:
            head = (library.head() or b"").decode()
        stand, behind = server.stand(head)
    except NotDoneError as error:
        problems.append(f"{where} could not be asked: {error.what}")
        return facts
    except RecordsError as error:
        if settings.shop.state.is_dir():
            notes.append(f"{where} was not asked: {error.what}")
        return facts
    if stand in (Stand.AHEAD, Stand.DIFFERENT):
        problems.append(f"{where} {SAID[stand.value]}")
    elif stand is Stand.BEHIND:
        notes.append(f"{where} is behind by {count(behind, 'revision')}; `dncd status` says whether pushing fails")
    elif stand is Stand.NONE and head:
        notes.append(f"{where} {SAID[stand.value]}")
    return {**facts, "stand": stand.value, "behind": behind}


@command()
def recover(given: Asked) -> None:
    """The library goes to the newest state that is whole, and what went is told. Nothing that is whole is dropped from the
    ledger; texts that the library has no more, and objects that cannot be read, are kept in STATE/aside.
    """
    state = given.state
    from dncd.records import repair
    from dncd.records.library import Writer
    from dncd.records.store import ledger_beside

    if not (state / "ledger").is_dir():
        raise UsageError("there is no ledger", str(state), "Name the settings of the copy: shop.state is its folder")
    with ledger_beside(state) as ledger:
        told = [*ledger.notes, *repair.recovered(state, ledger)]
        Writer(state).close()  # it can be opened now, or says why not
    for sentence in told or ("nothing had to be done",):
        click.echo(printable(sentence))
    click.echo("Start dncd; `dncd verify` tells more.")


@command(click.Argument(["file"], type=FILE))
def snapshot(given: Asked, file: Path) -> None:
    """The ledger up to a line, the library as that line names it, sheets of trials, what was asked of waiting files, what
    the controls held, what came damaged. It is checked before it gets its name; one of that name is replaced. It has the
    settings as they are.
    """
    from dncd.records.snapshot import pack

    os.nice(10)
    made = pack(given.state, given.file, file.absolute())
    click.echo(
        printable(f"{file}: the ledger up to line {made.seq}, {local_text(made.time) if made.time else 'empty'}")
    )
    for what in made.under_way:
        click.echo(printable(f"under way, and not in it: {what}"))


@command(click.Argument(["source"], required=False, metavar="[FILE|URL]"))
@click.option(
    "--branch", default=defaults.BRANCH, show_default=True, help="The old box's [library] branch on the server."
)
@click.option("--old-box-is-off", "off", is_flag=True, help="Nobody can start it again: lines may be served.")
@click.option("--by", default=user_name, show_default="your login name", metavar="NAME", help="Who says so.")
def revive(given: Asked, *, source: str | None, branch: str, off: bool, by: str) -> None:
    """Into an empty state folder. Where there is no settings file yet, the old box's is put there. No line is served until
    --old-box-is-off was said, with this command or later to the service.
    """
    from dncd.records import durable, revival
    from dncd.records.state_format import REVIVING
    from dncd.records.store import become_owner, ledger_beside

    if source is None:
        if not off:
            raise UsageError("it is not said of what", "dncd revive", "Name a snapshot's file or a server's address")
        from dncd.outside.command_client import ask

        ask(given.state, {"do": "old-box-off", "by": by})
        click.echo("The old box is off: the lines are served.")
        return
    try:
        file = given.file
    except SettingsError as error:
        to_do = (
            "Type the same again with `--config /etc/dncd/dncd.toml` behind it: the old box's settings are put there"
        )
        raise SettingsError(error.where, error.problems, to_do) from None
    if not file.exists():
        durable.write_new(file.absolute(), [revival.settings_of(source, branch)])
        click.echo(printable(f"{file}: as the old box had it; look at its ports (`dncd line ports`)"))
    state = given.state
    revival.need_empty(state)
    become_owner(state)
    made = revival.unpack(state, source, branch)
    with ledger_beside(state / REVIVING) as ledger:
        revival.finish(state, ledger, made, source, off_by=by if off else "")
    when = f", {local_text(made.time)}" if made.time else ""
    click.echo(printable(f"{state}: the ledger up to line {made.seq}{when}; what came after that is not in it"))
    for what in made.under_way:
        click.echo(printable(f"was under way: {what}: look at what the control holds"))
    if not off:
        click.echo(
            "No line is served until the old box is off: then say `dncd revive --old-box-is-off` to the service."
        )


@command(JSON)
def tidy(given: Asked, as_json: bool) -> None:
    """Also beside the running service, which does it by itself when no line is busy."""
    state = given.state
    from dncd.records.library import Library
    from dncd.records.packing import tidy as pack
    from dncd.records.store import become_owner

    become_owner(state)
    with Library(state) as library:
        path = library.path
    done = pack(path)
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
    return f"{count(size.loose, 'loose object')}, {count(size.packs, 'pack')}, {size.held_bytes / 1e6:,.1f} MB"


@command()
@click.option(
    "--output",
    "-o",
    metavar="FILE",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The file to write. Without it: dncd-report-TIME.tar.gz in this folder.",
)
def report(given: Asked, output: Path | None) -> None:
    """Settings without secrets, versions, recent journal, counters of the lines, the ledger's last lines; no program.
    Whether the service runs or not.
    """
    from dncd.outside import report as packing
    from dncd.records.ledger import utc_now

    when = utc_now()
    target = output or Path(f"dncd-report-{when:%Y%m%dT%H%M%SZ}.tar.gz")
    names = packing.write(given.file, target, when)
    click.echo(f"{printable(str(target))} holds {', '.join(names)}.")
    click.echo("Read it before you send it: `tar -xOzf FILE | less`. It names machines, programs and files.")
