"""A yard of stand-in controls: one thread that serves them all, so that a hundred cost little."""

import os
import select
import threading

from dncd.standin.build import clock
from dncd.standin.control import Mode, StandIn

IDLE_S = 0.02
"""Seconds between looks at a control whose reader and punch are off."""

TICK_S = 0.0003
"""Shortest time between two looks at a busy control."""

SHARE_S = 0.00003
"""Seconds of a tick for each control of the yard: a look costs some ten microseconds."""


class Yard:
    """Serves its controls while entered as a context; closes them when left."""

    def __init__(self, *controls: StandIn) -> None:
        self.controls = controls
        self._thread = threading.Thread(target=self._run, name="stand-in controls", daemon=True)
        self._wake_out, self._wake_in = os.pipe()
        self._tick_s = max(TICK_S, SHARE_S * len(controls))

    def __enter__(self) -> "Yard":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        os.write(self._wake_in, b".")
        self._thread.join()
        os.close(self._wake_in)
        os.close(self._wake_out)
        for control in self.controls:
            control.close()

    def _run(self) -> None:
        due = dict.fromkeys(self.controls, clock())
        while True:
            idle = {control.line.fd: control for control in self.controls if control.line.idle()}
            wait_s = max(self._tick_s / 4, min(due.values()) - clock())
            ready, _, _ = select.select([self._wake_out, *idle], [], [], wait_s)
            if self._wake_out in ready:
                return
            now = clock()
            for fd, control in idle.items():
                if fd not in ready:
                    control.line.nothing_there(now)
            for control, at in due.items():
                if at <= now or control.line.fd in ready:
                    control.step(control.clock())
                    due[control] = now + self._pause_s(control)

    def _pause_s(self, control: StandIn) -> float:
        if control.mode is Mode.OFF and control.line.idle():
            return IDLE_S
        return max(self._tick_s, control.line.char_s / 2)
