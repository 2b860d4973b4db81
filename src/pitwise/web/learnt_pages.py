"""What the shop has learnt, what is normal, and the ranges of a station's readings."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Form, Query, Request
from fastapi.responses import Response

from pitwise.services import learning, ranges
from pitwise.services.case_sheet import place_names
from pitwise.services.permissions import Actor
from pitwise.web.access import Id, needs, shop_of
from pitwise.web.render import go, page

router = APIRouter()
Viewer = Annotated[Actor, Depends(needs("view"))]
Teacher = Annotated[Actor, Depends(needs("learning"))]
RangeSetter = Annotated[Actor, Depends(needs("reading-ranges"))]
Text = Annotated[str, Form()]
Event = Annotated[int | None, Form(ge=0, le=2**31 - 1)]
SHOWN = 10


@router.get("/causes/learnt")
def learnt(request: Request, actor: Viewer) -> Response:
    """Show the sheet's numbers and the shop's side by side."""
    view = learning.learning_view(shop_of(request), actor)
    kinds = [
        (
            kind,
            title,
            [x for x in view.lines if x.kind == kind],
        )
        for kind, title in (
            ("base", "How often each is the cause"),
            ("link", "How often a cause makes a finding"),
            ("leak", "How often a finding is there without any of these causes"),
        )
    ]
    return page(request, "learnt.html", actor, view=view, kinds=kinds, most=SHOWN)


@router.post("/causes/learnt/freeze")
def freeze(request: Request, actor: Teacher, reason: Text = "", newest: Event = None) -> Response:
    """Keep the learnt numbers as they stand."""
    learning.freeze_learning(shop_of(request), actor, reason=reason, based_on=newest)
    return go(request, "/causes/learnt?done=frozen")


@router.post("/causes/learnt/unfreeze")
def unfreeze(request: Request, actor: Teacher, reason: Text = "", newest: Event = None) -> Response:
    """Let learning go on."""
    learning.unfreeze_learning(shop_of(request), actor, reason=reason, based_on=newest)
    return go(request, "/causes/learnt?done=let-go-on")


@router.post("/causes/learnt/reset")
def reset(
    request: Request, actor: Teacher, reason: Text = "", newest: Event = None, sure: Text = ""
) -> Response:
    """Begin anew; without the second tick it only asks."""
    if sure != "yes":
        view = learning.learning_view(shop_of(request), actor)
        # A form swaps nothing but messages in; the question is a page of its own.
        return page(request, "learnt_reset.html", actor, view=view, reason=reason[:400])
    learning.reset_learning(shop_of(request), actor, reason=reason, based_on=newest)
    return go(request, "/causes/learnt?done=begun-anew")


@router.get("/causes/normal")
def normal(
    request: Request, actor: Viewer, where: Annotated[str, Query(max_length=40)] = ""
) -> Response:
    """List what looks worrying and is not, by place."""
    sheet = shop_of(request).base
    places = [
        (place, name, found)
        for place, name in place_names(sheet).items()
        if (found := [n for n in sheet.normals if n.where == place])
    ]
    one = [p for p in places if p[0] == where]
    return page(request, "normal.html", actor, places=one or places, every=not one)


@router.get("/shop/station/{station_id}/ranges")
def station_ranges(request: Request, actor: Viewer, station_id: Id) -> Response:
    """Show the range of every reading at a station."""
    view = ranges.ranges_view(shop_of(request), actor, station_id)
    return page(request, "ranges.html", actor, view=view)


@router.post("/shop/station/{station_id}/ranges")
def set_range(
    request: Request,
    actor: RangeSetter,
    station_id: Id,
    reading: Text = "",
    low: Text = "",
    high: Text = "",
    unit: Text = "",
    reason: Text = "",
    based_on: Event = None,
) -> Response:
    """Set the range of one reading."""
    ranges.set_range(
        shop_of(request),
        actor,
        station_id,
        reading,
        low=low,
        high=high,
        unit=unit,
        reason=reason,
        based_on=based_on,
    )
    return go(request, f"/shop/station/{station_id}/ranges?done=saved#{reading}")
