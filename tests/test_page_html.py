"""The page's HTML: what stands in it, that nothing from outside is taken for HTML, and that every word can be translated."""

import re
from dataclasses import replace
from datetime import date
from html.parser import HTMLParser
from pathlib import Path

import pytest
from page_shop import NEXT, NOW, OUT, TEXTS, records, status

import dncd.page
from dncd.cli.status import doing
from dncd.commissioning.line_health import LineHealth, Verdict, Week, Worsening
from dncd.page import rendering, taking_over
from dncd.page.asking import Done, What
from dncd.page.reading import Verified, Wanted
from dncd.page.rendering import floor_parts, language_of, parts, render
from dncd.page.views import decisions, floor, ledger, line, machine, program
from dncd.records.holdings import Holding, Holdings
from dncd.records.restoring import Left
from dncd.records.revisions import Revision
from dncd.records.verify import Report
from dncd.service.next_words import next_lines
from dncd.service.status import status_text
from dncd.values import Origin

NAME = "gang-lathe"
ROOM = Path(dncd.page.__file__).parent
HOSTILE = "<script>alert(1)</script>\"'\x1b\u202e&amp;"
VOID = {"meta", "link", "input", "br"}


class Page(HTMLParser):
    """Elements of a page: each tag with its attributes, what stands open at the end, and the text."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.open: list[str] = []
        self.words: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, {key: value or "" for key, value in attrs}))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join("".join(self.words).split())

    def all(self, tag: str) -> list[dict[str, str]]:
        return [attrs for name, attrs in self.tags if name == tag]

    @property
    def ids(self) -> list[str]:
        return [attrs["id"] for _, attrs in self.tags if "id" in attrs]


def show(name: str, **values: object) -> Page:
    return Page(render(name, now=NOW, **values))


def board(**changes: object) -> machine.Board:
    return machine.board(NAME, status(**changes), Holdings())


def revision(number: int, origin: Origin) -> Revision:
    return Revision(number, origin, "2026-11-28T12:58:00Z", str(number) * 40, str(number) * 40)


def every_page(word: str, language: str = "en") -> dict[str, str]:
    """Each page, with this word wherever text from outside can stand."""
    said = {"title": word, "port": word, "state": "no-port", "pending": word, "trouble": [word, word], "folder": word}
    brings = NEXT | dict.fromkeys(("file", "program", "title", "of", "withheld", "next_step"), word)
    brings |= {"warnings": [word] * 4, "then": [word] * 4}
    out = OUT | {"file": word, "program": word, "block": word}
    one = board(**said, next=brings, transfer=out, waiting=[word], backup={"due": word}, proven={"why": word})
    told = {"seq": 1, "time": "2026-11-28T12:58:00Z", "event": word, "machine": word, "program": word, "file": word}
    told |= {"by": word, "reasons": [word, word], "revision": 1}
    chapter = program.Chapter(Revision(1, Origin.OFFICE, word, word, word, word, 5), (ledger.line_of(told),), ())
    story = program.Story(NAME, word, word, (chapter,), (ledger.line_of(told),))
    log, held, titled = ledger.log([told]), Holdings(), Revision(1, Origin.OFFICE, "", "", "", word)
    known = machine.Program(
        word, Holding("", word, 1, machine.How.SENT), Revision(1, Origin.MACHINE, "", "", "", word), 0
    )
    decided = [
        decisions.Decision(kind, one, word, word, 2, 1, word, (word,), (decisions.spot(word, word),))
        for kind in decisions.Kind
    ]
    form = dict.fromkeys(("machine", "program", "event", "since", "until", "words"), word)
    looked = taking_over.Said((word,), (word,), (word,), (word,), word, word)
    asked = {
        "said": looked,
        "board": one,
        "program": word,
        "title": word,
        "revision": 3,
        "proven": False,
        "problem": word,
        "held": 2,
    }
    week = Week(date(2026, 11, 23), captures=1, chars_in=9, hit=1)
    worse = Worsening("disturbed-in", 2.0, 1, week.name, week.name, 0.0001, word, word)
    edit = taking_over.Edit(NAME, word, revision(1, Origin.OFFICE), revision(2, Origin.MACHINE), *TEXTS, True, ())
    edit = replace(edit, parts=program.parts(f"N1 {word}\nN2 X1.\n", f"N1 ({word})\nN2 X1.\n({word})\n"))
    whole = program.text_from(word)
    verified = (Verified(NOW, Report((word,), (word,), 1, 1, 1)),)
    shown = {
        "machine.html": {"board": one, "who": word, "csrf": word, "news": word},
        "floor.html": {"floor": floor.floor({NAME: status(**said)}, held), "service": floor.Service(True, (word, word))},
        **{f"ask.html {kind}": {**asked, "kind": kind} for kind in rendering.ACTIONS},
        "ask.html pad": {**asked, "kind": "bring", "program": ""},
        **{f"done.html {what}": {"board": one, "problem": "", "done": Done(what, word, 3, looked)} for what in What},
        "done.html goes": {
            "board": one, "problem": "",
            "done": Done(What.LOOKED_AT, word, said=replace(looked, refusals=(), edits=())),
        },
        "done.html not": {"board": one, "problem": word, "done": None},
        "programs.html": {
            "board": one, "programs": (known,), "counts": dict.fromkeys(machine.ONLY, 1), "only": "",
            "left": (Left(word, word, word),),
        },
        "program.html": {"story": story, "edited": True, "free": 0},
        "text.html": {"machine": NAME, "program": word, "revision": 1, "text": program.text_from(f"({word}\n{word}")},
        "differences.html": {
            "machine": NAME, "program": word, "old": 1, "new": 2, "differences": program.differences(word, TEXTS[0]),
        },
        "line.html": {"board": one, "line": line.line(LineHealth((week,), Verdict.WORSE, (worse,)))},
        "take_over.html": {
            "machine": NAME, "program": word, "edit": edit, "all": True, "refused": ((word, NOW.isoformat()),),
        },
        **{
            f"taken_over.html {n}": {
                "machine": NAME, "program": word, "taken": taking_over.Taken(edit, chosen, word), "text": whole,
                "said": replace(looked, refusals=refused), "differences": program.differences(word, TEXTS[0]),
            }
            for n, (chosen, refused) in enumerate([((0,), ()), ((), (word,))])
        },
        "decisions.html": {"decisions": decided, "problem": word},
        "log.html": {"log": log, "form": form, "machines": [word], "events": [word]},
        "search.html": {"asked": word, "programs": [(NAME, word, titled)], "places": [], "log": log},
        "verify.html": {"verified": verified},
        "sign_on.html": {"problem": word, "code": word},
        "error.html": {"what": word, "where": word, "next_step": word},
    }  # fmt: skip
    return {name: render(name.split()[0], now=NOW, language=language, **values) for name, values in shown.items()}


# --- nothing from outside is HTML ----------------------------------------------------------------------------------------
def test_nothing_from_outside_is_taken_for_html():
    pages = every_page(HOSTILE)
    assert {name.split()[0] for name in pages} == {
        path.name for path in (ROOM / "templates").glob("*.html") if path.name != "base.html" and path.name[0] != "_"
    }
    for name, html in pages.items():
        page = Page(html)
        assert page.open == [], name
        assert page.all("script") == [{"src": "/static/page.js", "defer": ""}], name
        assert "\x1b" not in html, name
        assert "\u202e" not in html, name
        assert "alert(1)" in page.text or "alert%281%29" in html or "alert(1)" in html, name
        attributes = [(key, value) for _, attrs in page.tags for key, value in attrs.items()]
        assert not [key for key, _ in attributes if key.startswith("on") or key == "style"], name
        assert not [value for key, value in attributes if key in ("href", "src", "action") and "<script" in value], name
        assert len(page.ids) == len(set(page.ids)), name


def test_a_catalogue_with_a_hostile_value_stays_words():
    page = show("_board.html", board=board(state="lent", lent_to=HOSTILE))
    assert page.all("script") == []
    assert r"<script>alert(1)</script>" in page.text
    assert r"\x1b\u202e" in page.text


# --- what stands there ---------------------------------------------------------------------------------------------------
def test_a_machine_says_first_what_the_next_start_brings():
    page = show("machine.html", board=board(next=NEXT, waiting=["0004.nc"], state="waiting", waits_for="READ"))
    assert "NEXT READ BRINGS O0004 rev 3 SLEEVE ✓ proven, dropped 14:05 CET by the office" in page.text
    assert [attrs["href"] for attrs in page.all("a") if "button" in attrs.get("class", "")] == [
        f"/machine/{NAME}/{kind}" for kind in rendering.ACTIONS
    ]
    again = show("machine.html", board=board(next=NEXT | {"asked_by": "Bert Bring", "asked_do": "bring"})).text
    assert "brought again 14:05 CET by Bert Bring" in again
    assert "NOTHING WAITS INPUT brings nothing" in show("machine.html", board=board(keys={"read": "INPUT"})).text
    held = show("machine.html", board=board(state="held", transfer=OUT)).text
    for words in (
        "Held by the control for 1 min 11 s O0004",
        "25 %",
        "240 a second",
        "N120 G01 X24.5",
        "2, 1 min 15 s in all",
    ):
        assert words in held
    assert "Time left 15 s" in show("machine.html", board=board(state="sending", transfer=OUT)).text
    assert "NEXT READ BRINGS NOTHING" in show("machine.html", board=board(next=NEXT | {"withheld": "it is old"})).text
    assert "GOES OUT AS SOON" in show("machine.html", board=board(next=NEXT | {"by": "the line"})).text


def test_two_files_of_one_program_are_told_apart_and_a_text_of_old_by_the_revision_that_it_is():
    file = {"file": "O0004.nc", "program": "O0004", "dropped": "2026-11-28T13:05:00Z"}
    waiting = [file | {"revision": 3, "text_of": 1}, file | {"file": "O0004_2.nc", "text_of": 2}]
    seen = [waiting[0], file | {"file": "O0004_2.nc", "revision": 4, "is_new": True}]
    assert "(new)" in show("_board.html", board=board(next=NEXT | {"then": ["O0004"]}, files=seen)).text
    brings = NEXT | {"is_new": True, "text_of": 1, "then": ["O0004"]}
    page = show("_board.html", board=board(next=brings, files=waiting))
    assert "NEXT READ BRINGS O0004 the text of rev 1 SLEEVE" in page.text
    assert "Then: O0004 the text of rev 2 (O0004_2.nc, 14:05 CET)" in page.text
    other = [waiting[0], file | {"file": "5.nc", "program": "O0005"}]
    assert "Then: O0005 " in show("_board.html", board=board(next=brings | {"then": ["O0005"]}, files=other)).text
    assert "rev 3 (new)" in show("_board.html", board=board(next=brings | {"text_of": 0})).text


@pytest.mark.parametrize(
    ("facts", "said", "german"),
    [
        ({"is_new": True, "text_of": 1}, "the text of rev 1", "der Text von Stand 1"),
        ({"is_new": True, "text_of": 0}, "rev 3 (new)", "Stand 3 (neu)"),
        ({"text_of": 3}, "rev 3", "Stand 3"),
        ({"revision": 0, "is_new": True, "text_of": 2}, "the text of rev 2", "der Text von Stand 2"),
    ],
)
def test_which_text_a_file_has_is_said_alike_in_the_terminal_in_status_txt_and_on_the_page(facts, said, german):
    brings = NEXT | facts
    shown = status(next=brings, files=[brings | {"file": "0004.nc"}, brings | {"file": "0004 (2).nc"}])
    assert next_lines(brings)[0].startswith(f"the next READ brings O0004 {said} SLEEVE, ")
    assert f"the next READ brings O0004 {said} SLEEVE, " in status_text(shown, NAME, "now")
    of_file = "O0004 {} (0004 (2).nc, "
    assert of_file.format(said) in show("machine.html", board=board(**shown)).text
    assert of_file.format(german) in show("machine.html", board=board(**shown), language="de").text


@pytest.mark.parametrize(
    ("why", "said", "german"),
    [
        (
            {"state": "lent", "lent_to": "`dncd line test` (process 7)"},
            "lent to `dncd line test` (process 7), and back as soon as that ends",
            "ausgeliehen an `dncd line test` (process 7), und zurück, sobald das endet",
        ),
        (
            {"state": "no-port"},
            "no port: /dev/ttyUSB0 cannot be opened",
            "kein Anschluss: /dev/ttyUSB0 lässt sich nicht",
        ),
        (
            {"state": "no-port", "not_seated": "bay-2 is turned to lathe"},
            "not seated: bay-2 is turned to lathe",
            "nicht angeschlossen: bay-2 steht auf lathe",
        ),
    ],
    ids=["lent", "no port", "not seated"],
)
def test_why_nothing_goes_over_a_line_is_said_alike_in_terminals_in_status_txt_and_on_the_page(why, said, german):
    shown = status(**why)
    assert said in status_text(shown, NAME, "now")
    assert said == doing(shown)
    assert said in show("machine.html", board=board(**why)).text
    assert german in show("machine.html", board=board(**why), language="de").text


def test_a_key_that_was_pressed_before_anything_waited_is_told_with_its_end():
    early = board(pressed={"at": "2026-11-28T13:05:00Z", "until": "2026-11-28T13:06:00Z"})
    says = "READ is pressed since 14:05 CET: what is dropped until 14:06 CET goes at once."
    assert says in show("_board.html", board=early).text
    done = Done(What.LOOKED_AT, "7.nc", said=taking_over.NOTHING)
    assert says in show("done.html", board=early, problem="", done=done).text


def test_a_check_that_runs_says_so_and_its_page_comes_again_by_itself():
    page = show("verify.html", verified=(), verifying=(NOW,))
    assert "It runs, since 14:10 CET." in page.text
    assert ("It has not been done" in page.text, "Check now" in page.text) == (False, False)
    assert [each for each in page.all("meta") if each.get("http-equiv") == "refresh"]
    page = show("verify.html", verified=())
    assert "It has not been done" in page.text
    assert not [each for each in page.all("meta") if each.get("http-equiv") == "refresh"]


def test_what_runs_stands_first_and_a_part_in_the_control_in_a_box(tmp_path):
    held = records(tmp_path).held()
    html = render("_board.html", now=NOW, board=machine.board(NAME, status(state="sending", transfer=OUT), held))
    assert '<section class="board runs"' in html
    assert '<a class="heed" href="/machine/gang-lathe/programs">perhaps a part of 1 program in the control</a>' in html
    assert re.search(r"<a [^>]*><span>The control holds .*? punched out <time|<a [^>]*><span>Known: ", html)
    rules = (ROOM / "static" / "page.css").read_text("utf-8")
    assert ".board.runs .doing { order: -1; }" in rules


def test_logging_out_is_not_called_signing_off_and_the_chosen_language_is_marked():
    page = show("machine.html", board=board(), who="A. Miller")
    assert ("Log out" in page.text, "Sign off" in page.text) == (True, False)
    words = rendering.words_of("de")
    assert words["Stop"] != words["Cancel"]
    assert not [said for said in words.values() if "abgewiesen" in " ".join(said)]
    assert re.search(
        r"\.languages \[aria-current\] \{ font-weight: bold", (ROOM / "static" / "page.css").read_text("utf-8")
    )


def test_each_file_that_waits_can_be_put_first_or_taken_back():
    files = [{"file": f"000{n}.nc", "program": f"O000{n}", "dropped": "2026-11-28T13:05:00Z"} for n in (4, 5)]
    waits = board(next=NEXT, waiting=["0004.nc", "0005.nc"], files=files)
    links = [attrs["href"] for attrs in show("machine.html", board=waits).all("a") if "file=" in attrs["href"]]
    home = f"/machine/{NAME}"
    assert links == [f"{home}/stop?file=0004.nc", f"{home}/first?file=0005.nc", f"{home}/stop?file=0005.nc"]
    looks = show("machine.html", board=waits, may=frozenset())
    assert not [attrs for attrs in looks.all("a") if "file=" in attrs["href"]]
    given = {"board": waits, "program": "O0005", "title": "", "revision": 1, "proven": True, "problem": "", "held": 1}
    given |= {"said": taking_over.NOTHING}
    for kind, file, says in (
        ("stop", "0005.nc", "Take 0005.nc back?"),
        ("first", "0005.nc", "Put 0005.nc first?"),
        ("stop", "7.nc", "It does not wait any more."),
        ("first", "7.nc", "It does not wait any more."),
    ):
        page = show("ask.html", kind=kind, file=file, **given)
        assert says in page.text
        named = [attrs["value"] for attrs in page.all("input") if attrs.get("name") == "file"]
        assert named == ([file] if file == "0005.nc" else [])
        assert bool([b for b in page.all("button") if kind in b.get("class", "")]) == bool(named)
    assert "It waits already: O0005 (0005.nc, 14:05 CET)" in show("ask.html", kind="bring", **given).text


def test_at_most_one_thing_is_red():
    page = show("machine.html", board=board(trouble=["one", "two", "three"]), service=floor.Service(True, ("slow",)))
    assert [attrs["class"] for _, attrs in page.tags if "alarm" in attrs.get("class", "")] == ["alarm"]
    for words in ("one", "2 more", "two", "three", "slow"):
        assert words in page.text


def test_only_what_a_person_may_do_is_offered():
    page = show("machine.html", board=board(), may=frozenset({"good"}))
    assert page.all("form") == [{"class": "search", "action": "/search", "role": "search"}]
    assert [attrs["href"] for attrs in page.all("a") if "button" in attrs.get("class", "")] == [f"/machine/{NAME}/good"]


def test_each_button_asks_once_and_says_what_it_will_do():
    def ask(kind: str, **values: object) -> Page:
        given = {
            "program": "O0004",
            "title": "SLEEVE",
            "revision": 3,
            "proven": True,
            "problem": "",
            "csrf": "t0ken",
            "held": 3,
        }
        given |= {"said": taking_over.NOTHING}
        return show("ask.html", kind=kind, **({"board": board(), **given} | values))

    running = board(state="sending", transfer=OUT, drip_feed=True)
    for kind, shown in (("again", board()), ("bring", board()), ("good", board()), ("stop", running)):
        page = ask(kind, board=shown)
        (form,) = [attrs for attrs in page.all("form") if attrs.get("method") == "post"]
        assert form["action"] == f"/machine/{NAME}/{kind}"
        assert {"type": "hidden", "name": "csrf", "value": "t0ken"} in page.all("input")
    assert [attrs for attrs in ask("good").all("input") if attrs.get("name") == "by"]
    assert "Signed by A. Miller" in ask("good", who="A. Miller").text
    stop = ask("stop", board=running).text
    for words in (
        "Stop O0004?",
        "A lost line stops a drip-fed program mid-cut",
        "half a program",
        "it may be cutting now",
    ):
        assert words in stop
    assert "mid-cut" not in ask("stop", board=board(waiting=["7.nc"])).text
    assert not [b for b in ask("stop").all("button") if "stop" in b.get("class", "")]  # nothing runs, nothing waits
    assert "not proven" in ask("bring", proven=False).text
    pad = ask("bring", program="")
    assert [attrs["data-key"] for attrs in pad.all("button") if "data-key" in attrs] == [*"789456123", "O", "0", ""]
    assert not [attrs for attrs in pad.all("form") if attrs.get("method") == "post"]


def test_changes_are_marked_by_elements_not_by_colour_alone():
    values = {"machine": NAME, "program": "O0004", "old": 1, "new": 2, "differences": program.differences(*TEXTS)}
    html = render("differences.html", now=NOW, **values)
    assert "N20 G01 Z-20. <del>F0.2</del>" in html
    assert "N20 G01 Z-20. <ins>F0.15</ins>" in html
    rules = (ROOM / "static" / "page.css").read_text("utf-8")
    assert re.search(r"\nins \{[^}]*underline", rules)
    assert re.search(r"\ndel \{[^}]*line-through", rules)
    assert re.search(r"\n\.small, \.quiet, \.side \{ color: var\(--faint\); \}\n", rules), (
        "a comment is faint, and no box"
    )


def test_a_story_and_its_text_can_be_walked(tmp_path):
    shop = records(tmp_path)
    lines = shop.lines(Wanted(machine=NAME, program="O0004"), 100)
    told = program.story(NAME, "O0004", shop.history(NAME, "O0004"), lines, shop.held().signed_off(NAME, "O0004"))
    page = show("program.html", story=told, edited=True, free=2)
    bring = [attrs["href"] for attrs in page.all("a") if "/bring?" in attrs["href"]]
    assert [place[-1] for place in bring] == ["2", "1"]
    assert ("Bring rev 2 back in front" in page.text, "Bring rev 1" in page.text) == (True, False)
    assert (
        "This program was changed at the control: see what rev 1 lacks of that before it is brought back" in page.text
    )
    places = [attrs["href"] for attrs in page.all("a")]
    assert f"/machine/{NAME}/program/O0004/differences?a=1&b=2" in places
    assert f"/machine/{NAME}/program/O0004/text?r=1" in places
    assert "by R. Foreman: order 1187" in page.text
    text = show(
        "text.html", machine=NAME, program="O0004", revision=1, text=program.text_from("N1 X1. (IN)\n" * 2100, 2001)
    )
    assert text.all("li")[0] == {"value": "2001"}
    assert [attrs["href"] for attrs in text.all("a") if "from=" in attrs.get("href", "")] == ["?r=1&from=1"]


# --- news, budgets, words --------------------------------------------------------------------------------------------------
def test_each_part_that_changes_has_its_own_element_and_stands_on_its_page():
    shown, held = status(trouble=["x"]), Holdings()
    found = parts(NAME, shown, held, now=NOW) | floor_parts(
        {"service": {"pid": 1}, "machines": {NAME: shown}}, held, now=NOW
    )
    for name, html in found.items():
        assert Page(html).ids[:1] == [name]
        assert Page(html).open == []
    page = render("floor.html", now=NOW, floor=floor.floor({NAME: shown}, held))
    assert all(found[name].strip() in page for name in ("machine-gang-lathe-card", "floor-counts", "service"))
    assert found["machine-gang-lathe"].strip() in render(
        "machine.html", now=NOW, board=machine.board(NAME, shown, held)
    )
    assert "does not answer" in floor_parts({}, held, now=NOW)["service"]


def test_the_first_page_is_small_also_with_128_machines():
    machines = {f"machine-{n}": status(title=f"Machine number {n}", next=NEXT) for n in range(128)}
    page = render("floor.html", now=NOW, news="floor", floor=floor.floor(machines, Holdings()))
    assert page.count('class="card ') == 128
    assert len(page.encode()) + sum(path.stat().st_size for path in (ROOM / "static").iterdir()) < 100_000


def messages() -> dict[str, str]:
    """Each English sentence of the templates, with that for many where there is one."""
    form = re.compile(r"""\b(n_|_)\(\s*("(?:[^"\\]|\\.)*"|'(?:[^'\\]|\\.)*')(?:\s*,\s*("(?:[^"\\]|\\.)*"))?""")
    texts = [path.read_text("utf-8") for path in (ROOM / "templates").glob("*.html")]
    texts.append((ROOM / "rendering.py").read_text("utf-8").partition("def _moment(")[2])
    found = {m[2][1:-1]: (m[3] or "")[1:-1] if m[1] == "n_" else "" for text in texts for m in form.finditer(text)}
    return (
        found
        | {"%(n)s day": "%(n)s days"}
        | dict.fromkeys(("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun", *rendering.SENTENCES), "")
    )


@pytest.mark.parametrize("language", [code for code in rendering.LANGUAGES if code != "en"])
def test_a_catalogue_has_every_sentence_and_no_other(language):
    words, wanted = rendering.words_of(language), messages()
    assert len(wanted) > 150
    assert words.keys() == wanted.keys()
    for english, translated in words.items():
        assert len(translated) == (2 if wanted[english] else 1), english
        for sentence in translated:
            assert sorted(re.findall(r"%\(\w+\)s", sentence)) == sorted(re.findall(r"%\(\w+\)s", english)), english


def test_every_page_can_be_shown_in_german():
    pages = every_page("WELLE", "de")
    assert 'lang="de"' in pages["machine.html"]
    assert "NÄCHSTES" in pages["machine.html"]
    assert "vom Büro eingelegt" in pages["machine.html"]
    assert all(Page(html).open == [] for html in pages.values())


@pytest.mark.parametrize(
    ("accepts", "chosen", "language"),
    [
        ("", "", "en"),
        ("de-DE,de;q=0.9,en;q=0.8", "", "de"),
        ("en;q=0.3,de;q=0.4", "", "de"),
        ("fr,de;q=0", "", "en"),
        ("de;q=x,*", "", "en"),
        ("de", "en", "en"),
        ("de", "../x", "de"),
    ],
)
def test_the_language_is_the_readers(accepts, chosen, language):
    assert language_of(accepts, chosen) == language


@pytest.mark.parametrize(
    ("utc", "shown"),
    [
        ("2026-11-28T13:05:00Z", "14:05 CET"),
        ("2026-11-27T23:30:00Z", "00:30 CET"),
        ("2026-11-27T22:30:00.123Z", "Fri 23:30 CET"),
        ("2026-11-20T12:00:00Z", "2026-11-20 13:00 CET"),
        ("2026-11-30T12:00:00Z", "2026-11-30 13:00 CET"),
        ("no time", "no time"),
    ],
)
def test_times_are_of_the_clock_here_with_their_zone(utc, shown):
    last = {"time": utc, "event": "sent", "file": "1.nc", "damaged": 0}
    assert f"Last: {shown} 1.nc sent" in show("_board.html", board=board(last=last)).text
