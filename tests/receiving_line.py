"""The receiving machine as tests feed it."""

from dncd.choices import USUAL_ENDS, EndsOn, TapeCode
from dncd.line.codes import Alphabet
from dncd.line.receiving import Began, Caught, Ended, Receiving, Said
from dncd.tape.codes import Coder
from dncd.values import Frame

CHAR_S = 0.001


def make(code=TapeCode.ISO, frame="7E1", ends_on=EndsOn.MARK, block_end=USUAL_ENDS[0], closes="%", **more):
    coder = Coder(code, Frame.parse(frame), ends=block_end)
    return Receiving(
        Alphabet.of(coder, "%", closes), code, ends_on=ends_on, silence_s=2.0, char_s=CHAR_S, **more
    ), coder


def tidy(events):
    """Events with neighbouring Caught joined and times left out."""
    out = []
    for event in events:
        match event:
            case Caught():
                if out and out[-1][0] == "caught":
                    out[-1] = ("caught", out[-1][1] + event.data)
                else:
                    out.append(("caught", event.data))
            case Began():
                out.append(("began",))
            case Ended():
                out.append(("ended", event.why, event.chars))
            case Said():
                out.append(("said", event.code))
    return out


def wire(text, frame="7E1", code=TapeCode.ISO):
    return bytes(Coder(code, Frame.parse(frame)).encode(text))
