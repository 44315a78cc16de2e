"""Recordings are read back as they were written, whatever passed; and the view names characters as ISO 646 does."""

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dncd.choices import TapeCode
from dncd.commissioning.recording import (
    BYTES_A_LINE,
    CONTROL_NAMES,
    FIRST_LINE,
    Entry,
    Lines,
    Note,
    Passed,
    Recording,
    RecordingError,
    View,
    Way,
    entry_lines,
    from_control,
    head_lines,
    read_recording,
)
from dncd.tape.codes import Coder
from dncd.values import Frame, IsoBytes, Modem, Signal

VECTORS = Path(__file__).parent / "vectors"
CONTROL_CHARS = list(csv.DictReader((VECTORS / "control_chars.csv").read_text("utf-8").splitlines()))
"""ISO 646 control characters with their even-parity bytes (verified: RFC 20, ascii(7))."""

EVEN = View(Coder(TapeCode.ISO, Frame.parse("7E2")))
PLAIN = View(Coder(TapeCode.ISO, Frame.parse("8N1")))
EIA = View(Coder(TapeCode.EIA, Frame.parse("8N2")))

SIGNALS = st.sampled_from(list(Signal))
MOMENTS = st.integers(0, 10**12).map(lambda micro: micro / 1e6)
PASSED = st.binary(min_size=1, max_size=100).flatmap(
    lambda data: st.builds(
        Passed,
        MOMENTS,
        st.sampled_from(list(Way)),
        st.just(data),
        st.sets(st.integers(0, len(data) - 1), max_size=5).map(lambda marks: tuple(sorted(marks))),
    )
)
ENTRIES = st.lists(
    st.one_of(
        PASSED,
        st.builds(Lines, MOMENTS, SIGNALS, SIGNALS, st.builds(Modem, SIGNALS, SIGNALS, SIGNALS)),
        st.builds(Note, MOMENTS, st.text("abc <>#=.", min_size=1).map(lambda text: " ".join(text.split()) or "x")),
    ),
    max_size=20,
).map(lambda entries: sorted(entries, key=lambda entry: entry.at))


def written(recording: Recording) -> list[str]:
    text = head_lines(recording.head) + "".join(entry_lines(entry) for entry in recording.entries)
    return text.splitlines(keepends=True)


def joined(entries: tuple[Entry, ...]) -> list[tuple[object, ...]]:
    """Byte by byte, so that a long entry and its pieces are alike."""
    found: list[tuple[object, ...]] = []
    for entry in entries:
        if isinstance(entry, Passed):
            found += [(entry.at, entry.way, byte, k in entry.marked) for k, byte in enumerate(entry.data)]
        else:
            found.append((entry,))
    return found


@given(ENTRIES)
def test_what_is_written_is_read_back(entries: list[Entry]) -> None:
    recording = Recording({"machine": "gang-lathe", "line": "4800 7E2 iso"}, tuple(entries))
    back = read_recording(written(recording), "lathe.rec")
    assert back.head == recording.head
    assert joined(back.entries) == joined(recording.entries)
    assert all(len(line) <= 20 + 4 * BYTES_A_LINE for line in written(recording) if " note " not in line)


@given(ENTRIES, st.integers(1, 200))
def test_a_recording_that_was_cut_off_keeps_what_came_before(entries: list[Entry], cut: int) -> None:
    """Cut at any character behind the head: whole lines stay, the torn one goes."""
    recording = Recording({}, tuple(entries))
    text = "".join(written(recording))
    torn = text[: max(len(FIRST_LINE) + 1, len(text) - cut)]
    back = read_recording(torn.splitlines(keepends=True), "lathe.rec")
    whole = joined(recording.entries)
    assert joined(back.entries) == whole[: len(joined(back.entries))]
    assert len(back.entries) >= torn.count("\n") - 1


def test_the_format_is_what_the_manual_says() -> None:
    text = (
        "dncd-recording 1\n"
        "# machine gang-lathe\n"
        "0.000000 lines rts=on dtr=on cts=unknown dsr=off dcd=off\n"
        "1.250431 < 11\n"
        "1.261002 > A5 8D 0A\n"
        "1.502210 < 4F 30!\n"
        "9.000000 note the operator pressed PUNCH\n"
    )
    back = read_recording(text.splitlines(keepends=True), "lathe.rec")
    assert back.entries == (
        Lines(0.0, Signal.ON, Signal.ON, Modem(Signal.UNKNOWN, Signal.OFF, Signal.OFF)),
        Passed(1.250431, Way.FROM_CONTROL, b"\x11"),
        Passed(1.261002, Way.TO_CONTROL, b"\xa5\x8d\x0a"),
        Passed(1.50221, Way.FROM_CONTROL, b"O0", (1,)),
        Note(9.0, "the operator pressed PUNCH"),
    )
    assert "".join(written(back)) == text


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("1.0 < 41\n", "cannot read"),
        ("1.000000 < 4\n", "cannot read"),
        ("1.000000 < 41 4g\n", "cannot read"),
        ("1.000000 ? 41\n", "cannot read"),
        ("1.000000 lines rts=on dtr=on cts=maybe dsr=on dcd=on\n", "cannot read"),
        ("1.000000 <\n", "cannot read"),
        ("\x1b[2Jhello\n", "cannot read '\\\\x1b"),
        ("0.400000 < 41\n", "backwards"),
    ],
)
def test_a_line_that_cannot_be_read_is_named(line: str, said: str) -> None:
    lines = [f"{FIRST_LINE}\n", "0.500000 < 41\n", line]
    with pytest.raises(RecordingError) as caught:
        read_recording(lines, "lathe.rec")
    assert "lathe.rec, line 3" in str(caught.value)
    assert said in str(caught.value)
    assert "\x1b" not in str(caught.value)


@pytest.mark.parametrize("lines", [[], ["%\n", "O0004\n"], ["dncd-recording 2\n"]])
def test_what_is_no_recording_is_refused(lines: list[str]) -> None:
    with pytest.raises(RecordingError):
        read_recording(lines, "lathe.rec")


def test_text_from_outside_stays_on_one_line() -> None:
    assert entry_lines(Note(1.0, "two\nlines \x1b[2J")) == "1.000000 note two lines \\x1b[2J\n"
    assert head_lines({"title": "a\nb"}) == f"{FIRST_LINE}\n# title a b\n"


def test_replaying_gives_what_the_control_said_at_its_time() -> None:
    entries = [Passed(1.0, Way.FROM_CONTROL, b"A", (0,)), Passed(2.0, Way.TO_CONTROL, b"B"), Note(3.0, "x")]
    assert [(one.at, one.data, one.marked) for one in from_control(entries)] == [(1.0, b"A", (0,))]


# --- the view --------------------------------------------------------------------------------------------------------


def test_control_characters_have_their_published_names() -> None:
    assert len(CONTROL_CHARS) >= 24
    for row in CONTROL_CHARS:
        char, even = int(row["hex"], 16), int(row["hex_even_parity"], 16)
        assert PLAIN.text(bytes([char])) == f"<{row['name']}>"
        assert EVEN.text(bytes([even])) == f"<{row['name']}>"
        if char < 0x20:
            assert CONTROL_NAMES[char] == row["name"]


def test_control_names_are_all_there_and_different() -> None:
    assert len(CONTROL_NAMES) == len(set(CONTROL_NAMES)) == 32


def test_a_program_reads_as_it_is_written() -> None:
    coder = Coder(TapeCode.ISO, Frame.parse("7E2"))
    wire = coder.encode(IsoBytes(b"%\r\nO0004(FLANGE)\r\n"))
    assert EVEN.text(wire) == "%<CR><LF>O0004(FLANGE)<CR><LF>"


def test_parity_that_is_wrong_is_marked() -> None:
    """`A` is 0x41 and DC3 0x93 with even parity (iso840.csv, control_chars.csv: verified)."""
    assert EVEN.text(b"\x41\xc1") == "A<A?>"
    assert EVEN.text(b"\x93\x13") == "<DC3><DC3?>"
    assert EVEN.text(b"\xb1\x31") == "1<1?>"
    assert PLAIN.text(b"\xc1") == "<C1?>"


def test_eia_reads_by_its_own_table() -> None:
    """0x13 is the digit 3, 0x93 DC3, 0x80 EOB, 0x0B ER for % (eia244.csv: verified; ER memory)."""
    assert EIA.text(b"\x0b\x80\x13\x93\x03") == "%<EOB>3<DC3><03?>"


def test_marked_bytes_and_breaks_and_brackets() -> None:
    assert PLAIN.text(b"A\x00B", (0, 1)) == "<41!><BREAK>B"
    assert PLAIN.text(b"<>") == "<3C><3E>"


@pytest.mark.parametrize("view", [EVEN, PLAIN, EIA])
def test_every_byte_is_shown_in_its_own_way(view: View) -> None:
    """Nothing is hidden, nothing moves the terminal, and no two good characters look alike."""
    shown = [view.text(bytes([byte])) for byte in range(256)]
    assert all(text and text.isascii() and text.isprintable() for text in shown)
    good = [text for text in shown if not text.endswith("?>")]
    assert len(set(good)) == len(good) >= (256 if view is PLAIN else 40) // 2


def test_lines_of_the_view() -> None:
    assert PLAIN.line(Passed(12.3456, Way.FROM_CONTROL, b"\x11")) == "    12.346 control < <DC1>"
    assert PLAIN.line(Passed(12.5, Way.TO_CONTROL, b"%")) == "    12.500    dncd > %"
    modem = Modem(Signal.ON, Signal.OFF, Signal.UNKNOWN)
    assert PLAIN.line(Lines(0.0, Signal.ON, Signal.OFF, modem)) == (
        "     0.000   lines | RTS on  DTR off CTS on  DSR off DCD ?  "
    )
    assert PLAIN.line(Note(1.0, "\x1b[2J")) == "     1.000    note | \\x1b[2J"
