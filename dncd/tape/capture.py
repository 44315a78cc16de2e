"""What a control punched, read: the text between the marks, and every character that is damaged, with its place.

Rules: a mark counts in the first column of a block only, or behind blank tape (four NULs or more). What stands before the
opening mark is left out, with a note, and not checked (a lathe control's manual: the leader is not parity-checked), so
damaged characters right before it are as blank tape; but text with words (`wording`) is never left out: it makes the
capture a damaged one. A prompt may stand in the opening mark's own line. Nothing between two marks is damage. NUL and DEL
are blank tape and rub-outs in ISO; in EIA a NUL in the significant part is a fault (a lathe control's table of function
characters) but for blank tape between two blocks. Device-control codes are signals of the line, not text; in EIA one
flipped bit makes a code of a character (0x01, the digit 1, becomes DC1), so inside the significant part they are faults.

A character is one byte of ISO 646 in all that follows, FAULT (0xFF) for a damaged one, and stands at its place on the wire:
text is made of it only at the end. Time and memory are in proportion to the capture, whatever is in it.
"""

import enum
import itertools
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from dncd import defaults
from dncd.choices import EndsOn, MarkAt, TapeCode
from dncd.peer_text import shown
from dncd.tape import wording
from dncd.tape.codes import CR, DC1, DC2, DC3, DC4, DEL, FAULT, LF, NUL, TAB, Coder, with_parity
from dncd.values import Finding, Place, Severity, TapeSettings, WireBytes

DAMAGED: Final = "\ufffd"
"""Stands for a damaged character in `Capture.whole`: no tape code carries it, so the file cannot be sent by mistake."""

LOCATED: Final = defaults.REASONS - 2
"""Damaged characters that get a finding each, so that a receipt lists them, what is missing, and how many more there are."""

_AGAIN: Final = (
    "punch the program out again; if it happens again, look at the cable's shield and plugs and test the line"
)
_COMPARE: Final = (
    "so many do not come from a bad cable: compare line.baud, line.frame and tape.code with what the control is set to"
)
WRONG_SETTINGS: Final = "wrong-settings"
"""Code of the one finding of a capture that rate, frame or code made letter salad of."""

_MANY: Final = 4
"""One damaged character in this many points to wrong settings: another frame or code damages about half."""

_SALAD: Final = 16
"""Damaged characters, one in `_MANY`, that are told by that cause and not one by one."""

_BLOCK_CHARS: Final = 1000
"""Most characters of a block that a finding keeps: garbage may have no block end in megabytes."""

_FILL: Final = bytes([NUL, DEL])
_CODES: Final = bytes([DC1, DC2, DC3, DC4])
_NO_TEXT: Final = _FILL + _CODES
_BLANK: Final = rb"[\x00\x7f\x11-\x14]*"
_LEADER: Final = rb"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\xff]*"
_BLANK_TAPE: Final = rb"[\x00\x7f]{4}"
_BETWEEN_BLOCKS: Final = re.compile(rb"(?<=[\r\n])(\x00*)([^\r\n\x00]?)")
_PROMPT: Final = rb"[\t\x20-\x7e\x00-\x08\x7f\x11-\x14]*?"
_WORDING_RUNS: Final = re.compile(rb"E+|0+|[^E0]+")
_BEFORE_CHARS: Final = 200
"""Most characters of what was left out that a note shows."""
_CLOSING_LINE: Final = rb"[^\r\n\x00\x7f\x11-\x14]*"
_LINE_RUN: Final = re.compile(rb"[\r\n]+")


def _others_damaged(*kept: int) -> bytes:
    """A table that makes FAULT of all but printable characters, TAB, CR, LF and those given."""
    good = {*range(0x20, DEL), TAB, CR, LF, *kept}
    return bytes(char if char in good else FAULT for char in range(256))


_WITH_FILL: Final = _others_damaged(*_NO_TEXT)
_EIA_SIGNIFICANT: Final = _others_damaged(DEL)


class Closed(enum.Enum):
    """Whether a capture has its closing mark."""

    YES = "yes"
    NO = "no"


@dataclass(frozen=True, slots=True)
class Capture:
    """opening: the mark line as it came, "" for none; text: the blocks, LF after each. start, end: the part of the wire
    from the opening mark through the closing mark's block end; all of it without a mark. faults: damage and missing
    marks, located in `whole`: the capture's whole text, LF line ends, U+FFFD for what is damaged. before: what came
    before the opening mark; notes: sentences on what was left out."""

    opening: str
    text: str
    closed: Closed
    start: int
    end: int
    faults: tuple[Finding, ...]
    whole: str
    before: str
    notes: tuple[str, ...] = ()


class _Marks(enum.Enum):
    """Which marks came."""

    BOTH = enum.auto()
    OPENING = enum.auto()
    CLOSING = enum.auto()
    NONE = enum.auto()


@dataclass(frozen=True, slots=True)
class _Bounds:
    """Places on the wire: the significant part is `first` to `last`, of it `closing` to `last` the closing mark line."""

    marks: _Marks
    first: int
    closing: int
    last: int


def read_capture(
    wire: WireBytes, tape: TapeSettings, coder: Coder, ends_on: EndsOn, bad: tuple[int, ...] = ()
) -> Capture:
    """Reads a whole capture. bad: indexes of bytes that the port itself marked as damaged. Raises nothing."""
    chars = bytearray(coder.decode(wire).chars)
    for index in bad:
        chars[index] = FAULT
    bounds = _bounds(bytes(chars), _limit(wire, chars, coder, ends_on), tape)
    first, closing, last = bounds.first, bounds.closing, bounds.last
    eia = coder.code is TapeCode.EIA
    if eia:
        chars[first:last] = _between_blocks(bytes(chars[first:last]), tape.ends.chars.count("\0"))
    significant = _EIA_SIGNIFICANT if eia else _WITH_FILL
    checked = b"".join(
        (
            chars[:first].translate(_WITH_FILL),
            chars[first:last].translate(significant),
            chars[last:].translate(_WITH_FILL),
        )
    )
    end = tape.ends.read.encode("ascii")
    before, inside = _text(checked[:first], end), _ended(_text(checked[first:closing], end))
    after = _text(checked[last:], end).strip("\n")
    whole = before + inside + _ended(_text(checked[closing:last], end)) + _ended(after)
    opened = bounds.marks in (_Marks.BOTH, _Marks.OPENING)
    closed = bounds.marks in (_Marks.BOTH, _Marks.CLOSING)
    opening, _, text = inside.partition("\n") if opened else ("", "", inside)
    # With one mark alone the opening one may be what was hit: then what seems to come before it is the program.
    searched = slice(first if closed or bounds.marks is _Marks.NONE else 0, last)
    marked = frozenset(bad)

    def why(index: int) -> str:
        return "the port reports it as hit" if index in marked else _why(wire[index], coder)

    lacks = _missing(bounds.marks, ends_on, tape, whole)
    hits = tuple(_damage(checked, searched, whole, end, why))
    faults = [*lacks, *_outside(bytes(chars[:first]), text, opened, ends_on), *hits]
    if any(hit.code == WRONG_SETTINGS for hit in hits):
        faults = [*hits]  # one cause, one sentence
    start, stop = {_Marks.NONE: (0, len(wire)), _Marks.OPENING: (first, len(wire))}.get(bounds.marks, (first, last))
    if not opened:
        before = ""
    return Capture(
        opening,
        text,
        Closed.YES if closed else Closed.NO,
        start,
        stop,
        tuple(faults),
        whole,
        before,
        _notes(before, _text(checked[last:], end)),
    )


def _between_blocks(chars: bytes, own: int) -> bytes:
    """EIA code with rub-outs for the NULs behind its block ends: blank tape, or `own`, those of the settings. Such a
    NUL that is hit is a character with one hole, so where other block ends have theirs one that lacks it is damage."""
    gives = own > 0 and re.search(rb"[\r\n]" + bytes(own), chars) is not None

    def read(found: re.Match[bytes]) -> bytes:
        nuls, then = len(found[1]), found[2]
        hit = gives and nuls < own
        fill = DEL if hit or nuls == own or nuls >= own + wording.BLANK_TAPE else NUL
        return bytes([fill]) * nuls + (bytes([FAULT]) * len(then) if hit else then)

    return _BETWEEN_BLOCKS.sub(read, chars)


def says_words(chars: bytes) -> bool:
    """Whether characters of ISO 646 (FAULT for a damaged one) are more than lettering, a prompt or noise."""
    found = wording.Wording()
    for run in _WORDING_RUNS.finditer(chars.translate(wording.CLASSES)):
        found.feed(run[0])
    return found.words


def _notes(before: str, after: str) -> tuple[str, ...]:
    told = (("before the opening", before), ("behind the closing", after))
    return tuple(
        f"no program, left out {where} mark: {shown(text.strip()[:_BEFORE_CHARS])}"
        for where, text in told
        if text.strip(DAMAGED + "\n\t ")
    )


def _outside(before: bytes, text: str, opened: bool, ends_on: EndsOn) -> Iterator[Finding]:
    """Words before the opening mark, or no character between the marks."""
    if opened and says_words(before):
        what = "text with words stands before the opening mark, so a mark of it is missing"
        yield Finding("text-before-mark", Severity.REFUSE, what, _AGAIN, Place(1, 1, ""))
    if (opened or ends_on is not EndsOn.MARK) and not text.strip():
        what = "nothing stands between the marks, which is no program"
        yield Finding("no-text", Severity.REFUSE, what, _AGAIN, Place(1, 1, ""))


def _limit(wire: bytes, chars: bytearray, coder: Coder, ends_on: EndsOn) -> int:
    """Where blank tape, line signals and the character that ends a capture begin, at the end of the wire."""
    limit = len(chars.rstrip(_NO_TEXT))
    if ends_on.chars and limit and wire[limit - 1] in coder.signals(ends_on.chars[0]):
        limit = len(chars[: limit - 1].rstrip(_NO_TEXT))
    return limit


_HAS_TEXT: Final = re.compile(rb"[\x20-\x7e\xff]")


def _bounds(chars: bytes, limit: int, tape: TapeSettings) -> _Bounds:
    leading = len(chars) - len(chars.lstrip(_NO_TEXT))
    unmarked = _Bounds(_Marks.NONE, min(leading, limit), limit, limit)
    if not tape.mark:
        return unmarked
    mark, closing = (re.escape(char.encode("ascii")) for char in (tape.mark, tape.closes))
    closes = re.compile(rb"(?:[\r\n]" + _BLANK + b"|" + _BLANK_TAPE + b")(" + closing + b")")
    opening = re.compile(rb"(?:\A|[\r\n]|" + _BLANK_TAPE + b")" + _LEADER + b"(" + mark + b")").search(chars, 0, limit)
    at = opening.start(1) if opening else limit
    words = says_words(chars[:at])
    first = _after_prompt(chars, at, mark) if words else -1
    if first < 0 and opening is not None:
        if words and mark == closing and not _HAS_TEXT.search(chars, _line_end(chars, at, tape), limit):
            return _Bounds(_Marks.CLOSING, leading, at, _line_end(chars, at, tape))
        first = at
    found = None if first < 0 and mark == closing else closes.search(chars, max(first, 0), limit)
    if found is not None:
        marks = _Marks.BOTH if first >= 0 else _Marks.CLOSING
        return _Bounds(marks, first if first >= 0 else leading, found.start(1), _line_end(chars, found.start(1), tape))
    return _Bounds(_Marks.OPENING, first, limit, limit) if first >= 0 else unmarked


def _after_prompt(chars: bytes, limit: int, mark: bytes) -> int:
    """Index of a mark that ends the line of a prompt, in which nothing is damaged; -1 where there is none."""
    line = re.compile(rb"(?:\A|[\r\n])" + _PROMPT + b"(" + mark + rb")[ \t]*[\r\n]").search(chars, 0, limit)
    return line.start(1) if line and not says_words(chars[: line.start(1)]) else -1


def _line_end(chars: bytes, at: int, tape: TapeSettings) -> int:
    """Behind the block end of the mark line at `at`; blank tape instead of a block end ends the line too."""
    end = re.escape(tape.ends.decoded.encode("ascii"))
    found = re.compile(_CLOSING_LINE + rb"(?:" + end + rb"|\r*\n|\r)?").match(chars, at)
    return found.end() if found else at


def _text(chars: bytes, end: bytes) -> str:
    """Characters as text: fill and codes left out, LF for each block end, U+FFFD for each fault. In a run of CR and LF
    the block ends of the settings count first; of what is left each LF is one, or, in a run without any, each CR."""
    kept = chars.translate(None, _NO_TEXT)
    if CR in kept or len(end) > 1:
        kept = _LINE_RUN.sub(lambda run: b"\n" * _block_ends(run[0], end), kept)
    return kept.decode("latin-1").replace("\xff", DAMAGED)


def _block_ends(run: bytes, end: bytes) -> int:
    known = run.count(end) if b"\n" in end or len(end) > 1 else 0
    rest = run.replace(end, b"") if known else run
    return known + (rest.count(b"\n") or (0 if known else rest.count(b"\r")))


def _ended(text: str) -> str:
    return text if not text or text.endswith("\n") else text + "\n"


def _damage(chars: bytes, searched: slice, whole: str, end: bytes, why: Callable[[int], str]) -> Iterator[Finding]:
    """A finding for each damaged character, up to LOCATED, and one for the rest. why: by the index on the wire."""
    count = chars.count(FAULT, searched.start, searched.stop)
    hits = (hit.start() for hit in re.compile(b"\xff").finditer(chars, searched.start, searched.stop))
    if count >= _SALAD and count * _MANY > searched.stop - searched.start:
        what = f"rate, frame or code are wrong: {count} of {searched.stop - searched.start} characters are damaged"
        yield Finding(WRONG_SETTINGS, Severity.REFUSE, what, _COMPARE)
        return
    next_step = _COMPARE if count * _MANY > searched.stop - searched.start else _AGAIN
    line, column, offset, then = 1, 1, 0, 0
    for index in itertools.islice(hits, LOCATED):
        piece = _text(chars[then:index], end)
        line += piece.count("\n")
        column = len(piece) - piece.rfind("\n") if "\n" in piece else column + len(piece)
        offset, then = offset + len(piece), index
        stop = whole.find("\n", offset)
        block = whole[whole.rfind("\n", 0, offset) + 1 : stop if stop >= 0 else len(whole)]
        what = f"character {index + 1} of the capture is damaged: {why(index)}"
        yield Finding("damaged-character", Severity.REFUSE, what, next_step, Place(line, column, block[:_BLOCK_CHARS]))
    if count > LOCATED:
        what = f"{count - LOCATED} more characters are damaged, {count} of {searched.stop - searched.start} in all"
        yield Finding("more-damaged-characters", Severity.REFUSE, what, next_step)


def _why(byte: int, coder: Coder) -> str:
    holes = byte.bit_count()
    if coder.code is TapeCode.EIA:
        if byte == 0:
            return "blank tape (0x00) inside the program"
        if holes % 2:
            return f"0x{byte:02X} is no character of EIA code (if it is the control's own, set tape.eia_codes)"
        return f"0x{byte:02X} is no character of EIA code ({holes} holes, an even number)"
    own, parity = coder.frame.carries_own_parity, coder.frame.parity
    if own and byte != with_parity(byte & 0x7F, parity):
        kind = {"E": "even", "O": "odd", "M": "mark", "S": "space"}[parity]
        return f"0x{byte:02X} breaks the {kind} parity"
    if byte & 0x80 and not coder.frame.carries_own_parity:
        return f"0x{byte:02X} has an eighth bit, which is a parity bit if the control punches with parity (line.frame)"
    return f"0x{byte:02X} is a control character, which is none of a program"


def _missing(marks: _Marks, ends_on: EndsOn, tape: TapeSettings, whole: str) -> Iterator[Finding]:
    """What the capture lacks: its marks, or the closing one. A tape that by the settings has none may lack it."""
    text = whole.rstrip("\n")
    last = text[text.rfind("\n") + 1 :]
    place = Place(text.count("\n") + 1, len(last) + 1, last)
    mark, closing = shown(tape.mark), shown(tape.closes)
    if marks is _Marks.CLOSING and tape.mark_at not in (MarkAt.END, MarkAt.NONE):
        what = f"the opening mark {mark} is missing, so nobody knows where the program begins"
        yield Finding("no-opening-mark", Severity.REFUSE, what, _AGAIN, Place(1, 1, whole[: whole.find("\n")]))
    if marks is _Marks.NONE and ends_on is EndsOn.MARK:
        what = f"no mark {mark} came at the start of a block, so nobody knows where the program begins and ends"
        yield Finding("no-mark", Severity.REFUSE, what, _AGAIN, place)
    may_lack = ends_on is not EndsOn.MARK and tape.mark_at in (MarkAt.START, MarkAt.NONE)
    if marks is _Marks.OPENING and not may_lack:
        what = f"the closing mark {closing} is missing: the program is not complete"
        yield Finding("no-closing-mark", Severity.REFUSE, what, _AGAIN, place)


_DAMAGED_BLOCKS: Final = 100
"""Blocks with damage that are looked for: more are garbage, in which the others say enough."""


@dataclass(frozen=True, slots=True)
class Mended:
    """whole: all characters, marks included, "" where the two do not give them; first, second: how many came from each."""

    whole: str
    first: int
    second: int


def put_together(first: str, second: str) -> Mended:
    """Two damaged captures of one program, as the whole one where each has what the other lacks: only where each damaged
    character is good in the other and all else is equal. first, second: `Capture.whole` of captures whose every damaged
    character was found (by parity). Time in proportion."""
    none = Mended("", 0, 0)
    if len(first) != len(second) or DAMAGED not in first or DAMAGED not in second:
        return none
    pairs = list(zip(first, second, strict=True))
    if any(one == DAMAGED == other or (one != other and DAMAGED not in (one, other)) for one, other in pairs):
        return none
    whole = "".join(other if one == DAMAGED else one for one, other in pairs)
    return Mended(whole, second.count(DAMAGED), first.count(DAMAGED))


def came_again(whole: str, texts: Iterable[str]) -> bool:
    """Whether each block with a digit of a damaged capture stands in texts that came whole. whole: as `Capture.whole`.
    A damaged character may be any; mark lines say nothing; the last block may be broken off."""
    there = {block for text in texts for block in text.split("\n")}
    wanted = [block for block in whole.split("\n") if any(map(str.isdigit, block)) and block[0] not in "%$*&"]
    if wanted and any(block.startswith(wanted[-1]) for block in there):
        wanted.pop()
    damaged = [block for block in wanted if DAMAGED in block]
    return all(block in there for block in wanted if DAMAGED not in block) and all(
        any(_may_be(block, other) for other in there) for block in damaged[:_DAMAGED_BLOCKS]
    )


def _may_be(block: str, other: str) -> bool:
    return len(block) == len(other) and all(a in (b, DAMAGED) for a, b in zip(block, other, strict=True))
