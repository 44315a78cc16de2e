"""Kermit against Debian's gkermit and ckermit over a pseudo-terminal, both ways, with damage on the line."""

import contextlib
import os
import pty
import random
import select
import shutil
import subprocess
import time
import tty

import pytest

from dncd.line.kermit import Receiver, Sender
from dncd.line.packet_machine import Ended, Ending, Received, Repeated, Started
from dncd.line.packet_rules import Phase
from dncd.values import Frame

EIGHT = Frame.parse("8N1")
BYTES = random.Random(5).randbytes(1500) + bytes(range(256)) + b"%\r\n" + b"0" * 300
TEXT = b"%\r\n" + b"".join(b"N%d G01 X%d.5 (&~#)\r\n" % (n, n) for n in range(10, 600, 10)) + b"%\r\n"
DEADLINE_S = 120.0
FAST = 5.0
"""Seconds of the machines pass so many times as quickly: what they wait for after damage is ten of them."""


def peer_words(program, job, check="3"):
    """The words that start it. job: "send" or "receive"."""
    if program == "gkermit":
        return ["gkermit", "-q", *(["-s", "out.nc"] if job == "send" else ["-r"])]
    setup = f"set file type binary, set transfer display none, set block {check}, set file scan off"
    does = f"{setup}, {job}{' out.nc' if job == 'send' else ''}, exit \\v(status)"
    return ["setsid", "-c", "-w", "kermit", "-Y", "-q", "-C", does]  # it speaks over its controlling terminal


PEERS = [
    pytest.param(
        program,
        marks=pytest.mark.skipif(shutil.which(command) is None, reason=f"Debian's {program} is absent"),
        id=program,
    )
    for program, command in (("gkermit", "gkermit"), ("ckermit", "kermit"))
]


@contextlib.contextmanager
def at_a_terminal(words, folder):
    """A program at a raw pseudo-terminal, and our end of it."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    try:
        with subprocess.Popen(words, stdin=theirs, stdout=theirs, stderr=theirs, cwd=folder) as peer:
            try:
                yield peer, ours
            finally:
                peer.kill()
    finally:
        os.close(ours)
        os.close(theirs)


def run(machine, line, hits=0):
    """The machine to its end; of what carries the packets to it or from it, one bit of every `hits`-th character is hit."""
    events, seen, until = [], [0], time.monotonic() + DEADLINE_S

    def damaged(data):
        out = bytearray(data)
        for index in range(len(out)):
            seen[0] += 1
            if hits and seen[0] % hits == 0:
                out[index] ^= 4
        return bytes(out)

    while machine.phase is not Phase.OVER:
        if out := machine.outgoing():
            os.write(line, damaged(out) if isinstance(machine, Sender) else out)
            if isinstance(machine, Sender):
                machine.written(time.monotonic() * FAST)
        due = machine.next_due()
        wait = 0.2 if due is None else max(0.0, min(0.2, due / FAST - time.monotonic()))
        assert time.monotonic() < until, events
        if select.select([line], [], [], wait)[0]:
            data = os.read(line, 4096)
            events += machine.feed(data if isinstance(machine, Sender) else damaged(data), time.monotonic() * FAST)
        events += machine.tick(time.monotonic() * FAST)
    os.write(line, machine.outgoing())
    return events


@pytest.mark.parametrize("hits", [0, 701])
@pytest.mark.parametrize("program", PEERS)
def test_a_kermit_receives(program, hits, tmp_path):
    with at_a_terminal(peer_words(program, "receive"), tmp_path) as (peer, line):
        machine = Sender(EIGHT, "O0001.NC", time.monotonic() * FAST)
        machine.supply(BYTES, 0.0)
        machine.finish(0.0)
        events = run(machine, line, hits)
        assert peer.wait(120) == 0
    (got,) = tmp_path.iterdir()
    assert (got.name.upper(), got.read_bytes()) == ("O0001.NC", BYTES)
    assert events[-1] == Ended(Ending.DONE, "")
    assert machine.chars == len(BYTES)
    assert any(isinstance(event, Repeated) for event in events) == bool(hits)


@pytest.mark.parametrize("hits", [0, 701])
@pytest.mark.parametrize("program", PEERS)
def test_a_kermit_sends(program, hits, tmp_path):
    (tmp_path / "out.nc").write_bytes(BYTES)
    with at_a_terminal(peer_words(program, "send"), tmp_path) as (peer, line):
        events = run(Receiver(EIGHT), line, hits)
        assert peer.wait(120) == 0
    assert b"".join(event.data for event in events if isinstance(event, Received)) == BYTES
    assert [event.name.upper() for event in events if isinstance(event, Started)] == ["OUT.NC"]
    assert [event for event in events if isinstance(event, Ended)] == [Ended(Ending.DONE, "")]


@pytest.mark.parametrize("check", ["1", "2", "3"])
@pytest.mark.parametrize("program", PEERS[1:])
def test_each_block_check_is_that_of_others(program, check, tmp_path):
    """A kermit that offers it gets it, and takes what is offered."""
    (tmp_path / "out.nc").write_bytes(TEXT)
    with at_a_terminal(peer_words(program, "send", check), tmp_path) as (peer, line):
        machine = Receiver(EIGHT)
        events = run(machine, line)
        assert peer.wait(120) == 0
    assert b"".join(event.data for event in events if isinstance(event, Received)) == TEXT
    assert machine._terms.check == int(check)
    (tmp_path / "out.nc").unlink()
    with at_a_terminal(peer_words(program, "receive"), tmp_path) as (peer, line):
        machine = Sender(EIGHT, "BACK.NC", time.monotonic() * FAST, check=int(check))
        machine.supply(TEXT, 0.0)
        machine.finish(0.0)
        run(machine, line)
        assert peer.wait(120) == 0
    assert [file.read_bytes() for file in tmp_path.iterdir()] == [TEXT]
    assert machine._terms.check == int(check)
