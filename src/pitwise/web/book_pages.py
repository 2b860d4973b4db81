"""Records, their PDF and corrections; a part's history and its chart."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import Response

from pitwise.bench.decide import PIT_PART
from pitwise.services import signing, views
from pitwise.services.permissions import Actor
from pitwise.web.access import needs, shop_of
from pitwise.web.render import go, page

router = APIRouter()
Viewer = Annotated[Actor, Depends(needs("view"))]
Inspector = Annotated[Actor, Depends(needs("inspect"))]
PAGE_SIZE = 50


@router.get("/records")
def records(
    request: Request, actor: Viewer, torch: int | None = None, page_number: int = 1
) -> Response:
    """List signed inspections, newest first."""
    lines, count = views.records(
        shop_of(request), actor, torch_id=torch, page=page_number, size=PAGE_SIZE
    )
    return page(
        request,
        "records.html",
        actor,
        lines=lines,
        count=count,
        torch=torch,
        number=max(1, page_number),
        pages=max(1, -(-count // PAGE_SIZE)),
    )


@router.get("/records/{number}")
def record(request: Request, actor: Viewer, number: int) -> Response:
    """Show one record whole."""
    view = views.record(shop_of(request), actor, number)
    return page(
        request,
        "record.html",
        actor,
        view=view,
        record=view.record,
        marks={p["part"]: p["action"] for p in view.record["parts"]},
        hrefs={p["part"]: f"#{p['part']}" for p in view.record["parts"]},
        links=view.item_ids,
    )


@router.post("/records/{number}/correct")
def correct(
    request: Request,
    actor: Inspector,
    number: int,
    reason: Annotated[str, Form()] = "",
    key: Annotated[str, Form()] = "",
) -> Response:
    """Open a correction of a record."""
    draft = signing.correct(shop_of(request), actor, number, reason=reason, key=key)
    return go(request, f"/bench/{draft}?part=sign")


@router.get("/parts/{item_id}")
def part(request: Request, actor: Viewer, item_id: int) -> Response:
    """Show one part's history."""
    history = views.part_history(shop_of(request), actor, item_id)
    return page(
        request,
        "part.html",
        actor,
        history=history,
        is_electrode=history.item.part_type.part == PIT_PART,
        chart=None,
        chart_narrow=None,
    )
