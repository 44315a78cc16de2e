"""What property tests are fed with; shared by all of them."""

from collections.abc import Iterator
from itertools import pairwise

from hypothesis import strategies as st

LETTERS = "ABCDFGHIJKLMNPQRSTUVWXYZ"

numbers = st.one_of(
    st.integers(0, 9999).map(str),
    st.decimals(-999, 999, places=3, allow_nan=False).map(lambda value: f"{value:.3f}"),
    st.decimals(-99, 99, places=2, allow_nan=False).map(lambda value: f"{value:.2f}".rstrip("0")),
)
words = st.builds(lambda letter, number: letter + number, st.sampled_from(LETTERS), numbers)
comments = st.text("ABCXYZ 0123456789.-/", max_size=20).map(lambda text: f"({text})")
blanks = st.sampled_from(["", " ", "  ", "\t"])
blocks = st.builds(
    lambda number, parts, blank: blank.join([*number, *parts]),
    st.lists(st.integers(1, 9999).map(lambda n: f"N{n}"), max_size=1),
    st.lists(st.one_of(words, words, words, comments), max_size=6),
    blanks,
)
"""One block of a program, sometimes empty."""

bodies = st.lists(blocks, min_size=1, max_size=30).map(lambda found: "".join(f"{block}\n" for block in found))
"""The text between two marks, LF block ends."""

line_ends = st.sampled_from(["\n", "\r\n", "\r", "\n\r\r", "\r\n\n"])

any_blocks = st.text(st.characters(codec="ascii", exclude_characters="\r\n\0\x1a"), max_size=40)
"""A block that no control may understand: any ASCII but line ends and what is dropped at a file's end."""


@st.composite
def cuts(draw: st.DrawFn, data: bytes) -> list[bytes]:
    """The data cut into chunks at any places, some of them empty."""
    places = sorted(draw(st.lists(st.integers(0, len(data)), max_size=8)))
    return list(_parts(data, [0, *places, len(data)]))


def _parts(data: bytes, places: list[int]) -> Iterator[bytes]:
    for start, stop in pairwise(places):
        yield data[start:stop]
