"""The commands, and the help of `dncd` itself, which is written without click: its import takes longer than all the rest."""

from typing import Final

LATE: Final = {
    "backup": ("", "Announce a dump of the whole memory."),
    "check-config": ("settings:check_config", "Check the settings; print what holds."),
    "completion": ("packaged:completion", "The script that makes the shell's TAB know dncd."),
    "demo": ("run:demo", "The whole job on this machine alone, with stand-in controls."),
    "diff": ("records:diff", "What changed between two revisions, block by block."),
    "go": ("", "Start what waits for a go."),
    "holds": ("holdings:holds", "What the control holds, as far as is known."),
    "learn": ("run:learn", "A shop to play with; a next step after each thing."),
    "line": ("", "From a bare port to a line known to be good."),
    "log": ("log:log", "The ledger: what happened, oldest first."),
    "manual": ("packaged:manual", "The manual, by topic."),
    "next": ("", "Put a file that waits in front of the others."),
    "page": ("page:page", "The shop's page, for a browser: what every line does."),
    "people": ("", "Who may use the shop's page: add, list, remove; join a phone."),
    "programs": ("records:programs", "Programs, and what the control is known to hold."),
    "prove": ("proving:prove", "Sign a revision off as proven at the machine."),
    "recover": ("upkeep:recover", "Make a copy that was taken while dncd worked start again."),
    "reload": ("settings:reload", "Have the running service read its settings again."),
    "report": ("upkeep:report", "Pack what a maintainer needs into one file."),
    "request": ("", "Ask a control for a program (DC1 reader on)."),
    "restore": ("holdings:restore", "Make one dump of all that a control held, to send it again."),
    "revive": ("upkeep:revive", "Make this box of a snapshot, or of the server of its library."),
    "run": ("run:run", "Serve all machines, until SIGTERM or ctrl-C."),
    "seat": ("", "Say to which machine a switch box is turned."),
    "send": ("send:send", "Offer files to a machine; follow them to the end."),
    "show": ("records:show", "The text of a revision."),
    "snapshot": ("upkeep:snapshot", "Pack settings and all records into one tar, while the service works."),
    "standin": ("standin:standin", "A stand-in control to learn on; nothing moves."),
    "status": ("", "What each line does, how far it is, what waits."),
    "tidy": ("upkeep:tidy", "Pack the library; nothing of it is lost."),
    "unit": ("packaged:unit", "The systemd unit and other files that come with dncd."),
    "verify": ("upkeep:verify", "Check ledger, library and receipts; changes nothing."),
    "withdraw": ("", "Take back what waits, or stop what runs."),
}
"""Every command: where it is in this room, and its short help; without a place: a group, or in `service_commands`."""

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

OPTIONS: Final = {
    "--version": "Show the version and exit.",
    "--config FILE": "The settings. Without it: $DNCD_CONFIG, ./config/dncd.toml, /etc/dncd/dncd.toml.",
    "-q, --quiet": "Print cautions and errors alone; the exit status says the rest.",
    "-v, --verbose": "Say on standard error as well which settings, state folder and requests to the service "
    "a command uses.",
    "-h, --help": "Show this message and exit.",
}
ABOUT: Final = "Part programs between the office and machine-tool controls, proven both ways."
WIDEST: Final = 110
"""Columns of a help text, on a terminal that has them."""


def help_text() -> str:
    """The help of `dncd`, as click would write it."""
    from shutil import get_terminal_size
    from textwrap import fill

    width = max(min(get_terminal_size().columns, WIDEST) - 2, 50)
    parts = [
        "Usage: dncd [OPTIONS] COMMAND [ARGS]...\n",
        fill(ABOUT, width, initial_indent="  ", subsequent_indent="  "),
    ]
    for head, rows in (("Options", OPTIONS), ("Commands", {word: text for word, (_, text) in LATE.items()})):
        first = max(map(len, rows)) + 4
        parts.append(f"\n{head}:")
        parts += [
            fill(text, width, initial_indent=f"  {word}".ljust(first), subsequent_indent=" " * first)
            for word, text in rows.items()
        ]
    return "\n".join(parts)
