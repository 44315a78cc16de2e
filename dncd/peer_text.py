"""Text from a control, a file or a file's name, made fit to be shown to people."""


def printable(text: str) -> str:
    """Text from a control, a file or its name, with control characters and stray surrogates as \\xNN or \\uNNNN."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape", "backslashreplace").decode() for c in text)


def shown(text: str, longest: int = 60) -> str:
    """Peer text made printable and short: at most `longest` characters, in quotes."""
    safe = printable(text[:longest])
    return f"'{safe}…'" if len(text) > longest else f"'{safe}'"
