"""The records beside the library, in a branch of its repository, so that its server gets them as well.

`refs/dncd/records`: settings.toml, format, trials/, orders/ as they are, and for each file of the ledger a folder of pieces
of 50 lines, of which an append changes the last one alone. Each commit has all of it; those before it stay.
"""

import contextlib
from pathlib import Path
from typing import Any, Final, cast

from dulwich.objects import Blob, Commit, ObjectID, Tree
from dulwich.refs import Ref
from dulwich.repo import Repo

from dncd.records import durable
from dncd.records.ledger import files_of
from dncd.records.library import path_of
from dncd.records.objects import ObjectWriter, new_commit

BRANCH: Final = Ref(b"refs/dncd/records")
"""In the library; on its server a branch of its own (`outside/library_server`)."""

_PIECE: Final = 50


def bring_up(state: Path, settings: Path) -> None:
    """Brings the branch up to the ledger: a commit more, if anything changed since the last one. One thread at a time."""
    library = path_of(state)
    with contextlib.closing(Repo(str(library))) as repo:
        old = repo.refs.read_ref(BRANCH)
        before = cast(Tree, repo[cast(Commit, repo[ObjectID(old)]).tree]) if old else Tree()
        ledger_before, files = _tree(repo, before, "ledger"), files_of(state)
        root: dict[str, Any] = {"ledger": {}}
        for path in files:  # first: what its lines name was on the disk before them
            there = _tree(repo, ledger_before, path.name)
            root["ledger"][path.name] = there if len(there) and path not in files[-2:] else _pieces(path, there)
        for path in (state / "format", *state.glob("trials/*/*.txt"), *state.glob("orders/*.json")):
            folder = root
            for part in path.relative_to(state).parts[:-1]:
                folder = folder.setdefault(part, {})
            with contextlib.suppress(FileNotFoundError):
                folder[path.name] = path.read_bytes()
        if b"settings.toml" in before:
            root["settings.toml"] = before[b"settings.toml"][1].decode()
        with contextlib.suppress(OSError):  # somebody is at them: the last ones stay
            root["settings.toml"] = settings.read_bytes()
        writer, folders = ObjectWriter(library / "objects"), set[Path]()
        commit = new_commit(_written(writer, root, folders)[1], old)
        if old and commit.tree == before.id:
            return
        commit.message = b"The records of dncd\n"
        folders.add(writer.write(commit))
        for folder_made in folders:
            durable.fsync_dir(folder_made)
        repo.refs.set_if_equals(BRANCH, ObjectID(old) if old else None, commit.id)


def lay_out(library: Path, state: Path) -> bytes:
    """Writes the records of the branch into a state folder; gives the settings. KeyError where there is no branch."""
    with contextlib.closing(Repo(str(library))) as repo:
        settings = b""
        for entry in repo.object_store.iter_tree_contents(cast(Commit, repo[repo.refs[BRANCH]]).tree):
            path, data = (entry.path or b"").decode(), cast(Blob, repo[entry.sha or ObjectID(b"")]).data
            if path == "settings.toml":
                settings = data
                continue
            if ".." in path.split("/"):
                raise KeyError(path)
            target = state / (path.rpartition("/")[0] if path.startswith("ledger/") else path)
            durable.make_folder(target.parent)
            with target.open("ab") as file:
                file.write(data)
        for target in state.rglob("*"):
            if library not in target.parents and target != library:
                (durable.fsync_dir if target.is_dir() else durable.sync_file)(target)
    return settings


def _tree(repo: Repo, folder: Tree, name: str) -> Tree:
    return cast(Tree, repo[folder[name.encode()][1]]) if name.encode() in folder else Tree()


def _pieces(path: Path, there: Tree) -> dict[str, Any]:
    """A file of the ledger in pieces of so many lines; of those that are there all but the last stay."""
    names = sorted(entry.path.decode() for entry in there.iteritems() if entry.path)[:-1]
    found: dict[str, Any] = {name: there[name.encode()][1].decode() for name in names}
    with path.open("rb") as file:
        lines = [line for n, line in enumerate(file) if n >= len(names) * _PIECE and line.endswith(b"\n")]
    for at in range(0, len(lines), _PIECE):
        found[f"{len(names) + at // _PIECE:06}"] = b"".join(lines[at : at + _PIECE])
    return found


def _written(writer: ObjectWriter, what: Any, folders: set[Path]) -> tuple[int, ObjectID]:
    """Writes what is new of an entry; gives mode and name. what: a text, the name of one that is there, a folder or what
    stands in one; folders: to be synced."""
    if isinstance(what, str):
        return 0o100644, ObjectID(what.encode())
    made = Blob.from_string(what) if isinstance(what, bytes) else what
    if isinstance(what, dict):
        made = Tree()
        for name, each in what.items():
            made[name.encode()] = _written(writer, each, folders)
    folders.add(writer.write(made))
    return (0o100644 if isinstance(what, bytes) else 0o040000), made.id
