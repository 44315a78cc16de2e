"""The sending machine as tests drive it on a clock of their own."""

from dncd.choices import Flow
from dncd.line.sending import Sending
from dncd.values import Frame, LineSettings, SendSettings

CHAR_S = 10 / 9600


DC1, DC3, DC3_PARITY = b"\x11", b"\x13", b"\x93"


def machine(total=1000, flow=Flow.XON_XOFF, ahead=8, **send):
    line = LineSettings("x", baud=9600, frame=Frame.parse("7E1"), flow=flow, ahead_chars=ahead)
    sending = Sending(line, SendSettings(**send), total, 0.0)
    sending.supply(b"A" * total)
    return sending


def step(sending, now, took=None):
    part = sending.allowed(now)
    if part:
        took = len(part) if took is None else min(took, len(part))
        sending.wrote(took, len(part), now)
    sending.tick(now)
    return len(part) if part else 0


def run_to_end(sending, now=0.0, most=100_000):
    for _ in range(most):
        step(sending, now)
        if sending.outcome:
            return now
        due = sending.next_due()
        assert due is not None
        now = max(now, due)
    raise AssertionError("it never ends")
