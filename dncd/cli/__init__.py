"""The command line: `main`, and how errors are told.

A command loads what it needs when it runs, and what only asks the service not even click (`service_commands`).
Exit status: 0 done; 1 it could not be done, or a check found something; 2 wrong words or settings; 3 no service.
"""

import codecs
import os
import sys
from collections.abc import Sequence

from dncd import __version__
from dncd.cli.invocation import echo, marks
from dncd.errors import DncdError
from dncd.peer_text import printable_lines


def main(words: Sequence[str] | None = None) -> int:
    """Runs one command; gives its exit status and has told every error on standard error, and with --json as JSON too."""
    words = sys.argv[1:] if words is None else list(words)
    marks.clear()
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # it was closed
            setattr(sys, name, open(os.devnull, "w"))  # noqa: SIM115, PTH123 - as long as the process lives
        if hasattr(stream := getattr(sys, name), "reconfigure"):
            coding = "utf-8" if codecs.lookup(stream.encoding).name == "ascii" else None
            stream.reconfigure(encoding=coding, errors="backslashreplace")  # a narrow locale must end no command
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


def _run(words: list[str]) -> int:
    try:
        if words in (["--help"], ["-h"], ["help"]):
            from dncd.cli.commands import help_text

            echo(help_text())
            return 0
        from dncd.cli.service_commands import plain

        if (command := plain(words)) is not None:
            return command() or 0
        from dncd.cli.late_group import run

        return run(words)
    except KeyboardInterrupt:
        _tell("\nStopped.")
        return 1
    except DncdError as error:
        _tell(str(error))
        if "--json" in words:
            from dncd.cli.layout import print_error

            print_error(error)
        return error.exit_status
    except OSError:
        raise
    except Exception as error:  # noqa: BLE001 - the last resort: one sentence instead of a traceback
        _tell_fault(error)
        return 1


def _tell(text: str) -> None:
    echo(printable_lines(text), err=True)


def _tell_fault(error: Exception) -> None:
    if os.environ.get("DNCD_DEBUG") == "1":
        import traceback

        traceback.print_exception(error)
    _tell(
        f"dncd {__version__} met a fault of its own: {type(error).__name__}: {error}. "
        "Run the same command with DNCD_DEBUG=1 and report what it prints."
    )
