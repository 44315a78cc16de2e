"""`dncd line ports, wiring, test, find, watch, replay` as their users meet them: words, lines, simulated cables."""

import json
import os
import pty
import signal
import subprocess
import sys
import tomllib
from contextlib import contextmanager

import pytest
from cable_faults import AT_END, CABLE_FAULTS, LINE_FAULTS
from house import build, fits_schema, house, machine, text
from looped_port import LoopedLine
from simulated_cable import SimulatedPort
from standin_host import pieces_in
from standin_server import ServerPlug
from waiting import until

from dncd.choices import TapeCode
from dncd.cli import main
from dncd.cli.line_find import FindHand
from dncd.cli.line_test import report
from dncd.commissioning.finding import Finder, Sureness
from dncd.commissioning.loopback import LOOP_FRAME, LoopbackTest
from dncd.commissioning.loopback_findings import findings, is_good
from dncd.commissioning.loopback_measures import Plan
from dncd.commissioning.recording import Passed, Way, read_recording
from dncd.commissioning.resampling import ENOUGH_CHARS
from dncd.ports.listing import serial_ports
from dncd.ports.session import LineSession
from dncd.standin.build import Build
from dncd.standin.control import StandIn
from dncd.standin.plug import NullModem, Rates
from dncd.standin.yard import Yard
from dncd.values import Frame, LineSettings, TapeSettings

PROGRAM = ("O0004", *(f"N{n} G01 X{n * 1.37:.3f} Z-{n * 0.77:.3f} F0.{n % 9 + 1}" for n in range(10, 250, 10)), "M30")


def settings(folder, port, baud=9600, frame="7E1", more=""):
    file = folder / "dncd.toml"
    file.write_text(
        f'[shop]\nsettle_s = 0.1\n[machines.gang-lathe]\ntitle = "Gang lathe, bay 2"\n'
        f'[machines.gang-lathe.line]\nport = "{port}"\nbaud = {baud}\nframe = "{frame}"\n'
        f"[machines.gang-lathe.receive]\nsilence_s = 0.5\n{more}"
    )
    return file


def words(capsys, file, *line):
    status = main(["--config", str(file), "line", *line])
    said = capsys.readouterr()
    return status, said.out, said.err


@contextmanager
def started(file, *line):
    """The command as a process; one that a failed test leaves behind is killed."""
    command = [sys.executable, "-m", "dncd", "--config", str(file), "line", *line]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            yield process
        finally:
            process.kill()


# --- ports -----------------------------------------------------------------------------------------------------------


def machine_with_ports(root):
    """/sys and /dev as Linux 6 has them (8250 ports with their `type`, a USB serial adaptor, a modem-class one)."""
    usb = root / "sys/devices/pci/usb1/1-1"
    place = usb / "1-1:1.0" / "ttyUSB0"
    place.mkdir(parents=True)
    for name, value in (
        ("idVendor", "1234"),
        ("idProduct", "abcd"),
        ("manufacturer", "Some Maker"),
        ("product", "Serial \x07 Thing"),
        ("serial", "QS42"),
    ):
        (usb / name).write_text(value + "\n")
    drivers = root / "sys/bus"
    for driver in ("usb-serial/drivers/somechip", "usb/drivers/cdc_thing", "platform/drivers/serial8250"):
        (drivers / driver).mkdir(parents=True)
    (drivers / "serial-base/drivers/port").mkdir(parents=True)
    (place / "driver").symlink_to(drivers / "usb-serial/drivers/somechip")
    board = root / "sys/devices/platform/serial8250"
    for n in (0, 1):
        (board / f"port{n}").mkdir(parents=True)
        (board / f"port{n}" / "driver").symlink_to(drivers / "serial-base/drivers/port")
    (board / "driver").symlink_to(drivers / "platform/drivers/serial8250")
    tty_class = root / "sys/class/tty"
    for name, target, kind in (
        ("ttyUSB0", place, None),
        ("ttyS0", board / "port0", "4"),
        ("ttyS1", board / "port1", "0"),
    ):
        (tty_class / name).mkdir(parents=True)
        (tty_class / name / "device").symlink_to(target)
        if kind is not None:
            (tty_class / name / "type").write_text(kind + "\n")
    (tty_class / "tty1").mkdir()
    by_id = root / "dev/serial/by-id"
    by_id.mkdir(parents=True)
    (by_id / "usb-Some_Maker_QS42-if00-port0").symlink_to("../../ttyUSB0")


def test_ports_are_listed_with_names_that_stay_chip_driver_and_holder(tmp_path):
    machine_with_ports(tmp_path)
    master, slave = pty.openpty()
    (tmp_path / "dev/ttyUSB0").symlink_to(os.ttyname(slave))
    board, adaptor = serial_ports(tmp_path)
    os.close(master)
    os.close(slave)
    assert (board.device, board.names, board.usb, board.driver) == ("/dev/ttyS0", (), "", "serial8250")
    assert (board.best_name, board.may_open, board.held_by) == ("/dev/ttyS0", False, ())
    assert adaptor.device == "/dev/ttyUSB0"
    assert adaptor.best_name == "/dev/serial/by-id/usb-Some_Maker_QS42-if00-port0"
    assert (adaptor.usb, adaptor.serial, adaptor.driver) == ("1234:abcd", "QS42", "somechip")
    assert adaptor.chip == r"Some Maker Serial \x07 Thing"
    assert adaptor.may_open
    assert os.getpid() in [holder.pid for holder in adaptor.held_by]


def test_a_machine_without_sys_has_no_ports(tmp_path):
    assert serial_ports(tmp_path) == []


def test_ports_names_the_machines_whose_port_is_not_there(tmp_path, capsys):
    file = settings(tmp_path, "/dev/serial/by-id/usb-nobody")
    status, out, _ = words(capsys, file, "ports")
    assert status == 0
    assert "gang-lathe uses /dev/serial/by-id/usb-nobody, which is not there" in out
    status, out, _ = words(capsys, file, "ports", "--json")
    assert json.loads(out)["elsewhere"] == {"gang-lathe": "/dev/serial/by-id/usb-nobody"}
    assert "behind the network" in words(capsys, settings(tmp_path, "socket://127.0.0.1:4"), "ports")[1]


def test_ports_needs_no_settings(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("DNCD_CONFIG", raising=False)
    assert main(["line", "ports"]) == 0
    capsys.readouterr()
    (tmp_path / "wrong.toml").write_text("[shop\n")
    assert main(["--config", str(tmp_path / "wrong.toml"), "line", "ports"]) == 2


# --- wiring ----------------------------------------------------------------------------------------------------------


def test_wiring_draws_the_cable_of_the_flow_setting(tmp_path, capsys):
    file = settings(tmp_path, "/dev/ttyX", 4800)
    status, out, _ = words(capsys, file, "wiring", "gang-lathe")
    assert status == 0
    assert "three wires with local loops" in out
    assert "Cable for gang-lathe (Gang lathe, bay 2)" in out
    full = settings(tmp_path, "/dev/ttyX").read_text().replace("baud =", 'flow = "rts/cts"\nbaud =')
    file.write_text(full)
    out = words(capsys, file, "wiring", "gang-lathe", "--at-control", "DE-9")[1]
    assert "full handshake" in out
    assert "control DE-9 pin 8 CTS" in out
    assert words(capsys, file, "wiring", "gang-lath")[0] == 2


def test_wiring_writes_a_page_and_spoils_no_other_file(tmp_path, capsys):
    file, page = settings(tmp_path, "/dev/ttyX"), tmp_path / "cable.html"
    for _ in range(2):
        assert words(capsys, file, "wiring", "gang-lathe", "--page", str(page))[0] == 0
        assert page.read_text().startswith("<!DOCTYPE html>")
    status, _, err = words(capsys, file, "wiring", "gang-lathe", "--page", str(file))
    assert status == 1
    assert "stays as it is" in err
    assert "gang-lathe" in file.read_text()
    status, _, err = words(capsys, file, "wiring", "gang-lathe", "--page", str(tmp_path / "no" / "where.html"))
    assert status == 1
    assert "cannot be written" in err


# --- test ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", CABLE_FAULTS)
def test_a_session_finds_each_wrong_wire(name):
    make, trouble = CABLE_FAULTS[name]
    hand = LoopbackTest(AT_END)
    line = LoopedLine(SimulatedPort(make()), AT_END)
    with LineSession(LineSettings("simulated", 9600, LOOP_FRAME), opening=line.opening, clock=line.clock) as session:
        assert session.run(hand, 600)
    assert [found.trouble for found in findings(hand.measures[0], AT_END)] == [trouble]
    assert not is_good(hand.measures[0], AT_END) or name in ("DCD open",)
    said = " ".join(report(hand.measures[0], AT_END))
    assert "cannot tell a straight cable from a crossed one" in said
    assert "cannot see an open signal ground" in said


@pytest.mark.parametrize("name", LINE_FAULTS)
def test_a_session_finds_each_bad_line(name):
    make, trouble = LINE_FAULTS[name]
    plan = Plan(9600, soak_s=2.0)
    hand = LoopbackTest(plan)
    line = LoopedLine(make(), plan)
    with LineSession(LineSettings("simulated", 9600, LOOP_FRAME), opening=line.opening, clock=line.clock) as session:
        assert session.run(hand, 600)
    assert [found.trouble for found in findings(hand.measures[0], plan)] == [trouble]


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", ["a loose contact", "mains noise", "weak mains noise", "capacitance", "much capacitance"]
)
def test_chance_faults_are_named_whatever_moment_the_test_begins_at(name):
    """When a contact opens or a drive makes noise is chance: twenty moments and seeds."""
    make, trouble = LINE_FAULTS[name]
    plan = Plan(9600, soak_s=2.0)
    for k in range(20):
        port = make()
        port.seed = k + 10
        hand = LoopbackTest(plan)
        line = LoopedLine(port, plan)
        line.run.now = line.run.simulated = k * 0.0513
        with LineSession(
            LineSettings("simulated", 9600, LOOP_FRAME), opening=line.opening, clock=line.clock
        ) as session:
            session.run(hand, 600)
        assert [found.trouble for found in findings(hand.measures[0], plan)] == [trouble], k


def test_a_session_steps_down_by_opening_the_port_at_the_lower_rate():
    make, _ = LINE_FAULTS["much capacitance"]
    plan = Plan(9600)
    hand = LoopbackTest(plan)
    line = LoopedLine(make(), plan)
    with LineSession(LineSettings("simulated", 9600, LOOP_FRAME), opening=line.opening, clock=line.clock) as session:
        session.run(hand, 600)
    assert line.opened == [test.baud for test in hand.measures[0].rates]
    assert line.opened[0] == 9600
    assert len(line.opened) > 1


def test_a_plug_behind_a_device_server_is_good_with_all_its_lines(tmp_path, capsys):
    control = StandIn(Build(baud=19200, frame=LOOP_FRAME), plug=ServerPlug())
    with Yard(control):
        control.loop()
        file = settings(tmp_path, control.path, 19200)
        status, out, err = words(capsys, file, "test", "gang-lathe", "--far", "--minutes", "0.01", "--json")
        assert status == 0
        assert "unplug the control first" in err
        found = json.loads(out)
        assert found["good"]
        assert found["findings"] == []
        assert found["plug"] == "cable-end"
        assert found["values"]["right"] == 256
        assert found["lines"] == {"cts": "rts", "dsr": "dtr", "dcd": "dtr"}
        assert found["long_run"]["sent"] >= 256
        assert found["errors_per_million"] == 0
        assert len(found["not_shown"]) == 2


@pytest.mark.slow
def test_a_good_port_is_told_in_words(tmp_path, capsys):
    control = StandIn(Build(baud=19200, frame=LOOP_FRAME), plug=ServerPlug())
    with Yard(control):
        control.loop()
        out = words(capsys, settings(tmp_path, control.path, 19200), "test", "gang-lathe", "--minutes", "0")[1]
    assert "CTS follows RTS" in out
    assert "Port: good at 19200 bits a second" in out
    assert "dncd line test gang-lathe --far" in out


@pytest.mark.slow
def test_nothing_that_comes_back_is_said_with_the_pins(tmp_path, capsys):
    control = StandIn(build())  # a control that is off says nothing
    with Yard(control):
        status, out, _ = words(capsys, settings(tmp_path, control.path), "test", "gang-lathe", "--minutes", "0")
    assert status == 1
    assert "Nothing comes back" in out
    assert "pin 3 (TXD) and pin 2 (RXD)" in out.replace("\n  ", " ")
    assert "Put it right, then run `dncd line test gang-lathe` again." in out


@pytest.mark.slow
def test_a_port_that_is_absent_or_held_is_said(tmp_path, capsys):
    status, _, err = words(capsys, settings(tmp_path, "/dev/nothing-here"), "test", "gang-lathe")
    assert status == 1
    assert "no such device" in err
    with Yard(control := StandIn(build())), LineSession(LineSettings(control.path, 9600, LOOP_FRAME)):
        status, _, err = words(capsys, settings(tmp_path, control.path), "test", "gang-lathe")
        assert status == 1
        assert f"process {os.getpid()}" in err


@pytest.mark.slow
def test_the_line_of_a_running_service_is_tested_and_given_back(tmp_path):
    control = StandIn(build(baud=38400))
    with Yard(control), house(tmp_path, lathe=machine(control, baud=38400, start="dc1")) as shop:
        shop.drop("lathe", "waits.nc", text(["O0001", "M30"]))
        state = lambda: json.loads(shop.dncd("status", "--json").stdout)["machines"]["lathe"]  # noqa: E731
        until(lambda: state()["state"] == "waiting")
        control.loop()
        with started(tmp_path / "dncd.toml", "test", "lathe", "--minutes", "0.03", "--json") as test:
            seen = until(lambda: (now := state())["state"] == "lent" and now)
            assert seen["lent_to"] == f"`dncd line test lathe` (process {test.pid})"
            out, _ = test.communicate(timeout=120)
        assert test.returncode == 0
        assert json.loads(out)["good"]
        assert fits_schema("line-test", json.loads(out))
        until(lambda: state()["state"] == "waiting")
        assert state()["waiting"] == ["waits.nc"]
        control.reset()
        control.read_in()
        assert shop.receipt("lathe", "sent", "waits.nc").get("result") == "sent"


# --- find ------------------------------------------------------------------------------------------------------------


def punching_for(process, control, name="O0004"):
    """Presses PUNCH whenever the command says that it listens; all that it said, and its exit status."""
    said = []
    for line in process.stdout:
        said.append(line)
        if line.startswith("Listening"):
            control.punch(name)
    err = process.stderr.read()
    return "".join(said), err, process.wait(120)


def a_control(baud, frame, code=TapeCode.ISO):
    return StandIn(Build(baud=baud, frame=Frame.parse(frame), tape=TapeSettings(code=code)), plug=NullModem(Rates.SEEN))


@pytest.mark.parametrize(("frame", "code"), [("7E1", TapeCode.ISO), ("8N1", TapeCode.EIA)])
def test_a_line_at_the_first_rate_is_found_in_one_punch(tmp_path, frame, code):
    control = a_control(9600, frame, code)
    pieces_in(control, {"O0004": PROGRAM})
    file = settings(tmp_path, control.path, 4800, "7E2")
    with Yard(control), started(file, "find", "gang-lathe") as process:
        out, _, status = punching_for(process, control)
    assert status == 0, out
    assert f"Found: 9600 baud, {frame[:2]}2, {code.value.upper()} code, confidence 99.9%" in out
    assert "runner-up" in out
    assert out.count("Listening") == 1
    pasted = tomllib.loads(out[out.index("[machines") : out.index("Next:")])["machines"]["gang-lathe"]
    assert pasted["line"] == {"baud": 9600, "frame": f"{frame[:2]}2"}
    assert pasted["tape"]["code"] == code.value


@pytest.mark.slow
@pytest.mark.parametrize(("baud", "frame"), [(4800, "7E2"), (2400, "7E1")])
def test_a_line_at_another_rate_is_found_by_more_punches(tmp_path, baud, frame):
    control = a_control(baud, frame)
    pieces_in(control, {"O0004": PROGRAM})
    with Yard(control), started(settings(tmp_path, control.path), "find", "gang-lathe", "--json") as process:
        said = []
        for line in process.stderr:
            said.append(line)
            if line.startswith("Listening"):
                control.punch("O0004")
        out = process.stdout.read()
        assert process.wait(120) == 0, said
    found = json.loads(out)
    assert found["sure"]
    assert fits_schema("line-find", found)
    assert (found["guesses"][0]["baud"], found["guesses"][0]["frame"]) == (baud, f"{frame[:2]}2")
    assert 2 <= found["punches"] <= 4


def test_too_little_is_never_named(tmp_path):
    control = a_control(9600, "7E1")
    pieces_in(control, {"O0004": ("O0004", "M30")})
    file = settings(tmp_path, control.path)
    with Yard(control), started(file, "find", "gang-lathe", "--wait", "1.5") as process:
        assert process.stdout.readline().startswith("Listening at 9600")
        control.punch("O0004")
        out, _ = process.communicate(timeout=120)
    assert process.returncode == 1
    assert "Not sure" in out
    assert "Punch out a longer program" in out
    assert "[machines" not in out
    assert "To paste" not in out


def test_the_same_few_characters_again_and_again_prove_nothing():
    even = bytes(b | (b.bit_count() % 2) << 7 for b in b"%\nO0004\nN10 G00 X1.5 Z2.\nM30\n%\n")
    assert len(even) < ENOUGH_CHARS
    finder = Finder(9600, silence_s=0.5)
    for k in range(12):
        for n, byte in enumerate(even):
            finder.feed(bytes([byte]), (), k * 10 + n * 10 / 9600)
        finder.tick(k * 10 + 5)
        assert finder.answer().sureness is Sureness.NOT_SURE
    assert "prove little" in " ".join(finder.answer().because)


def test_a_device_server_that_keeps_its_rate_must_be_set_by_hand():
    """A plain socket at 9600 hears a line of 2400: the operator is told to set the server, and nothing is guessed."""
    from punched import Control

    control = Control.of(11, baud=2400, frame="7E1", code=TapeCode.ISO, noise=0.0)
    import random

    heard = control.punch(9600, random.Random(1))
    said = []
    hand = FindHand(Finder(9600, silence_s=0.5), 60, said.append)

    class Server:
        rate_is_ours = False
        line = LineSettings("socket://server:4001", 9600, LOOP_FRAME)

        def tune(self, baud, frame):
            assert baud == 9600

    from dncd.ports.port import Reading

    hand.start(Server(), 0.0)
    for chunk in heard.chunks:
        hand.feed(Reading(chunk.data, chunk.bad), chunk.at)
        hand.turn(chunk.at)
    assert not hand.over
    hand.turn(hand.next_due())
    assert hand.over
    assert "Set the device server to 2400 baud" in said[-1]


# --- watch and replay --------------------------------------------------------------------------------------------------


def test_a_line_without_a_service_is_watched_recorded_and_replayed(tmp_path, capsys):
    control = StandIn(build(baud=19200))
    pieces_in(control, {"O0004": PROGRAM})
    file, record = settings(tmp_path, control.path, 19200), tmp_path / "line.rec"
    with Yard(control), started(file, "watch", "gang-lathe", "--record", str(record)) as process:
        assert "lines | RTS on" in process.stdout.readline()
        control.read_in()
        assert "control < <DC1>" in process.stdout.readline()
        control.punch("O0004")
        shown = [process.stdout.readline() for _ in range(len(PROGRAM) + 2)]
        assert shown[1].rstrip().endswith("control < O0004<LF>")
        assert shown[-1].rstrip().endswith("control < %<LF>")
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=120)
        assert process.returncode == 0
    assert "dncd listens, and answers nothing" in err
    assert f"recorded in {record}" in err
    status, out, _ = words(capsys, file, "replay", str(record))
    assert status == 0
    assert f"received: O0004, {len(PROGRAM)} blocks" in out
    assert "DC1 1×" in out
    status, _, err = words(capsys, file, "watch", "gang-lathe", "--record", str(record), "--seconds", "0")
    assert status == 1
    assert "nothing is overwritten" in err


def test_a_line_of_a_running_service_is_watched_without_taking_it(tmp_path):
    control = StandIn(build(baud=19200))
    with Yard(control), house(tmp_path, lathe=machine(control, baud=19200)) as shop:
        record = tmp_path / "line.rec"
        with started(tmp_path / "dncd.toml", "watch", "lathe", "--record", str(record)) as process:
            assert "lines | RTS on" in process.stdout.readline()
            shop.drop("lathe", "a.nc", text(["O0001", "M30"]))
            assert shop.receipt("lathe", "sent", "a.nc").get("result") == "sent"
            until(lambda: record.read_text().count(" A5") >= 2)
            assert "listening" in shop.dncd("status").stdout
            process.send_signal(signal.SIGINT)
            out, err = process.communicate(timeout=120)
        assert process.returncode == 0
        assert "A copy of what the service does" in err
        assert "dncd > O0001<LF>" in out
        with record.open(newline="\n") as lines:
            entries = read_recording(lines, "line.rec").entries
        sent = b"".join(e.data for e in entries if isinstance(e, Passed) and e.way is Way.TO_CONTROL)
        assert sent == bytes(b | (b.bit_count() % 2) << 7 for b in b"%\nO0001\nM30\n%\n")


def recording(tmp_path, *entries, machine="gang-lathe"):
    file = tmp_path / "some.rec"
    head = ["dncd-recording 1", *([f"# machine {machine}"] if machine else [])]
    file.write_text("\n".join([*head, *entries]) + "\n")
    return file


def wire(data):
    return " ".join(f"{b | (b.bit_count() % 2) << 7:02X}" for b in data)


def test_a_damaged_punch_is_told_with_its_place(tmp_path, capsys):
    file = settings(tmp_path, "/dev/x")
    whole = wire(b"%\nO0007\nN10 G00 X1.\nM30\n%\n")
    rec = recording(tmp_path, f"1.000000 < {whole}", f"9.000000 < {whole.replace('47', '46', 1)}")
    status, out, _ = words(capsys, file, "replay", str(rec), "--json")
    assert status == 1
    captures = json.loads(out)["captures"]
    assert [capture["result"] for capture in captures] == ["received", "damaged"]
    assert captures[0]["programs"] == [{"program": "O0007", "title": "", "blocks": 3}]
    assert "line 3, column 5" in captures[1]["reasons"][0]
    assert "damaged" in words(capsys, file, "replay", str(rec))[1]


def test_a_punch_that_was_cut_off_and_one_that_a_uart_marked(tmp_path, capsys):
    file = settings(tmp_path, "/dev/x")
    rec = recording(
        tmp_path, "0.000000 < 11", f"1.000000 < {wire(b'%')} {wire(b'O7')}!", "1.500000 > 93", "2.000000 note ok"
    )
    status, out, _ = words(capsys, file, "replay", str(rec), "--json")
    found = json.loads(out)
    assert status == 1
    assert fits_schema("line-replay", found)
    assert [capture["ended_by"] for capture in found["captures"]] == ["silence"]
    assert len(found["captures"][0]["reasons"]) >= 2
    assert found["said"] == [{"at": 0.0, "code": "DC1"}]
    assert found["chars"] == 4


def test_a_recording_is_heard_with_another_machines_settings(tmp_path, capsys):
    more = '[machines.bore-mill.line]\nport = "/dev/y"\nframe = "8N1"\n[machines.bore-mill.tape]\ncode = "eia"\n'
    file = settings(tmp_path, "/dev/x", more=more)
    rec = recording(tmp_path, f"1.000000 < {wire(b'%')} {wire(b'O0007')} 0A {wire(b'M30')} 0A {wire(b'%')} 0A")
    assert words(capsys, file, "replay", str(rec))[0] == 0
    status, out, _ = words(capsys, file, "replay", str(rec), "--machine", "bore-mill")
    assert "With the settings of bore-mill" in out
    assert status == 0 if "nothing would be kept" in out else "damaged" in out


def test_what_cannot_be_replayed_is_said(tmp_path, capsys):
    file = settings(tmp_path, "/dev/x")
    assert words(capsys, file, "replay", str(tmp_path / "none"))[0] == 2
    status, _, err = words(capsys, file, "replay", str(file))
    assert status == 1
    assert "line 1" in err
    status, _, err = words(capsys, file, "replay", str(recording(tmp_path, "0.000000 note x", machine="")))
    assert status == 2
    assert "--machine" in err
    assert words(capsys, file, "replay", str(recording(tmp_path, machine="unknown")))[0] == 2
    xmodem = settings(tmp_path, "/dev/x", frame="8N1", more='[machines.gang-lathe.tape]\nblock_end = "LF"\n')
    xmodem.write_text(xmodem.read_text().replace("baud =", 'protocol = "xmodem"\nbaud ='))
    status, _, err = words(capsys, xmodem, "replay", str(recording(tmp_path)))
    assert status == 1
    assert "xmodem" in err
