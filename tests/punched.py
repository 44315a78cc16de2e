"""Punches made by rule: a control with its own rate, frame and code, a line with noise, a port that listens.

Nothing of what finds the settings is used here but the waveform, which has its own tests.
"""

import random
from dataclasses import dataclass, replace

from damaged_waveform import noisy
from programs import one
from waveform import Fault, Pauses, Resync, receive_waveform, send_waveform

from dncd.choices import TapeCode
from dncd.commissioning.resampling import Chunk, Punch
from dncd.tape.codes import Coder
from dncd.values import Frame, IsoBytes

COMMON_RATES = (300, 600, 1200, 1800, 2400, 4800, 7200, 9600, 14400, 19200, 28800, 38400)
KINDS = (
    ("7E1", TapeCode.ISO),
    ("7E2", TapeCode.ISO),
    ("7O1", TapeCode.ISO),
    ("8N1", TapeCode.ISO),
    ("8N2", TapeCode.ISO),
    ("8N1", TapeCode.EIA),
    ("8N2", TapeCode.EIA),
)


@dataclass(frozen=True)
class Control:
    """A control that punches one program. clock: its rate against the nominal; looks: how the port is looked at ("fifo":
    a UART on the board; "adaptor": at a USB adaptor's ticks, each of `tick_s` seconds)."""

    baud: int
    frame: str
    code: TapeCode
    chars: bytes
    leader: int
    block_end: str
    pauses: Pauses
    clock: float
    resync: Resync
    noise: float = 0.001
    looks: str = "fifo"
    tick_s: float = 0.016
    marks_told: bool = True

    @classmethod
    def of(cls, seed: int, **fixed: object) -> "Control":
        """The control of a seed; every program has 200 characters or more."""
        rng = random.Random(seed)
        frame, code = rng.choice(KINDS)
        if "frame" in fixed:
            frame, code = fixed["frame"], fixed["code"]
        block_end = rng.choice(["\n", "\n", "\r\n", "\n\r\r"]) if code is TapeCode.ISO else "\n"
        end_byte = 0x80 if code is TapeCode.EIA else 0x0A
        chars = _program(seed, code, rng.randrange(200, 3000))
        made = cls(
            baud=rng.choice(COMMON_RATES),
            frame=frame,
            code=code,
            chars=chars,
            leader=rng.choice([0, 0, 30, 100]),
            block_end=block_end,
            pauses=rng.choice(
                [Pauses(), Pauses(), Pauses(), Pauses(0, rng.uniform(20, 90), frozenset({end_byte, 0x8A}))]
            ),
            clock=rng.uniform(0.99, 1.01),
            resync=rng.choice(list(Resync)),
        )
        return replace(made, **fixed)

    @property
    def wire(self) -> bytes:
        """Eight-bit values as the control means them (parity is the frame's for seven bits)."""
        coder = Coder(self.code, Frame.parse("8N1"))
        body = self.chars.replace(b"\n", self.block_end.encode())
        return bytes(self.leader) + coder.encode(IsoBytes(body)) + bytes(self.leader)

    def punch(self, listening: int, chance: random.Random) -> Punch:
        """What a port hears that listens as 8N1 at this rate."""
        frame = Frame.parse(self.frame)
        rate = self.baud * self.clock
        wave = noisy(send_waveform(self.wire, frame, rate, 0.05, self.pauses), 1 / rate, self.noise, chance)
        heard = receive_waveform(wave, Frame.parse("8N1"), listening, self.resync, chance.random())
        looks: list[list[int]] = []
        ats: list[float] = []
        for index, one_char in enumerate(heard):
            if self.looks == "adaptor":
                at = (int(one_char.at / self.tick_s) + 1) * self.tick_s
                new = not ats or at > ats[-1] + 1e-9
            else:
                # a 16550 tells at eight characters, or when the line rests for four
                at = one_char.at
                rests = index and one_char.at - heard[index - 1].at > 50 / listening
                new = not looks or len(looks[-1]) >= 8 or bool(rests)
            if new:
                looks.append([])
                ats.append(at)
            looks[-1].append(index)
            ats[-1] = at
        if self.looks == "fifo":  # a lone rest of less than eight waits for four character times
            ats = [at if len(look) >= 8 else at + 40 / listening for look, at in zip(looks, ats, strict=True)]
        chunks = []
        for look, at in zip(looks, ats, strict=True):
            data = bytes(heard[index].value for index in look)
            bad = tuple(k for k, index in enumerate(look) if heard[index].fault & Fault.FRAMING and self.marks_told)
            chunks.append(Chunk(at + chance.uniform(0, min(0.001, self.tick_s / 10)), data, bad))
        return Punch(listening, tuple(chunks))


def _program(seed: int, code: TapeCode, least: int) -> bytes:
    """A program between marks, of at least `least` characters (whole programs are strung together), in this code."""
    coder = Coder(code, Frame.parse("8N1"))
    text = ""
    k = seed * 1000
    while len(text) < least:
        k += 1
        made = one(k).text
        if code is TapeCode.EIA:
            made = made.replace(":", "O").upper()
            made = "".join(
                line + "\n" for line in made.split("\n")[:-1] if not any(True for _ in coder.uncodable(line))
            )
        text += made
    if len(text) > least + 200:
        text = text[: text.index("\n", least) + 1]
    return f"%\n{text}%\n".encode()
