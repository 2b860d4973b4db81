"""Forms that keep what was typed: a refusal is shown beside the field it is about."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from fastapi import Request
from fastapi.responses import Response

from pitwise.services.errors import NotAllowedError, ServiceError
from pitwise.web.render import go

# What a service calls a place, by the field of the form it is typed into.
Places = Mapping[str, Sequence[str]]


@dataclass(frozen=True)
class Wrong:
    """Why a form was not taken.

    Attributes
    ----------
    form : str
        Which form of the page.
    field : str
        Name of the field it is about; empty: the whole form.
    problem, mend : str
    given : mapping of str to str
        What was typed, to be shown again.
    status : int
    """

    form: str
    field: str
    problem: str
    mend: str
    given: Mapping[str, str] = field(default_factory=dict)
    status: int = 422


def wrong_of(form: str, error: ServiceError, given: Mapping[str, str], places: Places) -> Wrong:
    """Say where in a form a service's refusal belongs."""
    place = error.place.strip().lower().replace("_", " ")
    of = next(
        (
            name
            for name in given
            if place == name.replace("_", " ") or place in (p.lower() for p in places.get(name, ()))
        ),
        "",
    )
    # Beside its field the place is plain; elsewhere it is said.
    problem = error.problem if of else f"{error.place}: {error.problem}"
    return Wrong(form, of, problem, error.mend, given, error.status)


def attempt(
    request: Request,
    form: str,
    given: Mapping[str, str],
    do: Callable[[], str],
    again: Callable[[Wrong], Response],
    *,
    places: Places | None = None,
) -> Response:
    """Do what a form asks and go where that leads; refused, show the form again as it was.

    Parameters
    ----------
    request : Request
    form : str
        Its name on the page.
    given : mapping of str to str
        What was typed, by field.
    do : callable
        Calls the service; gives the address to go to.
    again : callable
        Renders the page with the refusal in it.
    places : mapping of str to sequence of str, optional
        Further names that the service has for a field.
    """
    try:
        target = do()
    except NotAllowedError:
        raise
    except ServiceError as error:
        return again(wrong_of(form, error, given, places or {}))
    return go(request, target)
