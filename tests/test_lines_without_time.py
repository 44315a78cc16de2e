"""A line of the ledger that has no time, or none that there is: every reader shows the rest, and none raises."""

import contextlib
import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest
from page_shop import NOW, records, status

from dncd.cli import main
from dncd.ledger_lines import NO_HASH
from dncd.page.pages import PAGES, Look
from dncd.page.reading import Reading
from dncd.records.holdings import Holdings
from dncd.records.ledger import Ledger, files_of, line_hash
from dncd.records.verify import verify
from dncd.service.backups import due
from dncd.service.status import backup_line, status_text

NAME = "gang-lathe"
TOML = '[machines.gang-lathe.line]\nport = "/dev/x"\nbaud = 4800\nframe = "7E2"\n'
PLACES = {"machine": NAME, "program": "O0004"}
BAD: list[Any] = [
    "", None, 20261128, ["2026-11-28T12:58:00Z"], "yesterday", "2026-13-45T00:00:00Z", "2026-11-28", "2026-11-28T12:58:00",
    "0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z",
]  # fmt: skip


def timeless(state: Path) -> int:
    """Takes the times of all lines away, each in another way, and chains them anew; how many there are."""
    (path,) = files_of(state)
    lines, prev = [json.loads(line) for line in path.read_text().splitlines()], NO_HASH
    for n, line in enumerate(lines):
        line.update({"prev": prev, "time": BAD[n % len(BAD)]})
        for key in ("time", "hash") if n == 0 else ("hash",):
            del line[key]
        line["hash"] = prev = line_hash(line)
    path.write_text("".join(json.dumps(line, sort_keys=True, separators=(",", ":")) + "\n" for line in lines))
    return len(lines)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("timeless")
    records(root).close()
    with contextlib.closing(Ledger.open(root / "state")) as ledger:
        backup = {"programs": ["O0004"], "revisions": [2], "missing": ["O0005"], "unknown": []}
        ledger.append("backup", {"machine": NAME, "file": "dump.nc", **backup})
        ledger.append("sent", {"machine": NAME, "program": "O0004", "revision": 2, "seconds": 1.0, "chars": 60})
        ledger.append("refused", {"machine": NAME, "program": "O0009", "file": "0009.nc", "reasons": ["no"]})
        what = f"0009.nc 5 bytes, SHA-256 {'0' * 64}"
        ledger.append("asked", {"machine": NAME, "do": "drop", "by": "A. Miller", "what": what})
    assert timeless(root / "state") >= len(BAD)
    (root / "dncd.toml").write_text(TOML)
    return root


COMMANDS = (
    "log", "log --json", "log --since 2026-01-01", "log --until 2027-01-01", f"holds {NAME}", f"holds {NAME} --json",
    f"holds {NAME} --at 2027-01-01", f"programs {NAME}", f"programs {NAME} --json", f"show {NAME} O0004",
    f"line health {NAME}", f"line health {NAME} --json", "verify", "verify --json"
)  # fmt: skip


@pytest.mark.parametrize("command", COMMANDS)
def test_no_command_raises(shop: Path, capsys: pytest.CaptureFixture[str], command: str) -> None:
    code = main(["--config", str(shop / "dncd.toml"), *command.split()])
    said = "".join(capsys.readouterr())
    assert "Error" not in said
    assert code == 0, said


def test_the_log_shows_the_rest_and_says_that_there_is_no_time(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--config", str(shop / "dncd.toml"), "log", NAME]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("no time  sent")
    assert len(lines) == len([line for line in lines if line.startswith("no time  ")]) == 10
    assert "O0004" in lines[0]


def test_verify_says_so_and_the_chain_is_whole(shop: Path) -> None:
    report = verify(shop / "state", shop / "shop")
    assert not [problem for problem in report.problems if "ledger" in problem and "hash" in problem]
    assert [note for note in report.notes if note == "ledger line 1: it has no time; the order of lines counts"]


def test_the_line_counts_its_transfers_all_the_same(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--config", str(shop / "dncd.toml"), "line", "health", NAME, "--json"]) == 0
    weeks = json.loads(capsys.readouterr().out)["weeks"]
    assert sum(week["sendings"] for week in weeks) == 1


def test_status_and_status_txt_show_the_rest(shop: Path) -> None:
    held = Holdings.read(shop / "state")
    last = asdict(held.checks.ending(NAME))
    whole = held.backup(NAME)
    assert whole is not None
    assert due(whole, held.first(NAME), 30, NOW) == ""
    told = {"last": whole.time, "age_days": None, "programs": 1, "missing": 1, "due": "", "open": False}
    text = status_text(status(last=last, backup=told, files=[]), NAME, "now")
    assert "last: no time refused 0009.nc" in text
    assert backup_line(told) == "no time, 1 programs, 1 missing"


@pytest.mark.parametrize("path", [path for path in PAGES if "take" not in path])
@pytest.mark.parametrize(("language", "said"), [("en", "no time"), ("de", "keine Zeit")])
def test_every_page_shows_the_rest(shop: Path, path: str, language: str, said: str) -> None:
    with contextlib.closing(Reading(shop / "state", shop / "shop")) as reading:
        last = asdict(reading.held().checks.ending(NAME))
        told = {"service": {"pid": 1}, "machines": {NAME: status(last=last)}}
        html = PAGES[path](Look(reading, told, PLACES, {"q": "O0004", "r": "1"}, NOW, {"language": language}))
    assert "O0004" in html or path in ("/verify", "/", "/decisions")
    if path in ("/", "/log", "/machine/{machine}", "/machine/{machine}/program/{program}"):
        assert said in html
