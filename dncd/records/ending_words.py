"""What the ledger line and the receipt of an ending say, and the file that the office gets of a capture."""

import dataclasses
import shlex
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from dncd.ledger_lines import Fields, Record
from dncd.peer_text import local_text, printable, some
from dncd.program.carrying import Carry
from dncd.program.substance import Answer
from dncd.records import receipts
from dncd.records.plans import Comparison, Counted, Evidence, InPlan, OnWire, OutPlan, Part, Sent
from dncd.tape.capture import DAMAGED
from dncd.values import Result, fault_words

BESIDE_SHA256: Final = "sha256 of it"
"""Key of a delivery's receipt: of the office's text with the edit, which goes when the next one comes."""

CAUTION: Final = "prove out a new or changed program before it cuts: single block, dry run, reduced rapid"
CAUTION_LINK: Final = (
    "a serial line corrects nothing, and parity finds one hit bit in a character and misses two: compare what the control "
    "holds before it cuts"
)
READER_OFF: Final = (
    "the control switched its reader off behind the program: short of a readback the best sign that it read all of it"
)
HERE: Final = "\ue000HERE"
"""Stands in a reason for the path of the refused file until its ending has found it a name: what it says can be typed."""

_FOR_PEOPLE: Final = {
    Result.SENT: ("{program} was sent to {machine}, all of it", CAUTION),
    Result.RECEIVED: ("{program} came from {machine}", "nothing, unless it was changed there: see below"),
    Result.DAMAGED: (
        "what {machine} punched came damaged: it is no good program",
        "punch it out again, and never send this file to a control",
    ),
    Result.REFUSED: (
        "{file} was not sent to {machine}; it lies here, in refused/",
        "put right what the reasons below say, and drop it into to-machine/ again",
    ),
    Result.INTERRUPTED: (
        "{file} was sent to {machine} only in part, or not at all; it lies here, in refused/",
        "press RESET at the control, delete what it holds of it there, then drop the file into to-machine/ again",
    ),
    Result.WITHDRAWN: (
        "{file} was withdrawn and not sent to {machine}; it lies here, in refused/",
        "drop it into to-machine/ again if it is to go",
    ),
}
"""What became of a file, and what to do, by the result."""

_IN_DOUBT: Final = (
    "{program} was sent to {machine}, but it is not sure that the control read all of it: see the warning",
    f"look at the control whether it has it whole, or punch it out; {CAUTION}",
)

_NOT_SURE: Final = {
    Evidence.ONCE: "this line has no parity, so a flipped bit cannot be seen: punch it out once more",
    Evidence.UNLIKE: "edited between the two punches, or changed on the line: punch it out once more",
}

_NAMED: Final = 20
"""Programs that one line of a receipt names."""

CAUTION_DRIP: Final = "keep clear while a drip-fed program runs: a lost line stops it in the middle of a cut"


def placed(ended: Sent, path: Path) -> Sent:
    reasons = tuple(reason.replace(HERE, shlex.quote(str(path))) for reason in ended.reasons)
    return dataclasses.replace(ended, reasons=reasons)


def file_of(part: Part, line_end: str) -> bytes:
    """A program as a file for the office: the mark line as it came, the blocks, and the mark, with the line end asked."""
    opening = f"{part.mark_line}\n" if part.mark_line else ""
    closing = f"{part.end_mark or part.mark_line[0]}\n" if part.mark_line else ""
    return f"{opening}{part.text}{closing}".replace("\n", line_end).encode("utf-8")


def compared_with(part: Part) -> str:
    alike = "the same as" if part.how == Answer.SUBSTANCE else "equal to"
    own = ", in the control's own spelling" if part.how == Answer.SUBSTANCE else ""
    match part.told:
        case Comparison.MATCHED:
            return f"{alike} revision {part.against}, which was sent{own}: checked"
        case Comparison.DIFFERS if part.how == Answer.COMMENTS:
            return f"comments alone changed against revision {part.against}"
        case Comparison.DIFFERS:
            return f"differs from revision {part.against}"
    return f"{alike} revision {part.against}{own}" if part.against else "the first revision of this program"


def to_do_about(part: Part) -> str:
    """What to do about what came back; "" where nothing was changed at the machine."""
    if part.told != Comparison.DIFFERS:
        return ""
    if part.how == Answer.COMMENTS:
        return "look at the comments that changed, below; no word of the program did"
    return (
        "look at what was changed at the machine, below, and take it over into the office's text before that goes again"
    )


def file_fields(machine: str, program: str, file: str, sha256: str) -> Fields:
    return {"machine": machine, "program": program, "file": file, "sha256": sha256}


def out_fields(plan: OutPlan, ended: Sent) -> Fields:
    fields = file_fields(plan.machine, plan.programs[0], plan.file, plan.sha256)
    if len(plan.programs) > 1:
        fields["programs"] = list(plan.programs)
    if plan.batch.piece:
        fields["of"] = plan.batch.piece
    if plan.began:
        if ended.counted is not Counted.UNKNOWN:
            wire = on_wire(plan, ended)
            fields |= {"wire_sha256": wire.sha256, "wire_chars": wire.chars}
        fields |= {"seconds": round(ended.seconds, 3), "holds": ended.holds}
        if plan.revisions:
            fields |= {"revision": plan.revisions[0], "commit": plan.commits[0]}
        if ended.counted is not Counted.UNKNOWN:
            fields |= {"held_s": round(ended.held_s, 3), "chars": ended.chars, "port_losses": ended.port_losses}
        if len(plan.revisions) > 1:
            fields |= {"programs": list(plan.revised), "revisions": list(plan.revisions)}
        fields |= fault_fields(ended.line_faults)
    if ended.reader_off:
        fields["reader_off"] = ended.reader_off.value
    if ended.doubts:
        fields["doubts"] = list(ended.doubts)
    if ended.reasons:
        fields["reasons"] = list(ended.reasons[:5])
    return fields


def on_wire(plan: OutPlan, ended: Sent) -> OnWire:
    """What went over the line of a sending that somebody saw to its end: all of the image, where nothing else is said."""
    return ended.wire or OnWire(plan.wire_chars, plan.wire_sha256)


def proven_lines(plan: OutPlan) -> Iterable[str]:
    """Whether what goes out was proven at the machine, program by program."""
    no = [signed.program for signed in plan.signed if not signed.revision]
    several = len(plan.signed) > 1
    for signed in plan.signed:
        if signed.revision:
            which = f"{signed.program}: " if several else ""
            yield f"{which}yes, revision {signed.revision}, {local_text(signed.time)}, {signed.by}: {signed.note}"
    if no:
        which = f"{named(no)}: " if several else ""
        yield f"{which}no"


def named(programs: Sequence[str]) -> str:
    return some([*map(printable, programs)], _NAMED)


def out_receipt(plan: OutPlan, ended: Sent, record: Record, name: str) -> list[tuple[str, object]]:
    pairs = head_pairs(record, plan.titles, name, ended.reasons)
    if name != plan.file:
        pairs.append(("dropped as", plan.file))
    pairs += receipts.reasons(ended.reasons)
    pairs += [("warning", warning) for warning in plan.warnings]
    if plan.began:
        pairs += [("revision", ", ".join(map(str, plan.revisions)) or "none made")]
        pairs += [("proven", said) for said in proven_lines(plan)]
        if ended.counted is not Counted.UNKNOWN:
            wire = on_wire(plan, ended)
            pairs += wire_pairs(wire.chars, wire.sha256, ended.seconds, ended.chars)
            pairs += [("handed over", f"{ended.chars} characters, leader and trailer included")]
            pairs += [("holds", f"{ended.holds}, {ended.held_s:.1f} s in all")]
        else:
            pairs += [("handed over", "not known, between no character and all of them")]
        pairs += fault_pairs(ended.line_faults)
        pairs += [("warning", warning) for warning in (*ended.doubts, *ended.warnings)]
    pairs += batch_pairs(plan, ended)
    pairs += [("note", note) for note in ended.notes]
    pairs += [("note", READER_OFF)] if ended.reader_off and ended.result == Result.SENT and not ended.doubts else []
    if ended.result == Result.SENT:
        pairs += [("caution", CAUTION_LINK)]
        pairs += [("caution", CAUTION_DRIP)] if plan.drip_feed else []
    elif ended.result == Result.INTERRUPTED and ended.counted is not Counted.NOTHING:
        pairs.append(("caution", "the control may hold a part of this program: delete it there before you send again"))
        pairs += [("caution", CAUTION_DRIP)] if plan.drip_feed else []
    return pairs


def batch_pairs(plan: OutPlan, ended: Sent) -> list[tuple[str, object]]:
    """The whole of a batch, at its end: how many pieces went out, and what to do for the rest."""
    batch = plan.batch
    if not batch.piece:
        return []
    whole = batch.done + (ended.result == Result.SENT)
    pairs: list[tuple[str, object]] = [("of", f"{whole} of {batch.of}")]
    if batch.first:
        pairs.append(("first", local_text(batch.first)))
    if left := batch.of - whole:
        again = f"drop it with `dncd send --again {left} {plan.machine} FILE` for the other {left}"
        pairs.append(("note", f"{whole} of {batch.of} went out whole, and the batch is over; {again}"))
    return pairs


@dataclass(frozen=True, slots=True)
class Beside:
    """The office's own text with the operator's edit: its name in the folder and SHA-256, both "" where none lies there."""

    name: str = ""
    sha256: str = ""


def in_pairs(plan: InPlan, part: Part, revision: int, aside: str, beside: Beside) -> list[tuple[str, object]]:
    """The lines of a delivery's receipt behind its head. aside: says what somebody had edited in the folder, or ""."""
    pairs: list[tuple[str, object]] = [("revision", str(revision)), ("compared", compared_with(part))]
    if part.like:
        pairs.append(("name", f"it says none: taken for {part.program}, {part.like} % of its blocks"))
    pairs += [("sure", part.sure.value)] if part.sure else []
    pairs += [("note", _NOT_SURE[part.sure])] if part.sure in _NOT_SURE else []
    pairs += [("difference", line) for line in part.differences]
    if beside.name:
        pairs += [("office text with the edit", beside.name), (BESIDE_SHA256, beside.sha256)]
    elif part.carry == Carry.UNSURE:
        why = "which of its blocks became which is not sure, so nothing was put into the office's own text"
        pairs.append(("note", f"{why}: do it by hand"))
    if part.otherwise:
        habits = ", ".join(part.otherwise)
        pairs.append(("warning", f"the control spells otherwise than before ({habits}): was a setting changed there?"))
    pairs += [("note", note) for note in (*plan.notes, aside) if note]
    pairs += wire_pairs(plan.wire_chars, plan.wire_sha256, plan.seconds)
    return [*pairs, *fault_pairs(plan.line_faults), ("caution", CAUTION_LINK)]


def head_pairs(
    record: Record, titles: Sequence[str], name: str, why: Sequence[str] = (), edited: str = ""
) -> list[tuple[str, object]]:
    """Three lines for people, times of the place; then `record_pairs`. why: reasons; edited: what to do about an edit that
    came back, "" where there is none."""
    what, do = _IN_DOUBT if record.get("doubts") else _FOR_PEOPLE[Result(record["event"])]
    at = datetime.fromisoformat(record["time"]).astimezone().strftime("%Y-%m-%d %H:%M %Z")
    more = f" (and {len(why) - 1} more below)" if len(why) > 1 else ""
    return [
        ("what", f"{at}: {what.format(program=named(titles), machine=record['machine'], file=printable(name))}"),
        *([("why", f"{why[0]}{more}")] if why else []),
        ("do", edited or do),
        *record_pairs(record["event"], record, titles, name),
    ]


def record_pairs(result: str, record: Record, titles: Iterable[str], name: str) -> list[tuple[str, object]]:
    """The lines that every receipt has (contract 1), and its ledger line. name: of the file where it lies now."""
    return [
        ("result", result),
        ("machine", record["machine"]),
        *(("program", title) for title in titles),
        ("file", name),
        ("sha256", record["sha256"]),
        ("time", record["time"]),
        ("ledger", f"{record['seq']} {record['hash']}"),
    ]


def in_wire_fields(plan: InPlan) -> Fields:
    return {
        "wire_sha256": plan.wire_sha256,
        "wire_chars": plan.wire_chars,
        "seconds": round(plan.seconds, 3),
        "holds": 0,
        **fault_fields(plan.line_faults),
        **({"hit": plan.whole.count(DAMAGED)} if plan.result == Result.DAMAGED else {}),
    }


def fault_fields(line_faults: Mapping[str, int]) -> Fields:
    return {"line_faults": dict(line_faults)} if line_faults else {}


def fault_pairs(line_faults: Mapping[str, int]) -> list[tuple[str, object]]:
    return [("line_faults", fault_words(line_faults))] if line_faults else []


def wire_pairs(chars: int, sha256: str, seconds: float, carried: int = -1) -> list[tuple[str, object]]:
    """carried: characters that the line really took, where these are not all of the image."""
    rate = f", {(chars if carried < 0 else carried) / seconds:.0f} a second" if seconds > 0 else ""
    return [("wire_chars", f"{chars}"), ("wire_sha256", sha256), ("took", f"{seconds:.1f} s{rate}")]
