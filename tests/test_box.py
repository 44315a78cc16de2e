"""A box packed while it works, and another one made of it: of a file, or of its library's server alone."""

import contextlib
import json
import os
import shutil
import subprocess
import sys
import tarfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from house import ENV, House, build, house, machine, tables, text
from waiting import until

from dncd.cli import main
from dncd.cli.packaged import topic_text
from dncd.outside.command_client import ask
from dncd.records import records_branch, revival, snapshot, state_format
from dncd.records.ledger import Ledger, last_seq, records
from dncd.records.library import Library, Text, Writer, path_of
from dncd.records.plans import OutPlan, save
from dncd.records.verify import verify
from dncd.standin.control import StandIn
from dncd.standin.yard import Yard
from dncd.values import Origin

SETTINGS = '[machines.lathe.line]\nport = "/dev/none"\n'


@pytest.fixture
def box(tmp_path: Path) -> Path:
    """A box with three revisions on record, one of a sending that is under way, and a sheet; the folder of its settings."""
    root = tmp_path / "old"
    state = root / "state"
    state.mkdir(parents=True)
    (root / "dncd.toml").write_text(SETTINGS)
    state_format.take_over(state)
    with contextlib.closing(Ledger.open(state)) as ledger, contextlib.closing(Writer(state)) as library:
        for n in range(1, 5):
            made = library.revise("lathe", "O0004", Text.of(b"O0004\nN10 X%d\nM30\n" % n), Origin.OFFICE, {})
            if n < 4:
                about = {"machine": "lathe", "program": "O0004", "revision": n, "commit": made.commit}
                ledger.append("sent", {**about, "file": "4.nc", "transfer": f"lathe@{n}"})
        for n in range(55):
            ledger.append("started", {"n": n})
        (state / "underway").mkdir()
        save(state, OutPlan("lathe@4", "lathe", "5.nc", "0" * 64, ("O0004",), ("O0004",)))
        (state / "orders").mkdir()
        (state / "orders" / "lathe.json").write_text("{}")
        (state / "captures").mkdir()
        (state / "captures" / "lathe@9.raw").write_bytes(b"still coming")
        (state / "captures" / "lathe@8.damaged.raw").write_bytes(bytes(range(256)))
    return root


def dncd(root: Path, *words: str) -> int:
    return main(["--config", str(root / "dncd.toml"), *words])


def revisions(state: Path) -> int:
    with Library(state) as library:
        return len(library.history("lathe", "O0004"))


def test_a_snapshot_is_read_by_plain_tools(box: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "box.tar"
    assert dncd(box, "snapshot", str(file)) == 0
    assert "under way, and not in it: lathe: 5.nc" in capsys.readouterr().out
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []
    there = tmp_path / "there"
    there.mkdir()
    subprocess.run(["tar", "-C", there, "-xf", file], check=True)
    assert (there / "settings.toml").read_text() == SETTINGS
    assert json.loads((there / "holds.json").read_text())["lathe"]["O0004"]["revision"] == 3
    said = subprocess.run(
        ["git", f"--git-dir={there}/state/library.git", "show", "main:lathe/O0004.nc"], capture_output=True, check=True
    )
    assert said.stdout == b"O0004\nN10 X3\nM30\n", "the library as the ledger names it"
    assert file.stat().st_mode & 0o077 == 0
    assert verify(there / "state", there / "shop").problems == ()


@pytest.mark.parametrize("given", [True, False], ids=["settings there", "no settings"])
def test_a_box_is_made_of_a_snapshot(
    box: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], given: bool
) -> None:
    file, new = tmp_path / "box.tar", tmp_path / "new"
    assert dncd(box, "snapshot", str(file)) == 0
    new.mkdir()
    if given:
        (new / "dncd.toml").write_text("# mine\n" + SETTINGS)
    assert dncd(new, "revive", str(file)) == 0
    said = capsys.readouterr().out
    assert "was under way: lathe: 5.nc" in said
    assert "dncd revive --old-box-is-off" in said
    assert ((new / "dncd.toml").read_text() == SETTINGS) is not given
    assert verify(new / "state", new / "shop").problems == ()
    assert (revisions(new / "state"), revisions(box / "state")) == (3, 4)
    assert list(records(new / "state"))[:-1] == list(records(box / "state"))
    assert [(path.name, path.read_bytes()) for path in (new / "state" / "captures").iterdir()] == [
        ("lathe@8.damaged.raw", bytes(range(256)))
    ], "what came damaged is there, as it came"
    assert revival.old_box(new / "state") is not None
    assert dncd(new, "revive", str(file)) == 2
    assert "not empty" in capsys.readouterr().err


def test_a_damaged_capture_that_is_let_go_while_it_packs_does_not_spoil_it(
    box: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    packed, let_go = snapshot._packed, box / "state" / "captures" / "lathe@8.damaged.raw"

    def later(state: Path, *rest: Any) -> Any:
        let_go.unlink(missing_ok=True)
        return packed(state, *rest)

    monkeypatch.setattr(snapshot, "_packed", later)
    assert dncd(box, "snapshot", str(tmp_path / "box.tar")) == 0
    with tarfile.open(tmp_path / "box.tar") as tar:
        assert let_go.name not in " ".join(tar.getnames())


def test_a_damaged_snapshot_makes_no_box(box: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file, new = tmp_path / "box.tar", tmp_path / "new"
    assert dncd(box, "snapshot", str(file)) == 0
    data = bytearray(file.read_bytes())
    data[data.index(b"N10") if b"N10" in data else data.index(b'"event"') + 2] ^= 1
    file.write_bytes(data)
    new.mkdir()
    (new / "dncd.toml").write_text(SETTINGS)
    assert dncd(new, "revive", str(file)) == 1
    assert "damaged" in capsys.readouterr().err
    assert list((new / "state").iterdir()) == []


def test_a_newer_form_and_a_path_out_of_it_are_refused(box: Path, tmp_path: Path) -> None:
    file, new = tmp_path / "other.tar", tmp_path / "new"
    new.mkdir()
    (new / "dncd.toml").write_text(SETTINGS)
    for head, name in (({"snapshot": 2}, "a"), ({"snapshot": 1, "files": {"state/../../x": ""}}, "state/../../x")):
        (tmp_path / "h").write_text(json.dumps(head))
        with tarfile.open(file, "w") as tar:
            tar.add(tmp_path / "h", "snapshot.json")
            tar.add(tmp_path / "h", name)
        assert dncd(new, "revive", str(file)) in (1, 2)
        assert not (tmp_path / "x").exists()


def test_nothing_reads_a_folder_whose_revive_was_cut_short(box: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (box / "state" / state_format.REVIVING).mkdir()
    assert dncd(box, "log") == 1
    assert "cut short" in capsys.readouterr().err


# --- from the server alone -----------------------------------------------------------------------------------------------


def test_the_branch_of_the_records_grows_by_pieces_and_gives_all_back(box: Path, tmp_path: Path) -> None:
    state, settings = box / "state", box / "dncd.toml"
    library = path_of(state)

    def objects() -> int:
        return sum(1 for _ in library.glob("objects/[0-9a-f][0-9a-f]/*"))

    records_branch.bring_up(state, settings)
    before = objects()
    records_branch.bring_up(state, settings)
    assert objects() == before, "nothing is new"
    with contextlib.closing(Ledger.open(state)) as ledger:
        ledger.append("started")
    records_branch.bring_up(state, settings)
    assert objects() - before <= 5, "a piece, the folders above it, a commit"
    settings.rename(tmp_path / "away.toml")
    records_branch.bring_up(state, settings)
    there = tmp_path / "there"
    assert records_branch.lay_out(library, there) == SETTINGS.encode()
    assert list(records(there)) == list(records(state))
    assert (there / "orders" / "lathe.json").read_text() == "{}"


@contextlib.contextmanager
def served(root: Path, server: Path, control: StandIn) -> Iterator[House]:
    root.mkdir()
    table = f'[shop]\nsettle_s = 0.1\n[library]\nremote = "{server}"\nbranch = "box-two"\n'
    with house(root, table, lathe=machine(control)) as shop:
        yield shop


@pytest.mark.slow
def test_a_box_that_died_is_made_anew_from_the_server_alone(tmp_path: Path) -> None:
    server, control, new = tmp_path / "server.git", StandIn(build()), tmp_path / "new"
    subprocess.run(["git", "init", "-q", "--bare", "-b", "main", str(server)], check=True)
    with Yard(control):
        with served(tmp_path / "old", server, control) as shop:
            shop.drop("lathe", "4.nc", text(["O0004", "N10 G04 P1", "M30"]))
            assert shop.receipt("lathe", "sent", "4.nc").get("result") == "sent"
            assert shop.dncd("reload").returncode == 0
        old = list(records(shop.state))
        new.mkdir()
        with contextlib.closing(Ledger.open(shop.state)), contextlib.chdir(new):
            records_branch.bring_up(shop.state, shop.root / "dncd.toml")  # as the pushing thread does at its next look
            subprocess.run(
                ["git", f"--git-dir={path_of(shop.state)}", "push", "-q", str(server),
                 f"{records_branch.BRANCH.decode()}:refs/heads/box-two-records"], check=True,
            )  # fmt: skip
            shutil.rmtree(shop.root)
            assert dncd(new, "revive", "--branch", "box-two", str(server)) == 0
        assert list(records(new / "state"))[:-1] == old
        again = House.__new__(House)
        again.root, again.shop, again.state = new, new / "shop", new / "state"
        again.log = (new / "run.log").open("ab")
        again.start(["lathe"])
        try:
            lathe = json.loads(again.dncd("status", "--json").stdout)["machines"]["lathe"]
            assert (lathe["state"], "nobody has said yet" in lathe["trouble"][0]) == ("lent", True)
            again.drop("lathe", "5.nc", text(["O0005", "M30"]))
            until(lambda: again.dncd("status", "--json").stdout.count("5.nc"))
            assert again.dncd("revive", "--old-box-is-off", "--by", "A. Miller").returncode == 0
            assert again.receipt("lathe", "sent", "5.nc").get("result") == "sent"
            until(lambda: "up to O0005" in again.dncd("status").stdout)
            assert again.dncd("verify").returncode == 0
            assert again.dncd("programs", "lathe", "--json").stdout.count('"program"') == 2
        finally:
            assert again.stop() == 0
    said = [line["event"] for line in again.ledger()[len(old) :]]
    assert said[:3] == ["revived", "started", "old-box-off"]
    assert last_seq(again.state) == len(again.ledger())


@pytest.mark.slow
def test_no_reload_and_no_turned_box_opens_a_line_before_the_old_box_is_off(tmp_path: Path) -> None:
    lathe, mill = StandIn(build()), StandIn(build())
    (tmp_path / "state").mkdir()
    state_format.take_over(tmp_path / "state")
    (tmp_path / "state" / "old-box").write_text("box.tar\n")
    here, away = machine(lathe), {"line": {"port": "/dev/ttyS63", "frame": "7E1"}}
    boxed = {"line": {"port": "/dev/ttyS62", "frame": "7E1"}, "seat": {"switch": "box"}, "send": {"start_on": "dc1"}}
    with Yard(lathe, mill), house(tmp_path, lathe=away) as shop:

        def ports() -> dict[str, str]:
            told = ask(shop.state, {"do": "status"})["machines"]
            return {name: told[name]["state"] for name in told}

        settings = (tmp_path / "dncd.toml").read_text()
        (tmp_path / "dncd.toml").write_text(
            settings[: settings.index("[machines")] + tables(lathe=here, mill=machine(mill), one=boxed)
        )
        assert shop.dncd("reload").returncode == 0
        assert "no line is served" in shop.dncd("seat", "one").stderr
        shop.drop("lathe", "4.nc", text(["O0004", "M30"]))
        until(lambda: ask(shop.state, {"do": "status"})["machines"]["lathe"]["waiting"])
        assert ports() == {"lathe": "lent", "mill": "lent", "one": "no-port"}
        ask(shop.state, {"do": "old-box-off", "by": "A. Miller"})
        assert shop.receipt("lathe", "sent", "4.nc").get("result") == "sent"
        until(lambda: ports()["mill"] == "listening")


def test_without_settings_a_revive_says_what_to_type(
    box: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    file, new = tmp_path / "box.tar", tmp_path / "new"
    assert dncd(box, "snapshot", str(file)) == 0
    new.mkdir()
    monkeypatch.chdir(new)
    monkeypatch.delenv("DNCD_CONFIG", raising=False)
    monkeypatch.setattr("dncd.outside.config_outline.PLACES", ("config/dncd.toml",))
    assert main(["revive", str(file)]) == 2
    said = capsys.readouterr().err
    assert "There is no settings file at config/dncd.toml." in said
    assert "Type the same again with `--config /etc/dncd/dncd.toml` behind it" in said
    assert "put one there" not in said
    assert main(["revive", str(file), "--config", str(new / "dncd.toml")]) == 0
    assert (new / "dncd.toml").read_text() == SETTINGS


def test_what_is_neither_file_nor_server_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "dncd.toml").write_text(SETTINGS)
    assert dncd(tmp_path, "revive", str(tmp_path / "nowhere")) == 1
    assert "no snapshot's file" in capsys.readouterr().err
    assert list((tmp_path / "state").iterdir()) == []
    assert dncd(tmp_path, "revive") == 2
    assert snapshot.FORM == 1


# --- the manual, typed ---------------------------------------------------------------------------------------------------

SHELL = """\
set -e
dncd() { python -m dncd "$@"; }
/opt/dncd/bin/pip() { export PYTHONPATH="${INSTALLED:-$PYTHONPATH}"; }
systemd-tmpfiles() { mkdir -m 750 STATE; }
chown() { :; }
systemctl() {
    case "$1" in
    stop | disable) kill "$service"; wait "$service" ;;
    start | enable)
        python -m dncd run >> run.log 2>&1 & service=$!
        until dncd status > status.txt 2> /dev/null; do kill -0 "$service"; done ;;
    esac
}
systemctl start dncd
"""
"""A computer without systemd: `systemctl` begins and ends the one service. INSTALLED: the source that pip finds."""


def blocks(head: str) -> list[str]:
    """What is to be typed of a section of the manual's upkeep."""
    section = topic_text("upkeep").partition(f"## {head}\n")[2].partition("\n## ")[0]
    assert section
    return section.split("```\n")[1::2]


def type_in(root: Path, state: Path, *lines: str, **env: str) -> str:
    """Types these into one shell, this computer's folders in place of the manual's; what it said."""
    typed = "\n".join([SHELL, *lines]).replace("/var/backups", str(root)).replace("STATE", str(state))
    typed = typed.replace("/var/lib/dncd-", f"{root}/state-").replace("/var/lib/dncd", str(state))
    path = f"{Path(sys.executable).parent}:{os.environ['PATH']}"
    done = subprocess.run(
        ["bash", "-c", typed], cwd=root, env={**ENV, "PATH": path, **env}, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr + (root / "run.log").read_text()
    return done.stdout


@pytest.fixture
def quiet(box: Path) -> Path:
    """The same, with nothing under way."""
    (box / "state" / "underway" / "lathe@4.json").unlink()
    (box / "state" / "orders" / "lathe.json").unlink()
    (box / "state" / "captures" / "lathe@9.raw").unlink()
    (box / "dncd.toml").write_text(SETTINGS.replace("/dev/none", "/dev/away"))
    return box


@pytest.mark.slow
def test_the_day_the_box_dies_typed_as_it_stands(quiet: Path, tmp_path: Path) -> None:
    """A new version, a backup, the day the box dies."""
    (upgrade,), backup = blocks("A newer version"), blocks("Backing up")[0]
    dies, off = (block.replace("/etc/dncd/dncd.toml", "new/dncd.toml") for block in blocks("The day the box dies"))
    (new := tmp_path / "new").mkdir()
    lines = [upgrade, backup, "systemctl stop dncd", dies, "cat status.txt", off, "dncd verify", "systemctl stop dncd"]
    said = type_in(tmp_path, quiet / "state", *lines, DNCD_CONFIG=f"{quiet}/dncd.toml")
    assert "nobody has said yet that that one is off" in said
    assert "The old box is off" in said
    assert said.count("0 problems found") == 3
    assert (tmp_path / "dncd-before.tar").exists()
    assert [line["event"] for line in records(new / "state")][-4:] == ["revived", "started", "old-box-off", "stopped"]


def released(root: Path) -> Path:
    """The source of the last released dncd, where the history of this one is there."""
    git = ["git", "-C", str(Path(__file__).parent.parent)]
    found = subprocess.run(
        [*git, "log", "-1", "--format=%h", r"--grep=^dncd 0\."], capture_output=True, text=True, check=False
    )
    if found.returncode or not found.stdout.strip():
        pytest.skip("the history is not here: no older dncd to go back to")
    place = root / "released"
    place.mkdir()
    packed = subprocess.run([*git, "archive", found.stdout.strip(), "dncd"], capture_output=True, check=True).stdout
    subprocess.run(["tar", "-C", place, "-x"], input=packed, check=True)
    return place


@pytest.mark.slow
def test_the_way_back_to_the_version_before_typed_as_it_stands(quiet: Path, tmp_path: Path) -> None:
    """The older one starts on today's records; records that it cannot read stay as they are, and older ones are put back."""
    back, put_back = blocks("Back to the version before")
    state = quiet / "state"
    newer = f'sed -i \'s/"number": *[0-9]*/"number": 99/\' {state}/format'
    lines = [
        *(
            "dncd snapshot /var/backups/dncd-before.tar",
            back,
            "python -c 'import dncd; print(dncd)'",
            "systemctl stop dncd",
            newer,
        ),
        *("if dncd run 2> said.txt; then false; fi", "cat said.txt", put_back, "dncd verify", "systemctl stop dncd"),
    ]
    said = type_in(tmp_path, state, *lines, DNCD_CONFIG=f"{quiet}/dncd.toml", INSTALLED=str(released(tmp_path)))
    assert f"{tmp_path}/released/dncd/__init__.py" in said
    assert "nothing was changed" in said
    assert said.count("0 problems found") == 2
    assert (tmp_path / "dncd-newer.tar").exists()
    assert '"number": 99' in (tmp_path / "state-newer" / "format").read_text()
    assert revisions(state) == 3


@pytest.mark.slow
def test_the_move_to_another_computer_typed_as_it_stands(quiet: Path, tmp_path: Path) -> None:
    old, new = blocks("To another computer")
    there = tmp_path / "new"
    move = ["mkdir new", f"cp -a {quiet}/shop new/shop", f"export DNCD_CONFIG={there}/dncd.toml"]
    said = type_in(
        tmp_path,
        there / "state",
        old,
        *move,
        new,
        "cat status.txt",
        "systemctl stop dncd",
        DNCD_CONFIG=f"{quiet}/dncd.toml",
    )
    assert "0 problems found" in said
    assert "old box" not in said.partition("revived")[2]
    assert [line["event"] for line in records(there / "state")][-4:] == ["revived", "old-box-off", "started", "stopped"]
    assert revisions(there / "state") == 3


@pytest.mark.slow
def test_a_copy_that_is_older_than_the_server_typed_as_it_stands(quiet: Path, tmp_path: Path) -> None:
    """What the server has stays, the copy is told, and the box is made of the server's."""
    state, server = quiet / "state", tmp_path / "server.git"
    subprocess.run(["git", "init", "-q", "--bare", "-b", "main", str(server)], check=True)
    (quiet / "dncd.toml").write_text(f'[library]\nremote = "{server}"\n{SETTINGS}')
    shutil.copytree(state, older := tmp_path / "older")
    with contextlib.closing(Ledger.open(state)) as ledger, contextlib.closing(Writer(state)) as library:
        made = library.revise("lathe", "O0005", Text.of(b"O0005\nM30\n"), Origin.OFFICE, {})
        about = {"machine": "lathe", "program": "O0005", "revision": 1, "commit": made.commit}
        ledger.append("sent", {**about, "file": "5.nc", "transfer": "lathe@5"})
    (typed,) = blocks("Backing up")[1:]
    up = f"until git --git-dir={server} show main-records:format > /dev/null 2>&1; do :; done"
    lines = [
        *(up, "systemctl stop dncd", f"rm -r {state}; mv {older} {state}", "systemctl start dncd"),
        *("until dncd status | grep 'Backing up'; do :; done", "dncd verify || true"),
        *(typed.replace("git@server:quayside/programs.git", str(server)), "systemctl stop dncd"),
    ]
    said = type_in(tmp_path, state, *lines, DNCD_CONFIG=f"{quiet}/dncd.toml")
    assert "its branch has revisions that this library has not" in said
    assert "is ahead: it has revisions that this library has lost" in said
    assert said.rstrip().endswith("receipts")
    assert "0 problems found" in said.splitlines()[-1]
    with Library(state) as library:
        assert len(library.history("lathe", "O0005")) == 1
    assert (tmp_path / "state-older" / "ledger").is_dir()


@pytest.mark.slow
def test_the_way_out_typed_as_it_stands(quiet: Path, tmp_path: Path) -> None:
    (typed,) = blocks("Away with it")
    (opt := tmp_path / "opt").mkdir()
    (tmp_path / "link").symlink_to(opt)
    typed = typed.replace("/opt/dncd", str(opt)).replace("/usr/local/bin/dncd", str(tmp_path / "link"))
    typed = typed.replace("--into /", f"--into {tmp_path}/root")
    before = sorted(path for path in quiet.rglob("*") if path.is_file() and path.suffix != ".sock")
    type_in(tmp_path, quiet / "state", f"dncd unit --into {tmp_path}/root", typed, DNCD_CONFIG=f"{quiet}/dncd.toml")
    assert [path for path in (tmp_path / "root").rglob("*") if path.is_file()] == []
    assert not opt.exists()
    assert not (tmp_path / "link").is_symlink()
    assert [path for path in before if not path.exists()] == []
    assert verify(quiet / "state", quiet / "shop").problems == ()
    assert (tmp_path / "dncd-last.tar").exists()
