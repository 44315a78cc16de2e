"""What the page shows of a machine, the floor, a program, decisions and the ledger: values, without a server or a clock."""

import contextlib
import hashlib
import os
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import partial

import pytest
from fakes import FakePort
from page_shop import NEXT, NOW, OUT, TEXTS, records, status
from station_rig import rig

from dncd.page.pages import PAGES, Look
from dncd.page.reading import Reading, Wanted
from dncd.page.taking_over import pair_of
from dncd.page.views import decisions, floor, ledger, machine, program
from dncd.page.views.decisions import Kind
from dncd.page.views.machine import Board, Rank, Standing
from dncd.page.views.program import Mark
from dncd.program.comparing import ChangeKind
from dncd.records.holdings import Holdings, How
from dncd.records.ledger import Ledger, newest_first, utc_now
from dncd.records.library import Text, Writer
from dncd.records.revisions import Revision
from dncd.service.next_words import next_lines
from dncd.values import Frame, Keys, LineSettings, MachineSettings, Origin, SendSettings

NAME = "gang-lathe"


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reading]:
    reading = records(tmp_path_factory.mktemp("shop"))
    yield reading
    reading.close()


def board(held: Holdings | None = None, **changes: object) -> Board:
    return machine.board(NAME, status(**changes), held or Holdings())


def said(pieces: tuple[program.Piece, ...], mark: Mark) -> list[str]:
    return [piece.text for piece in pieces if piece.mark is mark]


# --- one machine -------------------------------------------------------------------------------------------------------
def test_what_the_next_start_brings():
    brings = board(next=NEXT).brings
    assert (brings.key, brings.program, brings.revision, brings.title) == ("READ", "O0004", 3, "SLEEVE")
    assert (brings.standing, brings.is_new, brings.dropped) == (Standing.PROVEN, False, "2026-11-28T13:05:00Z")
    assert board(next=NEXT | {"proven": False, "is_new": True}).brings.standing is Standing.UNPROVEN
    looking = board(next=NEXT | {"revision": 0, "is_new": True}).brings
    assert looking.standing is Standing.OPEN
    assert board(next=NEXT | {"by": "the next `dncd go`"}).brings.key == "dncd go"
    assert board().brings.program == ""


def test_what_the_line_does():
    doing = board(state="held", transfer=OUT).doing
    assert (doing.direction, doing.program, doing.rate, doing.left_s) == ("out", "O0004", 240.0, 15.0)
    assert (doing.held_for_s, doing.holds, doing.block) == (71.0, 2, "N120 G01 X24.5")
    assert board(transfer=OUT | {"seconds": 0.4}).doing.left_s == 0.0
    came = board(transfer=OUT | {"direction": "in", "of_chars": None, "program": "", "file": ""}).doing
    assert (came.direction, came.of_chars, came.left_s) == ("in", 0, 0.0)


@pytest.mark.parametrize(
    ("changes", "rank"),
    [
        ({}, Rank.QUIET),
        ({"waiting": ["1.nc"], "next": NEXT}, Rank.BUSY),
        ({"state": "sending", "transfer": OUT}, Rank.BUSY),
        ({"state": "held", "transfer": OUT}, Rank.LOOK),
        ({"next": NEXT | {"withheld": "it is old"}}, Rank.LOOK),
        ({"last": {"time": "2026-11-28T12:58:00Z", "event": "refused", "file": "1.nc", "damaged": 0}}, Rank.LOOK),
        ({"backup": {"due": "its memory was never backed up"}}, Rank.LOOK),
        ({"open": {"count": 1, "refused": ["bracket.dxf"], "edits": []}}, Rank.LOOK),
        ({"state": "no-port"}, Rank.TROUBLE),
        ({"trouble": ["the disk is full"]}, Rank.TROUBLE),
    ],
)
def test_who_needs_somebody_stands_in_front(changes, rank):
    assert board(**changes).rank is rank


def test_the_floor_has_troubles_first_and_can_show_them_alone():
    machines = {
        "c": status(title="Charlie"),
        "a": status(title="Anna", state="sending", transfer=OUT),
        "b": status(title="bertha", trouble=["no port"], state="no-port"),
        "d": status(title="Berta", trouble=["no port"]),
    }
    every = floor.floor(machines, Holdings())
    assert [b.name for b in every.boards] == ["d", "b", "a", "c"]
    assert (every.counts["trouble"], every.counts["busy"], every.counts[""], every.only) == (2, 1, 4, "")
    assert [b.name for b in floor.floor(machines, Holdings(), "trouble").boards] == ["d", "b"]
    late = machines | {"c": status(title="Charlie", backup={"due": "the last backup of its memory is 40 days old"})}
    old = floor.floor(late, Holdings(), "backup")
    assert (old.counts["backup"], [b.name for b in old.boards]) == (1, ["c"])
    assert floor.floor(machines, Holdings(), "<b>").only == ""
    assert not floor.service({}).runs
    told = floor.service({"service": {"trouble": ["slow\a"], "reload": {"result": "refused", "what": "line 3"}}})
    assert told.problems == ("slow\\x07", "line 3")


def test_a_real_station_tells_what_the_board_wants(tmp_path):
    keys = Keys(read="INPUT", punch="OUTPUT", reset="CLEAR")
    settings = MachineSettings(
        NAME, LineSettings("/dev/lathe", 9600, Frame.parse("7E2")), send=SendSettings(drip_feed=True), keys=keys
    )
    with rig(tmp_path, settings) as office:
        port = office.plug(FakePort())
        shown = machine.board(NAME, office.status(), Holdings())
        assert shown.pressed == machine.Pressed()
        port.feed(b"\x11")
        office.until(lambda: office.status()["pressed"])
        early = machine.board(NAME, office.status(), Holdings()).pressed
        stays = datetime.fromisoformat(early.until) - datetime.fromisoformat(early.at)
        assert stays == timedelta(seconds=SendSettings().dc1_stays_s)
        port.feed(b"\x13")
        office.until(lambda: not office.status()["pressed"])
        shown = machine.board(NAME, office.status(), Holdings())
        assert (shown.keys.read, shown.keys.punch, shown.drip_feed) == ("INPUT", "OUTPUT", True)
        assert (shown.doing.state, shown.brings.program, shown.title) == ("listening", "", NAME)
        office.drop("0004.nc", b"%\nO0004 (SLEEVE)\nN10 M30\n%\n")
        office.until(lambda: office.status()["next"].get("revision"))
        shown = machine.board(NAME, office.status(), Holdings())
        assert (shown.brings.key, shown.brings.program, shown.brings.title) == ("INPUT", "O0004", "SLEEVE")
        assert shown.brings.is_new
        assert shown.brings.standing is Standing.UNPROVEN
        assert "INPUT" in shown.doing.waits_for


def test_who_brought_a_waiting_file_by_the_page_is_known_after_a_restart(tmp_path):
    """The ledger alone knows it then, and by the contents: the name may have got a number. Another day is another file."""
    data = b"%\nO0004 (SLEEVE)\nN10 M30\n%\n"
    old = b"%\nO0005\nN10 M30\n%\n"
    drops = [("0005.nc", old, "drop", "B. Long Ago"), ("0004.nc", data, "drop", "A. Miller")]
    days = iter([datetime(2026, 1, 1, tzinfo=UTC), utc_now(), utc_now()])
    with contextlib.closing(Ledger.open(tmp_path / "state", lambda: next(days))) as lines:
        for file, contents, do, by in (*drops, ("0004.nc", data, "bring", "Bert Bring")):
            what = f"{file} {len(contents)} bytes, SHA-256 {hashlib.sha256(contents).hexdigest()}"
            lines.append("asked", {"machine": NAME, "do": do, "by": by, "what": what})
    with rig(tmp_path, MachineSettings(NAME, LineSettings("/dev/lathe", 9600, Frame.parse("7E2")))) as office:
        office.drop("0004 (2).nc", data)
        office.drop("0005.nc", old)
        office.until(lambda: [file["program"] for file in office.status()["files"]] == ["O0004", "O0005"])
        found = office.status()
        assert [file["asked_by"] for file in found["files"]] == ["Bert Bring", ""]
        assert "brought again " in next_lines(found["next"])[0]
        shown = machine.board(NAME, found, Holdings())
        assert (shown.brings.asked_by, shown.brings.asked_do) == ("Bert Bring", "bring")


def test_what_a_control_holds(shop):
    held = shop.held()
    found = {each.name: each for each in machine.programs(NAME, shop.newest(NAME), held)}
    edited, half = found["O0004"], found["O0005"]
    assert (edited.newest.title, edited.newest.number, edited.holding.revision, edited.holding.how) == (
        "SLEEVE",
        2,
        2,
        How.CHANGED,
    )
    assert (edited.holding.held, edited.proven, edited.office_lacks) == (True, 1, False)
    assert (edited.newest.origin, half.newest.origin) == (Origin.MACHINE, Origin.OFFICE)
    assert (half.holding.how, half.holding.held) == (How.IN_PART, False)
    assert next(iter(found)) == "O0004"
    shown = board(held)
    assert (shown.holds, shown.unsure, shown.rank) == (1, 1, Rank.LOOK)
    assert machine.last_out(NAME, held) == "O0005"
    assert machine.last_out("nobody", held) == ""


def test_what_is_only_at_the_control_and_what_only_here(tmp_path):
    later = records(tmp_path)
    with (
        contextlib.closing(Ledger.open(tmp_path / "state")) as ledger_,
        contextlib.closing(Writer(tmp_path / "state")) as library,
    ):
        for program, origin in (("O0010", Origin.MACHINE), ("O0011", Origin.OFFICE), ("O0012", Origin.OFFICE)):
            library.revise(NAME, program, Text.of(f"{program}\nM30\n".encode()), origin, {})
        library.revise(NAME, "O0012", Text.of(b"O0012\nM02\n"), Origin.MACHINE, {})
        ledger_.append("received", {"machine": NAME, "program": "O0010", "revision": 1})
        ledger_.append("received", {"machine": NAME, "program": "O0012", "revision": 2})
        library.revise(NAME, "O0004", Text.of(b"O0004\nM30\n"), Origin.OFFICE, {})
        ledger_.append("received", {"machine": NAME, "program": "O0013", "revision": 0})

    def by_office(name):
        return any(revision.origin is Origin.OFFICE for revision in later.history(NAME, name))

    found = {each.name: each for each in machine.programs(NAME, later.newest(NAME), later.held(), by_office)}
    shown = {key: [name for name, each in found.items() if wanted(each)] for key, wanted in machine.ONLY.items()}
    assert shown[""] == ["O0004", "O0010", "O0012", "O0005", "O0011", "O0013"]
    assert (shown["control"], shown["here"], shown["older"]) == (["O0010", "O0013"], ["O0011"], ["O0004"])
    page = PAGES["/machine/{machine}/programs"]
    look = partial(Look, later, {"service": {"pid": 1}, "machines": {NAME: status()}}, {"machine": NAME})
    for only, names in shown.items():
        html = page(look({"only": only}, NOW, {}))
        table = html.partition("<tbody>")[2].partition("</tbody>")[0]
        assert re.findall(r'program/(O\d{4})"', table) == names
        assert 'aria-current="true">' in html
    html = page(look({}, NOW, {}))
    assert html.count("only at the control: the office has no text of its own") == 1
    assert "2 only at the control" in html
    left = html.partition("What a restore would leave out")[2]
    assert "a sending of revision 1 was interrupted" in left
    assert "dncd show gang-lathe O0005 --revision 1" in left
    later.close()


# --- a program ---------------------------------------------------------------------------------------------------------
def test_the_story_of_a_program(shop):
    lines = shop.lines(Wanted(machine=NAME, program="O0004"), 100)
    told = program.story(NAME, "O0004", shop.history(NAME, "O0004"), lines, shop.held().signed_off(NAME, "O0004"))
    newest, first = told.chapters
    assert (told.title, newest.revision.number) == ("SLEEVE", 2)
    assert (newest.revision.origin, first.revision.origin) == (Origin.MACHINE, Origin.OFFICE)
    assert [each.event for each in newest.happenings] == ["received", "differs"]
    assert [each.event for each in first.happenings] == ["sent"]
    assert [(signed.by, signed.note) for signed in first.signed] == [("R. Foreman", "order 1187")]
    assert told.others == ()
    lines = shop.lines(Wanted(machine=NAME, program="O0006"), 100)
    backup = {"event": "backup", "program": "O0004", "programs": ["O0004", "O0006"], "revisions": [1, 0]}
    lines = [{**lines[0], "seq": 99, **backup}, *lines]
    told = program.story(NAME, "O0004", shop.history(NAME, "O0004"), lines[:1], ())
    assert ([each.event for each in told.chapters[1].happenings], told.others) == (["backup"], ())
    (lost,) = program.story(NAME, "O0006", [], lines, ()).others
    assert (lost.event, lost.revision) == ("damaged", 0)
    assert lost.reasons[0].startswith("line 3, column 6")


OVER = "over the operator's edit, without O0004: X1.5"


def sent_over(*asked, files, sha256="b" * 64):
    """Who is told to have sent over an edit, and what got lost, at each sending of these files: the story of O0004."""
    lines = [
        {
            "event": "asked",
            "do": do,
            "by": by,
            "what": f"{name} 10 bytes, SHA-256 {of}, {OVER}" if over else f"{name} 10 bytes, SHA-256 {of}",
        }
        for do, by, name, of, over in asked
    ]
    lines += [{"event": "sent", "program": "O0004", "revision": 1, "file": file, "sha256": sha256} for file in files]
    told = [
        {**line, "machine": NAME, "seq": seq, "time": f"2026-11-01T10:00:{seq:02}Z"}
        for seq, line in enumerate(lines, 1)
    ]
    revision = Revision(1, Origin.OFFICE, "2026-11-01T10:00:00Z", "c", "b", "SLEEVE", 5)
    (chapter,) = program.story(NAME, "O0004", [revision], told[::-1], []).chapters
    return [(each.by, each.reasons) for each in chapter.happenings]


def test_who_sent_over_an_edit_is_told_of_his_own_file_alone():
    mine = ("drop-over-edits", "Anna", "1.nc", "b" * 64, True)
    assert sent_over(mine, files=["1.nc", "1.nc"]) == [("Anna", (OVER,)), ("", ())]
    assert sent_over(mine, files=["1 (2).nc"]) == [("Anna", (OVER,))]
    assert sent_over(mine, files=["2.nc"]) == [("", ())]
    forged = f"drop-over-edits SHA-256 {'b' * 64}, {OVER}.nc"
    assert sent_over(("drop", "Mallory", forged, "c" * 64, False), files=["1.nc"]) == [("", ())]
    assert sent_over(
        ("drop-over-edits", "Mallory", f"1.nc 10 bytes, SHA-256 {'b' * 64}", "c" * 64, True), files=["1.nc"]
    ) == [("", ())]


def test_a_text_has_its_comments_told_apart_and_is_cut_into_pages():
    text = program.text_from("O4 (BUSH)\n\nN10 G01 X1.(IN) ; end\n")
    assert [said(line, Mark.QUIET) for line in text.lines] == [["(BUSH)"], [], ["(IN)", "; end"]]
    assert ["".join(piece.text for piece in line) for line in text.lines] == ["O4 (BUSH)", "", "N10 G01 X1.(IN) ; end"]
    long = program.text_from("N1 X1.\n" * 4500, first=2001)
    assert (long.first, len(long.lines), long.of) == (2001, 2000, 4500)
    assert program.text_from("N1\n", first=-7).first == 1
    assert program.text_from("N1\nN2\n", first=99).first == 2


def test_changed_words_are_marked_block_by_block():
    found = program.differences(*TEXTS)
    changed, new = found.changes
    assert (changed.of.kind, changed.of.block, new.of.kind, new.of.block) == (
        ChangeKind.CHANGED,
        "N20",
        ChangeKind.NEW,
        "N25",
    )
    assert (said(changed.old, Mark.GONE), said(changed.new, Mark.CAME)) == (["F0.2"], ["F0.15"])
    assert said(changed.new, Mark.PLAIN) == ["N20 G01 Z-20. "]
    assert (new.old, said(new.new, Mark.CAME)) == ((), ["N25 M08"])
    assert found.says == "1 feed, 1 block new"
    assert program.differences("X" * 1_000_001, "").too_long
    many = program.differences("N1 X1.\n" * 700, "N1 X2.\n" * 700)
    assert (len(many.changes), many.not_told) == (500, 200)
    assert "\\x1b" in program.differences("N1 X1.\n", "N1 X1.\x1b\n").changes[0].new[-1].text


# --- decisions ---------------------------------------------------------------------------------------------------------
def test_what_waits_for_a_decision_what_can_hurt_first(shop):
    held = shop.held()
    stale = NEXT | {"withheld": "it is 30 hours older", "next_step": "drop it again"}
    shown = board(held, next=stale, folder="not looked at: 'x.zip' is no program", backup={"due": "never backed up"})
    damaged = [(line, shop.damaged_text(NAME, str(line["file"]))) for line in shop.damaged([NAME])]
    found = decisions.decisions([shown], held, shop.history, partial(pair_of, shop), damaged)
    assert [each.kind for each in found] == list(Kind)
    half, hit, edit, old, odd, backup = found
    assert (half.program, half.revision) == ("O0005", 1)
    assert (edit.program, edit.before, edit.revision) == ("O0004", 1, 2)
    assert (old.file, old.says) == ("0004.nc", ("it is 30 hours older",))
    assert (odd.says, backup.says) == (("not looked at: 'x.zip' is no program",), ("never backed up",))
    (spot,) = hit.spots
    assert [number for number, _ in spot.lines] == [1, 2, 3, 4, 5]
    assert said(spot.lines[2][1], Mark.GONE) == ["\ufffd"]
    assert decisions.decisions([], held, shop.history, partial(pair_of, shop), damaged) == ()


def test_a_place_of_damage_is_shown_if_the_text_has_it():
    marked = decisions.spot("%\nN20 G\ufffd1\n", "line 2, column 6, block 'N20': hit")
    assert said(marked.lines[1][1], Mark.GONE) == ["\ufffd"]
    assert decisions.spot("%\n", "line 9, column 1: hit").lines == ()
    assert decisions.spot("", "no parity").lines == ()
    far = decisions.spot("X" * 5000, "line 1, column 4000: hit").lines[0][1]
    assert sum(len(piece.text) for piece in far) == 320


# --- the ledger --------------------------------------------------------------------------------------------------------
def test_the_ledger_by_what_is_asked_for(shop):
    def seqs(**form: str) -> list[int]:
        return [line.seq for line in ledger.log(shop.lines(ledger.wanted(form, NOW), 101)).lines]

    assert seqs() == [6, 5, 4, 3, 2, 1]
    assert seqs(program="4") == [4, 3, 2, 1]
    assert seqs(event="damaged") == [6]
    assert seqs(event="<b>", machine=NAME) == seqs()
    assert seqs(machine='x"y') == []
    assert seqs(words="FOREMAN 1187") == [4]
    assert seqs(before="3") == [2, 1]
    assert seqs(until="2020-01-01") == []
    assert seqs(until="9999-12-31", since="0001-01-01") == seqs()
    assert seqs(since="2020-02-30") == seqs()
    page = ledger.log(shop.lines(Wanted(), 3), most=2)
    assert ([line.seq for line in page.lines], page.before) == ([6, 5], 5)


def test_a_day_begins_and_ends_by_the_clock_of_this_place():
    asked = ledger.wanted({"since": "2026-11-28", "until": "2026-11-28"}, NOW)
    assert (asked.since, asked.until) == ("2026-11-27T23:00:00.000Z", "2026-11-28T23:00:00.000Z")
    assert ledger.asked_lines("2026-11-28", NOW) == asked
    assert ledger.asked_lines("R. Foreman", NOW).words == ("r.", "foreman")


def test_a_search_finds_numbers_titles_texts_and_people(shop):
    newest = shop.newest(NAME)
    assert list(ledger.known("4", newest)) == ["O0004"]
    assert [each.title for each in ledger.known("spac", newest).values()] == ["SPACER"]
    assert ledger.known(" ", newest) == {}
    (place,) = shop.texts_with("g01z-20. f0.15", [NAME], 9)
    assert (place.program, place.line) == ("O0004", 3)
    assert shop.texts_with(" ", [NAME], 9) == []
    lines = ledger.log(shop.lines(ledger.asked_lines("foreman", NOW), 101))
    assert lines.lines[0].by == "R. Foreman"


@pytest.mark.parametrize("form", ["%Y-%m-%d", "%d.%m.%Y", " %d.%m.%Y "])
def test_a_search_for_a_day_finds_its_lines_and_the_texts_that_are_of_it(shop, form):
    at = datetime.fromisoformat(shop.history(NAME, "O0005")[0].time).astimezone(NOW.tzinfo)
    for day, programs in ((at, ["O0004", "O0005"]), (at - timedelta(days=1), []), (at + timedelta(days=1), [])):
        wanted = ledger.asked_lines(day.strftime(form), NOW)
        assert bool(shop.lines(wanted, 9)) == bool(programs)
        found = ledger.known(day.strftime(form), shop.newest(NAME), wanted)
        assert list(found) == programs
    assert ledger.asked_lines("31.02.2026", NOW).words == ("31.02.2026",)


def test_only_what_is_new_in_the_ledger_is_read_and_nothing_is_written(tmp_path):
    reading = records(tmp_path)
    before = sorted(tmp_path.rglob("*"))
    assert reading.held().seq == 6
    assert reading.newest(NAME)
    assert reading.machines() == [NAME]
    reading.verify()
    reading.close()
    assert sorted(tmp_path.rglob("*")) == before
    writer = Ledger.open(tmp_path / "state")
    writer.append("sent", {"machine": NAME, "program": "O0004", "revision": 1})
    writer.close()
    assert (reading.held().seq, reading.held().one(NAME, "O0004").how) == (7, How.SENT)
    assert [line["seq"] for line in newest_first(tmp_path / "state", b'"O0005"')] == [5]


def test_records_that_are_not_there_yet_show_nothing(tmp_path):
    reading = Reading(tmp_path / "state", tmp_path / "shop")
    assert (reading.newest(NAME), reading.history(NAME, "O1"), reading.lines(Wanted(), 9)) == ({}, [], [])
    assert reading.damaged_text(NAME, "../../../etc/passwd") == ""
    folder = tmp_path / "shop" / NAME / "from-machine" / "damaged"
    folder.mkdir(parents=True)
    os.mkfifo(folder / "pipe.nc")
    (folder / "link.nc").symlink_to("/etc/passwd")
    assert reading.damaged_text(NAME, "pipe.nc") == reading.damaged_text(NAME, "link.nc") == ""
    reading.verify()
    assert reading.verified[0].report.records == 0
