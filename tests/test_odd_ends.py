"""Controls that stop, start, echo or ask in their own way: what the records say of each, at a real pseudo-terminal."""

import hashlib
from dataclasses import replace

import pytest
from odd_controls import (
    KINDS,
    AnswersItsCommand,
    AsksForEachBlock,
    Echoes,
    OddControl,
    StopsAtItsEndWord,
    SwitchesItsReaderOff,
    at_a_terminal,
    ending,
    send,
    settings,
    until,
)
from sending_line import DC1, DC3, machine, run_to_end, step
from station_rig import Rig

from dncd import defaults
from dncd.choices import BlockEnd, Flow, StartOn
from dncd.line.outgoing import Shape
from dncd.line.sending import Phase, Sending
from dncd.ports.opening import open_for
from dncd.program.names import end_in, is_end
from dncd.standin.build import counterpart
from dncd.standin.control import Mode, StandIn
from dncd.standin.yard import Yard
from dncd.values import Frame, LineSettings, ProgramSettings, Result, SendSettings

PROGRAM = "%\nO0004\nN10 G01 X33 Z-3.3 F0.3\nN20 M30\n%\n"


# --- a control that stops at its end word ---------------------------------------------------------------------------
def at_the_end_word(ahead=2, trailer=0, **more):
    """Held by a stop that came when the end word was handed over: 20 characters, M30 ends at 15."""
    line = LineSettings("x", baud=9600, frame=Frame.parse("8N1"), ahead_chars=ahead)
    total = 20 + trailer
    sending = Sending(line, SendSettings(**more), total, 0.0, Shape(19, 20, b"\n", 15, "M30"))
    sending.supply(b"A" * total)
    now = 0.0
    while sending.handed_over < 15:
        step(sending, now)
        now += line.char_s / 2
    sending.feed(DC3, now)
    return sending, now


@pytest.mark.parametrize(("ahead", "trailer"), [(1, 0), (2, 0), (2, 100), (8, 100)])
def test_a_stop_at_the_end_word_is_the_end_after_a_while(ahead, trailer):
    sending, now = at_the_end_word(ahead, trailer)
    assert sending.phase is Phase.HELD
    assert sending.next_due() == now + defaults.END_HOLD_S
    sending.tick(now + defaults.END_HOLD_S - 0.01)
    assert sending.outcome is None
    sending.tick(now + defaults.END_HOLD_S)
    assert sending.outcome.result is Result.SENT
    assert sending.outcome.hold_until < now + defaults.END_HOLD_S, "the next DC1 is a start"
    assert "stopped reading at M30" in sending.outcome.notes[0]
    assert sending.outcome.chars <= 15 + ahead


def test_a_go_before_that_sends_the_rest():
    sending, now = at_the_end_word(trailer=100)
    sending.feed(DC1, now + 9.9)
    run_to_end(sending, now + 9.9)
    assert (sending.outcome.result, sending.outcome.chars, sending.outcome.notes) == (Result.SENT, 120, ())


def test_where_all_stands_in_the_port_already_the_next_start_counts_after_the_same_while():
    sending, now = at_the_end_word(ahead=20)
    assert sending.phase is Phase.ENDING
    run_to_end(sending, now)
    assert (sending.outcome.result, sending.outcome.hold_until) == (Result.SENT, now + defaults.END_HOLD_S)


def test_in_drip_feed_a_go_alone_ends_it():
    sending, now = at_the_end_word(trailer=100, drip_feed=True)
    sending.tick(now + 3600)
    assert sending.phase is Phase.HELD
    sending.feed(DC1, now + 3600)
    run_to_end(sending, now + 3600)
    assert (sending.outcome.result, sending.outcome.chars) == (Result.SENT, 120)


def test_a_stop_before_the_end_word_is_a_hold_for_stall_s():
    sending = machine(100, stall_s=60.0)
    step(sending, 0.0)
    sending.feed(DC3, 0.01)
    assert sending.next_due() == 60.01


def test_a_line_that_goes_off_at_the_end_word_is_such_a_stop():
    line = LineSettings("x", baud=9600, frame=Frame.parse("8N1"), ahead_chars=2, flow=Flow.RTS_CTS)
    sending = Sending(line, SendSettings(), 20, 0.0, Shape(19, 20, b"\n", 15, "END"))
    sending.supply(b"A" * 20)
    now = 0.0
    while sending.handed_over - sending.clock.in_front(now) < 15:
        step(sending, now)
        now += line.char_s / 2
    sending.gate(False, now)
    sending.tick(now + defaults.END_HOLD_S)
    assert sending.outcome.result is Result.SENT


@pytest.mark.parametrize("trailer", [0, 60])
@pytest.mark.parametrize("ahead", [2, 8])
@pytest.mark.parametrize("kind", KINDS)
def test_a_control_that_stops_at_m30_got_its_program(tmp_path, kind, ahead, trailer):
    odd = settings(kind, line={"ahead_chars": ahead}, tape={"trailer_chars": trailer})
    with at_a_terminal(tmp_path, odd, StopsAtItsEndWord) as (rig, control):
        rig.drop("0004.nc", PROGRAM.encode())
        until(rig, control, lambda: rig.status()["waiting"])
        control.read()
        until(rig, control, lambda: "M30\n" in control.got)
        until(rig, control, lambda: rig.status()["state"] == "held" or rig.station.core.sender.run is None)
        rig.skip(defaults.END_HOLD_S)
        first = ending(rig, control, "0004.nc")
        assert first.get("result") == "sent"
        assert "switched its reader off" in " ".join(first.all("note"))
        assert first.get("wire_chars") == str(rig.ledger("sent")[0]["wire_chars"])
        control.got = ""
        rig.skip(defaults.END_HOLD_S)
        rig.drop("0005.nc", PROGRAM.encode())
        until(rig, control, lambda: rig.status()["waiting"])
        control.read()
        until(rig, control, lambda: control.got.startswith("%\nO0004"))


@pytest.mark.parametrize(
    ("kind", "end"),
    [
        *zip(["7E1", "7E2", "8N1"] * 2, ["LF CR", "CR CR LF", "CR NUL NUL", ";", "; LF", "CR * DEL"], strict=True),
        *zip(["EIA"] * 4, ["; EOB", ";", "EOB NUL NUL", "EOB ; NUL"], strict=True),
    ],
)
def test_a_program_goes_out_with_exactly_its_block_ends_and_comes_back(tmp_path, kind, end):
    end, own = BlockEnd(end), ((";", 0x0D),) if kind == "EIA" else ()
    odd = settings(kind, tape={"block_end": end, "eia_codes": own})
    with at_a_terminal(tmp_path, odd, OddControl) as (rig, control):
        receipt = send(rig, control, "0004.nc", PROGRAM)
        image = control.coder.encode(PROGRAM.replace("\n", end.chars).encode())
        until(rig, control, lambda: len(control.wire) >= len(image))
        assert bytes(control.wire) == image
        assert (receipt.get("result"), receipt.get("wire_chars")) == ("sent", str(len(image)))
        assert receipt.get("wire_sha256") == hashlib.sha256(image).hexdigest()
        rig.skip(defaults.END_HOLD_S)
        control.line.say(image)
        until(rig, control, lambda: rig.ledger("received"))
        assert [line["how"] for line in until(rig, control, lambda: rig.ledger("matched"))] == ["equal"]


@pytest.mark.parametrize("kind", ["7E2", "EIA"])
def test_one_mark_opens_and_another_closes(tmp_path, kind):
    """Out, back, an edit, and half a file; the marks of another control are refused."""
    own = (("&", 0x0E), ("$", 0x0D)) if kind == "EIA" else ()
    odd = settings(kind, tape={"mark": "&", "end_mark": "$", "eia_codes": own})
    with at_a_terminal(tmp_path, odd, OddControl) as (rig, control):
        receipt = send(rig, control, "0004.nc", PROGRAM.strip("%\n") + "\n")
        image = control.coder.encode(b"&" + PROGRAM[1:-2].encode() + b"$\n")
        until(rig, control, lambda: len(control.wire) >= len(image))
        assert (bytes(control.wire), receipt.get("result")) == (image, "sent")
        assert receipt.get("wire_sha256") == hashlib.sha256(image).hexdigest()
        for said, event in ((image, "matched"), (image.replace(control.coder.encode(b"X33"), b""), "differs")):
            rig.skip(defaults.END_HOLD_S)
            control.line.say(said)
            until(rig, control, lambda event=event: rig.ledger(event))
        text = (rig.folder / "from-machine/O0004.nc").read_text()
        assert (text[0], text.split()[-1]) == ("&", "$")
        rig.skip(defaults.END_HOLD_S)
        control.line.say(control.coder.encode(b"&\nO1\nM30\nO4\nM30\n$\n"))
        until(rig, control, lambda: list(rig.folder.glob("from-machine/backups/*.receipt.txt")))
        (dump,) = rig.folder.glob("from-machine/backups/*.nc")
        assert dump.read_text().split() == ["&", "O1", "M30", "O4", "M30", "$"]
        for name, dropped, said in (
            ("half.nc", "&\nO5\nM30\n", "half a file"),
            ("turned.nc", "$\nO5\nM30\n&\n", "a mark line inside"),
        ):
            rig.drop(name, dropped.encode())
            assert said in " ".join(ending(rig, control, name).all("reason"))


_ASKS = {
    "asked": ({"flow": Flow.ASKED}, {}),
    "asked, with marks and ends of its own": (
        {"flow": Flow.ASKED},
        {"mark": "&", "end_mark": "$", "block_end": BlockEnd("; LF")},
    ),
    "answers": ({}, {"leader_chars": 20}),
    "reads to SUB": ({}, {"trailer_chars": 20}),
}


@pytest.mark.parametrize("way", _ASKS)
@pytest.mark.parametrize("kind", ["7E2", "EIA"])
def test_the_stand_in_plays_a_control_that_asks_or_answers(tmp_path, kind, way):
    """The counterpart of the settings takes the program and gives it back; its clock is the real one."""
    line, tape = _ASKS[way]
    if kind == "EIA" and way != "asked":
        tape = {**tape, "mark": "%", "end_mark": "", "block_end": BlockEnd("EOB NUL")}
    said = {"before": "'LOAD 1' CR LF", "wait_for": "'READY' CR LF"} if way == "answers" else {}
    said = {key: words.replace("CR LF", "EOB") if kind == "EIA" else words for key, words in said.items()}
    said |= {"after": "SUB"} if way == "reads to SUB" and kind != "EIA" else {}
    odd = settings(kind, line=line, tape=tape, send=said)
    control = StandIn(counterpart(odd))
    with Yard(control):
        there = replace(odd, line=replace(odd.line, port=control.path))
        rig = Rig(tmp_path, there)
        try:
            rig.plug(open_for(there))
            rig.drop("0004.nc", PROGRAM.replace("%\n", "").encode())
            rig.until(lambda: rig.status()["waiting"] and rig.station.core.sender.queue.first().prepared.total_chars)
            control.read_in()
            rig.until(lambda: rig.ledger("sent"))
            assert control.wait_for(lambda: control.mode is Mode.OFF, 120)
            assert control.memory.programs["O0004"].text() == PROGRAM.replace("%\n", "")
            rig.skip(defaults.END_HOLD_S)
            control.punch("O0004")
            assert [one["how"] for one in rig.until(lambda: rig.ledger("matched"))] == ["equal"]
        finally:
            rig.close()


def test_a_file_with_what_ends_a_block_in_a_comment_is_refused_with_its_place(tmp_path):
    odd = settings("7E1", tape={"block_end": BlockEnd("; LF")}, send={"start_on": StartOn.NOW})
    with at_a_terminal(tmp_path, odd, OddControl) as (rig, control):
        rig.drop("a.nc", PROGRAM.replace("X33", "X33 (A;B)").encode())
        receipt = ending(rig, control, "a.nc")
        (reason,) = receipt.all("reason")
        assert "line 3, column 15" in reason
        assert "; (U+003B) ends a block at this control; replace it" in reason
        assert control.wire == b""


# --- the reader off behind the mark ---------------------------------------------------------------------------------
@pytest.mark.parametrize("kind", KINDS)
def test_the_reader_off_is_told_and_missed_where_it_always_came(tmp_path, kind):
    with at_a_terminal(tmp_path, settings(kind), SwitchesItsReaderOff) as (rig, control):
        for number in range(3):
            receipt = send(rig, control, f"{number}.nc", PROGRAM)
            assert "switched its reader off" in " ".join(receipt.all("note"))
            rig.skip(defaults.END_HOLD_S)
        control.well = False
        receipt = send(rig, control, "late.nc", PROGRAM)
        assert [line["reader_off"] for line in rig.ledger("sent")[:3]] == ["seen"] * 3
        assert "reader_off" not in rig.ledger("sent")[3]
        assert "as it did after the last 3" in " ".join(receipt.all("warning"))
        assert "but it is not sure that the control read all of it" in receipt.get("what")
        assert receipt.get("do").startswith("look at the control whether it has it whole")
        assert rig.ledger("sent")[3]["doubts"] == list(receipt.all("warning"))
        again = send(rig, control, "later.nc", PROGRAM)
        assert "as it did" not in " ".join(again.all("warning"))


# --- end words ------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("block", "words", "is_"),
    [
        ("N20 M30", "M02 M30 M99", True),
        ("m 2", "M02 M30 M99", True),
        ("M300", "M02 M30 M99", False),
        ("(M30)", "M02 M30 M99", False),
        ("END", "M30 END", True),
        ("N90 E", "E", True),
        ("E5", "E", False),
        ("BEND", "END", False),
        ("ER", "ER", True),
        ("M017", "M17", True),
        ("M30", "END", False),
    ],
)
def test_what_ends_a_program(block, words, is_):
    assert is_end(block, tuple(words.split())) is is_


def test_where_the_end_word_stands():
    assert end_in("O1\nN20 M30 (END)\n\n(BACK)\n", ("M30",)) == (len("O1\nN20 M30 (END)"), "M30")
    assert end_in("O1\nG0 X1\n", ("M30",))[1] == ""


def test_an_end_word_of_the_settings_is_neither_odd_nor_missing(tmp_path):
    odd = settings("7E1", program=ProgramSettings(end_words="M02 END"), send={"start_on": StartOn.NOW})
    with at_a_terminal(tmp_path, odd, SwitchesItsReaderOff) as (rig, control):
        rig.drop("a.nc", b"%\nO0004\nN10 G01 X3\nEND\n%\n")
        receipt = ending(rig, control, "a.nc")
        assert receipt.get("result") == "sent"
        assert receipt.all("warning") == ()


# --- echoes ---------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("kind", KINDS)
def test_an_echo_proves_the_line_while_it_sends(tmp_path, kind):
    with at_a_terminal(tmp_path, settings(kind, line={"echoes": True}), Echoes) as (rig, control):
        receipt = send(rig, control, "a.nc", PROGRAM)
        assert (receipt.get("result"), receipt.get("holds")) == ("sent", "0, 0.0 s in all")
        assert f"echo: all {len(control.wire)} characters came back as they went" in receipt.all("note")
        assert not rig.station.core.captures.busy


@pytest.mark.parametrize("drip", [False, True])
@pytest.mark.parametrize("kind", KINDS)
def test_an_echo_that_is_another_ends_the_sending(tmp_path, kind, drip):
    odd = settings(kind, line={"echoes": True}, send={"drip_feed": drip})
    with at_a_terminal(tmp_path, odd, Echoes) as (rig, control):
        control.wrong_at = 20
        receipt = send(rig, control, "a.nc", PROGRAM)
        assert receipt.get("result") == "interrupted"
        assert "after 19 characters that came back as they went" in receipt.get("reason")
        assert len(control.wire) < len(PROGRAM)


@pytest.mark.parametrize("kind", KINDS)
def test_an_echo_without_the_setting_is_told_and_is_no_capture(tmp_path, kind):
    with at_a_terminal(tmp_path, settings(kind), Echoes) as (rig, control):
        receipt = send(rig, control, "a.nc", PROGRAM)
        assert receipt.get("result") == "sent"
        assert "set line.echoes = true" in " ".join(receipt.all("note"))
        assert not rig.station.core.captures.busy
        assert not list((rig.folder / "from-machine").rglob("*.nc"))


@pytest.mark.parametrize("step_by", [1, 1000])
def test_an_echoed_digit_3_is_no_stop_and_a_true_stop_is_one(step_by):
    line = LineSettings("x", baud=9600, frame=Frame.parse("8N1"), echoes=True)
    sending = Sending(line, SendSettings(), 50, 0.0)
    sending.supply(b"\x13\x13\x73\x13\x61\x61\x61\x61" + b"\x61" * 42)
    step(sending, 0.0)
    data = b"\x13\x13\x73\x13\x93"
    for at in range(0, len(data), step_by):
        sending.feed(data[at : at + step_by], 0.01)
    assert (sending.holds, sending.outcome) == (1, None)
    sending.feed(b"\x11" + b"\x61" * 4, 0.02)
    now = run_to_end(sending, 0.02)
    assert sending.outcome.notes == ("echo: 8 of 50 characters came back as they went, and then none",)
    assert now > 1.0


def test_a_stop_that_is_the_echo_of_the_first_digit_3_is_told_after_a_while():
    line = LineSettings("x", baud=9600, frame=Frame.parse("8N1"), ahead_chars=2)
    sending = Sending(line, SendSettings(), 8, 0.0)
    sending.supply(b"\x0b\x13\x73\x13\x61\x61\x61\x61")
    step(sending, 0.0)
    sending.feed(b"\x0b\x13", 0.01)
    assert sending.phase is Phase.HELD
    sending.tick(0.01 + defaults.END_HOLD_S)
    assert sending.outcome.result is Result.INTERRUPTED
    assert "set line.echoes = true" in sending.outcome.reason


def echoing(image, now=0.0, shape=None, **send):
    """A sending to a control that echoes, with all of the image to hand."""
    line = LineSettings("x", baud=9600, frame=Frame.parse("8N1"), echoes=True)
    sending = Sending(line, SendSettings(**send), len(image), now, shape)
    sending.supply(image)
    return sending


def test_a_program_that_came_back_whole_was_sent_whatever_the_control_says_behind_it():
    sending = echoing(b"G1X1\n")
    step(sending, 0.0)
    sending.feed(b"G1X1\n>", 0.01)
    run_to_end(sending, 0.01)
    assert (sending.outcome.result, bytes(sending.strays)) == (Result.SENT, b">")


def test_blank_tape_that_a_control_does_not_give_back_is_no_silence():
    sending = echoing(bytes(6000) + b"G1X1\n")
    now = 0.0
    while sending.phase is Phase.RUNNING:
        step(sending, now)
        now += 0.001
    sending.feed(b"G1X1\n", now)
    run_to_end(sending, now)
    assert sending.outcome.result is Result.SENT


def test_what_went_before_a_silent_echo_broke_it_off_is_counted():
    sending = echoing(b"A" * 5000)
    went, now = 0, 0.0
    while sending.outcome is None:
        went += step(sending, now)
        now += 0.001
    assert "nothing comes back" in sending.outcome.reason
    assert sending.outcome.chars == went


@pytest.mark.parametrize("echoes", [False, True])
def test_a_control_that_stopped_at_its_end_word_gives_nothing_back_later(echoes):
    line = LineSettings("x", baud=9600, frame=Frame.parse("8N1"), ahead_chars=2, echoes=echoes)
    sending = Sending(line, SendSettings(), 20, 0.0, Shape(19, 20, b"\n", 15, "M30"))
    sending.supply(b"A" * 20)
    now = 0.0
    while sending.handed_over < 16:
        sending.feed(b"A" * min(step(sending, now), 15 - sending.handed_over), now)
        now += line.char_s / 2
    sending.feed(DC3, now)
    sending.tick(now + defaults.END_HOLD_S)
    assert (sending.outcome.result, sending.outcome.echo_tail) == (Result.SENT, b"")


# --- a block for each DC1 --------------------------------------------------------------------------------------------
@pytest.mark.parametrize("last", ["M30", "nothing"])
@pytest.mark.parametrize("kind", KINDS)
def test_a_control_that_asks_for_each_block_gets_one_at_a_time(tmp_path, kind, last):
    odd = settings(kind, line={"flow": Flow.ASKED}, tape={"trailer_chars": 3})
    with at_a_terminal(tmp_path, odd, AsksForEachBlock) as (rig, control):
        control.last = last
        rig.drop("a.nc", PROGRAM.encode())
        until(rig, control, lambda: rig.status()["waiting"])
        control.read()
        states = []
        until(rig, control, lambda: states.append(rig.status()["state"]) or "M30\n" in control.got)
        if last == "M30":
            until(rig, control, lambda: rig.station.core.sender.run.sending.phase is Phase.HELD)
            states.append(rig.status()["state"])
            rig.skip(defaults.END_HOLD_S)
        receipt = ending(rig, control, "a.nc")
        assert (receipt.get("result"), receipt.get("holds")) == ("sent", "0, 0.0 s in all")
        assert "held" not in states, "a wait for the next ask is no hold"
        assert control.got.rstrip("\0") == (PROGRAM if last == "nothing" else PROGRAM[:-2])
        assert control.most <= len("N10 G01 X33 Z-3.3 F0.3\n")
        assert ("stopped reading at M30" in " ".join(receipt.all("note"))) is (last == "M30")


def test_without_an_ask_no_block_goes_and_the_sending_ends_by_stall_s():
    line = LineSettings("x", baud=9600, frame=Frame.parse("8N1"), flow=Flow.ASKED)
    sending = Sending(line, SendSettings(stall_s=60), 12, 0.0, Shape(11, 12, b"\n", 10, "M30"))
    sending.supply(b"%\nG1\nM30\n%\n")
    assert sending.allowed(0.0) == b"%\n"
    sending.wrote(2, 2, 0.0)
    assert (sending.allowed(30.0), sending.holds) == (b"", 0)
    sending.feed(DC1 + DC1, 30.0)
    assert sending.allowed(30.0) == b"G1\n"
    sending.wrote(3, 3, 30.0)
    assert sending.allowed(80.0) == b"", "two asks at once are one block"
    sending.tick(90.0)
    assert sending.outcome.reason == "the control asked for no block for longer than stall_s = 60 s"


def test_an_ask_on_the_first_character_of_a_block_end_is_for_the_next_block():
    """A character at a time, the end CR LF: the control asks on CR, while LF has not gone."""
    line = LineSettings("x", baud=9600, frame=Frame.parse("8N1"), flow=Flow.ASKED)
    sending = Sending(line, SendSettings(after_char_s=0.1), 10, 0.0, Shape(8, 10, b"\r\n"))
    sending.supply(b"%\r\nG1\r\n%\r\n")
    now, went = 0.0, b""
    for _ in range(30):
        part = sending.allowed(now)
        went += part
        sending.wrote(len(part), len(part), now)
        if part in (b"%", b"\r"):
            sending.feed(DC1, now)
        now += 0.2
    assert went == b"%\r\nG1\r\n%\r\n"


def test_an_ask_in_the_middle_of_a_block_is_none_for_the_next():
    line = LineSettings("x", baud=9600, frame=Frame.parse("8N1"), flow=Flow.ASKED)
    sending = Sending(line, SendSettings(after_char_s=0.1), 10, 0.0, Shape(8, 10, b"\r\n"))
    sending.supply(b"%\r\nG1\r\n%\r\n")
    for n in range(10):
        part = sending.allowed(n * 0.2)
        sending.wrote(len(part), len(part), n * 0.2)
        sending.feed(DC1 if part == b"%" else b"", n * 0.2)
    assert (sending.handed_over, sending.phase) == (3, Phase.HELD)


def test_a_dc1_right_behind_the_last_block_is_no_start():
    line = LineSettings("x", baud=9600, frame=Frame.parse("8N1"), flow=Flow.ASKED)
    sending = Sending(line, SendSettings(), 4, 0.0, Shape(3, 4, b"\n"))
    sending.supply(b"%\n%\n")
    step(sending, 0.0)
    sending.feed(DC1, 0.1)
    now = run_to_end(sending, 0.1)
    assert sending.outcome.hold_until == now + defaults.HOLD_AFTER_END_S


# --- what is said around a program -----------------------------------------------------------------------------------
@pytest.mark.parametrize("trailer", [12, 30])
@pytest.mark.parametrize("kind", ["7E1", "8N1", "7M1", "EIA"])
def test_what_stands_before_and_behind_a_program_is_no_part_of_it(tmp_path, kind, trailer):
    last, sign = ("DC4", "\x14") if kind == "EIA" else ("SUB", "\x1a")
    odd = settings(
        kind, tape={"trailer_chars": trailer}, send={"before": "'LOAD' LF", "after": last, "start_on": StartOn.NOW}
    )
    with at_a_terminal(tmp_path, odd, StopsAtItsEndWord) as (rig, control):
        rig.drop("a.nc", PROGRAM.encode())
        until(rig, control, lambda: "M30\n" in control.got)
        until(rig, control, lambda: rig.status()["state"] == "held")
        rig.skip(2 * defaults.END_HOLD_S)
        until(rig, control, lambda: rig.status()["transfer"]["held_for_s"] > defaults.END_HOLD_S)
        assert rig.status()["state"] == "held", "it reads to what is said behind the program: a stop is a hold"
        control.read()
        receipt = ending(rig, control, "a.nc")
        assert (receipt.get("result"), receipt.get("wire_chars")) == ("sent", str(len(PROGRAM)))
        assert control.got.replace("\0", "") == f"LOAD\n{PROGRAM}{sign}"
        wire = bytes(control.wire)[5 : 5 + len(PROGRAM)]
        assert rig.ledger("sent")[0]["wire_sha256"] == hashlib.sha256(wire).hexdigest()


@pytest.mark.parametrize("hard", [False, True])
@pytest.mark.parametrize("kind", ["7E1", "8N1", "7M1", "EIA"])
def test_a_control_that_answers_first_gets_its_program(tmp_path, kind, hard):
    odd = settings(kind, send={"before": "'LOAD' LF", "wait_for": "'READY'", "start_on": StartOn.NOW})
    with at_a_terminal(tmp_path, odd, AnswersItsCommand) as (rig, control):
        control.says, control.hard = b"LOADED\nREADY", hard
        rig.drop("a.nc", PROGRAM.encode())
        if hard:
            until(rig, control, lambda: rig.status()["state"] == "held")
            assert control.got == "LOAD\n"
            control.read()
        receipt = ending(rig, control, "a.nc")
        assert (receipt.get("result"), receipt.get("holds")[0]) == ("sent", str(int(hard)))
        assert control.got == f"LOAD\n{PROGRAM}"
        assert "echo" not in " ".join(receipt.all("note"))


@pytest.mark.parametrize("echoes", [False, True])
def test_without_the_answer_no_block_goes_and_the_file_waits_on(tmp_path, echoes):
    send = {"before": "'LOAD' LF", "wait_for": "'READY'", "start_on": StartOn.NOW}
    control_class = type("Answers", (AnswersItsCommand,), {})
    with at_a_terminal(tmp_path, settings("7E1", send=send, line={"echoes": echoes}), control_class) as (rig, control):
        control.says = b"BUSY"
        rig.drop("a.nc", PROGRAM.encode())
        until(rig, control, lambda: control.commands and rig.station.core.sender.run.sending.answer.came[3:])
        rig.skip(10.0)
        until(rig, control, lambda: rig.status()["trouble"])
        assert "a.nc still waits: no 'READY' came within wait_s = 10 s; the control said" in rig.status()["trouble"][0]
        assert "BUSY" in rig.status()["trouble"][0]
        assert (control.got, rig.status()["waiting"], rig.ledger("interrupted")) == ("LOAD\n", ["a.nc"], [])
        control.says = b"READY"
        rig.skip(defaults.NO_ANSWER_S)
        until(rig, control, lambda: "%" in control.got)
        assert ending(rig, control, "a.nc").get("result") == "sent"
        assert (control.got, rig.status()["trouble"]) == (f"LOAD\nLOAD\n{PROGRAM}", [])


def test_a_sending_broken_off_does_not_say_what_stands_behind():
    shape = Shape(11, 12, b"\n", answer_at=2, answer=(b"O", b"K"))
    sending = Sending(LineSettings("x", baud=9600), SendSettings(wait_for="'OK'"), 13, 0.0, shape)
    sending.supply(b"\x05\n%\nM30\n%\n\x1a")
    assert sending.allowed(0.0) == b"\x05\n"
    sending.wrote(2, 2, 0.0)
    sending.feed(b"\x11", 0.1)
    assert sending.allowed(0.2) == b"", "a DC1 is no answer"
    sending.feed(b"OOK", 0.2)
    assert sending.allowed(0.2) == b"%\n"
    sending.stop("withdrawn", 0.2)
    assert sending.allowed(0.3) == b""


def test_a_stop_while_dncd_still_says_what_stands_before_ends_with_the_go():
    shape = Shape(11, 12, b"\n", answer_at=3, answer=(b"O", b"K"))
    sending = Sending(LineSettings("x", baud=9600), SendSettings(wait_for="'OK'", after_char_s=0.1), 12, 0.0, shape)
    sending.supply(b"HI\n%\nM30\n%\n")
    assert sending.allowed(0.0) == b"H"
    sending.wrote(1, 1, 0.0)
    sending.feed(DC3, 0.1)
    assert (sending.allowed(1.0), sending.next_due()) == (b"", 0.1 + defaults.STALL_S), "it is held, and owes no answer"
    sending.feed(b"OK" + DC1, 1.0)
    assert sending.allowed(1.0) == b"I", "nothing answers what was not said"
    sending.wrote(1, 1, 1.0)
    assert sending.allowed(2.0) == b"\n"
    sending.wrote(1, 1, 2.0)
    assert sending.allowed(3.0) == b""
    sending.feed(b"OK", 3.0)
    assert sending.allowed(3.0) == b"%"
