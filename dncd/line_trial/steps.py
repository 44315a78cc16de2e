"""The steps of a trial, each over an open line: loopback, hearing the settings, a program out and back."""

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

from dncd.choices import Protocol, Request, StartOn
from dncd.commissioning import finding
from dncd.commissioning.finding import Finder, Sureness
from dncd.commissioning.loopback import LoopbackTest, loop_line, plan_for
from dncd.commissioning.loopback_findings import Trouble, findings, is_good, verdict
from dncd.commissioning.loopback_measures import Measures, Plan, PlugAt
from dncd.commissioning.resampling import ENOUGH_CHARS, LISTENING_FRAME
from dncd.commissioning.trial_sheet import Body, Done, Round, Step, trial_blocks, trial_file
from dncd.line.starting import StartWay
from dncd.line_trial.round_trip import Back, Phase, RoundTrip, image_of
from dncd.ports.port import Reading
from dncd.ports.session import LineSession
from dncd.program import names
from dncd.program.edits import Version
from dncd.program.readback import read_back
from dncd.program.substance import Answer, Habit
from dncd.station.capture_reading import Contents, read_all
from dncd.tape.capture import Closed
from dncd.tape.codes import Coder
from dncd.values import NO_FAULTS, MachineSettings, Modem, Origin, Result

SOAK_S: Final = 3.0
"""Seconds of characters to and fro over the plug: some thousands; `dncd line test` does it for minutes."""

LOOPBACK, HEARING = "loopback", "settings heard"

_HEARD_SHORT: Final = 3
"""Punches that may be too short to judge, until the step says so: a wrong rate makes each of them short."""

_HANDSHAKE: Final = frozenset({
    Trouble.HANDSHAKE_SWAPPED, Trouble.CTS_FOLLOWS_DTR, Trouble.DSR_FOLLOWS_RTS, Trouble.NO_HANDSHAKE, Trouble.NO_CTS,
    Trouble.NO_DTR, Trouble.NO_DSR,
})  # fmt: skip
"""Handshake lines that are open or crossed: of no matter to a machine that uses none. One that is stuck, or two outputs that
are joined, is a fault on any cable."""

_DIFFERENCES: Final = 3

_NOTHING: Final = re.compile(r"\s*(?:[O:]\s*[0-9]+)?[\s;]*")
_NO_COMMENTS: Final = (
    "nothing came back but the program's number: this control keeps no comments, and of those the program was made;"
    " begin the trial again with --body numbers"
)

_SHOWN: Final = (Habit.LETTER, Habit.COMMENTS)
"""What the trial's program shows of a control's spelling: it has no words, and what looks like one stands in a comment."""


class HearingHand:
    """Hears one punch at the machine's own rate, as `Finder` wants it. ready: is called once the line is listened to."""

    def __init__(self, machine: MachineSettings, ready: Callable[[], None]) -> None:
        self._ready = ready
        self.finder = Finder(listen_baud=machine.line.baud, silence_s=machine.receive.silence_s)
        coder = Coder.of(machine.tape, machine.line)
        asked = machine.receive.request is not Request.NONE
        self._punch_on = coder.signals(0x12) if asked else frozenset[int]()
        self._go = bytes(coder.signal(0x11, machine.line.dc_parity))

    @property
    def over(self) -> bool:
        return bool(self.finder.punches)

    def start(self, session: LineSession, now: float) -> None:
        self._session = session
        self._ready()

    def feed(self, reading: Reading, now: float) -> None:
        self.finder.feed(reading.data, reading.bad, now)
        if any(byte in self._punch_on for byte in reading.data[:1]):
            self._session.send(self._go)

    def modem(self, lines: Modem, now: float) -> None:
        """Of no matter here."""

    def turn(self, now: float) -> None:
        self.finder.tick(now)

    def next_due(self) -> float:
        return self.finder.next_due()


def loopback_step(machine: MachineSettings, patience_s: float) -> Step:
    plan = plan_for(machine.line, PlugAt.CABLE_END, SOAK_S)
    hand = LoopbackTest(plan)
    with LineSession(loop_line(machine.line)) as session:
        if not session.run(hand, patience_s):
            return Step(LOOPBACK, Done.FAILED, f"not measured within {patience_s:g} s")
    measures = hand.measures[0]
    return loopback_judged(measures, plan, machine)


def loopback_judged(measures: Measures, plan: Plan, machine: MachineSettings) -> Step:
    """Whether what the plug showed is enough for this machine: its characters, and its lines where it uses any."""
    of_no_matter = frozenset[Trouble]() if machine.lines_needed else _HANDSHAKE
    found = findings(measures, plan)
    clean = measures.rates[0].echo.errors == 0 and measures.soak.errors == 0 and measures.soak.sent > 0
    weighty = [one for one in found if one.trouble is not Trouble.CLOCK_SLOW]
    enough = clean and is_good(measures, plan, of_no_matter) and not (machine.lines_needed and weighty)
    told = (f"of no matter here: {one}" if one.trouble in of_no_matter else str(one) for one in found)
    said = "; ".join([verdict(measures, plan, of_no_matter), *told])
    return Step(LOOPBACK, Done.PASSED if enough else Done.FAILED, said)


def hearing_step(machine: MachineSettings, say: Callable[[str], None], patience_s: float) -> Step:
    """One punch of any program on a plain line: whether what is heard fits the settings."""
    key = machine.keys.punch
    line = replace(machine.line, frame=LISTENING_FRAME)
    with LineSession(line) as session:
        for _ in range(_HEARD_SHORT):
            hand = HearingHand(machine, lambda: say(f"  listening: {key} any program of 200 characters or more"))
            if not session.run(hand, patience_s):
                return Step(HEARING, Done.FAILED, f"nothing was punched within {patience_s:g} s")
            if (came := len(hand.finder.punches[0].data)) >= ENOUGH_CHARS:
                break
            say(f"  too short: {came} characters came")
    return _heard(machine, hand.finder.answer())


def hearing_in_packets() -> Step:
    return Step(HEARING, Done.SKIPPED, "a control that speaks in packets says nothing unasked; each packet is checked")


def _heard(machine: MachineSettings, answer: finding.Answer) -> Step:
    set_to = f"{machine.line.baud} {machine.line.frame} {machine.tape.code}"
    if not answer.guesses:
        why = "; ".join(answer.because) or "no part program was heard"
        return Step(HEARING, Done.FAILED, f"set to {set_to}, but {why}: run dncd line find")
    best = answer.guesses[0]
    heard = f"{best.baud} {best.frame} {best.code}"
    settings = machine.line.baud, machine.tape.code, str(machine.line.frame)[:2]  # stop bits are not heard
    same = (best.baud, best.code, best.frame[:2]) == settings
    sure = f"{best.confidence:.1%} sure" if answer.sureness is Sureness.SURE else "not sure"
    if same:
        return Step(HEARING, Done.PASSED, f"heard {heard}, {sure}; set to {set_to}")
    return Step(HEARING, Done.FAILED, f"heard {heard} ({sure}), but set to {set_to}: correct the settings")


@dataclass(frozen=True, slots=True)
class Bench:
    """What the rounds share. say: is told what the operator has to do; patience_s: seconds that each round waits."""

    machine: MachineSettings
    number: str
    rounds: int
    say: Callable[[str], None]
    patience_s: float = math.inf
    body: Body = Body.COMMENTS


def round_step(bench: Bench, session: LineSession, round_: int) -> Round:
    """One round over a line that stays open between the rounds: a READ that comes early is not lost."""
    machine, number, say = bench.machine, bench.number, bench.say
    text = trial_file(trial_blocks(machine, number, round_, bench.rounds, bench.body))
    wish = f"waits for {StartWay(machine.send, machine.line.protocol, machine.keys).wish()}"
    says = {
        Phase.WAITING: f"Round {round_} of {bench.rounds}: {'on its way' if starts_by_hand(machine) else wish}",
        Phase.BACK: f"  sent; now {machine.keys.punch} {number} at the control",
    }

    def changed(phase: Phase) -> None:
        if phase in says:
            say(says[phase])

    def is_ours(back: Back) -> bool:
        contents = _contents(machine, back)
        came = next((head.name for head in names.heads(contents.text)), "")
        if contents.reasons or came in ("", names.number_name(number[1:])):
            return True
        say(f"  that was {came}; {machine.keys.punch} {number} at the control")
        return False

    trip = RoundTrip(machine, image_of(machine, text), changed, is_ours)
    if not session.run(trip, bench.patience_s):
        return Round(round_, Done.FAILED, what=f"{trip.phase.value}: nothing came of it within {bench.patience_s:g} s")
    outcome = trip.outcomes[0]
    if outcome.result is not Result.SENT:
        return Round(round_, Done.FAILED, what=f"not sent: {outcome.reason}")
    back = trip.backs[0]
    went = Round(round_, Done.FAILED, outcome.chars, outcome.seconds, back.seconds, outcome.holds)
    return judged(bench, went, text, back)


def starts_by_hand(machine: MachineSettings) -> bool:
    return machine.line.protocol is Protocol.PLAIN and machine.send.start_on in (StartOn.GO, StartOn.NOW)


def _contents(machine: MachineSettings, back: Back) -> Contents:
    return read_all(back.wire, back.bad, machine, Coder.of(machine.tape, machine.line), back.why)


def judged(bench: Bench, went: Round, text: str, back: Back) -> Round:
    """A round that came back, with what it is worth: it passes if it is the same in substance, as a readback is."""
    contents = _contents(bench.machine, back)
    whole = contents.captures[-1].closed is not Closed.NO
    if bench.body is Body.COMMENTS and whole and _NOTHING.fullmatch(contents.text):
        return replace(went, what=_NO_COMMENTS)
    if contents.reasons:
        return replace(went, what="it came back damaged: " + "; ".join(contents.reasons[:_DIFFERENCES]))
    if back.notices != NO_FAULTS:
        return replace(went, what=f"the port counted faults while it came back: {back.notices}")
    read = read_back([Version(1, Origin.OFFICE, text)], contents.text)
    if read.answer in (Answer.EQUAL, Answer.SUBSTANCE):
        spelling = tuple((habit, how) for habit, how in read.spelling.items() if habit in _SHOWN)
        return replace(went, done=Done.PASSED, how=read.answer, spelling=spelling)
    more = f"; {len(read.differences) - _DIFFERENCES} more" if len(read.differences) > _DIFFERENCES else ""
    return replace(went, what="it came back changed: " + "; ".join(read.differences[:_DIFFERENCES]) + more)
