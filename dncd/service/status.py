"""What a line is doing, for `dncd status` and for STATUS.txt."""

from collections.abc import Iterable, Mapping
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from typing import Any

from dncd.errors import DncdError
from dncd.ledger_lines import NO_TIME
from dncd.peer_text import printable, some
from dncd.records.holdings import Holdings, edited, in_part
from dncd.service.next_words import last_lines, later_warnings, next_lines
from dncd.station.capture_jobs import HOUR_S
from dncd.station.core import Core
from dncd.station.driver import Station
from dncd.station.queue import WaitingFile
from dncd.station.states import line_said
from dncd.values import LineState, Signal, WireBytes

_NAMES_SHOWN = 10
_OPEN_SHOWN = 20

_FILES = 20
"""Of those that wait, which one asks more of than their names."""


def status_of(station: Station, now: float, held: Holdings) -> dict[str, object]:
    """The status object of one machine (contract 4); seconds and characters as numbers. held: as far as it is known."""
    core, state = station.core, station.state
    return {
        "state": state.value,
        "title": station.settings.title,
        "port": station.settings.line.port,
        "waiting": list(core.sender.queue.waiting),
        "waits_for": _waits_for(core, now) if state is LineState.WAITING else "",
        "pressed": _pressed(core, now),
        "next": _next(station, held),
        "files": _files(station, held),
        "warnings": _warnings(core, held),
        "transfer": transfer_of(core, now),
        "pending": core.pending,
        "counters": core.account.tally.as_dict(),
        "proven": station.proof.standing(station.settings),
        "trouble": troubles(station, now),
        "lent_to": core.port.lent_to,
        "not_seated": core.port.unseated,
        "keys": asdict(station.settings.keys),
        "drip_feed": station.settings.send.drip_feed,
        "folder": core.folder_trouble,
    }


def _waits_for(core: Core, now: float) -> str:
    starts, file = core.sender.starts, core.sender.queue.first()
    keys, today = starts.way.keys, datetime.now().astimezone()
    if file is not None and starts.dc1_at is not None and starts.way.too_old(starts.dc1_at, file.came_at):
        at = today - timedelta(seconds=now - starts.dc1_at)
        return f"{keys.read}: it was pressed at {at:%H:%M}, too long ago; press {keys.reset}, then {keys.read}"
    spent = starts.spent_at
    if spent is not None and now - spent <= starts.way.send.dc1_stays_s and not starts.way.by_wish:
        at = today - timedelta(seconds=now - spent)
        return f"{keys.read}: what came at {at:%H:%M} only ended a hold of the program before; press {keys.read} again"
    return starts.way.wish()


def _pressed(core: Core, now: float) -> dict[str, str]:
    """A start that was said before anything was dropped: when, and until when a file that is dropped goes at once, UTC; {}
    for none that counts."""
    starts, queue = core.sender.starts, core.sender.queue
    if starts.dc1_at is None or starts.way.too_old(starts.dc1_at, now) or queue.waiting or not starts.way.by_dc1:
        return {}
    at = datetime.now(UTC) - timedelta(seconds=now - starts.dc1_at)
    until = at + timedelta(seconds=starts.way.send.dc1_stays_s)
    return {"at": _utc(at), "until": _utc(until)}


def _utc(at: datetime) -> str:
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")


def _warnings_of(file: WaitingFile, core: Core, held: Holdings) -> list[str]:
    """Those of the text, behind those of what the control holds now."""
    return [*in_part(held, core.name, file.checked.programs), *file.checked.warnings]


def _warnings(core: Core, held: Holdings) -> dict[str, list[str]]:
    """Warnings of the first files that wait, by name, before they go out."""
    files = (core.sender.queue.get(name) for name in core.sender.queue.waiting[:_NAMES_SHOWN])
    return {f.name: said for f in files if f is not None and (said := _warnings_of(f, core, held))}


def _files(station: Station, held: Holdings) -> list[dict[str, object]]:
    """The first that wait, in their order: of each its first program, which revision it will be, when it was dropped."""
    queue = station.core.sender.queue
    found = (queue.get(name) for name in queue.waiting[:_FILES])
    return [{**_file(station, file, held), "sha256": file.checked.sha256} for file in found if file is not None]


def _file(station: Station, file: WaitingFile, held: Holdings) -> dict[str, object]:
    """dropped: by the disk's clock: who puts it in front drops nothing. Of what came before a restart the ledger has who."""
    outlook, at = file.checked.outlook, file.entry.ctime_ns / 1e9
    before = held.dropped(station.name, file.checked.sha256, at)
    do, by = station.droppers.get((file.name, file.checked.sha256), (before.do, before.by))
    return {
        "file": file.name,
        "program": file.checked.programs[0],
        "revision": outlook.revision,
        "is_new": outlook.revision > outlook.newest,
        "text_of": outlook.text_of,
        "dropped": _utc(datetime.fromtimestamp(at, UTC)),
        "asked_by": by,
        "asked_do": do.partition("-")[0],
    }


def _next(station: Station, held: Holdings) -> dict[str, object]:
    """What the next start brings; empty where nothing waits, or nobody has looked at it yet. dropped: UTC; then: programs of
    the files behind it, as far as looked at; by: what brings it; asked_by, asked_do: by the page, who and how, else ""."""
    core = station.core
    sender, queue = core.sender, core.sender.queue
    file = queue.first()
    if file is None or not file.waits:
        return {}
    checked, outlook, withheld = file.checked, file.checked.outlook, sender.turns.withheld()
    behind = [queue.get(name) for name in queue.waiting if name != file.name]
    return {
        "by": sender.starts.way.word,
        **_file(station, file, held),
        "programs": len(checked.programs),
        "title": checked.survey.title,
        "proven": outlook.revision > 0 and not outlook.unproven,
        "of": checked.batch.piece,
        "warnings": _warnings_of(file, core, held),
        "then": [other.checked.programs[0] for other in behind if other is not None],
        "withheld": withheld,
        "next_step": sender.turns.way_out(file.name) if withheld else "",
    }


def open_of(held: Holdings, machine: str, refused: Iterable[str]) -> dict[str, object]:
    """What waits until somebody looks at it: the newest names of each kind, how many there are of all. refused: files."""
    found = {"refused": list(refused), "edits": edited(held, machine)}
    shown = {kind: list(names)[-_OPEN_SHOWN:] for kind, names in found.items()}
    return {"count": sum(map(len, found.values())), **shown}


def troubles(station: Station, now: float) -> list[str]:
    core, account = station.core, station.core.account
    blocked = station.blocked
    found = [
        blocked.sentence if blocked else "",
        _no_port(core.port.trouble) if core.port.trouble else "",
        *account.troubles,
        core.folder_trouble,
        core.sender.no_answer if core.sender.queue.waiting else "",
        account.overflow if now - account.overflow_at < HOUR_S else "",
    ]
    looped = station.port.looped.values() if station.port is not None else ()
    return [*dict.fromkeys(what for what in found if what), *looped, *_not_told(station)]


def _no_port(error: DncdError) -> str:
    return f"{error.what}; {error.next_step[:1].lower()}{error.next_step[1:]}" if error.next_step else error.what


def _not_told(station: Station) -> list[str]:
    """A device server that never tells a modem line that the settings need keeps everything waiting: say so."""
    if station.port is None or not station.port.name.startswith("rfc2217://"):
        return []
    modem = station.port.modem()
    return [
        f"the device server has not told the state of {line.value} yet, and nothing is sent until it does;"
        " see whether its port has that line and tells it"
        for line in station.settings.lines_needed
        if modem.of(line) is Signal.UNKNOWN
    ]


def transfer_of(core: Core, now: float) -> dict[str, object] | None:
    """What goes over the line just now; nothing where nothing does."""
    if (run := core.sender.run) is not None:
        sending = run.sending
        return {
            "direction": "out",
            "file": run.file.name,
            "program": run.file.checked.programs[0],
            "chars": sending.handed_over,
            "of_chars": sending.total,
            "seconds": round(sending.seconds(now), 3),
            "holds": sending.holds,
            "held_s": round(sending.held_s + sending.held_for(now), 3),
            "held_for_s": round(sending.held_for(now), 3),
            "block": core.coder.decode(WireBytes(sending.block_now())).chars.decode("latin-1").strip("\r\n\0"),
        }
    if (capture := core.captures.capturing) is not None:
        nothing = {"of_chars": None, "holds": 0, "held_s": 0.0, "held_for_s": 0.0, "block": ""}
        came = {"chars": capture.chars, "seconds": round(now - capture.began_at, 3)}
        return {"direction": "in", "file": "", "program": "", **came, **nothing}
    return None


def status_text(status: Mapping[str, Any], name: str, when: str) -> str:
    """STATUS.txt: a few plain lines for somebody who looks into the shared folder."""
    title = f" ({printable(str(status['title']))})" if status["title"] else ""
    lines = [f"{name}{title}", f"at {when}", f"state: {printable(line_said(status))}"]
    if transfer := status["transfer"]:
        lines.append(_transfer_line(transfer))
    if waiting := status["waiting"]:
        lines.append(f"waiting: {some([printable(str(name)) for name in waiting], _NAMES_SHOWN)}")
        by_state = {"no-port": "the port", "lent": "the line"}.get(str(status["state"]), "its turn")
        lines.append(f"waits for: {status['waits_for'] or by_state}")
    lines += [*next_lines(status["next"]), *later_warnings(status), *last_lines(status)]
    if backup := status.get("backup"):
        lines += [f"backup: {printable(said)}" for said in (backup_line(backup), str(backup["due"])) if said]
    lines.append(f"line: {printable(str(status['proven']['why']))}")
    if status["pending"]:
        lines.append(f"settings: {status['pending']}")
    lines += [f"trouble: {printable(str(what))}" for what in status["trouble"]]
    return "\n".join(lines) + "\n"


def backup_line(status: dict[str, Any]) -> str:
    """A backup's status in one line for STATUS.txt and for a terminal; "" where there is nothing to say."""
    if status.get("open"):
        if status["trouble"]:
            return f"announced, and not on record yet: {status['trouble']}"
        return f"announced; {status['captures']} captures came so far; it ends after a minute of quiet"
    ended = status.get("outcome")
    if ended and not ended["counts"] and str(status.get("last") or "") < ended["time"]:
        return f"the announced one did not come whole: {'; '.join(ended['told'])}"
    if not status.get("last"):
        return ""
    days = int(status["age_days"] or 0)
    age = "today" if days == 0 else f"{days} day{'' if days == 1 else 's'} ago"
    age = age if status["age_days"] is not None else NO_TIME
    missing = f", {status['missing']} missing" if status["missing"] else ""
    return f"{age}, {status['programs']} programs{missing}"


def _transfer_line(transfer: dict[str, object]) -> str:
    if transfer["direction"] == "in":
        return f"caught so far: {transfer['chars']} characters in {transfer['seconds']:.0f} s"
    return (
        f"sending {printable(str(transfer['file']))}: {transfer['chars']} of {transfer['of_chars']} characters"
        f" in {transfer['seconds']:.0f} s, {transfer['holds']} holds, held for {transfer['held_s']:.0f} s"
        + (f", now at block {printable(str(transfer['block']))}" if transfer["block"] else "")
    )
