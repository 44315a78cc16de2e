"""What a newcomer reads on the page: it says what is known and what is not, in words that need no manual."""

import contextlib
import html
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from page_shop import NOW, OUT, records, status
from page_visitors import Shop, csrf, posted, visited

from dncd.choices import Protocol, StartOn
from dncd.line.starting import StartWay
from dncd.page import rendering
from dncd.page.pages import PAGES, Look
from dncd.page.reading import Reading
from dncd.page.views import decisions, floor, ledger, machine
from dncd.records.holdings import Backup, Holdings
from dncd.records.ledger import Ledger
from dncd.records.library import Text, Writer
from dncd.records.trials import Proof
from dncd.service.backups import due
from dncd.values import Frame, Keys, LineSettings, MachineSettings, Origin, SendSettings

NAME = "gang-lathe"


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reading]:
    reading = records(tmp_path_factory.mktemp("shop"))
    yield reading
    reading.close()


NO_BACKUP = {"last": None, "programs": 0, "due": "", "wanted": True}


def text_of(
    shop: Reading, path: str, language: str = "en", form: dict[str, str] | None = None, **changes: object
) -> str:
    told = {"service": {"pid": 1}, "machines": {NAME: status(**changes)}}
    html = PAGES[path](Look(shop, told, {"machine": NAME, "program": "O0004"}, form or {}, NOW, {"language": language}))
    return " ".join(re.sub("<[^>]*>", " ", html).split())


def test_what_else_a_control_holds_is_not_known_until_its_memory_was_punched_out_whole(shop):
    keys = {"read": "READ", "punch": "OUTPUT"}
    others = "Its memory was never punched out whole, there may be others (OUTPUT all of it)."
    for path in ("/machine/{machine}", "/machine/{machine}/programs"):
        never = text_of(shop, path, backup=NO_BACKUP, keys=keys)
        assert f"Known: 1 program. {others}" in never
        assert "The control holds 1 program" not in never
        assert "Bekannt: 1 Programm. Ihr Speicher wurde nie" in text_of(shop, path, "de", backup=NO_BACKUP)
        whole = text_of(shop, path)
        assert "The control holds 1 program (its whole memory was punched out 2026-11-16 10:00 CET )" in whole
        assert "there may be others" not in whole
    programs = text_of(shop, "/machine/{machine}/programs", backup=NO_BACKUP)
    assert "0 known only at the control" in programs
    assert "What else it holds is not known: its memory was never punched out whole." in programs
    assert "Nothing." not in programs
    assert "0 only at the control" in text_of(shop, "/machine/{machine}/programs")


def test_without_a_service_the_last_whole_backup_is_that_of_the_records():
    held = Holdings()
    held.feed({"seq": 1, "event": "backup", "machine": NAME, "time": "2026-11-16T09:00:00Z", "programs": ["O1", "O2"]})
    shown = machine.board(NAME, {"state": "unknown"}, held)
    assert (shown.backup.last, shown.backup.programs) == ("2026-11-16T09:00:00Z", 2)
    assert not machine.board(NAME, {"state": "unknown"}, Holdings()).backup.lacks, "nobody says that one is wanted"


def test_a_machine_without_any_backup_is_counted_unless_the_settings_want_none():
    machines = {
        "never": status(backup=NO_BACKUP),
        "none": status(backup=NO_BACKUP | {"wanted": False}),
        "old": status(backup={"last": "2026-10-01T09:00:00Z", "due": "58 days old", "wanted": True}),
        "good": status(backup={"last": "2026-11-27T09:00:00Z", "due": "", "wanted": True}),
    }
    found = floor.floor(machines, Holdings(), "backup")
    assert (found.counts["backup"], sorted(each.name for each in found.boards)) == (2, ["never", "old"])


def test_why_a_file_was_refused_is_one_click_away(shop):
    refused = {"time": "2026-11-28T12:58:00Z", "event": "refused", "file": "0004.nc", "damaged": 0}
    for path in ("/", "/machine/{machine}"):
        told = {"service": {"pid": 1}, "machines": {NAME: status(last=refused)}}
        html = PAGES[path](Look(shop, told, {"machine": NAME}, {}, NOW, {}))
        assert f'href="/log?machine={NAME}&amp;event=refused&amp;words=0004.nc">see why</a>' in html
    assert "see why" not in text_of(shop, "/")


def test_during_a_first_sending_nobody_is_told_that_nothing_went_over_the_line(shop):
    first = text_of(shop, "/machine/{machine}", last={}, transfer=OUT, state="sending")
    assert "This is the first that goes over this line." in first
    assert "Nothing went over this line yet." not in first
    assert "READ brings nothing until a program is dropped, or brought in front." in first


@pytest.mark.parametrize(
    ("why", "english", "german"),
    [
        (
            "not proven: no trial was made (dncd line trial)",
            "not tried (dncd line trial)",
            "nicht erprobt (dncd line trial)",
        ),
        (
            "not proven: the trial of 2026-10-02 failed",
            "not proven: the trial of 2026-10-02 failed",
            "nicht erprobt: Die Probe vom 2026-10-02 misslang",
        ),
        (
            "no longer proven: since the trial of 2026-10-02 line.baud is 4800",
            "no longer proven: settings changed since the trial of 2026-10-02: line.baud is 4800",
            "nicht mehr erprobt: Einstellungen seit der Probe vom 2026-10-02 geändert: line.baud is 4800",
        ),
        ("another sentence", "another sentence", "another sentence"),
    ],
)
def test_whether_a_line_is_tried_is_saidin_the_readers_own_language(shop, why, english, german):
    proven = {"since": None, "by": None, "why": why}
    for path, begins in (("/", "line"), ("/machine/{machine}", "Line:")):
        assert f"{begins} {english}" in text_of(shop, path, proven=proven)
        assert f"Leitung{begins[4:]} {german}" in text_of(shop, path, "de", proven=proven)
    since = {"since": "2026-10-02T09:00:00Z", "by": "B. Smith", "why": "proven since 2026-10-02 by B. Smith"}
    assert "Leitung: erprobt seit 2026-10-02 von B. Smith" in text_of(shop, "/machine/{machine}", "de", proven=since)


def test_the_words_of_a_trial_are_those_of_the_records():
    standing = Proof().standing(MachineSettings(NAME, LineSettings("/dev/ttyS0", 9600, Frame.parse("7E1"))))
    failed = Proof("t-1", "not proven", "2026-10-02T09:00:00Z").standing(
        MachineSettings(NAME, LineSettings("/dev/ttyS0", 9600, Frame.parse("7E1")))
    )
    assert machine.board(NAME, status(proven=standing), Holdings()).line.untried
    assert machine.board(NAME, status(proven=failed), Holdings()).line.failed == "2026-10-02"


def test_a_first_revision_from_the_control_is_as_it_was_punched(shop, tmp_path):
    with contextlib.closing(Ledger.open(tmp_path)), contextlib.closing(Writer(tmp_path)) as library:
        library.revise(NAME, "O0004", Text.of(b"O0004\nM30\n"), Origin.MACHINE, {})
    new = Reading(tmp_path, tmp_path)
    shown = text_of(new, "/machine/{machine}/program/{program}")
    new.close()
    assert "Rev 1 as it was punched, came" in shown
    assert "changed at the control" not in shown
    assert "Rev 2 changed at the control, came" in text_of(shop, "/machine/{machine}/program/{program}")


def test_the_advice_for_a_damaged_capture_stands_once():
    advice = "punch the program out again; if it happens again, look at the cable"
    reasons = [f"line {n}, column 2, block 'N{n}': character {n} is damaged: 0x1E; {advice}" for n in (1, 2, 3)]
    line = {"machine": NAME, "event": "damaged", "file": "a.nc", "reasons": [*reasons, "no closing mark; begin anew"]}
    line["time"] = "2026-11-28T13:00:00Z"
    shown = machine.board(NAME, status(backup={}), Holdings())
    (found,) = decisions.decisions([shown], Holdings(), lambda *_: (), lambda *_: (0, 0), [(line, "")])
    said = [spot.reason for spot in found.spots]
    assert [advice in each for each in said] == [False, False, True, False]
    assert said[0] == "line 1, column 2, block 'N1': character 1 is damaged: 0x1E"
    assert said[2:] == [reasons[2], "no closing mark; begin anew"]


def test_the_ledgers_choice_says_every_event_in_words(shop):
    told = {"service": {"pid": 1}, "machines": {NAME: status()}}
    html = PAGES["/log"](Look(shop, told, {}, {}, NOW, {}))
    choice = dict(re.findall(r'<option value="([a-z-]+)">([^<]+)</option>', html))
    assert set(choice) == set(ledger.EVENTS)
    assert (choice["not-proven"], choice["no-backup"]) == ("line trial failed", "backup did not come whole")


@pytest.mark.parametrize(
    ("ended", "says"),
    [
        (
            {"event": "interrupted", "programs": ["O0330", "O0331"], "revisions": [1, 2], "chars": 1200},
            "Stopped: a part of it is in the control. 1200 characters of it went out. Delete O0330, O0331 there.",
        ),
        (
            {"event": "interrupted", "program": "O0330"},
            "Stopped: a part of it is in the control. Delete O0330 there.",
        ),
        ({"event": "interrupted", "program": "O0330", "chars": 0}, "0330.nc is taken back."),
        ({"event": "sent", "program": "O0330", "chars": 4800}, "0330.nc went out already."),
        ({}, "0330.nc is taken back."),
    ],
)
def test_after_a_stop_in_mid_sending_it_stands_there_what_the_control_has(
    tmp_path: Path, ended, says, monkeypatch
) -> None:
    def answer(shop: Shop, request: dict[str, object]) -> dict[str, object]:
        if ended:  # it had begun; the service writes down how far it came
            fields = {key: ended[key] for key in ended if key != "event"}
            with contextlib.closing(Ledger.open(shop.state)) as written:
                written.append(ended["event"], {"machine": request["machine"], "file": "0330.nc", **fields})
        return {"file": "0330.nc", "sending": bool(ended)}

    monkeypatch.setattr(Shop, "answer", answer)
    with visited(tmp_path) as page:
        browser = page.browser()
        html = posted(browser, f"/machine/{NAME}/stop", csrf=csrf(browser), file="0330.nc").text
    assert says in " ".join(re.sub("<[^>]*>", " ", html).split())
    assert ('class="caution"' in html) == says.startswith("Stopped")


def in_german(sentence: str) -> str:
    made = rendering._environment("de").from_string("{{ said|in_words }}")
    return html.unescape(made.render(language="de", said=sentence))


def test_the_services_sentences_that_stand_large_are_in_the_readers_language():
    """Each as the service says it; of a list in the page that no sentence fits any more, the test tells."""
    ways = [StartWay(SendSettings(start_on=each), keys=Keys("EINLESEN", "STANZEN", "RESET")) for each in StartOn]
    said = [way.wish() for way in ways] + [StartWay(SendSettings(), Protocol.XMODEM).wish()]
    whole = Backup("2026-11-01T00:00:00Z", "", (), (), (), (), "")
    said += [due(each, "2026-01-01T00:00:00Z", 7, datetime(2026, 11, 28, tzinfo=UTC)) for each in (whole, None)]
    assert all(in_german(each) != each for each in said)
    assert in_german(said[[*StartOn].index(StartOn.DC1)]).endswith("an der Steuerung EINLESEN drücken")
    assert in_german("a.nc is in front and 30 hours older than the newest that waits").startswith(
        "a.nc ist vorn und 30"
    )
    assert in_german("INPUT: it was pressed at 14:05, too long ago; press CLEAR, then INPUT").endswith(", dann INPUT")
    assert in_german("the port is gone") == "the port is gone", "a sentence of the records"
    assert in_german("the line <b> waits") == "the line <b> waits"
