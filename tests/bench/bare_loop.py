"""The least that paces itself: `select`, a model of each line's clock, DC3 and DC1. No records, no folders, no checks.

    python tests/bench/bare_loop.py FILE BAUD AHEAD PORT...    (10 bits a character)

Writes "ready" when all ports are open, sends on each after its control's first DC1, and ends when all is out.
"""

import heapq
import os
import select
import sys
import time


def main(file: str, baud: int, ahead: int, paths: list[str]) -> None:
    with open(file, "rb") as text:  # noqa: PTH123 - the least
        image = text.read()
    char_s = 10 / baud
    ports = [os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK) for path in paths]
    at, busy, held = dict.fromkeys(ports, 0), dict.fromkeys(ports, 0.0), dict.fromkeys(ports, True)
    due: list[tuple[float, int]] = []
    print("ready", flush=True)
    left = len(ports)
    while left:
        wait = max(0.0, due[0][0] - time.monotonic()) if due else None
        for port in select.select(ports, [], [], wait)[0]:
            for char in os.read(port, 4096):
                if char & 0x7F == 0x13:
                    held[port] = True
                elif char & 0x7F == 0x11 and held[port]:
                    held[port] = False
                    heapq.heappush(due, (0.0, port))
        now = time.monotonic()
        while due and due[0][0] <= now:
            _, port = heapq.heappop(due)
            if held[port]:
                continue
            room = ahead - max(0, round((busy[port] - now) / char_s))
            if room > 0:
                at[port] += (took := os.write(port, image[at[port] : at[port] + room]))
                now = time.monotonic()
                busy[port] = max(busy[port], now) + took * char_s
            if at[port] < len(image):
                heapq.heappush(due, (max(now, busy[port] - ahead / 2 * char_s), port))
            else:
                left -= 1
    print("sent", flush=True)
    sys.stdin.read()  # a terminal that is closed forgets what nobody has read


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), sys.argv[4:])
