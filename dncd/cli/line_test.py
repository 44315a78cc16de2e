"""`dncd line test`: what a loopback plug brings back, at the port and at the far end of the cable."""

import dataclasses
import sys
from textwrap import fill
from typing import Any, Final

import click

from dncd.cli.asking import JSON, MACHINE, Asked, command
from dncd.cli.layout import cleared_line, number, print_json, progress
from dncd.cli.line_wiring import connector_option
from dncd.commissioning.loopback import LoopbackTest, loop_line, plan_for
from dncd.commissioning.loopback_findings import UNSEEN, findings, is_good, verdict
from dncd.commissioning.loopback_measures import Echo, Measures, Plan, PlugAt
from dncd.commissioning.wiring import COLUMNS, Connector
from dncd.peer_text import printable
from dncd.ports.session import LineSession, line_for
from dncd.values import MachineSettings

CAUTION: Final = (
    "Characters of every kind go out. Only a loopback plug may be on the line: unplug the control first, with both ends"
    " switched off."
)


@command(MACHINE, JSON)
@click.option("--far", is_flag=True, help="The plug is at the far end of the cable, not at the port.")
@click.option("--minutes", type=click.FloatRange(0, 24 * 60), default=0.5, show_default=True, help="Of the long run.")
@connector_option("plug", "de-9", "The connector of dncd's port, for the pin numbers.")
def test(given: Asked, machine: str, *, far: bool, minutes: float, plug: str, as_json: bool) -> int:
    settings = given.machine(machine)
    plan = plan_for(settings.line, PlugAt.CABLE_END if far else PlugAt.PORT, minutes * 60, Connector(plug.upper()))
    if not as_json:
        click.echo(f"{machine}: {printable(settings.line.port)} at {plan.baud} baud, loopback plug {plan.plug_at}")
    click.echo(CAUTION, err=True)
    if sys.stdin.isatty() and not as_json:
        click.confirm(f"Is the plug {plan.plug_at}, and no control on the line?", abort=True, err=True)
    hand = LoopbackTest(plan, progress("testing", 4 + plan.soak_s))
    with (
        cleared_line(),
        line_for(given.state, machine, f"dncd line test {machine}"),
        LineSession(loop_line(settings.line)) as session,
    ):
        session.run(hand)
    measures = hand.measures[0]
    if as_json:
        print_json(as_object(settings, measures, plan))
    else:
        click.echo("\n".join(fill(line, COLUMNS, subsequent_indent="  ") for line in report(measures, plan)))
        click.echo(_next(machine, plan, good=is_good(measures, plan)))
    return 0 if is_good(measures, plan) else 1


def report(measures: Measures, plan: Plan) -> list[str]:
    """What was measured, line by line; then the verdict, what is wrong, and what a plug cannot show."""
    first = measures.rates[0]
    rows = [
        ("every byte value", _echo(first.echo)),
        ("rate", _rate(first.measured_baud, plan.baud)),
        ("echo delay", f"{measures.delay_s * 1000:.0f} ms" if measures.delay_s >= 0 else "nothing came back"),
        ("RTS to CTS", f"CTS {measures.follows('cts').value}"),
        ("DTR to DSR, DCD", f"DSR {measures.follows('dsr').value}, DCD {measures.follows('dcd').value}"),
        ("noise at rest", f"{measures.strays} characters in {measures.quiet_s:g} s"),
    ]
    rows += [(f"at {test.baud} baud", _echo(test.echo)) for test in measures.rates[1:]]
    if measures.soak.sent:
        soak = measures.soak
        errors = f"{measures.errors_per_million:,.0f} errors in a million characters"
        rows.append(("long run", f"{errors}: {soak.errors} in {number(soak.sent)} at {measures.soak_baud} baud"))
    lines = [f"  {what:<17} {said}" for what, said in rows]
    lines += ["", verdict(measures, plan) + "."]
    lines += [f"- {found}" for found in findings(measures, plan)]
    return [*lines, "", "What this test cannot show:", *(f"- {sentence}" for sentence in UNSEEN), ""]


def _echo(echo: Echo) -> str:
    if not echo.errors:
        return f"all {echo.sent} came back as they were sent"
    counts = ((echo.damaged, "damaged"), (echo.lost, "lost"), (echo.added, "too many"))
    wrong = ", ".join(f"{count} {word}" for count, word in counts if count)
    return f"{echo.right} of {echo.sent} came back as they were sent; {wrong}"


def _rate(measured: float, nominal: int) -> str:
    if not measured:
        return "could not be measured"
    return f"{measured:.0f} baud measured, {nominal} set ({measured / nominal:.1%})"


def _next(machine: str, plan: Plan, *, good: bool) -> str:
    if not good:
        far = " --far" if plan.plug_at is PlugAt.CABLE_END else ""
        return f"Put it right, then run `dncd line test {machine}{far}` again."
    if plan.plug_at is PlugAt.PORT:
        return (
            f"Next: move the plug to the far end of the cable, then `dncd line test {machine} --far`."
            " Take it off before the service sends anything."
        )
    return (
        f"Next: take the plug off, join the cable to the control (both switched off), then `dncd line find {machine}`."
    )


def as_object(settings: MachineSettings, measures: Measures, plan: Plan) -> dict[str, Any]:
    first = measures.rates[0]
    return {
        "machine": settings.name,
        "port": settings.line.port,
        "plug": "port" if plan.plug_at is PlugAt.PORT else "cable-end",
        "good": is_good(measures, plan),
        "verdict": verdict(measures, plan),
        "findings": [dataclasses.asdict(found) for found in findings(measures, plan)],
        "values": _counts(first.echo),
        "rate": {"nominal": plan.baud, "measured": round(first.measured_baud, 1) or None},
        "echo_delay_s": round(measures.delay_s, 4) if measures.delay_s >= 0 else None,
        "lines": {name: measures.follows(name).name.lower() for name in ("cts", "dsr", "dcd")},
        "strays": measures.strays,
        "rates": [{"baud": test.baud, **_counts(test.echo)} for test in measures.rates],
        "best_baud": measures.best_baud,
        "long_run": {"baud": measures.soak_baud, **_counts(measures.soak)} if measures.soak.sent else None,
        "errors_per_million": round(measures.errors_per_million, 1),
        "not_shown": list(UNSEEN),
    }


def _counts(echo: Echo) -> dict[str, Any]:
    counted = ("sent", "right", "damaged", "lost", "added", "marked")
    return {name: getattr(echo, name) for name in counted} | {"flips": list(echo.flips)}
