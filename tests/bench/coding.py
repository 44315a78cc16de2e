"""How much coding a 10 MB program costs beside `bytes.translate` alone. Run: python tests/bench/coding.py

Prints, for each code, the seconds and the ratio to one bare `bytes.translate` of as many bytes (best of five, interleaved).
"""

import time
from collections.abc import Callable

from dncd.choices import BlockEnd, EndsOn, TapeCode
from dncd.tape.capture import read_capture
from dncd.tape.codes import Coder
from dncd.tape.image import significant_chunks
from dncd.values import Frame, TapeSettings, WireBytes

CHARS = 10_000_000
PIECE = 65_536
ROUNDS = 5


def program() -> str:
    """10 MB of blocks such as a mould program has."""
    block = "".join(f"N{n} G01 X{n % 977}.{n % 10} Y-{n % 89}.25 Z{n % 7}.5 F300\n" for n in range(10, 10_000, 10))
    return (block * (CHARS // len(block) + 1))[:CHARS].rpartition("\n")[0] + "\n"


def best(jobs: dict[str, Callable[[], object]]) -> dict[str, float]:
    """Seconds of the quickest of some interleaved rounds."""
    times: dict[str, float] = dict.fromkeys(jobs, float("inf"))
    for _ in range(ROUNDS):
        for name, job in jobs.items():
            start = time.perf_counter()
            job()
            times[name] = min(times[name], time.perf_counter() - start)
    return times


def measure(name: str, tape: TapeSettings, frame: str, text: str) -> None:
    """One code, all its ways, printed."""
    coder = Coder(tape.code, Frame.parse(frame))
    pieces = [text[at : at + PIECE] for at in range(0, len(text), PIECE)]
    wire = WireBytes(b"".join(significant_chunks("%", pieces, "%", coder)))
    hit = bytearray(wire)
    for at in range(1000, len(hit), len(hit) // 40):
        hit[at] ^= 0x02
    table = bytes(range(256))
    times = best(
        {
            "bytes.translate alone": lambda: wire.translate(table),
            "look for uncodable characters": lambda: [list(coder.uncodable(piece)) for piece in pieces],
            "code the image": lambda: sum(map(len, significant_chunks("%", pieces, "%", coder))),
            "decode": lambda: coder.decode(wire).faults,
            "read a good capture": lambda: read_capture(wire, tape, coder, EndsOn.MARK),
            "read one with 40 damaged characters": lambda: read_capture(
                WireBytes(bytes(hit)), tape, coder, EndsOn.MARK
            ),
            "read one that is all damage": lambda: read_capture(
                WireBytes(bytes([0x83]) * len(wire)), tape, coder, EndsOn.MARK
            ),
        }
    )
    alone = times["bytes.translate alone"]
    print(f"{name}, {len(wire)} characters on the line")
    for what, seconds in times.items():
        print(f"  {what:36} {seconds:7.4f} s {seconds / alone:7.1f} x")


def main() -> None:
    """All codes."""
    text = program()
    measure("ISO 7E2, LF", TapeSettings(), "7E2", text)
    measure("ISO 7E2, LF CR CR", TapeSettings(block_end=BlockEnd("LF CR CR")), "7E2", text)
    measure("EIA", TapeSettings(code=TapeCode.EIA), "8N1", text)


if __name__ == "__main__":
    main()
