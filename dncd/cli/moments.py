"""A moment that a person names: `2026-07-01`, `2026-07-01 14:30`, or with its own zone; or the number of a ledger line."""

import re
from datetime import UTC, datetime, timedelta
from typing import Final

import click

_FORM: Final = re.compile(
    r"\d{4}-\d\d-\d\d(?P<minute>[ T]\d\d:\d\d(?P<second>:\d\d(?P<part>\.\d{1,6})?)?(?P<zone>Z|[-+]\d\d:\d\d)?)?"
)


_NUMBER: Final = re.compile(r"[0-9]{1,7}")


class Moment(click.ParamType):  # type: ignore[type-arg]  # click below 8.4 has no ParamType[str]
    """ISO 8601; the clock here where no zone is said. A day, a minute or a second counts whole: up to its end, or from
    its `first` millisecond. Converts to the ledger's form: UTC, milliseconds, Z. The number of a line (up to seven
    digits) stays as it is."""

    name = "time"

    def __init__(self, *, first: bool = False) -> None:
        self._first = first

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """`click.BadParameter` for what is no time."""
        from dncd.records.ledger import utc_text

        text = str(value).strip()
        if _NUMBER.fullmatch(text):
            return text
        found = _FORM.fullmatch(text)
        try:
            when = datetime.fromisoformat(text) if found else None
            if when is None or found is None:
                raise ValueError
            end = when + timedelta(days=1) if not found["minute"] else when
            if found["minute"] and not found["part"]:
                end = when + (timedelta(seconds=1) if found["second"] else timedelta(minutes=1))
            if end != when:
                end -= timedelta(milliseconds=1)
            return utc_text((when if self._first else end).astimezone(UTC))
        except (ValueError, OverflowError):
            self.fail(
                f"{text!r} is not a time. Write it as 2026-07-01, '2026-07-01 14:30' or 2026-07-01T14:30:00Z,"
                " or give the number of a ledger line",
                param,
                ctx,
            )


at_option = click.option(
    "--at",
    "at",
    metavar="TIME",
    type=Moment(),
    help="As it was then: 2026-07-01, '2026-07-01 14:30', or the number of a ledger line.",
)
