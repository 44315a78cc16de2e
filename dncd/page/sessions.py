"""Who is signed on just now, in memory alone, and how often somebody may try.

Source of the rules: OWASP's Session Management and Cross-Site Request Forgery Prevention Cheat Sheets.
"""

import hashlib
import hmac
import secrets
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, Final

from dncd.page.people import Person, Role

IDLE_S: Final = 3_600.0
END_S: Final = 12 * 3_600.0
"""Seconds after which who is signed on must sign on again: an hour without a look, a shift in any case."""

PHONE_END_S: Final = 90 * 86_400.0
"""Of a phone that is joined to a machine: it may look and bring there alone, and its code can be revoked."""

MOST: Final = 1_000
OF_ONE: Final = 50
"""Sessions at once, in all and of one person; the one that was not used for longest makes room, of his own first."""

RESULTS: Final = 8
"""Of one session."""

TRIES: Final = 10
TRIES_S: Final = 600.0
"""So many wrong phrases in so many seconds, for one name or from one address; then none is looked at any more."""


@dataclass(slots=True)
class Session:
    """Of one browser. csrf: what each of its forms bears; began, used: by the clock of `Sessions`; results: of what was
    asked for last, by a word for each."""

    id: str
    person: Person
    csrf: str
    began: float
    used: float
    results: dict[str, Any] = field(default_factory=dict)

    def keep(self, result: object) -> str:
        """The word by which a result can be shown, also again: as long as there are not too many newer ones."""
        word = secrets.token_urlsafe(12)
        self.results[word] = result
        while len(self.results) > RESULTS:
            del self.results[next(iter(self.results))]
        return word


class Sessions:
    """For the page's event loop. still: whether a person is on record as he was when he signed on."""

    def __init__(self, clock: Callable[[], float], still: Callable[[Person], bool]) -> None:
        self._clock, self._still = clock, still
        self._sessions: dict[str, Session] = {}

    def of(self, cookie: str) -> Session | None:
        """The session of a cookie, which is used by that; None where it has ended, or never was."""
        key, now = _key(cookie), self._clock()
        session = self._sessions.get(key)
        if session is None:
            return None
        phone = session.person.role is Role.PHONE
        idle, end = (PHONE_END_S, PHONE_END_S) if phone else (IDLE_S, END_S)
        if now - session.used > idle or now - session.began > end or not self._still(session.person):
            del self._sessions[key]
            return None
        session.used = now
        self._sessions[key] = self._sessions.pop(key)  # the last one in the row was used last
        return session

    def begin(self, person: Person) -> Session:
        """A new session, always of a new id: none that a browser was given before is ever taken over."""
        now = self._clock()
        made = Session(secrets.token_urlsafe(32), person, secrets.token_urlsafe(32), now, now)
        own = [key for key, session in self._sessions.items() if session.person.name == person.name]
        if person.secret and len(own) >= OF_ONE:  # without one nobody is on record, and all are of this computer
            del self._sessions[own[0]]
        while len(self._sessions) >= MOST:
            del self._sessions[next(iter(self._sessions))]
        self._sessions[_key(made.id)] = made
        return made

    def end(self, session: Session) -> None:
        self._sessions.pop(_key(session.id), None)


def _key(cookie: str) -> str:
    """Looked up by its digest, so that the time of a look tells nothing of an id."""
    return hashlib.sha256(cookie.encode()).hexdigest()


def is_of(session: Session, csrf: str) -> bool:
    return hmac.compare_digest(session.csrf.encode(), csrf.encode())


@dataclass(frozen=True, slots=True)
class Tries:
    """Wrong phrases and codes, by name and by address."""

    clock: Callable[[], float]
    _wrong: dict[str, deque[float]] = field(default_factory=dict)

    def may(self, keys: Iterable[str]) -> bool:
        now = self.clock()
        return all(sum(now - at < TRIES_S for at in self._wrong.get(key, ())) < TRIES for key in keys)

    def wrong(self, keys: Iterable[str]) -> None:
        for key in keys:
            if len(self._wrong) >= MOST and key not in self._wrong:
                del self._wrong[next(iter(self._wrong))]
            self._wrong.setdefault(key, deque(maxlen=TRIES)).append(self.clock())
