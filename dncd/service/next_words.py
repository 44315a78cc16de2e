"""What the next start brings, for STATUS.txt and for a terminal: the words, where `service/status` has the facts."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

from dncd.peer_text import moment, printable, some

_THEN_SHOWN: Final = 3
_WARNINGS_SHOWN: Final = 5


def next_lines(found: Mapping[str, Any]) -> list[str]:
    """The lines for people, times in the local zone; found: `next` of a machine's status, empty where nothing waits."""
    if not found:
        return []
    program = printable(" ".join(filter(None, (str(found["program"]), text_said(found), str(found["title"])))))
    if more := int(found["programs"]) - 1:
        program += f" and {more} more program{'' if more == 1 else 's'}"
    said = [
        program,
        f"piece {found['of']}" if found["of"] else "",
        "still being looked at" if not found["revision"] else "proven" if found["proven"] else "not proven",
        _dropped(found),
    ]
    if found["withheld"]:
        lines = [f"{found['by']} brings nothing: {printable(str(found['withheld']))}"]
        lines += [f"what to do: {printable(str(found['next_step']))}", f"in front: {', '.join(filter(None, said))}"]
    else:
        then = some([printable(str(name)) for name in found["then"]], _THEN_SHOWN, found.get("then_more", 0))
        lines = [f"{found['by']} brings {', '.join(filter(None, said))}{f'; then {then}' if then else ''}"]
    warnings: Sequence[object] = found["warnings"]
    lines += [f"warning: {printable(str(warning))}" for warning in warnings[:_WARNINGS_SHOWN]]
    if len(warnings) > _WARNINGS_SHOWN:
        lines.append(f"and {len(warnings) - _WARNINGS_SHOWN} more warnings: they will stand in its receipt")
    return lines


_LIES_IN: Final = {
    "refused": "refused/",
    "interrupted": "refused/",
    "damaged": "from-machine/damaged/",
    "received": "from-machine/",
}
"""Where a file lies with its receipt, by what became of it, where that is worth a look."""


_OPEN: Final = {"refused": "refused", "edits": "changed at the machine"}
_OPEN_SHOWN: Final = 5


def last_lines(machine: Mapping[str, Any]) -> list[str]:
    """A start that nothing waited for, what last became of a file, what came damaged since the last good one, and what
    somebody has to look at still; machine: a machine's status."""
    last: Mapping[str, Any] = machine.get("last") or {}
    lines = []
    if pressed := machine.get("pressed"):
        at, until = moment(pressed["at"]), moment(pressed["until"])
        lines.append(f"{machine['keys']['read']} is pressed since {at}: what is dropped until {until} goes at once")
    if not last.get("time"):
        return lines
    where = f": see its receipt in {_LIES_IN[last['event']]}" if last["event"] in _LIES_IN else ""
    if last.get("in_doubt"):
        where = ", but it is not sure that the control read all of it: see its receipt in sent/"
    lines.append(f"last: {moment(last['time'])} {last['event']} {printable(str(last['file']))}{where}")
    if damaged := int(last["damaged"]):
        what = "1 capture since the last good one" if damaged == 1 else f"{damaged} captures since the last good one"
        lines.append(f"damaged: {what}; see the receipts in from-machine/damaged/, then punch again")
    still: Mapping[str, Any] = machine.get("open") or {}
    if still.get("count"):
        named = {word: [printable(str(name)) for name in still[kind]] for kind, word in _OPEN.items()}
        said = [f"{word} {some(names[::-1], _OPEN_SHOWN)}" for word, names in named.items() if names]
        lines.append(f"{still['count']} to look at: {'; '.join(said)}; see their receipts")
    return lines


def later_warnings(machine: Mapping[str, Any]) -> list[str]:
    """Warnings of what waits behind the first, a line a file; those of the first stand under what the next start brings."""
    first = (machine.get("next") or {}).get("file")
    return [
        f"{printable(name)}: warning: {printable(str(found[0]))}"
        + (f" (and {len(found) - 1} more)" if len(found) > 1 else "")
        for name, found in (machine.get("warnings") or {}).items()
        if name != first
    ]


def text_said(found: Mapping[str, Any]) -> str:
    """Which text a file has, wherever it is told; "" before it was looked at. found: `revision`, which it will be,
    `text_of`, the newest that has this very text, 0 for none, and `is_new`."""
    revision, text_of = found["revision"], found.get("text_of", 0)
    if text_of not in (0, revision):
        return f"the text of rev {text_of}"
    return f"rev {revision}{' (new)' if found['is_new'] else ''}" if revision else ""


def _dropped(found: Mapping[str, Any]) -> str:
    how = "brought again" if found.get("asked_do") == "bring" else "dropped"
    by = f" by {printable(str(found['asked_by']))}" if found.get("asked_by") else ""
    return f"{how} {moment(found['dropped'])}{by}"
