"""Programs of a control that knows no numbers: named by what they say, or by what they are like."""

import os
import pty
import tty

import pytest
from house import house
from station_jobs import jobs_of
from waiting import until

from dncd.choices import EndsOn, NameFrom
from dncd.program import names
from dncd.records.ledger import records
from dncd.station.results import Damage
from dncd.values import Frame, LineSettings, MachineSettings, ProgramSettings, ReceiveSettings

BLOCKS = ["(SHAFT REV B)", "G21 G90", *(f"N{n} G01 X{n}.5 Z-{n / 2} F0.2" for n in range(10, 110, 10)), "M30"]
TEXT = "".join(f"{block}\n" for block in BLOCKS)
EDITED = TEXT.replace("X50.5", "X51.25")
SPELT = "".join(f"{block.replace(' ', '')}\n" for block in BLOCKS[1:])


def machine(program=None, **receive):
    line = LineSettings("x", frame=Frame.parse("7E2"))
    return MachineSettings("mill", line, program=program or ProgramSettings(), receive=ReceiveSettings(**receive))


def wire(text, opening="%"):
    data = bytearray(f"{opening}\n{text}%\n".encode())
    return bytes(char | 0x80 * (char.bit_count() % 2) for char in data)


class Shop:
    """A machine's jobs and folders."""

    def __init__(self, root, jobs):
        self.root, self.jobs, self.folder = root, jobs, root / "shop/mill"

    def send(self, name, text):
        (self.folder / "to-machine" / name).write_text(text)
        return self.jobs.send(name)

    def punch(self, text, **more):
        """The ledger line of what came, and its receipt."""
        (told,) = self.jobs.capture(wire(text), **more).transfers
        where = "from-machine/damaged" if told["event"] == "damaged" else "from-machine"
        return told, (self.folder / where / f"{told['file']}.receipt.txt").read_text()

    def last(self):
        return list(records(self.root / "state"))[-1]


@pytest.fixture
def shop_of(tmp_path):
    stack = []

    def opened(*settings, **more):
        made = jobs_of(tmp_path, machine(*settings, **more))
        stack.append(made)
        return Shop(tmp_path, made.__enter__())

    yield opened
    for made in stack:
        made.__exit__(None, None, None)


# --- what it is like --------------------------------------------------------------------------------------------------
def test_what_was_last_sent_comes_back_as_itself_and_as_an_edit(shop_of):
    shop = shop_of()
    shop.send("SHAFT-12.nc", TEXT)
    told, receipt = shop.punch(SPELT)
    assert (told["program"], told["revision"], told["like"]) == ("SHAFT-12", 1, 100)
    assert "name: it says none: taken for SHAFT-12, 100 % of its blocks" in receipt
    assert (shop.last()["event"], shop.last()["how"]) == ("matched", "in substance")
    told, receipt = shop.punch(EDITED)
    assert (told["program"], told["revision"], told["like"]) == ("SHAFT-12", 2, 91)
    assert "taken for SHAFT-12, 91 % of its blocks" in receipt
    assert shop.last()["event"] == "differs"
    told, receipt = shop.punch("O0012\n" + TEXT)
    assert (told["program"], "like" in told, "taken for" in receipt) == ("O0012", False, False)


def test_it_is_like_any_known_program_and_unnamed_ones_are_not_known(shop_of):
    shop = shop_of()
    shop.send("SHAFT-12.nc", TEXT)
    shop.send("0007.nc", "O0007\nM30\n")
    other = "".join(f"G02 X{n}. R{n}.\n" for n in range(12)) + "M30\n"
    first, _ = shop.punch(other)
    second, _ = shop.punch(other)
    assert len({line["program"] for line in (first, second) if line["program"].startswith("UNNAMED-")}) == 2
    assert "like" not in first
    assert shop.punch(EDITED)[0]["program"] == "SHAFT-12"


def test_two_of_one_capture_do_not_take_one_name(shop_of):
    shop = shop_of(ends_on=EndsOn.DC4)
    shop.send("SHAFT-12.nc", TEXT)
    told = shop.jobs.capture(wire(TEXT) + wire(EDITED), why=EndsOn.DC4).transfers
    assert [line["program"][:8] for line in told] == ["SHAFT-12", "UNNAMED-"]


def test_a_damaged_capture_takes_no_name(shop_of):
    shop = shop_of()
    shop.send("SHAFT-12.nc", TEXT)
    told, receipt = shop.punch(TEXT, damage=Damage(bad=(20,)))
    assert told["event"] == "damaged"
    assert told["program"].startswith("UNNAMED-")
    assert "taken for" not in receipt


def test_a_large_one_is_compared_in_a_process_of_its_own(shop_of):
    shop = shop_of()
    long = "".join(f"G01 X{n}.5 Y{n}\n" for n in range(600)) + "M30\n"
    shop.send("PLATE.nc", long)
    shop.send("0007.nc", "O0007\nM30\n")
    assert shop.punch(long.replace("X77.5", "X78."))[0]["program"] == "PLATE"
    assert shop.jobs.comparer._children


# --- what it says -----------------------------------------------------------------------------------------------------
TALK = "0 BEGIN PART SHAFT-12 MM\n1 TOOL CALL 5 (ROUGH\n2 L X+10 R0 FMAX\n3 STOP\n4 END PART SHAFT-12 MM\n"
TALKS = ProgramSettings(begins_with="BEGIN PART", ends_with="END PART", name_from=(NameFrom.NUMBER, NameFrom.WORD))
COMMENTS = ProgramSettings(name_from=(NameFrom.NUMBER, NameFrom.COMMENT))


def test_conversational_text_goes_out_without_a_warning_and_comes_back_under_its_own_name(shop_of):
    shop = shop_of(TALKS)
    sent = shop.send("a.nc", TALK)
    assert sent.fields["program"] == "SHAFT-12"
    assert "warning" not in (shop.folder / "sent/a.nc.receipt.txt").read_text()
    told, _ = shop.punch(TALK)
    assert (told["program"], told["revision"], "like" in told) == ("SHAFT-12", 1, False)


def test_without_its_closing_word_conversational_text_has_no_end(shop_of):
    shop = shop_of(TALKS)
    shop.send("a.nc", "\n".join(TALK.split("\n")[:-2]) + "\nQQ\n")
    receipt = (shop.folder / "sent/a.nc.receipt.txt").read_text()
    assert receipt.count("warning") == 1
    assert "has no M02, M30, M99 or END PART in its last block" in receipt


def test_words_behind_conversational_text_are_looked_at_again(shop_of):
    shop = shop_of(TALKS)
    shop.send("a.nc", TALK + "XX\nM30\n")
    receipt = (shop.folder / "sent/a.nc.receipt.txt").read_text()
    assert "line 6, column 1" in receipt
    assert receipt.count("is not a letter and a number") == 1


def test_a_torso_without_the_closing_word_is_damaged(shop_of):
    shop = shop_of(TALKS, ends_on=EndsOn.SILENCE)
    shop.send("a.nc", TALK)
    half = wire("\n".join(TALK.split("\n")[:-2]) + "\n")[:-3]
    (told,) = shop.jobs.capture(half, why=EndsOn.SILENCE).transfers
    assert told["event"] == "damaged"


def test_the_first_comment_names_what_has_no_number(shop_of):
    shop = shop_of(COMMENTS)
    assert shop.send("a.nc", TEXT).fields["program"] == "SHAFT REV B"
    assert shop.send("b.nc", "O0004 (SHAFT REV C)\nM30\n").fields["program"] == "O0004"
    assert shop.punch(TEXT)[0]["program"] == "SHAFT REV B"
    told, _ = shop.punch(SPELT)  # a control that drops comments
    assert (told["program"], told["like"]) == ("SHAFT REV B", 100)


@pytest.mark.parametrize(
    ("order", "program"),
    [
        ((NameFrom.NUMBER, NameFrom.SENT, NameFrom.COMMENT), "SHAFT-12"),
        ((NameFrom.NUMBER, NameFrom.COMMENT, NameFrom.SENT), "SHAFT REV B"),
    ],
)
def test_what_was_last_sent_is_asked_where_the_list_says_so(shop_of, order, program):
    shop = shop_of()
    shop.send("SHAFT-12.nc", TEXT)
    shop.jobs.keeps.judging._settings = machine(ProgramSettings(name_from=order))
    assert shop.punch(TEXT)[0]["program"] == program


@pytest.mark.parametrize(
    ("text", "words", "said"),
    [
        ("BEGIN PART A7 MM\n", "BEGIN PART", "A7"),
        ("\nN10 begin  part\tA7\n", "BEGIN PART", "A7"),
        ('BEGIN "SHAFT 1"\n', "BEGIN", "SHAFT"),
        ("BEGINNING A7\n", "BEGIN", ""),
        ("G0 BEGIN A7\n", "BEGIN", ""),
        ("BEGIN\nA7\n", "BEGIN", ""),
        ("BEGIN A7\n", "", ""),
    ],
)
def test_what_stands_behind_the_word_that_begins_it(text, words, said):
    assert names.chosen([NameFrom.WORD], "", text, words) == said


def test_data_and_what_has_a_name_keep_theirs(shop_of):
    shop = shop_of(COMMENTS)
    assert shop.punch("G10 L2 P1 X0 (A)\n")[0]["program"] == "OFFSETS"
    told = shop.jobs.capture(wire("G0 X1 (A)\nM30\nO0004 (B)\nM30\n", "% GEAR")).transfers
    assert [line["program"] for line in told] == ["GEAR", "O0004"]


# --- the whole way ----------------------------------------------------------------------------------------------------
def test_out_and_back_twice_and_the_edit_is_not_lost(tmp_path):
    master, slave = pty.openpty()
    tty.setraw(slave)
    tables = {
        "line": {"port": os.ttyname(slave), "baud": 115200, "frame": "7E2"},
        "send": {"start_on": "now"},
        "receive": {"silence_s": 0.5},
    }
    with house(tmp_path, mill=tables) as shop:

        def went_out(name):
            shop.drop("mill", "SHAFT-12.nc", f"%\n{TEXT}%\n".encode())
            shop.receipt("mill", "sent", name)
            chars, sent = shop.ledger()[-1]["wire_chars"], b""
            while len(sent) < chars:
                sent += os.read(master, chars - len(sent))
            return sent

        def punched(data, event):
            before = len(shop.ledger())
            os.write(master, data)
            return until(lambda: next((r for r in shop.ledger()[before:] if r["event"] == event), None))

        sent = went_out("SHAFT-12.nc")
        assert punched(sent, "matched")["program"] == "SHAFT-12"
        went_out("SHAFT-12 (2).nc")
        told = punched(wire(EDITED), "differs")
        assert (told["program"], told["revision"]) == ("SHAFT-12", 2)
        receipt = until(lambda: of_revision_2(shop, "SHAFT-12.nc"))
        assert "taken for SHAFT-12" in receipt.get("name")
        shop.drop("mill", "SHAFT-12.nc", f"%\n{TEXT}%\n".encode())
        refused = shop.receipt("mill", "refused", "SHAFT-12.nc")
        assert "revision 2" in refused.get("reason")
        assert not [r for r in shop.ledger() if str(r.get("program", "")).startswith("UNNAMED")]
        assert '"like": 91' in (tmp_path / "run.log").read_text()
        assert shop.dncd("verify").returncode == 0
    os.close(master)
    os.close(slave)


def of_revision_2(shop, name):
    """The receipt of the delivery of the edit, once it is that one."""
    receipt = shop.receipt("mill", "from-machine", name)
    return receipt if receipt.get("revision") == "2" else None
