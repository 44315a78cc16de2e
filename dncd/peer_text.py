"""Text from a control, a file or a file's name, made fit to be shown to people; and words that nobody knows."""

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime


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


def shown(text: str, longest: int = 60) -> str:
    """Peer text made printable and short: at most `longest` characters, in quotes."""
    safe = printable(text[:longest])
    return f"'{safe}…'" if len(text) > longest else f"'{safe}'"


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
