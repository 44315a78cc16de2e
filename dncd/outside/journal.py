"""The journal of the service (structlog): what happens, as events with fields.

Readable lines where it goes to a terminal or to systemd's journal, which is told the level of each too (`journalctl
--priority=warning`), and by its native protocol the machine and what kind of event it is; one JSON object a line elsewhere.
Every text in it is made printable first: it may have come from a control or from a file's name.
"""

import functools
import json
import logging
import os
import socket
import sys
from collections import deque
from collections.abc import Mapping, MutableMapping
from typing import Any, Final, TextIO

import structlog

from dncd.peer_text import local_text, printable, printable_in, short

LONGEST_TEXT: Final = 2000
"""Characters of one text in the journal; a longer one is cut, for no peer may fill the disk through it."""

LINES_KEPT: Final = 1_000
"""Last lines that the service remembers for `dncd report`: a day or two of a shop, at most a few megabytes."""

JOURNAL_SOCKET: Final = "/run/systemd/journal/socket"

_kept: deque[str] = deque(maxlen=LINES_KEPT)

TRANSFER_FIELDS: Final = (
    "machine", "program", "file", "wire_chars", "seconds", "holds", "revision", "like", "sha256", "seq", "transfer",
    "reason",
)  # fmt: skip
"""Fields of a ledger record that the canonical line of a transfer shows, in this order."""


class Journal:
    """Writes lines that all bear the same fields, such as machine="gang-lathe"."""

    def __init__(self, **fields: object) -> None:
        self._fields = fields

    def info(self, event: str, **fields: object) -> None:
        _logger().info(event, **{**self._fields, **fields})

    def warning(self, event: str, *, what: str, where: str, next: str, **fields: object) -> None:  # noqa: A002 - the field
        """Something wants looking after: what is wrong, where, and what to do next."""
        said = {"what": what, "where": where, "next": next}
        _logger().warning(event, **{**self._fields, **fields, **said})

    def failed(self, event: str, error: BaseException) -> None:
        """A fault of dncd itself, with its traceback for whoever mends it."""
        _logger().error(event, exc_info=error, **self._fields)

    def transfer(self, record: Mapping[str, object]) -> None:
        """The one canonical line of a transfer: what the ledger holds of it."""
        shown = {key: record.get(key) for key in TRANSFER_FIELDS if record.get(key) not in (None, "")}
        self.info(f"transfer {record.get('event', '')}".strip(), **shown)


def journal(**fields: object) -> Journal:
    return Journal(**fields)


def _logger() -> structlog.typing.FilteringBoundLogger:
    logger: structlog.typing.FilteringBoundLogger = structlog.get_logger()
    return logger


def set_up(stream: TextIO | None = None, native: str = JOURNAL_SOCKET) -> None:
    """Sends the journal to `stream` (standard error) from now on; where that is systemd's, to its socket `native`. Safe to
    call again."""
    out = sys.stderr if stream is None else stream
    renderers: list[structlog.typing.Processor]
    if out.isatty():
        renderers = [_local, structlog.dev.ConsoleRenderer(sort_keys=False, pad_event_to=0)]
    elif _is_systemds(out):
        renderers = [functools.partial(_for_systemd, native)]
    else:
        renderers = [structlog.processors.JSONRenderer(ensure_ascii=False)]
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            _all_printable,
            _keep,
            *renderers,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        logger_factory=structlog.PrintLoggerFactory(out),
        cache_logger_on_first_use=False,
    )


def _is_systemds(out: TextIO) -> bool:
    """Whether systemd's journal reads that stream: it says which in $JOURNAL_STREAM (systemd.exec(5))."""
    try:
        found = os.fstat(out.fileno())
    except (OSError, ValueError):  # no file at all
        return False
    return os.environ.get("JOURNAL_STREAM") == f"{found.st_dev}:{found.st_ino}"


def _for_systemd(native: str, _log: Any, _method: str, event: MutableMapping[str, Any]) -> str:
    """A line for people; the journal knows the time and the unit. With its fields to systemd's own socket; where that takes
    it not, a text for the stream with its level in front as sd-daemon(3) has it."""
    name = str(event.pop("level", ""))
    level = _PRIORITIES.get(name, _PRIORITIES["info"])
    event.pop("timestamp", None)
    trace = str(event.pop("exception", "")).splitlines()
    text = str(event.pop("event", ""))
    fields = {key.upper(): str(event[key]) for key in ("machine", "program", "transfer") if event.get(key)}
    kind = "fault" if name == "error" else text
    if kind in MESSAGE_IDS and (name != "info" or kind.startswith("transfer ")):
        fields["MESSAGE_ID"] = MESSAGE_IDS[kind]
    if machine := event.pop("machine", None):
        text = f"{machine}: {text}"
    said = [str(event.pop(key)) for key in ("what", "where", "next") if key in event]
    text += "".join(form.format(part) for form, part in zip((": {}", " ({})", "; next: {}"), said, strict=False))
    text += "".join(f" {key}={_word(value)}" for key, value in event.items())
    fields |= {"PRIORITY": str(level), "SYSLOG_IDENTIFIER": "dncd", "MESSAGE": "\n".join((text, *trace))}
    if _taken(native, fields):
        raise structlog.DropEvent
    return "\n".join(f"<{level}>{line}" for line in (text, *trace))


def _taken(native: str, fields: Mapping[str, str]) -> bool:
    """Whether systemd's journal took an entry by its native protocol (systemd.io/JOURNAL_NATIVE_PROTOCOL): each field as
    name, line end, length in 8 bytes (little end first), value, line end: right for values of several lines too. No waiting.
    """
    values = ((name.encode(), value.encode()) for name, value in fields.items())
    entry = b"".join(b"%s\n%s%s\n" % (name, len(value).to_bytes(8, "little"), value) for name, value in values)
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as sock:
            sock.sendto(entry, native)
    except OSError:  # no such socket, too many wait there, or too long: the stream takes it
        return False
    return True


_PRIORITIES: Final = {"error": 3, "warning": 4, "info": 6}
"""Of syslog, as sd-daemon(3) writes them."""

MESSAGE_IDS: Final = {
    "transfer interrupted": "b738074ec2924f4b90332840c4b4b295",
    "transfer refused": "022bdc64b17842349e13afd684788d28",
    "transfer damaged": "1cb9f26903ee454c9836056243177e9c",
    "no port": "3982291fc72148f7aa61242b12811033",
    "faults on the line": "6318a69767b84e7ca49f64dd6d959eb2",
    "too much damage": "3a97dc4331ae4ee983fa5e6bd2a604c3",
    "plan unreadable": "d23c3c9c8eea4c88ab8abed3b28317e1",
    "records": "28058166c07d49a1812e18c1bc14cd84",
    "stopped": "eb5401ee9a354ca4bf1b0d16af41286b",
    "folder": "de146952795a432d93009f09a53e2737",
    "capture lost": "2c3fba1eb6c943b88a6b885cfbd0b2e1",
    "service": "6522a4dfe66043d19a4e02569a64f4e7",
    "fault": "249338cc843344f5b2183261080c1ca2",
}
"""Events that are worth an alarm, and what systemd's journal knows each by, for ever. fault: one of dncd itself."""


def _word(value: Any) -> str:
    """A value that ends where it seems to end."""
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return json.dumps(text, ensure_ascii=False) if not text or any(c in text for c in ' "=') else text


def recent() -> list[str]:
    """The last lines, one JSON object each, oldest first."""
    return list(_kept.copy())


def _keep(_log: Any, _method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    _kept.append(json.dumps(event, ensure_ascii=True))
    return event


def _local(_log: Any, _method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    event["timestamp"] = local_text(event["timestamp"])
    return event


def _all_printable(_log: Any, _method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    trace = event.pop("exception", None)
    safe: dict[str, Any] = printable_in(event, functools.partial(short, longest=LONGEST_TEXT))
    if trace is not None:  # its line ends are dncd's own
        safe["exception"] = "\n".join(printable(line) for line in str(trace).splitlines())
    return safe
