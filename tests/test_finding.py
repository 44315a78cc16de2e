"""Rate, frame, parity and code of a line from what its punches look like, on simulated lines whose settings are known.

The simulated line is tested for itself against published arithmetic and an independent decoder (test_waveform.py).
"""

import math
import random
import tomllib
from collections import Counter

import pytest
from punched import COMMON_RATES, KINDS, Control
from waveform import Pauses, Resync, receive_waveform, send_waveform

from dncd.choices import USUAL_ENDS, BlockEnd, TapeCode
from dncd.commissioning import resampling, scoring
from dncd.commissioning.finding import FIRST_RATES, Answer, Ask, Finder, Sureness, judge, settings_text
from dncd.commissioning.resampling import Chunk, Punch
from dncd.values import Frame

PUNCHES = 5
"""An operator who is asked for more punches than that gives up."""


def dialogue(control: Control, seed: int) -> tuple[Answer, list[Punch]]:
    """The operator punches the same program as often as he is asked to, at the rates that are asked for."""
    chance = random.Random(seed)
    punches: list[Punch] = []
    listen = FIRST_RATES[0]
    answer = judge([])
    while len(punches) < PUNCHES:
        punches.append(control.punch(listen, chance))
        answer = judge(punches)
        if answer.ask is not Ask.ANOTHER_PUNCH:
            break
        listen = answer.listen_next
    return answer, punches


def is_right(answer: Answer, control: Control) -> bool:
    """Two stop bits are named always: no receiver hears whether there are two."""
    best = answer.guesses[0]
    return (best.baud, best.frame, best.code) == (control.baud, f"{control.frame[:2]}2", control.code)


def tally(seeds: range, **fixed: object) -> Counter[str]:
    """`right`, `wrong` for answers that are sure, `not sure` for the others."""
    found: Counter[str] = Counter()
    for seed in seeds:
        control = Control.of(seed, **fixed)
        answer, punches = dialogue(control, seed)
        sure = answer.sureness is Sureness.SURE
        found["not sure" if not sure else "right" if is_right(answer, control) else "wrong"] += 1
        found["most punches"] = max(found["most punches"], len(punches))
    return found


def test_the_generator_makes_what_it_says() -> None:
    made = [Control.of(seed) for seed in range(500)]
    assert {control.baud for control in made} == set(COMMON_RATES)
    assert min(COMMON_RATES) == 300
    assert max(COMMON_RATES) == 38400
    assert {(control.frame, control.code) for control in made} == set(KINDS)
    assert min(len(control.chars) for control in made) >= 200
    assert {control.noise for control in made} == {0.001}
    assert sum(control.pauses.after_bits > 0 for control in made) > 50


def test_ten_lines_are_found() -> None:
    found = tally(range(700, 710))
    assert found["wrong"] == 0
    assert found["right"] >= 9
    assert found["most punches"] <= 4


@pytest.mark.slow
@pytest.mark.parametrize("first", [0, 20_000])
def test_five_hundred_lines_are_found_and_none_is_named_wrong(first: int) -> None:
    found = tally(range(first, first + 500))
    assert found["wrong"] == 0
    assert found["right"] >= 495, found
    assert found["most punches"] <= 4


@pytest.mark.slow
@pytest.mark.parametrize("tick_s", [0.001, 0.002])
def test_an_adaptor_asked_for_low_latency_is_no_hindrance(tick_s: float) -> None:
    """The frames of a full-speed USB, a millisecond each (common practice), beat with 9600 baud: 1.04 ms a character."""
    found = tally(range(600, 700), looks="adaptor", tick_s=tick_s)
    assert found["wrong"] == 0
    assert found["right"] >= 97, found
    assert found["most punches"] <= 4


@pytest.mark.slow
@pytest.mark.parametrize("resync", list(Resync))
def test_a_port_that_marks_nothing_is_served_too(resync: Resync) -> None:
    found = tally(range(200, 280), resync=resync, marks_told=False)
    assert found["wrong"] == 0
    assert found["right"] >= 70, found


@pytest.mark.slow
@pytest.mark.parametrize(
    "fixed",
    [
        {"looks": "adaptor"},
        {"looks": "adaptor", "tick_s": 0.00105},
        {"noise": 0.005},
        {"noise": 0.02},
        {"clock": 1.03},
        {"baud": 115200},
        {"frame": "8E1", "code": TapeCode.ISO},
        {"frame": "8O1", "code": TapeCode.EIA},
        {"frame": "7N1", "code": TapeCode.ISO},
        {"baud": 31250},
        {"baud": 8333},
    ],
    ids=str,
)
def test_what_is_harder_is_never_named_wrong(fixed: dict[str, object]) -> None:
    found = tally(range(400, 440), **fixed)
    assert found["wrong"] == 0, found
    assert found["right"] + found["not sure"] == 40


@pytest.mark.parametrize("frame", ["8E1", "7N1"])
def test_frames_that_are_not_looked_for_are_not_sure(frame: str) -> None:
    for seed in range(6):
        control = Control.of(seed, frame=frame, code=TapeCode.ISO, resync=Resync.WAIT_MARK)
        assert dialogue(control, seed)[0].sureness is Sureness.NOT_SURE


def test_a_ninth_bit_is_named_as_the_reason() -> None:
    control = Control.of(3, frame="8E1", code=TapeCode.ISO, baud=9600, resync=Resync.WAIT_MARK, noise=0.0)
    answer = judge([control.punch(9600, random.Random(1))])
    assert "8E1" in " ".join(answer.because)


@pytest.mark.parametrize(("baud", "frame", "code"), [(4800, "7E2", TapeCode.ISO), (4800, "8N2", TapeCode.EIA)])
def test_the_usual_line_by_the_usual_way(baud: int, frame: str, code: TapeCode) -> None:
    """4800 bits a second heard at 9600 first: two samples a bit name 4800, the second punch names the rest."""
    control = Control.of(11, baud=baud, frame=frame, code=code, noise=0.0, pauses=Pauses(), block_end="\n", leader=40)
    chance = random.Random(5)
    first = judge([control.punch(9600, chance)])
    assert (first.sureness, first.ask, first.listen_next) == (Sureness.NOT_SURE, Ask.ANOTHER_PUNCH, baud)
    answer = judge([control.punch(9600, chance), control.punch(baud, chance)])
    assert answer.sureness is Sureness.SURE
    assert is_right(answer, control)
    best, runner_up = answer.guesses[:2]
    assert best.confidence > 0.99
    assert runner_up.confidence < 0.01
    assert (runner_up.frame, runner_up.code) != (best.frame, best.code)
    assert answer.leader == 40
    assert answer.marks == 2
    table = tomllib.loads(settings_text(answer, "m"))["machines"]["m"]
    assert table["line"] == {"baud": baud, "frame": frame}
    assert table["tape"]["code"] == code.value


@pytest.mark.parametrize("end", USUAL_ENDS)
def test_block_ends_are_named(end: BlockEnd) -> None:
    """A lone CR as block end has no LF; the others as the settings name them (contract, section 2)."""
    control = Control.of(
        21, baud=9600, frame="7E1", code=TapeCode.ISO, block_end=end.chars, noise=0.0, pauses=Pauses(), leader=0
    )
    answer = judge([control.punch(9600, random.Random(2))])
    assert answer.block_end == end
    assert tomllib.loads(settings_text(answer, "m"))["machines"]["m"]["tape"]["block_end"] == end


def test_dc_codes_round_the_punch_are_named() -> None:
    """DC2 before punching out and DC4 after (standards, section 10: verified in connection manuals)."""
    control = Control.of(31, baud=9600, frame="7E1", code=TapeCode.ISO, noise=0.0, pauses=Pauses(), leader=0)
    punch = control.punch(9600, random.Random(2))
    around = Punch(9600, (Chunk(0.0, b"\x12"), *punch.chunks, Chunk(punch.chunks[-1].at + 0.001, b"\x14")))
    answer = judge([around])
    assert answer.dc_codes == ("DC2", "DC4")
    assert is_right(answer, control)


def test_too_few_characters_ask_for_more() -> None:
    answer = judge([Punch(9600, (Chunk(0.0, b"%\nO1\nM30\n%\n"),))])
    assert (answer.sureness, answer.ask, answer.guesses) == (Sureness.NOT_SURE, Ask.LONGER_PUNCH, ())
    assert settings_text(answer, "m") == ""


@pytest.mark.parametrize("seed", range(6))
def test_noise_alone_is_never_an_answer(seed: int) -> None:
    chance = random.Random(seed)
    punches = []
    listen = FIRST_RATES[0]
    for _ in range(len(FIRST_RATES)):
        chunks = [
            Chunk(k * 0.01, chance.randbytes(8), tuple(k for k in range(8) if chance.random() < 0.5)) for k in range(60)
        ]
        punches.append(Punch(listen, tuple(chunks)))
        answer = judge(punches)
        assert answer.sureness is Sureness.NOT_SURE
        assert answer.listen_next not in {punch.baud for punch in punches}
        listen = answer.listen_next


def test_a_letter_to_the_office_is_no_part_program() -> None:
    text = b"dear sirs we write to let you know that the gears came late and wet yours faithfully\r\n" * 6
    chunks = tuple(Chunk(k * 8 / 960, text[8 * k : 8 * k + 8]) for k in range(len(text) // 8))
    answer = judge([Punch(9600, chunks)])
    assert answer.sureness is Sureness.NOT_SURE
    assert "no part program" in " ".join(answer.because)


@pytest.mark.parametrize("frame", ["7E1", "7E2"])
def test_two_stop_bits_are_named_whether_the_control_makes_one_or_two(frame: str) -> None:
    """A second stop bit is a pause to a receiver, and a receiver of one waits as gladly (serial arithmetic)."""
    control = Control.of(6, baud=38400, frame=frame, code=TapeCode.ISO, looks="adaptor", noise=0.0)
    answer = judge([control.punch(38400, random.Random(1))])
    assert (answer.sureness, answer.ask, answer.guesses[0].frame) == (Sureness.SURE, Ask.NOTHING, "7E2")
    assert "every receiver of one accepts them" in " ".join(answer.because)


@pytest.mark.parametrize(
    ("line", "listening"), [(4800, 9600), (2400, 9600), (7200, 9600), (4800, 38400), (28800, 38400)]
)
def test_samples_name_the_slower_rate(line: int, listening: int) -> None:
    chance = random.Random(8)
    wave = send_waveform(chance.randbytes(400), Frame.parse("8N1"), line)
    heard = receive_waveform(wave, Frame.parse("8N1"), listening, Resync.WAIT_MARK)
    chunks = tuple(Chunk(one.at, bytes([one.value]), (0,) if one.fault.value else ()) for one in heard)
    sounds = resampling.sounds_of([Punch(listening, chunks)])
    fits = {rate: resampling.fit_rate(sounds, True, listening, rate) for rate in COMMON_RATES if rate < listening}
    assert max(fits.values(), key=lambda fit: fit.score).baud == line
    assert fits[line].agreeing == 1.0
    assert fits[line].score > resampling.null_score(sounds, True)


def test_characters_behind_a_missing_stop_bit_are_left_out_but_not_behind_a_break() -> None:
    punch = Punch(9600, (Chunk(0.0, b"ABC\x00D" * 20, (0, 3)),))
    assert list(punch.sound())[:5] == [(65, True), (67, False), (0, True), (68, False), (65, False)]


def test_readings_agree_with_the_code_tables() -> None:
    """`A` is 0x41 with even parity, 0xC1 with odd, 0x61 in EIA (iso840.csv, eia244.csv: verified)."""
    by_kind = {(reading.code, reading.parity): reading for reading in scoring.READINGS}
    assert by_kind[TapeCode.ISO, scoring.Parity.EVEN].decoded[0x41] == 0x41
    assert by_kind[TapeCode.ISO, scoring.Parity.EVEN].decoded[0xC1] == 0xFF
    assert by_kind[TapeCode.ISO, scoring.Parity.ODD].decoded[0xC1] == 0x41
    assert by_kind[TapeCode.ISO, scoring.Parity.ALWAYS_1].decoded[0xC1] == 0x41
    assert by_kind[TapeCode.EIA, scoring.Parity.OWN].decoded[0x61] == 0x41
    assert {reading.parity: reading.frame for reading in scoring.READINGS} == {
        scoring.Parity.EVEN: "7E2",
        scoring.Parity.ODD: "7O2",
        scoring.Parity.ALWAYS_0: "8N2",
        scoring.Parity.ALWAYS_1: "7N2",
        scoring.Parity.OWN: "8N2",
    }


@pytest.mark.parametrize("cut", ["whole", "single", "random"])
def test_the_finder_takes_punches_in_any_pieces(cut: str) -> None:
    """It ends a punch after the silence and not before, asks for the next rate, and comes to the answer of `judge`."""
    control = Control.of(11, baud=4800, frame="7E2", code=TapeCode.ISO, noise=0.0, pauses=Pauses())
    chance = random.Random(9)
    finder = Finder(silence_s=5.0)
    assert finder.listen_baud == 9600
    assert math.isinf(finder.next_due())
    assert finder.answer().ask is Ask.ANOTHER_PUNCH
    offset = 0.0
    for rate in (9600, 4800):
        assert finder.listen_baud == rate
        for chunk in control.punch(rate, chance).chunks:
            size = {"whole": 99, "single": 1, "random": chance.randrange(1, 5)}[cut]
            for k in range(0, len(chunk.data), size):
                bad = tuple(index - k for index in chunk.bad if k <= index < k + size)
                finder.feed(chunk.data[k : k + size], bad, offset + chunk.at)
        due = finder.next_due()
        finder.tick(due - 0.001)
        assert len(finder.punches) == (0 if rate == 9600 else 1)
        finder.tick(due)
        offset = due + 20.0
    assert len(finder.punches) == 2
    answer = finder.answer()
    assert answer.sureness is Sureness.SURE
    assert is_right(answer, control)
    assert finder.listen_baud == 4800


def test_a_line_that_never_rests_is_judged_all_the_same() -> None:
    finder = Finder()
    for k in range(70):
        finder.feed(random.Random(k).randbytes(1000), (), k * 1.0)
    assert len(finder.punches) == 1
    assert finder.answer().sureness is Sureness.NOT_SURE
