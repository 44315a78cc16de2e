"""A control's whole memory as it punches it: programs between one pair of marks, by four-digit number or `<NAME>`.

Made of the programs of `programs`; the form of the dump (block ends LF CR CR, several programs between two marks) is that
of older controls: LF CR CR is verified (a later control manual on data formats), the several programs are common practice.
"""

from programs import Made, one

from dncd.choices import USUAL_ENDS, BlockEnd

PRINTABLE = frozenset(map(chr, range(0x20, 0x7F))) | {"\t", "\n"}


def memory(count: int = 370, first: int = 1) -> list[Made]:
    """Programs with different names: those with a four-digit number, and those with a name in angle brackets."""
    made: list[Made] = []
    seen: set[str] = set()
    seed = first
    while len(made) < count:
        program = one(seed)
        seed += 1
        fits = program.features & {"number O4", "number <>"} and "case upper" in program.features
        if fits and program.name not in seen and set(program.text) <= PRINTABLE:
            seen.add(program.name)
            made.append(program)
    return made


def dump(programs: list[Made], end: BlockEnd = USUAL_ENDS[3]) -> bytes:
    """The characters of the dump, seven bits each, from the opening mark through the closing one's block end."""
    text = "%\n" + "".join(program.text for program in programs) + "%\n"
    return text.replace("\n", end.chars).encode("ascii")


def even(chars: bytes) -> bytes:
    """The same characters with even parity in the eighth bit (ISO 840; verified)."""
    return bytes(char | (char.bit_count() % 2) << 7 for char in chars)
