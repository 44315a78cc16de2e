"""The jobs of sending on real files: how often a file is read, what an interrupted one is told of, what went out of it."""

import contextlib
import hashlib
import os
from collections import Counter
from dataclasses import asdict
from pathlib import Path

import pytest
from station_jobs import jobs_of

from dncd.choices import MarkAt
from dncd.errors import RecordsError
from dncd.line.outgoing import Outcome
from dncd.records.ledger import records
from dncd.records.plans import load_all
from dncd.records.receipts import parse
from dncd.service.next_words import last_lines
from dncd.station import imaging, send_jobs
from dncd.station.events import End, Return, Scope, TakeIn
from dncd.station.results import NO_IMAGE, Begun, Checked, Heard, Outdated, TakenIn
from dncd.values import Frame, LineSettings, MachineSettings, ProgramSettings, Result, TapeSettings

BLOCKS = b"".join(b"N%d G01 X1.5 Z-2.25\r\n" % (n % 9999) for n in range(20_000))
TEXT = b"%\r\nO0004\r\n" + BLOCKS + b"M30\r\n%\r\n"


@pytest.fixture
def jobs(tmp_path):
    line = LineSettings("x", frame=Frame.parse("7E1"))
    tape, large = TapeSettings(leader_chars=50, trailer_chars=20), ProgramSettings(memory_chars=1_000_000)
    with jobs_of(tmp_path, MachineSettings("mill", line, tape=tape, program=large)) as made:
        made.root = tmp_path
        yield made


class Reads:
    """Counts the characters that are read of files as large as the dropped one, in times of its size."""

    def __init__(self, monkeypatch, size):
        self.size, self.chars = size, 0
        real = os.pread

        def pread(fd, count, offset):
            data = real(fd, count, offset)
            if os.fstat(fd).st_size == size:
                self.chars += len(data)
            return data

        monkeypatch.setattr(os, "pread", pread)

    def times(self):
        """Since the last time."""
        times, self.chars = self.chars / self.size, 0
        return times


@pytest.mark.parametrize(("limit", "most"), [(1 << 22, 3), (100_000, 5)], ids=["small", "large"])
def test_a_file_is_read_few_times_and_once_between_start_and_first_character(jobs, monkeypatch, limit, most):
    for module in (send_jobs, imaging):
        monkeypatch.setattr(module, "IN_MEMORY", limit)
    drop(jobs, TEXT)
    reads = Reads(monkeypatch, len(TEXT))
    taken = jobs.take_in("0004.nc")
    intake = reads.times()
    assert isinstance(taken, TakenIn)
    begun = jobs.begin("0004.nc", taken)
    at_start = reads.times()
    assert isinstance(begun, Begun)
    jobs.end("0004.nc", taken, begun)
    assert at_start <= 1
    assert intake + at_start + reads.times() <= most


def test_a_copy_that_changed_on_the_disk_makes_no_revision(jobs, monkeypatch):
    for module in (send_jobs, imaging):
        monkeypatch.setattr(module, "IN_MEMORY", 100_000)
    drop(jobs, TEXT)
    taken = jobs.take_in("0004.nc")
    taken.prepared.copy.chmod(0o600)
    taken.prepared.copy.write_bytes(TEXT.replace(b"X1.5", b"X9.5", 1))
    with pytest.raises(RecordsError, match="changed on the disk"):
        jobs.begin("0004.nc", taken)
    assert jobs.store.library.history("mill", "O0004") == []
    assert load_all(jobs.store.shop.state) == [], "else the next run would tell of a sending that never was"


def test_a_file_that_waited_behind_others_is_read_four_times_in_all(jobs, monkeypatch):
    drop(jobs, TEXT)
    reads = Reads(monkeypatch, len(TEXT))
    assert jobs.take_in("0004.nc", Scope.CHECK).prepared is NO_IMAGE
    taken = jobs.take_in("0004.nc")
    begun = jobs.begin("0004.nc", taken)
    jobs.end("0004.nc", taken, begun)
    assert reads.times() == 4


def drop(jobs, data, name="0004.nc"):
    (jobs.root / "shop/mill/to-machine" / name).write_bytes(data)


def interrupted(jobs, chars, written=None, name="0004.nc"):
    """A sending of which so many characters of the whole image were handed over; its ledger line and receipt."""
    drop(jobs, TEXT, name)
    taken = jobs.take_in(name)
    begun = jobs.begin(name, taken)
    outcome = Outcome(Result.INTERRUPTED, "the port went away", chars, 0, 0.0, 1.0, False)
    heard = Heard(written=chars if written is None else written)
    ending = jobs.sends.end(End(name, begun, taken.checked, taken.prepared, outcome, heard))
    (line,) = [record for record in records(jobs.root / "state") if record["event"] == "interrupted"]
    return line, parse(Path(ending.receipt).read_text()), taken.prepared


def test_a_program_whose_rest_alone_may_be_in_the_control_is_told_so_wherever_its_ending_is_told(jobs):
    drop(jobs, TEXT)
    taken = jobs.take_in("0004.nc")
    begun = jobs.begin("0004.nc", taken)
    outcome = Outcome(Result.SENT, "", taken.prepared.total_chars, 0, 0.0, 1.0, reader_off_at=1.0, read_anew_at=412)
    heard = Heard(written=taken.prepared.total_chars)
    ending = jobs.sends.end(End("0004.nc", begun, taken.checked, taken.prepared, outcome, heard))
    receipt = parse(Path(ending.receipt).read_text())
    assert receipt.get("what").endswith("but it is not sure that the control read all of it: see the warning")
    said = "the control said DC1 after 412 characters, without a stop before: where RESET and READ were pressed there"
    assert any(warning.startswith(said) for warning in receipt.all("warning"))
    assert not any("switched its reader off" in note for note in receipt.all("note")), "the rest ends with the mark too"
    last = asdict(jobs.store.holdings().checks.ending("mill"))
    assert last_lines({"last": last})[0].endswith(
        "sent 0004.nc, but it is not sure that the control read all of it: see its receipt in sent/"
    )


@pytest.mark.parametrize("limit", [1 << 22, 100_000], ids=["small", "large"])
@pytest.mark.parametrize(("handed", "over"), [(20, 0), (50, 0), (300, 250), (1 << 40, None)])
def test_wire_chars_and_sum_of_an_interrupted_sending_are_of_what_went_over_the_line(
    jobs, monkeypatch, limit, handed, over
):
    """handed: characters of the whole image; over: of what stands between leader and trailer (contract 5)."""
    for module in (send_jobs, imaging):
        monkeypatch.setattr(module, "IN_MEMORY", limit)
    coded = bytes(c | (c.bit_count() % 2) << 7 for c in TEXT.replace(b"\r\n", b"\n"))
    went = coded[:over] if over is not None else coded
    line, receipt, prepared = interrupted(jobs, min(handed, len(coded) + 70))
    assert prepared.wire_chars == len(coded)
    assert line["wire_chars"] == len(went)
    assert line["wire_sha256"] == hashlib.sha256(went).hexdigest()
    assert receipt.get("wire_chars") == str(len(went))
    assert receipt.get("wire_sha256") == line["wire_sha256"]
    first = "press RESET at the control (its reader may still be on), delete what the control holds of it"
    assert first in line["reasons"][0]
    assert any("may hold a part" in caution for caution in receipt.all("caution"))
    assert os.listdir(jobs.root / "state/outgoing") == []  # noqa: PTH208


def test_the_ledger_says_how_often_the_port_went_away(jobs):
    line, _, _ = interrupted(jobs, 300)
    assert line["port_losses"] == 0
    drop(jobs, TEXT, "0005.nc")
    taken = jobs.take_in("0005.nc")
    outcome = Outcome(Result.SENT, "", 300, 0, 0.0, 1.0, False)
    heard = Heard(written=300, port_losses=2)
    jobs.sends.end(End("0005.nc", jobs.begin("0005.nc", taken), taken.checked, taken.prepared, outcome, heard))
    (line,) = [record for record in records(jobs.root / "state") if record["event"] == "sent"]
    assert line["port_losses"] == 2


def test_nobody_is_told_to_delete_what_never_went_out(jobs):
    line, receipt, _ = interrupted(jobs, 0)
    assert (line["wire_chars"], line["chars"]) == (0, 0)
    assert line["wire_sha256"] == hashlib.sha256(b"").hexdigest()
    assert "delete" not in line["reasons"][0]
    assert "drop the file again" in line["reasons"][0]
    assert receipt.all("caution") == ()


def test_a_packet_that_went_out_unanswered_may_be_in_the_control(jobs):
    line, receipt, _ = interrupted(jobs, 0, written=132)
    assert "delete what the control holds" in line["reasons"][0]
    assert receipt.all("caution")


def test_a_sending_of_which_nothing_went_out_leaves_no_trace_and_is_begun_anew(jobs):
    drop(jobs, TEXT)
    taken = jobs.take_in("0004.nc")
    for number in range(3):
        begun = jobs.begin("0004.nc", taken)
        if number == 1:  # the library has a revision that its check did not know
            assert isinstance(begun, Outdated)
            taken = jobs.take_in("0004.nc")
            begun = jobs.begin("0004.nc", taken)
        assert len(load_all(jobs.root / "state")) == 1
        jobs.sends.do(Return("0004.nc", begun))
        assert load_all(jobs.root / "state") == []
        assert list(records(jobs.root / "state")) == []
    jobs.end("0004.nc", taken, jobs.begin("0004.nc", taken))
    events = Counter(record["event"] for record in records(jobs.root / "state"))
    assert events == {"sent": 1}
    assert len(jobs.store.library.history("mill", "O0004")) == 1


def test_a_refused_file_leaves_no_copy(jobs):
    drop(jobs, b"%\nO0004\nX\xc3\xa9\n%\n")
    checked = jobs.sends.take_in(TakeIn("0004.nc", 1, Scope.IMAGE))
    assert not isinstance(checked, TakenIn)
    assert os.listdir(jobs.root / "state/outgoing") == []  # noqa: PTH208


def test_a_full_disk_leaves_no_half_copy(jobs, monkeypatch):
    drop(jobs, TEXT)

    synced = []

    def full(_disk, fd):
        synced.append(fd)
        if len(synced) > 2:  # the drop and its folder are on the disk already
            raise OSError(28, "No space left on device")

    monkeypatch.setattr("dncd.records.durable.Disk.fsync", full)
    with contextlib.suppress(OSError, RecordsError):
        jobs.take_in("0004.nc")
    assert len(synced) > 2
    assert os.listdir(jobs.root / "state/outgoing") == []  # noqa: PTH208


@pytest.mark.parametrize(("last", "refused"), [("stopped", False), ("started", True)])
def test_half_a_file_that_lay_there_as_the_last_run_ended_without_a_stop_is_refused_until_it_is_saved_anew(
    tmp_path, last, refused
):
    machine = MachineSettings("mill", LineSettings("x"), tape=TapeSettings(mark_at=MarkAt.NONE))
    with jobs_of(tmp_path, machine) as jobs:
        jobs.store.note(last)
        jobs.store.note("proven", note="by a command, the service being down")
    half = tmp_path / "shop" / "mill" / "to-machine" / "0004.nc"
    half.write_bytes(b"O0004\r\nN10 G01 X7")
    with jobs_of(tmp_path, machine) as jobs:
        checked = jobs.take_in(half.name)
        assert isinstance(checked, Checked) == refused
        if not refused:
            return
        assert "this may be half a file" in "".join(checked.refusals)
        ending = jobs.dismiss(half.name, checked)
        assert "as the power failed" in Path(ending.receipt).read_text()
        half.write_bytes(b"O0004\r\nN10 G01 X71.5")
        assert isinstance(jobs.take_in(half.name), TakenIn)


@pytest.mark.parametrize(("early_s", "holds", "said"), [(31.4, 0, True), (31.4, 2, False), (0.0, 0, False)])
def test_the_receipt_says_where_nothing_proves_that_a_program_was_read(jobs, early_s, holds, said):
    """READ, RESET, then a drop within the minute: the control that asked reads no more, and cannot say so."""
    dropped = jobs.root / "shop" / "mill" / "to-machine" / "0004.nc"
    dropped.write_bytes(b"%\nO0004\nM30\n%\n")
    taken = jobs.take_in("0004.nc")
    begun = jobs.begin("0004.nc", taken)
    total = taken.prepared.total_chars
    outcome = Outcome(Result.SENT, "", total, holds, 0.0, 1.0)
    heard = Heard(written=total, early_s=early_s)
    jobs.sends.end(End("0004.nc", begun, taken.checked, taken.prepared, outcome, heard))
    receipt = parse((jobs.root / "shop" / "mill" / "sent" / "0004.nc.receipt.txt").read_text())
    warnings = receipt.all("warning")
    assert any("asked for it 31 s before it was dropped" in warning for warning in warnings) is said
    assert ("not sure that the control read all of it" in receipt.get("what")) is said
