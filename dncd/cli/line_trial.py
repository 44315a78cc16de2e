"""`dncd line trial`: the guided acceptance of a line, with a signed sheet at its end."""

from collections.abc import Callable
from typing import Final

import click

from dncd.choices import Protocol
from dncd.cli.asking import Asked, asked, machine_word
from dncd.cli.layout import count
from dncd.commissioning.trial_program import trial_number
from dncd.commissioning.trial_sheet import Done, Round, Sheet, Step, sheet_text
from dncd.line_trial.keeping import keep_sheet
from dncd.line_trial.steps import Bench, hearing_in_packets, hearing_step, loopback_step, round_step, starts_by_hand
from dncd.ports.loan import line_for
from dncd.ports.session import LineSession
from dncd.records.ledger import utc_now
from dncd.records.trials import fingerprint, settings_lines
from dncd.values import MachineSettings

PATIENCE_S: Final = 900.0
"""Seconds that a step waits for the operator: the walk to the machine and back, twice."""

CAUTIONS: Final = """\
The program of the trial has only comments and moves nothing; the control keeps it under the number {number}, so look
first that it has no program of its own by that number. A control that keeps no comments gives an empty program back,
and this trial cannot prove its line. Plug and unplug with both ends switched off. Do not run the program; delete it
afterwards."""


@click.command()
@machine_word(required=True)
@click.option("--times", type=click.IntRange(1, 100), default=10, show_default=True, help="Rounds out and back.")
@click.option("--by", metavar="NAME", help="Who signs the sheet.")
@click.option(
    "--program",
    "number",
    metavar="NUMBER",
    default="",
    help="Number of the program.  [default: O7777, or the nearest that the control takes]",
)
@click.option("--skip-loopback", metavar="REASON", help="No plug; the reason stands on the sheet.")
@click.option("--skip-find", metavar="REASON", help="No punch to hear the settings by; the reason stands on the sheet.")
@click.option(
    "--patience", type=click.FloatRange(1, 86400), default=PATIENCE_S, show_default=True, help="Seconds a step."
)
@asked
def trial(
    given: Asked,
    machine: str,
    *,
    times: int,
    by: str | None,
    number: str,
    skip_loopback: str | None,
    skip_find: str | None,
    patience: float,
) -> int:
    """Prove a line with a harmless program, out and back.

    Loopback plug, settings heard, then ten rounds, the program another one each time. A signed sheet goes on record;
    `dncd status` then shows since when the line is proven, until its settings are changed.

    The line is borrowed from the service while it runs.
    """
    settings = given.machine(machine)
    number = trial_number(settings, number)
    click.echo(f"Trial of the line of {machine}, {settings.line.port}\n{CAUTIONS.format(number=number)}\n")
    signed = by if by is not None else click.prompt("Who signs the sheet")
    with line_for(given.state, machine, f"dncd line trial {machine}"):
        steps = (
            _step(
                "loopback",
                "Put the loopback plug on the far end of the cable, then press Enter",
                skip_loopback,
                lambda: loopback_step(settings, patience),
            ),
            hearing_in_packets()
            if settings.line.protocol is not Protocol.PLAIN
            else _step(
                "settings heard",
                "Put the cable on the control, then press Enter",
                skip_find,
                lambda: hearing_step(settings, click.echo, patience),
            ),
        )
        rounds = _rounds(settings, number, times, patience) if all(s.done is not Done.FAILED for s in steps) else ()
    sheet = Sheet(
        machine=settings.name,
        title=settings.title,
        time=utc_now().strftime("%Y-%m-%dT%H:%M:%SZ"),
        by=signed,
        program=number,
        rounds_wanted=times,
        steps=steps,
        rounds=rounds,
        settings=settings_lines(settings),
        fingerprint=fingerprint(settings),
    )
    text = sheet_text(sheet)
    click.echo(f"\n{text}")
    place = keep_sheet(given.state, machine, text)
    click.echo(f"On record: {place} in {given.state}")
    return 0 if sheet.proven else 1


def _step(name: str, what: str, skip: str | None, do: Callable[[], Step]) -> Step:
    """Does a step, or skips it for a reason: given as an option, or typed where Enter would begin it."""
    reason = (
        skip
        if skip is not None
        else click.prompt(f"{what} (or type why it is skipped)", default="", show_default=False)
    )
    if reason.strip():
        click.echo(f"  {name}: skipped: {reason.strip()}")
        return Step(name, Done.SKIPPED, reason.strip())
    click.echo(f"  {name}: under way")
    step = do()
    click.echo(f"  {name}: {step.done.value}: {step.what}")
    return step


def _rounds(settings: MachineSettings, number: str, times: int, patience: float) -> tuple[Round, ...]:
    """The rounds, to the first that fails: a line that failed once is not proven by going on."""
    bench = Bench(settings, number, times, click.echo, patience)
    rounds = []
    with LineSession(settings.line) as session:
        for round_ in range(1, times + 1):
            if starts_by_hand(settings):
                press = f"Press START or {settings.keys.read} at the control, then Enter"
                click.prompt(press, default="", show_default=False)
            done = round_step(bench, session, round_)
            rounds.append(done)
            if done.done is not Done.PASSED:
                click.echo(f"  failed: {done.what}")
                break
            click.echo(f"  came back equal, {done.chars} characters, {count(done.holds, 'hold')}")
    return tuple(rounds)
