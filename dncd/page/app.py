"""The page as a Starlette application: which path shows what, who may, and what a form does.

Pages are made in threads, for they read records; news go out in the event loop.
"""

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import (
    HTMLResponse,
    JSONResponse,
    PlainTextResponse,
    RedirectResponse,
    Response,
    StreamingResponse,
)
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Receive, Scope, Send

from dncd.errors import DncdError, NoServiceError, NotDoneError, UsageError
from dncd.outside.command_client import PAGE
from dncd.outside.threads import Thread
from dncd.page import boxes, pages, rendering
from dncd.page.asking import WAYS, Asking, Wish
from dncd.page.door import LOCAL, Access, Door, RefusedError, SignOnError, filled_in, language
from dncd.page.feed import FLOOR, Feed, told_first
from dncd.page.guard import Guard, own
from dncd.page.reading import Looks, Reading
from dncd.page.rendering import render
from dncd.page.sessions import Session, is_of

_STATUS: Final = {UsageError.code: 404, NotDoneError.code: 409, NoServiceError.code: 503, "refused": 403}
_AT_ONCE: Final = 4
_OF_ONE: Final = 2
"""Pages that are made at once, in all and for one person; a search over all texts must not keep the others waiting."""

_DEEDS: Final = 12
_DEEDS_OF_ONE: Final = 4
_DEED_S: Final = 40.0
"""What is done at once, in all and for one person, as many as the service hears; seconds: more than all its answers take."""

_NOT_KNOWN: Final = (
    "the service, or the records, take too long, and nobody knows whether it was done",
    "the page",
    "Look at the machine and at its ledger before you ask again",
)

_NOT_ASKED: Final = (
    "it was not asked: as much of what you asked for before is still being done as one person may have at once",
    "the page",
    "Look at the machine, and ask again in a moment",
)

_EVENTS: Final = "text/event-stream"

LOOK_S: Final = 10.0
"""Seconds in which a page must be made: more than a search takes, less than people wait."""


class Page:
    """Everything behind the paths. For the event loop; state, folder: as the settings have them; far: other boxes, and what
    is believed of their certificates."""

    def __init__(
        self,
        state: Path,
        folder: Path,
        access: Access,
        clock: Callable[[], float] = time.monotonic,
        far: tuple[Sequence[boxes.Box], str] = ((), ""),
    ) -> None:
        self.door = Door(state, access, clock)
        socket = state / PAGE
        self.reading = Reading(state, folder)
        self.feed, self._asking = Feed(socket, self.reading), Asking(socket, lambda: self.feed.status, self.reading)
        self.boxes = boxes.Boxes(*far, clock)
        self.boxes.told = lambda: self.feed.tell_boxes(self.boxes.shown())
        self._made = Looks(_AT_ONCE, LOOK_S, share=_OF_ONE).done
        deeds = partial(Looks, _DEEDS, _DEED_S, _NOT_KNOWN, _DEEDS_OF_ONE, _NOT_ASKED)
        self._deeds, self._stops = deeds().done, deeds().done  # a stop never stands behind drops that hang

    async def run(self) -> None:
        """Follows the service and the other boxes for ever."""
        await asyncio.gather(self.feed.run(), self.boxes.run())

    def app(self) -> ASGIApp:
        routes = [
            *(Route(path, partial(self._show, show)) for path, show in pages.PAGES.items()),
            *(
                Route(f"/machine/{{machine}}/{kind}", partial(self._show, partial(pages.ask, kind=kind), kind=kind))
                for kind in (*rendering.ACTIONS, "first")
            ),
            *(Route(f"/machine/{{machine}}/{kind}", partial(self._do, kind), methods=["POST"]) for kind in WAYS),
            Route("/machine/{machine}/done", self._done),
            Route("/verify", self._verify, methods=["POST"]),
            Route("/news", self._news),
            Route("/status.json", self._status),
            Route("/sign-on", self.door.sign_on, methods=["GET", "POST"]),
            Route("/join/{code}", self.door.join, methods=["GET", "POST"]),
            Route("/sign-off", self._sign_off, methods=["POST"]),
            Mount("/static", StaticFiles(packages=[("dncd.page", "static")])),
        ]
        handlers: Mapping[Any, Any] = {DncdError: self._wrong, HTTPException: self._wrong, SignOnError: _to_sign_on}
        made = Starlette(routes=routes, exception_handlers=handlers)
        access = self.door.access
        return Guard(made, access.hosts, secure=access.secure, proxies=access.proxies)

    # --- looking -----------------------------------------------------------------------------------------------------

    async def _show(self, show: Callable[[pages.Look], str], request: Request, kind: str = "") -> Response:
        """kind: what the page would do, "" for one to be read."""
        session = await self.door.session(request)
        _allowed(session, kind)
        look = self._look(request, session)
        if request.url.path == "/" and session.person.machine:
            return RedirectResponse(f"/machine/{session.person.machine}", 303)
        return self._given(request, session, await self._made(partial(show, look), _whose(session, request)))

    def _look(self, request: Request, session: Session, form: Mapping[str, str] | None = None) -> pages.Look:
        """RefusedError where this one may not look there."""
        bound, place, path = session.person.machine, request.path_params, request.url.path
        seen = request.query_params.get("on") if path == "/news" else place.get("machine")
        if bound and seen != bound and path != "/":
            next_step = "Join it at the other one's door as well" if seen else "Go back to the machine"
            raise RefusedError("this phone sees one machine alone", bound, next_step)
        asked = dict(request.query_params) if form is None else form
        values = {
            "language": language(request),
            "csrf": session.csrf,
            "who": "" if session.person == LOCAL else session.person.name,
            "may": session.person.may,
            "alone": bound,
            "boxes": self.boxes.shown() if path == "/" else (),
        }
        return pages.Look(
            self.reading, self.feed.status, place, asked, datetime.now().astimezone(), values, self._asking.look
        )

    def _given(self, request: Request, session: Session, html: str, status: int = 200) -> Response:
        response = self.door.pass_on(HTMLResponse(html, status), session)
        if (chosen := request.query_params.get("language")) in rendering.LANGUAGES:
            response.set_cookie("language", str(chosen), max_age=31_536_000, samesite="strict", httponly=True)
        return response

    async def _status(self, request: Request) -> Response:
        """For the page of another box."""
        if (status := await self.door.box(request)) != 200:
            return PlainTextResponse("", status, {"www-authenticate": "Bearer"} if status == 401 else None)
        return JSONResponse(boxes.told_to_others(self.feed.status, self.reading.known))

    async def _news(self, request: Request) -> Response:
        session, asked = await self.door.session(request), request.query_params
        self._look(request, session)
        to = language(request), _whose(session, request)
        try:
            listener = self.feed.listen(asked.get("on", FLOOR), *to, asked.get("there", ""), session.person.may)
        except NotDoneError as error:  # in the place of what is wrong with the service
            return StreamingResponse(iter([b"retry: 60000\n\n", told_first(str(error), to[0])]), media_type=_EVENTS)

        async def events() -> AsyncIterator[bytes]:
            yield b"retry: 2000\n\n"
            while (told := await listener.news()) and await self.door.goes_on(session):
                yield told

        return _News(events(), partial(self.feed.leave, listener))

    # --- doing -------------------------------------------------------------------------------------------------------

    async def _do(self, kind: str, request: Request) -> Response:
        session, form, data = await self._form(request, kind)
        self._look(request, session, form)
        whose = _whose(session, request)
        name = form.get("by", "").strip() if session.person == LOCAL else ""
        wish = Wish(request.path_params["machine"], name or session.person.name, form, data)
        try:
            threads = self._stops if kind == "stop" else self._deeds
            done, problem = await threads(partial(WAYS[kind], self._asking, wish), whose), ""
        except DncdError as error:
            done, problem = None, str(error)
        where = f"/machine/{quote(wish.machine)}/done?of={session.keep((wish.machine, done, problem))}"
        return self.door.pass_on(RedirectResponse(where, 303), session)  # to load that once more does nothing once more

    async def _done(self, request: Request) -> Response:
        """What a deed came to."""
        session, machine = await self.door.session(request), request.path_params["machine"]
        look = self._look(request, session)
        of, done, problem = session.results.get(request.query_params.get("of", ""), ("", None, ""))
        if of != machine:
            what, next_step = "what was done is not kept any more", "Look at the machine and at its ledger"
            raise NotDoneError(what, machine, next_step)
        try:
            board = await self._made(look.board, _whose(session, request))
        except NotDoneError:  # it is done all the same, and nobody must press twice
            board = look.board_of(self.reading.known, self.feed.status.get("machines") or {machine: {}})
        html = look.page("done.html", board=board, done=done, problem=problem)
        return self._given(request, session, html, 409 if problem else 200)

    async def _form(self, request: Request, kind: str = "") -> tuple[Session, dict[str, str], bytes]:
        """What was filled in, and a file's contents. RefusedError where it came from another site's page, or is not for this
        one. kind: what is to be done, "" for what everybody may."""
        if not own(request.headers, secure=self.door.access.secure):
            raise RefusedError(
                "this form came from somewhere else", "the page", "Open the page itself and try again there"
            )
        session = await self.door.session(request)
        form, data = filled_in(request.headers.get("content-type", ""), await request.body())
        if not is_of(session, form.get("csrf", "")):
            raise RefusedError(
                "this form is of an older visit", "the page", "Go back, load the page again, and try once more"
            )
        _allowed(session, kind)
        return session, form, data

    async def _verify(self, request: Request) -> Response:
        await self._form(request, "verify")
        self.reading.verifying = self.reading.verifying or (datetime.now().astimezone(),)
        Thread("verify", self.reading.verify).start()
        return RedirectResponse("/verify", 303)

    async def _sign_off(self, request: Request) -> Response:
        session, _, _ = await self._form(request)
        self.door.sessions.end(session)
        response = RedirectResponse("/sign-on", 303)
        response.headers["clear-site-data"] = '"cache", "storage"'  # "cookies" are those of the whole shop's domain
        response.delete_cookie(self.door.access.cookie, path="/", secure=self.door.access.secure, samesite="strict")
        return response

    async def _wrong(self, request: Request, error: Exception) -> Response:
        """In plain words, with the way back; whoever sees one machine alone is led to no other page."""
        session = self.door.sessions.of(request.cookies.get(self.door.access.cookie, ""))
        bound = session.person.machine if session else ""
        if isinstance(error, HTTPException):
            status = error.status_code
            what = error.detail if status == 413 else "there is no such page"
            said = what, request.url.path[:80], "Go back to the machine" if bound else "Go back to the floor"
        else:
            assert isinstance(error, DncdError)  # noqa: S101 - as the table of handlers has it
            status, said = _STATUS.get(error.code, 500), (error.what, error.where, error.next_step)
        given = dict(zip(("what", "where", "next_step"), said, strict=True))
        return HTMLResponse(render("error.html", language=language(request), alone=bound, **given), status)


def _whose(session: Session, request: Request) -> str:
    """Whose share what is asked for takes: the person's, or that of an address where nobody signs on."""
    return session.person.name if session.person != LOCAL else f"at {request.client.host if request.client else ''}"


def _allowed(session: Session, kind: str) -> None:
    """RefusedError where whoever is signed on has not this among what his role may do."""
    if kind and kind not in session.person.may:
        what, next_step = f"{session.person.name} may not do that here", "Ask who keeps the page for another role"
        if bound := session.person.machine:
            what = f"this phone brings programs to {bound}, and does nothing else"
            raise RefusedError(what, "", "For that sign on with a name of your own, or ask somebody who has one")
        raise RefusedError(what, kind, next_step)


class _News(StreamingResponse):
    """A stream of news, which says when its page has gone, however that came."""

    def __init__(self, events: AsyncIterator[bytes], gone: Callable[[], None]) -> None:
        super().__init__(events, media_type=_EVENTS, headers={"x-accel-buffering": "no"})
        self._gone = gone

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._gone()


async def _to_sign_on(request: Request, _: Exception) -> Response:
    if request.url.path == "/news" or request.method != "GET":
        return Response(status_code=401)
    return RedirectResponse("/sign-on", 303)
