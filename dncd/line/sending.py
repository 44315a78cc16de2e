"""Sending one tape image over a plain line, self-paced and stoppable.

The machine never lets more than `ahead_chars` stand in front of the line, so that a control that says stop gets no
more than these. Its phases, and what moves it (rows not listed change nothing):

| phase   | event                                              | next    |
|---------|----------------------------------------------------|---------|
| running | stop (DC3, or CTS/DSR off), or the server suspends | held    |
| running | the last character was handed to the port          | ending  |
| held    | go (DC1, or CTS/DSR on) and no server suspends     | running |
| held    | held for longer than `stall_s`, without drip feed  | over: interrupted |
| held    | by a stop at the end word for `END_HOLD_S`, without drip feed | over: sent |
| running | the port takes nothing for `stall_s`, no drip feed | over: interrupted |
| ending  | the line has sent the last character               | over: sent |
| running | `flow = "asked"`: a block was handed over whole     | held, which is no hold of the control's |
| running | what the control must answer was handed over whole | held likewise, for `wait_s` at most |
| any     | `stop()`: operator, service or port                | over: interrupted |

A stop in `ending` changes nothing for this program, all of it is on its way; it is remembered as an open hold, so that
the DC1 that ends it is not taken for the start of the next program. A stop after the closing mark has left the line is the
control's reader off (a machining centre's manual of 2004): the rest of the trailer is not sent into it. A control that
reads to its end word (M30) stops there for good: what stands behind the word is not sent. In drip feed such a stop may
be a full memory until the last block is cut, so there a DC1 alone ends it.

A control without handshake may want quiet after each character or block (`after_char_s`, `after_block_s`): the next
character is then handed over only when the line has been quiet for so long.
"""

import enum
import math

from dncd import defaults
from dncd.choices import ModemLine
from dncd.line.codes import WHILE_SENDING, ReaderCode
from dncd.line.echo import Back, Echo
from dncd.line.outgoing import Outcome, Outgoing, Shape
from dncd.values import LineSettings, Result, SendSettings

_STRAYS_KEPT = 200

_SAID_TWICE_CHARS = 32
"""Characters behind a start, or behind the end of a hold, up to which a DC1 is that one said again; common practice."""

_A_HABIT = 3
"""So many DC1s without a stop are a control's way, and nobody's key."""

_SET_ECHOES = "the control echoes; set line.echoes = true, and its echo is compared with what went out"


class Phase(enum.Enum):
    """Where a sending stands."""

    RUNNING = "running"
    HELD = "held"
    ENDING = "ending"
    OVER = "over"


class Sending(Outgoing):
    """The machine of the table above, for every flow.

    total: characters of the whole image. The image comes by `supply`, in pieces of any size. `allowed(now)` gives what
    may be written now, `wrote(n, now_after)` says how much the port took; both are cheap enough for a loop.
    Raises nothing: every byte at any time is an event or is kept in `strays`.
    """

    def __init__(
        self, line: LineSettings, send: SendSettings, total: int, now: float, shape: Shape | None = None
    ) -> None:
        self._shape = shape if shape is not None else Shape(total, total, b"\n")
        super().__init__(total, now, line.char_s, self._shape.block_end, self._shape.answer)
        self.phase = Phase.RUNNING
        self.stray_count = 0
        self._in_band, self._gated = line.flow.in_band, line.flow.stop_line is not ModemLine.NONE
        self._ahead = line.ahead_chars
        slack = math.ceil(defaults.REFILL_S / line.char_s)
        self._refill_least = min(line.ahead_chars - 1, slack, (line.ahead_chars + 1) // 2)
        self._refill_most = max(line.ahead_chars * 5 // 8, self._refill_least)
        self._refill_at(self._refill_least)
        self._send = send
        self._reader_off_at: float | None = None
        self._not_before = 0.0
        self._asked, self._asked_early = line.flow.by_block, False
        self._paced = self.answer.due or self._asked or send.after_char_s > 0 or send.after_block_s > 0
        self._echo, self._echoes = Echo(), line.echoes
        self._echoed_stop = False  # the hold that is open may be an echoed digit 3 of EIA code
        self._hold_until = -math.inf
        self._at_end_word = False  # the control's last stop came when the end word was handed over
        self._control_holds = self._suspended = False  # whose hold it is: it lasts until neither holds
        self._anew_at, self._anew_times = 0, 0  # a DC1 without a stop: READ was pressed in the middle
        self._anew_from = _SAID_TWICE_CHARS

    # --- what the control says -----------------------------------------------------------------------------------

    def feed(self, data: bytes, now: float) -> None:
        """Characters that came from the control while dncd sends."""
        for byte in data:
            expected, back = self._echo.next_char(), self._echo.back(byte)
            if back is Back.ECHO or (back is Back.PERHAPS and self._echoes):
                continue
            signal = WHILE_SENDING.meaning.get(byte)
            self._echoed_stop = back is Back.PERHAPS and signal is ReaderCode.DC3
            answers = self._awaits_answer
            if answers and self.answer.heard(byte):
                stopped = self._control_holds or self._suspended  # meanwhile
                (self._hold if stopped else self._go_on)(now)
            elif self._echoes and signal is None and self.outcome is None and not answers and not self._came_back:
                self._unlike(byte, expected, now)
            if signal is ReaderCode.DC3 and self._in_band:
                self._stopped(now)
            elif signal is ReaderCode.DC1 and self._in_band:
                self._note_anew(now)
                self._going(now)
            elif signal is None and not answers:
                self.stray_count += 1
                if len(self.strays) < _STRAYS_KEPT:
                    self.strays.append(byte)

    @property
    def _came_back(self) -> bool:
        """Whether the control has given all of it back: what it says now is of its own."""
        return self.phase is Phase.ENDING and self._echo.whole

    def _unlike(self, byte: int, expected: int, now: float) -> None:
        """The control has another character than went out: nothing more goes, least of all into a cut."""
        went = f"0x{expected:02X}" if expected >= 0 else "nothing"
        what = (
            f"the control's echo has 0x{byte:02X} where {went} went out, after {self._echo.came} characters that came"
        )
        self.stop(f"{what} back as they went; look at the cable, its shield, the rate and the frame", now)

    def gate(self, open_: bool, now: float) -> None:
        """CTS or DSR, whichever the flow setting watches: on (True) or off."""
        if self._gated:
            if open_:
                self._going(now)
            else:
                self._stopped(now)

    def suspend(self, on: bool, now: float) -> None:
        """A device server takes nothing for now (True), or takes it again: a hold as the control's own."""
        self._suspended = on
        if on and self.phase is Phase.RUNNING:
            self._hold(now)
        elif not on and not self._control_holds:
            self._go_on(now)

    def _stopped(self, now: float) -> None:
        shape, left = self._shape, self.handed_over - self.clock.in_front(now)
        if self._reader_off_at is None and self.handed_over >= shape.mark_out and left >= shape.mark_out - 1:
            self._reader_off_at = now  # the control has read the closing mark: reader off, or a hold that soon ends
            if self.phase is Phase.RUNNING and self.handed_over >= shape.wire_out:
                self.phase = Phase.ENDING  # nobody reads the rest of the trailer
            return
        # Up to `ahead_chars` may still stand in the port: a control that stops for good reads these as well.
        self._control_holds, self._at_end_word = True, self.handed_over >= shape.end_out and not self._send.drip_feed
        if self.phase is Phase.RUNNING:
            self._hold(now)
        elif self.phase is Phase.ENDING and self._hold_until < now:
            self.holds += 1
            self._hold_until = now + defaults.END_HOLD_S if self._at_end_word else math.inf
            self._reader_off_at = now if self._at_end_word else None

    def _wait_for_ask(self) -> None:
        """A block went, and the control asks for the next one, unless it has: a wait, and no hold of the control's."""
        asked, self._asked_early = self._asked_early, False
        if asked:
            return
        self._control_holds, self.phase = True, Phase.HELD
        self._at_end_word = self.handed_over >= self._shape.end_out and not self._send.drip_feed

    def _note_anew(self, now: float) -> None:
        """A DC1 that ends no hold: after RESET, which says nothing, and READ the control reads the rest alone."""
        left = self.handed_over - self.clock.in_front(now)
        if self._control_holds:
            self._anew_from = self.handed_over + _SAID_TWICE_CHARS
        elif self.phase is Phase.RUNNING and not self._asked and left > self._anew_from:
            self._anew_at, self._anew_times = self._anew_at or left, self._anew_times + 1

    def _going(self, now: float) -> None:
        self._control_holds = False
        self._asked_early = self._asked and self.phase is Phase.RUNNING and self._in_block_end
        if not self._suspended:
            self._go_on(now)
        self._hold_until, self._reader_off_at = -math.inf, None

    def _hold(self, now: float) -> None:
        self.phase = Phase.HELD
        self._begin_hold(now)

    def _go_on(self, now: float) -> None:
        if self.phase is Phase.HELD and not self._awaits_answer:
            self._end_hold(now)
            self.phase = Phase.RUNNING
            self._moved_at = now

    @property
    def _awaits_answer(self) -> bool:
        """Whether all is said before the program, and the control has not answered it."""
        return self.phase is Phase.HELD and self.answer.due and self.handed_over >= self._shape.answer_at

    @property
    def _in_block_end(self) -> bool:
        """Whether a block end was begun and is not whole: a control that reads its first characters may ask already."""
        at = self._taken - self._base
        return any(self._image.endswith(self._ends[:length], 0, at) for length in range(1, len(self._ends)))

    # --- handing over --------------------------------------------------------------------------------------------

    def allowed(self, now: float, *, behind: bool = False) -> bytes:
        """The characters that may go to the port now; b"" when none may. behind: the loop is short of time,
        and smaller pieces would give it more still."""
        if self.phase is not Phase.RUNNING or now < self._not_before:
            return b""
        in_front = self.clock.in_front(now)
        if in_front > self._refill_early:
            return b""
        if not in_front and self.handed_over:  # the wake-up came too late, and the line stood still
            self._refill_at(self._refill_least if behind else min(self._refill_chars + 1, self._refill_most))
        elif self._punctual >= defaults.PUNCTUAL_REFILLS:
            self._refill_at(self._refill_chars - 1)
        self._punctual += self._refill_chars > self._refill_least
        at = self._taken - self._base
        part = self._image[at : at + self._ahead - in_front]
        return self._up_to_pause(part) if self._paced else part

    def _refill_at(self, chars: int) -> None:
        """How many characters should still be in front when more are handed over: as few as late wake-ups allow, for each
        piece costs the processor something. A wake-up that comes with others, a little early, counts."""
        self._refill_chars, self._punctual = max(chars, self._refill_least), 0
        char_s = self.clock.char_s
        self._refill_s = self._refill_chars * char_s
        self._refill_early = min(self._ahead - 1, self._refill_chars + math.ceil(defaults.LOOP_SLACK_S / char_s))

    def _up_to_pause(self, part: bytes) -> bytes:
        """What may go before the next pause, or the wait for an answer, begins."""
        if self.answer.due:
            part = part[: self._shape.answer_at - self.handed_over]
        if self._send.after_char_s > 0:
            return part[:1]
        at = self._taken - self._base
        found = self._image.find(self._ends, max(0, at - len(self._ends) + 1), at + len(part))
        return part if found < 0 else part[: found + len(self._ends) - at]

    def wrote(self, chars: int, offered: int, now_after: float) -> None:
        """The port took `chars` of the `offered` characters; `now_after` is read after the write returned."""
        if chars:
            self.clock.wrote(chars, now_after)
            if not self._echo.off and (
                self._echoes or not self.answer.due
            ):  # else what comes is an answer, however like
                at = self._taken - self._base
                self._echo.went(self._image[at : at + chars])
            self._taken += chars
            self.handed_over += chars
            self._moved_at = now_after
            if self._echoes and self._echo.silent:
                what = "nothing comes back of a control that echoes; look at the cable and at line.echoes"
                self.stop(what, now_after)
                return
        if chars < offered:  # a full port: asked again when a few characters could have left
            self._not_before = now_after + 4 * self.clock.char_s
        elif self._paced and chars:
            after_block = self._image.endswith(self._ends, 0, self._taken - self._base)
            pause = max(self._send.after_char_s, self._send.after_block_s if after_block else 0.0)
            self._not_before = self.clock.busy_until + pause if pause else 0.0
            if self.answer.due and self.handed_over == self._shape.answer_at:
                self.phase = Phase.HELD
            elif self._asked and after_block and self.handed_over < self._shape.wire_out:
                self._wait_for_ask()
        if self.handed_over >= self.total:
            self.phase = Phase.ENDING

    def port_holds(self, outgoing: int, now: float) -> None:
        """The port tells how many characters it still holds: corrects a clock that is off."""
        self.clock.correct(outgoing, now)

    def next_due(self) -> float | None:
        """When `tick` or `allowed` should be called next, if nothing comes before; None: only an event can help."""
        match self.phase:
            case Phase.RUNNING:
                if self._taken < self._known:
                    return max(self.clock.busy_until - self._refill_s, self._not_before)
                return self._stall_due(self._moved_at)
            case Phase.HELD if self._awaits_answer:
                return self._since + self._send.wait_s
            case Phase.HELD:
                soon = self._stopped_for_good or self._echoed_stop
                return self._since + defaults.END_HOLD_S if soon else self._stall_due(self._since)
            case Phase.ENDING:
                return self._ends_at
            case Phase.OVER:
                return None

    @property
    def _since(self) -> float:
        return self._moved_at if self.held_since is None else self.held_since

    @property
    def _stopped_for_good(self) -> bool:
        """Whether the hold that is open is a stop at the end word."""
        return self._control_holds and self._at_end_word and not self._suspended

    @property
    def _ends_at(self) -> float:
        """When all has left the line, and come back where the settings say that the control echoes."""
        waits = self._echoes and not self._echo.whole
        return self.clock.busy_until + (defaults.ECHO_S if waits else 0.0)

    def _echo_notes(self) -> tuple[str, ...]:
        echo, all_of = self._echo, self.handed_over
        if not self._echoes:
            return (_SET_ECHOES,) if echo.sure else ()
        if echo.whole:
            return (f"echo: all {echo.came} characters came back as they went",)
        return (f"echo: {echo.came} of {all_of} characters came back as they went, and then none",)

    def _stall_due(self, since: float) -> float | None:
        return None if self._send.drip_feed else since + self._send.stall_s

    def tick(self, now: float) -> None:
        """Moves what only time moves: the end of the line, and stalls."""
        if self.phase is Phase.ENDING and now >= self._ends_at:
            self._finish(Result.SENT, "", now)
        elif self._awaits_answer:
            if now - self._since >= self._send.wait_s:
                self.stop(f"no {self._send.wait_for} came within wait_s = {self._send.wait_s:g} s", now)
        elif self.phase is Phase.HELD and self._echoed_stop and now - self._since >= defaults.END_HOLD_S:
            what = "what came as a stop is the control's echo of a character that went out, such as the digit 3 of EIA code"
            self.stop(f"{what}: {_SET_ECHOES}", now)
        elif self.phase is Phase.HELD and self._stopped_for_good:
            if now - self._since >= defaults.END_HOLD_S:
                self._reader_off_at = self._since
                word, left = self._shape.end_word, self.total - self.handed_over
                what = f"the control stopped reading at {word}: the {left} characters behind it were not sent"
                self._finish(Result.SENT, "", now, (what,))
        elif self.phase in (Phase.RUNNING, Phase.HELD) and now >= (self._stall_due(self._since) or math.inf):
            holder = "control" if self._control_holds else "device server"
            holds = "asked for no block" if self._asked and self._control_holds else "held the line"
            who = f"the {holder} {holds}" if self.phase is Phase.HELD else "the port took no characters"
            self._finish(Result.INTERRUPTED, f"{who} for longer than stall_s = {self._send.stall_s:g} s", now)

    def stop(self, reason: str, now: float) -> None:
        """Ends the sending at once, for a reason that is a sentence."""
        if self.phase is not Phase.OVER:
            self._finish(Result.INTERRUPTED, reason, now)

    def has_left(self, now: float) -> bool:
        return self.phase is Phase.ENDING and now >= self.clock.busy_until

    def _finish(self, result: Result, reason: str, now: float, notes: tuple[str, ...] = ()) -> None:
        off, hold_until = self._reader_off_at, self._hold_until
        for_good = self.phase is Phase.HELD and result is Result.SENT  # at the end word: what it says next ends no hold
        if self.phase is Phase.HELD and self._control_holds and not for_good:
            hold_until = math.inf
        elif self._asked and result is Result.SENT:
            hold_until = max(hold_until, now + defaults.HOLD_AFTER_END_S)  # an ask behind the last block starts nothing
        elif off is not None:
            hold_until = max(hold_until, off + defaults.HOLD_AFTER_END_S)
        self._end_hold(now)
        self.phase = Phase.OVER
        spent = (self.clock.busy_until if result is Result.SENT else now) - self._begun_at
        self.outcome = Outcome(
            result,
            reason,
            self.handed_over,
            self.holds,
            self.held_s,
            spent,
            hold_until,
            off,
            notes + self._echo_notes(),
            b"" if for_good or (self._echoes and result is Result.SENT) else self._echo.tail,  # it was waited for
            self._anew_at if self._anew_times < _A_HABIT else 0,
        )
