"""Part programs made by rule for tests: lathe and mill, in the dialects that old and new controls read.

Every program knows what it is made of, so that a test can hold what dncd finds against it. The same seed gives the same
programs. The shop is invented.
"""

import json
import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

NIST = json.loads((Path(__file__).parent / "vectors" / "nist_programs.json").read_text("utf-8"))["programs"]
"""Sample programs printed in NISTIR 6556, appendices B.4 and C (verified in a text copy of the report)."""

PARTS = ("FLANGE", "GLAND NUT", "PUMP SHAFT", "BEARING CAP", "SPACER", "VALVE STEM", "GEAR BLANK", "TAIL ROD")


@dataclass(frozen=True)
class Made:
    """A program: name and title as dncd should find them; text with LF block ends; subprograms that it calls."""

    name: str
    title: str
    text: str
    kind: str
    features: frozenset[str]
    calls: tuple[str, ...] = ()

    @property
    def blocks(self) -> list[str]:
        return self.text.split("\n")[:-1]


@dataclass
class Dialect:
    """How one control's programs are written."""

    rng: random.Random
    number: str = "O4"
    step: int = 10
    space: str = " "
    zeros: str = "full"
    case: str = "upper"
    tail: str = ""
    features: set[str] = field(default_factory=set)

    @classmethod
    def any(cls, rng: random.Random) -> "Dialect":
        return cls(
            rng,
            number=rng.choice(["O4", "O4", "O4", "O5", "O8", "O1", ":4", "<>", "O 4"]),
            step=rng.choice([0, 1, 5, 10, 10]),
            space=rng.choice([" ", " ", "", "  ", "\t"]),
            zeros=rng.choice(["full", "short", "point", "signed"]),
            case="lower" if rng.random() < 0.08 else "upper",
            tail=rng.choice(["", "", "", ";", " "]),
        )

    def num(self, value: float) -> str:
        """A dimension with a point."""
        text = f"{value:.3f}"
        match self.zeros:
            case "short":
                text = text.rstrip("0")
            case "point":
                text = text.rstrip("0").replace("-0.", "-.")
                text = text[1:] if text.startswith("0.") and len(text) > 2 else text
            case "signed":
                text = text.rstrip("0")
                text = text if text.startswith("-") else f"+{text}"
        return text

    def code(self, letter: str, value: int) -> str:
        return f"{letter}{value:02d}" if self.zeros != "short" else f"{letter}{value}"

    def block(self, n: int, *words: str) -> str:
        number = [f"N{n * self.step}"] if self.step and n else []
        return self.space.join([*number, *words]) + self.tail


def _head(d: Dialect, number: int, title: str) -> tuple[str, str]:
    comment = f"({title})" if title else ""
    gap = d.rng.choice(["", " "]) if title else ""
    match d.number:
        case "O4":
            return f"O{number:04d}", f"O{number:04d}{gap}{comment}"
        case "O5":
            return f"O{number + 10000}", f"O{number + 10000}{gap}{comment}"
        case "O8":
            return f"O{number:04d}", f"O{number:08d}{gap}{comment}"
        case "O1":
            return f"O{number:04d}", f"O{number}{gap}{comment}"
        case ":4":
            return f"O{number:04d}", f":{number:04d}{gap}{comment}"
        case "O 4":
            return f"O{number:04d}", f"O {number:04d}{gap}{comment}"
    return f"PART-{number}", f"<PART-{number}>{gap}{comment}"


def _turning(d: Dialect) -> Iterator[tuple[str, ...]]:
    r, num, code = d.rng, d.num, d.code
    yield (code("G", 50), f"S{r.randrange(800, 3000)}")
    for tool in range(1, r.randrange(2, 5)):
        yield (code("G", 0), f"T{tool:02d}{tool:02d}", "(ROUGH  AND FINISH)")
        yield (code("G", 96), f"S{r.randrange(80, 300)}", code("M", 3))
        yield (code("G", 0), f"X{num(r.uniform(20, 99))}", f"Z{num(2)}", code("M", 8))
        if r.random() < 0.5:
            d.features.add("roughing cycle")
            yield (code("G", 71), "U2.", "R1.")
            yield (code("G", 71), "P100", "Q200", f"U{num(0.4)}", f"W{num(0.1)}", f"F{num(0.25)}")
        for _ in range(r.randrange(2, 9)):
            yield (
                code("G", 1),
                f"X{num(r.uniform(5, 90))}",
                f"Z{num(r.uniform(-80, -1))}",
                f"F{num(r.uniform(0.05, 0.4))}",
            )
        if r.random() < 0.4:
            d.features.add("corner")
            yield (code("G", 1), f"Z{num(-20)}", ",R2.")
        if r.random() < 0.4:
            d.features.add("thread")
            yield (code("G", 76), "P010060", "Q100", "R.05")
        yield (code("G", 2), f"X{num(30)}", f"Z{num(-12)}", f"R{num(5)}")
        yield (code("G", 0), f"U{num(0)}", f"W{num(50)}")
        if r.random() < 0.3:
            d.features.add("skip")
            yield (f"/{r.choice(['', '2'])}" + code("M", 1),)


def _milling(d: Dialect) -> Iterator[tuple[str, ...]]:
    r, num, code = d.rng, d.num, d.code
    yield (code("G", 90), code("G", 21), code("G", 17), code("G", 40))
    for tool in range(1, r.randrange(2, 6)):
        yield (f"T{tool}", code("M", 6))
        yield (
            code("G", 43),
            code("H", tool),
            f"Z{num(50)}",
            f"S{r.randrange(500, 8000)}",
            code("M", 3),
            "(CUTTER)",
            "(CHECK  LENGTH)",
        )
        for _ in range(r.randrange(3, 12)):
            words = [code("G", r.choice([0, 1])), f"X{num(r.uniform(-99, 99))}", f"Y{num(r.uniform(-99, 99))}"]
            yield (*words, f"F{r.randrange(50, 900)}.") if r.random() < 0.4 else tuple(words)
        if r.random() < 0.4:
            d.features.add("drilling cycle")
            yield (code("G", 83), f"Z{num(-25)}", f"R{num(2)}", "Q5.", "F120.")
            yield (f"X{num(r.uniform(1, 9))}",)
            yield (code("G", 80),)
        yield (code("G", 3), f"X{num(1)}", f"Y{num(2)}", f"I{num(-3)}", f"J{num(0)}")
        if r.random() < 0.2:
            d.features.add("rotary")
            yield (f"A{num(90)}", f"B{num(-45)}", f"C{num(180)}")
        if r.random() < 0.2:
            d.features.add("empty block")
            yield ()


def _macro(d: Dialect) -> Iterator[tuple[str, ...]]:
    d.features.add("macro")
    yield ("#100=1.500",)
    yield ("#101=#100*2.+SIN[30.]",)
    yield ("WHILE[#100 LT 10.]DO1",)
    yield (d.code("G", 1), "X#100", "Z-[#101+0.5]", "F.2")
    yield ("#100=#100+1.",)
    yield ("END1",)
    yield ("IF[#101 GT 20.]GOTO9000",)
    yield (d.code("G", 65), "P9010", "A1.", "B#100")


def one(seed: int) -> Made:
    """The program of a seed."""
    rng = random.Random(seed)
    d = Dialect.any(rng)
    number = rng.randrange(1, 8999)
    title = f"{rng.choice(PARTS)} {seed}" if rng.random() < 0.8 else ""
    name, head = _head(d, number, title)
    kind = rng.choice(["lathe", "mill"])
    words = list(_turning(d) if kind == "lathe" else _milling(d))
    if rng.random() < 0.25:
        words[rng.randrange(len(words)) : 0] = _macro(d)
    calls: tuple[str, ...] = ()
    if rng.random() < 0.3:
        called = rng.randrange(1000, 9999)
        calls = (f"O{called}",)
        words.append((d.code("M", 98), f"P{called}") if rng.random() < 0.5 else (d.code("M", 98), f"P3{called}"))
    end = rng.choice(["M30", "M02", "M99", "M30", "M2"])
    blocks = [head] + ([] if title else ["(NO TITLE HERE)"] if rng.random() < 0.5 else [])
    if not title and len(blocks) == 2:
        title = "NO TITLE HERE"
    blocks += [d.block(n, *block) if block else "" for n, block in enumerate(words, 1)]
    blocks.append(d.block(len(words) + 1, end))
    text = "\n".join(blocks) + "\n"
    if not title:
        first = text.partition("(")[2].partition(")")[0]
        title = " ".join(first.split())
    if d.case == "lower":
        text = head + "\n" + text.split("\n", 1)[1].lower()
        title = title if f"({title})" in head else title.lower()
    d.features |= {
        f"number {d.number}",
        f"zeros {d.zeros}",
        f"blank {d.space!r}",
        f"end {end}",
        f"case {d.case}",
        f"tail {d.tail!r}",
    }
    return Made(name, title, text, kind, frozenset(d.features), calls)


def many(count: int = 330, first: int = 1) -> list[Made]:
    """Programs with different names, in the order of their seeds."""
    made: list[Made] = []
    names: set[str] = set()
    seed = first
    while len(made) < count:
        program = one(seed)
        seed += 1
        if program.name not in names:
            names.add(program.name)
            made.append(program)
    return made


OFFSETS = "G90\nG10 L2 P1 X-100.5 Y20. Z0\nG10 L2 P2 X0 Y0 Z-12.25\nG10 L11 P3 R.05\nM30\n"
PARAMETERS = "N00001 P00000010\nN00002 P00000000\nN01020 A1P88 A2P90\nN01320 P-99999999\n"
VARIABLES = "#500=12.345\n#501=-0.5\n#502=#500\n"
