"""Machines of other boxes, to be looked at: their pages are asked for their status every few seconds, by TLS with a token.

What comes is another computer's word: it is bounded, taken apart as any status is, and nothing on it can be asked for.
"""

import asyncio
import http.client
import json
import ssl
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any, Final

from dncd.errors import DncdError, NotDoneError
from dncd.outside.config_page import box
from dncd.page.reading import Looks
from dncd.page.rendering import box_parts
from dncd.page.views import floor
from dncd.page.views.machine import board
from dncd.records.holdings import Holdings
from dncd.records.ledger import utc_now, utc_text
from dncd.values import PageSettings

LOOK_S: Final = 5.0
"""Seconds between two looks at a box."""

OLD_S: Final = 15.0
"""Seconds after which news are too old to be shown as what is."""

_ANSWER_S: Final = 4.0
_MOST_BYTES: Final = 2_000_000
_MOST_MACHINES: Final = 256
_MOST_CHARS: Final = 500
_MOST_OF_ONE: Final = 40
"""Of an answer; of one text in it, which a card shows whole; parts of one of its lists or objects."""


@dataclass(slots=True)
class Box:
    """Another box. found: what it said last; heard_at: by the clock of `Boxes`; heard: UTC, "" for none; problem: of now."""

    name: str
    host: str
    port: int
    token: str
    found: Mapping[str, Any] = field(default_factory=dict)
    heard_at: float = 0.0
    heard: str = ""
    problem: str = ""


class Boxes:
    """For the page's event loop. ca: a file of PEM, "" for what this system believes; told: called after each look."""

    def __init__(self, boxes: Sequence[Box], ca: str, clock: Callable[[], float] = time.monotonic) -> None:
        self._boxes, self._ca, self._clock = boxes, ca, clock
        self.told: Callable[[], None] = lambda: None

    async def run(self) -> None:
        await asyncio.gather(*map(self._follow, self._boxes))

    def shown(self) -> tuple[floor.Far, ...]:
        """All of them as they are to be shown now."""
        now = self._clock()
        return tuple(
            floor.far(
                each.name,
                each.found,
                heard=each.heard,
                age_s=now - each.heard_at,
                alive=not each.problem and bool(each.heard) and now - each.heard_at < OLD_S,
                problem=each.problem,
            )
            for each in self._boxes
        )

    async def _follow(self, each: Box) -> None:
        looks = Looks(1, 2 * _ANSWER_S, ("its answer takes too long", each.host, "Look at that box and the network"))
        while True:
            try:
                found = await looks.done(partial(looked_at, each, self._ca))
                each.found, each.heard, each.heard_at, each.problem = found, utc_text(utc_now()), self._clock(), ""
            except DncdError as error:
                each.problem = error.what
            except Exception as error:  # noqa: BLE001 - what another computer says must not end the looks at it
                each.problem = f"what it says is no status ({type(error).__name__})"
            self.told()
            await asyncio.sleep(LOOK_S)


def looked_at(each: Box, ca: str) -> Mapping[str, Any]:
    """What its page says, no larger than a card has room for, and tried: what cannot be shown would take the whole floor
    away. For a thread; NotDoneError as `asked`, and any error where it is no status."""
    said = asked(each, ca)["machines"]
    found = {"machines": {_cut(name): _cut(machine) for name, machine in said.items()}}
    box_parts([floor.far(each.name, found, heard="", age_s=0.0, alive=True, problem="")])
    return found


def _cut(said: Any) -> Any:
    """The beginning of each text, list and object."""
    if isinstance(said, dict):
        return {key: _cut(part) for key, part in islice(said.items(), _MOST_OF_ONE)}
    if isinstance(said, list):
        return [_cut(part) for part in said[:_MOST_OF_ONE]]
    return said[:_MOST_CHARS] if isinstance(said, str) else said


def _body(answer: http.client.HTTPResponse) -> bytes:
    """NotDoneError for one that is too long; TimeoutError for one that does not end."""
    body, until = bytearray(), time.monotonic() + _ANSWER_S
    while piece := answer.read1(65_536):
        body += piece
        if len(body) > _MOST_BYTES:
            raise NotDoneError(f"its answer is longer than {_MOST_BYTES} bytes", "its page", "Look at that box")
        if time.monotonic() > until:
            raise TimeoutError
    return bytes(body)


def asked(each: Box, ca: str) -> Mapping[str, Any]:
    """What its page says, for a thread. NotDoneError where it says nothing that holds."""
    where = f"https://{each.host}:{each.port}/"
    try:
        context = ssl.create_default_context(cafile=ca or None)
        connection = http.client.HTTPSConnection(each.host, each.port, timeout=_ANSWER_S, context=context)
        try:
            connection.request("GET", "/status.json", headers={"Authorization": f"Bearer {each.token}"})
            with connection.getresponse() as answer:  # it may have the connection to itself (http.client)
                body = _body(answer) if answer.status == 200 else b""
        finally:
            connection.close()
    except ssl.SSLCertVerificationError as error:
        what = f"its certificate does not hold: {error.verify_message}"
        raise NotDoneError(what, where, "See [page] box_ca") from None
    except (OSError, http.client.HTTPException) as error:
        what = f"it does not answer: {getattr(error, 'strerror', None) or type(error).__name__}"
        raise NotDoneError(what, where, "Look whether it is on and its page runs") from None
    if answer.status != 200:
        what = "it does not know our token" if answer.status == 401 else f"it turned us away ({answer.status})"
        raise NotDoneError(what, where, "Make a new token there: `dncd people box NAME`")
    found = json.loads(body)
    if not found["service"]:
        raise NotDoneError("its service does not answer", where, "Look at that box")
    if not isinstance(found["machines"], dict) or len(found["machines"]) > _MOST_MACHINES:
        raise ValueError("no machines")
    return {"machines": found["machines"]}


def told_to_others(status: Mapping[str, Any], held: Holdings) -> dict[str, Any]:
    """What another box's page is told of this one: a machine's status as its own page has it, and what its control holds."""
    machines = {}
    for name, machine in (status.get("machines") or {}).items():
        shown = board(name, machine, held)
        machines[name] = {**machine, "holds": shown.holds, "unsure": shown.unsure}
    return {"service": bool(status.get("service")), "machines": machines}


def of_settings(page: PageSettings) -> tuple[Box, ...]:
    """The boxes that `[page]` names, with their tokens. NotDoneError where these cannot be read, or one is missing."""
    places = [found for each in page.boxes.split() if (found := box(each)) is not None]
    if not places:
        return ()
    try:
        lines = [line.split() for line in Path(page.box_tokens).read_text("utf-8").splitlines()]
    except (OSError, ValueError) as error:
        what = f"the tokens of the other boxes cannot be read: {getattr(error, 'strerror', None) or error}"
        raise NotDoneError(
            what, page.box_tokens, "Let the page's user read it: a line NAME TOKEN for each box"
        ) from None
    tokens = {words[0]: words[1] for words in lines if len(words) == 2 and words[1].isascii()}
    missing = [name for name, _, _ in places if name not in tokens]
    if missing:
        next_step = f"Add a line `{missing[0]} TOKEN`; `dncd people box` at that box tells the token"
        raise NotDoneError(f"it has no token for {', '.join(missing)}", page.box_tokens, next_step)
    return tuple(Box(name, host, port, tokens[name]) for name, host, port in places)
