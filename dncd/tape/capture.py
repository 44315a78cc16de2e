"""What a control punched, read: the text between the marks, and every character that is damaged, with its place.

Rules: a mark counts in the first column of a block only. What stands before the opening mark is left out and not checked
(a lathe control's manual: the leader is not parity-checked). NUL and DEL are blank tape and rub-outs in ISO; in EIA a NUL
in the significant part is a fault (a lathe control's table of function characters). Device-control codes are signals of
the line, not text; in EIA one flipped bit makes a code of a character, so inside the marks they are faults there.
"""

import enum
import re
from dataclasses import dataclass
from typing import Final

from dncd.tape.codes import DC1, DC2, DC3, DC4, DEL, EOT, FAULT, NUL, SUB, Coder
from dncd.tape.image import block_end
from dncd.values import EndsOn, Finding, Place, Severity, TapeCode, TapeSettings, WireBytes

DAMAGED: Final = "\ufffd"
"""Stands for a damaged character in `Capture.whole`: no tape code carries it, so the file cannot be sent by mistake."""

_AGAIN: Final = (
    "punch the program out again; if it happens again, look at the cable's shield and plugs and test the line"
)

_TEXT: Final = frozenset({*range(0x20, 0x7F), 0x09, 0x0A, 0x0D})
_FILL: Final = bytes([NUL, DEL])
_CODES: Final = bytes([DC1, DC2, DC3, DC4])
_BETWEEN: Final = rb"[\x00\x7f\x11-\x14]*"


class Closed(enum.Enum):
    """Whether a capture has its closing mark."""

    YES = "yes"
    NO = "no"


@dataclass(frozen=True, slots=True)
class Capture:
    """opening: the mark line as it came, "" for none; text: the blocks, LF after each.

    start, end: the part of the wire from the opening mark through the closing mark's block end; all of it without a mark.
    faults: damage and missing marks, located in `whole`: the capture's whole text, LF line ends, U+FFFD for what is
    damaged. before: what came before the opening mark.
    """

    opening: str
    text: str
    closed: Closed
    start: int
    end: int
    faults: tuple[Finding, ...]
    whole: str
    before: str


def read_capture(
    wire: WireBytes, tape: TapeSettings, coder: Coder, ends_on: EndsOn, bad: tuple[int, ...] = ()
) -> Capture:
    """Reads a whole capture. bad: indexes of bytes that the port itself marked as damaged. Raises nothing."""
    chars = bytearray(_checked(coder.decode(wire).chars))
    for index in bad:
        chars[index] = FAULT
    _drop_terminator(chars, ends_on)
    start, closing, end = _bounds(bytes(chars), tape)
    if coder.code is TapeCode.EIA and start >= 0:
        inside = slice(start, closing if closing >= 0 else _before_trailer(chars))
        chars[inside] = chars[inside].translate(_EIA_INSIDE)
    opened = start >= 0
    first, last = (start if opened else 0), (end if end >= 0 else len(chars))
    before = _text(bytes(chars[:first]), tape)
    inside_text = _text(bytes(chars[first : closing if closing >= 0 else len(chars)]), tape)
    tail = _text(bytes(chars[closing:]), tape) if closing >= 0 else ""
    whole = before + inside_text + tail
    faults = _faults(whole, chars, wire, (first, last), coder)
    faults += _missing(opened, closing >= 0, ends_on, whole)
    opening, _, text = inside_text.partition("\n") if opened else ("", "", inside_text)
    if text and not text.endswith("\n"):
        text += "\n"
    return Capture(opening, text, Closed.YES if closing >= 0 else Closed.NO, first, last, tuple(faults), whole, before)


_KNOWN: Final = bytes(c if c in _TEXT or c in _FILL or c in _CODES or c in (SUB, EOT) else FAULT for c in range(256))
_EIA_INSIDE: Final = bytes(FAULT if c == NUL or c in _CODES else c for c in range(256))


def _checked(chars: bytes) -> bytes:
    """Control characters that no program has become faults too."""
    return chars.translate(_KNOWN)


def _drop_terminator(chars: bytearray, ends_on: EndsOn) -> None:
    """SUB and EOT are an end where the settings say so, at the end; anywhere else they are faults."""
    wanted = {EndsOn.SUB: SUB, EndsOn.EOT: EOT}.get(ends_on, -1)
    if chars and chars[-1] == wanted:
        chars[-1] = NUL
    for index in [i for i, c in enumerate(chars) if c in (SUB, EOT)] if SUB in chars or EOT in chars else ():
        chars[index] = FAULT


def _before_trailer(chars: bytearray) -> int:
    """Where blank tape and codes at the end begin."""
    end = len(chars)
    while end and (chars[end - 1] in _FILL or chars[end - 1] in _CODES):
        end -= 1
    return end


def _bounds(chars: bytes, tape: TapeSettings) -> tuple[int, int, int]:
    """Index of the opening mark, of the closing mark, and behind the closing mark's block end; -1 where there is none."""
    if not tape.mark:
        return -1, -1, -1
    mark = re.escape(tape.mark.encode("ascii"))
    opening = re.search(rb"(?:\A|[\r\n])" + _BETWEEN + b"(" + mark + b")", chars)
    if opening is None:
        return -1, -1, -1
    start = opening.start(1)
    closing = re.compile(rb"[\r\n]" + _BETWEEN + b"(" + mark + b")").search(chars, start)
    if closing is None:
        return start, -1, -1
    at = closing.start(1)
    end = at + 1
    if chars[end : end + 1] == b"\xff":  # a damaged character where the block end should be
        return start, at, end + 1
    wanted = len(block_end(tape).chars)
    while end < len(chars) and chars[end] in b"\r\n" and end - at - 1 < wanted:
        end += 1
    return start, at, end


def _text(chars: bytes, tape: TapeSettings) -> str:
    """Characters as text: fill and codes left out, LF for each block end, U+FFFD for each fault.

    A run of CR and LF has as many block ends as LFs, or as CRs without any LF; CR LF LF is one where the tape says so.
    """
    text = chars.translate(None, _FILL + _CODES).decode("latin-1").replace("\xff", DAMAGED)
    end = block_end(tape).chars
    if end.count("\n") > 1:
        text = text.replace(end, "\n")
    return re.sub(r"[\r\n]*\r[\r\n]*", lambda run: "\n" * (run[0].count("\n") or run[0].count("\r")), text)


def _faults(whole: str, chars: bytes | bytearray, wire: bytes, part: tuple[int, int], coder: Coder) -> list[Finding]:
    found = []
    places = (m.start() for m in re.finditer(DAMAGED, whole))
    first, last = part
    for hit, at in zip(re.finditer(b"\xff", chars), places, strict=True):
        index = hit.start()
        if not first <= index < last:
            continue
        line_start = whole.rfind("\n", 0, at) + 1
        line_end = whole.find("\n", at)
        block = whole[line_start : line_end if line_end >= 0 else len(whole)]
        place = Place(whole.count("\n", 0, at) + 1, at - line_start + 1, block)
        what = f"character {index + 1} of the capture is damaged: {_why(wire[index], coder)}"
        found.append(Finding("damaged-character", Severity.REFUSE, what, _AGAIN, place))
    return found


def _why(byte: int, coder: Coder) -> str:
    holes = byte.bit_count()
    if coder.code is TapeCode.EIA:
        return f"0x{byte:02X} is no character of EIA code" + ("" if holes % 2 else f" ({holes} holes, an even number)")
    if coder.frame.carries_own_parity and (holes % 2 == 0) != (coder.frame.parity == "E"):
        kind = "even" if coder.frame.parity == "E" else "odd"
        return f"0x{byte:02X} breaks the {kind} parity"
    return f"0x{byte:02X} is no character of a program"


def _missing(opened: bool, closed: bool, ends_on: EndsOn, whole: str) -> list[Finding]:
    if ends_on is not EndsOn.MARK or closed:
        return []
    lines = whole.rstrip("\n").split("\n")
    place = Place(len(lines), len(lines[-1]) + 1, lines[-1])
    if not opened:
        return [
            Finding("no-mark", Severity.REFUSE, "no mark came, so nobody knows where it begins and ends", _AGAIN, place)
        ]
    what = "the closing mark is missing: the program is not complete"
    return [Finding("no-closing-mark", Severity.REFUSE, what, _AGAIN, place)]
