"""Every error that a user can meet: what happened, where, and what to do next, under a stable code.

Nothing in dncd matches on message text; `code` is for programs, the three sentences are for people.
"""

start_with: tuple[str, ...] = ("dncd",)
"""The command as its user must type it, with the settings file that he named."""


class DncdError(Exception):
    """An error with its three sentences. what: what is wrong; where: the file, setting, machine or place; next_step:
    what the reader can do. `exit_status` is what a command ends with (contract: 1 could not be done, 2 wrong words or
    settings, 3 no service)."""

    code = "error"
    exit_status = 1

    def __init__(self, what: str, where: str, next_step: str) -> None:
        super().__init__(what, where, next_step)
        self.what, self.where, self.next_step = what, where, next_step

    def __str__(self) -> str:
        return f"{_sentence(self.where + ': ' + self.what if self.where else self.what)} {_sentence(self.next_step)}"


def _sentence(text: str) -> str:
    text = text.strip()
    return text if not text or text[-1] in ".!?" else text + "."


class SettingsError(DncdError):
    """The settings file is wrong; `problems` holds one line for each fault, each naming file, table, key and value."""

    code = "settings"
    exit_status = 2

    def __init__(self, where: str, problems: tuple[str, ...], next_step: str) -> None:
        super().__init__("\n".join(problems), where, next_step)
        self.problems = problems

    def __str__(self) -> str:
        return "\n".join((*self.problems, _sentence(self.next_step)))


class PortError(DncdError):
    """A port cannot do what the settings ask of it (a frame, a rate): never approximated."""

    code = "port"
    exit_status = 2


class PortBusyError(DncdError):
    """Another program holds the port."""

    code = "port-busy"


class PortGoneError(DncdError):
    """The port is absent or went away."""

    code = "port-gone"


class StateHeldError(DncdError):
    """Another dncd works on the same state folder."""

    code = "state-held"


class RecordsError(DncdError):
    """Ledger, library or a receipt cannot be read or written."""

    code = "records"


class NoServiceError(DncdError):
    """No service answers on the state folder. where: its socket, which nobody knows and no sentence says."""

    code = "no-service"
    exit_status = 3

    def __str__(self) -> str:
        return f"{_sentence(self.what[:1].upper() + self.what[1:])} {_sentence(self.next_step)}"


class NotDoneError(DncdError):
    """A command was understood and could not be done."""

    code = "not-done"


class UsageError(DncdError):
    """Wrong words: an unknown machine, program or revision."""

    code = "usage"
    exit_status = 2
