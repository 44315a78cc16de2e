"""`dncd line trial`: the guided acceptance of a line, with a signed sheet at its end."""

from collections.abc import Callable
from typing import Final

import click

from dncd.choices import Protocol
from dncd.cli.asking import MACHINE, Asked, command
from dncd.cli.layout import count
from dncd.commissioning.trial_sheet import Body, Done, Round, Sheet, Step, sheet_text, trial_number
from dncd.line_trial.steps import Bench, hearing_in_packets, hearing_step, loopback_step, round_step, starts_by_hand
from dncd.ports.session import LineSession, line_for
from dncd.program.substance import Answer
from dncd.records.ledger import utc_now
from dncd.records.trials import fingerprint, settings_lines
from dncd.service.signing import keep_sheet

PATIENCE_S: Final = 900.0
"""Seconds that a step waits for the operator: the walk to the machine and back, twice."""

CAUTIONS: Final = """\
The program of the trial has only {body} and moves nothing; the control keeps it under the number {number}, so look
first that it has no program of its own by that number. Plug and unplug with both ends switched off. Do not run the
program; delete it afterwards."""

_OF: Final = {Body.COMMENTS: "comments", Body.NUMBERS: "bare block numbers and M30"}

NOT_GOOD: Final = ("not good", "no good", "bad", "fail")
"""Words that begin what a person types where something is wrong: no reason to skip, and nothing to go on after."""


@command(MACHINE)
@click.option("--times", type=click.IntRange(1, 100), default=10, show_default=True, help="Rounds out and back.")
@click.option("--by", metavar="NAME", help="Who signs the sheet.")
@click.option(
    "--program",
    "number",
    metavar="NUMBER",
    default="",
    help="Number of the program.  [default: O7777, or the nearest that the control takes]",
)
@click.option(
    "--body",
    type=click.Choice([body.value for body in Body]),
    default=Body.COMMENTS.value,
    show_default=True,
    help="What the program is made of: comments, or (for a control that keeps none) bare block numbers and M30.",
)
@click.option("--skip-loopback", metavar="REASON", help="No plug; the reason stands on the sheet.")
@click.option("--skip-find", metavar="REASON", help="No punch to hear the settings by; the reason stands on the sheet.")
@click.option(
    "--patience", type=click.FloatRange(1, 86400), default=PATIENCE_S, show_default=True, help="Seconds a step."
)
def trial(
    given: Asked,
    machine: str,
    *,
    times: int,
    by: str | None,
    number: str,
    body: str,
    skip_loopback: str | None,
    skip_find: str | None,
    patience: float,
) -> int:
    """Loopback plug, settings heard, then ten rounds, the program another one each time. A signed sheet goes on record;
    `dncd status` then shows since when the line is proven, until its settings are changed.

    The line is borrowed from the service while it runs.
    """
    settings = given.machine(machine)
    number = trial_number(settings, number)
    click.echo(
        f"Trial of the line of {machine}, {settings.line.port}\n{CAUTIONS.format(number=number, body=_OF[Body(body)])}\n"
    )
    bench = Bench(settings, number, times, click.echo, patience, Body(body))
    signed = by if by is not None else click.prompt("Who signs the sheet", err=True)
    with line_for(given.state, machine, f"dncd line trial {machine}"):
        wanted = "Put the loopback plug on the far end of the cable, then press Enter"
        loop = _step("loopback", wanted, skip_loopback, lambda: loopback_step(settings, patience))
        if settings.line.protocol is Protocol.PLAIN:
            wanted = "Put the cable on the control, then press Enter"
            heard = _step("settings heard", wanted, skip_find, lambda: hearing_step(settings, click.echo, patience))
        else:
            heard = hearing_in_packets()
        failed = Done.FAILED in (loop.done, heard.done)
        rounds = () if failed else _rounds(bench)
    sheet = _sheet(bench, signed, (loop, heard), rounds)
    text = sheet_text(sheet)
    click.echo(f"\n{text}")
    place = keep_sheet(given.state, machine, text)
    click.echo(f"On record: {place} in {given.state}")
    return 0 if sheet.proven else 1


def _sheet(bench: Bench, signed: str, steps: tuple[Step, ...], rounds: tuple[Round, ...]) -> Sheet:
    settings = bench.machine
    return Sheet(
        machine=settings.name,
        title=settings.title,
        time=utc_now().strftime("%Y-%m-%dT%H:%M:%SZ"),
        by=signed,
        program=bench.number,
        rounds_wanted=bench.rounds,
        steps=steps,
        rounds=rounds,
        settings=settings_lines(settings),
        fingerprint=fingerprint(settings),
        body=bench.body,
    )


def _step(name: str, what: str, skip: str | None, do: Callable[[], Step]) -> Step:
    """Does a step, or skips it for a reason, given as an option or typed where Enter would begin it; or fails it."""
    said = skip if skip is not None else _typed(f'{what} (or type why it is skipped, or "not good" and why)')
    if said.strip():
        step = Step(name, Done.FAILED if _not_good(said) else Done.SKIPPED, said.strip())
    else:
        click.echo(f"  {name}: under way")
        step = do()
    click.echo(f"  {name}: {step.done.value}: {step.what}")
    return step


def _typed(what: str) -> str:
    return str(click.prompt(what, default="", show_default=False, err=True))


def _not_good(said: str) -> bool:
    return said.strip().lower().startswith(NOT_GOOD)


def _rounds(bench: Bench) -> tuple[Round, ...]:
    """The rounds, to the first that fails: a line that failed once is not proven by going on."""
    settings, rounds = bench.machine, list[Round]()
    with LineSession(settings.line) as session:
        for round_ in range(1, bench.rounds + 1):
            said = ""
            if starts_by_hand(settings):
                said = _typed(f"Press START or {settings.keys.read} at the control, then Enter")
            done = Round(round_, Done.FAILED, what=said) if _not_good(said) else round_step(bench, session, round_)
            rounds.append(done)
            if done.done is not Done.PASSED:
                click.echo(f"  failed: {done.what}")
                break
            same = "equal" if done.how is Answer.EQUAL else "the same in substance"
            click.echo(f"  came back {same}, {done.chars} characters, {count(done.holds, 'hold')}")
    return tuple(rounds)
