"""Whether what was punched says words, or is lettering, a prompt or noise of the line.

A block says words if it has a digit and is no lettering. Letters that people read as holes are columns of holes between
short blank tape: many of them are no characters of the code, and no glyph is wider than eight columns. Three hit bits
make no lettering of a block. Blank tape (BLANK_TAPE NULs or more) ends a block as a block end does.
"""

from typing import Final

from dncd.tape.codes import CR, DEL, LF, NUL, TAB

BLANK_TAPE: Final = 4
"""NULs in succession that are blank tape between two punches, not a gap between two columns."""

TEXT, DIGIT, BLANK, END, FILL, OTHER = b"P", b"9", b"B", b"E", b"0", b"X"
"""Classes of characters: text, a digit, space and TAB, a block end, NUL and DEL, and all that is none of a program."""

_ODD: Final = 4
_GLYPHS: Final = 3
_GLYPH: Final = 8


def _class_of(char: int) -> bytes:
    if char in (NUL, DEL):
        return FILL
    if char in (LF, CR):
        return END
    if char in (0x20, TAB):
        return BLANK
    if not 0x20 < char < DEL:
        return OTHER
    return DIGIT if chr(char).isdigit() else TEXT


CLASSES: Final = b"".join(map(_class_of, range(256)))
"""Class of each character of ISO 646; FAULT is OTHER."""


class Wording:
    """Fed the classes of characters in order, cut anywhere; `words` says whether a block so far says any."""

    def __init__(self) -> None:
        self._said = False
        self._fill = 0
        self._begin()

    def _begin(self) -> None:
        self._chars = self._digits = self._odd = self._gaps = 0

    @property
    def words(self) -> bool:
        """Whether a block of what was fed says words."""
        lettering = (self._odd >= _ODD and 4 * self._odd >= self._chars) or (
            self._gaps >= _GLYPHS and _GLYPH * self._gaps >= self._chars
        )
        return self._said or (self._digits > 0 and not lettering)

    @property
    def odd(self) -> bool:
        """Whether the block that is coming has anything that is no text."""
        return self._odd + self._gaps > 0

    def feed(self, run: bytes) -> None:
        """Classes of one kind: text, digits, blanks and others mixed; or block ends; or fill."""
        kind = run[:1]
        if kind == FILL:
            self._fill += len(run)
            if self._fill < BLANK_TAPE:
                return
        elif kind != END:
            self._gaps += bool(self._fill and self._chars)
            self._chars += len(run)
            self._digits += run.count(DIGIT)
            self._odd += len(run) - run.count(TEXT) - run.count(DIGIT) - run.count(BLANK)
            self._fill = 0
            return
        else:
            self._fill = 0
        self._said = self.words
        self._begin()
