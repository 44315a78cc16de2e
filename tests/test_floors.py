"""The house keeps its floors: who may import whom, who owns what, how long a file may be, and no test that sleeps."""

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
LONGEST_FILE = 420
LONGEST_FUNCTION = 60
MOST_METHODS = 15
SMALLEST_MODULE = 60
"""Lines below which a module that one other imports alone wants a reason to stand by itself."""

FLOORS = {
    "defaults": 0,
    "choices": 0,
    "errors": 0,
    "ledger_lines": 0,
    "peer_text": 0,
    "values": 0,
    "program": 1,
    "tape": 1,
    "line": 2,
    "commissioning": 2,
    "records": 3,
    "outside": 4,
    "ports": 4,
    "station": 5,
    "line_trial": 6,
    "service": 6,
    "cli": 7,
    "page": 7,
    "standin": 7,
    "__main__": 8,
}
"""Room → floor, as DEVELOPERS.md has it. A room that is not named here fails the first test."""

WITHIN_FLOOR = {
    ("values", "defaults"),
    ("values", "choices"),
    ("values", "peer_text"),
    ("errors", "defaults"),
    ("ports", "outside"),
    ("cli", "standin"),
    ("cli", "page"),
}
"""Imports between rooms of one floor that are meant: a loan of a port is asked for over the command socket; the words
`demo` and `page` start the stand-in's story and the page."""

PURE = 2
IMPURE = {"time", "os", "threading", "serial", "socket", "select", "subprocess", "shutil", "tempfile", "watchdog"}
"""What a pure floor may not import. `pathlib` is a value type there (paths of settings), `open` is not."""

OWNERS = {
    "serial": ("ports/", "port"),
    "watchdog": ("outside/", "folder_events"),
}
"""Library → folder and a word of the module's name that alone may import it."""

MANY_METHODS = {
    "line/sending.py Sending": "one machine with its table: what the line says, what a driver asks, what a status shows",
    "records/library.py Library": "what may be asked of the library, by the programs' names",
    "standin/control.py StandIn": "keys, lamps and memory of one control",
    "standin/screen.py Screen": "one method a key",
    "station/capture_buffer.py CaptureBuffer": "the receiving half of the machine: what came, what waits, what is told",
    "station/run.py Run": "one sending from its start to its outcome, and what is told of it",
    "station/queue.py SendQueue": "the order of what waits, by coming and by what people asked, changed in one place",
    "station/driver.py Station": "the one place where the machine meets loop, port, threads and people",
}
"""Classes with more methods than MOST_METHODS, and why. A reason that is no longer needed fails a test."""

SMALL_AND_ALONE = {
    "cli/line_wiring.py": "one command, loaded late",
}
"""Small modules that one other imports alone, and why they stand by themselves. A reason too many fails a test."""

DISK_OWNER = "records/durable.py"
DISK_CALLS = {"fsync", "fdatasync", "rename", "replace", "link", "renames"}


@dataclass(frozen=True)
class Module:
    """path: under dncd/, with slashes; room: first part of it."""

    path: str
    text: str

    @property
    def room(self) -> str:
        return self.path.split("/", maxsplit=1)[0].removesuffix(".py")

    @cached_property
    def tree(self) -> ast.Module:
        return ast.parse(self.text)


MODULES = [
    Module(path.relative_to(ROOT / "dncd").as_posix(), path.read_text("utf-8"))
    for path in sorted((ROOT / "dncd").rglob("*.py"))
    if path.relative_to(ROOT / "dncd").as_posix() != "__init__.py"
]
TESTS = [Module(f"tests/{path.name}", path.read_text("utf-8")) for path in sorted((ROOT / "tests").rglob("*.py"))]


def imported(module: Module) -> Iterator[str]:
    """Every dotted name that is imported anywhere in the module, late imports included."""
    package = ["dncd", *module.path.split("/")[:-1]]
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            name = ".".join([*base, *([node.module] if node.module else [])])
            yield from (f"{name}.{alias.name}" for alias in node.names)


def rooms_used(module: Module) -> set[str]:
    names = (name.split(".") for name in imported(module))
    return {parts[1] for parts in names if parts[0] == "dncd" and len(parts) > 1 and parts[1] in FLOORS}


def upward(module: Module) -> list[str]:
    own = FLOORS[module.room]
    return sorted(
        room
        for room in rooms_used(module) - {module.room}
        if FLOORS[room] >= own and (module.room, room) not in WITHIN_FLOOR
    )


def impurities(module: Module) -> list[str]:
    found = sorted({name.split(".")[0] for name in imported(module)} & IMPURE)
    return found + ["open()" for call in calls(module) if isinstance(call.func, ast.Name) and call.func.id == "open"]


def calls(module: Module) -> Iterator[ast.Call]:
    return (node for node in ast.walk(module.tree) if isinstance(node, ast.Call))


def disk_calls(module: Module) -> list[str]:
    """fsync and its like by any receiver; `replace` and `rename` of os, or of anything with one argument (a path's)."""
    found = []
    for name in imported(module):
        if name.startswith("os.") and name.removeprefix("os.") in DISK_CALLS:
            found.append(name)
    for call in calls(module):
        if not isinstance(call.func, ast.Attribute) or call.func.attr not in DISK_CALLS:
            continue
        if ast.unparse(call.func.value) in ("DISK", "durable.DISK"):
            continue  # through the one disk
        of_os = isinstance(call.func.value, ast.Name) and call.func.value.id == "os"
        of_path = call.func.attr in ("rename", "replace") and len(call.args) == 1 and not call.keywords
        if of_os or of_path or call.func.attr in ("fsync", "fdatasync"):
            found.append(f"{call.func.attr} in line {call.lineno}")
    return found


def strangers(module: Module) -> list[str]:
    used = {name.split(".")[0] for name in imported(module)}
    return [
        library
        for library, (folder, word) in OWNERS.items()
        if library in used and not (module.path.startswith(folder) and word in owner_name(module))
    ]


def owner_name(module: Module) -> str:
    """The module's own name; the path says the room."""
    return module.path.split("/")[-1]


def too_long(module: Module) -> list[str]:
    found = [f"{len(module.text.splitlines())} lines"] if len(module.text.splitlines()) > LONGEST_FILE else []
    for node in ast.walk(module.tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.end_lineno:
            lines = node.end_lineno - node.lineno + 1
            found += [f"{node.name}: {lines} lines"] if lines > LONGEST_FUNCTION else []
    return found


def many_methods(module: Module) -> list[str]:
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef)
    classes = [node for node in ast.walk(module.tree) if isinstance(node, ast.ClassDef)]
    return [f"{module.path} {c.name}" for c in classes if sum(isinstance(n, kinds) for n in c.body) > MOST_METHODS]


def named(path: str) -> str:
    """A module's dotted name below dncd."""
    return path.removesuffix(".py").removesuffix("/__init__").replace("/", ".")


def graph(modules: list[Module]) -> dict[str, set[str]]:
    """Which module imports which, late and for types alone included; a name given on by a package counts for it."""
    names = {named(module.path) for module in modules}
    found = {}
    for module in modules:
        used = (name.removeprefix("dncd.") for name in imported(module) if name.startswith("dncd."))
        places = {name if name in names else name.rpartition(".")[0] for name in used}
        found[named(module.path)] = (places & names) - {named(module.path)}
    return found


def circles(modules: list[Module]) -> list[list[str]]:
    """What is left when, again and again, all that imports nothing of the rest is taken out."""
    left = graph(modules)
    while free := [name for name, used in left.items() if not used & left.keys()]:
        for name in free:
            del left[name]
    return sorted([name, *sorted(used & left.keys())] for name, used in left.items())


def small_and_alone(modules: list[Module]) -> list[str]:
    used = [name for names in graph(modules).values() for name in names]
    return [
        module.path
        for module in modules
        if len(module.text.splitlines()) < SMALLEST_MODULE and used.count(named(module.path)) == 1
    ]


def sleeps(text: str) -> list[int]:
    """Lines that call sleep, by whatever name it was imported, and those that sleep in disguise."""
    calls = (node for node in ast.walk(ast.parse(text if "sleep" in text else "")) if isinstance(node, ast.Call))
    named = [node.lineno for node in calls if ast.unparse(node.func).split(".")[-1] == "sleep"]
    return sorted(named + disguised_sleeps(text))


def disguised_sleeps(text: str) -> list[int]:
    """Lines that select among nothing, or wait with a limit for an event that is made here and set by nobody."""
    if not ("select(" in text or "Event()" in text):
        return []
    tree, found = ast.parse(text), []
    silent = silent_events(tree)
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            who, _, called = ast.unparse(node.func).rpartition(".")
            among_nothing = called == "select" and [ast.unparse(given) for given in node.args[:3]] == ["[]"] * 3
            waits = called == "wait" and who in silent and (node.args or node.keywords)
            found += [node.lineno] if among_nothing or waits else []
    return found


def silent_events(tree: ast.Module) -> set[str]:
    """Names of events that are made here, set nowhere and given to nobody; one without a name is always silent."""
    made = {"threading.Event()"}
    for node in ast.walk(tree):
        if isinstance(node, ast.Assign):
            names, values = (getattr(side, "elts", [side]) for side in (node.targets[0], node.value))
            made |= {ast.unparse(n) for n, v in zip(names, values, strict=False) if ast.unparse(v) in made}
    used = {ast.unparse(n.value) for n in ast.walk(tree) if isinstance(n, ast.Attribute) and n.attr == "set"}
    given = {ast.unparse(a) for node in ast.walk(tree) if isinstance(node, ast.Call) for a in node.args}
    return made - used - given


def test_every_room_has_a_floor():
    assert len(MODULES) > 20
    assert {module.room for module in MODULES} <= FLOORS.keys()


def test_no_class_has_too_many_methods():
    assert sorted(found for module in MODULES for found in many_methods(module)) == sorted(MANY_METHODS)


def test_a_small_module_that_one_other_imports_has_a_reason():
    assert small_and_alone(MODULES) == sorted(SMALL_AND_ALONE)


def test_nothing_imports_in_circles():
    assert circles(MODULES) == []


def found_in(modules, check):
    """What a rule finds, by module."""
    return {module.path: found for module in modules if (found := check(module))}


def test_each_module_imports_only_downward():
    assert found_in(MODULES, upward) == {}


def test_the_lower_floors_are_pure():
    assert found_in([module for module in MODULES if FLOORS[module.room] <= PURE], impurities) == {}


def test_libraries_are_left_to_their_owner():
    assert found_in(MODULES, strangers) == {}


def test_fsync_and_rename_are_left_to_one_owner():
    assert found_in([module for module in MODULES if module.path != DISK_OWNER], disk_calls) == {}


def test_no_module_is_too_long():
    assert found_in(MODULES, too_long) == {}


def test_no_test_sleeps():
    assert found_in(TESTS, lambda module: sleeps(module.text)) == {}


def test_the_product_sleeps_in_no_disguise():
    assert found_in(MODULES, lambda module: disguised_sleeps(module.text)) == {}


def test_what_tests_share_stands_in_modules_of_its_own():
    assert found_in(TESTS, lambda module: [name for name in imported(module) if name.startswith("test_")]) == {}


@pytest.mark.parametrize(
    ("check", "path", "text"),
    [
        (upward, "line/x.py", "from dncd.records import ledger"),
        (upward, "line/x.py", "def f():\n    import dncd.station.machine"),
        (upward, "tape/x.py", "from ..program import words"),
        (upward, "tape/x.py", "from dncd import program"),
        (upward, "standin/x.py", "from dncd.cli import main"),
        (impurities, "line/x.py", "from time import monotonic"),
        (impurities, "values.py", "import os.path"),
        (impurities, "tape/x.py", "def f():\n    with open('x'):\n        pass"),
        (strangers, "station/x.py", "import serial.tools"),
        (strangers, "ports/port.py", "from watchdog import events"),
        (disk_calls, "records/library.py", "import os\nos.fsync(3)"),
        (disk_calls, "records/library.py", "from os import rename"),
        (disk_calls, "records/library.py", "path.replace(other)"),
        (many_methods, "station/x.py", "class X:\n" + "".join(f"    def m{n}(self): ...\n" for n in range(16))),
        (too_long, "station/x.py", "x = 1\n" * 421),
        (too_long, "station/x.py", "def f():\n" + "    x = 1\n" * 60),
    ],
)
def test_the_checks_find_what_they_look_for(check, path, text):
    assert check(Module(path, text)) != []


def test_circles_and_lonely_modules_are_found_however_they_import():
    a = Module("line/a.py", "if TYPE_CHECKING:\n    from dncd.line.b import B")
    b = Module("line/b.py", "def f():\n    from dncd.line import c")
    c = Module("line/c.py", "from .a import A")
    d = Module("line/d.py", "import dncd.line.a")
    assert circles([a, b, c, d]) == [
        ["line.a", "line.b"],
        ["line.b", "line.c"],
        ["line.c", "line.a"],
        ["line.d", "line.a"],
    ]
    assert circles([a, b, d]) == []
    assert small_and_alone([a, b, c, d]) == ["line/b.py", "line/c.py"]


def test_the_checks_let_pass_what_is_allowed():
    assert upward(Module("standin/x.py", "from dncd.tape.codes import Coder")) == []
    assert disk_calls(Module("cli/x.py", "'a'.replace('b', 'c')\ndataclasses.replace(x, y=1)")) == []
    assert strangers(Module("ports/serial_port.py", "import serial")) == []
    assert sleeps("import time\ntime.sleep(1)") == [2]
    assert sleeps("select.select([], [], [], 0.01)\nselect.select([fd], [], [], 0.01)") == [1]
    assert sleeps("threading.Event().wait(0.1)") == [1]
    assert sleeps("end, pause = 1, threading.Event()\npause.wait(0.1)\npause.wait()") == [2]
    assert sleeps("done = threading.Event()\nworker(done.set)\ndone.wait(0.1)") == []
