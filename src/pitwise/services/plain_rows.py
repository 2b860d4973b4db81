"""Frozen rows as plain JSON data and back, for what is kept as it stood."""

from __future__ import annotations

import dataclasses
import datetime as dt
import types
from collections.abc import Mapping
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints


def to_plain(value: Any) -> Any:
    """Return frozen dataclasses, tuples, sets, mappings and moments as JSON holds them."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(k): to_plain(v) for k, v in value.items()}
    if isinstance(value, tuple | list):
        return [to_plain(v) for v in value]
    if isinstance(value, frozenset | set):
        return sorted(to_plain(v) for v in value)
    if isinstance(value, dt.datetime):
        return value.isoformat()
    return value


def from_plain(kind: Any, data: Any) -> Any:
    """Return what `to_plain` wrote as a value of type `kind`; the inverse of it.

    Fields unknown to `kind` are passed over, so that an older Pitwise's rows can be read.

    Raises
    ------
    ValueError
        A field without a default is missing, or a value is of another type.
    """
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        if not isinstance(data, dict):
            raise ValueError(f"{kind.__name__}: is no object")
        hints = get_type_hints(kind)
        given = {
            f.name: from_plain(hints[f.name], data[f.name])
            for f in dataclasses.fields(kind)
            if f.name in data
        }
        try:
            return kind(**given)
        except TypeError as error:
            raise ValueError(f"{kind.__name__}: {error}") from error
    origin, args = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        if data is None and type(None) in args:
            return None
        return from_plain(next(a for a in args if a is not type(None)), data)
    if origin is Literal:
        if data not in args:
            raise ValueError(f"{data!r} is none of {args}")
        return data
    if origin is tuple:
        if not isinstance(data, list):
            raise ValueError(f"{data!r} is no list")
        if len(args) == 2 and args[1] is Ellipsis:
            return tuple(from_plain(args[0], v) for v in data)
        return tuple(from_plain(a, v) for a, v in zip(args, data, strict=True))
    if origin is frozenset:
        return frozenset(from_plain(args[0], v) for v in data)
    if origin in (Mapping, dict):
        return {k: from_plain(args[1], v) for k, v in data.items()}
    if kind is dt.datetime:
        return dt.datetime.fromisoformat(data)
    if kind is float and isinstance(data, int):
        return float(data)
    if isinstance(kind, type) and not isinstance(data, kind):
        raise ValueError(f"{data!r} is no {kind.__name__}")
    return data
