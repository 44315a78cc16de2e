"""What is wrong with port, cable or plug, in plain words, from the measures of a loopback test.

The rules stand in the order in which they are tried, the surest first; each looks at what one fault alone does. What a
passive plug cannot show is said as well: it reads a straight cable like a crossed one, and an open signal ground goes
unseen until the cable has a control at its end.
"""

import enum
import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from dncd import defaults
from dncd.commissioning.loopback_measures import FEW, Echo, Follows, Measures, Plan, PlugAt
from dncd.commissioning.wiring import Line, pin_of


class Trouble(enum.StrEnum):
    NO_ECHO = "no-echo"
    TALKS = "something-talks"
    TXD_ON_CTS = "txd-on-cts"
    TXD_ON_DSR = "txd-on-dsr"
    RTS_ON_RXD = "rts-on-rxd"
    DTR_ON_RXD = "dtr-on-rxd"
    TXD_SHORTED = "txd-shorted-to-a-handshake-output"
    OUTPUTS_JOINED = "rts-and-dtr-joined"
    HANDSHAKE_SWAPPED = "handshake-swapped"
    CTS_FOLLOWS_DTR = "cts-follows-dtr"
    DSR_FOLLOWS_RTS = "dsr-follows-rts"
    NO_HANDSHAKE = "no-handshake"
    NO_CTS = "no-cts"
    NO_DTR = "no-dsr-and-no-dcd"
    NO_DSR = "no-dsr"
    NO_DCD = "no-dcd"
    STUCK_ON = "stuck-on"
    HALF_RATE = "half-rate"
    RATE_OFF = "rate-off"
    CLOCK_SLOW = "clock-slow"
    SOFT_FLOW = "soft-flow"
    SEVEN_BITS = "seven-bits"
    BIT_STUCK = "bit-stuck"
    LINE_ENDS_CHANGED = "line-ends-changed"
    VALUE_EATEN = "value-eaten"
    DOUBLED = "doubled"
    LOOSE = "loose-contact"
    NOISE = "noise"
    CAPACITANCE = "capacitance"
    OVERRUN = "overrun"
    DAMAGED = "damaged"
    LATE = "late-echo"
    LINES_UNREADABLE = "lines-unreadable"


_SWITCHING_CHARS = 3
"""Most characters that an output makes on RXD by being switched, if the two are joined: a break, and its edges."""


@dataclass(frozen=True, slots=True)
class LineFinding:
    """trouble: its stable name; what: what is wrong; look_at: what to look at or do next."""

    trouble: Trouble
    what: str
    look_at: str

    def __str__(self) -> str:
        return f"{self.what}. {self.look_at}."


def _one(trouble: Trouble, what: str, look_at: str) -> tuple[LineFinding, ...]:
    return (LineFinding(trouble, what, look_at),)


_Rule = Callable[[Measures, Plan], tuple[LineFinding, ...]]


def findings(measures: Measures, plan: Plan) -> tuple[LineFinding, ...]:
    """All that is wrong, the weightiest first; empty where port, cable and plug are good."""
    data = next((found for rule in _DATA_RULES if (found := rule(measures, plan))), ())
    lines = _lines(measures, plan)
    if any(one.trouble in _EXPLAIN_LINES for one in data):
        lines = ()  # data and handshake that are crossed explain every line that does not follow
    return (*data, *lines, *_late(measures, plan), *_slow(measures, plan))


def is_good(measures: Measures, plan: Plan, of_no_matter: frozenset[Trouble] = frozenset()) -> bool:
    """of_no_matter: what is not counted beside what never harms, such as handshake where a line uses none."""
    return all(one.trouble in _HARMLESS | of_no_matter for one in findings(measures, plan))


def verdict(measures: Measures, plan: Plan, of_no_matter: frozenset[Trouble] = frozenset()) -> str:
    best = measures.best_baud
    what = "Port" if plan.plug_at is PlugAt.PORT else "Port and cable"
    if not is_good(measures, plan, of_no_matter):
        return f"{what}: not good" + (f"; every value comes back at {best} bits a second" if best else "")
    rate = f"{measures.errors_per_million:.0f} errors in a million characters" if measures.soak.sent else "no long run"
    return f"{what}: good at {best} bits a second, echo after {measures.delay_s * 1000:.0f} ms, {rate}"


def _pins(plan: Plan, *lines: Line) -> str:
    return " and ".join(f"pin {pin_of(line, plan.connector)} ({line.value})" for line in lines)


def _where(plan: Plan) -> str:
    return "the plug and the port" if plan.plug_at is PlugAt.PORT else "each wire of the cable and the plug at its end"


def _look_at(plan: Plan, *lines: Line) -> str:
    return f"Look at {_pins(plan, *lines)} in {_where(plan)}"


def _first(measures: Measures) -> Echo:
    return measures.rates[0].echo


def _crossed(measures: Measures, plan: Plan) -> tuple[LineFinding, ...]:
    echo = _first(measures)
    strays = {name: any(look.strays for look in measures.lines[k : k + 1]) for name, k in (("RTS", 1), ("DTR", 2))}
    if echo.right == 0 and measures.nuls.right > measures.nuls.sent // 2:
        return _one(
            Trouble.TXD_SHORTED,
            "Characters come back while RTS and DTR are off, and none while they are on: TXD touches one of them",
            f"Look for a solder bridge between {_pins(plan, Line.TXD)} and {_pins(plan, Line.RTS, Line.DTR)}",
        )
    if echo.right:
        return ()
    if max([measures.strays, *(look.strays for look in measures.lines)]) > _SWITCHING_CHARS:
        return _one(
            Trouble.TALKS,
            "Characters come that dncd did not send: something talks on this line, a control or a very noisy cable,"
            " and no plug answers",
            "Stop the control's punch, or put the loopback plug in the control's place, and test again",
        )
    for name, trouble, lines in (
        ("CTS", Trouble.TXD_ON_CTS, (Line.TXD, Line.CTS)),
        ("DSR", Trouble.TXD_ON_DSR, (Line.TXD, Line.DSR)),
        ("DCD", Trouble.TXD_ON_DSR, (Line.TXD, Line.DCD)),
    ):
        if name in measures.on_with_nuls:
            return _one(
                trouble,
                f"What is sent does not come back, it shows on {name}: the data pair and a handshake pair are swapped",
                f"Follow {_pins(plan, *lines)} and {_pins(plan, Line.RXD)} through {_where(plan)}",
            )
    for name, trouble, line in (("RTS", Trouble.RTS_ON_RXD, Line.RTS), ("DTR", Trouble.DTR_ON_RXD, Line.DTR)):
        if strays[name]:
            return _one(
                trouble,
                f"Switching {name} on makes a break on RXD: {name} is wired to RXD",
                f"Follow {_pins(plan, line)} and {_pins(plan, Line.RXD)} through {_where(plan)}",
            )
    return ()


def _echo(measures: Measures, plan: Plan) -> tuple[LineFinding, ...]:
    echo = _first(measures)
    if echo.right or echo.damaged > echo.sent // 8:
        return ()
    return _one(
        Trouble.NO_ECHO,
        "Nothing comes back: the path from TXD to RXD is open or shorted to ground",
        f"Look at {_pins(plan, Line.TXD, Line.RXD)} in {_where(plan)}, and whether the plug joins the two",
    )


def _lines(measures: Measures, plan: Plan) -> tuple[LineFinding, ...]:
    cts, dsr, dcd = (measures.follows(name) for name in ("cts", "dsr", "dcd"))
    if Follows.UNKNOWN in {cts, dsr, dcd}:
        return _one(
            Trouble.LINES_UNREADABLE,
            "This port cannot tell its modem lines, so RTS, CTS, DTR, DSR and DCD were not tested",
            "Use another port if the line needs rts/cts or dtr/dsr",
        )
    if Follows.EITHER in {cts, dsr, dcd}:
        return _one(
            Trouble.OUTPUTS_JOINED,
            "Inputs come on with RTS as with DTR: the two outputs are joined",
            f"Look for a bridge between {_pins(plan, Line.RTS, Line.DTR)} or between their inputs",
        )
    found = [
        LineFinding(
            Trouble.STUCK_ON,
            f"{line.value} is on whatever RTS and DTR do: it touches a supply or another line",
            _look_at(plan, line),
        )
        for line, state in ((Line.CTS, cts), (Line.DSR, dsr), (Line.DCD, dcd))
        if state is Follows.ALWAYS
    ]
    return (*found, *_wrong_output(cts, dsr, dcd, plan), *_open(cts, dsr, dcd, plan))


def _wrong_output(cts: Follows, dsr: Follows, dcd: Follows, plan: Plan) -> tuple[LineFinding, ...]:
    cts_wrong, dsr_wrong = cts is Follows.DTR, Follows.RTS in {dsr, dcd}
    if cts_wrong and dsr_wrong:
        pins = f"{_pins(plan, Line.RTS, Line.CTS)} against {_pins(plan, Line.DTR, Line.DSR)}"
        what = "CTS follows DTR and DSR follows RTS: the two handshake pairs are swapped"
        return _one(Trouble.HANDSHAKE_SWAPPED, what, f"Look at {pins} in {_where(plan)}")
    if cts_wrong:
        return _one(Trouble.CTS_FOLLOWS_DTR, "CTS follows DTR instead of RTS", _look_at(plan, Line.CTS, Line.RTS))
    if dsr_wrong:
        what = "DSR or DCD follows RTS instead of DTR"
        return _one(Trouble.DSR_FOLLOWS_RTS, what, _look_at(plan, Line.DSR, Line.DTR))
    return ()


_NEVER: Final = {
    (True, True, True): (
        Trouble.NO_HANDSHAKE,
        "No handshake line follows: the plug or the cable joins the data lines only",
        (Line.RTS, Line.CTS, Line.DTR, Line.DSR),
    ),
    (False, True, True): (
        Trouble.NO_DTR,
        "Neither DSR nor DCD follows DTR: DTR is open, or its loop is missing",
        (Line.DTR, Line.DSR, Line.DCD),
    ),
    (True, False, False): (Trouble.NO_CTS, "CTS does not follow RTS", (Line.RTS, Line.CTS)),
    (False, True, False): (Trouble.NO_DSR, "DSR does not follow DTR, though DCD does", (Line.DSR,)),
    (False, False, True): (
        Trouble.NO_DCD,
        "DCD does not follow DTR, though DSR does (many plugs leave it open, and few controls need it)",
        (Line.DCD,),
    ),
}
"""What it means that CTS, DSR, DCD never come on. Where CTS and one of the others do not, CTS is told: it stops a sender."""


def _open(cts: Follows, dsr: Follows, dcd: Follows, plan: Plan) -> tuple[LineFinding, ...]:
    never = (cts is Follows.NEVER, dsr is Follows.NEVER, dcd is Follows.NEVER)
    if never[0] and not all(never):
        never = (True, False, False)
    if never not in _NEVER:
        return ()
    trouble, what, lines = _NEVER[never]
    return _one(trouble, what, _look_at(plan, *lines))


HALF: Final = (0.4, 0.6)
"""Measured rates, as shares of the nominal, that are called half."""

OFF: Final = 0.12
"""Share by which a measured rate may be off, beside what looks of 20 ms can make of it."""


def _rate(measures: Measures, plan: Plan) -> tuple[LineFinding, ...]:
    test = measures.rates[0]
    if test.measured_baud == 0 or test.echo.lost + test.echo.added > test.echo.sent // 16:
        return ()  # the rate is counted from the characters that came: some are missing, or too many
    share = test.measured_baud / test.baud
    span = test.echo.sent * 10 / test.baud
    if HALF[0] <= share <= HALF[1]:
        what = f"Characters come at half the rate that was set: {test.measured_baud:.0f} instead of {test.baud}"
        look = "The port divides its clock by the wrong number: set twice the rate, or use another adaptor or driver"
        return _one(Trouble.HALF_RATE, what, look)
    if abs(share - 1) > OFF + 0.02 / span:
        what = f"Characters come at {test.measured_baud:.0f} bits a second where {test.baud} was set"
        return _one(Trouble.RATE_OFF, what, "Use another port or adaptor: no control follows that clock")
    return ()


def _values(measures: Measures, plan: Plan) -> tuple[LineFinding, ...]:
    """Values that are changed, eaten or doubled as a rule: a driver's or an adaptor's doing, not the cable's."""
    burst, singles = _first(measures), measures.singles
    if not singles.sent or not burst.right:
        return ()
    if singles.damaged > 100 and singles.lost <= 2:
        found = _stuck_bit(singles)
        if found:
            return found
    changed, gone = Counter(singles.pairs), set(singles.gone)
    if 0x13 in gone and (gone <= {0x11, 0x13} or len(gone) > 100):
        return _one(
            Trouble.SOFT_FLOW,
            "DC1 and DC3 do not come back, or DC3 stops the port: the driver or the adaptor acts on them itself",
            "Switch XON/XOFF off in the adaptor or device server: dncd does it",
        )
    if changed and set(changed) <= {(0x0D, 0x0A), (0x0A, 0x0D)}:
        what = "CR and LF come back as each other: something on the way changes line ends"
        return _one(Trouble.LINE_ENDS_CHANGED, what, "Set the port or device server to raw, eight bits")
    if singles.added > singles.sent // 2:
        what = "Every character comes back twice"
        return _one(Trouble.DOUBLED, what, "Switch the local echo of the adaptor or device server off")
    strange = gone | set(singles.extra)
    back_to_back = set(burst.gone) | set(burst.extra)
    if 0 < len(strange) <= 2 and strange <= back_to_back and burst.errors <= 4 and not singles.damaged + burst.damaged:
        values = " and ".join(f"{value:02X}" for value in sorted(strange))
        what = f"The value {values} is eaten or doubled, every other comes back"
        return _one(Trouble.VALUE_EATEN, what, "Set the device server to binary (telnet doubles FF)")
    return ()


def _stuck_bit(singles: Echo) -> tuple[LineFinding, ...]:
    bit = max(range(8), key=lambda k: singles.flips[k])
    if singles.flips[bit] < 0.95 * singles.damaged or sum(singles.flips) > 1.1 * singles.flips[bit]:
        return ()
    if bit == 7:
        what = "Bit 7 does not come back: the port works with seven bits or strips the parity"
        return _one(Trouble.SEVEN_BITS, what, "Set the port or device server to eight bits without parity")
    what = f"Bit {bit} never changes"
    return _one(Trouble.BIT_STUCK, what, "The port's own circuit is faulty: use another")


def _damage(measures: Measures, plan: Plan) -> tuple[LineFinding, ...]:
    total = _first(measures) + measures.singles + measures.soak
    if total.errors == 0 and measures.strays == 0:
        return ()
    first, singles = _first(measures), measures.singles
    below = measures.rates[1:]
    clean_below = bool(below) and below[-1].echo.errors == 0
    lost_share = total.lost / max(1, total.errors)
    bits = _worst_bits(total)
    if measures.strays:
        what = f"{measures.strays} characters came in {measures.quiet_s:g} s while nothing was sent: noise on the line"
        return _one(Trouble.NOISE, what + bits, _NOISE_WORDS)
    burst = first + measures.soak
    if singles.sent and singles.errors == 0 and burst.lost and not burst.damaged:
        what = f"{burst.lost} of {burst.sent} characters back to back are lost, none by itself: the port cannot keep up"
        return _one(Trouble.OVERRUN, what, "Use a port with a buffer, or a lower rate")
    if clean_below and first.errors > FEW and measures.repeats >= SAME_AGAIN:
        best = below[-1].baud
        what = (
            f"At {plan.baud} bits a second {first.errors} of {first.sent} are damaged, at {best} none: edges are slow"
        )
        look = "Use a shorter or low-capacitance cable, or the lower rate"
        return _one(Trouble.CAPACITANCE, what + bits, look)
    in_a_row = total.longest_lost >= LOOSE_RUN and lost_share > LOOSE_LOST
    if in_a_row or singles.lost > singles.damaged:
        what = f"Characters are missing now and then, up to {total.longest_lost} in a row: a contact is loose"
        look = f"Move {_where(plan)} while testing, and screw the connectors down"
        return _one(Trouble.LOOSE, what, look)
    what = f"{min(total.errors, total.sent)} of {total.sent} characters are damaged, at lower rates too"
    if clean_below:
        what = f"{min(total.errors, total.sent)} of {total.sent} characters are damaged, others each time"
    return _one(Trouble.NOISE, what + bits, _NOISE_WORDS)


LOOSE_RUN: Final = 4
"""Characters lost in a row from which a contact is called loose: noise hits single ones."""

SAME_AGAIN: Final = 0.7
"""Share of the damaged characters that a second burst damages in the same way, from which edges are called slow: a cable
does the same to the same bits each time, noise does not (counted on simulated lines: 1.0, against 0.44 at most)."""

LOOSE_LOST: Final = 0.5
"""Share of the faults that are losses from which a contact is called loose: it makes silence, noise makes wrong ones.
Back to back, a UART stays out of step for a while after a gap; of characters sent by themselves more are lost than wrong."""

_NOISE_WORDS: Final = (
    "Join the shield at one end only, keep the cable away from drives and mains, and measure between the two grounds"
)


def _worst_bits(echo: Echo) -> str:
    if not any(echo.flips):
        return ""
    order = sorted(range(8), key=lambda bit: -echo.flips[bit])
    worst = [bit for bit in order[:3] if echo.flips[bit] > sum(echo.flips) / 8] or order[:1]
    return f"; bit{'s' if len(worst) > 1 else ''} {' and '.join(map(str, sorted(worst)))} flip{'s' * (len(worst) == 1)} most"


LATE_S: Final = 0.1
"""Seconds of echo delay from which it is worth a word: an adaptor takes 16 ms each way at most."""


def _late(measures: Measures, plan: Plan) -> tuple[LineFinding, ...]:
    if measures.delay_s <= LATE_S:
        return ()
    what = f"The echo comes {measures.delay_s * 1000:.0f} ms late: a device server or a slow adaptor stands between"
    look = "Set its packing time low; a control's stop is seen that much later, so use line.ahead_chars with care"
    return _one(Trouble.LATE, what, look)


SLOW: Final = 0.015
"""Share from which a port's clock is called slow, beside what looks of 20 ms can make of it: quartz keeps a tenth of it, and
a divided clock mostly 1 %."""


def _slow(measures: Measures, plan: Plan) -> tuple[LineFinding, ...]:
    """A clock that a control follows well enough to read, and behind which a sender by the nominal rate runs on."""
    chars, seconds = measures.soak_pace.chars, measures.soak_pace.seconds
    if seconds < 1.0 or any(one.trouble is Trouble.HALF_RATE for one in _rate(measures, plan)):
        return ()
    slow = 1 - 10 * chars / seconds / measures.soak_baud
    if slow <= SLOW + 0.02 / seconds:
        return ()
    block = defaults.LONGEST_BLOCK_CHARS
    pause = math.ceil(slow * block * 10_000 / measures.soak_baud) / 1000
    what = (
        f"The port's clock is {slow:.1%} slow: {slow * measures.soak_baud / 10:.0f} characters a second stay behind, and can"
        " still reach the control after its stop where the port does not tell what it holds"
    )
    look = (
        f"Set send.after_block_s = {pause:g}: the line catches up after each block of {block} characters"
        " (no line.ahead_chars can bound it); or use another port"
    )
    return _one(Trouble.CLOCK_SLOW, what, look)


UNSEEN: Final = (
    "A passive plug cannot tell a straight cable from a crossed one: both bring everything back. Measure pin to pin against"
    " `dncd line wiring`.",
    "It cannot see an open signal ground: the port hears its own driver over the plug. Measure the ground from end to end,"
    " or see with the control on the cable.",
)
"""What a loopback test cannot show, however good it is."""

_DATA_RULES: Final[tuple[_Rule, ...]] = (_crossed, _echo, _values, _rate, _damage)
"""The first of these that finds something speaks: what comes after it would be its consequence."""

_EXPLAIN_LINES: Final = {
    Trouble.TXD_ON_CTS, Trouble.TXD_ON_DSR, Trouble.RTS_ON_RXD, Trouble.DTR_ON_RXD, Trouble.TXD_SHORTED,
}  # fmt: skip
_HARMLESS: Final = {Trouble.NO_DCD, Trouble.LATE, Trouble.CLOCK_SLOW, Trouble.LINES_UNREADABLE}
