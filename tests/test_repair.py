"""A library that is of another moment than its ledger: where it goes, what is kept, what nobody believes any more."""

import contextlib
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from two_machines import opened

from dncd.cli import main
from dncd.errors import RecordsError
from dncd.records import repair, state_format
from dncd.records.holdings import Holdings, How
from dncd.records.ledger import Ledger, check_chain, records
from dncd.records.library import Library, Text, Writer, path_of
from dncd.records.revisions import MAIN
from dncd.records.verify import verify
from dncd.values import Origin

ON_RECORD = 4


@pytest.fixture
def state(tmp_path: Path) -> Path:
    """Six revisions of one program; the ledger names the first four. The last run came to no stop."""
    state = tmp_path / "state"
    state.mkdir()
    state_format.take_over(state)
    with contextlib.closing(Ledger.open(state)) as ledger, contextlib.closing(Writer(state)) as library:
        ledger.append("started")
        for n in range(1, ON_RECORD + 3):
            made = library.revise("lathe", "O0004", Text.of(b"O0004\nN10 X%d\nM30\n" % n), Origin.OFFICE, {})
            if n <= ON_RECORD:
                about = {"machine": "lathe", "program": "O0004", "revision": n, "commit": made.commit}
                ledger.append("sent", {**about, "file": "4.nc", "transfer": f"lathe@{n}"})
                ledger.append("proven", {**about, "note": "good", "by": "A. Miller"})
    return state


def commits(state: Path) -> list[str]:
    with Library(state) as library:
        return [revision.commit for revision in library.history("lathe", "O0004")]


def without(state: Path, name: str, what: str = "") -> None:
    """An object that came too late to be copied: of a revision its commit, or with `what` its text."""
    said = subprocess.run(
        ["git", f"--git-dir={path_of(state)}", "rev-parse", name + what], capture_output=True, text=True, check=True
    ).stdout.strip()
    (path_of(state) / "objects" / said[:2] / said[2:]).unlink()


@contextlib.contextmanager
def ledger_of(state: Path) -> Iterator[Ledger]:
    with contextlib.closing(Ledger.open(state)) as ledger:
        yield ledger


def test_a_library_ahead_of_its_ledger_goes_back_by_itself_and_keeps_what_it_can(state: Path) -> None:
    six = commits(state)
    without(state, six[4], ":lathe/O0004.nc")
    with contextlib.closing(opened(state.parent)) as store:
        assert store.library.head() == six[3].encode()
        said = store.recover(lambda _: True)
    assert said[0].startswith("the library is at")
    kept = state / "aside" / "lathe" / f"O0004.{six[5][:8]}.nc"
    assert kept.read_bytes() == b"O0004\nN10 X6\nM30\n"
    assert said[1:] == [
        f"lathe: O0004, being sent then: its text is in aside/lathe/{kept.name}"
        if commit == six[5]
        else "lathe: O0004, being sent then: its text is lost"
        for commit in (six[5], six[4])
    ]
    assert verify(state, state.parent / "shop").problems == ()
    assert Holdings.read(state).one("lathe", "O0004").revision == ON_RECORD


@pytest.mark.parametrize("value", ["", "0" * 40, "torn\n"])
def test_a_branch_that_names_nothing_goes_to_the_newest_revision_on_record(state: Path, value: str) -> None:
    six, main_file = commits(state), path_of(state) / MAIN.decode()
    main_file.write_text(value) if value else main_file.unlink()
    with contextlib.closing(opened(state.parent)) as store:
        assert store.library.head() == six[3].encode()
    assert commits(state) == six[:4]


def test_a_branch_that_is_older_than_the_ledger_goes_on(state: Path) -> None:
    six = commits(state)
    (path_of(state) / MAIN.decode()).write_text(six[1] + "\n")
    with contextlib.closing(opened(state.parent)):
        pass
    assert commits(state) == six[:4]


def test_what_is_on_record_goes_only_by_a_persons_word_and_is_believed_no_more(
    state: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    six = commits(state)
    without(state, six[2])
    settings = state.parent / "dncd.toml"
    settings.write_text('[machines.lathe.line]\nport = "/dev/none"\n')
    with pytest.raises(RecordsError, match="dncd recover"):
        opened(state.parent)
    before = list(records(state))
    assert main(["--config", str(settings), "recover"]) == 0
    said = capsys.readouterr().out
    assert "revision 3: its text is lost" in said
    assert f"revision 4: its text is in aside/lathe/O0004.{six[3][:8]}.nc" in said
    assert list(records(state))[: len(before)] == before
    assert (commits(state), check_chain(state)) == (six[:2], [])
    assert verify(state, state.parent / "shop").problems == ()
    with contextlib.closing(opened(state.parent)) as store:
        held = store.holdings()
        assert (held.one("lathe", "O0004").how, held.one("lathe", "O0004").revision) == (How.UNKNOWN, 0)
        assert [signed.revision for signed in held.signed_off("lathe", "O0004")] == [1, 2]
        assert Holdings.read(state, "lathe", until=str(before[-1]["seq"])).one("lathe", "O0004").revision == 0
        again = store.library.revise("lathe", "O0004", Text.of(b"O0004\nM30\n"), Origin.OFFICE, {})
        assert again.number == 3
    assert main(["--config", str(settings), "recover"]) == 0
    assert "nothing had to be done" in capsys.readouterr().out


def test_a_damaged_object_is_kept_apart_so_that_the_same_text_can_be_written(state: Path) -> None:
    with Library(state) as library:
        blob = library.history("lathe", "O0004")[4].blob
    path = path_of(state) / "objects" / blob[:2] / blob[2:]
    path.chmod(0o644)
    path.write_bytes(path.read_bytes()[:9])
    with contextlib.closing(opened(state.parent)) as store:
        assert (state / "aside" / f"object-{blob}").exists()
        store.library.revise("lathe", "O0004", Text.of(b"O0004\nN10 X5\nM30\n"), Origin.OFFICE, {})
    assert verify(state, state.parent / "shop").problems == ()


def test_after_a_stop_in_order_nothing_is_looked_at(state: Path) -> None:
    six = commits(state)
    with ledger_of(state) as ledger:
        ledger.append("stopped")
    (path_of(state) / MAIN.decode()).write_text(six[1] + "\n")
    with contextlib.closing(opened(state.parent)) as store:
        assert store.library.head() == six[1].encode()


def test_a_cut_between_word_and_deed_is_told_again(state: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    six = commits(state)
    without(state, six[5])

    def cut(_library: Path, _found: repair.Finding) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched, ledger_of(state) as ledger:
        patched.setattr(repair, "_move", cut)
        with pytest.raises(KeyboardInterrupt):
            repair.recovered(state, ledger)
    with ledger_of(state) as ledger:
        assert repair.recovered(state, ledger)
        assert repair.recovered(state, ledger) == []
    assert commits(state) == six[:4]


def test_the_same_jobs_cut_for_days_take_no_newer_revision_away(state: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The newest lines name old commits alone, and main's own came too late to be copied."""
    monkeypatch.setattr(repair, "RECENT", 2)
    six = commits(state)
    with ledger_of(state) as ledger:
        for _ in range(3):
            ledger.append("sent", {"machine": "lathe", "program": "O0004", "revision": 1, "commit": six[0]})
    without(state, six[5])
    with contextlib.closing(opened(state.parent)) as store:
        assert store.library.head() == six[3].encode()
    assert verify(state, state.parent / "shop").problems == ()


def test_a_look_walks_no_commit_once_more_for_each_line_that_names_it(
    state: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with ledger_of(state) as ledger:
        for n, commit in enumerate(commits(state)[:2], 1):
            ledger.append("sent", {"machine": "lathe", "program": "O0004", "revision": n, "commit": commit})
    walks = []
    monkeypatch.setattr(repair, "walk", lambda *words, walk=repair.walk: walks.append(words) or walk(*words))
    assert repair.look(state, 2).main == commits(state)[5]
    assert len(walks) <= 2
