"""A stand-in control behind a device server. As a program: `standin_server.py PROFILE`, keys as of `dncd standin`."""

import socket
import sys

from device_servers import DeviceServer

from dncd.choices import ModemLine
from dncd.standin.build import counterpart, of_profile
from dncd.standin.control import StandIn
from dncd.standin.keyboard import Keyboard
from dncd.standin.plug import Plug
from dncd.standin.screen import Screen
from dncd.standin.yard import Yard
from dncd.values import Signal


class ServerPlug(Plug):
    """The control's end of a device server's port. telnet: RFC 2217, else characters alone."""

    def __init__(self, *, telnet: bool = True) -> None:
        self._far, near = socket.socketpair()
        self._near = near
        self.server = DeviceServer(telnet=telnet, behind=near)
        super().__init__(self._far.fileno(), self.server.url)

    def host_baud(self) -> float:
        return float(self.server.cable.baudrate) if self.server.manager else 0.0

    def host_rts(self) -> Signal:
        return Signal.ON if self.server.cable.rts else Signal.OFF

    def host_dtr(self) -> Signal:
        return Signal.ON if self.server.cable.dtr else Signal.OFF

    def show(self, line: ModemLine, on: Signal) -> None:
        of_control = {ModemLine.CTS: "control_rts", ModemLine.DSR: "control_dtr"}.get(line)
        if of_control is not None and getattr(self.server.cable, of_control) is not (on is Signal.ON):
            setattr(self.server.cable, of_control, on is Signal.ON)
            self.server.look_at_lines()

    def close(self) -> None:
        self.server.close()
        self._near.close()
        self._far.close()


if __name__ == "__main__":
    control = StandIn(counterpart(of_profile(sys.argv[1])), plug=ServerPlug())
    with Yard(control):
        Screen(control, control.path, Keyboard(sys.stdin), sys.stdout).play()
