"""The one codec of what is durable and typed: frozen dataclasses as JSON objects that name their format.

A key that a type does not know comes from a newer dncd of the same format and is left out; one that is missing gets its
default. A larger `format` is not read at all: what is written there may mean something else.
"""

import dataclasses
import enum
import functools
import json
import types
import typing
from collections.abc import Mapping
from typing import Any, Final, TypeVar

FORMAT: Final = 1
"""Of what this dncd writes. Records of 0.1.0 name none."""

_T = TypeVar("_T")


def encode(record: Any, **head: str) -> bytes:
    """A record as JSON in ASCII, with `format` and what stands in `head` before its own keys."""
    plain = {"format": FORMAT, **head, **dataclasses.asdict(record)}
    return (json.dumps(plain, indent=1) + "\n").encode("ascii")


def decode(kinds: Mapping[str, type[_T]] | type[_T], data: bytes) -> _T:
    """The record in these bytes: of one type, or of the one that its key `kind` names. ValueError, in a few words,
    where they are no such record or one of a newer dncd."""
    try:
        plain = json.loads(data)
    except RecursionError as error:
        raise ValueError("it is nested too deeply") from error
    if not isinstance(plain, dict):
        raise ValueError("it is no JSON object")
    written = plain.get("format", 0)
    if not isinstance(written, int) or written > FORMAT:
        raise ValueError(f"it has format {written}, and this dncd reads up to {FORMAT}")
    if isinstance(kinds, type):
        kind = kinds
    elif isinstance(named := plain.get("kind"), str) and named in kinds:
        kind = kinds[named]
    else:
        raise ValueError("it does not say what kind of record it is")
    return typing.cast(_T, _built(kind, plain))


@functools.cache
def _fields(kind: type[Any]) -> dict[str, Any]:
    hints = typing.get_type_hints(kind)
    return {field.name: hints[field.name] for field in dataclasses.fields(kind)}


def _built(kind: Any, value: Any) -> Any:
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if dataclasses.is_dataclass(kind) and isinstance(value, dict):
        known = {
            name: _built(hint, value[name]) for name, hint in _fields(typing.cast(Any, kind)).items() if name in value
        }
        try:
            return typing.cast(Any, kind)(**known)
        except TypeError as error:
            raise ValueError(f"a key is missing: {error}") from error
    if origin is tuple and isinstance(value, list):
        kinds = inner[:1] * len(value) if inner[1:] == (...,) else inner
        return tuple(_built(each, item) for each, item in zip(kinds, value, strict=True))
    if origin is dict and isinstance(value, dict):
        return {key: _built(inner[1], item) for key, item in value.items()}
    if origin is types.UnionType:  # always "something or null"
        return None if value is None else _built(inner[0], value)
    if isinstance(kind, type) and issubclass(kind, enum.Enum):
        return kind(value)
    if kind is float and type(value) is int:
        return float(value)
    if type(value) is not kind:
        raise ValueError(f"{value!r:.40} stands where {kind} is wanted")
    return value
