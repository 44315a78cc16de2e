"""`dncd line find`: the operator punches, dncd says rate, frame, parity and code, or that it is not sure."""

import dataclasses
from collections.abc import Callable
from typing import Any, Final

import click

from dncd.choices import TapeCode
from dncd.cli.asking import JSON, MACHINE, Asked, command
from dncd.cli.layout import cleared_line, count, print_json, seconds, show
from dncd.commissioning.finding import FIRST_RATES, RATES, Answer, Ask, Finder, Guess, Sureness, settings_text
from dncd.commissioning.resampling import LISTENING_FRAME
from dncd.ports.port import Reading
from dncd.ports.session import LineSession, line_for
from dncd.values import MachineSettings, Modem

WAIT_S: Final = 600.0
"""Seconds without a character after which nobody seems to be at the control."""

MOST_PUNCHES: Final = 8
"""Punches after which an operator has done enough: the finder needs four at most on lines that it can name."""


@command(MACHINE, JSON)
@click.option("--baud", type=click.IntRange(RATES[0], RATES[-1]), help="Listen at this rate first, where you know it.")
@click.option(
    "--wait", type=click.FloatRange(1), default=WAIT_S, show_default=True, help="Seconds to wait for a punch."
)
def find(given: Asked, machine: str, *, baud: int | None, wait: float, as_json: bool) -> int:
    settings = given.machine(machine)

    def tell(text: str) -> None:
        show("")
        click.echo(text, err=as_json)

    hand = FindHand(Finder(baud or FIRST_RATES[0], silence_s=settings.receive.silence_s), wait, tell)
    line = dataclasses.replace(settings.line, baud=hand.finder.listen_baud, frame=LISTENING_FRAME)
    with cleared_line(), line_for(given.state, machine, f"dncd line find {machine}"), LineSession(line) as session:
        session.run(hand)
    answer = hand.finder.answer()
    if as_json:
        print_json(as_object(settings, answer, len(hand.finder.punches)))
    else:
        click.echo("\n".join(report(settings, answer)))
    return 0 if answer.sureness is Sureness.SURE else 1


class FindHand:
    """Wraps `Finder` for a `LineSession`. tell: is given what the operator should know, in sentences."""

    def __init__(self, finder: Finder, wait_s: float, tell: Callable[[str], None]) -> None:
        self.finder = finder
        self.over = False
        self._wait_s, self._tell = wait_s, tell
        self._session: LineSession | None = None
        self._heard_at = 0.0
        self._judged = self._chars = 0
        self._said: list[str] = []

    def start(self, session: LineSession, now: float) -> None:
        self._session, self._heard_at = session, now
        session.tune(self.finder.listen_baud, LISTENING_FRAME)
        self._tell(
            f"Listening at {session.line.baud} baud. Punch out any program at the control, 200 characters or more;"
            " nothing is sent, and nothing is kept."
        )

    def feed(self, reading: Reading, now: float) -> None:
        if reading.data:
            self._heard_at = now
            self._chars += len(reading.data)
            self.finder.feed(reading.data, reading.bad, now)
            show(f"{self._chars} characters")

    def modem(self, lines: Modem, now: float) -> None:
        """Says nothing about rates."""

    def turn(self, now: float) -> None:
        self.finder.tick(now)
        if len(self.finder.punches) > self._judged:
            self._judged, self._chars, self._heard_at = len(self.finder.punches), 0, now
            self._go_on(self.finder.answer())
        elif now >= self._heard_at + self._wait_s:
            self._tell(f"Nothing came for {seconds(self._wait_s)}.")
            self.over = True

    def next_due(self) -> float:
        return min(self.finder.next_due(), self._heard_at + self._wait_s)

    def _go_on(self, answer: Answer) -> None:
        session = self._session
        if session is None or answer.sureness is Sureness.SURE or self._judged >= MOST_PUNCHES:
            self.over = True
            return
        fresh = [because for because in answer.because if because not in self._said]
        self._said += fresh
        if fresh:
            self._tell("\n".join(f"{because}." for because in fresh))
        if self.finder.listen_baud != session.line.baud and not session.rate_is_ours:
            self._tell(
                f"Set the device server to {self.finder.listen_baud} baud, 8N1, then run the same command again with"
                f" --baud {self.finder.listen_baud}."
            )
            self.over = True
            return
        session.tune(self.finder.listen_baud, LISTENING_FRAME)
        wanted = "a longer program" if answer.ask is Ask.LONGER_PUNCH else "the same program once more"
        self._tell(f"Listening at {session.line.baud} baud now. Punch out {wanted}.")


def report(settings: MachineSettings, answer: Answer) -> list[str]:
    lines = [""]
    if answer.guesses:
        best = answer.guesses[0]
        sure = "Found" if answer.sureness is Sureness.SURE else "Not sure; the best guess is"
        lines.append(f"{sure}: {_guess(best)}, confidence {best.confidence:.1%}")
        lines += [f"runner-up: {_guess(other)}, {other.confidence:.1%}" for other in answer.guesses[1:2]]
    else:
        lines.append("Not sure: no punch was heard that reads as a part program.")
    lines += [f"- {because}." for because in answer.because]
    if answer.guesses and answer.guesses[0].code is TapeCode.ISO:
        lines.append(f"- Blocks end in {answer.block_end}.")
    if answer.guesses:
        lines.append(f"- {count(answer.marks, 'mark')}, {count(answer.leader, 'character')} of leader.")
    if answer.dc_codes:
        lines.append(f"- Before and after it the control said {', '.join(answer.dc_codes)}.")
    if answer.sureness is Sureness.SURE:
        changed = _changed(settings, answer)
        lines += ["", "The settings say so already." if not changed else f"The settings say otherwise: {changed}."]
        to_do = (
            "To paste:" if not changed else "Change these lines of the settings file, where these tables stand already:"
        )
        lines += [to_do, "", settings_text(answer, settings.name)]
        lines.append(f"Next: `dncd check-config`, then `dncd line watch {settings.name}` while somebody punches.")
    else:
        lines += ["", "Nothing is named that is not certain. Look at cable, ground and the control's parameter sheet."]
    return lines


def _guess(guess: Guess) -> str:
    return f"{guess.baud} baud, {guess.frame}, {guess.code.value.upper()} code"


def _changed(settings: MachineSettings, answer: Answer) -> str:
    best, line, tape = answer.guesses[0], settings.line, settings.tape
    pairs = [
        ("baud", line.baud, best.baud),
        ("frame", str(line.frame), best.frame),
        ("code", tape.code.value, best.code.value),
    ]
    if best.code is TapeCode.ISO:
        pairs.append(("block_end", tape.block_end, answer.block_end))
    return ", ".join(f"{key} = {now}" for key, now, found in pairs if now != found)


def as_object(settings: MachineSettings, answer: Answer, punches: int) -> dict[str, Any]:
    return {
        "machine": settings.name,
        "port": settings.line.port,
        "sure": answer.sureness is Sureness.SURE,
        "punches": punches,
        "guesses": [
            {"baud": g.baud, "frame": g.frame, "code": g.code.value, "confidence": round(g.confidence, 4)}
            for g in answer.guesses[:2]
        ],
        "block_end": str(answer.block_end) if answer.guesses else None,
        "leader": answer.leader,
        "marks": answer.marks,
        "dc_codes": list(answer.dc_codes),
        "because": list(answer.because),
        "settings": settings_text(answer, settings.name) if answer.sureness is Sureness.SURE else "",
    }
