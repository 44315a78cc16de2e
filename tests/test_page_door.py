"""The page's own socket: what a page, broken or not, can have the service do, by raw bytes from outside."""

import base64
import contextlib
import errno
import hashlib
import json
import os
import socket
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from house import House, build, house, machine, text
from waiting import until

from dncd.errors import DncdError, NoServiceError, NotDoneError
from dncd.outside.command_client import DROP_BYTES, StreamRequest, ask
from dncd.outside.command_server import CommandServer
from dncd.outside.workers import Worker
from dncd.records.library import Text, Writer
from dncd.service import page_door, requests
from dncd.service.next_words import next_lines
from dncd.standin.control import Mode, StandIn
from dncd.standin.yard import Yard
from dncd.station.gates import Leaves
from dncd.station.results import Checked
from dncd.values import Origin

PROGRAM = b"%\nO0004 (SLEEVE)\nN10 G01 X1. F0.2\nM30\n%\n"
WAITED = {"ok": {"file": "0004.nc", "sending": False}}


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    root = tmp_path_factory.mktemp("page")
    with house(
        root, lathe={"line": {"port": str(root / "no-port")}}, mill={"line": {"port": str(root / "none")}}
    ) as made:
        yield made


def say(shop: House, sent: bytes) -> dict[str, Any]:
    """The answer to these very bytes."""
    with socket.socket(socket.AF_UNIX) as sock:
        sock.settimeout(60)
        sock.connect(str(shop.state / "page" / "dncd.sock"))
        sock.sendall(sent)
        with sock.makefile("rb") as coming:
            found: dict[str, Any] = json.loads(coming.readline())
            return found


def word(shop: House, **request: Any) -> dict[str, Any]:
    return say(shop, json.dumps(request).encode() + b"\n")


def drop(shop: House, file: str, data: bytes = PROGRAM, machine: str = "lathe") -> dict[str, Any]:
    return word(shop, do="drop", machine=machine, by="A. Miller", file=file, data=base64.b64encode(data).decode())


def asked(shop: House) -> list[tuple[str, str, str]]:
    return [(line["machine"], line["do"], line["by"]) for line in shop.ledger() if line["event"] == "asked"]


def everything(shop: House) -> list[str]:
    return sorted(
        str(path.relative_to(shop.root)) for path in shop.shop.rglob("*") if path.name[:5] not in ("STATU", ".dncd")
    )


def test_no_word_of_the_other_socket_is_one_here(shop: House) -> None:
    before, lines = everything(shop), len(shop.ledger())
    words = set(requests._WORDS) - {*page_door._LOOKS, *page_door._DEEDS}
    assert {"lend", "reload", "seat", "watch", "journal", "old-box-off", "over-edits", "to-prove", "go"} <= words
    for do in words:
        answer = word(shop, do=do, machine="lathe", by="A. Miller", file="a.nc", sha256="0" * 64)
        assert answer["error"]["code"] == "usage", do
    assert (everything(shop), len(shop.ledger())) == (before, lines)


def test_a_word_that_does_something_needs_a_name_and_all_that_belongs_to_it(shop: House) -> None:
    lines = len(shop.ledger())
    whole = {"machine": "lathe", "by": "A. Miller", "file": "a.nc", "data": "TQ==", "sha256": "0", "times": 2}
    whole |= {"program": "O0004", "revision": 1, "note": "first part", "seen": "O0004 abc", "left": "block N10"}
    looks = {do: fields for do, fields in page_door._LOOKS.items() if fields}
    whole |= {"text": "TQ=="}
    for do, fields in {**page_door._DEEDS, **looks}.items():
        for key in ("machine", *fields) if do in looks else ("machine", "by", *fields):
            for wrong in ({}, {key: ""}, {key: None}, {key: ["x"]}, {key: True}):
                answer = word(shop, **{"do": do, **{k: v for k, v in whole.items() if k != key}, **wrong})
                assert answer["error"]["code"] == "usage", (do, key, wrong)
    assert word(shop, do="next", machine="no-such", by="A", file="a.nc")["error"]["code"] == "usage"
    assert len(shop.ledger()) == lines


def test_who_asked_stands_in_the_ledger_before_it_is_done(shop: House) -> None:
    answer = word(shop, do="withdraw", machine="mill", by="  B.\x07 Young ", file="no-such.nc", peer=7, over="x")
    assert answer["error"]["code"] == "not-done"
    assert asked(shop)[-1] == ("mill", "withdraw", r"B.\x07 Young")


def test_a_file_is_dropped_as_by_the_office_and_put_in_front(shop: House) -> None:
    assert drop(shop, "0004.nc") == {"ok": {"file": "0004.nc"}}
    assert drop(shop, "0004.nc") == {"ok": {"file": "0004 (2).nc"}}
    assert (shop.shop / "lathe/to-machine/0004.nc").read_bytes() == PROGRAM
    until(lambda: len(ask(shop.state, {"do": "status"})["machines"]["lathe"]["waiting"]) == 2)
    before = ask(shop.state, {"do": "status"})["machines"]["lathe"]["next"]
    assert (before["file"], before["asked_by"], before["asked_do"]) == ("0004.nc", "A. Miller", "drop")
    assert next_lines(before)[0].endswith(" by A. Miller; then O0004")
    assert word(shop, do="next", machine="lathe", by="A. Miller", file="0004 (2).nc") == {"ok": {"file": "0004 (2).nc"}}
    lathe = ask(shop.state, {"do": "status"})["machines"]["lathe"]
    assert lathe["waiting"][0] == "0004 (2).nc"
    second = datetime.fromtimestamp((shop.shop / "lathe/to-machine/0004 (2).nc").stat().st_ctime, UTC)
    assert lathe["next"]["dropped"] == second.strftime("%Y-%m-%dT%H:%M:%SZ"), "who puts it in front drops nothing"
    assert word(shop, do="withdraw", machine="lathe", by="A. Miller", file="0004.nc") == WAITED
    reason = "stopped by A. Miller on the page before its start"
    assert shop.receipt("lathe", "refused", "0004.nc").get("reason") == reason
    assert [line["reasons"] for line in shop.ledger() if line["event"] == "withdrawn"] == [[reason]]
    late = word(shop, do="withdraw", machine="lathe", by="A. Miller", file="0004.nc")["error"]
    assert late["what"].startswith("too late: 0004.nc was withdrawn already, ")
    assert "See its receipt in refused/" in late.values()
    assert asked(shop)[-5:-1] == [("lathe", do, "A. Miller") for do in ("drop", "drop", "next", "withdraw")]


@pytest.mark.parametrize(
    "file", ["../x.nc", "/etc/passwd", "a/b.nc", "..", ".hidden", "x.tmp", "a\0b", "a\nb.nc", "\udcff.nc"]
)
def test_a_name_is_a_name_and_never_a_path(shop: House, file: str) -> None:
    before, lines = everything(shop), len(shop.ledger())
    assert drop(shop, file)["error"]["code"] == "usage"
    assert (everything(shop), len(shop.ledger())) == (before, lines)


def test_a_file_has_its_limit_and_a_request_too(shop: House) -> None:
    before = everything(shop)
    assert drop(shop, "large.nc", b"x" * (DROP_BYTES + 1))["error"]["code"] == "usage"
    assert word(shop, do="drop", machine="lathe", by="A", file="x.nc", data="no base64!")["error"]["code"] == "usage"
    with pytest.raises((BrokenPipeError, ConnectionResetError)):
        say(shop, b"x" * (4 * page_door.LIMITS.request))
    assert everything(shop) == before
    assert word(shop, do="status")["ok"]["machines"].keys() == {"lathe", "mill"}


def test_a_revision_goes_out_again_as_it_went_before_with_the_name_on_its_mark_line(tmp_path: Path) -> None:
    control = StandIn(build())
    with Yard(control), house(tmp_path, lathe=machine(control)) as shop:
        for file, says in (("named.nc", "%O0007"), ("plain.nc", "%")):
            shop.drop("lathe", file, text(["N10 G01 X1. F0.2", "M30"], opening=says))
            control.read_in()
            shop.receipt("lathe", "sent", file)
            assert control.wait_for(lambda: control.mode is Mode.OFF, 120)
        control.read_in()
        done = word(shop, do="bring", machine="lathe", by="A. Miller", program="O0007", revision=1)
        assert shop.receipt("lathe", "sent", done["ok"]["file"]).get("program") == "O0007"
        sent = [line["wire_sha256"] for line in shop.ledger() if line["event"] == "sent"]
        assert sent[2] == sent[0] != sent[1]
        assert ("lathe", "bring", "A. Miller") in asked(shop)
        answer = word(shop, do="bring", machine="lathe", by="A. Miller", program="O0007", revision=9)
        assert "no revision 9" in answer["error"]["what"]
        answer = word(shop, do="bring", machine="lathe", by="A. Miller", program="../O0007", revision=1)
        assert "no revision 1" in answer["error"]["what"]


def test_a_program_that_came_behind_another_is_not_brought_under_that_ones_number(tmp_path: Path) -> None:
    marks = {"O0001": "%O0001", "O0002": "%O0001", "SHAFT": "%SHAFT (A)", "O0003": "%SHAFT"}
    with contextlib.closing(Writer(tmp_path / "state")) as library:
        for program, mark in marks.items():
            blocks = Text.of(f"{program}\nM30\n".encode())
            library.revise("lathe", program, blocks, Origin.OFFICE, {"Mark-Line": mark})
    made = {}
    with house(tmp_path, lathe={"line": {"port": str(tmp_path / "no-port")}}) as shop:
        for program in ("O0001", "O0002", "SHAFT", "O0003"):
            blocks = base64.b64encode(f"{program}\nM02\n".encode()).decode()
            found = word(shop, do="check-text", machine="lathe", program=program, revision=1, text=blocks)["ok"]
            made[program] = base64.b64decode(found["data"]).split(b"\r\n")[0]
            name = word(shop, do="bring", machine="lathe", by="A", program=program, revision=1)["ok"]["file"]
            assert (shop.shop / "lathe/to-machine" / name).read_bytes().split(b"\r\n")[0] == made[program]
    assert made == {"O0001": b"%O0001", "O0002": b"%", "SHAFT": b"%SHAFT (A)", "O0003": b"%SHAFT"}


def drop_over(shop: House, data: bytes, seen: str, left: str = "block N10: F 0.2 → 0.1") -> dict[str, Any]:
    coded = base64.b64encode(data).decode()
    told = {"file": "over.nc", "data": coded, "seen": seen, "left": left}
    return word(shop, do="drop-over-edits", machine="lathe", by="A. Miller", **told)


def test_an_edit_is_gone_over_with_what_it_loses_named_and_not_over_one_that_came_since(tmp_path: Path) -> None:
    control = StandIn(build())
    lines = ["O0007 (SLEEVE)", "N10 G01 X1. F0.2", "M30"]
    office = text(lines)

    def punched(old: str, new: str, times: int) -> None:
        assert control.wait_for(lambda: control.mode is Mode.OFF and control.memory.programs, 120)
        (number,) = control.memory.programs
        control.edit(number, old, new)
        control.punch(number)
        until(lambda: sum(line["event"] == "differs" for line in shop.ledger()) == times or None)

    def check(**what: Any) -> dict[str, Any]:
        found: dict[str, Any] = word(shop, machine="lathe", **what)["ok"]
        return found

    with Yard(control), house(tmp_path, lathe=machine(control)) as shop:
        shop.drop("lathe", "0007.nc", office)
        control.read_in()
        shop.receipt("lathe", "sent", "0007.nc")
        punched("F0.2", "F0.1", 1)
        lines_before = len(shop.ledger())
        found = check(do="check", file="0007.nc", data=base64.b64encode(office).decode())
        assert (found["refusals"], found["programs"]) == ([], ["O0007 (SLEEVE)"])
        assert "revision 2: block N10: F 0.2 → 0.1" in found["edits"][0]
        blocks = base64.b64encode("\n".join([*lines, ""]).encode()).decode()
        made = check(do="check-text", program="O0007", revision=1, text=blocks)
        assert base64.b64decode(made["data"]) == office, "as `bring` makes it"
        assert {key: made[key] for key in found} == found
        assert len(shop.ledger()) == lines_before, "a look is no deed"
        drop(shop, "plain.nc", office)
        shop.receipt("lathe", "refused", "plain.nc")
        punched("F0.1", "F0.05", 2)
        assert "punched it out again" in drop_over(shop, office, found["seen"])["error"]["what"]
        control.read_in()
        seen = check(do="check", file="0007.nc", data=base64.b64encode(office).decode())["seen"]
        assert drop_over(shop, office, seen) == {"ok": {"file": "over.nc"}}
        receipt = (shop.shop / "lathe/sent/over.nc.receipt.txt", shop.receipt("lathe", "sent", "over.nc"))[
            0
        ].read_text()
        assert "over the operator's edit of revision 3" in receipt
        what = next(line["what"] for line in reversed(shop.ledger()) if line.get("do") == "drop-over-edits")
        assert what.endswith("over the operator's edit, without block N10: F 0.2 → 0.1")
        drop(shop, "again.nc", text([*lines[:-1], "M02"]))
        shop.receipt("lathe", "sent", "again.nc")


def test_looks_have_an_allowance_of_their_own(tmp_path: Path) -> None:
    with house(tmp_path, lathe={"line": {"port": str(tmp_path / "no-port")}}) as shop:
        data = base64.b64encode(PROGRAM).decode()
        for _ in range(page_door.DEEDS + 1):
            answer = word(shop, do="check", machine="lathe", file="0004.nc", data=data)
        assert "in a minute" in answer["error"]["what"]
        assert drop(shop, "0004.nc") == {"ok": {"file": "0004.nc"}}


def test_a_share_that_hangs_fills_no_memory_with_what_is_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(page_door, "_SHARE_S", 0.001)
    began, over = threading.Event(), threading.Event()
    checks = Worker("checks", lambda job, _: bool(job()))
    checks.do(lambda: (began.set(), over.wait(120)), lambda _: None, lambda _: None)
    assert began.wait(120)
    parts = SimpleNamespace(workers=SimpleNamespace(checks=checks), stations={})
    desk: Any = SimpleNamespace(parts=parts, in_loop=lambda job: job(), machine=lambda _: SimpleNamespace(name="lathe"))
    door, said = page_door.PageDoor(desk), set[str]()
    for _ in range(3 * page_door._MOST_WAITING):
        with pytest.raises(NotDoneError) as caught:
            door.answer({"do": "check", "machine": "lathe", "file": "a.nc", "data": "TQ=="})
        said.add(caught.value.what)
    waiting = checks.waiting()
    over.set()
    assert checks.finish(20)
    assert (waiting, said) == (page_door._MOST_WAITING + 1, {"the service looks at other files just now"})


def test_a_leave_to_go_over_an_edit_ends_with_the_drop_that_failed() -> None:
    def opened(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    seen, sha256 = "O0004 abc, back 2", hashlib.sha256(PROGRAM).hexdigest()
    leaves, notes, checks = Leaves(), Worker("notes", lambda *_: True), Worker("checks", lambda *_: True)
    station = SimpleNamespace(name="lathe", allow=leaves.give, forbid=leaves.use_up, edits_seen=lambda _: seen)
    station.look_at = lambda *_: Checked("", ("O0004",), sha256, len(PROGRAM))
    folders = SimpleNamespace(path_of=lambda *_: Path("to-machine"), opened=opened)
    store = SimpleNamespace(shop=SimpleNamespace(folders=folders), note=lambda *_, **__: None)
    workers = SimpleNamespace(checks=checks, notes=notes, records=notes)
    parts = SimpleNamespace(workers=workers, stations={}, store=store)
    desk: Any = SimpleNamespace(parts=parts, in_loop=lambda job: job(), machine=lambda _: station)
    coded = base64.b64encode(PROGRAM).decode()
    told = {"file": "0004.nc", "data": coded, "seen": seen, "left": "block N10"}
    try:
        with pytest.raises(DncdError, match="cannot be dropped"):
            page_door.PageDoor(desk).answer({"do": "drop-over-edits", "machine": "lathe", "by": "A. Miller", **told})
    finally:
        assert notes.finish(20)
        assert checks.finish(20)
    assert not leaves.of("over-edits", sha256, "0004.nc", seen)


def test_the_news_come_over_it_too_and_few_may_follow(shop: House) -> None:
    followers = [StreamRequest(shop.state / "page", {"do": "follow"}) for _ in range(page_door.LIMITS.lasting)]
    try:
        assert all(each.content["machines"].keys() == {"lathe", "mill"} for each in followers)
        with pytest.raises(DncdError, match="no more may"):
            StreamRequest(shop.state / "page", {"do": "follow"})
    finally:
        for each in followers:
            each.close()


def test_there_are_no_more_deeds_in_a_minute_than_people_make(shop: House) -> None:
    answers = [word(shop, do="next", machine="mill", by="A. Miller", file="x.nc") for _ in range(page_door.DEEDS + 1)]
    assert "in a minute" in answers[-1]["error"]["what"]
    count = len(shop.ledger())
    assert "in a minute" in drop(shop, "0005.nc")["error"]["what"]
    assert len(shop.ledger()) == count


def test_the_other_socket_turns_the_pages_user_away(tmp_path: Path) -> None:
    with CommandServer(tmp_path, lambda _: {}, barred={os.getuid()}), pytest.raises(NoServiceError):
        ask(tmp_path, {"do": "status"})
    with CommandServer(tmp_path, lambda _: {}, barred={os.getuid() + 1}):
        assert ask(tmp_path, {"do": "status"}) == {}


def test_a_stop_is_never_kept_out_by_other_deeds(tmp_path: Path) -> None:
    with house(tmp_path, lathe={"line": {"port": str(tmp_path / "no-port")}}) as shop:
        for _ in range(page_door.DEEDS + 1):
            answer = word(shop, do="next", machine="lathe", by="A. Miller", file="x.nc")
        assert "in a minute" in answer["error"]["what"]
        shop.drop("lathe", "0004.nc", PROGRAM)
        until(lambda: ask(shop.state, {"do": "status"})["machines"]["lathe"]["waiting"])
        assert word(shop, do="withdraw", machine="lathe", by="A. Miller", file="0004.nc") == WAITED
        answer = word(shop, do="withdraw", machine="lathe", by="   ", file="0004.nc")
        assert "needs" in answer["error"]["what"]
