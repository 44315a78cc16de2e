"""`dncd status`: what each line does, a line a machine."""

import json
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from dncd.cli.invocation import Asked, echo
from dncd.cli.layout import count, number, print_json, seconds, table
from dncd.peer_text import local_text, printable, some
from dncd.service.next_words import last_lines, later_warnings, next_lines
from dncd.station.states import line_said

NAMES_SHOWN: Final = 3

HEADS: Final = ("machine", "state", "what goes on", "waits", "line")

FOLLOW_S: Final = 0.5
"""Seconds between two looks of `status --follow`."""


def show(status: dict[str, Any], machine: str | None, as_json: bool) -> None:
    now = _of(status, machine)
    if as_json:
        print_json(now)
    else:
        echo("\n".join(lines(now)))


def _of(status: dict[str, Any], machine: str | None) -> dict[str, Any]:
    if machine is None:
        return status
    return {**status, "machines": {name: m for name, m in status["machines"].items() if name == machine}}


def _statuses(given: Asked) -> Iterator[dict[str, Any]]:
    """The status, again and again; NoServiceError when the service ends."""
    from dncd.outside.command_client import StreamRequest, joined

    while True:
        with StreamRequest(given.outline.state, {"do": "follow"}) as stream:
            status, missed = stream.content, False
            while not missed:
                yield status
                time.sleep(FOLLOW_S)
                for news in stream.news():
                    missed = missed or "dropped" in news  # this command was stopped for long: all of it anew
                    status = joined(status, news)


def follow(given: Asked, machine: str | None, as_json: bool) -> None:
    """Shows it anew whenever it changed, until ctrl-C."""
    redraws = sys.stdout.isatty() and not as_json
    shown, kind = 0, None
    for status in _statuses(given):
        now = _of(status, machine)
        if as_json:
            if any("waiting_more" in each for each in now["machines"].values()):
                now = _of(given.ask("status"), machine)  # news have the first names alone
            echo(json.dumps(now))
        elif redraws or kind_of(now) != kind:
            text = lines(now)
            up = f"\x1b[{shown}A\x1b[J" if redraws and shown else ""
            echo(up + "\n".join(text))
            shown, kind = len(text), kind_of(now)


def lines(status: Mapping[str, Any]) -> list[str]:
    """The table, and under it what is wrong with a line, if anything."""
    machines: Mapping[str, Any] = status["machines"]
    rows = [
        (name, str(m["state"]), doing(m), _waiting(m["waiting"], m.get("waiting_more", 0)), _proven(m))
        for name, m in machines.items()
    ]
    troubles = [f"{name}: {printable(str(t))}" for name, m in machines.items() for t in m.get("trouble", ())]
    due = {name: (m.get("backup") or {}).get("due") for name, m in machines.items()}
    troubles += [f"{name}: {printable(str(what))}" for name, what in due.items() if what]
    troubles += [
        f"{name}: backup: awaited, {count(m['backup']['captures'], 'capture')} so far"
        for name, m in machines.items()
        if (m.get("backup") or {}).get("open")
    ]
    brings = [
        f"{name}: {line}"
        for name, m in machines.items()
        for line in (*next_lines(m.get("next") or {}), *later_warnings(m), *last_lines(m))
    ]
    service = status.get("service") or {}
    notes = [f"{name}: {m['pending']}" for name, m in machines.items() if m.get("pending")]
    notes += library_lines(status.get("library"))
    notes += [f"service: {printable(str(t))}" for t in service.get("trouble", ())]
    if (service.get("reload") or {}).get("result") == "refused":
        notes.append(f"service: {printable(str(service['reload']['what']))}")
    whole = [f"{name}: line {printable(str(m['proven']['why']))}" for name, m in machines.items() if m.get("proven")]
    return [*table(HEADS, rows), *brings, *(whole if len(whole) == 1 else ()), *troubles, *notes]


def _proven(machine: Mapping[str, Any]) -> str:
    proven = machine.get("proven") or {}
    if since := proven.get("since"):
        return f"proven {str(since)[:10]}"
    return str(proven.get("why", "")).partition(":")[0].partition(" since")[0]


def library_lines(library: Mapping[str, Any] | None) -> list[str]:
    """Up to where the server has the library; what is wrong with it is told among the service's troubles."""
    if not library:
        return []
    where = f"{library['remote']}, branch {library['branch']}"
    if not library["what"]:
        return [printable(f"library: nothing is pushed to {where} yet")]
    said = f"library: pushed to {where} up to {library['what']}, {local_text(library['time'])}"
    if library["failing_since"]:
        said += f"; {count(library['waiting'], 'newer revision')} to come"
    return [printable(said)]


def doing(machine: Mapping[str, Any]) -> str:
    if transfer := machine["transfer"]:
        return _transfer(transfer, held=machine["state"] == "held")
    if machine["state"] == "waiting" and machine.get("waits_for"):
        return f"waits for {machine['waits_for']}"
    return line_said(machine) if machine["state"] in ("lent", "no-port") else ""


def _transfer(transfer: Mapping[str, Any], held: bool) -> str:
    chars, of_chars, spent = int(transfer["chars"]), transfer.get("of_chars"), float(transfer["seconds"])
    parts = [str(transfer.get("file") or "from the control")]
    if isinstance(of_chars, int) and of_chars > 0:
        parts[0] += f" {chars * 100 // of_chars} %"
        parts.append(f"{number(chars)} of {number(of_chars)} characters")
    else:
        parts.append(f"{number(chars)} characters")
    if rate := rate_of(transfer):
        parts.append(f"{rate:.0f}/s")
        if isinstance(of_chars, int) and chars < of_chars:
            parts.append(f"{seconds((of_chars - chars) / rate)} left")
    elif spent:
        parts.append(seconds(spent))
    if held:
        parts.append(f"held for {seconds(float(transfer.get('held_for_s', 0)))}")
    if transfer.get("holds"):
        parts.append(f"{count(transfer['holds'], 'hold')}, {seconds(float(transfer['held_s']))} in all")
    return ", ".join(parts)


def rate_of(transfer: Mapping[str, Any]) -> float:
    """Characters a second since the start, holds counted in; 0 before the first second."""
    spent = float(transfer["seconds"])
    return int(transfer["chars"]) / spent if spent >= 1 else 0.0


def _waiting(names: Sequence[str], beside: int) -> str:
    """beside: how many more there are than are named."""
    return f"{len(names) + beside}: {some(names, NAMES_SHOWN, beside)}" if names else ""


def kind_of(status: Mapping[str, Any]) -> Any:
    """What of a status is worth new lines where none can be redrawn: states, files and who waits, not the figures."""
    return [
        (
            name,
            (m["transfer"] or {}).get("file"),
            *(m.get(key) for key in ("state", "waiting", "next", "trouble", "last")),
        )
        for name, m in status["machines"].items()
    ]
