"""A whole station on a fake port: faults told and counted, lines that are looped, a network that does not settle, holds."""

import threading
from pathlib import Path
from typing import Any

import pytest
from fakes import FakePort
from station_rig import Rig, rig

from dncd import defaults
from dncd.choices import Flow, StartOn
from dncd.values import (
    Counters,
    Frame,
    LineSettings,
    LineState,
    MachineSettings,
    Modem,
    SendSettings,
    Signal,
)

PROGRAM = b"%\nO0004\nN10 G00 X1.\nM30\n%\n"
ON, OFF = Signal.ON, Signal.OFF
ALL_ON = Modem(ON, ON, ON)


def machine(flow: Flow = Flow.XON_XOFF, start_on: StartOn = StartOn.NOW, **send: Any) -> MachineSettings:
    line = LineSettings("fake", 115200, Frame.parse("8N1"), flow=flow)
    return MachineSettings("gang-lathe", line, send=SendSettings(start_on=start_on, **send))


def ended(shop: Rig, *events: str, count: int = 1) -> list[dict[str, Any]]:
    shop.until(lambda: len(shop.ledger(*events)) >= count)
    return shop.ledger(*events)


def test_a_capture_in_which_the_driver_lost_characters_is_damaged(tmp_path: Path) -> None:
    with rig(tmp_path, machine()) as shop:
        port = shop.plug(FakePort())
        lost = Counters(overruns=3)
        port.feed(PROGRAM[:9])
        port.feed(PROGRAM[9:], notices=lost, counted=Counters(overruns=3, framing=1))
        (told,) = ended(shop, "damaged", "received")
        assert told["event"] == "damaged"
        assert told["line_faults"] == {"overruns": 3, "framing": 1}
        receipt = shop.receipt("from-machine/damaged", told["file"])
        assert receipt.get("line_faults") == "3 of overrun, 1 of stop bit"
        assert "3 of overrun" in receipt.get("reason")
        port.feed(PROGRAM)
        (told,) = ended(shop, "received")
        assert "line_faults" not in told


def test_faults_that_have_their_place_are_counted_and_not_told_twice(tmp_path: Path) -> None:
    with rig(tmp_path, machine()) as shop:
        port = shop.plug(FakePort())
        port.feed(PROGRAM, bad=(5,), counted=Counters(parity=1))
        (told,) = ended(shop, "damaged", "received")
        assert told["event"] == "damaged"
        assert told["line_faults"] == {"parity": 1}
        assert len(told["reasons"]) == 1
        assert "line 2, column 4" in told["reasons"][0]


def test_a_look_that_ends_one_capture_and_begins_the_next_counts_against_both(tmp_path: Path) -> None:
    with rig(tmp_path, machine()) as shop:
        port = shop.plug(FakePort())
        second = PROGRAM.replace(b"0004", b"0005")
        port.feed(PROGRAM[:9])
        port.feed(PROGRAM[9:] + second[:9], notices=Counters(overruns=1))
        port.feed(second[9:])
        told = ended(shop, "damaged", "received", count=2)
        assert [(t["event"], t["program"]) for t in told] == [("damaged", "O0004"), ("damaged", "O0005")]


@pytest.mark.parametrize(("before_s", "event"), [(0.0, "damaged"), (1.0, "received")])
def test_a_fault_told_just_before_its_character_counts(tmp_path: Path, before_s: float, event: str) -> None:
    """A device server may send its notice in front of the character."""
    with rig(tmp_path, machine()) as shop:
        port = shop.plug(FakePort())
        port.feed(b"", notices=Counters(parity=1))
        shop.until(lambda: "faults on the line" in shop.said.getvalue())
        shop.skip(before_s)
        port.feed(PROGRAM)
        (told,) = ended(shop, "damaged", "received")
        assert told["event"] == event


def test_faults_of_what_came_while_dncd_sent_are_in_its_receipt(tmp_path: Path) -> None:
    with rig(tmp_path, machine()) as shop:
        port = shop.plug(FakePort())
        shop.until(lambda: shop.status()["state"] == "listening")
        port.room = 8
        shop.drop("0004.nc", PROGRAM)
        shop.until(lambda: len(port.written) == 8)
        port.feed(b"\x07", notices=Counters(overruns=1), counted=Counters(overruns=1, parity=1))
        shop.until(lambda: bool(shop.station.core.sender.run and shop.station.core.sender.run.sending.stray_count))
        port.room = None
        (told,) = ended(shop, "sent")
        assert told["line_faults"] == {"overruns": 1, "parity": 1}
        receipt = shop.receipt("sent", "0004.nc")
        assert receipt.get("line_faults") == "1 of overrun, 1 of parity"
        assert "a stop of the control may have been missed" in receipt.get("warning")
        assert shop.ledger("damaged", "received") == []


def test_a_program_is_sent_only_when_the_network_has_settled(tmp_path: Path) -> None:
    with rig(tmp_path, machine()) as shop:
        port = shop.plug(FakePort())
        port.is_settled = False
        shop.drop("0004.nc", PROGRAM)
        shop.until(lambda: bytes(port.written) == PROGRAM)
        shop.skip(10.0)
        for _ in range(10):
            shop.loop.once(0.02)
        assert shop.ledger("sent", "interrupted") == []
        assert shop.status()["state"] == "sending"
        port.is_settled = True
        ended(shop, "sent")


@pytest.mark.parametrize("how", ["vanishes", "stalls"])
def test_a_network_that_never_settles_ends_as_interrupted(tmp_path: Path, how: str) -> None:
    with rig(tmp_path, machine(stall_s=30.0)) as shop:
        port = shop.plug(FakePort())
        port.is_settled = False
        shop.drop("0004.nc", PROGRAM)
        shop.until(lambda: bytes(port.written) == PROGRAM)
        if how == "vanishes":
            port.vanish()
        else:
            shop.skip(31.0)
        (told,) = ended(shop, "sent", "interrupted")
        assert told["event"] == "interrupted"
        assert ("went away" if how == "vanishes" else "device server did not take") in told["reasons"][0]


def test_a_looped_line_is_told_everywhere_and_starts_nothing(tmp_path: Path) -> None:
    sentence = "RTS is looped back to CTS"
    with rig(tmp_path, machine(Flow.RTS_CTS, StartOn.CTS)) as shop:
        port = FakePort()
        port.lines, port.looped = ALL_ON, {"CTS": sentence}
        shop.plug(port)
        shop.drop("0004.nc", PROGRAM)
        shop.until(lambda: shop.station.state is LineState.WAITING)
        for _ in range(10):
            shop.loop.once(0.02)
        assert port.written == b""
        assert sentence in shop.status()["trouble"]
        assert sentence in shop.said.getvalue()


def test_a_receipt_says_that_the_flow_is_looped(tmp_path: Path) -> None:
    with rig(tmp_path, machine(Flow.DTR_DSR)) as shop:
        port = FakePort()
        port.lines, port.looped = ALL_ON, {"DSR": "DTR is looped back to DSR"}
        shop.plug(port)
        shop.drop("0004.nc", PROGRAM)
        assert shop.receipt("sent", "0004.nc").get("warning") == "DTR is looped back to DSR"


@pytest.mark.parametrize(("flow", "off"), [(Flow.RTS_CTS, Modem(OFF, ON, ON)), (Flow.DTR_DSR, Modem(ON, OFF, ON))])
def test_a_drip_fed_hold_of_an_hour_is_no_error(tmp_path: Path, flow: Flow, off: Modem) -> None:
    with rig(tmp_path, machine(flow, drip_feed=True)) as shop:
        port = FakePort()
        port.lines, port.room = ALL_ON, 8
        shop.plug(port)
        shop.drop("0004.nc", PROGRAM)
        shop.until(lambda: len(port.written) == 8)
        port.lines, port.room = off, None
        shop.until(lambda: shop.station.state is LineState.HELD)
        shop.skip(3600.0)
        shop.until(lambda: shop.status()["transfer"]["held_for_s"] >= 3600)
        assert len(port.written) == 8
        port.lines = ALL_ON
        (told,) = ended(shop, "sent")
        assert bytes(port.written) == PROGRAM
        assert (told["holds"], told["held_s"] >= 3600) == (1, True)


STOPS = {
    Flow.XON_XOFF: (b"\x13", b"\x11", []),
    Flow.RTS_CTS: (b"", b"", [("rts", OFF), ("rts", ON)]),
    Flow.DTR_DSR: (b"", b"", [("dtr", OFF), ("dtr", ON)]),
    Flow.NONE: (b"", b"", []),
}


@pytest.mark.parametrize("flow", STOPS)
def test_a_punching_control_is_stopped_before_the_memory_fills(
    tmp_path: Path, flow: Flow, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk stands still (its thread is kept busy) until the control was told to stop; nothing of it is lost."""
    monkeypatch.setattr(defaults, "HELD_HIGH_CHARS", 2000)
    monkeypatch.setattr(defaults, "HELD_LOW_CHARS", 500)
    stop, go, switched = STOPS[flow]
    body = b"".join(b"N%d G01 X%d.\n" % (n, n) for n in range(300))
    wire = b"%\nO0009\n" + body + b"%\n"
    with rig(tmp_path, machine(flow)) as shop:
        port = FakePort()
        port.lines = ALL_ON
        shop.plug(port)
        disk_moves = threading.Event()
        shop.hands.records.do(lambda: disk_moves.wait(120), lambda _: None, lambda _: None)
        for at in range(0, len(wire), 500):
            port.feed(wire[at : at + 500])
        shop.until(lambda: shop.station.core.captures.receiving.chars == len(wire))
        assert bytes(port.written) == stop
        assert port.switched == switched[:1]
        disk_moves.set()
        (told,) = ended(shop, "received")
        assert bytes(port.written) == stop + go
        assert port.switched == switched
        assert told["wire_chars"] == len(wire)
