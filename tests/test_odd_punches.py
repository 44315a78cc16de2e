"""A run of punches loses nothing: marks hit, missing, shared, late; lettering, prompts, torsos; in each code and frame."""

import random
from dataclasses import dataclass, field, replace

import pytest
import strategies
from hypothesis import given, settings
from hypothesis import strategies as st

from dncd.choices import USUAL_ENDS, BlockEnd, EndsOn, MarkAt, TapeCode
from dncd.line.receivers import is_noise, receiver_of, unfinished
from dncd.line.receiving import Began, Caught, Ended
from dncd.program.splitting import split, told_apart
from dncd.standin.line_end import reread
from dncd.station.capture_reading import Contents, read_all
from dncd.tape.codes import Coder
from dncd.values import Frame, IsoBytes, LineSettings, MachineSettings, ReceiveSettings
from dncd.values import TapeSettings as Tape

BLANK = bytes(400)
FONT = {
    "A": b"\x7e\x11\x11\x11\x7e", "B": b"\x7f\x49\x49\x49\x36", "X": b"\x63\x14\x08\x14\x63", "0": b"\x3e\x51\x49\x45\x3e",
    "4": b"\x18\x14\x12\x7f\x10", "8": b"\x36\x49\x49\x49\x36", "R": b"\x7f\x09\x19\x29\x46", "1": b"\x00\x42\x7f\x40\x00",
}  # fmt: skip


def holes(text: str) -> bytes:
    """Letters that people read on the tape, and blank tape behind them."""
    return b"\0".join(FONT[char] for char in text) + bytes(10)


@dataclass(frozen=True)
class Pause:
    """Seconds without a character."""

    seconds: float


@dataclass(frozen=True)
class Heard:
    """What became of a run: the good programs in order, and the text of each damaged capture."""

    good: tuple[tuple[str, str], ...]
    damaged: tuple[str, ...]
    notes: tuple[str, ...]
    reasons: tuple[str, ...] = ()

    @property
    def names(self) -> list[str]:
        return [name for name, _ in self.good]


@dataclass(frozen=True)
class Control:
    """A control with its code and frame."""

    frame: str
    code: TapeCode = TapeCode.ISO
    tape: Tape = field(default_factory=Tape)
    receive: ReceiveSettings = field(default_factory=ReceiveSettings)

    @property
    def machine(self) -> MachineSettings:
        tape = replace(self.tape, code=self.code)
        return MachineSettings(
            "mill", LineSettings("x", frame=Frame.parse(self.frame)), tape=tape, receive=self.receive
        )

    @property
    def coder(self) -> Coder:
        return Coder.of(self.machine.tape, self.machine.line)

    def punch(self, text: str, opening: str = "%", closing: str = "%") -> bytes:
        end = self.tape.block_end.chars
        whole = "".join(f"{line}\n" for line in (opening,) if line) + text + (f"{closing}\n" if closing else "")
        return self.coder.encode(whole.replace("\n", end).encode())

    def hear(self, *run: bytes | Pause, cuts: random.Random | None = None, step: int = 0) -> Heard:
        """A run as the service hears it. cuts: chunks of random length; step: of that many characters; else whole."""
        machine, coder = self.machine, self.coder
        receiver, now, events = receiver_of(machine, coder, 0.0), 100.0, []
        for part in run:
            if isinstance(part, Pause):
                until = now + part.seconds
                while (due := receiver.next_due()) is not None and due <= until:
                    events += receiver.tick(due)
                now = until
                continue
            at = 0
            while at < len(part):
                size = cuts.randint(1, 40) if cuts else step or len(part)
                now += len(part[at : at + size]) * machine.line.char_s
                events += receiver.feed(part[at : at + size], now)
                at += size
        while (due := receiver.next_due()) is not None:
            events += receiver.tick(due)
        readings, wire = [], bytearray()
        for event in events:
            match event:
                case Began():
                    wire = bytearray()
                case Caught(data):
                    wire += data
                case Ended() if not is_noise(event):
                    reading = read_all(*event.whole(wire, ()), machine, coder, event.why)
                    cut = unfinished(machine.receive.ends_on, event.why, reading.captures[-1])
                    readings.append(replace(reading, reasons=reading.reasons or (cut,) if cut else reading.reasons))
        return _told(readings)


def _told(readings: list[Contents]) -> Heard:
    good, damaged, notes, reasons = [], [], [], []
    for reading in readings:
        if reading.reasons:
            damaged.append(reading.whole)
            reasons += reading.reasons
            continue
        parts = [part for capture in reading.captures for part in split(capture.text, capture.opening)]
        good += [(part.name, part.text) for part in told_apart(parts)]
        notes += reading.notes
    return Heard(tuple(good), tuple(damaged), tuple(notes), tuple(reasons))


CONTROLS = {
    "7E1": Control("7E1"),
    "7E2": Control("7E2", tape=Tape(block_end=BlockEnd("LF CR CR"))),
    "8N1": Control("8N1", tape=Tape(block_end=BlockEnd("CR LF"))),
    "EIA": Control("8N1", TapeCode.EIA),
}


@pytest.fixture(params=CONTROLS)
def control(request: pytest.FixtureRequest) -> Control:
    return CONTROLS[request.param]


def text(number: int) -> str:
    return f"O{number:04} (PART {number})\nN10 G00 X{number}. Z5.\nN20 G01 Z-{number}.5 F100\nN30 M30\n"


SIX = [text(101 + n) for n in range(6)]
OWN = (";", "; LF", "* CR LF", "CR ; NUL NUL", "CR NUL NUL NUL")
EIA_OWN = ("EOB NUL", "EOB NUL NUL NUL", ";", "; EOB", "EOB ; NUL NUL")
GAPS = {"blank tape": BLANK, "pause": Pause(3.0), "none": b""}


def flipped(wire: bytes, at: int, bit: int) -> bytes:
    data = bytearray(wire)
    data[at] ^= 1 << bit
    return bytes(data)


def good(*texts: str) -> tuple[tuple[str, str], ...]:
    return tuple((each[:5], each) for each in texts)


@pytest.mark.parametrize("end", [*USUAL_ENDS, *map(BlockEnd, OWN)])
@pytest.mark.parametrize("frame", ["7E1", "7E2", "8N1"])
def test_every_block_end_comes_back_however_it_is_cut(frame: str, end: BlockEnd) -> None:
    """Whole, one by one and at seeded places; also where the settings name another block end than the control has, but
    for CR LF LF, which is one block end by its setting alone."""
    others = (
        [BlockEnd("LF"), BlockEnd("CR CR LF"), BlockEnd("CR NUL NUL")] if end in USUAL_ENDS[:4] + USUAL_ENDS[5:] else []
    )
    control = Control(frame, tape=Tape(block_end=end))
    run = [part for each in SIX for part in (control.punch(each), BLANK)]
    together = b"".join(control.punch(each) for each in SIX)
    for ear in (control, *(Control(frame, tape=Tape(block_end=other)) for other in others)):
        for parts in (run, [together]):
            for how in ({}, {"step": 1}, *({"cuts": random.Random(seed)} for seed in range(3))):
                heard = ear.hear(*parts, **how)
                assert (heard.good, heard.damaged, heard.notes) == (good(*SIX), (), ())


@pytest.mark.parametrize("end", EIA_OWN)
def test_every_block_end_of_eia_code_comes_back_however_it_is_cut(end: str) -> None:
    control = Control("8N1", TapeCode.EIA, Tape(block_end=BlockEnd(end), eia_codes=((";", 0x0D),)))
    for parts in ([p for each in SIX for p in (control.punch(each), BLANK)], [b"".join(map(control.punch, SIX))]):
        for how in ({}, {"step": 1}, *({"cuts": random.Random(seed)} for seed in range(3))):
            heard = control.hear(*parts, **how)
            assert (heard.good, heard.damaged, heard.notes) == (good(*SIX), (), ())


@pytest.mark.parametrize("end", ["CR NUL NUL NUL", *OWN[:4], *EIA_OWN])
def test_a_hit_bit_of_a_block_end_or_of_what_stands_behind_it_is_damage(end: str) -> None:
    """Each bit of each character in turn; the first block of the program begins with a digit of one hole, which a hit
    makes blank tape in EIA code."""
    code = TapeCode.EIA if end in EIA_OWN else TapeCode.ISO
    tape = Tape(block_end=BlockEnd(end), eia_codes=((";", 0x0D),) if code is TapeCode.EIA else ())
    control = Control("8N1" if code is TapeCode.EIA else "7E2", code, tape)
    wire = control.punch("O0104\n1 G00 X104.\nN30 M30\n")
    first, last = len(control.coder.end) + 1, len(wire) - len(control.coder.end) - 1
    for at in range(first, last):
        for bit in range(8):
            heard = control.hear(flipped(wire, at, bit), BLANK)
            assert heard.good == (), (at, bit)
            assert heard.damaged


# --- a mark is hit ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("gap", GAPS)
@pytest.mark.parametrize("which", range(6))
@pytest.mark.parametrize("end", ["opening", "closing"])
@pytest.mark.parametrize("bit", [0, 7])
def test_one_bit_of_one_mark_costs_one_program_at_most(
    control: Control, gap: str, which: int, end: str, bit: int
) -> None:
    """findings D1: six programs, blank tape or a few seconds between, one bit of one mark hit."""
    run: list[bytes | Pause] = []
    for n, each in enumerate(SIX):
        wire = control.punch(each)
        at = 0 if end == "opening" else wire.rindex(control.coder.encode(b"%"))
        run += [flipped(wire, at, bit) if n == which else wire, GAPS[gap]]
    heard = control.hear(*run)
    others = good(*(each for n, each in enumerate(SIX) if n != which))
    if control.frame == "8N1" and control.code is TapeCode.ISO and bit == 0 and gap == "none":
        assert set(others) <= set(heard.good) or len(heard.good) + len(heard.damaged) >= 5, "no parity, nothing between"
        return
    assert heard.good == others
    assert len(heard.damaged) == 1
    assert SIX[which] in heard.damaged[0]


def test_both_marks_hit_is_one_damaged_program(control: Control) -> None:
    wire = control.punch(SIX[1])
    both = flipped(flipped(wire, 0, 7), wire.rindex(control.coder.encode(b"%")), 7)
    for gap in (BLANK, Pause(3.0)):
        heard = control.hear(control.punch(SIX[0]), gap, both, gap, control.punch(SIX[2]), gap, control.punch(SIX[3]))
        assert heard.good == good(SIX[0], SIX[2], SIX[3])
        assert SIX[1] in "".join(heard.damaged)


# --- one mark opens, another closes -----------------------------------------------------------------------------------

_TWO = {
    "7E1": Control("7E1", tape=Tape(mark="&", end_mark="$", block_end=BlockEnd("; LF"))),
    "8N1": Control("8N1", tape=Tape(mark="&", end_mark="$", block_end=BlockEnd("CR LF"))),
    "EIA": Control("8N1", TapeCode.EIA, Tape(end_mark="$", eia_codes=(("$", 0x0D),))),
}


def two(control: Control, *texts: str) -> list[bytes]:
    return [control.punch(each, control.tape.mark, control.tape.closes) for each in texts]


@pytest.mark.parametrize("gap", GAPS)
@pytest.mark.parametrize("name", _TWO)
def test_two_marks_cut_anywhere(name: str, gap: str) -> None:
    control = _TWO[name]
    run = [part for wire in two(control, *SIX) for part in (wire, GAPS[gap])]
    for how in ({}, {"step": 1}, *({"cuts": random.Random(seed)} for seed in range(3))):
        heard = control.hear(control.coder.encode(b"READY "), *run, **how)
        assert (heard.good, heard.damaged) == (good(*SIX), ())


@pytest.mark.parametrize("name", _TWO)
def test_two_marks_in_a_capture_that_something_else_ends(name: str) -> None:
    for ends_on, said in ((EndsOn.DC4, b"\x14"), (EndsOn.SILENCE, b"")):
        control = replace(_TWO[name], receive=ReceiveSettings(ends_on=ends_on))
        heard = control.hear(b"".join(two(control, *SIX)) + control.coder.encode(said), Pause(9.0))
        assert (heard.good, heard.damaged) == (good(*SIX), ())


@pytest.mark.parametrize("gap", GAPS)
@pytest.mark.parametrize("end", ["opening", "closing"])
@pytest.mark.parametrize("name", _TWO)
def test_one_bit_of_one_of_two_marks_costs_one_program_at_most(name: str, gap: str, end: str) -> None:
    """Where no parity tells, a bit makes the mark another character, and all but the two at the hit are whole still."""
    control = _TWO[name]
    for which in range(6):
        for bit in (0, 2, 7):
            wires = two(control, *SIX)
            at = 0 if end == "opening" else wires[which].rindex(control.coder.encode(control.tape.closes.encode()))
            wires[which] = flipped(wires[which], at, bit)
            heard = control.hear(*(part for wire in wires for part in (wire, GAPS[gap])))
            assert {*good(*(each for n, each in enumerate(SIX) if n != which))} <= {*heard.good}
            assert len(heard.good) == 5
            assert SIX[which] in "".join(heard.damaged)


@pytest.mark.parametrize("name", _TWO)
def test_a_punch_that_lacks_one_of_two_marks_is_damaged_and_the_next_is_whole(name: str) -> None:
    control = _TWO[name]
    (whole,) = two(control, SIX[1])
    for opening, closing, lacks in ((control.tape.mark, "", "closing"), ("", control.tape.closes, "opening")):
        heard = control.hear(control.punch(SIX[0], opening, closing), whole)
        assert heard.good == good(SIX[1])
        assert len(heard.damaged) == 1
        assert SIX[0] in heard.damaged[0], lacks
    for mark in ("%", control.tape.mark):  # what opens closes nothing
        heard = control.hear(control.punch(SIX[0], mark, mark), Pause(9.0), whole)
        assert heard.good == good(SIX[1])
        assert SIX[0] in "".join(heard.damaged)


# --- programs parted by one mark -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("gap", GAPS)
def test_programs_parted_by_one_mark_each(control: Control, gap: str) -> None:
    """controls 13: `% O21 % O22 % O23 %`."""
    run: list[bytes | Pause] = [control.punch("", closing="")]
    for each in SIX:
        run += [control.punch(each, opening="", closing=""), GAPS[gap], control.punch("", closing="")]
    heard = control.hear(*run)
    assert (heard.good, heard.damaged) == (good(*SIX), ())


def test_one_mark_between_two_with_the_name_of_the_next_on_it(control: Control) -> None:
    heard = control.hear(
        control.punch("N10 X1.\nM30\n", "%O0021", "") + control.punch("N10 X2.\nM30\n", "%O0022", "%"),
    )
    assert (heard.good, heard.damaged) == ((("O0021", "N10 X1.\nM30\n"), ("O0022", "N10 X2.\nM30\n")), ())


@pytest.mark.parametrize("which", range(1, 6))
def test_one_mark_between_two_is_hit(control: Control, which: int) -> None:
    wires = [control.punch(each, closing="") for each in SIX]
    wires[which] = flipped(wires[which], 0, 7)
    heard = control.hear(*wires, control.punch("", closing=""))
    lost = SIX[which - 1], SIX[which]
    assert heard.good == good(*(each for each in SIX if each not in lost))
    assert all(each in heard.damaged[0] for each in lost)


# --- the rest of a mark line, fill, codes --------------------------------------------------------------------------------


@pytest.mark.parametrize("tail", ["% ", "%\t ", "% SHAFT", "%\n \n", "%\n  "])
def test_the_rest_of_a_mark_line_is_no_new_capture(control: Control, tail: str) -> None:
    wire = control.punch(SIX[0], closing="") + control.punch(tail, "", "")
    for run in ((wire,), (wire, BLANK, control.punch(SIX[1])), (wire, Pause(2.0), control.punch(SIX[1]))):
        heard = control.hear(*run)
        assert (heard.good, heard.damaged) == (good(*SIX[: 1 + (len(run) > 1)]), ())


def test_punch_on_and_off_around_each(control: Control) -> None:
    on, off = (control.coder.encode(bytes([code])) for code in (0x12, 0x14))
    run = [on + BLANK + control.punch(each) + BLANK + off for each in SIX]
    assert control.hear(*run).good == good(*SIX)
    hit = bytearray(run[2])
    hit[hit.index(control.coder.encode(b"%"))] ^= 0x80
    heard = control.hear(*run[:2], bytes(hit), *run[3:])
    assert heard.good == good(*(each for n, each in enumerate(SIX) if n != 2))
    assert SIX[2] in heard.damaged[0]


def test_blank_tape_and_rub_outs_inside(control: Control) -> None:
    """controls 22; in EIA blank tape inside is damage."""
    wire = control.punch(SIX[0])
    fill = control.coder.encode(b"\x7f" if control.code is TapeCode.EIA else b"\0\x7f")
    assert control.hear(wire[:20] + fill + wire[20:]).good == good(SIX[0])


@pytest.mark.parametrize("number", [4, 5, 100])
def test_blank_tape_between_mark_line_and_first_block(number: int) -> None:
    for name in ("7E1", "7E2", "8N1"):
        control = CONTROLS[name]
        wire = control.punch("", closing="") + bytes(number) + control.punch(SIX[0], "") + BLANK
        assert control.hear(wire, wire).good == good(SIX[0], SIX[0])


def test_nothing_between_two_marks_is_never_received(control: Control) -> None:
    empty = control.punch("")
    for run in ((empty,), (empty, BLANK, control.punch(SIX[0])), (empty, Pause(2.0), control.punch(SIX[0]))):
        heard = control.hear(*run)
        assert heard.good == good(*SIX[: len(run) > 1])
        assert len(heard.damaged) == 1


# --- lettering and prompts -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("letters", ["ABX04", "8888", "R1X8", "ABX"])
def test_lettering_leaves_a_good_program_good(control: Control, letters: str) -> None:
    """controls 20: a leader that people read, blank tape, a mark without a block end before it."""
    run: list[bytes | Pause] = []
    for each in SIX[:3]:
        run += [BLANK, holes(letters), control.punch(each), BLANK]
    heard = control.hear(*run)
    assert (heard.good, heard.damaged) == (good(*SIX[:3]), ())
    assert len(heard.notes) >= 1


@pytest.mark.parametrize("prompt", ["READY ", "READY", "PUNCH -- START ", "READY\n", "READY\n\n"])
def test_a_prompt_before_the_mark_leaves_a_good_program_good(control: Control, prompt: str) -> None:
    """controls 21."""
    wire = control.coder.encode(prompt.encode()) + control.punch(SIX[0])
    for gap in (BLANK, Pause(3.0)):
        heard = control.hear(wire, gap, wire, gap, control.punch(SIX[1]))
        assert (heard.good, heard.damaged) == (good(SIX[0], SIX[0], SIX[1]), ())
        assert [("READY" in note or "PUNCH" in note) for note in heard.notes] == [True, True]


@pytest.mark.parametrize("prompt", ["READY ", "READY\n"])
def test_a_prompt_right_behind_a_closing_mark_is_no_program(control: Control, prompt: str) -> None:
    heard = control.hear(control.punch(SIX[0]) + control.coder.encode(prompt.encode()) + control.punch(SIX[1]))
    assert (heard.good, heard.damaged) == (good(SIX[0], SIX[1]), ())


def test_words_before_the_mark_are_kept(control: Control) -> None:
    for gap in (b"", BLANK, Pause(1.5)):
        heard = control.hear(control.punch("N10 X1.\nN20 X2.\n", "", ""), gap, control.punch(SIX[0]))
        assert heard.good == good(SIX[0])
        assert "N10 X1.\nN20 X2.\n" in heard.damaged[0]


def test_printable_characters_that_no_mark_follows_are_kept(control: Control) -> None:
    assert "READY" in control.hear(control.coder.encode(b"READY")).damaged[0]


# --- broken off ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "gap", [Pause(1.5), Pause(4.0), BLANK, Pause(30.0)], ids=["1.5 s", "4 s", "blank tape", "30 s"]
)
@pytest.mark.parametrize("chars", [12, 35, 36, 50, 60])
def test_a_punch_that_was_broken_off_and_repeated(control: Control, gap: bytes | Pause, chars: int) -> None:
    """findings D8: the torso is damaged, wherever it was cut, and the repeated one received."""
    wire = control.punch(SIX[0])
    torso = wire[:chars]
    for cut in (torso, torso[: torso.rindex(control.coder.encode(b"\n")) + 1]):
        heard = control.hear(cut, gap, wire)
        assert heard.good == good(SIX[0])
        assert len(heard.damaged) == 1
        assert heard.damaged[0].startswith("%\n")


def test_a_torso_that_ends_behind_its_end_word_is_whole(control: Control) -> None:
    heard = control.hear(control.punch(SIX[0], closing=""), Pause(2.0), control.punch(SIX[0]))
    assert (heard.good, heard.damaged) == (good(SIX[0], SIX[0]), ())


def test_a_mark_that_comes_late_closes(control: Control) -> None:
    """A control that thinks for seconds before its closing mark."""
    heard = control.hear(control.punch(SIX[0], closing=""), Pause(3.0), control.punch("", closing=""), Pause(3.0))
    assert (heard.good, heard.damaged) == (good(SIX[0]), ())


def test_pauses_between_blocks_part_nothing(control: Control) -> None:
    end = control.punch("\n", "", "")
    blocks = [block + end for block in control.punch(SIX[0]).split(end) if block]
    heard = control.hear(*(part for block in blocks for part in (block, Pause(4.0))))
    assert (heard.good, heard.damaged) == (good(SIX[0]), ())


# --- other ways to end -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("ends_on", "char"), [("silence", b""), ("dc4", b"\x14"), ("sub", b"\x1a"), ("eot", b"\x04")])
def test_several_programs_in_a_capture_that_something_else_ends(control: Control, ends_on: str, char: bytes) -> None:
    """controls 11: today the second was left out without a word."""
    if control.code is TapeCode.EIA and ends_on in ("sub", "eot"):
        pytest.skip("EIA code has neither")
    ending = replace(control, receive=replace(control.receive, ends_on=EndsOn(ends_on)))
    code = (
        bytes(ending.coder.signals(char[0]))[:1] if char and control.code is TapeCode.EIA else ending.coder.encode(char)
    )
    for between in (b"", BLANK):
        wire = between.join(ending.punch(each) for each in SIX)
        heard = ending.hear(wire + code)
        assert (heard.good, heard.damaged) == (good(*SIX), ())
        hit = ending.hear(flipped(wire, 0, 7) + code)
        assert all(each in "".join((*hit.damaged, *(kept for _, kept in hit.good))) for each in SIX)
        assert SIX[0] not in [kept for _, kept in hit.good]


def test_a_control_without_marks(control: Control) -> None:
    """controls 9: text, then an end word; silence ends it."""
    plain = replace(control, tape=replace(control.tape, mark_at=MarkAt.NONE), receive=ReceiveSettings(EndsOn.SILENCE))
    heard = plain.hear(plain.punch(SIX[0], "", ""), Pause(9.0), plain.punch(SIX[1], "", ""))
    assert (heard.good, heard.damaged) == (good(SIX[0], SIX[1]), ())


def test_a_control_with_a_closing_mark_only(control: Control) -> None:
    ending = replace(control, tape=replace(control.tape, mark_at=MarkAt.END))
    run = [part for each in SIX for part in (ending.punch(each, ""), BLANK)]
    assert ending.hear(*run).good == good(*SIX)


# --- names and text ----------------------------------------------------------------------------------------------------


def test_names_texts_and_kinds_of_heads(control: Control) -> None:
    """controls 7, 16, 17, 18, 23, 38, 41, 42."""
    bodies = {
        ("%", "O0001\nM98 P2\nM30\nO0002\nM99\n"): ["O0001", "O0002"],
        ("%123", "N10 X1.\nM30\n"): ["O0123"],
        ("% SHAFT-A", "N10 X1.\nM30\n"): ["SHAFT-A"],
        ("%", "N10\tX1.\nM30\n"): [""],
        ("%", "G10 L2 P1 X1.\nG10 L2 P2 X2.\n"): ["OFFSETS"],
        ("%", "O0004\nN10 X1.\nM30\nO0004\nN10 X2.\nM30\n"): ["O0004", "O0004-2"],
    }
    for (opening, body), wanted in bodies.items():
        heard = control.hear(control.punch(body, opening), BLANK, control.punch(body, opening), Pause(2.0))
        assert (heard.names, heard.damaged) == (wanted * 2, ())
        assert "".join(kept for _, kept in heard.good) == body * 2


def test_a_colon_for_a_letter_and_channels_inside() -> None:
    """controls 28, 42: signs that EIA code does not have."""
    for name in ("7E1", "7E2", "8N1"):
        control = CONTROLS[name]
        for body in (":0301\nN10 X1.\nM30\n", "O0301\n$1\nN10 X1.\n$2\nN10 X2.\nM30\n"):
            run = control.punch(body, closing="") * 3 + control.punch("", closing="")
            assert control.hear(run).good == (("O0301", body),) * 3


# --- any run -----------------------------------------------------------------------------------------------------------

programs = st.builds(
    lambda number, body, end: (number, f"O{number:04}\n{body}{end}\n"),
    st.integers(1, 8999),
    strategies.bodies.map(lambda body: body.replace(":", "").replace("O", "").replace("M", "G")),
    st.sampled_from(["M30", "N99 M02", "M99"]),
)
gaps = st.sampled_from([BLANK, bytes(4), Pause(1.2), Pause(4.0), Pause(20.0), b""])
leaders = st.sampled_from([b"", b"", holes("ABX0"), holes("4R1X8"), "READY ", "READY\n"])


@st.composite
def runs(draw: st.DrawFn, control: Control) -> tuple[list[bytes | Pause], list[tuple[int, str]]]:
    """A run as it goes over the line, and its programs."""
    run: list[bytes | Pause] = []
    came = []
    single = draw(st.booleans())
    for number, body in draw(st.lists(programs, min_size=1, max_size=5)):
        if any(control.coder.uncodable(body)):
            continue
        came.append((number, body))
        leader = draw(leaders) if not single else b""
        run.append(control.coder.encode(leader.encode()) if isinstance(leader, str) else leader)
        run.append(control.punch(body, closing="" if single else "%"))
        gap = draw(gaps)
        if single and isinstance(gap, Pause) and gap.seconds > control.receive.silence_s:
            gap = Pause(4.0)  # else silence closes it before its mark comes
        run.append(bytes(4) if leader and isinstance(leader, bytes) and gap == b"" else gap)
    if single and came:
        run.append(control.punch("", closing=""))
    return run, came


@settings(max_examples=50, deadline=None, derandomize=True)
@given(st.data())
@pytest.mark.parametrize("name", CONTROLS)
def test_any_run_of_programs_loses_nothing(name: str, data: st.DataObject) -> None:
    control = CONTROLS[name]
    run, came = data.draw(runs(control))
    places = [(n, at) for n, part in enumerate(run) if isinstance(part, bytes) for at in range(len(part))]
    hits = data.draw(st.lists(st.sampled_from(places), max_size=3, unique=True)) if places else []
    for n, at in hits:
        run[n] = flipped(run[n], at, data.draw(st.integers(0, 7)))
    heard = [control.hear(*run), control.hear(*run, step=1), control.hear(*run, cuts=random.Random(len(places)))]
    assert heard[0].good == heard[1].good == heard[2].good
    assert heard[0].damaged == heard[1].damaged == heard[2].damaged
    if not hits:
        assert heard[0].damaged == ()
        assert [kept for _, kept in heard[0].good] == [body for _, body in came]
        assert heard[0].names == [f"O{number:04}" for number, _ in came]
        return
    bodies = (*heard[0].damaged, *(each for _, each in heard[0].good))
    kept = {line for body in bodies for line in body.split("\n")}
    lost = [
        block for _, body in came for block in body.split("\n") if any(map(str.isdigit, block)) and block not in kept
    ]
    assert len(lost) <= 2 * len(hits), (lost, kept)  # a block end that is hit joins two blocks
    whole = "".join(bodies).replace("\n", "")
    for block in lost:
        assert edits(block, whole) <= len(hits), (block, kept)


def edits(block: str, whole: str) -> int:
    """The fewest characters that must be changed, put in or taken out to find a block anywhere in a text."""
    row = [0] * (len(whole) + 1)
    for down, char in enumerate(block, 1):
        left, above = down, row[0]
        new = [left]
        for across, other in enumerate(whole, 1):
            left = min(above + (char != other), left + 1, row[across] + 1)
            above = row[across]
            new.append(left)
        row = new
    return min(row)


SHAFT = "O0004 (SHAFT)\n" + "".join(f"N{n} G01 X{n / 100:.2f} Z-{n / 50:.2f} F0.1\n" for n in range(10, 2000, 10))


@pytest.mark.parametrize("text_", [SHAFT[:90], SHAFT + "M30\n"], ids=["short", "long"])
@pytest.mark.parametrize("step", [0.25, 0.5, 2, 4])
@pytest.mark.parametrize("name", ["7E1", "8N1"])
def test_a_wrong_rate_is_one_damaged_punch_and_one_sentence(name: str, step: float, text_: str) -> None:
    """step: the control's rate by that of the settings."""
    control = CONTROLS[name]
    heard = control.hear(reread(bytes(100) + control.punch(text_) + bytes(100), step), step=32)
    assert (heard.good, len(heard.damaged)) == ((), 1)
    (reason,) = heard.reasons
    assert reason.startswith("rate, frame or code are wrong: ")
    assert "compare line.baud, line.frame and tape.code with what the control is set to" in reason


@pytest.mark.parametrize(
    ("has", "set_to"), [("7E1", "8N1"), ("8N1", "7E1"), ("7O1", "7E1"), ("7E1", "7O1"), ("7O1", "8N1"), ("8N1", "EIA")]
)
@pytest.mark.parametrize("text_", [SHAFT[:90], SHAFT + "M30\n"], ids=["short", "long"])
def test_a_wrong_frame_or_code_is_one_damaged_punch_and_one_sentence(has: str, set_to: str, text_: str) -> None:
    sends, reads = (CONTROLS.get(name) or Control(name) for name in (has, set_to))
    tape = sends.coder.encode(IsoBytes(bytes(100)))
    heard = reads.hear(tape + sends.punch(text_) + tape, step=32)
    assert (heard.good, len(heard.damaged), len(heard.reasons)) == ((), 1, 1)
    assert heard.reasons[0].startswith("rate, frame or code are wrong: ")
