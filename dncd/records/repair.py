"""A library that does not fit its ledger, taken to the newest state that is whole.

A plain copy of the state folder that is taken while dncd works has files of different moments: `main` may name a commit
whose objects came too late to be copied, or be older than the ledger. What the copy has is looked at commit by commit, and
`main` is moved to the newest one that can be read with its texts. Lines of the ledger all stay: those that name a revision
which is not there any more are followed by a line `recovered`, from which on nobody takes it for held, checked or proven.
Texts that can be read, and objects that cannot, are kept in `STATE/aside`.
"""

import contextlib
import re
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Final, cast

from dulwich.objects import Blob, Commit, ObjectID, Tree
from dulwich.repo import Repo

from dncd.errors import RecordsError
from dncd.ledger_lines import Fields
from dncd.records import durable, plans
from dncd.records.branch import Branch
from dncd.records.checks import RECOVERED
from dncd.records.ledger import Ledger, last_seq, records, since
from dncd.records.library import path_of
from dncd.records.library_index import path_of_index
from dncd.records.revisions import MAIN, SUFFIX, UNREADABLE, CommitFacts, trailers_in, walk, whole_object

RECENT: Final = 300
"""Commits and ledger lines that are looked at before a start: far more than come while a folder is copied."""

_TEXTS: Final = 3_000
"""Newest commits whose texts are read: an older one that is damaged is no copy's fault, and `verify` names it."""


@dataclass(frozen=True, slots=True)
class Gone:
    """A revision that main has no more. number: 0 for one that the ledger does not name; text: b"" where it is lost."""

    machine: str
    program: str
    number: int
    commit: str
    text: bytes

    @property
    def file(self) -> str:
        return f"{self.program}.{self.commit[:8]}{SUFFIX}" if self.text else ""

    def __str__(self) -> str:
        what = f"{self.machine}: {self.program}, " + (f"revision {self.number}" if self.number else "being sent then")
        return f"{what}: {f'its text is in aside/{self.machine}/{self.file}' if self.text else 'its text is lost'}"


@dataclass(frozen=True, slots=True)
class Finding:
    """What a look found. before, main: where main is and should be, "" for nowhere; damaged: objects that cannot be read."""

    before: str
    main: str
    gone: tuple[Gone, ...]
    damaged: tuple[str, ...]

    @property
    def on_record(self) -> tuple[Gone, ...]:
        return tuple(one for one in self.gone if one.number)


def told_gone(state: Path) -> set[str]:
    """Commits that the ledger names, and says itself to be gone."""
    return {commit for line in records(state) if line["event"] == RECOVERED for commit in line.get("commits", ())}


def look(state: Path, most: int = 0) -> Finding:
    """Compares `main` with its objects and the ledger; changes nothing. most: commits and lines to look at, 0 for all."""
    with contextlib.closing(Repo(str(path_of(state)))) as repo:
        named, before = _named(state, most), _value(repo)
        chain: list[CommitFacts] = []
        seen: set[str] = set()
        for tip in (before, *reversed(named)):
            if tip and tip not in seen:
                found = _chain(repo, tip, most)
                names = {facts.commit.decode() for facts in found}
                if found and (not chain or chain[0].commit.decode() in names):
                    chain = found
                seen |= names
        damaged: list[str] = []
        broken = [n for n, facts in enumerate(chain[:_TEXTS]) if not _is_whole(repo, facts, damaged)]
        left = chain[broken[-1] + 1 :] if broken else chain
        on_main = {facts.commit.decode() for facts in left}
        went = {facts.commit.decode(): (*(facts.key or ("", "")), 0) for facts in chain[: len(chain) - len(left)]}
        went |= {commit: said for commit, said in named.items() if commit not in on_main}
        gone = tuple(Gone(*said, commit, _text(repo, commit)) for commit, said in went.items() if said[0])
        return Finding(before, left[0].commit.decode() if left else "", gone, tuple(damaged))


def recovered(state: Path, ledger: Ledger) -> list[str]:
    """All of a library brought to where it fits its ledger, under the lock of the state folder; sentences on what went."""
    return carry_out(state, ledger, look(state)) if (path_of(state) / "HEAD").is_file() else []


def carry_out(state: Path, ledger: Ledger, found: Finding) -> list[str]:
    """Does what was found, under the lock of the state folder; sentences on what went. Told in the ledger first, so that
    a cut leaves nothing that the next look would not find."""
    if found.main == found.before and not found.gone:
        return []
    for one in found.gone:
        if one.file and not (state / "aside" / one.machine / one.file).exists():
            durable.make_folder(state / "aside" / one.machine)
            durable.write_new(state / "aside" / one.machine / one.file, [one.text])
    for machine in sorted({one.machine for one in found.gone}) or [""]:
        mine = [one for one in found.gone if one.machine == machine]
        about: Fields = {"before": found.before, "main": found.main}
        if mine:
            about |= {"machine": machine, "programs": [one.program for one in mine]}
            about |= {"revisions": [one.number for one in mine], "commits": [one.commit for one in mine]}
        ledger.append(RECOVERED, about)
    for name in found.damaged:
        path = path_of(state) / "objects" / name[:2] / name[2:]
        if path.exists():  # else the writer would take the very same content for written
            durable.make_folder(state / "aside")
            durable.place(path, state / "aside", f"object-{name}")
    if found.main != found.before:
        durable.remove(path_of_index(state))
        _move(path_of(state), found)
    head = f"the library is at {found.main[:12] or 'nothing'} now, it was at {found.before[:12] or 'nothing'}"
    return [head, *map(str, found.gone)]


def _move(library: Path, found: Finding) -> None:
    main = library / MAIN.decode()
    if not found.main:
        durable.remove(main)
        return
    with contextlib.closing(Repo(str(library))) as repo:
        if not found.before:
            durable.discard(main)  # what it said was no commit's name
        branch = Branch(library, repo)
        branch.clear()
        branch.move(found.before.encode() or None, found.main.encode())


def _named(state: Path, most: int) -> dict[str, tuple[str, str, int]]:
    """Commits that ledger and plans name, each once, oldest first, with machine, program and revision; not those that are
    told to be gone."""
    lines = since(state, last_seq(state) - most) if most else records(state)
    found: dict[str, tuple[str, str, int]] = {}
    told: set[str] = set()
    for line in lines:
        if line["event"] == RECOVERED:
            told |= set(line.get("commits", ()))
        elif commit := line.get("commit"):
            found.setdefault(commit, (line.get("machine", ""), line.get("program", ""), line.get("revision", 0)))
    for path in sorted(plans.folder_of(state).glob("*.json")):
        with contextlib.suppress(ValueError, OSError):  # one that cannot be read stops its machine at the next start
            if isinstance(plan := plans.load(state, path.stem), plans.OutPlan):
                for commit, program in zip(plan.commits, plan.revised, strict=False):
                    found.setdefault(commit, (plan.machine, program, 0))
    return {commit: said for commit, said in found.items() if commit not in told}


def _value(repo: Repo) -> str:
    """What main names, "" where that is nothing, or no name at all."""
    with contextlib.suppress(*UNREADABLE):
        value = (repo.refs.read_ref(MAIN) or b"").decode("ascii", "replace")
        return value if re.fullmatch("[0-9a-f]{40}", value) else ""
    return ""


def _chain(repo: Repo, tip: str, most: int) -> list[CommitFacts]:
    """The commits from a tip on down, newest first; [] where one of them cannot be read."""
    try:
        return list(islice(walk(repo.object_store, tip.encode(), repo.path), most or None))
    except RecordsError:
        return []


def _is_whole(repo: Repo, facts: CommitFacts, damaged: list[str]) -> bool:
    """Whether a commit's trees and text can be read; notes in `damaged` what is there and cannot."""
    at, whole = ObjectID(facts.commit), True
    try:
        at = cast(Commit, whole_object(repo.object_store, at)).tree
        for part in f"{facts.key[0]}/{facts.key[1]}{SUFFIX}".split("/") if facts.key else ():
            at = cast(Tree, whole_object(repo.object_store, at))[part.encode()][1]
        whole_object(repo.object_store, at)
    except UNREADABLE:
        whole = False
        damaged.append(at.decode())
    return whole


def _text(repo: Repo, commit: str) -> bytes:
    """The text of a revision; b"" where it cannot be read."""
    with contextlib.suppress(*UNREADABLE):
        message = cast(Commit, whole_object(repo.object_store, ObjectID(commit.encode()))).message
        return cast(Blob, whole_object(repo.object_store, ObjectID(trailers_in(message)["Blob"].encode()))).data
    return b""
