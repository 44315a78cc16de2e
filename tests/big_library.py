"""A library of any size, made fast: the commits that dncd would make, written by `git fast-import`."""

import hashlib
import random
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from dncd.records.library import path_of

MACHINES = 20
"""Machines that the programs are spread over."""


@dataclass(frozen=True)
class Made:
    """One revision as it was made. text: between the marks, LF line ends."""

    machine: str
    program: str
    number: int
    text: bytes


def machine_of(program: int) -> str:
    return f"machine-{program % MACHINES:02}"


def name_of(program: int) -> str:
    return f"O{program // MACHINES:04}"


def text_of(program: int, number: int, blocks: int = 60) -> bytes:
    """A program whose revisions differ in a feed and a dimension, as edits at a control do."""
    name, chance = name_of(program), random.Random(program)
    lines = [f"{name} (PART {program} OF {machine_of(program).upper()})", "N1 G90 G94"]
    for n in range(2, blocks):
        x, z = chance.randint(-99_999, 99_999) / 1000, chance.randint(-99_999, 99_999) / 1000
        lines.append(f"N{n} G01 X{x:.3f} Z{z:.3f} F{100 + chance.randint(0, 900)}")
    lines[1 + number % (blocks - 2)] += f" S{1000 + number}"
    return "\n".join([*lines, "M30", ""]).encode()


def order(programs: int, revisions: int) -> Iterator[tuple[int, int]]:
    """Program and revision number: every program once, then what is left by chance."""
    numbers, chance = [0] * programs, random.Random(4)
    for n in range(revisions):
        program = n if n < programs else chance.randrange(programs)
        numbers[program] += 1
        yield program, numbers[program]


def revisions_of(programs: int, revisions: int) -> Iterator[Made]:
    for program, number in order(programs, revisions):
        yield Made(machine_of(program), name_of(program), number, text_of(program, number))


def message_of(made: Made, blob: str) -> bytes:
    title = made.text.split(b"(", 1)[1].split(b")", 1)[0].decode()
    foot = {
        "Machine": made.machine,
        "Program": made.program,
        "From": "office" if made.number % 3 else "machine",
        "Wire-SHA256": "ab" * 32,
        "Chars": str(len(made.text)),
        "Title": title,
        "Blob": blob,
    }
    lines = "".join(f"{key}: {value}\n" for key, value in foot.items())
    return f"{made.program} at {made.machine}, revision {made.number} from the {foot['From']}\n\n{lines}".encode()


def stream(programs: int, revisions: int, start: int = 1_700_000_000) -> Iterator[bytes]:
    """What git fast-import(1) reads: one commit for each revision."""
    for n, made in enumerate(revisions_of(programs, revisions)):
        blob = hashlib.sha1(b"blob %d\0" % len(made.text) + made.text, usedforsecurity=False).hexdigest()
        message = message_of(made, blob)
        yield b"commit refs/heads/main\ncommitter dncd <dncd@localhost> %d +0000\n" % (start + 60 * n)
        yield b"data %d\n%s\n" % (len(message), message)
        path = f"{made.machine}/{made.program}.nc".encode()
        yield b"M 100644 inline %s\ndata %d\n%s\n" % (path, len(made.text), made.text)


def make(state: Path, programs: int, revisions: int) -> Path:
    """A library with so many programs and revisions, in one pack; where it is."""
    path = path_of(state)
    path.parent.mkdir(parents=True, exist_ok=True)
    subprocess.run(["git", "init", "-q", "--bare", "-b", "main", str(path)], check=True)
    words = ["git", f"--git-dir={path}", "fast-import", "--quiet"]
    with subprocess.Popen(words, stdin=subprocess.PIPE) as child:
        assert child.stdin is not None
        for piece in stream(programs, revisions):
            child.stdin.write(piece)
    assert child.returncode == 0
    return path
