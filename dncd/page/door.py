"""Who comes in by the page: sessions, signing on, phones that join, and what a form brings."""

import asyncio
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final
from urllib.parse import parse_qsl

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dncd.errors import DncdError, NotDoneError, UsageError
from dncd.page import people
from dncd.page.guard import own
from dncd.page.people import Person, Role
from dncd.page.reading import Looks
from dncd.page.rendering import language_of, render
from dncd.page.sessions import Session, Sessions, Tries

LOCAL: Final = Person("this computer", Role.KEEPER)
"""Who sits here, where nobody is on record and the page listens on this computer alone."""

LOOK_S: Final = 5.0
"""Seconds in which the disk must say who is on record."""

BOX_S: Final = 1.0
"""Seconds between two looks of another box, at least."""

_FIELDS: Final = 50
"""Of one form."""

_SIGN_ON_BYTES: Final = 8_192
"""Of a form by which somebody signs on: it comes before anybody is known."""

_HEAD_BYTES: Final = 2_048
"""Of what stands before a field's contents: its name, or a file's."""

_SAID: Final = re.compile(r'\b(filename|name)="([^"\r\n]*)"')


_UNREAD: Final = (
    "who may use the page cannot be read just now",
    "the page",
    "Try again in a moment; whoever keeps the box: `dncd people list` says why",
)


class RefusedError(DncdError):
    """May not be done by whoever asked."""

    code = "refused"


class SignOnError(Exception):
    """Nobody is signed on in this browser, or no more."""


@dataclass(frozen=True, slots=True)
class Access:
    """hosts: names by which the page may be called; secure: by TLS; local: on this computer alone; proxies: addresses that
    are believed."""

    hosts: tuple[str, ...]
    secure: bool = False
    local: bool = True
    proxies: tuple[str, ...] = ()

    @property
    def cookie(self) -> str:
        """A name with `__Host-` is taken from this very host by TLS alone (RFC 6265bis, 4.1.3.2)."""
        return "__Host-dncd" if self.secure else "dncd"


class Door:
    """Who comes in: the sessions, and the people on record as they are now."""

    def __init__(self, state: Path, access: Access, clock: Callable[[], float]) -> None:
        self._state, self.access = state, access
        self.sessions, self.tries = Sessions(clock, self._still), Tries(clock)
        self._clock, self._looked = clock, dict[str, float]()
        self._people, self._as_of, self._hashing = people.People(), (0, 0), asyncio.Semaphore(1)
        self._looks = Looks(1, LOOK_S, _UNREAD)

    async def on_record(self) -> people.People:
        """Read anew where the file is another. NotDoneError where it cannot be read, or the disk hangs: then nobody comes
        in."""
        self._people, self._as_of = await self._looks.done(partial(self._read, self._people, self._as_of))
        return self._people

    def _read(self, known: people.People, as_of: tuple[int, int]) -> tuple[people.People, tuple[int, int]]:
        try:
            found = people.file_of(self._state).stat()
            now = found.st_mtime_ns, found.st_ino
            return (known if now == as_of else people.read(self._state)), now
        except FileNotFoundError:
            return people.People(), (0, 0)
        except (OSError, NotDoneError):  # where it lies is nobody's business who is not signed on
            raise NotDoneError(*_UNREAD) from None

    async def goes_on(self, session: Session) -> bool:
        """Whether news may go on. While the disk hangs they do, by who was on record last."""
        try:
            await self.on_record()
        except NotDoneError:
            if not self._looks.full:
                return False
        return self.sessions.of(session.id) is not None

    def _still(self, person: Person) -> bool:
        """By what was read last: each request reads it first."""
        every = self._people
        return self._is_open(every) if person == LOCAL else every.named(person.name) == person

    def _is_open(self, every: people.People) -> bool:
        return self.access.local and all(person.role is Role.BOX for person in every.people)

    async def session(self, request: Request) -> Session:
        """Of whoever asks; on this computer alone, with nobody on record, a new one. SignOnError: nobody is signed on."""
        every = await self.on_record()
        found = self.sessions.of(request.cookies.get(self.access.cookie, ""))
        if found is None:
            if not self._is_open(every):
                raise SignOnError
            found = self.sessions.begin(LOCAL)
        request.state.session = found
        return found

    def pass_on(self, response: Response, session: Session) -> Response:
        response.set_cookie(
            self.access.cookie, session.id, path="/", secure=self.access.secure, httponly=True, samesite="strict"
        )
        return response

    async def box(self, request: Request) -> int:
        """Whether another box's page may look, as its answer's status: 200, 401 for a wrong token, 429 for too often."""
        keys = (f"box at {request.client.host if request.client else ''}",)
        if not self.tries.may(keys):
            return 429
        token = request.headers.get("authorization", "").removeprefix("Bearer ")
        person = (await self.on_record()).joined(token, Role.BOX)
        if person is None:
            self.tries.wrong(keys)
            return 401
        now = self._clock()
        if now - self._looked.get(person.name, -BOX_S) < BOX_S:
            return 429
        self._looked[person.name] = now
        return 200

    # --- coming in ---------------------------------------------------------------------------------------------------

    async def sign_on(self, request: Request) -> Response:
        if request.method == "POST":
            form = await self._asked_in(request)
            name, phrase = form.get("name", "").strip(), form.get("phrase", "")
            async with self._hashing:
                found = await self._let_in(request, name, lambda every: every.signed_on(name, phrase))
            if found is not None:
                return self.pass_on(RedirectResponse("/", 303), found)
        return _form_to_sign_on(request)

    async def join(self, request: Request) -> Response:
        """The code is in the path of a page that asks once: to look at a link alone changes nothing."""
        code = str(request.path_params["code"])
        if request.method == "POST":
            await self._asked_in(request)
            found = await self._let_in(request, "", lambda every: every.joined(code))
            if found is not None:
                response = self.pass_on(RedirectResponse(f"/machine/{found.person.machine}", 303), found)
                response.headers["clear-site-data"] = '"cache"'
                return response
        return _form_to_sign_on(request, code)

    async def _asked_in(self, request: Request) -> dict[str, str]:
        if not own(request.headers, secure=self.access.secure):
            raise RefusedError(
                "this form came from somewhere else", "the page", "Open the page itself and sign on there"
            )
        body = bytearray()
        async for piece in request.stream():
            body += piece
            if len(body) > _SIGN_ON_BYTES:
                raise HTTPException(413, "That is more than a name and a pass phrase.")
        return filled_in(request.headers.get("content-type", ""), bytes(body))[0]

    async def _let_in(
        self, request: Request, name: str, who: Callable[[people.People], Person | None]
    ) -> Session | None:
        """A new session, in place of the one that this browser had. RefusedError after too many wrong tries."""
        said = name[: people.NAME_CHARS]
        keys = [f"from {request.client.host if request.client else ''}", *([f"name {said}"] if said else [])]
        if not self.tries.may(keys):
            raise RefusedError("too many wrong tries", "sign on", "Wait ten minutes, then try again")
        person = await asyncio.to_thread(who, await self.on_record())
        if person is None:
            self.tries.wrong(keys)
            return None
        if (before := self.sessions.of(request.cookies.get(self.access.cookie, ""))) is not None:
            self.sessions.end(before)
        return self.sessions.begin(person)


def _form_to_sign_on(request: Request, code: str = "") -> Response:
    """Where it was sent already, nobody was let in by it."""
    problem = "wrong" if request.method == "POST" else ""
    html = render("sign_on.html", language=language(request), problem=problem, code=code)
    return HTMLResponse(html, 403 if problem else 200)


def language(request: Request) -> str:
    chosen = request.query_params.get("language") or request.cookies.get("language", "")
    return language_of(request.headers.get("accept-language", ""), chosen)


def filled_in(kind: str, body: bytes) -> tuple[dict[str, str], bytes]:
    """A form's fields, and the contents of the file in it, whose name is the field `file`. UsageError for anything else."""
    try:
        if kind.partition(";")[0].strip() == "application/x-www-form-urlencoded":
            return dict(parse_qsl(body.decode(), keep_blank_values=True, max_num_fields=_FIELDS)), b""
        if kind.partition(";")[0].strip() == "multipart/form-data":
            return _parts(kind, body)
    except (ValueError, LookupError):
        pass
    raise UsageError("this is no form", "the page", "Open the page itself and try again there")


def _parts(kind: str, body: bytes) -> tuple[dict[str, str], bytes]:
    """As browsers write forms (RFC 7578; HTML, "multipart form data", for what stands in names). ValueError for anything
    else: whatever comes is walked through once, for it comes before anybody is signed on."""
    found = re.search(r'boundary="?([\w\'()+,./:=?-]{1,70})', kind, re.ASCII)
    if found is None:
        raise ValueError
    pieces = (b"\r\n" + body).split(b"\r\n--" + found[1].encode(), _FIELDS + 2)
    if pieces[0] or len(pieces) > _FIELDS + 2 or not pieces[-1].startswith(b"--"):
        raise ValueError
    form, data = dict[str, str](), b""
    for piece in pieces[1:-1]:
        head, gap, content = piece.partition(b"\r\n\r\n")
        if not gap or len(head) > _HEAD_BYTES:
            raise ValueError
        said = dict(_SAID.findall(head.decode()))
        if "filename" in said:
            form["file"], data = _plain(said["filename"]), content
        else:
            form[_plain(said.get("name", ""))] = content.decode()
    return form, data


def _plain(said: str) -> str:
    return said.replace("%22", '"').replace("%0D", "\r").replace("%0A", "\n")
