"""A control at a pseudo-terminal that takes, holds and goes on when the test says so, however busy the machine is."""

import os
import pty
import select
import tty


class PtyLine:
    """What it was sent and has not read lies in the terminal (4,095 characters on Linux)."""

    def __init__(self):
        self.far, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        os.close(self.far)
        os.close(self._slave)

    def read(self, count, within_s=30.0):
        """The next `count` characters."""
        found = b""
        while len(found) < count:
            assert select.select([self.far], [], [], within_s)[0], f"{len(found)} of {count} characters came"
            found += os.read(self.far, count - len(found))
        return found

    def say(self, data):
        os.write(self.far, data)

    def hold(self):
        self.say(b"\x93")

    def go(self):
        self.say(b"\x11")
