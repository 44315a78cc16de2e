"""A line behind a plain socket: dncd connects to it, and the test is the control."""

import select
import socket
import time


class SocketLine:
    """A socket that dncd connects to; `line()` is the control's end."""

    def __init__(self):
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        self._line = None

    def line(self):
        if self._line is None:
            self._listener.settimeout(60)
            self._line, _ = self._listener.accept()
        return self._line

    def read(self, until_data, seconds=120.0):
        """What comes until `until_data(all)`; with the time of each piece."""
        end, got, times = time.monotonic() + seconds, b"", []
        while not until_data(got):
            assert select.select([self.line()], [], [], max(0.0, end - time.monotonic()))[0], got
            piece = self.line().recv(4096)
            times.append((time.monotonic(), piece))
            got += piece
        return got, times

    def close(self):
        for end in (self._line, self._listener):
            if end is not None:
                end.close()


def settings(server, **tables):
    machine = {
        "line": {"port": server.port, "baud": 115200, "frame": "8N1", "flow": "none"},
        "send": {"start_on": "now"},
        "receive": {"silence_s": 0.5},
    }
    for name, keys in tables.items():
        machine.setdefault(name, {}).update(keys)
    return machine
