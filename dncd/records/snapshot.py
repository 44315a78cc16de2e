"""All that a box has on record, as one moment, in a tar.

The ledger is read first, up to a whole line. What that line and those before it name was durable before them, so all else
is read after it: the library at the newest commit that a line names, the signed sheets, what was asked of waiting files.
What was under way is not in it; `snapshot.json` names its files. A tar holds a state folder as it is, so that any tar and
any git read it without dncd:

    snapshot.json    form, version, ledger line, commit, what was under way, the SHA-256 of each other file
    settings.toml    the settings file as it is
    holds.json       by machine and program: what the control held, as the ledger says it
    state/           format, ledger/, trials/, orders/, captures/ that came damaged, and library.git with one pack
"""

import contextlib
import dataclasses
import hashlib
import io
import json
import os
import tarfile
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, BinaryIO, Final, cast

from dulwich.objects import ObjectID
from dulwich.repo import Repo

from dncd import __version__, defaults
from dncd.errors import RecordsError, UsageError
from dncd.ledger_lines import NO_LINE, Record
from dncd.records import durable, plans, state_format, trials
from dncd.records.git_program import PACK_BOUNDS, GitProgram
from dncd.records.holdings import Holdings
from dncd.records.ledger import check_chain, files_of, newest_first
from dncd.records.library import path_of
from dncd.records.revisions import MAIN, walk
from dncd.records.spool import KEPT

FORM: Final = 1
"""Of the tar."""

_HEAD: Final = "snapshot.json"


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What was packed, or made of it. seq, time: of the last ledger line, 0 and "" for none; under_way: MACHINE: FILE."""

    seq: int
    time: str
    commit: str
    under_way: tuple[str, ...]


_Part = bytes | tuple[Path, int]
"""What goes into a file: these bytes, or so many of the first ones of a file that may grow."""


@dataclass(frozen=True, slots=True)
class _Moment:
    """A ledger up to a line. files: by name, with its length then; last: the line; commits, sheets, machines: what its lines
    name."""

    files: dict[str, tuple[Path, int]]
    last: Record
    commits: frozenset[bytes]
    sheets: tuple[str, ...]
    machines: tuple[str, ...]
    held: Holdings


def _moment(state: Path) -> _Moment:
    files: dict[str, tuple[Path, int]] = {}
    last = NO_LINE
    commits: set[bytes] = set()
    sheets: list[str] = []
    machines: set[str] = set()
    held = Holdings()
    for path in files_of(state):
        size = 0
        with path.open("rb") as lines:
            for raw in lines:
                if not raw.endswith(b"\n"):
                    break  # still in the writing
                size += len(raw)
                with contextlib.suppress(ValueError):
                    last = json.loads(raw)
                    held.feed(last)
                    machines |= {last["machine"]} if "machine" in last else set()
                    commits |= {last["commit"].encode()} if last.get("commit") else set()
                    sheets += [last["sheet"]] if last["event"] in trials.EVENT.values() and "sheet" in last else []
        files[path.name] = path, size
    return _Moment(files, last, frozenset(commits), tuple(sheets), tuple(sorted(machines)), held)


def _beside(state: Path, moment: _Moment) -> dict[str, _Part]:
    """The records beside ledger and library, by their path in the state folder. What came damaged is there once alone."""
    orders = [f"orders/{path.name}" for path in sorted((state / "orders").glob("*.json"))]
    parts: dict[str, _Part] = {
        name: (state / name).read_bytes() for name in ("format", *moment.sheets, *orders) if (state / name).is_file()
    }
    damaged = sorted((state / "captures").glob(f"*{KEPT}"))
    return parts | {f"captures/{path.name}": (path, path.stat().st_size) for path in damaged}


def _under_way(state: Path) -> Iterator[str]:
    for path in sorted(plans.folder_of(state).glob("*.json")):
        with contextlib.suppress(ValueError, OSError):
            if (plan := plans.load(state, path.stem)) is not None:
                yield f"{plan.machine}: {plan.file if isinstance(plan, plans.OutPlan) else 'what its control punched'}"


def _commit(repo: Repo, moment: _Moment) -> str:
    """The newest commit of main that a line names; main where none is named."""
    head = repo.refs.read_ref(MAIN)
    found = (facts.commit for facts in walk(repo.object_store, head, repo.path) if facts.commit in moment.commits)
    return (next(found, None if moment.commits else head) or b"").decode()


def pack(state: Path, settings: Path, target: Path) -> Snapshot:
    """Writes a snapshot while the service works; it is read back and checked before it gets its name."""
    with durable.reporting("the snapshot cannot be made", target):
        with contextlib.suppress(FileNotFoundError):
            return _made(state, settings, target)
        return _made(state, settings, target)  # what came damaged was let go meanwhile: now it is not in it


def _made(state: Path, settings: Path, target: Path) -> Snapshot:
    under_way = tuple(_under_way(state))
    moment = _moment(state)
    holds = {
        machine: {program: dataclasses.asdict(held) for program, held in moment.held.of(machine).items()}
        for machine in moment.machines
    }
    files: dict[str, _Part] = {"settings.toml": settings.read_bytes(), "holds.json": _json(holds)}
    files |= {f"state/{name}": data for name, data in _beside(state, moment).items()}
    files |= {f"state/ledger/{name}": part for name, part in moment.files.items()}
    with tempfile.TemporaryDirectory(prefix=durable.HIDDEN, dir=target.parent) as place:
        commit, packed = _packed(state, moment, Path(place))
        snapshot = Snapshot(moment.last["seq"], moment.last["time"], commit, under_way)
        made = Path(place) / "made"
        _write(made, {**files, **packed}, snapshot, moment.last["hash"])
        (again := Path(place) / "again").mkdir()
        check(again, str(unpack(made, again)["hash"]))
        durable.sync_file(made)
        durable.DISK.rename(made, target)
    durable.fsync_dir(target.parent)
    return snapshot


def _json(what: object) -> bytes:
    return (json.dumps(what, indent=1) + "\n").encode("ascii")


def _packed(state: Path, moment: _Moment, place: Path) -> tuple[str, dict[str, _Part]]:
    """The library as the moment names it: the commit, and the files of a bare repository with one pack."""
    library = path_of(state)
    if not (library / "HEAD").is_file():
        return "", {}
    with contextlib.closing(Repo(str(library))) as repo:
        commit = _commit(repo, moment)
        refs = {
            name: value for name, value in repo.refs.as_dict().items() if name.startswith(b"refs/") and name != MAIN
        }
    refs |= {MAIN: ObjectID(commit.encode())} if commit else {}
    if not refs:
        return "", {}  # nothing is in it yet: a start makes an empty one
    given = "".join(f"{value.decode()}\n" for value in refs.values())
    words = [*PACK_BOUNDS, "pack-objects", "-q", "--revs", "--delta-base-offset"]
    done = GitProgram().run([*words, str(place / "pack")], defaults.PACK_S, library, given=given)
    if done.code:
        raise RecordsError(f"git could not pack the library: {done.why}", str(library), "Run `dncd verify`")
    head = "state/library.git"
    files: dict[str, _Part] = {f"{head}/{name}": (library / name).read_bytes() for name in ("HEAD", "config")}
    files |= {f"{head}/{name.decode()}": value + b"\n" for name, value in refs.items()}
    files |= {f"{head}/objects/pack/{path.name}": (path, path.stat().st_size) for path in sorted(place.glob("pack-*"))}
    return commit, files


def _write(made: Path, files: dict[str, _Part], snapshot: Snapshot, last: str) -> None:
    """last: the hash of the last line."""
    head = {"snapshot": FORM, "dncd": __version__, **dataclasses.asdict(snapshot), "hash": last}
    head["files"] = {name: _digest(part) for name, part in files.items()}
    fd = os.open(made, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)  # the settings are for their owner
    with os.fdopen(fd, "wb") as target, tarfile.open(fileobj=target, mode="w") as tar:
        for name, part in {_HEAD: _json(head), **files}.items():
            entry = tarfile.TarInfo(name)
            entry.size = len(part) if isinstance(part, bytes) else part[1]
            entry.mtime = int(time.time())
            with _open(part) as source:
                tar.addfile(entry, source)


def _open(part: _Part) -> BinaryIO:
    return io.BytesIO(part) if isinstance(part, bytes) else part[0].open("rb")


def _digest(part: _Part) -> str:
    left, digest = len(part) if isinstance(part, bytes) else part[1], hashlib.sha256()
    with _open(part) as source:
        while chunk := source.read(min(left, durable.CHUNK)):
            left -= len(chunk)
            digest.update(chunk)
    return digest.hexdigest()


def unpack(file: Path, state: Path) -> dict[str, Any]:
    """Puts the `state/` of a snapshot into an empty folder, each file checked by its SHA-256; gives `snapshot.json` with
    `settings`, the text of the settings. UsageError where it is no snapshot, RecordsError where it is damaged."""
    try:
        with tarfile.open(file, "r:") as tar:
            first = tar.next()
            head = json.loads(tar.extractfile(first).read()) if first is not None and first.name == _HEAD else {}  # type: ignore[union-attr]
            if not isinstance(head.get("snapshot"), int) or head["snapshot"] > FORM:
                raise UsageError(
                    "it is no snapshot that this dncd reads", str(file), "Name one that `dncd snapshot` made"
                )
            wanted: dict[str, str] = dict(head["files"])
            while (entry := tar.next()) is not None:
                if not entry.isfile() or entry.name not in wanted or ".." in PurePosixPath(entry.name).parts:
                    raise ValueError(f"{entry.name} does not belong there")
                source, digest = cast(BinaryIO, tar.extractfile(entry)), wanted.pop(entry.name)
                if entry.name.startswith("state/"):
                    path = state / entry.name.removeprefix("state/")
                    durable.make_folder(path.parent)
                    durable.write_new(path, iter(lambda s=source: s.read(durable.CHUNK), b""))  # type: ignore[misc]
                    said = durable.sha256_of(path)
                else:
                    data = source.read()
                    said = hashlib.sha256(data).hexdigest()
                    head["settings"] = data if entry.name == "settings.toml" else head.get("settings", b"")
                if said != digest:
                    raise ValueError(f"{entry.name} is damaged")
            if wanted:
                raise ValueError(f"{min(wanted)} is missing")
    except (tarfile.TarError, ValueError, KeyError, AttributeError, EOFError) as error:
        raise RecordsError(f"the snapshot is damaged: {error}", str(file), "Take another one") from error
    return cast(dict[str, Any], head)


def check(state: Path, last_hash: str = "") -> Record:
    """The last ledger line of a state folder that was just made; RecordsError unless it holds together: chain, last line
    (last_hash: its hash, "" where that is not known), every object of git."""
    state_format.check(state)
    faults, last = check_chain(state), next(newest_first(state), NO_LINE)
    if faults or last["hash"] != (last_hash or last["hash"]):
        what = f"the ledger is damaged: {faults[0].what if faults else 'its last line is another'}"
        raise RecordsError(what, str(state), "Take another snapshot")
    library = path_of(state)
    if (library / "HEAD").is_file():
        done = GitProgram().run(["fsck", "--connectivity-only", "--no-dangling"], defaults.PACK_S, library)
        if done.code:
            raise RecordsError(f"the library is not whole: {done.why}", str(library), "Take another snapshot")
    return last
