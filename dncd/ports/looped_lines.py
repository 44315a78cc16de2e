"""Whether a modem line only echoes our own: a three-wire cable often ties RTS to CTS, and DTR to DSR, in its plug.

Behind such a plug CTS says nothing of the control: hardware flow never stops dncd, and a start by CTS comes from nobody.
So a port whose settings need the line is tried once when it opens, on a line where nothing comes in: RTS goes off for a
moment, and CTS goes off with it only where they are tied together. This is what dncd does to hold a punching control, so
a control on such a line bears it; it is over in LOOKS_FOR_LOOP_S, and a control whose RTS is off is not tried at all.
"""

import select
import time
from collections.abc import Mapping
from typing import Final

from dncd import defaults
from dncd.choices import ModemLine
from dncd.ports.port import Port, Reading
from dncd.values import MachineSettings, Signal

_TIED: Final = {ModemLine.CTS: ModemLine.RTS, ModemLine.DSR: ModemLine.DTR}
"""Our line that such a plug ties to each of the control's."""

_ROUNDS: Final = 2
"""A control that switches its own line by chance does not do so twice in step with ours."""

_LOOK_S: Final = 0.002


class _NotIdleError(Exception):
    """Something came in: the line is not idle, and nothing is tried on it."""


def looped_lines(port: Port, machine: MachineSettings) -> Mapping[str, str]:
    """The lines among CTS and DSR that the settings need and that only echo RTS or DTR, each with a sentence for
    people. May take half a second behind a device server. PortGoneError as the port's own methods."""
    network = "://" in machine.line.port
    within = defaults.LOOKS_FOR_LOOP_NET_S if network else defaults.LOOKS_FOR_LOOP_S
    found = {}
    for theirs in machine.lines_needed:
        if _follows(port, theirs, within):
            found[theirs.value] = _sentence(
                _TIED[theirs].value,
                theirs.value,
                flows=machine.line.flow.stop_line is theirs,
                starts=machine.send.start_on.start_line is theirs,
            )
    return found


def _follows(port: Port, line: ModemLine, within: float) -> bool:
    """Whether `line` goes off and on with ours. Ours is on before and after, whatever happens."""
    try:
        if not _becomes(port, line, Signal.ON, within):
            return False
        for _ in range(_ROUNDS):
            for to in (Signal.OFF, Signal.ON):
                port.switch(_TIED[line], to)
                if not _becomes(port, line, to, within):
                    return False
    except _NotIdleError:
        return False
    finally:
        port.switch(_TIED[line], Signal.ON)
    return True


def _becomes(port: Port, line: ModemLine, wanted: Signal, within: float) -> bool:
    until = time.monotonic() + within
    while True:
        if select.select([port.fileno()], [], [], _LOOK_S)[0]:
            reading = port.read()
            if reading != Reading():
                port.put_back(reading)
                raise _NotIdleError
        if port.modem().of(line) is wanted:
            return True
        if time.monotonic() >= until:
            return False


def _sentence(ours: str, theirs: str, *, flows: bool, starts: bool) -> str:
    harm = [f"the control cannot stop dncd by {theirs}"] if flows else []
    harm += [f"{theirs} starts nothing here"] if starts else []
    ways = ['`line.flow = "xon/xoff"`'] if flows else []
    ways += ["another `send.start_on`"] if starts else []
    return (
        f"{ours} is looped back to {theirs} in a plug or cable ({theirs} follows dncd's own {ours}), so "
        f"{' and '.join(harm)}; wire {theirs} through to the control, or set {' and '.join(ways)}"
    )
