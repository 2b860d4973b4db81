"""Lives of the book's parts: how long they last, lost or worn, and whether groups differ."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import Response
from markupsafe import Markup

from pitwise.reports.charts import NoReadings
from pitwise.reports.charts.life import LifeRow, Way, survival_chart, ways_chart
from pitwise.services import life_page as pages
from pitwise.services.life_model import MOST_AFTER, MOST_BEFORE
from pitwise.services.life_said import (
    BY_WORDS,
    compared_words,
    group_words,
    headlines,
    notes,
    reconciled_words,
    shape_words,
    share_words,
    too_few_words,
)
from pitwise.services.life_told import GroupTold
from pitwise.services.life_words import END_WORDS, range_words, use_words
from pitwise.services.permissions import Actor
from pitwise.web.access import FilterId, needs, shop_of
from pitwise.web.drawing import drawn_once
from pitwise.web.render import page
from pitwise.web.study_pages import csv_answer

router = APIRouter()
Viewer = Annotated[Actor, Depends(needs("view"))]
Word = Annotated[str, Query(max_length=100)]
Process = Annotated[str, Query(max_length=12)]
_WIDTHS = {"wide": 900, "narrow": 350}
_WAYS = {
    "worn": "worn or damaged",
    "lost": "lost in the cut",
    "changed": "changed while good",
}


def asked_by(
    part: Word = "",
    end: Word = "",
    measure: Word = "starts",
    by: Word = "process",
    process: Process = "",
    case: FilterId = None,
    one: Word = "",
    first_sets: Word = "",
) -> pages.Asked:
    """Read what is asked from an address; the service checks it."""
    return pages.Asked(
        part,
        end,
        measure,
        by,
        pages.process_number(process),
        case,
        one,
        first_sets != "out",
    )


Wanted = Annotated[pages.Asked, Depends(asked_by)]


def _drawn(make: Callable[[int], dict[str, Any] | NoReadings]) -> dict[str, Markup] | None:
    """Draw a chart at both widths; None where there is nothing to draw."""
    out = {}
    for name, width in _WIDTHS.items():
        spec = make(width)
        if isinstance(spec, NoReadings):
            return None
        out[name] = drawn_once(spec)
    return out


def _row(group: GroupTold, top: float) -> LifeRow:
    half = None
    if group.half is not None and group.half_seen:
        middle, spread = group.half
        half = (spread.low, middle, spread.high)
    return LifeRow(group.name, group_words(group), group.steps, group.curve(top), half)


def _pictures(view: pages.LifePage) -> dict[str, dict[str, Markup] | None]:
    top = max((g.longest for g in view.groups), default=0.0)
    rows = [_row(g, top) for g in view.groups]
    name = view.part_name
    title = f"{name}: share not yet {END_WORDS[view.end]}"
    ways = [Way(said, view.ways[way]) for way, said in _WAYS.items() if way in view.ways]
    return {
        "lives": _drawn(lambda w: survival_chart(rows, width=w, title=title, unit=view.unit)),
        "ways": _drawn(
            lambda w: ways_chart(ways, width=w, title=f"{name}: how they ended", unit=view.unit)
        ),
    }


def _link(view: pages.LifePage) -> Callable[..., str]:
    """Make addresses of this page with some of what is asked changed."""
    here: dict[str, str] = {
        "part": view.part,
        "end": view.end,
        "measure": view.measure,
        "by": view.by,
        "process": str(view.process_id or "all"),
        "case": str(view.cure.case_id) if view.cure else "",
        "one": view.one,
        "first_sets": "" if view.first_sets else "out",
    }

    def link(path: str = "/life", **changed: object) -> str:
        asked = here | {k: "" if v is None else str(v) for k, v in changed.items()}
        return f"{path}?{urlencode({k: v for k, v in asked.items() if v})}"

    return link


@router.get("/life")
def life(request: Request, actor: Viewer, asked: Wanted) -> Response:
    """Show how long parts last, how they ended, and how groups compare."""
    view = pages.life_page(shop_of(request), actor, asked)
    return page(
        request,
        "life.html",
        actor,
        view=view,
        link=_link(view),
        headlines=headlines(view),
        notes=notes(view),
        reconciled=reconciled_words(view) if view.rows else "",
        pictures=_pictures(view),
        ends=END_WORDS,
        by_words=BY_WORDS,
        range_words=range_words,
        shape_words=shape_words,
        share_words=share_words,
        too_few_words=too_few_words,
        compared_words=compared_words(view),
        most_before=MOST_BEFORE,
        most_after=MOST_AFTER,
        use_words=use_words,
    )


@router.get("/life.csv")
def life_csv(request: Request, actor: Viewer, asked: Wanted) -> Response:
    """Give the lives shown, as `pitwise life` reads them."""
    view = pages.life_page(shop_of(request), actor, asked)
    return csv_answer(pages.lives_csv(view), f"lives-{view.part}-{view.end}-{view.measure}.csv")
