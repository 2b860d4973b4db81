"""Two tablets at one form: nobody writes over what they have not seen."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from pitwise.services.errors import ConflictError
from pitwise.services.fields import clean_text
from pitwise.services.shelf_typed import plain_number
from pitwise.shelf.unit_price import plain_price

# A second touch is knowing: the page shows by then what it would write over.
_MEND = "read what stands there now; saved again, what you typed holds"


class StaleError(ConflictError):
    """Somebody else changed since what was changed here; `problem` names what stands.

    Attributes
    ----------
    untouched : frozenset of str
        The fields that nobody changed here; shown again, they are to show what stands.
    """

    def __init__(self, place: str, problem: str, mend: str, untouched: frozenset[str]) -> None:
        super().__init__(place, problem, mend)
        self.untouched = untouched


def quoted(value: object) -> str:
    """Return a value as a refusal names it."""
    if value is None or value == "":
        return "empty"
    if isinstance(value, str):
        return f"'{value}'"
    return plain_number(value) if isinstance(value, float) else str(value)


def amount(value: float | None) -> str:
    """Return an amount of money as a refusal names it."""
    return "empty" if value is None else plain_price(value)


def percent(value: float | None) -> str:
    """Return a share as a refusal names it."""
    return "empty" if value is None else f"{plain_number(100 * value)} %"


@dataclass(frozen=True)
class Said:
    """How a field of a form is spoken of.

    Attributes
    ----------
    word : str
        What people call it.
    say : callable
        Words for a value of it.
    of : tuple of str
        Fields without which this one says nothing: a price is one supplier's, in one
        currency. Who changes either has to have seen the other as it stands.
    place : str
        Where a refusal of it belongs; empty: by its own name.
    """

    word: str
    say: Callable[[Any], str] = quoted
    of: tuple[str, ...] = ()
    place: str = ""


def as_kept(place: str, text: str, *, longest: int = 400) -> str:
    """Return a text that a screen showed as it is kept: forms send line ends of their own."""
    return clean_text(place, text.replace("\r\n", "\n"), longest=longest, empty_ok=True, lines=True)


def settle(
    said: Mapping[str, Said],
    given: Mapping[str, Any],
    shown: Mapping[str, Any],
    stands: Mapping[str, Any],
) -> dict[str, Any]:
    """Return what is to be in the book: a field that nobody touched stays as it stands.

    Parameters
    ----------
    said : mapping of str to Said
        The form's fields.
    given, shown, stands : mapping of str to object
        By field, what was sent, what the page had shown before, and what the book has now.
        A field the page did not show is taken for one that somebody else has changed.

    Raises
    ------
    StaleError
        A field was changed here and elsewhere, or of two that belong together one here and
        the other elsewhere. It names all of them.
    """
    agreed = {name for name in said if _same(given[name], stands[name])}
    touched = {name for name in said if not _same(given[name], shown.get(name))}
    moved = {name for name in said if not _same(stands[name], shown.get(name))}
    ours = touched - agreed
    stale = [
        name
        for name in said
        if name in moved - agreed
        and any(mine == name or mine in said[name].of or name in said[mine].of for mine in ours)
    ]
    if stale:
        told = "; ".join(
            f"the {of.word} is {of.say(stands[name])} by now; "
            f"this page showed {of.say(shown.get(name))}"
            for name, of in ((name, said[name]) for name in stale)
        )
        place = said[stale[0]].place or stale[0]
        raise StaleError(place, told, _MEND, frozenset(said) - touched)
    return {name: given[name] if name in ours else stands[name] for name in said}


def _same(one: object, other: object) -> bool:
    if isinstance(one, float) and isinstance(other, float):
        # As far as a page shows it: 57 % is 0.57, whichever way it was reckoned.
        return math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-9)
    return one == other
