"""What goes out over one line: dropped files are checked, wait, start, are sent and told.

The first file in line is prepared while it waits, so that its start needs only the records' word (the revision and the
plan of this sending are durable) before the first character goes out.
"""

from collections.abc import Callable
from dataclasses import dataclass

from dncd import defaults
from dncd.choices import ModemLine, Protocol, StartOn
from dncd.errors import NotDoneError
from dncd.line.codes import ReaderCode
from dncd.line.sending import Sending
from dncd.line.starting import Starts
from dncd.line.xmodem_sending import XmodemSending
from dncd.outside.folders import Entry
from dncd.outside.loop import Owner
from dncd.outside.workers import Workers
from dncd.ports.port import Port
from dncd.records.problems import Problem
from dncd.station.offers import Offer, Offers, Stage
from dncd.station.outgoing_papers import OutgoingPapers
from dncd.station.papers import Begun, Checked, Gone, Heard, Image, Prepared, Told
from dncd.values import NO_FAULTS, Counters, MachineSettings, Modem, Signal

_POLL_MODEM_S = 0.005
"""Seconds between looks at CTS or DSR while the control holds a sending: five characters at 9600 baud."""

_SETTLE_S = 0.01
"""Seconds between looks whether a device server has acknowledged the last characters."""

_ASK_OUTGOING_EVERY = 8
"""Writes between two questions to the port about how much it still holds."""


@dataclass(slots=True)
class Run:
    """A sending under way. begun: what the records know of it, once they do."""

    offer: Offer
    checked: Checked
    prepared: Prepared
    sending: Sending | XmodemSending
    image: Image
    begun: Begun | None = None
    fetching: bool = False
    writes: int = 0
    counted: Counters = NO_FAULTS
    unsettled: bool = False


class Outgoing:
    """The sending half of a station."""

    def __init__(
        self,
        settings: MachineSettings,
        paper: OutgoingPapers,
        hands: Workers,
        owner: Owner,
        *,
        wake: Callable[[], None],
        told: Callable[[Told], None],
        trouble: Callable[[str, Exception], None],
    ) -> None:
        self.settings, self.offers, self.starts = (
            settings,
            Offers(),
            Starts(settings.send, settings.line.protocol, settings.line.flow),
        )
        self.run: Run | None = None
        self.line_warnings: tuple[str, ...] = ()  # what the port's opening found, for receipts
        self._paper, self._hands, self._owner = paper, hands, owner
        self._wake, self._told, self._trouble = wake, told, trouble
        self._retries: list[tuple[float, Callable[[], None]]] = []
        self._polls_modem = settings.line.flow.stop_line is not ModemLine.NONE
        self._endings = 0  # endings that are not on record yet

    # --- the folder ------------------------------------------------------------------------------------------------

    def look(self, entries: tuple[Entry, ...], now: float) -> None:
        """A new listing of to-machine/."""
        changes = self.offers.look(entries, now, defaults.QUEUE_FILES)
        for prepared in changes.stale:
            self._put_away(prepared)
        for offer in changes.gone:
            if offer.checked is not None:
                self._withdrawn_by_hand(offer, offer.checked)
        for offer in changes.check:
            self._check(offer)

    def _check(self, offer: Offer) -> None:
        looks = offer.looks

        def checked(result: Checked | Gone) -> None:
            if offer.looks != looks or offer.stage is not Stage.CHECKING:
                return  # it changed meanwhile and is being looked at anew, or it is gone
            if isinstance(result, Gone):
                self.offers.drop(offer)
            elif result.refusals:
                offer.stage = Stage.TAKEN
                ending = self._paper.new_id()
                self._end(offer, lambda: self._paper.refuse(ending, offer.name, result))
            else:
                offer.checked, offer.stage = result, Stage.READY
                self._wake()

        self._hands.checks.do(
            lambda: self._paper.check(offer.name), checked, lambda e: self._again(offer, e), self._owner
        )

    def _again(self, offer: Offer, error: Exception) -> None:
        """A check or preparation failed: the file is forgotten, so that the next look takes it up again."""
        self._trouble(f"{offer.name} could not be read", error)
        if offer.stage is not Stage.TAKEN:
            self.offers.drop(offer)

    def _withdrawn_by_hand(self, offer: Offer, checked: Checked) -> None:
        offer.stage = Stage.TAKEN
        ending = self._paper.new_id()
        self._end(offer, lambda: self._paper.withdrawn_by_hand(ending, offer.name, checked))

    def _end(self, offer: Offer, job: Callable[[], Told], tries: int = 0) -> None:
        """Puts an ending on record; a disk that fails is tried again, for ever and ever slower."""

        self._endings += 0 if tries else 1

        def ended(told: Told) -> None:
            self._endings -= 1
            if offer.prepared is not None:
                self._put_away(offer.prepared)
            self.offers.drop(offer)
            self._told(told)

        def failed(error: Exception) -> None:
            self._trouble(f"the end of {offer.name} could not be put on record", error)
            self._retries.append(
                (self._hands.loop.now() + min(30.0, 2.0**tries), lambda: self._end(offer, job, tries + 1))
            )

        self._hands.records.do(job, ended, failed, self._owner)

    def _put_away(self, prepared: Prepared) -> None:
        """Removes the copy and the image of a file that is not sent from them (any more)."""
        self._hands.checks.do(lambda: self._paper.put_away(prepared), lambda _: None, lambda _: None, self._owner)

    def close(self) -> None:
        """The station ends for good: what is still being looked at is left to the next one."""
        for offer in self.offers:
            if offer.prepared is not None and offer.stage is not Stage.TAKEN:
                self._put_away(offer.prepared)
            offer.stage = Stage.TAKEN

    @property
    def busy(self) -> bool:
        """Whether a sending or an ending is not on record yet."""
        return self.run is not None or self._endings > 0

    @property
    def blocked(self) -> Problem | None:
        """Why nothing is sent to this machine at all; None where all is well."""
        return self._paper.blocked

    def block_now(self) -> str:
        """The block that is being handed over, as text; "" without a sending."""
        return self._paper.text_of(self.run.sending.block_now()) if self.run is not None else ""

    # --- starting ----------------------------------------------------------------------------------------------------

    def said(self, code: ReaderCode, now: float) -> None:
        """The control said DC1 or DC3 while nothing was being sent."""
        self.starts.said(code, now)

    def go(self) -> str:
        """Somebody says go; gives the file that starts. NotDoneError when nothing waits for it."""
        first = self.offers.first()
        if self.settings.send.start_on is not StartOn.GO:
            raise NotDoneError(
                f"no program waits for a go here; each waits for {self.starts.wish()}",
                self.settings.name,
                'Start it there, or set `send.start_on = "go"` for this machine',
            )
        if (blocked := self.blocked) is not None:
            raise NotDoneError(blocked.what, blocked.where, blocked.next_step)
        if first is None or not first.waits or self.run is not None:
            raise NotDoneError(
                "nothing waits for a go", self.settings.name, "Drop a program into its to-machine folder"
            )
        self.starts.go()
        return first.name

    def send_all_the_same(self, wish: str, sha256: str) -> None:
        """Somebody wants the file of this SHA-256 sent: `over-edits` of the operator, or `to-prove`, not proven yet."""
        (self._paper.to_prove if wish == "to-prove" else self._paper.over_edits).add(sha256)

    def withdraw(self, name: str) -> str:
        """Takes back the waiting file `name` (the first one if ""), or stops what is being sent; gives its name."""
        run = self.run
        if run is not None and name in ("", run.offer.name):
            run.sending.stop("withdrawn at a keyboard while it was being sent", self._hands.loop.now())
            return run.offer.name
        offer = self.offers.get(name) if name else self.offers.first()
        if offer is None or not offer.waits or offer.checked is None:
            raise NotDoneError(
                f"{name} does not wait" if name else "nothing waits and nothing is being sent",
                self.settings.name,
                "Look at `dncd status` for what waits",
            )
        checked = offer.checked
        offer.stage = Stage.TAKEN
        ending = self._paper.new_id()
        self._end(offer, lambda: self._paper.withdraw(ending, offer.name, checked))
        return offer.name

    def consider(self, now: float, line_is_free: bool) -> None:
        """Prepares the first in line, and starts it when its start has come and the line is free."""
        for due, retry in [r for r in self._retries if r[0] <= now]:
            self._retries.remove((due, retry))
            retry()
        offer = self.offers.first()
        if offer is None or self.run is not None or self._paper.blocked is not None:
            return
        if offer.stage is Stage.READY and offer.checked is not None:
            self._prepare(offer, offer.checked)
        elif (
            offer.stage is Stage.PREPARED
            and line_is_free
            and offer.prepared is not None
            and offer.checked is not None
            and self.starts.allows(offer.came_at, now)
        ):
            self._start(offer, offer.checked, offer.prepared, now)

    def _prepare(self, offer: Offer, checked: Checked) -> None:
        offer.stage = Stage.PREPARING
        looks = offer.looks

        def prepared(result: Prepared | Gone) -> None:
            if offer.looks != looks or offer.stage is not Stage.PREPARING:
                if isinstance(result, Prepared):
                    self._put_away(result)
                return
            if isinstance(result, Gone):  # gone or edited since: the next look at the folder tells which
                offer.stage = Stage.READY
                self._check_again_later(offer)
            else:
                offer.prepared, offer.stage = result, Stage.PREPARED
                self._wake()

        self._hands.checks.do(
            lambda: self._paper.prepare(offer.name, checked),
            prepared,
            lambda error: self._again(offer, error),
            self._owner,
        )

    def _check_again_later(self, offer: Offer) -> None:
        offer.stage = Stage.SETTLING
        offer.forget_look()

    def _start(self, offer: Offer, checked: Checked, prepared: Prepared, now: float) -> None:
        offer.stage = Stage.TAKEN
        sending = self._sending(prepared, now)
        self.starts.sending_began()
        run = self.run = Run(offer, checked, prepared, sending, Image(prepared))

        def begun(result: Begun | Gone | Checked) -> None:
            if isinstance(result, Checked):  # the operator punched out an edit since the check
                self.run = None
                ending = self._paper.new_id()
                self._end(offer, lambda: self._paper.refuse(ending, offer.name, result))
                return
            if isinstance(result, Gone):
                self.run = None
                offer.stage = Stage.SETTLING  # the next look at the folder says whether it was withdrawn or edited
                offer.forget_look()
                return
            run.begun = result
            self._fetch(run)
            self._wake()

        def failed(error: Exception) -> None:
            self._trouble(f"{offer.name} could not be begun, so nothing was sent", error)
            self.run = None
            offer.stage = Stage.PREPARED

        self._hands.records.do(lambda: self._paper.begin(offer.name, checked, prepared), begun, failed, self._owner)

    def _sending(self, prepared: Prepared, now: float) -> Sending | XmodemSending:
        line, send = self.settings.line, self.settings.send
        if line.protocol is Protocol.PLAIN:
            return Sending(line, send, prepared.total_chars, now, prepared.shape)
        wish = self.starts.wish_at_hand(now)
        return XmodemSending(line, send, prepared.total_chars, now, prepared.shape, wish=wish)

    # --- sending -----------------------------------------------------------------------------------------------------

    def _fetch(self, run: Run) -> None:
        """Asks for the next piece of the image; small images are in memory and come at once."""
        if run.fetching or not run.sending.wants_supply():
            return
        if (piece := run.image.at_hand()) is not None:
            run.sending.supply(piece)
            return
        run.fetching = True

        def fetched(piece: bytes) -> None:
            run.fetching = False
            run.sending.supply(piece)
            self._wake()

        def failed(error: Exception) -> None:
            run.fetching = False
            run.sending.stop(f"the tape image could not be read: {error}", self._hands.loop.now())

        self._hands.supply.do(run.image.next_piece, fetched, failed, self._owner)

    def feed(self, data: bytes, now: float, counted: Counters = NO_FAULTS) -> None:
        """Characters that came from the control while dncd sends; counted: faults of theirs."""
        if self.run is not None:
            self.run.sending.feed(data, now)
            self.run.counted += counted

    def gate(self, modem: Modem, now: float) -> None:
        """The modem lines, for a sending under hardware flow."""
        if self.run is not None:
            signal = modem.of(self.settings.line.flow.stop_line)
            self.run.sending.gate(signal is Signal.ON, now)  # what a device server has not told yet counts as off

    def pump(self, port: Port, now: float) -> None:
        """Hands over what may be handed over now. Input must have been read just before."""
        run = self.run
        if run is None or run.begun is None:
            return
        sending = run.sending
        if part := sending.allowed(now):
            taken = port.write(part)
            now = self._hands.loop.now()
            sending.wrote(taken, len(part), now)
            run.writes += 1
            if run.writes % _ASK_OUTGOING_EVERY == 0 and (outgoing := port.outgoing()) is not None:
                sending.port_holds(outgoing, now)
            if sending.wants_supply():
                self._fetch(run)
        run.unsettled = sending.has_left(now) and not port.settled()
        if not run.unsettled:
            sending.tick(now)
        elif not self.settings.send.drip_feed and now - sending.clock.busy_until >= self.settings.send.stall_s:
            sending.stop("the device server did not take the last characters within stall_s", now)
        if sending.outcome is not None and (words := sending.last_words()):
            port.write(words)

    def retry_due(self) -> float | None:
        """When an ending that could not be put on record is tried again."""
        return min((due for due, _ in self._retries), default=None)

    def sending_due(self, now: float) -> float | None:
        """When `pump` should be called next; None without a sending, or when only an event can help."""
        run = self.run
        if run is None or run.begun is None:
            return None
        due = now + _SETTLE_S if run.unsettled else run.sending.next_due()
        still = due is None or run.sending.held_since is not None  # only the modem lines can help
        if self._polls_modem and still and run.sending.outcome is None:
            return now + _POLL_MODEM_S if due is None else min(due, now + _POLL_MODEM_S)
        return due

    def finish_if_over(self) -> None:
        """Puts a sending that is over on record."""
        run = self.run
        if run is None or run.sending.outcome is None or run.begun is None:
            return
        outcome, begun = run.sending.outcome, run.begun
        self.run = None
        self.starts.sending_ended(self._hands.loop.now(), outcome.hold_open, outcome.reader_off_at)
        heard = Heard(bytes(run.sending.strays), run.counted, self.line_warnings)
        self._end(run.offer, lambda: self._paper.end(begun, outcome, heard))

    def stop(self, reason: str, now: float) -> None:
        """The service or the port ends: a sending in progress is interrupted."""
        if self.run is not None:
            self.run.sending.stop(reason, now)
