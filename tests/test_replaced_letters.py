"""Letters that the code does not have: sent as the settings say, kept as dropped, and no edit as they come back."""

import os
import pty
import tty

import pytest
from house import house
from station_jobs import jobs_of
from waiting import until

from dncd.records.ledger import records
from dncd.values import Frame, LineSettings, MachineSettings, ProgramSettings

TABLE = (("Ü", "UE"), ("ß", "SS"), ("É", "]"))
BLOCKS = "".join(f"N{n} G01 X{n}.5 Z-{n / 2} F0.2\n" for n in range(10, 110, 10))
TEXT = f"O0004 (BÜCHSE FÜR FUß)\n{BLOCKS}M30\n"
OUT = f"O0004 (BUECHSE FUER FUSS)\n{BLOCKS}M30\n"
NOTE = "replaced, as program.replace says: Ü by UE (2 x), ß by SS (1 x); the library has the text as it was dropped"


class Shop:
    """A machine's jobs and folders."""

    def __init__(self, root, jobs):
        self.root, self.jobs, self.library, self.folder = root, jobs, jobs.store.library, root / "shop/mill"

    def drop(self, name, text):
        (self.folder / "to-machine" / name).write_text(text)

    def send(self, name, text):
        self.drop(name, text)
        return self.jobs.send(name)

    def punch(self, text):
        self.jobs.capture(f"%\n{text}%\n".encode())
        return list(records(self.root / "state"))[-1]

    def kept(self, program="O0004"):
        return [self.library.blob(revision.blob).decode() for revision in self.library.history("mill", program)]


@pytest.fixture
def shop(tmp_path):
    line = LineSettings("x", frame=Frame.parse("8N1"))
    with jobs_of(tmp_path, MachineSettings("mill", line, program=ProgramSettings(replace=TABLE))) as jobs:
        yield Shop(tmp_path, jobs)


def test_what_is_replaced_goes_out_is_told_and_comes_back_as_what_was_sent(shop):
    shop.drop("0004.nc", TEXT)
    taken = shop.jobs.take_in("0004.nc")
    assert OUT.encode() in taken.prepared.wire
    receipt = shop.send("0004.nc", TEXT).receipt
    assert NOTE in (shop.folder / receipt).read_text()
    for _ in range(2):
        told = shop.punch(OUT)
        assert (told["event"], told["revision"], told["against"]) == ("matched", 1, 1)
    assert shop.kept() == [TEXT]


def test_without_such_letters_the_receipt_is_as_ever(shop):
    receipt = shop.send("0004.nc", OUT).receipt
    assert "replaced" not in (shop.folder / receipt).read_text()


def test_what_comes_back_of_a_newer_revision_that_did_not_go_whole_is_no_edit_either(shop):
    shop.send("0004.nc", TEXT)
    shop.drop("0004.nc", TEXT.replace("X50.5", "X51."))
    taken = shop.jobs.take_in("0004.nc")
    assert taken.checked.outlook.revision == 2
    shop.jobs.begin("0004.nc", taken)
    told = shop.punch(OUT.replace("X50.5", "X51."))
    assert (told["event"], told["revision"], len(shop.kept())) == ("received", 2, 2)


def test_an_edit_at_the_machine_is_one_and_holds_the_office_back_whose_letters_do_not(shop):
    shop.send("0004.nc", TEXT)
    told = shop.punch(OUT.replace("X50.5", "X51.25"))
    assert (told["event"], told["revision"]) == ("differs", 2)
    refused = shop.send("0004.nc", TEXT)
    assert refused.result == "refused"
    assert "(revision 2: block N50: X 50.5 → 51.25)" in refused.reasons[0]
    assert shop.send("0004.nc", TEXT.replace("X50.5", "X51.25")).result == "sent"
    assert shop.kept()[-1] == TEXT.replace("X50.5", "X51.25")


def test_several_in_one_file_have_the_names_that_come_back_and_the_text_that_was_dropped(shop):
    ended = shop.send("two.nc", f"%\n<BÜCHSE>\n{BLOCKS}M30\n{TEXT}%\n")
    assert ended.result == "sent"
    assert shop.kept("BUECHSE") == [f"<BÜCHSE>\n{BLOCKS}M30\n"]
    assert shop.kept() == [TEXT]
    assert shop.punch(f"<BUECHSE>\n{BLOCKS}M30\n")["event"] == "matched"


def test_one_character_for_another_is_kept_and_compared_too(shop):
    text = TEXT.replace("FUß", "CAFÉ")
    shop.send("0004.nc", text)
    assert shop.kept() == [text]
    assert shop.punch(OUT.replace("FUSS", "CAF]"))["event"] == "matched"


def test_a_letter_without_a_row_is_refused_as_ever(shop):
    ended = shop.send("0004.nc", TEXT.replace("BÜ", "BÄ"))
    assert ended.result == "refused"
    assert "Ä (U+00C4) is not in the tape code" in ended.reasons[0]


def test_out_and_back_over_a_line(tmp_path):
    master, slave = pty.openpty()
    tty.setraw(slave)
    tables = {
        "line": {"port": os.ttyname(slave), "baud": 115200, "frame": "8N1"},
        "send": {"start_on": "now"},
        "receive": {"silence_s": 0.5},
    }
    with house(tmp_path, '[machines.mill.program.replace]\n"Ü" = "UE"\n"ß" = "SS"\n', mill=tables) as shop:
        shop.drop("mill", "0004.nc", TEXT.encode())
        assert NOTE in shop.receipt("mill", "sent", "0004.nc").get("note")
        chars, sent = shop.ledger()[-1]["wire_chars"], b""
        while len(sent) < chars:
            sent += os.read(master, chars - len(sent))
        assert b"(BUECHSE FUER FUSS)" in sent
        os.write(master, sent)
        told = until(lambda: next((r for r in shop.ledger() if r["event"] in ("matched", "differs")), None))
        assert (told["event"], told["how"], told["revision"]) == ("matched", "equal", 1)
        assert shop.dncd("verify").returncode == 0
    os.close(master)
    os.close(slave)
