"""A box made of another one's records, in an empty state folder: of a snapshot's file, or of the server of its library.

All of it is put into `STATE/reviving` and checked there; while that is there nothing reads the state folder
(`records/state_format`).
`STATE/old-box` then keeps every line from being served until a person has said that the old box is off, for two boxes on one
control send a program twice.
"""

import shutil
import tempfile
from pathlib import Path
from typing import Final

from dncd import defaults
from dncd.errors import NotDoneError, RecordsError, UsageError
from dncd.records import durable, records_branch, snapshot
from dncd.records.git_program import GitProgram, without_users
from dncd.records.ledger import Ledger
from dncd.records.library import make_empty, path_of
from dncd.records.problems import Problem
from dncd.records.snapshot import Snapshot
from dncd.records.state_format import REVIVING

REVIVED: Final = "revived"
OLD_BOX_OFF: Final = "old-box-off"
"""Events of the ledger: this box was made of another one's records; somebody said that the old one is off."""

_MARK: Final = "old-box"


def settings_of(source: str, branch: str) -> bytes:
    """The settings file of the old box, before anything of it is unpacked. Errors as `unpack`."""
    with tempfile.TemporaryDirectory(prefix="dncd-") as place:
        if Path(source).is_file():
            return bytes(snapshot.unpack(Path(source), Path(place))["settings"])
        _fetch(path_of(Path(place)), source, branch, records_only=True)
        return records_branch.lay_out(path_of(Path(place)), Path(place))


def need_empty(state: Path) -> None:
    """UsageError for a state folder in which something lies."""
    if (state / REVIVING).exists():
        raise RecordsError("a revive was cut short here", str(state), "Empty this folder and give the command again")
    if state.is_dir() and any(state.iterdir()):
        next_step = "Move what is there away, or give the new box another shop.state"
        raise UsageError("the state folder is not empty, and nothing in it is touched", str(state), next_step)


def unpack(state: Path, source: str, branch: str) -> Snapshot:
    """Fills `STATE/reviving` from a snapshot's file, or from branch `branch` of a git server; checks what came.
    NotDoneError, UsageError, RecordsError: nothing is left of it."""
    place = state / REVIVING
    durable.make_folder(place)
    try:
        if Path(source).is_file():
            head = snapshot.unpack(Path(source), place)
            snapshot.check(place, str(head["hash"]))
            return Snapshot(
                int(head["seq"]), str(head["time"]), str(head["commit"]), tuple(map(str, head["under_way"]))
            )
        _fetch(path_of(place), source, branch)
        records_branch.lay_out(path_of(place), place)
        last = snapshot.check(place)
        return Snapshot(last["seq"], last["time"], "", ())
    except BaseException:
        shutil.rmtree(place)
        raise


def finish(state: Path, ledger: Ledger, made: Snapshot, source: str, *, off_by: str) -> None:
    """What was unpacked is on record, and becomes the state folder. off_by: who said that the old box is off, "" if nobody
    has yet; ledger: of `STATE/reviving`."""
    place, where = state / REVIVING, without_users(source)
    ledger.append(REVIVED, {"from": where, "line": made.seq, "under_way": list(made.under_way)})
    if off_by:
        ledger.append(OLD_BOX_OFF, {"by": off_by})
    else:
        durable.write_new(place / _MARK, [f"{where}, {made.time}\n".encode()])
    for path in place.iterdir():
        durable.DISK.rename(path, state / path.name)
    durable.fsync_dir(state)
    place.rmdir()
    durable.fsync_dir(state)


def old_box(state: Path) -> Problem | None:
    """Why no line is served; None where nothing waits for a word about an old box."""
    path = state / _MARK
    if not path.exists():
        return None
    what = "this box was made of another one's records, and nobody has said yet that that one is off: no line is served"
    return Problem(what, str(path), "switch the old box off for good, then say `dncd revive --old-box-is-off`")


def old_box_off(state: Path, ledger: Ledger, by: str) -> None:
    """Somebody said that the old box is off. May be told again."""
    if (state / _MARK).exists():
        ledger.append(OLD_BOX_OFF, {"by": by})
        durable.remove(state / _MARK)


def _fetch(library: Path, source: str, branch: str, *, records_only: bool = False) -> None:
    corner = "" if branch == defaults.BRANCH else f"{branch}/"
    make_empty(library)
    words = [
        f"refs/heads/{branch}-records:{records_branch.BRANCH.decode()}",
        f"refs/heads/{branch}:refs/heads/main",
        *(f"refs/{kind}/{corner}*:refs/{kind}/*" for kind in ("notes", "tags")),
    ]
    done = GitProgram().run(
        ["fetch", "-q", "--no-tags", "--", source, *words[: 1 if records_only else None]], defaults.PUSH_S, library
    )
    if done.code:
        what = f"this is no snapshot's file, and no server that has a box's library and records: {done.why}"
        raise NotDoneError(what, without_users(source), "Name the file, or what [library] remote of the old box says")
