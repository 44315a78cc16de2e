"""The journal of the service (structlog): what happens, as events with fields.

Readable lines where it goes to a terminal or to systemd's journal, which is told the level of each too (`journalctl
--priority=warning`); one JSON object a line elsewhere. Every text in it is made printable first:
it may have come from a control or from a file's name.
"""

import json
import logging
import os
import sys
from collections import deque
from collections.abc import Mapping, MutableMapping
from typing import Any, Final, TextIO

import structlog

from dncd.peer_text import printable

LONGEST_TEXT: Final = 2000
"""Characters of one text in the journal; a longer one is cut, for no peer may fill the disk through it."""

LINES_KEPT: Final = 1_000
"""Last lines that the service remembers for `dncd report`: a day or two of a shop, at most a few megabytes."""

_kept: deque[str] = deque(maxlen=LINES_KEPT)

TRANSFER_FIELDS: Final = (
    "machine", "program", "file", "wire_chars", "seconds", "holds", "revision", "sha256", "seq", "reason",
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

    def transfer(self, record: Mapping[str, Any]) -> None:
        """The one canonical line of a transfer: what the ledger holds of it."""
        shown = {key: record[key] for key in TRANSFER_FIELDS if record.get(key) not in (None, "", [], ())}
        self.info(f"transfer {record.get('event', record.get('result', ''))}".strip(), **shown)


def journal(**fields: object) -> Journal:
    return Journal(**fields)


def _logger() -> structlog.typing.FilteringBoundLogger:
    logger: structlog.typing.FilteringBoundLogger = structlog.get_logger()
    return logger


def set_up(stream: TextIO | None = None, level: int = logging.INFO) -> None:
    """Sends the journal to `stream` (standard error) from now on. Safe to call again."""
    out = sys.stderr if stream is None else stream
    renderer: structlog.typing.Processor
    if out.isatty():
        renderer = structlog.dev.ConsoleRenderer(sort_keys=False, pad_event_to=0)
    elif _is_systemds(out):
        renderer = _for_systemd
    else:
        renderer = structlog.processors.JSONRenderer(ensure_ascii=False)
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            _all_printable,
            _keep,
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(level),
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


def _for_systemd(_log: Any, _method: str, event: MutableMapping[str, Any]) -> str:
    """A line for people, with its level in front as sd-daemon(3) has it; the journal knows the time and the unit."""
    level = _PRIORITIES.get(str(event.pop("level", "")), _PRIORITIES["info"])
    event.pop("timestamp", None)
    trace = str(event.pop("exception", "")).splitlines()
    text = str(event.pop("event", ""))
    if machine := event.pop("machine", None):
        text = f"{machine}: {text}"
    said = [str(event.pop(key)) for key in ("what", "where", "next") if key in event]
    text += "".join(form.format(part) for form, part in zip((": {}", " ({})", "; next: {}"), said, strict=False))
    text += "".join(f" {key}={_word(value)}" for key, value in event.items())
    return "\n".join(f"<{level}>{line}" for line in (text, *trace))


_PRIORITIES: Final = {"error": 3, "warning": 4, "info": 6}
"""Of syslog, as sd-daemon(3) writes them."""


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


def _all_printable(_log: Any, _method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    trace = event.pop("exception", None)
    safe = {_safe(str(key)): _plain(value) for key, value in event.items()}
    if trace is not None:  # its line ends are dncd's own
        safe["exception"] = "\n".join(printable(line) for line in str(trace).splitlines())
    return safe


def _plain(value: Any) -> Any:
    if isinstance(value, bool | int | float) or value is None:
        return value
    if isinstance(value, Mapping):
        return {_safe(str(k)): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(v) for v in value]
    if isinstance(value, bytes):
        return _safe(value.decode("latin-1"))
    return _safe(str(value))


def _safe(text: str) -> str:
    return printable(text[:LONGEST_TEXT]) + ("…" if len(text) > LONGEST_TEXT else "")
