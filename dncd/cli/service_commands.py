"""What only asks the running service: `status`, `go`, `next`, `seat`, `request`, `withdraw`, `backup`.

They run without click, whose import takes longer than all that they do: `plain` reads words that are in plain forms. All
else (a mistake, a word that is missing, --help, a TAB) is for click, which has the same words from here.
"""

import os
import time
from collections.abc import Callable, Sequence
from typing import Final

from dncd.cli.invocation import Asked, caution, echo, user_name
from dncd.peer_text import printable

FOLLOW_S: Final = 0.5
"""Seconds between two looks at an announced backup."""


def status(given: Asked, machine: str | None = None, follow: bool = False, as_json: bool = False) -> None:
    if machine is not None:
        given.need(machine)
    now = {} if follow else given.ask("status")
    from dncd.cli import status as view  # of no use before there is an answer

    try:
        view.follow(given, machine, as_json) if follow else view.show(now, machine, as_json)
    except KeyboardInterrupt:
        echo(err=True)


def go(given: Asked, machine: str) -> None:
    """The control must be reading first: press READ there. What goes to one that does not read is lost, and may be told as
    sent all the same.
    """
    done = given.ask("go", machine)
    echo(f"{machine}: {printable(str(done.get('file', 'the program')))} starts")
    caution(
        "Was READ pressed first? What goes to a control that does not read is lost, and may be told as sent all the same."
    )


def put_first(given: Asked, machine: str, file: str) -> None:
    """FILE is its name in to-machine/. It stays in front over a reload and a restart, and goes at the next start however old
    it is. While a batch is in the middle of its pieces (`dncd send --again`) nothing goes before it.
    """
    done = given.ask("next", machine, file=file.rstrip("/").rpartition("/")[2])
    echo(f"{machine}: {printable(str(done['file']))} goes next")


def seat(given: Asked, machine: str) -> None:
    """The line is this machine's from now on; the others behind the same box keep what waits. Turn the box first, unless it
    turns by itself. No start that was said before counts: press READ, or say `dncd go`, afterwards.
    """
    done = given.ask("seat", machine, by=user_name())
    before = f", and no longer {done['before']}'s" if done["before"] not in ("", machine) else ""
    echo(f"{machine}: seated; the line of {done['switch']} is its own now{before}")


def request_program(given: Asked, machine: str) -> None:
    given.ask("request", machine)
    echo(f"{machine}: asked for a program (DC1); what it punches comes to from-machine/")


def withdraw(given: Asked, machine: str, file: str | None = None) -> None:
    """Without FILE: what is being sent, else the first that waits; where a plan that cannot be read has stopped the
    machine, it is sent to again.
    """
    given.need(machine)
    before = given.ask("status")["machines"].get(machine) or {}
    done = given.ask("withdraw", machine, **({"file": file} if file else {}))
    if done.get("released"):
        echo(f"{machine}: it is sent to again; what waits in its to-machine/ goes out at its next start")
        return
    name = str(done.get("file", file or "the program"))
    echo(f"{machine}: {printable(name)} is withdrawn; it lies in refused/ with its receipt")
    moving = before.get("transfer") or {}
    if moving.get("file") == name and moving.get("chars"):
        caution(
            f"Caution: {moving['chars']} of its {moving['of_chars']} characters had gone to the control, which may hold"
            f" a part of {moving['program']}: delete it there, after RESET, before anything cuts."
        )


def backup(given: Asked, machine: str, end: bool = False) -> int:
    """Everything that comes is one backup, also program by program. It ends after a minute of quiet behind the last, after
    an hour if none comes, or with --end. A control that punches all programs between two marks needs no announcing.
    """
    given.ask("backup-end" if end else "backup", machine)
    if not end:
        ends = f"after a minute of quiet behind the last, after an hour if none comes, or with `dncd backup {machine} --end`"
        echo(f"{machine}: punch all programs now; it ends {ends}")
    try:
        return _follow(given, machine)
    except KeyboardInterrupt:
        echo(f"\nThe backup goes on; look at `dncd status {machine}`.", err=True)
        return 1


def _follow(given: Asked, machine: str) -> int:
    shown = 0
    while True:
        state = given.ask("status")["machines"][machine]["backup"]
        if not state["open"]:
            break
        if state["captures"] != shown:
            shown = state["captures"]
            from dncd.cli.layout import count

            echo(f"{count(shown, 'capture')} so far")
        time.sleep(FOLLOW_S)
    outcome = state["outcome"] or {"counts": False, "told": ["the service was restarted meanwhile"]}
    said = "the backup is on record" if outcome["counts"] else "the backup did not come whole"
    (echo if outcome["counts"] else caution)(printable(f"{machine}: {said}: {'; '.join(outcome['told'])}"))
    return 0 if outcome["counts"] else 1


PLAIN: Final[dict[str, tuple[Callable[..., int | None], str]]] = {
    "backup": (backup, "machine --end"),
    "go": (go, "machine"),
    "next": (put_first, "machine file"),
    "request": (request_program, "machine"),
    "seat": (seat, "machine"),
    "status": (status, "[machine] --follow -f --json"),
    "withdraw": (withdraw, "machine [file]"),
}
"""By the command's word what it does, and the words that it takes (`asking.WORDS`); in brackets what may be left out."""

FLAGS: Final = {"--end": "end", "--follow": "follow", "-f": "follow", "--json": "as_json"}


def plain(words: Sequence[str]) -> Callable[[], int | None] | None:
    """The command that these words name, ready to run; None where one of them is not known in this form."""
    left, file = list(words), os.environ.get("DNCD_CONFIG", "")
    if "--config" in left[:-1]:
        file = left.pop(left.index("--config") + 1) or "."
        left.remove("--config")
    if not left or left[0] not in PLAIN or "_DNCD_COMPLETE" in os.environ:
        return None
    if file and not (file == os.path.normpath(file) and os.access(file, os.R_OK)):
        return None
    command, known = PLAIN[left.pop(0)]
    flags, values = {word for word in left if word[:1] == "-"}, [word for word in left if word[:1] != "-"]
    names = [word for word in known.split() if word[0] != "-"]
    least = sum(name[0] != "[" for name in names)
    if "" in values or not least <= len(values) <= len(names) or not flags <= set(known.split()):
        return None
    return lambda: command(Asked(file), *values, **{FLAGS[flag]: True for flag in flags})
