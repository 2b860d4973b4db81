"""Labels to print: boxes and individual parts."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import Response

from pitwise.services import labels as service
from pitwise.services import shelf_view, views
from pitwise.services.errors import ServiceError
from pitwise.services.permissions import Actor
from pitwise.web.access import FilterId, needs, shop_of
from pitwise.web.render import page
from pitwise.web.shelf_forms import Wrong, numbered, wrong_of

router = APIRouter()
Keeper = Annotated[Actor, Depends(needs("shelf"))]


@router.get("/shelf/labels")
def labels_page(
    request: Request,
    actor: Keeper,
    item: FilterId = None,
    part: FilterId = None,
) -> Response:
    """Choose labels to print; an item or a part may be chosen already."""
    chosen = {f"item-{item}": "1"} if item else {}
    if part:
        history = views.part_history(shop_of(request), actor, part)
        chosen["tags"] = history.item.tag
    return _labels(request, actor, chosen=chosen)


def _labels(
    request: Request,
    actor: Actor,
    *,
    chosen: dict[str, str],
    wrong: Wrong | None = None,
) -> Response:
    return page(
        request,
        "shelf_labels.html",
        actor,
        status=wrong.status if wrong else 200,
        view=shelf_view.shelf_page(shop_of(request), actor),
        papers=service.PAPERS,
        chosen=chosen,
        wrong=wrong,
    )


@router.get("/shelf/labels.pdf")
def labels_pdf(
    request: Request,
    actor: Keeper,
    paper: Annotated[str, Query(max_length=40)] = "",
    skip: Annotated[str, Query(max_length=12)] = "",
    tags: Annotated[str, Query(max_length=20_000)] = "",
) -> Response:
    """Give the chosen labels as a PDF; refused, the page comes back as it was filled in."""
    try:
        pdf = service.labels(
            shop_of(request),
            actor,
            items=numbered(request.query_params, "item"),
            tags=tags,
            paper=paper,
            skip=skip,
        )
    except ServiceError as error:
        given = {"tags": tags, "skip": skip, **dict(request.query_params)}
        wrong = wrong_of("labels", error, given, {})
        return _labels(request, actor, chosen={}, wrong=wrong)
    return Response(
        pdf,
        media_type="application/pdf",
        headers={"Content-Disposition": 'inline; filename="labels.pdf"'},
    )
