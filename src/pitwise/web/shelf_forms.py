"""Forms that keep what was typed: a refusal is shown beside the field it is about."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import Depends, Form, Request
from fastapi.responses import Response
from starlette.datastructures import FormData

from pitwise.services.errors import ConflictError, NotAllowedError, QuestionError, ServiceError
from pitwise.services.permissions import Actor
from pitwise.services.shelf_shown import StaleError
from pitwise.web.access import needs
from pitwise.web.render import go, page

LARGEST = 2**31 - 1
# What a service calls a place, by the field of the form it is typed into.
Places = Mapping[str, Sequence[str]]
Keeper = Annotated[Actor, Depends(needs("shelf"))]
Editor = Annotated[Actor, Depends(needs("edit-shelf"))]
Text = Annotated[str, Form()]
# What the services call the fields of an item's and an order's forms.
PLACES = {
    "unit_price": ("currency",),
    "order_line_id": ("order",),
    "supplier_id": ("supplier",),
}


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
    answer : str
        What is sent back when it is so, where it is a question; else empty.
    """

    form: str
    field: str
    problem: str
    mend: str
    given: Mapping[str, str] = dataclasses.field(default_factory=dict)
    status: int = 422
    answer: str = ""


def said(form: FormData, name: str) -> str:
    """Return a text field of a form; empty where there is none."""
    value = form.get(name)
    return value if isinstance(value, str) else ""


def numbered(fields: FormData | Any, prefix: str) -> dict[int, str]:
    """Return what was typed into fields called ``prefix-7``, by their number."""
    out: dict[int, str] = {}
    for name, value in fields.items():
        before, _, number = name.rpartition("-")
        fits = number.isascii() and number.isdigit() and len(number) < 11
        if before == prefix and fits and int(number) <= LARGEST and isinstance(value, str):
            out[int(number)] = value
    return out


async def shown_fields(request: Request) -> dict[str, str]:
    """Return what a form's fields showed before anybody touched them, by field.

    It goes along as ``shown_`` and the field's name.
    """
    sent = await request.form()
    return {
        name.removeprefix("shown_"): said(sent, name) for name in sent if name.startswith("shown_")
    }


Shown = Annotated[dict[str, str], Depends(shown_fields)]


async def pieces_form(request: Request) -> tuple[dict[str, str], dict[int, str]]:
    """Return the texts of a form that asks for pieces of many items, and the pieces by item."""
    async with request.form(max_files=0, max_fields=2000) as form:
        given = {k: v for k, v in form.items() if isinstance(v, str)}
        return given, numbered(form, "piece")


def seen_figure(typed: str) -> int | None:
    """Return the figure that a page showed, which may be below zero; None where it had none.

    Raises
    ------
    ServiceError
        It is no figure: the page was not one of ours, and no check may be left out for it.
    """
    if not typed:
        return None
    if not re.fullmatch(r"-?[0-9]{1,9}", typed):
        raise ServiceError(
            "seen", f"'{typed[:20]}' is no figure that a page shows", "open the page again"
        )
    return int(typed)


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
    answer = error.answer if isinstance(error, QuestionError) else ""
    return Wrong(form, of, problem, error.mend, given, error.status, answer)


def untouched(wrong: Wrong, seen: str) -> Wrong:
    """Return a refusal with the new figure for the field, where it held the book's old one.

    A second touch must not write down a figure that nobody counted; what was typed by hand
    stays.
    """
    moved = wrong.field == "counted" and wrong.status == ConflictError.status
    shown = seen_figure(seen) if moved else None
    if shown is None or wrong.given.get("counted", "").strip() != str(max(0, shown)):
        return wrong
    return dataclasses.replace(wrong, given={})


def came_seen(shown: Sequence[str], line_id: int) -> int:
    """Return how many a page showed to have come of an order's line.

    Raises
    ------
    ServiceError
        The page did not say: nothing could be told about another tablet's boxes.
    """
    figures = dict(text.split(":", 1) for text in shown if ":" in text)
    figure = seen_figure(figures.get(str(line_id), ""))
    if figure is None:
        raise ServiceError(
            "order", "this page does not say how many of it have come", "open the page again"
        )
    return figure


def answer(
    request: Request, template: str, actor: Actor, wrong: Wrong | None, **values: Any
) -> Response:
    """Render a page, with a refusal and its status where a form of it was not taken."""
    status = wrong.status if wrong else 200
    return page(request, template, actor, status=status, wrong=wrong, **values)


def attempt(
    request: Request,
    form: str,
    given: Mapping[str, str],
    do: Callable[[], str],
    again: Callable[[Wrong], Response],
    *,
    places: Places | None = None,
    shown: Mapping[str, str] | None = None,
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
    shown : mapping of str to str, optional
        What the form's fields showed, where somebody else may have changed them since.
    """
    try:
        target = do()
    except NotAllowedError:
        raise
    except ServiceError as error:
        wrong = wrong_of(form, error, given, places or {})
        if isinstance(error, StaleError):
            # What was not touched is shown as it stands now: sent again, it takes nothing back.
            left = {name: typed for name, typed in given.items() if name not in error.untouched}
            wrong = dataclasses.replace(wrong, given=left)
        elif shown is not None:
            # Nobody has been told yet what stands now: the form is as it was sent.
            old = {f"shown_{name}": shown.get(name, "") for name in given}
            wrong = dataclasses.replace(wrong, given={**given, **old})
        return again(wrong)
    return go(request, target)
