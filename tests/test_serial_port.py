"""Serial ports and pseudo-terminals: what is set, what is refused, who holds a port, and how marked bytes are read."""

import errno
import fcntl
import json
import os
import pty
import re
import select
import struct
import subprocess
import sys
import termios
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st

from dncd.errors import PortBusyError, PortError, PortGoneError
from dncd.ports import serial_port
from dncd.ports.holders import Holder, holders
from dncd.ports.opening import open_port
from dncd.ports.port import Reading
from dncd.ports.serial_port import MarkedInput, TtyPort
from dncd.values import Counters, Frame, LineSettings

# Measured on a pseudo-terminal of Linux 6.18, and termios(3) of man-pages 6.03 for marks and breaks (verified).
FACTS = json.loads((Path(__file__).parent / "vectors" / "termios_pty.json").read_text())
MARKS = {name: bytes.fromhex(text) for name, text in FACTS["parmrk"].items() if name != "note"}

TIOCGEXCL = 0x80045440  # asm-generic/ioctls.h: _IOR('T', 0x40, int); checked against the header of Linux 6.1 (verified)


@pytest.fixture
def pair() -> Iterator[tuple[int, str]]:
    """The far end of a pseudo-terminal, and the name of the near one."""
    master, slave = pty.openpty()
    yield master, os.ttyname(slave)
    os.close(master)
    os.close(slave)


def descriptors() -> int:
    return sum(1 for _ in Path("/proc/self/fd").iterdir())


def line(name: str, frame: str = "7E2", baud: int = 4800) -> LineSettings:
    return LineSettings(name, baud, Frame.parse(frame))


@pytest.mark.parametrize(
    ("frame", "two"), [("7E1", False), ("7E2", True), ("7O1", False), ("8N1", False), ("8N2", True)]
)
def test_the_port_is_raw_and_keeps_its_hands_off_the_flow(pair: tuple[int, str], frame: str, two: bool) -> None:
    with closing(open_port(line(pair[1], frame))) as port:
        iflag, oflag, cflag, lflag, _, ospeed, cc = termios.tcgetattr(port.fileno())
        assert iflag == 0
        assert not oflag & termios.OPOST
        assert not lflag & (termios.ICANON | termios.ECHO | termios.ISIG | termios.IEXTEN)
        assert not cflag & (termios.CRTSCTS | termios.HUPCL | termios.PARENB)
        assert cflag & termios.CLOCAL
        assert cflag & termios.CREAD
        assert cflag & termios.CSIZE == termios.CS8
        assert bool(cflag & termios.CSTOPB) is two
        assert ospeed == termios.B4800
        assert cc[termios.VMIN] in (1, b"\x01")
        assert not os.get_blocking(port.fileno())
        assert not os.get_inheritable(port.fileno())


def test_dc_codes_reach_us_and_stop_nothing_by_themselves(pair: tuple[int, str]) -> None:
    assert FACTS["ixon"]["DC3_and_DC1_delivered_to_reader"] is False  # what the kernel would do, were it asked
    with closing(open_port(line(pair[1]))) as port:
        os.write(pair[0], b"\x13\x93\x11\x91")
        assert select.select([port.fileno()], [], [], 5)[0]
        assert port.read() == Reading(b"\x13\x93\x11\x91")
        assert port.write(b"N10 G00\n") == 8
        assert os.read(pair[0], 100) == b"N10 G00\n"


@pytest.mark.parametrize("baud", [110, 4800, 7200, 14400, 76800, 230400])
def test_rates_are_set_and_read_back(pair: tuple[int, str], baud: int) -> None:
    with closing(open_port(line(pair[1], "8N1", baud))) as port:
        serial_port._check(port.fileno(), line(pair[1], "8N1", baud), Frame.parse("8N1"), 0)
        with pytest.raises(PortError, match=f"runs at {baud} baud instead"):
            serial_port._check(port.fileno(), line(pair[1], "8N1", baud * 2), Frame.parse("8N1"), 0)


@pytest.mark.parametrize("frame", ["8E1", "8O1", "7N1", "5N1.5", "6E1", "8N1.5", "5N2", "7E1.5"])
def test_a_frame_that_the_port_cannot_do_is_an_error_never_another_frame(pair: tuple[int, str], frame: str) -> None:
    assert FACTS["pty_facts"]["CS7_and_PARENB"] == "silently turned back to CS8, parity off"
    before = descriptors()
    with pytest.raises(PortError) as error:
        open_port(line(pair[1], frame))
    assert pair[1] in error.value.where
    assert frame in error.value.where
    assert error.value.next_step
    assert descriptors() == before


@pytest.mark.parametrize(("name", "kind"), [("/dev/does-not-exist", PortGoneError), ("/dev/null", PortError)])
def test_what_is_no_port(name: str, kind: type[Exception], tmp_path: Path) -> None:
    with pytest.raises(kind):
        open_port(line(name))
    (tmp_path / "file").write_text("")
    os.mkfifo(tmp_path / "pipe")
    for other in ("file", "pipe", "."):
        with pytest.raises(PortError, match="not a serial port"):
            open_port(line(str(tmp_path / other)))
    with pytest.raises(PortError, match="scheme 'loop' is not known"):
        open_port(line("loop://"))
    with pytest.raises(PortError, match="no path"):
        open_port(line("/dev/tty\0S0"))


def test_a_port_that_is_held_is_named_with_its_holder(pair: tuple[int, str]) -> None:
    program = (
        "import serial,sys; p = serial.Serial(sys.argv[1], exclusive=True); print('held', flush=True); sys.stdin.read()"
    )
    words = [sys.executable, "-c", program, pair[1]]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout
        assert other.stdout.readline() == "held\n"
        with pytest.raises(PortBusyError) as error:
            open_port(line(pair[1]))
        command = Path(f"/proc/{other.pid}/comm").read_text().strip()
        assert f"process {other.pid} ({command})" in error.value.what
        assert Holder(other.pid, command) in holders(pair[1])
        other.communicate()
    with closing(open_port(line(pair[1]))):  # free again
        pass


def test_the_lock_outlives_pyserials_own_descriptor(pair: tuple[int, str]) -> None:
    with closing(open_port(line(pair[1]))) as port:
        with pytest.raises(PortBusyError, match="dncd itself"):
            open_port(line(pair[1], "8N1"))
        with pytest.raises(serial.SerialException):
            serial.Serial(pair[1], exclusive=True)
        fcntl.flock(port.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)  # ours: asking again is no conflict


def test_a_port_leaves_no_claim_behind(pair: tuple[int, str]) -> None:
    """A terminal whose far end stays open keeps a TIOCEXCL, and the service's own user could not open it again."""
    kept = os.open(pair[1], os.O_RDWR | os.O_NOCTTY)
    try:
        port = open_port(line(pair[1]))
        assert fcntl.ioctl(kept, TIOCGEXCL, bytes(4)) == bytes(4), "a service that is killed leaves none either"
        fcntl.ioctl(kept, termios.TIOCEXCL)
        port.close()
        assert fcntl.ioctl(kept, TIOCGEXCL, bytes(4)) == bytes(4)
    finally:
        os.close(kept)


def test_one_descriptor_a_port(pair: tuple[int, str]) -> None:
    before = descriptors()
    with closing(open_port(line(pair[1]))):
        assert descriptors() == before + 1
    assert descriptors() == before


def test_a_good_ff_on_a_port_that_marks(pair: tuple[int, str]) -> None:
    """The kernel's own doubling, measured on a pty, undone."""
    fd = os.open(pair[1], os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    serial_port._set_last(fd, line(pair[1], "8N1", 38400), Frame.parse("8N1"))
    flags = termios.tcgetattr(fd)
    flags[0] |= termios.INPCK | termios.PARMRK
    termios.tcsetattr(fd, termios.TCSANOW, flags)
    with closing(TtyPort(pair[1], fd, early=b"", notes=())) as port:
        os.write(pair[0], b"\x41\xff\x42")
        assert select.select([fd], [], [], 5)[0]
        assert os.read(fd, 100) == MARKS["good_41_ff_42"]
        os.write(pair[0], b"\x41\xff\x42\x00")
        assert select.select([fd], [], [], 5)[0]
        assert port.read() == Reading(b"\x41\xff\x42\x00")


ICOUNT_FIELDS = ["cts", "dsr", "rng", "dcd", "rx", "tx", "frame", "overrun", "parity", "brk", "buf_overrun"]
"""Order of `struct serial_icounter_struct` (the kernel's uapi header linux/serial.h, read on Debian 12; verified)."""


def icount(**counts: int) -> bytes:
    return struct.pack("=20i", *(counts.get(name, 0) for name in ICOUNT_FIELDS), *[0] * 9)


def test_the_drivers_counters_are_read_in_the_order_of_the_kernels_header() -> None:
    for number, (name, expected) in enumerate(
        [
            ("frame", Counters(framing=7)),
            ("overrun", Counters(overruns=8)),
            ("parity", Counters(parity=9)),
            ("brk", Counters(breaks=10)),
            ("buf_overrun", Counters(overruns=11)),
            ("rx", Counters()),
        ],
        7,
    ):
        assert serial_port.counters_of(icount(**{name: number})) == expected
    header = Path("/usr/include/linux/serial.h")
    if header.exists():
        body = header.read_text().split("struct serial_icounter_struct {")[1].split("}")[0]
        assert [word for word in re.findall(r"\w+", body) if word != "int"][: len(ICOUNT_FIELDS)] == ICOUNT_FIELDS


def test_what_the_driver_counts_comes_with_the_bytes_and_an_overrun_is_a_fault_without_a_place(
    pair: tuple[int, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A driver behind a pseudo-terminal: only its counters are scripted, a pseudo-terminal has none (measured)."""
    driver = {"overrun": 5, "frame": 2}
    real = serial_port.fcntl.ioctl

    def ioctl(fd: int, request: int, argument: bytes = b"") -> object:
        return icount(**driver) if request == serial_port._TIOCGICOUNT else real(fd, request, argument)

    monkeypatch.setattr(serial_port.fcntl, "ioctl", ioctl)
    with closing(open_port(line(pair[1]))) as port:

        def said(text: bytes) -> Reading:
            os.write(pair[0], text)
            assert select.select([port.fileno()], [], [], 5)[0]
            return port.read()

        assert said(b"A") == Reading(b"A")  # what was counted before the opening is not ours
        driver |= {"overrun": 6, "buf_overrun": 2, "frame": 3}
        assert said(b"B") == Reading(b"B", (), Counters(overruns=3), Counters(overruns=3, framing=1))
        assert said(b"C") == Reading(b"C")
        driver.clear()  # a driver that starts anew counts nothing backwards
        assert said(b"D") == Reading(b"D")
        assert port.counters() == Counters()


def test_low_latency_that_is_refused_is_a_note_and_no_error() -> None:
    with open("/dev/null", "rb") as device:  # noqa: PTH123 -- a character device that is no serial port
        (note,) = serial_port._low_latency(device.fileno(), "/dev/null")
    assert note == f"low latency was refused ({os.strerror(errno.ENOTTY)})"


def test_low_latency_is_asked_for_by_its_flag_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """flags is the fifth int of struct serial_struct, ASYNC_LOW_LATENCY its bit 13 (linux/serial.h, tty_flags.h)."""
    had = struct.pack("=5i", 1, 2, 3, 4, 0x10) + bytes(108)
    asked = []

    def ioctl(_fd: int, request: int, argument: bytes | bytearray) -> int:
        if request == termios.TIOCGSERIAL:
            argument[:] = had
        else:
            asked.append((request, bytes(argument)))
        return 0

    with open("/dev/null", "rb") as device:  # noqa: PTH123
        monkeypatch.setattr(serial_port.fcntl, "ioctl", ioctl)
        assert serial_port._low_latency(device.fileno(), "/dev/null") == ["low latency is on"]
    assert asked == [(termios.TIOCSSERIAL, struct.pack("=5i", 1, 2, 3, 4, 0x10 | 1 << 13) + bytes(108))]


def test_marks_of_the_vectors() -> None:
    assert MarkedInput().feed(MARKS["good_41_ff_42"]) == Reading(b"\x41\xff\x42")
    assert MarkedInput().feed(MARKS["bad_parity_byte_0x35"]) == Reading(b"\x35", (0,))
    assert MarkedInput().feed(MARKS["break"]) == Reading(b"\0", (0,))
    assert MarkedInput().feed(b"AB" + MARKS["bad_parity_byte_0x35"] + b"C\xff\x00\xff\xff\xff") == Reading(
        b"AB\x35C\xff\xff", (2, 4)
    )
    assert MarkedInput().feed(b"A\xffB") == Reading(b"A\xffB")  # not what a driver sends, and yet nothing is lost


@given(st.lists(st.tuples(st.integers(0, 255), st.booleans())), st.data())
def test_any_cut_of_marked_input_reads_the_same(characters: list[tuple[int, bool]], data: st.DataObject) -> None:
    raw = b"".join(b"\xff\0" + bytes([c]) if bad else b"\xff\xff" if c == 255 else bytes([c]) for c, bad in characters)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(raw)), max_size=8)))
    marks, got, bad = MarkedInput(), b"", []
    for start, end in zip([0, *cuts], [*cuts, len(raw)], strict=True):
        reading = marks.feed(raw[start:end])
        bad += [len(got) + index for index in reading.bad]
        got += reading.data
    assert got == bytes(c for c, _ in characters)
    assert bad == [index for index, (_, wrong) in enumerate(characters) if wrong]


@given(st.lists(st.binary(max_size=6)))
def test_no_input_breaks_the_decoder(pieces: list[bytes]) -> None:
    marks, whole = MarkedInput(), MarkedInput()
    assert b"".join(marks.feed(p).data for p in pieces) == whole.feed(b"".join(pieces)).data
