"""`dncd line replay`: a recording is heard again, and what the receiver would have kept of it is said."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from dncd.choices import Protocol
from dncd.cli.asking import FILE, JSON, Asked, command
from dncd.cli.layout import count, number, print_json, seconds
from dncd.commissioning.recording import Recording, from_control, read_recording
from dncd.errors import NotDoneError, UsageError
from dncd.line.receivers import is_noise, receiver_of, unfinished
from dncd.line.receiving import Began, Caught, Ended, Event, Receiving, Said
from dncd.peer_text import printable
from dncd.program.splitting import split
from dncd.station.capture_reading import Contents, read_all
from dncd.tape.capture import Capture
from dncd.tape.codes import Coder
from dncd.values import MachineSettings


@dataclass(frozen=True, slots=True)
class Heard:
    """A capture of the recording. at, seconds: its beginning and length; ended_by: what ended it; reasons: why it counts as
    damaged, none if it is whole; programs: (name, title, blocks) of each that it holds."""

    at: float
    seconds: float
    chars: int
    ended_by: str
    reasons: tuple[str, ...]
    programs: tuple[tuple[str, str, int], ...]

    @property
    def result(self) -> str:
        return "damaged" if self.reasons else "received"


@dataclass(frozen=True, slots=True)
class Replay:
    """What a receiver makes of a recording. said: the control's DC1 and DC3 outside captures; noise: captures let go."""

    captures: tuple[Heard, ...]
    said: tuple[tuple[float, str], ...]
    noise: int
    chars: int


@command(JSON)
@click.argument("file", metavar="FILE", type=FILE)
@click.option(
    "--machine", "-m", metavar="MACHINE", help="Hear it with this machine's settings, not the recorded one's."
)
def replay(given: Asked, file: Path, *, machine: str | None, as_json: bool) -> int:
    """What the receiver would keep of a recording. Writes nothing."""
    recording = _read(file)
    name = machine or recording.head.get("machine", "")
    if not name:
        raise UsageError("the recording does not say which machine it is from", str(file), "Name one with --machine")
    settings = given.machine(name)
    if settings.line.protocol is not Protocol.PLAIN:
        what = (
            f"its line speaks {settings.line.protocol.value}, where what the control sends depends on what dncd answers"
        )
        raise NotDoneError(what, name, "Replay recordings of plain lines; `dncd line watch` shows this one")
    found = hear(recording, settings)
    if as_json:
        print_json(_object(name, found))
    else:
        click.echo("\n".join(_lines(name, found)))
    return 1 if any(heard.reasons for heard in found.captures) else 0


def hear(recording: Recording, settings: MachineSettings) -> Replay:
    """What the receiver of this machine makes of what came from the control, by the recording's own clock."""
    coder = Coder.of(settings.tape, settings.line)
    captures: list[Heard] = []
    said: list[tuple[float, str]] = []
    wire, bad, began, noise = bytearray(), list[int](), 0.0, 0
    for event in _events(recording, settings, coder):
        match event:
            case Said(code, at):
                said.append((at, code.name))
            case Began(at):
                wire, bad, began = bytearray(), [], at
            case Caught(data, hits):
                bad += [len(wire) + index for index in hits]
                wire += data
            case Ended() if is_noise(event):
                noise += 1
            case Ended():
                contents = read_all(*event.whole(wire, bad), settings, coder, event.why)
                captures.append(_heard(event, began, contents, settings))
    return Replay(tuple(captures), tuple(said), noise, sum(len(part.data) for part in from_control(recording.entries)))


def _events(recording: Recording, settings: MachineSettings, coder: Coder) -> Iterator[Event]:
    receiver = receiver_of(settings, coder, 0.0)
    if not isinstance(receiver, Receiving):
        return  # a dialogue of packets cannot be heard again
    now = 0.0
    for part in from_control(recording.entries):
        while (due := receiver.next_due()) is not None and due <= part.at:
            yield from receiver.tick(due)
        now = part.at
        yield from receiver.feed(part.data, now, part.marked)
    while (due := receiver.next_due()) is not None:  # silence follows every recording
        now = due
        yield from receiver.tick(due)
    yield from receiver.stop(now)


def _heard(ended: Ended, began: float, contents: Contents, settings: MachineSettings) -> Heard:
    reasons = list(contents.reasons)
    if not reasons and (cut := unfinished(settings.receive.ends_on, ended.why, contents.captures[-1])):
        reasons.append(cut)
    programs = tuple(found for capture in contents.captures for found in _programs(capture, settings))
    return Heard(began, ended.at - began, ended.chars, ended.why.value, tuple(reasons), programs)


def _programs(capture: Capture, settings: MachineSettings) -> Iterator[tuple[str, str, int]]:
    for part in split(capture.text, capture.opening, settings.tape.mark or "%", settings.program.ends):
        yield part.name or f"{part.kind.value} without a name", part.title, part.text.count("\n")


def _read(file: Path) -> Recording:
    try:
        with file.open(encoding="utf-8", errors="replace", newline="\n") as lines:
            return read_recording(lines, str(file))
    except OSError as error:
        raise UsageError(f"it cannot be read: {error.strerror}", str(file), "Name a file of `--record`") from None


def _lines(machine: str, found: Replay) -> list[str]:
    lines = [f"With the settings of {machine}, of {number(found.chars)} characters from the control:"]
    for heard in found.captures:
        what = ", ".join(_program(*program) for program in heard.programs) or "no program"
        lines.append(
            f"{heard.at:10.3f}  {heard.result}: {what}; {number(heard.chars)} characters in {seconds(heard.seconds)},"
            f" ended by {heard.ended_by}"
        )
        lines += [f"{'':12}{printable(reason)}" for reason in heard.reasons]
    if not found.captures:
        lines.append("nothing would be kept")
    if found.said:
        names = [name for _, name in found.said]
        lines.append(
            "besides that, the control said " + ", ".join(f"{n} {names.count(n)}×" for n in dict.fromkeys(names))
        )
    if found.noise:
        lines.append(f"{count(found.noise, 'burst')} of noise would be let go")
    return lines


def _program(name: str, title: str, blocks: int) -> str:
    named = f"{name} ({title})" if title else name
    return f"{printable(named)}, {count(blocks, 'block')}"


def _object(machine: str, found: Replay) -> dict[str, Any]:
    return {
        "machine": machine,
        "chars": found.chars,
        "captures": [
            {
                "result": heard.result,
                "at": round(heard.at, 6),
                "seconds": round(heard.seconds, 6),
                "chars": heard.chars,
                "ended_by": heard.ended_by,
                "programs": [{"program": n, "title": t, "blocks": b} for n, t, b in heard.programs],
                "reasons": list(heard.reasons),
            }
            for heard in found.captures
        ],
        "said": [{"at": round(at, 6), "code": code} for at, code in found.said],
        "noise": found.noise,
    }
