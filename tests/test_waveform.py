"""The waveform of a serial line against published frame arithmetic and against a UART decoder that is not ours."""

import json
import random
import re
import shutil
import subprocess
from fractions import Fraction
from pathlib import Path

import pytest
from damaged_waveform import inverted, noisy, slowed
from hypothesis import given
from hypothesis import strategies as st
from waveform import Fault, Pauses, Resync, Waveform, character_bits, receive_waveform, send_waveform

from dncd.values import Frame

VECTORS = Path(__file__).parent / "vectors"
TIMING = json.loads((VECTORS / "serial_timing.json").read_text())["cases"]
"""Arithmetic, verified; anchors: 110 baud is 10 characters a second, 1 + 8 + 2 = 11 bits."""

FRAMES = ["7E1", "7E2", "7O1", "8N1", "8N2", "8E1", "5N1"]


def values(frame: Frame, count: int, seed: int) -> list[int]:
    return [random.Random(seed + k).randrange(1 << frame.data_bits) for k in range(count)]


@pytest.mark.parametrize("case", TIMING, ids=lambda c: f"{c['baud']} {c['data']}{c['parity']}{c['stop']}")
def test_characters_take_the_published_time(case: dict) -> None:
    frame = Frame.parse(f"{case['data']}{case['parity']}{case['stop']}")
    wave = send_waveform([0x55] * 1000, frame, case["baud"])
    assert wave.ends - wave.starts == pytest.approx(case["seconds_for_1000_chars"], abs=1e-4)
    assert frame.bits == case["bits_per_char"]
    assert 1000 / (wave.ends - wave.starts) == pytest.approx(float(Fraction(case["chars_per_s_exact"])))


def test_bits_of_one_character_by_hand() -> None:
    """`A` is 100 0001: two holes, so even parity adds none and odd parity adds one (iso840.csv, verified)."""
    assert character_bits(0x41, Frame.parse("7E1")) == [0, 1, 0, 0, 0, 0, 0, 1, 0]
    assert character_bits(0x41, Frame.parse("7O1")) == [0, 1, 0, 0, 0, 0, 0, 1, 1]
    assert character_bits(0xC1, Frame.parse("8N1")) == [0, 1, 0, 0, 0, 0, 0, 1, 1]
    wave = send_waveform([0x41], Frame.parse("7E1"), 1.0)
    assert wave.edges == (0.0, 1.0, 2.0, 7.0, 8.0, 9.0)
    assert [wave.level(k + 0.5) for k in range(10)] == [0, 1, 0, 0, 0, 0, 0, 1, 0, 1]
    assert wave.ends == 10.0


@pytest.mark.parametrize("text", FRAMES)
@pytest.mark.parametrize("phase", [0.0, 0.4, 0.9])
def test_same_settings_carry_every_value(text: str, phase: float) -> None:
    frame = Frame.parse(text)
    sent = [*range(1 << frame.data_bits), *values(frame, 300, 1)]
    heard = receive_waveform(send_waveform(sent, frame, 4800), frame, 4800, phase=phase)
    assert [one.value for one in heard] == sent
    assert all(one.fault is Fault.NONE for one in heard)


@given(
    st.lists(st.integers(0, 255), max_size=40),
    st.floats(-0.03, 0.03),
    st.floats(0, 1, exclude_max=True),
    st.sampled_from(list(Resync)),
)
def test_a_clock_three_per_cent_off_still_reads_right(
    sent: list[int], off: float, phase: float, resync: Resync
) -> None:
    """Half a bit of slip over the 9.5 bits to the stop sample is 5.2 %; the sixteenths take some of it (arithmetic)."""
    frame = Frame.parse("8N1")
    wave = send_waveform(sent, frame, 9600 * (1 + off))
    heard = receive_waveform(wave, frame, 9600, resync, phase)
    assert [(one.value, one.fault) for one in heard] == [(value, Fault.NONE) for value in sent]


def test_a_clock_eight_per_cent_off_reads_wrong() -> None:
    sent = values(Frame.parse("8N1"), 100, 5)
    heard = receive_waveform(send_waveform(sent, Frame.parse("8N1"), 9600 * 1.08), Frame.parse("8N1"), 9600)
    assert [one.value for one in heard] != sent


@pytest.mark.parametrize(("seven", "eight"), [("7E1", "8N1"), ("7E2", "8N2"), ("7O1", "8N1")])
def test_seven_bits_with_parity_are_eight_without_on_the_line(seven: str, eight: str) -> None:
    """Contract, section 2: the same signal on the wire."""
    odd = seven[1] == "O"
    wire = [value | ((value.bit_count() % 2 == 1) ^ odd) << 7 for value in range(128)]
    assert send_waveform(range(128), Frame.parse(seven), 4800) == send_waveform(wire, Frame.parse(eight), 4800)


def test_wrong_parity_is_told() -> None:
    wave = send_waveform(range(128), Frame.parse("7E1"), 4800)
    heard = receive_waveform(wave, Frame.parse("7O1"), 4800)
    assert [one.value for one in heard] == list(range(128))
    assert all(one.fault is Fault.PARITY for one in heard)


def test_a_break_is_one_break_and_the_next_character_is_whole() -> None:
    frame = Frame.parse("8N1")
    wave = send_waveform([0x41], frame, 1.0, starts=40.0)
    wave = Waveform(0.0, (0.0, 25.0, *wave.edges), wave.ends)
    for resync in Resync:
        heard = receive_waveform(wave, frame, 1.0, resync)
        assert [(one.value, one.fault) for one in heard] == [(0, Fault.BREAK | Fault.FRAMING), (0x41, Fault.NONE)]


def test_a_missing_stop_bit_is_taken_as_the_kind_of_uart_does() -> None:
    """Eight data bits and a parity bit of 0 read as 8N1: the parity bit stands where the stop bit should be."""
    wave = send_waveform([0x03, 0x81], Frame.parse("8E1"), 1.0)
    waits = receive_waveform(wave, Frame.parse("8N1"), 1.0, Resync.WAIT_MARK)
    assert [(one.value, one.fault) for one in waits] == [(0x03, Fault.FRAMING), (0x81, Fault.FRAMING)]
    takes = receive_waveform(wave, Frame.parse("8N1"), 1.0, Resync.START_BIT)
    assert takes[0].value == 0x03
    assert takes[0].fault is Fault.FRAMING
    # from the missing stop bit on: start 0; data = stop 1, start 0, then 1 0 0 0 0 0
    assert takes[1].value == 0b00000101


def test_a_spike_shorter_than_half_a_bit_is_no_start_bit() -> None:
    frame = Frame.parse("8N1")
    wave = send_waveform([0x41], frame, 1.0, starts=20.0)
    spiked = inverted(Waveform(0.0, wave.edges, wave.ends), [(5.0, 0.4)])
    assert [one.value for one in receive_waveform(spiked, frame, 1.0)] == [0x41]
    longer = inverted(Waveform(0.0, wave.edges, wave.ends), [(5.0, 0.7)])
    assert [one.value for one in receive_waveform(longer, frame, 1.0)] == [0xFF, 0x41]


def test_noise_hits_the_share_it_was_given_and_inverting_twice_is_nothing() -> None:
    frame = Frame.parse("8N1")
    sent = values(frame, 4000, 9)
    wave = send_waveform(sent, frame, 9600)
    pulses = [(0.01 * k + 0.00003, 0.0001) for k in range(100)]
    assert inverted(inverted(wave, pulses), pulses) == wave
    assert noisy(wave, 1 / 9600, 0.0, random.Random(1)) == wave
    hit = noisy(wave, 1 / 9600, 0.001, random.Random(1))
    changed = sum(wave.level((k + 0.5) / 9600) != hit.level((k + 0.5) / 9600) for k in range(40000))
    assert 20 <= changed <= 62  # 40 expected, 3.5 standard deviations


def test_slow_edges_eat_single_bits_and_leave_long_ones() -> None:
    """0x01 behind its start bit is one bit between spaces; 0x1F is five (RC arithmetic: tau of 1.5 bits)."""
    frame = Frame.parse("8N2")
    single = receive_waveform(slowed(send_waveform([0x08], frame, 1.0), 1.8), frame, 1.0)
    assert [one.value for one in single] != [0x08]
    fast = receive_waveform(slowed(send_waveform([0x08, 0x1F, 0x55], frame, 1.0), 0.2), frame, 1.0)
    assert [one.value for one in fast] == [0x08, 0x1F, 0x55]
    assert slowed(send_waveform([1], frame, 1.0), 0.0) == send_waveform([1], frame, 1.0)


def test_slowed_edges_cross_where_the_formula_says() -> None:
    """v(t) = 1 - 2 exp(-t/tau) crosses h at tau ln(2/(1-h)) (RC charging, textbook arithmetic)."""
    wave = slowed(Waveform(0.0, (10.0, 40.0), 50.0), 2.0, hysteresis=0.1)
    assert wave.edges == pytest.approx((10 + 2 * 0.798508, 40 + 2 * 0.798508), abs=1e-4)


def test_half_rate_reads_as_pairs_of_equal_bits() -> None:
    """A character sent at half the receiver's rate: each of its bits fills two (arithmetic)."""
    frame = Frame.parse("8N1")
    first = receive_waveform(send_waveform([0x55], frame, 4800), frame, 9600)[0]
    # on the line: start 0, data 1 0 1 0 …; the stop sample falls into the fourth data bit, a 0
    assert (first.value, first.fault) == (0b01100110, Fault.FRAMING)
    first = receive_waveform(send_waveform([0x2A], frame, 4800), frame, 9600)[0]
    # data 0 1 0 1 …: now it falls into a 1
    assert (first.value, first.fault) == (0b10011000, Fault.NONE)


def test_pauses_lengthen_the_line() -> None:
    frame = Frame.parse("8N1")
    wave = send_waveform([1, 10, 1, 10], frame, 1.0, pauses=Pauses(0.5, 3.0, frozenset({10})))
    assert wave.ends == 40 + 4 * 0.5 + 2 * 3.0


@pytest.mark.skipif(shutil.which("sigrok-cli") is None, reason="sigrok-cli (Debian) is not installed")
@pytest.mark.parametrize(
    ("frame_text", "send_baud", "read_baud"),
    [("8N1", 9600, 9600), ("7E1", 4800, 4800), ("7O1", 1200, 1200), ("8N1", 9600 * 1.02, 9600), ("7E2", 4800, 4800)],
)
def test_sigroks_uart_decoder_reads_our_waveform(
    frame_text: str, send_baud: float, read_baud: int, tmp_path: Path
) -> None:
    """The UART decoder of sigrok (Debian packages sigrok-cli and libsigrokdecode4) reads the trace as we do."""
    frame = Frame.parse(frame_text)
    sent = values(frame, 200, 3)
    wave = send_waveform(sent, frame, send_baud, starts=0.01)
    heard = receive_waveform(wave, frame, read_baud)
    assert [one.value for one in heard] == sent
    assert _sigrok(wave, frame, read_baud, tmp_path, "rx-data") == sent


@pytest.mark.skipif(shutil.which("sigrok-cli") is None, reason="sigrok-cli (Debian) is not installed")
def test_sigroks_uart_decoder_finds_the_same_parity_errors(tmp_path: Path) -> None:
    frame = Frame.parse("7E1")
    sent = values(frame, 400, 4)
    # one bit turned over in the middle of a data bit of every tenth character
    wave = send_waveform(sent, frame, 4800, starts=0.01)
    wave = inverted(wave, [(0.01 + (10 * k + 3) / 4800, 1 / 4800) for k in range(0, 400, 10)])
    heard = receive_waveform(wave, frame, 4800)
    ours = [one.value for one in heard]
    assert sum(Fault.PARITY in one.fault for one in heard) == 40
    assert _sigrok(wave, frame, 4800, tmp_path, "rx-data") == ours
    assert len(_sigrok(wave, frame, 4800, tmp_path, "rx-parity-err")) == 40


def _sigrok(wave: Waveform, frame: Frame, baud: int, tmp_path: Path, what: str) -> list[int]:
    """The data values (or the raw annotations' count) that sigrok's decoder gives for a trace of our waveform."""
    rate = 48 * 4800
    trace = tmp_path / "line.bin"
    count = int((wave.ends + 0.02) * rate)
    trace.write_bytes(bytes(wave.level(k / rate) for k in range(count)))
    parity = {"N": "none", "E": "even", "O": "odd"}[frame.parity]
    options = (
        f"uart:rx=0:baudrate={baud}:data_bits={frame.data_bits}:parity={parity}:stop_bits={float(frame.stop_bits)}"
    )
    done = subprocess.run(
        [
            "sigrok-cli",
            "-i",
            str(trace),
            "-I",
            f"binary:numchannels=1:samplerate={rate}",
            "-P",
            options,
            "-A",
            f"uart={what}",
        ],
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    if what != "rx-data":
        return [0] * len(done.stdout.splitlines())
    return [int(found[1], 16) for found in re.finditer(r"uart-1: ([0-9A-F]{2})$", done.stdout, re.MULTILINE)]
