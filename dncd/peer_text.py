"""Text from a control, a file or a file's name, made fit to be shown to people; and words that nobody knows."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any


def printable(text: str) -> str:
    """Text from a control, a file or its name, with control characters and stray surrogates as \\xNN or \\uNNNN."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape", "backslashreplace").decode() for c in text)


def printable_lines(text: str) -> str:
    """Text with its own line ends kept, and everything else in it made printable."""
    return "\n".join(map(printable, text.split("\n")))


def local_text(time: str) -> str:
    """A record's time for people: of this place, with its zone; what is no time stays as it is."""
    try:
        return datetime.fromisoformat(time).astimezone().strftime("%Y-%m-%d %H:%M:%S %Z")
    except ValueError:
        return time


def moment(utc: object) -> str:
    """A record's time in few words: `Mon 14:05 CET`; with its date where it is not of this week."""
    try:
        at = datetime.fromisoformat(str(utc)).astimezone()
    except ValueError:
        return printable(str(utc))
    days = (datetime.now(UTC) - at).days
    return at.strftime("%a %H:%M %Z" if days < 6 else "%a %Y-%m-%d %H:%M %Z")


def printable_in(value: Any, safe: Callable[[str], str] = printable) -> Any:
    """A value for JSON, all text in it made printable (half surrogate pairs cannot be written as UTF-8); what JSON does not
    know as a list or as text. safe: makes a text printable."""
    if isinstance(value, bool | int | float) or value is None:
        return value
    if isinstance(value, Mapping):
        return {safe(str(key)): printable_in(each, safe) for key, each in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [printable_in(each, safe) for each in value]
    return safe(value.decode("latin-1") if isinstance(value, bytes) else str(value))


def short(text: str, longest: int) -> str:
    """Peer text made printable: at most `longest` characters, and `…` where there are more."""
    return printable(text[:longest]) + "…" * (len(text) > longest)


def shown(text: str, longest: int = 60) -> str:
    """As `short`, in quotes."""
    return f"'{short(text, longest)}'"


def some(names: Sequence[str], most: int, beside: int = 0) -> str:
    """No more than `most` of them by name: `A, B and 3 more`. beside: how many more there are than are named at all."""
    more = len(names[most:]) + beside
    return ", ".join(names[:most]) + (f" and {more} more" if more else "")


def nearest(word: str, known: Iterable[str]) -> str:
    """The known word that was probably meant, "" where none is near."""
    import difflib

    folded = {each.lower(): each for each in known}
    found = difflib.get_close_matches(word.strip().lower(), list(folded), 1, 0.5)
    return folded[found[0]] if found else ""
