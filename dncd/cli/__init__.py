"""The command line: `main`, the group that the commands hang on, and how errors are told.

Only click is loaded here; a command loads what it needs when it runs, so that `--help` and a TAB stay quick.
Exit status: 0 done; 1 it could not be done, or a check found something; 2 wrong words or settings; 3 no service.
"""

import os
import sys
from collections.abc import Sequence
from typing import Final

import click

from dncd import __version__
from dncd.cli.asking import answered
from dncd.cli.late_group import LateGroup, plainer
from dncd.errors import DncdError, UsageError
from dncd.peer_text import printable_lines

PROGRAM: Final = "dncd"

LATE: Final = {
    "backup": ("holdings:backup", "Announce a dump of the whole memory."),
    "check-config": ("settings:check_config", "Check the settings; print what holds."),
    "completion": ("packaged:completion", "The script that makes the shell's TAB know dncd."),
    "demo": ("run:demo", "The whole job on this machine alone, with stand-in controls."),
    "diff": ("records:diff", "What changed between two revisions, block by block."),
    "go": ("send:go", "Start what waits for a go."),
    "holds": ("holdings:holds", "What the control holds, as far as is known."),
    "learn": ("run:learn", "A shop to play with; a next step after each thing."),
    "line": ("", "From a bare port to a line known to be good."),
    "log": ("log:log", "The ledger: what happened, oldest first."),
    "manual": ("packaged:manual", "The manual, by topic."),
    "next": ("send:put_first", "Put a file that waits in front of the others."),
    "page": ("page:page", "The shop's page, for a browser: what every line does."),
    "people": ("", "Who may use the shop's page: add, list, remove; join a phone."),
    "programs": ("records:programs", "Programs, and what the control is known to hold."),
    "prove": ("proving:prove", "Sign a revision off as proven at the machine."),
    "recover": ("upkeep:recover", "Make a copy that was taken while dncd worked start again."),
    "reload": ("settings:reload", "Have the running service read its settings again."),
    "report": ("upkeep:report", "Pack what a maintainer needs into one file."),
    "request": ("send:request_program", "Ask a control for a program (DC1 reader on)."),
    "restore": ("holdings:restore", "Make one dump of all that a control held, to send it again."),
    "revive": ("upkeep:revive", "Make this box of a snapshot, or of the server of its library."),
    "run": ("run:run", "Serve all machines, until SIGTERM or ctrl-C."),
    "seat": ("send:seat", "Say to which machine a switch box is turned."),
    "send": ("send:send", "Offer files to a machine; follow them to the end."),
    "show": ("records:show", "The text of a revision."),
    "snapshot": ("upkeep:snapshot", "Pack settings and all records into one tar, while the service works."),
    "standin": ("standin:standin", "A stand-in control to learn on; nothing moves."),
    "status": ("status:status", "What each line does, how far it is, what waits."),
    "tidy": ("upkeep:tidy", "Pack the library; nothing of it is lost."),
    "unit": ("packaged:unit", "The systemd unit and other files that come with dncd."),
    "verify": ("upkeep:verify", "Check ledger, library and receipts; changes nothing."),
    "withdraw": ("send:withdraw", "Take back what waits, or stop what runs."),
}
"""Every command: where it is in this room, and its short help."""

LINE: Final = {
    "ports": ("line_ports:ports", "The serial ports of this machine, and who uses them."),
    "setup": ("line_setup:setup", "Write a settings file for a new machine, from a few questions."),
    "wiring": ("line_wiring:wiring", "The cable for a machine: which pins to join, how long it may be."),
    "test": ("line_test:test", "Test port, cable and plug with a loopback plug."),
    "find": ("line_find:find", "Find a line's settings: somebody punches any program."),
    "watch": ("line_watch:watch", "See a line live, both ways, until ctrl-C."),
    "replay": ("line_replay:replay", "What the receiver would keep of a recording."),
    "trial": ("line_trial:trial", "Prove a line with a harmless program, out and back."),
    "health": ("line_health:health", "A line over months, and whether it is worse than it was."),
}
"""Those of `dncd line`, in the order in which a new line needs them."""

PEOPLE: Final = {
    "list": ("people:everybody", "Who may use the page, and which phones are joined."),
    "add": ("people:add", "Add a person, with a role and a pass phrase."),
    "remove": ("people:remove", "Remove a person, or revoke a phone."),
    "phone": ("people:phone", "Join a phone to one machine: an address with a code."),
    "box": ("people:box", "Let the page of another box show these machines too: a token."),
}
"""Those of `dncd people`."""


@click.group(
    name=PROGRAM,
    cls=LateGroup,
    late=LATE,
    help="Part programs between the office and machine-tool controls, proven both ways.",
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
)
@click.version_option(__version__, prog_name=PROGRAM, message="%(prog)s %(version)s")
def group() -> None:
    """The command line; its help is above, for `python -OO` leaves this out."""


for word, below in {"line": LINE, "people": PEOPLE}.items():
    group.add_command(LateGroup(word, late=below, help=LATE[word][1]))


def main(words: Sequence[str] | None = None) -> int:
    """Runs one command; gives its exit status and has told every error on standard error, and with --json as JSON too."""
    answered.clear()
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # it was closed
            setattr(sys, name, open(os.devnull, "w"))  # noqa: SIM115, PTH123 - as long as the process lives
        if hasattr(stream := getattr(sys, name), "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a narrow locale must not end a command within a table
    try:
        status = _run(words)
        sys.stdout.flush()
    except OSError as error:
        if error.filename is not None:
            _tell_fault(error)
            return 1
        # What is still buffered must not complain at exit either.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        if not isinstance(error, BrokenPipeError):  # else who read our output has seen enough
            _tell(f"Standard output cannot be written: {error.strerror}. Give it another place.")
        return 1
    return status


def _run(words: Sequence[str] | None) -> int:
    try:
        status = group.main(args=None if words is None else list(words), prog_name=PROGRAM, standalone_mode=False)
    except click.exceptions.Exit as asked:
        return asked.exit_code
    except click.ClickException as error:
        error = plainer(error)
        error.show()
        context = getattr(error, "ctx", None)
        where = context.command_path if context else PROGRAM
        _tell_json(words, UsageError(error.format_message(), where, f"`{where} --help` says what it takes"))
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        click.echo("Stopped.", err=True)
        return 1
    except DncdError as error:
        _tell(str(error))
        _tell_json(words, error)
        return error.exit_status
    except OSError:
        raise
    except Exception as error:  # noqa: BLE001 - the last resort: one sentence instead of a traceback
        _tell_fault(error)
        return 1
    return status if isinstance(status, int) else 0


def _tell(text: str) -> None:
    click.echo(printable_lines(text), err=True)


def _tell_json(words: Sequence[str] | None, error: DncdError) -> None:
    """On standard output, for programs that asked for JSON, unless a command has given its own already."""
    if "--json" in (sys.argv if words is None else words):
        from dncd.cli.layout import print_json

        if not answered:
            about = {"code": error.code, "what": error.what, "where": error.where, "next": error.next_step}
            print_json({"error": about})


def _tell_fault(error: Exception) -> None:
    if os.environ.get("DNCD_DEBUG") == "1":
        import traceback

        traceback.print_exception(error)
    _tell(
        f"dncd {__version__} met a fault of its own: {type(error).__name__}: {error}. "
        "Run the same command with DNCD_DEBUG=1 and report what it prints."
    )
