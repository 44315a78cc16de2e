"""Pages made of templates: everything from outside escaped and printable, every word out of one catalogue.

English stands in the templates themselves; each other language has a file `words/LANGUAGE.po` (GNU gettext, "PO Files").
"""

import ast
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import datetime, timedelta
from functools import cache
from importlib import resources
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined, pass_context
from jinja2.runtime import Context
from markupsafe import Markup, escape

from dncd.page.views.floor import Far, Service, floor, service
from dncd.page.views.machine import board
from dncd.peer_text import printable
from dncd.records.holdings import Holdings
from dncd.service.next_words import text_said

LANGUAGES: Final = {"en": "English", "de": "Deutsch"}
"""What a page may be in, and how that language calls itself."""

Words = Mapping[str, tuple[str, ...]]
"""Of a catalogue: by the English, the translation, and that of many where there are two."""

PARTS: Final = {"card": "-card", "board": "", "waiting": "-waiting"}
"""Parts of a machine that change by themselves, on the floor and on its own page, and how their ids end."""

ACTIONS: Final = ("bring", "again", "good", "stop")
"""What may be done at a machine, by a button."""


def render(name: str, **values: object) -> str:
    """A template as a page or a part of one. Errors of a template are jinja2's.

    Each template also has: language (one of LANGUAGES), now (with the zone of this place), csrf, who (the person signed on,
    ""), may (what that person may do, as `people.MAY`), news (which news the page listens to, "" for none), there (a mark of
    the machines on it), service, undecided (how much waits for a decision), alone (the one machine seen, "" for all).
    """
    given: dict[str, Any] = {"now": datetime.now().astimezone(), "language": "en", **_NOTHING, **values}
    return _environment(str(given["language"])).get_template(name).render(given)


_NOTHING: Final[Mapping[str, object]] = {
    **dict.fromkeys(("csrf", "who", "news", "there", "path", "alone", "box", "boxes", "file"), ""),
    "may": frozenset({*ACTIONS, "first", "look", "drop", "take-over", "verify"}),
    "undecided": 0,
    "worse": {},
    "waiting": (),
    "verifying": (),
    "service": Service(runs=True),
}


def parts(
    machine: str, status: Mapping[str, Any], records: Holdings, wanted: Iterable[str] = tuple(PARTS), **values: object
) -> dict[str, str]:
    """What of a machine changes by itself, by the id of its element. wanted: of PARTS; values: as `render` has them."""
    shown = board(machine, status, records)
    return {f"machine-{machine}{PARTS[name]}": render(f"_{name}.html", board=shown, **values) for name in wanted}


def floor_parts(status: Mapping[str, Any], records: Holdings, **values: object) -> dict[str, str]:
    """What of the whole shop changes by itself. status: of the service, {} while it does not answer."""
    shown = {"service": service(status), **values}
    counts = floor(status.get("machines") or {}, records)
    made = {"service": "_service.html", "undecided": "_undecided.html", "floor-counts": "_counts.html"}
    return {part: render(name, **{"floor": counts, **shown}) for part, name in made.items()}


def box_parts(boxes: Iterable[Far], **values: object) -> dict[str, str]:
    """What of other boxes changes by itself."""
    return {
        f"box-{far.name}{end}": render(name, far=far, **values)
        for far in boxes
        for end, name in (("", "_box.html"), ("-cards", "_box_cards.html"))
    }


def language_of(accepts: str, chosen: str = "") -> str:
    """The language for a reader. accepts: his browser's Accept-Language (RFC 9110 12.5.4); chosen: by himself, ""."""
    if chosen in LANGUAGES:
        return chosen
    weighed = []
    for n, part in enumerate(accepts.split(",")[:20]):
        tag, _, weight = part.strip().partition(";q=")
        try:
            weighed.append((-float(weight or 1), n, tag.strip().lower().partition("-")[0]))
        except ValueError:
            continue
    return next((tag for weight, _, tag in sorted(weighed) if weight < 0 and tag in LANGUAGES), "en")


@cache
def words_of(language: str) -> Words:
    """The catalogue of a language, empty for English."""
    file = resources.files("dncd.page").joinpath("words", f"{language}.po")
    return dict(_entries(file.read_text("utf-8"))) if file.is_file() else {}


_PO_LINE: Final = re.compile(r'(?:(msgid|msgid_plural|msgstr|msgstr\[\d\]) )?(".*")')


def _entries(text: str) -> Iterator[tuple[str, tuple[str, ...]]]:
    for entry in text.split("\n\n"):
        found: dict[str, str] = {}
        key = ""
        for line in map(_PO_LINE.fullmatch, entry.splitlines()):
            if line is not None:
                key = line[1] or key
                found[key] = found.get(key, "") + ast.literal_eval(line[2])
        said = tuple(value for key, value in found.items() if key.startswith("msgstr"))
        if found.get("msgid") and all(said):
            yield found["msgid"], said


def _translator(words: Words) -> Callable[..., Markup]:
    def translate(one: str, many: str = "", n: float = 1, **values: object) -> Markup:
        """Both languages have one form for one and another for all else."""
        return _filled(words.get(one, (one, many or one))[0 if n == 1 else -1], {"n": n, **values})

    return translate


def _filled(sentence: str, values: Mapping[str, object]) -> Markup:
    return Markup(sentence) % {key: _safe(value) for key, value in values.items()}  # noqa: S704 - out of our own catalogue


def _safe(value: object) -> Any:
    """What a template may show: text of peers printable, and escaped behind this."""
    return printable(value) if type(value) is str else value


@pass_context
def _moment(context: Context, utc: str) -> Markup:
    """A time of the clock here: `14:05 CET`, with its day where it is another, with its date where that is a week ago."""
    now: datetime = context["now"]
    try:
        at = datetime.fromisoformat(utc).astimezone(now.tzinfo)
    except ValueError:
        return escape(printable(_in_words(context, utc)))
    days = (now.date() - at.date()).days
    form = "%H:%M %Z" if days == 0 else "%a %H:%M %Z" if 0 < days < 7 else "%Y-%m-%d %H:%M %Z"
    said = at.strftime(form).replace(at.strftime("%a"), str(context["_"](at.strftime("%a"))), 1)
    return Markup('<time datetime="{}">{}</time>').format(at.isoformat(timespec="seconds"), said)


@pass_context
def _age(context: Context, utc: str) -> str:
    """How long ago a time was: `5 min`, `3 h`, `12 days`."""
    now: datetime = context["now"]
    try:
        ago = max(timedelta(0), now - datetime.fromisoformat(utc))
    except (ValueError, TypeError):
        return "?"
    if ago >= timedelta(days=2):
        return str(context["n_"]("%(n)s day", "%(n)s days", ago.days))
    return _span(context, ago.total_seconds())


@pass_context
def _span(_context: Context, seconds: float) -> str:
    """A time in the two largest units that it has: `45 s`, `3 min 20 s`, `2 h 5 min`."""
    whole = int(seconds + 0.5)
    if whole < 60:
        return f"{whole} s"
    small, large, of = ("s", "min", 60) if whole < 3600 else ("min", "h", 3600)
    rest = whole % 60 if of == 60 else whole % 3600 // 60
    return f"{whole // of} {large}" + (f" {rest} {small}" if rest else "")


SENTENCES: Final = resources.files("dncd.page").joinpath("words", "service.txt").read_text("utf-8").splitlines()
"""Of the service, those that a page shows large or as what to do; others are as the records have them, in English."""

_FORMS: Final = tuple(
    (each, re.compile(re.sub(r"%\\\((\w+)\\\)s", r"(?P<\1>.+?)", re.escape(each)))) for each in SENTENCES
)


@pass_context
def _in_words(context: Context, sentence: str) -> str:
    """A sentence of the service in the reader's language, where the catalogue has it."""
    for said, form in _FORMS if context["language"] != "en" else ():
        if found := form.fullmatch(sentence):
            return str(context["_"](said, **found.groupdict()))
    return sentence


def _number(value: float) -> Markup:
    """Thousands parted by a narrow blank, as ISO 80000-1 has it."""
    return Markup(f"{value:,.0f}".replace(",", "&#8239;"))  # noqa: S704 - a number


@cache
def _environment(language: str) -> Environment:
    made = Environment(
        loader=PackageLoader("dncd.page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_safe,
    )
    made.globals |= dict.fromkeys(("_", "n_"), _translator(words_of(language)))
    made.globals |= {"languages": LANGUAGES, "text_said": text_said}
    made.filters |= {"moment": _moment, "age": _age, "span": _span, "number": _number, "in_words": _in_words}
    return made
