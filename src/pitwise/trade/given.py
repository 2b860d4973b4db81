"""Plain data out of a file, checked: every refusal names its place and the mend."""

from __future__ import annotations

import difflib
import json
import math
from collections.abc import Iterable, Mapping
from typing import Any

# More known words than this are counted, not listed.
_MOST_NAMED = 12
# No quantity needs a whole number of more digits.
_MOST_DIGITS = 300


class InputError(ValueError):
    """Input that can't be worked with: names the place in it and the mend.

    Attributes
    ----------
    place : str
        Path in the input, such as ``parts.nozzle.seen[2]``.
    problem, mend : str
    """

    def __init__(self, place: str, problem: str, mend: str) -> None:
        # Half a surrogate pair, which JSON can spell, is no text that can be printed.
        place, problem, mend = (
            printable(words.encode("utf-8", "backslashreplace").decode())
            for words in (place, problem, mend)
        )
        self.place, self.problem, self.mend = place, problem, mend
        super().__init__(f"{place or 'input'}: {problem}. Mend: {mend}.")


def printable(text: str) -> str:
    """Return a text with what would steer a terminal spelt out."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def shown(value: object) -> str:
    """Return a value as it stood in the file, shortened."""
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else text[:57] + "…"


def near(word: str, known: Iterable[str]) -> str:
    """Return the mend of an unknown word: the nearest known one, or all of few."""
    known = list(known)
    found = nearest(word, known)
    if found is not None:
        return f"did you mean '{found}'"
    if len(known) > _MOST_NAMED:
        return f"use one of {len(known)}, such as {', '.join(known[:3])}"
    return f"use one of: {', '.join(known)}"


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word nearest to one, small and capital letters alike; None: none is near.

    Where letters' case is the only difference, that word is meant.
    """
    folded: dict[str, str] = {}
    for name in known:
        folded.setdefault(name.casefold(), name)
    found = difflib.get_close_matches(word[:200].casefold(), folded, 1, 0.5)
    return folded[found[0]] if found else None


def an_object(value: object, place: str, keys: Iterable[str] | None) -> Mapping[str, Any]:
    """Return an object of which `keys` are known (None: any)."""
    if not isinstance(value, dict):
        raise InputError(place, f"{shown(value)} is not an object", "write { … } here")
    if keys is not None:
        known = list(keys)
        for key in value:
            if key not in known:
                raise InputError(
                    f"{place}.{key}".strip(".")[:120],
                    "not a field that is known here",
                    near(str(key), known),
                )
    return value


def a_list(value: object, place: str) -> list[Any]:
    """Return a list."""
    if not isinstance(value, list):
        raise InputError(place, f"{shown(value)} is not a list", "write [ … ] here")
    return value


def a_text(value: object, place: str) -> str:
    """Return a text of 1 to 200 characters."""
    if not isinstance(value, str) or not value.strip():
        raise InputError(place, f"{shown(value)} is not a text", 'write it in quotes, such as "…"')
    if len(value) > 200:
        raise InputError(place, "the text is longer than 200 characters", "shorten it")
    return value


def a_flag(value: object, place: str) -> bool:
    """Return true or false."""
    if not isinstance(value, bool):
        raise InputError(
            place,
            f"{shown(value)} is not true or false",
            "write true or false, without quotes",
        )
    return value


def a_number(value: object, place: str, low: float, high: float, unit: str) -> float:
    """Return a number from `low` to `high`."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise InputError(
            place,
            f"{shown(value)} is not a number",
            f"write a plain number in {unit}, without quotes",
        )
    # Compare before float(): an int may be too large for a double.
    if not low <= value <= high or math.isnan(value):
        raise InputError(
            place,
            f"{shown(value)} is out of range",
            f"give a number from {low:g} to {high:g} {unit}",
        )
    return float(value)


def parse_json(text: str, page: str) -> Any:
    """Read JSON text, each key once; `page` is the document that shows the form."""

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        out: dict[str, Any] = {}
        for key, value in pairs:
            if key in out:
                raise InputError(key[:60], "stands twice in the same object", "keep one of them")
            out[key] = value
        return out

    def whole(digits: str) -> int:
        if len(digits) > _MOST_DIGITS:
            before = text[: text.find(digits)]
            line = before.count("\n") + 1
            column = len(before) - (before.rfind("\n") + 1) + 1
            raise InputError(
                f"line {line}, column {column}",
                f"a number of {len(digits):,} digits",
                "write plain numbers",
            )
        return int(digits)

    try:
        return json.loads(text, object_pairs_hook=once, parse_int=whole)
    except json.JSONDecodeError as error:
        raise InputError(
            f"line {error.lineno}, column {error.colno}",
            f"not JSON: {error.msg}",
            "correct the text there",
        ) from error
    except RecursionError as error:
        raise InputError("input", "nested too deeply", f"follow the form in {page}") from error
    except ValueError as error:
        if isinstance(error, InputError):
            raise
        raise InputError("input", f"unreadable number ({error})", "write plain numbers") from error
