"""The rules of the packet protocols as tables: for each phase and event, what a machine does and which phases may follow.

Sources: the XMODEM/YMODEM reference of 1988, chapters 7 and 8 (verified); two CAN in a row as abort, and
YMODEM (memory; tried against lrzsz); Kermit: as `kermit_packets` says.
"""

import enum
from collections.abc import Iterable, Mapping
from typing import Final


class Phase(enum.Enum):
    """Where a machine stands. DATA, REPLY, SETTLING belong to a sender, NEXT, INSIDE, PURGING to a receiver."""

    START = "start"  # nobody has begun
    INIT = "init"  # the terms are offered
    HEADER = "header"  # the name is out, or (Kermit) due
    NAMED = "named"  # the name is agreed on
    DATA = "data"  # the program's next characters are not there yet
    REPLY = "reply"  # a packet is out
    SETTLING = "settling"  # acknowledged, but more answers may still come
    NEXT = "next"  # the next packet may begin
    INSIDE = "inside"  # a packet has begun
    PURGING = "purging"  # something was wrong: the line must fall quiet
    EOT = "eot"  # the end is said, or heard
    LAST = "last"  # the program is over, its batch is not
    CLOSING = "closing"  # the end of the batch is out
    OVER = "over"


class Cause(enum.Enum):
    """What can happen to a machine. Not in this table: one CAN, which means nothing."""

    ACK = "ACK"
    NAK = "NAK"
    C = "C"
    SOH = "SOH"
    STX = "STX"
    EOT = "EOT"
    CANCEL = "CAN CAN"
    OTHER = "any other character"
    SILENCE = "the due time"
    SUPPLY = "characters of the program, or its end"
    GOOD = "the packet that is due"
    HEADER = "a packet that names the program"
    INIT = "an offer of terms"
    INFO = "what is told of the program, and not needed"
    BREAK = "the end of all"
    UNWANTED = "the rest is not wanted, or taken back"
    AGAIN = "the packet before it once more"
    BAD = "a packet whose check or number is damaged"
    STRAY = "a sound packet of any other number"


class Do(enum.Enum):
    NOTHING = enum.auto()
    BEGIN_SUM = enum.auto()
    BEGIN_CRC = enum.auto()
    SEND = enum.auto()
    ADVANCE = enum.auto()
    REPEAT = enum.auto()
    REPEAT_FIRST = enum.auto()
    REPEAT_UNASKED = enum.auto()
    WAIT_QUIET = enum.auto()
    FINISH = enum.auto()
    ASK = enum.auto()
    OPEN = enum.auto()
    DELIVER = enum.auto()
    ACKNOWLEDGE = enum.auto()
    REJECT = enum.auto()
    HOLD_EOT = enum.auto()
    CONFIRM = enum.auto()
    CONFIRM_AGAIN = enum.auto()
    AWAIT = enum.auto()
    CLOSE = enum.auto()
    NAME = enum.auto()
    OFFER = enum.auto()
    AGREE = enum.auto()
    WISH = enum.auto()
    PASS = enum.auto()
    REFUSE = enum.auto()
    ABORTED = enum.auto()
    OUT_OF_STEP = enum.auto()
    NO_START = enum.auto()


Table = Mapping[tuple[Phase, Cause], tuple[Do, frozenset[Phase]]]


def _table(rows: Iterable[tuple[Phase, str, Do, str]]) -> Table:
    """Rows of phase, what is heard (names), what is done, and the phases that may follow (names)."""
    return {
        (phase, Cause[heard]): (do, frozenset(Phase[name] for name in after.split()))
        for phase, names, do, after in rows
        for heard in names.split()
    }


SENDING: Final = _table(
    (
        (Phase.START, "NAK", Do.BEGIN_SUM, "DATA REPLY EOT"),
        (Phase.START, "C", Do.BEGIN_CRC, "START HEADER DATA REPLY EOT"),
        (Phase.START, "SILENCE", Do.NO_START, "OVER"),
        (Phase.HEADER, "ACK", Do.AWAIT, "NAMED"),
        (Phase.HEADER, "NAK C SILENCE", Do.REPEAT, "HEADER OVER"),
        (Phase.NAMED, "C", Do.SEND, "DATA REPLY EOT"),
        (Phase.NAMED, "SILENCE", Do.NO_START, "OVER"),
        (Phase.DATA, "SUPPLY", Do.SEND, "DATA REPLY EOT"),
        (Phase.REPLY, "ACK", Do.ADVANCE, "DATA REPLY SETTLING EOT"),
        (Phase.REPLY, "NAK", Do.REPEAT, "REPLY OVER"),
        (Phase.REPLY, "C", Do.REPEAT_FIRST, "REPLY OVER"),
        (Phase.REPLY, "SILENCE", Do.REPEAT_UNASKED, "REPLY OVER"),
        (Phase.SETTLING, "ACK NAK C OTHER", Do.WAIT_QUIET, "SETTLING"),
        (Phase.SETTLING, "SILENCE", Do.SEND, "DATA REPLY EOT"),
        (Phase.EOT, "ACK", Do.FINISH, "LAST OVER"),
        (Phase.EOT, "NAK SILENCE", Do.REPEAT, "EOT OVER"),
        (Phase.LAST, "C NAK", Do.CLOSE, "CLOSING"),
        (Phase.LAST, "SILENCE CANCEL", Do.FINISH, "OVER"),
        (Phase.CLOSING, "C NAK SILENCE", Do.CLOSE, "CLOSING OVER"),
        (Phase.CLOSING, "ACK CANCEL", Do.FINISH, "OVER"),
        *((phase, "CANCEL", Do.ABORTED, "OVER") for phase in (Phase.START, Phase.HEADER, Phase.NAMED, Phase.DATA)),
        *((phase, "CANCEL", Do.ABORTED, "OVER") for phase in (Phase.REPLY, Phase.SETTLING, Phase.EOT)),
    )
)
"""What a sender does in each phase; a pair that is not here changes nothing. HEADER, NAMED, LAST and CLOSING are of YMODEM
alone: what the receiver says after it has acknowledged the EOT takes nothing back."""

RECEIVING: Final = _table(
    (
        (Phase.START, "SILENCE", Do.ASK, "START OVER"),
        (Phase.NAMED, "SILENCE", Do.ASK, "NAMED OVER"),
        (Phase.NEXT, "SILENCE", Do.REJECT, "NEXT OVER"),
        (Phase.NEXT, "OTHER ACK NAK C", Do.WAIT_QUIET, "PURGING"),
        (Phase.EOT, "OTHER ACK NAK C SOH STX", Do.WAIT_QUIET, "PURGING"),
        (Phase.EOT, "SILENCE", Do.CONFIRM, "OVER"),
        (Phase.INSIDE, "GOOD", Do.DELIVER, "NEXT"),
        (Phase.INSIDE, "HEADER", Do.NAME, "NAMED OVER"),
        (Phase.INSIDE, "AGAIN", Do.ACKNOWLEDGE, "NEXT"),
        (Phase.INSIDE, "BAD", Do.WAIT_QUIET, "PURGING"),
        (Phase.INSIDE, "STRAY", Do.OUT_OF_STEP, "OVER"),
        (Phase.INSIDE, "SILENCE", Do.REJECT, "START NAMED NEXT OVER"),
        (Phase.PURGING, "SILENCE", Do.REJECT, "START NAMED NEXT OVER"),
        (Phase.PURGING, "CANCEL", Do.ABORTED, "OVER"),
        (Phase.OVER, "EOT", Do.CONFIRM_AGAIN, "OVER"),
        *((phase, "SOH STX", Do.OPEN, "INSIDE") for phase in (Phase.START, Phase.NAMED, Phase.NEXT)),
        *((phase, "EOT", Do.HOLD_EOT, "EOT") for phase in (Phase.START, Phase.NAMED, Phase.NEXT, Phase.EOT)),
        *((phase, "CANCEL", Do.ABORTED, "OVER") for phase in (Phase.START, Phase.NAMED, Phase.NEXT, Phase.EOT)),
    )
)
"""What a receiver does in each phase; a pair that is not here changes nothing. Before the first packet, characters that
begin none are passed over: a line that was just opened may say anything."""

KERMIT_SENDING: Final = _table(
    (
        (Phase.START, "NAK SILENCE", Do.OFFER, "INIT"),
        (Phase.INIT, "NAK SILENCE", Do.OFFER, "INIT OVER"),
        (Phase.INIT, "ACK", Do.AGREE, "HEADER"),
        (Phase.HEADER, "ACK", Do.SEND, "DATA REPLY EOT"),
        (Phase.HEADER, "NAK SILENCE", Do.REPEAT, "HEADER OVER"),
        (Phase.DATA, "SUPPLY", Do.SEND, "DATA REPLY EOT"),
        (Phase.REPLY, "ACK", Do.ADVANCE, "DATA REPLY EOT"),
        (Phase.REPLY, "NAK SILENCE", Do.REPEAT, "REPLY OVER"),
        (Phase.REPLY, "UNWANTED", Do.REFUSE, "OVER"),
        (Phase.EOT, "ACK", Do.CLOSE, "CLOSING"),
        (Phase.EOT, "NAK SILENCE", Do.REPEAT, "EOT OVER"),
        (Phase.CLOSING, "NAK SILENCE", Do.CLOSE, "CLOSING OVER"),
        (Phase.CLOSING, "ACK CANCEL", Do.FINISH, "OVER"),
        *((phase, "CANCEL", Do.ABORTED, "OVER") for phase in (Phase.INIT, Phase.HEADER, Phase.DATA)),
        *((phase, "CANCEL", Do.ABORTED, "OVER") for phase in (Phase.REPLY, Phase.EOT)),
    )
)
"""Kermit's sender. Once the end of the file is acknowledged, nothing takes it back."""

KERMIT_RECEIVING: Final = _table(
    (
        (Phase.START, "SILENCE", Do.ASK, "START"),
        *((phase, "NAK", Do.WISH, phase.name) for phase in (Phase.START, Phase.HEADER, Phase.OVER)),
        *((phase, "INIT", Do.AGREE, "HEADER") for phase in (Phase.START, Phase.HEADER, Phase.NEXT, Phase.OVER)),
        *((phase, "AGAIN", Do.ACKNOWLEDGE, phase.name) for phase in (Phase.HEADER, Phase.NEXT, Phase.OVER)),
        *((phase, "BAD STRAY SILENCE", Do.REJECT, f"{phase.name} OVER") for phase in (Phase.HEADER, Phase.NEXT)),
        *((phase, "CANCEL", Do.ABORTED, "OVER") for phase in (Phase.HEADER, Phase.NEXT)),
        (Phase.HEADER, "HEADER", Do.NAME, "NEXT"),
        (Phase.HEADER, "BREAK", Do.FINISH, "OVER"),
        (Phase.NEXT, "INFO", Do.PASS, "NEXT"),
        (Phase.NEXT, "GOOD", Do.DELIVER, "NEXT"),
        (Phase.NEXT, "EOT", Do.CONFIRM, "HEADER"),
        (Phase.NEXT, "UNWANTED", Do.REFUSE, "HEADER"),
    )
)
"""Kermit's receiver: HEADER, a name or the end of all is due; NEXT, characters or the end of the file."""
