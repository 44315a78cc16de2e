"""`dncd line replay`: a recording is heard again, and what the receiver would have kept of it is said."""

from collections import Counter
from collections.abc import Iterator
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
from dncd.tape.codes import Coder
from dncd.values import MachineSettings


@command(JSON)
@click.argument("file", metavar="FILE", type=FILE)
@click.option(
    "--machine", "-m", metavar="MACHINE", help="Hear it with this machine's settings, not the recorded one's."
)
def replay(given: Asked, file: Path, *, machine: str | None, as_json: bool) -> int:
    """Writes nothing."""
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
    found = _heard(recording, settings)
    if as_json:
        print_json(found)
    else:
        click.echo("\n".join(_lines(found)))
    return 1 if any(capture["reasons"] for capture in found["captures"]) else 0


def _heard(recording: Recording, settings: MachineSettings) -> dict[str, Any]:
    """What the receiver of this machine makes of what came from the control, by the recording's own clock, as JSON has
    it. said: the control's DC1 and DC3 outside captures; noise: captures let go; of a capture `at` and `seconds` are
    its beginning and length, and `reasons` say why it counts as damaged."""
    coder = Coder.of(settings.tape, settings.line)
    captures: list[dict[str, Any]] = []
    said: list[dict[str, Any]] = []
    wire, bad, began, noise = bytearray(), list[int](), 0.0, 0
    for event in _events(recording, settings, coder):
        match event:
            case Said(code, at):
                said.append({"at": round(at, 6), "code": code.name})
            case Began(at):
                wire, bad, began = bytearray(), [], at
            case Caught(data, hits):
                bad += [len(wire) + index for index in hits]
                wire += data
            case Ended() if is_noise(event):
                noise += 1
            case Ended():
                contents = read_all(*event.whole(wire, bad), settings, coder, event.why)
                captures.append(_capture(event, began, contents, settings))
    chars = sum(len(part.data) for part in from_control(recording.entries))
    return {"machine": settings.name, "chars": chars, "captures": captures, "said": said, "noise": noise}


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


def _capture(ended: Ended, began: float, contents: Contents, settings: MachineSettings) -> dict[str, Any]:
    reasons = list(contents.reasons)
    if not reasons and (cut := unfinished(settings.receive.ends_on, ended.why, contents.captures[-1])):
        reasons.append(cut)
    texts, mark, ends = contents.captures, settings.tape.mark or "%", settings.program.ends
    parts = [part for text in texts for part in split(text.text, text.opening, mark, ends)]
    return {
        "result": "damaged" if reasons else "received",
        "at": round(began, 6),
        "seconds": round(ended.at - began, 6),
        "chars": ended.chars,
        "ended_by": ended.why.value,
        "programs": [
            {
                "program": part.name or f"{part.kind.value} without a name",
                "title": part.title,
                "blocks": part.text.count("\n"),
            }
            for part in parts
        ],
        "reasons": reasons,
    }


def _read(file: Path) -> Recording:
    try:
        with file.open(encoding="utf-8", errors="replace", newline="\n") as lines:
            return read_recording(lines, str(file))
    except OSError as error:
        raise UsageError(f"it cannot be read: {error.strerror}", str(file), "Name a file of `--record`") from None


def _lines(found: dict[str, Any]) -> list[str]:
    lines = [f"With the settings of {found['machine']}, of {number(found['chars'])} characters from the control:"]
    for heard in found["captures"]:
        what = ", ".join(map(_program, heard["programs"])) or "no program"
        lines.append(
            f"{heard['at']:10.3f}  {heard['result']}: {what}; {number(heard['chars'])} characters in"
            f" {seconds(heard['seconds'])}, ended by {heard['ended_by']}"
        )
        lines += [f"{'':12}{printable(reason)}" for reason in heard["reasons"]]
    if not found["captures"]:
        lines.append("nothing would be kept")
    if counts := Counter(said["code"] for said in found["said"]):
        lines.append("besides that, the control said " + ", ".join(f"{code} {n}×" for code, n in counts.items()))
    if found["noise"]:
        lines.append(f"{count(found['noise'], 'burst')} of noise would be let go")
    return lines


def _program(program: dict[str, Any]) -> str:
    named = f"{program['program']} ({program['title']})" if program["title"] else program["program"]
    return f"{printable(named)}, {count(program['blocks'], 'block')}"
