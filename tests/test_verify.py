"""`verify` finds every way in which ledger, library and receipts can disagree, and nothing where they do not."""

import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from wall_clock import five_and_a_half_hours_east  # noqa: F401 - a fixture

from dncd.records import durable
from dncd.records.ledger import Ledger, files_of, line_hash
from dncd.records.library import Text, Writer, path_of
from dncd.records.receipts import write
from dncd.records.verify import verify
from dncd.values import Origin

DATA = b"%\r\nO0004\r\nM30\r\n%\r\n"


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """A day of two machines: three programs each, sent, recorded, with receipts."""
    state = tmp_path / "state"
    ledger, library = Ledger.open(state), Writer(state)
    ledger.append("started")
    for machine in ("bore-mill", "gang-lathe"):
        for n in (1, 2, 3):
            program, file = f"O000{n}", f"000{n}.nc"
            text = Text.of(f"{program}\nM30\n".encode())
            made = library.revise(machine, program, text, Origin.OFFICE, {"Wire-SHA256": "0" * 64})
            fields = {"machine": machine, "program": program, "file": file, "sha256": hashlib.sha256(DATA).hexdigest()}
            line = ledger.append("sent", {**fields, "revision": made.number, "commit": made.commit})
            path = tmp_path / "shop" / machine / "sent" / file
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(DATA)
            pairs = {"result": "sent", **fields, "time": line["time"], "ledger": f"{line['seq']} {line['hash']}"}
            write(path, pairs.items())
    ledger.close()
    library.close()
    return tmp_path


def problems(root: Path) -> list[str]:
    return list(verify(root / "state", root / "shop").problems)


def tree_of(root: Path) -> dict[str, tuple[int, bytes]]:
    found = (p for p in root.rglob("*") if p.is_file())
    return {str(p): (p.stat().st_mtime_ns, p.read_bytes()) for p in found}


def test_nothing_is_found_where_nothing_is_wrong(shop: Path) -> None:
    before = tree_of(shop)
    report = verify(shop / "state", shop / "shop")
    assert (report.problems, report.notes) == ((), ())
    assert (report.records, report.revisions, report.receipts) == (7, 6, 6)
    assert tree_of(shop) == before, "it changes nothing"


def test_an_empty_house_is_sound(tmp_path: Path) -> None:
    report = verify(tmp_path / "state", tmp_path / "shop")
    assert (report.problems, report.records, report.revisions, report.receipts) == ((), 0, 0, 0)


def lathe(root: Path, name: str) -> Path:
    return root / "shop" / "gang-lathe" / "sent" / name


def edit_receipt(key: str, value: str) -> Callable[[Path], None]:
    def do(root: Path) -> None:
        path = lathe(root, "0001.nc.receipt.txt")
        lines = path.read_text().split("\n")
        path.write_text("\n".join(f"{key}: {value}" if line.startswith(f"{key}:") else line for line in lines))

    return do


def cut_ledger(root: Path) -> None:
    path = files_of(root / "state")[-1]
    path.write_bytes(b"".join(path.read_bytes().splitlines(keepends=True)[:-1]))


def forge_ledger(root: Path) -> None:
    """Everything written anew from line 3 on, with hashes that fit: the chain is whole again."""
    path = files_of(root / "state")[-1]
    lines = [json.loads(line) for line in path.read_text().splitlines()]
    lines[2]["file"] = "forged.nc"
    for n in range(2, len(lines)):
        lines[n]["prev"] = lines[n - 1]["hash"]
        lines[n]["hash"] = line_hash(lines[n])
    path.write_text(
        "".join(json.dumps(x, sort_keys=True, separators=(",", ":"), ensure_ascii=False) + "\n" for x in lines)
    )


def lose_object(kind: str) -> Callable[[Path], None]:
    def do(root: Path) -> None:
        git = ["git", f"--git-dir={path_of(root / 'state')}"]
        names = {
            "commit": "main~3",
            "root": "main^{tree}",
            "folder": "main:gang-lathe",
            "text": "main:bore-mill/O0002.nc",
        }
        name = subprocess.run(
            [*git, "rev-parse", names[kind]], capture_output=True, text=True, check=True
        ).stdout.strip()
        (path_of(root / "state") / "objects" / name[:2] / name[2:]).unlink()

    return do


def swap_objects(root: Path) -> None:
    """The bytes of one text under the name of another: only the hash tells."""
    git = [
        "git",
        f"--git-dir={path_of(root / 'state')}",
        "rev-parse",
        "main:bore-mill/O0002.nc",
        "main:bore-mill/O0003.nc",
    ]
    one, other = subprocess.run(git, capture_output=True, text=True, check=True).stdout.split()
    objects = path_of(root / "state") / "objects"
    (objects / one[:2] / one[2:]).chmod(0o644)
    (objects / one[:2] / one[2:]).write_bytes((objects / other[:2] / other[2:]).read_bytes())


def set_main_back(root: Path) -> None:
    git = ["git", f"--git-dir={path_of(root / 'state')}"]
    subprocess.run([*git, "update-ref", "refs/heads/main", "main~1"], check=True)


def remove_library(root: Path) -> None:
    path_of(root / "state").rename(root / "elsewhere.git")


@pytest.mark.parametrize(
    ("harm", "word"),
    [
        (edit_receipt("sha256", "0" * 64), "sha256"),
        (edit_receipt("result", "refused"), "refused"),
        (edit_receipt("machine", "bore-mill"), "machine"),
        (edit_receipt("program", "O0099"), "O0099"),
        (edit_receipt("file", "other.nc"), "other.nc"),
        (edit_receipt("time", "2020-01-01T00:00:00.000Z"), "time"),
        (edit_receipt("ledger", f"999 {'0' * 64}"), "999"),
        (edit_receipt("ledger", f"5 {'0' * 64}"), "hash"),
        (edit_receipt("ledger", "five"), "ledger line"),
        (edit_receipt("time", ""), "lacks time"),
        (lambda root: lathe(root, "0002.nc").write_bytes(b"other"), "contents"),
        (cut_ledger, "names ledger line 7"),
        (forge_ledger, "hash"),
        (lose_object("commit"), "commit"),
        (lose_object("root"), "gone"),
        (lose_object("folder"), "gone"),
        (lose_object("text"), "gone"),
        (swap_objects, "Checksum mismatch"),
        (set_main_back, "not on main"),
        (remove_library, "there is none"),
    ],
)
def test_every_disagreement_is_found(shop: Path, harm: Callable[[Path], object], word: str) -> None:
    harm(shop)
    found = problems(shop)
    assert any(word in problem for problem in found), found


def test_what_the_office_may_do_is_no_problem(shop: Path) -> None:
    """Taking files away, with or without their receipts, and editing in from-machine/."""
    lathe(shop, "0001.nc").unlink()
    lathe(shop, "0002.nc").unlink()
    lathe(shop, "0002.nc.receipt.txt").unlink()
    (shop / "shop" / "gang-lathe" / "STATUS.txt").write_text("listening")
    report = verify(shop / "state", shop / "shop")
    assert report.problems == ()
    assert [note for note in report.notes if "0001.nc" in note] == list(report.notes)
    assert len(report.notes) == 1


def test_a_changed_ledger_line_is_named(shop: Path) -> None:
    path = files_of(shop / "state")[0]
    path.write_text(path.read_text().replace('"file":"0002.nc"', '"file":"0007.nc"'))
    found = [problem for problem in problems(shop) if problem.startswith("ledger")]
    assert len(found) == 2
    assert all(path.name in problem and "changed" in problem for problem in found)


CHILD = """
import sys
from pathlib import Path
from dncd.records.ledger import Ledger
from dncd.records.library import Text, Writer
from dncd.values import Origin
state = Path(sys.argv[1])
ledger, library = Ledger.open(state), Writer(state)
n = 0
while True:
    n += 1
    text = Text.of(b"%d" % n)
    made = library.revise("gang-lathe", "O0009", text, Origin.OFFICE, {"Wire-SHA256": "0" * 64})
    fields = {"machine": "gang-lathe", "program": "O0009", "revision": made.number, "commit": made.commit}
    print(ledger.append("sent", fields)["seq"], flush=True)
"""


def test_it_works_beside_a_running_writer(shop: Path) -> None:
    words = [sys.executable, "-c", CHILD, str(shop / "state")]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env=os.environ) as child:
        assert child.stdout is not None
        try:
            assert int(child.stdout.readline()) == 8
            reports = [verify(shop / "state", shop / "shop")]
            while len(reports) < 500 and (len(reports) < 5 or reports[-1].records == 8):
                reports.append(verify(shop / "state", shop / "shop"))
        finally:
            child.kill()
            child.stdout.read()
    assert {report.problems for report in reports} == {()}
    assert reports[-1].records > 8, "it was being written meanwhile"


def test_a_receipt_that_is_a_folder_or_a_link_is_told(shop: Path) -> None:
    (lathe(shop, "x") / ".." / f"0009.nc{durable.RECEIPT}").resolve().mkdir()
    lathe(shop, f"0008.nc{durable.RECEIPT}").symlink_to("0001.nc")
    found = problems(shop)
    assert len(found) == 2
    assert all("cannot be read" in problem for problem in found)


@pytest.mark.usefixtures("five_and_a_half_hours_east")
def test_a_clock_that_was_set_back_is_a_note_and_no_problem(tmp_path: Path) -> None:
    times = iter(datetime(year, 12, 24, tzinfo=UTC) for year in (2026, 2027, 2026, 2026))
    ledger = Ledger.open(tmp_path / "state", clock=lambda: next(times))
    for _ in range(3):
        ledger.append("started")
    ledger.close()
    report = verify(tmp_path / "state", tmp_path / "shop")
    assert report.problems == ()
    (note,) = report.notes
    times = "from 2027-12-24 05:30:00 IST to 2026-12-24 05:30:00 IST"
    assert note == f"ledger line 3: the clock was set back, {times}; the order of lines counts"
