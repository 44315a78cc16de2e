"""Who may use the page from another computer: people with a pass phrase, phones with a code, and what each role may do.

They stand in `STATE/page/people.json`, which the page reads anew whenever it changed and cannot write.
"""

import enum
import hashlib
import hmac
import os
import re
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from dncd.errors import NotDoneError, UsageError
from dncd.outside.command_client import PAGE
from dncd.peer_text import printable
from dncd.records import codec, durable

FILE_MODE: Final = 0o640

SHORTEST_PHRASE: Final = 12
"""Characters; NIST SP 800-63B asks for 8 at least, and a phrase is no word."""

NAME_CHARS: Final = 60

_COST: Final = {"n": 2**14, "r": 8, "p": 5}
"""Of scrypt: OWASP's Password Storage Cheat Sheet has it as one of five of the same strength; this one takes 16 MB, so that
many who sign on at once do not take the page's memory."""


class Role(enum.StrEnum):
    """LOOK: reads; BRING: an operator; OFFICE: drops programs as well; KEEPER: and checks the records; PHONE: joined by the
    code on a machine's door, for that machine alone; BOX: the page of another box, which shows what this one does."""

    LOOK = "look"
    BRING = "bring"
    OFFICE = "office"
    KEEPER = "keeper"
    PHONE = "phone"
    BOX = "box"


_AT_A_MACHINE: Final = frozenset({"bring", "again", "good", "stop", "first"})

MAY: Final[Mapping[Role, frozenset[str]]] = {
    Role.LOOK: frozenset(),
    Role.PHONE: frozenset({"bring", "again"}),
    Role.BOX: frozenset(),
    Role.BRING: _AT_A_MACHINE,
    Role.OFFICE: _AT_A_MACHINE | {"look", "drop", "take-over"},
    Role.KEEPER: _AT_A_MACHINE | {"look", "drop", "take-over", "verify"},
}
"""What each role may ask for by the page. Reading is free to all of them, to a phone for its machine alone."""


_CODED: Final = (Role.PHONE, Role.BOX)


@dataclass(frozen=True, slots=True)
class Person:
    """name: as the ledger will have it; secret: what his phrase or code is checked against; machine: of a phone, else ""."""

    name: str
    role: Role
    secret: str = ""
    machine: str = ""

    @property
    def may(self) -> frozenset[str]:
        return MAY[self.role]


@dataclass(frozen=True, slots=True)
class People:
    """All of them."""

    people: tuple[Person, ...] = ()

    def named(self, name: str) -> Person | None:
        return next((person for person in self.people if person.name == name), None)

    def signed_on(self, name: str, phrase: str) -> Person | None:
        """Whoever has this name and this phrase. It takes as long whether or not there is one of that name."""
        person = self.named(name)
        right = _fits(phrase, person.secret if person is not None and person.role not in _CODED else _NOBODY)
        return person if right else None

    def joined(self, code: str, role: Role = Role.PHONE) -> Person | None:
        """The phone, or the box, with this code of 80 bits or more: nobody tries so many, and it needs no slow hash."""
        found = [p for p in self.people if p.role is role and hmac.compare_digest(p.secret, _digest(code))]
        return found[0] if found else None

    def with_one(self, person: Person) -> "People":
        """With one more. UsageError where the name is taken, or is none."""
        if self.named(person.name) is not None:
            other = "give this one another with `--name`" if person.role is Role.PHONE else "add a surname"
            raise UsageError("there is one of this name already", person.name, f"Remove that one first, or {other}")
        if not 0 < len(person.name) <= NAME_CHARS or printable(person.name) != person.name:
            what = f"a name has 1 to {NAME_CHARS} printable characters"
            raise UsageError(what, printable(person.name)[:NAME_CHARS], "Give the name that the ledger shall have")
        return replace(self, people=(*self.people, person))

    def without(self, name: str) -> "People":
        """UsageError where there is none of this name."""
        if self.named(name) is None:
            names = ", ".join(person.name for person in self.people) or "nobody yet"
            raise UsageError("there is none of this name", name, f"There are: {names}")
        return replace(self, people=tuple(person for person in self.people if person.name != name))


_PHRASE: Final = r"scrypt:[0-9a-f]{32}:[0-9a-f]{64}"


def file_of(state: Path) -> Path:
    return state / PAGE / "people.json"


def read(state: Path) -> People:
    """Those on record; nobody where there is no file. NotDoneError where it cannot be read: then nobody signs on."""
    try:
        found = codec.decode(People, file_of(state).read_bytes())
        for person in found.people:
            if re.fullmatch(r"[0-9a-f]{64}" if person.role in _CODED else _PHRASE, person.secret) is None:
                raise ValueError(f"what is kept of {person.name}'s phrase or code is not as dncd writes it")
        return found
    except FileNotFoundError:
        return People()
    except (OSError, ValueError) as error:
        next_step = "Give the page's user the right to read it, or have it back from a backup"
        raise NotDoneError(f"who may use the page cannot be read: {error}", str(file_of(state)), next_step) from None


def keep(state: Path, people: People) -> None:
    """Puts them on record, for the group of the state folder to read and for nobody else."""
    path = file_of(state)
    if not state.is_dir():
        raise NotDoneError("there is no state folder yet", str(state), "Start dncd once: it makes it")
    with durable.reporting("who may use the page cannot be kept", path):
        owner = state.stat()
        durable.add_folder(path.parent)
        durable.replace(path, codec.encode(people), mode=FILE_MODE)
        for each in (path.parent, path) if os.geteuid() == 0 else ():
            os.chown(each, owner.st_uid, owner.st_gid)


def phrase_kept(phrase: str) -> str:
    """What is kept of a pass phrase: salt and hash. UsageError where it is too short."""
    if len(phrase) < SHORTEST_PHRASE:
        what, next_step = (
            f"it has {len(phrase)} characters",
            f"Use {SHORTEST_PHRASE} or more: four words that are no saying",
        )
        raise UsageError(what, "pass phrase", next_step)
    salt = secrets.token_bytes(16)
    return f"scrypt:{salt.hex()}:{_hashed(phrase, salt).hex()}"


def new_code() -> tuple[str, str]:
    """A code for a phone, and what is kept of it. It is typed from a sheet: 80 bits in letters of which none is like another
    (Crockford's Base 32; from memory)."""
    drawn = "".join(secrets.choice(_LETTERS) for _ in range(16))
    code = "-".join(drawn[n : n + 4] for n in range(0, 16, 4))
    return code, _digest(code)


def new_token() -> tuple[str, str]:
    """A token of 160 bits for another box's page, and what is kept of it."""
    token = secrets.token_hex(20)
    return token, _digest(token)


_LETTERS: Final = "0123456789abcdefghjkmnpqrstvwxyz"

_TYPED: Final = str.maketrans("oil", "011", "- ")


def _digest(code: str) -> str:
    return hashlib.sha256(code[:40].lower().translate(_TYPED).encode()).hexdigest()


def _hashed(phrase: str, salt: bytes) -> bytes:
    return hashlib.scrypt(phrase.encode()[:1024], salt=salt, maxmem=2**26, dklen=32, **_COST)


_NOBODY: Final = f"scrypt:{'00' * 16}:{'00' * 32}"


def _fits(phrase: str, secret: str) -> bool:
    kind, _, rest = secret.partition(":")
    salt, _, kept = rest.partition(":")
    return hmac.compare_digest(_hashed(phrase, bytes.fromhex(salt)).hex(), kept) and kind == "scrypt"
