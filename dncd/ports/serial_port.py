"""Serial ports and pseudo-terminals: opened by pyserial, then read and written by descriptor.

pyserial finds the device, locks it and sets rate and frame; then its own reading and writing are not used, because
it loses count of a cancelled write, spins on a full buffer and clears our error marks at every change of a property.
Three of its traps are met here: opening throws away what waits (`_KeepsInput`), it keeps four pipe descriptors a
port (we keep a duplicate of the one that counts: lock and settings belong to the open file, not to the number), and it
takes 1.5 stop bits for 2 (refused before).
"""

import contextlib
import ctypes
import errno
import fcntl
import os
import re
import stat
import struct
import termios
from collections.abc import Iterator
from dataclasses import astuple, replace
from fractions import Fraction
from pathlib import Path
from typing import Final

import serial

from dncd import defaults
from dncd.choices import ModemLine
from dncd.errors import DncdError, PortBusyError, PortError, PortGoneError
from dncd.peer_text import shown
from dncd.ports.holders import holders
from dncd.ports.port import NOTHING, Port, Reading, cannot, carried_frame, refuse_odd_stop_bits
from dncd.values import NO_FAULTS, Counters, Frame, LineSettings, Modem, Signal

PTY_MAJORS: Final = range(136, 144)
"""Device majors of Unix98 pseudo-terminals (Linux list of devices; memory)."""

_TERMIOS2: Final = struct.Struct("=4IB19s2I")
_TCGETS2: Final = 0x802C542A
_TIOCGICOUNT: Final = 0x545D
_ICOUNT: Final = struct.Struct("=20i")
_ASYNC_LOW_LATENCY: Final = 1 << 13
_SERIAL_STRUCT_BYTES: Final = 128  # 72 on 64-bit kernels; more room is harmless
_SERIAL_STRUCT_FLAGS: Final = 16
_CMSPAR: Final = 0o10000000000
_LINE_BITS: Final = {ModemLine.RTS: termios.TIOCM_RTS, ModemLine.DTR: termios.TIOCM_DTR}

_LIBC = ctypes.PyDLL(None, use_errno=True)
"""read(2) and write(2) that keep the interpreter's lock: at a port that never waits they take some microseconds, and with
those of `os` a busy thread of records would take the line loop's turn at each (64 lines ran at 92 % while their revisions
were made, at 96 % or 97 % with this write)."""
_READ, _WRITE = _LIBC.read, _LIBC.write
_READ.argtypes, _READ.restype = (ctypes.c_int, ctypes.c_char_p, ctypes.c_size_t), ctypes.c_ssize_t
_WRITE.argtypes, _WRITE.restype = (ctypes.c_int, ctypes.c_char_p, ctypes.c_size_t), ctypes.c_ssize_t

_READ_BYTES: Final = 4096
"""All that a terminal of Linux gives at once (N_TTY_BUF_SIZE); what is left wakes the loop again."""

_FAULTS = (OSError, termios.error, serial.SerialException, TypeError, ValueError)
"""All that a port that went away was seen to raise."""


class _KeepsInput(serial.Serial):
    """pyserial's port without the flush at opening: a control may have begun to punch before dncd was there."""

    def _reset_input_buffer(self) -> None:
        """Nothing is thrown away."""


_MARK: Final = re.compile(rb"\xff(?:\0(?P<marked>.)|\xff|(?P<open>\0?\Z)|)", re.DOTALL)


class MarkedInput:
    """What a driver makes of characters with wrong parity or stop bits (PARMRK input).

    FF FF is a good FF, FF 00 x a character x that the UART marked (termios(3)).
    """

    def __init__(self) -> None:
        self._held = b""

    def feed(self, raw: bytes) -> Reading:
        """The characters of `raw` and the indexes of the marked ones; an unfinished mark waits for its rest."""
        if not self._held and b"\xff" not in raw:
            return Reading(raw)
        raw, self._held = self._held + raw, b""
        data, bad, at = bytearray(), list[int](), 0
        for mark in _MARK.finditer(raw):
            data += raw[at : mark.start()]
            at = mark.end()
            if mark["open"] is not None:
                self._held = mark[0]
            elif mark["marked"]:
                bad.append(len(data))
                data += mark["marked"]
            else:
                data.append(0xFF)  # a lone FF cannot come from a driver that marks; it is kept, its neighbour read anew
        return Reading(bytes(data + raw[at:]), tuple(bad))


class TtyPort(Port):
    def __init__(self, name: str, fd: int, *, early: bytes, notes: tuple[str, ...]) -> None:
        super().__init__(name, notes)
        self._fd = fd
        self._room = ctypes.create_string_buffer(_READ_BYTES)
        self._marks = MarkedInput() if termios.tcgetattr(fd)[0] & termios.PARMRK else None
        if early:
            self.put_back(Reading(early))
        self._has_count = not _is_pty(fd) and _answers(fd, termios.TIOCOUTQ, bytes(4))
        self._has_modem = _answers(fd, termios.TIOCMGET, bytes(4))
        self._has_counters = _answers(fd, _TIOCGICOUNT, bytes(_ICOUNT.size))
        self._seen = self.counters() or Counters()

    def fileno(self) -> int:
        if self._fd < 0:
            raise self._gone(None)
        return self._fd

    def read_new(self) -> Reading:
        """What has come, with the marked characters named, and what the driver counted since the last look.

        The counters are asked after the bytes were taken: a full buffer that lost characters always has bytes to read.
        """
        came = _READ(self._fd, self._room, _READ_BYTES)
        if came <= 0:  # VMIN is 1, so "nothing yet" is EAGAIN and an empty read is a hang-up
            self._may_wait(came)
            return NOTHING
        raw = ctypes.string_at(self._room, came)
        reading = self._marks.feed(raw) if self._marks else Reading(raw)
        counted = self._count()
        if counted == NO_FAULTS:
            return reading
        return replace(reading, notices=Counters(overruns=counted.overruns), counted=counted)

    def write(self, data: bytes) -> int:
        if not data and self._fd >= 0:
            return 0
        taken: int = _WRITE(self._fd, data, len(data))
        if taken < 0:
            self._may_wait(taken)
        return max(taken, 0)

    def _may_wait(self, result: int) -> None:
        """PortGoneError unless there was only nothing to read, or no room, just now."""
        number = ctypes.get_errno()
        if result == 0:
            raise self._gone(None)
        if number not in (errno.EAGAIN, errno.EINTR):
            raise self._gone(OSError(number, os.strerror(number)))

    def outgoing(self) -> int | None:
        """The driver's queue (TIOCOUTQ; the chip's own FIFO is not in it on most drivers)."""
        if not self._has_count:
            return None
        return int.from_bytes(self._ioctl(termios.TIOCOUTQ, bytes(4)), "little")

    def modem(self) -> Modem:
        if not self._has_modem:
            return Modem()
        bits = int.from_bytes(self._ioctl(termios.TIOCMGET, bytes(4)), "little")

        def line(bit: int) -> Signal:
            return Signal.ON if bits & bit else Signal.OFF

        return Modem(line(termios.TIOCM_CTS), line(termios.TIOCM_DSR), line(termios.TIOCM_CAR))

    def switch(self, line: ModemLine, on: Signal) -> None:
        if line in _LINE_BITS and self._has_modem:
            request = termios.TIOCMBIS if on is Signal.ON else termios.TIOCMBIC
            self._ioctl(request, _LINE_BITS[line].to_bytes(4, "little"))

    def counters(self) -> Counters | None:
        """TIOCGICOUNT: overruns of chip and of the driver's buffer together."""
        if not self._has_counters:
            return None
        return counters_of(self._ioctl(_TIOCGICOUNT, bytes(_ICOUNT.size)))

    def close(self) -> None:
        """Give the port back; DTR and RTS stay as they are (HUPCL is off), so that a control sees no reset."""
        if self._fd >= 0:
            fd, self._fd = self._fd, -1
            with contextlib.suppress(OSError):  # a device that was pulled out may refuse even this
                fcntl.ioctl(fd, termios.TIOCNXCL)  # else the claim stays for as long as anybody else has it open
            with contextlib.suppress(OSError):  # and this; it is closed
                os.close(fd)

    def _count(self) -> Counters:
        now = self.counters()
        if now is None or now == self._seen:
            return NO_FAULTS
        counted, self._seen = now - self._seen, now
        return Counters(*(max(0, number) for number in astuple(counted)))

    def _ioctl(self, request: int, argument: bytes) -> bytes:
        try:
            return fcntl.ioctl(self._fd, request, argument)
        except _FAULTS as fault:
            raise self._gone(fault) from fault

    def _gone(self, fault: BaseException | None) -> PortGoneError:
        return gone(self.name, "the port went away" if fault is None else f"the port went away ({shown(str(fault))})")


def counters_of(icount: bytes) -> Counters:
    """The faults in a `struct serial_icounter_struct` of linux/serial.h: cts, dsr, rng, dcd, rx, tx, frame, overrun,
    parity, brk, buf_overrun, and nine reserved, each an int (its order from memory; held against the system's own header
    where a test finds one). Overruns of the chip and of the driver's buffer are one number here: characters were lost."""
    count = _ICOUNT.unpack(icount)
    return Counters(overruns=count[7] + count[10], framing=count[6], parity=count[8], breaks=count[9])


def open_tty(line: LineSettings) -> TtyPort:
    """Open a device of this machine; errors as `opening.open_port`."""
    frame = carried_frame(line.frame)
    refuse_odd_stop_bits(line, frame)
    _look(line.port)
    notes: list[str] = []
    with _told(line), _opened(line, frame) as port:
        fd = os.dup(port.fileno())
    try:
        with _told(line):
            # On a terminal the lock on the file must do: its far end may hold it, and with it the claim, open for ever.
            if not _is_pty(fd):
                fcntl.ioctl(fd, termios.TIOCEXCL)
            early = _set_last(fd, line, frame)
            notes += _low_latency(fd, line.port)
            others = [] if _is_pty(fd) else [h for h in holders(fd) if not h.is_self]
            if others:
                notes.append(f"{line.port} is open in {', '.join(map(str, others))} too")
            return TtyPort(line.port, fd, early=early, notes=tuple(notes))
    except BaseException:
        os.close(fd)
        raise


def gone(name: str, what: str) -> PortGoneError:
    return PortGoneError(
        what, f"port {name}", "Check cable, power and adaptor; dncd tries the port again until it is there"
    )


def _no_port(port: str, what: str) -> PortError:
    return PortError(what, f"port {port}", "Name a device such as /dev/ttyS0")


def _look(port: str) -> None:
    try:
        mode = Path(port).stat().st_mode
    except ValueError:
        raise _no_port(shown(port), "the name is no path") from None
    except OSError as fault:
        raise gone(port, f"there is no such device ({os.strerror(fault.errno or 0)})") from fault
    if not stat.S_ISCHR(mode):
        raise _no_port(port, "it is not a serial port")


@contextlib.contextmanager
def _opened(line: LineSettings, frame: Frame) -> Iterator[serial.Serial]:
    stop = {Fraction(1): serial.STOPBITS_ONE, Fraction(3, 2): serial.STOPBITS_ONE_POINT_FIVE}
    with _told(line):
        port = _KeepsInput(
            line.port,
            baudrate=line.baud,
            bytesize=frame.data_bits,
            parity=frame.parity,
            stopbits=stop.get(frame.stop_bits, serial.STOPBITS_TWO),
            timeout=0,
            exclusive=True,
        )
    try:
        yield port
    finally:
        port.close()


@contextlib.contextmanager
def _told(line: LineSettings) -> Iterator[None]:
    """Turn whatever an opening may raise into one of the three errors of `open_port`."""
    try:
        yield
    except DncdError:
        raise
    except _FAULTS as fault:
        number = _errno(fault)
        if number in (errno.EBUSY, errno.EAGAIN):
            held = ", ".join(map(str, holders(line.port))) or "another program, which the system does not name"
            raise PortBusyError(
                f"it is held by {held}",
                f"port {line.port}",
                "End that program or name another port; dncd tries again until the port is free",
            ) from fault
        if number == errno.ENOTTY:
            raise _no_port(line.port, "it is not a serial port") from fault
        if number == errno.EINVAL:
            raise cannot(line, "the port refuses this rate or frame") from fault
        if number in (errno.EACCES, errno.EPERM):
            raise PortGoneError(
                "the user that dncd runs as may not open it",
                f"port {line.port}",
                "Put that user into the group of the device (`ls -lL` shows it, often dialout) and start dncd again",
            ) from fault
        raise gone(line.port, f"it cannot be opened ({shown(str(fault))})") from fault


def _errno(fault: BaseException | None) -> int | None:
    """The number of the system's error, wherever pyserial hid it."""
    while fault is not None:
        if isinstance(fault, termios.error):
            return int(fault.args[0])
        if isinstance(fault, OSError) and fault.errno is not None:
            return fault.errno
        if isinstance(fault, ValueError):
            return errno.EINVAL
        fault = fault.__cause__ or fault.__context__
    return None


def _set_last(fd: int, line: LineSettings, frame: Frame) -> bytes:
    """Our own settings, after pyserial's; then read all of it back. Returns what had come unmarked before."""
    iflag, oflag, cflag, lflag, ispeed, ospeed, cc = termios.tcgetattr(fd)
    iflag = 0  # no XON/XOFF, no CR or case mapping, no strip; a break reads as NUL
    oflag &= ~termios.OPOST
    lflag &= ~(termios.ICANON | termios.ECHO | termios.ECHOE | termios.ECHOK | termios.ECHONL)
    lflag &= ~(termios.ISIG | termios.IEXTEN)
    cflag = (cflag | termios.CLOCAL | termios.CREAD) & ~(termios.CRTSCTS | termios.HUPCL)
    cc[termios.VMIN], cc[termios.VTIME] = 1, 0
    early = b""
    if not _is_pty(fd):
        # A UART marks wrong parity and wrong stop bits; what came before the marks were on has no doubled FF.
        with contextlib.suppress(BlockingIOError):
            early = os.read(fd, defaults.PORT_READ_BYTES)
        iflag |= termios.INPCK | termios.PARMRK
    termios.tcsetattr(fd, termios.TCSANOW, [iflag, oflag, cflag, lflag, ispeed, ospeed, cc])
    _check(fd, line, frame, iflag)
    return early


def _check(fd: int, line: LineSettings, frame: Frame, iflag: int) -> None:
    """PortError unless the port says that it does what was asked."""
    got_iflag, _, cflag, *_ = termios.tcgetattr(fd)
    size = {termios.CS5: 5, termios.CS6: 6, termios.CS7: 7, termios.CS8: 8}[cflag & termios.CSIZE]
    parity = "N" if not cflag & termios.PARENB else "O" if cflag & termios.PARODD else "E"
    if (size, parity) != (frame.data_bits, frame.parity) or cflag & _CMSPAR:
        raise cannot(line, f"the port makes {size} bits and parity {parity} of it")
    if bool(cflag & termios.CSTOPB) != (frame.stop_bits != 1):
        raise cannot(line, "the port does not take these stop bits")
    if cflag & termios.CRTSCTS or (got_iflag ^ iflag) & (termios.IXON | termios.IXOFF | termios.PARMRK | termios.INPCK):
        raise cannot(line, "the port keeps a flow control or an error mark of its own")
    rate = _TERMIOS2.unpack(fcntl.ioctl(fd, _TCGETS2, bytes(_TERMIOS2.size)))[-1]
    if abs(rate - line.baud) > defaults.RATE_OFF * line.baud:
        raise cannot(line, f"the port runs at {rate} baud instead")


def _is_pty(fd: int) -> bool:
    return os.major(os.fstat(fd).st_rdev) in PTY_MAJORS


def _answers(fd: int, request: int, argument: bytes) -> bool:
    try:
        fcntl.ioctl(fd, request, argument)
    except OSError:
        return False
    return True


def _low_latency(fd: int, port: str) -> list[str]:
    """Ask for input without the driver's pause (USB adaptors hold it up to 16 ms); says what came of it."""
    if _is_pty(fd):
        return []
    told = []
    try:
        settings = bytearray(_SERIAL_STRUCT_BYTES)
        fcntl.ioctl(fd, termios.TIOCGSERIAL, settings)
        (flags,) = struct.unpack_from("=i", settings, _SERIAL_STRUCT_FLAGS)
        struct.pack_into("=i", settings, _SERIAL_STRUCT_FLAGS, flags | _ASYNC_LOW_LATENCY)
        fcntl.ioctl(fd, termios.TIOCSSERIAL, bytes(settings))
        told.append("low latency is on")
    except OSError as fault:
        told.append(f"low latency was refused ({os.strerror(fault.errno or 0)})")
    timer = Path("/sys/class/tty", Path(port).resolve().name, "device", "latency_timer")
    with contextlib.suppress(OSError):  # most ports have no such timer, and a plain user may not set it
        timer.write_text("1")
    with contextlib.suppress(OSError):
        told.append(f"latency timer of the adaptor: {timer.read_text().strip()} ms")
    return told
