"""Going round the shelf on the tablet: counting place by place, and scanning."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response

from pitwise.services import scan, shelf_ledger, shelf_view
from pitwise.services.errors import NotFoundError, ServiceError
from pitwise.services.shelf_model import Found
from pitwise.web.access import Id, shop_of
from pitwise.web.render import go, is_htmx, page
from pitwise.web.shelf_forms import (
    PLACES,
    Keeper,
    Text,
    Wrong,
    answer,
    seen_figure,
    untouched,
    wrong_of,
)
from pitwise.web.uploads import photo_form

router = APIRouter()
_PATHS = {"item": "/shelf/items/", "part": "/parts/", "order": "/shelf/orders/"}


def path_of(found: Found) -> str:
    """Return the page of what a code stands for."""
    return f"{_PATHS[found.kind]}{found.id}"


@router.get("/shelf/count")
def count_round(request: Request, actor: Keeper) -> Response:
    """Go round the shelf, place by place, and count."""
    view, counted_now = shelf_view.count_round(shop_of(request), actor)
    return page(request, "shelf_count.html", actor, view=view, counted=counted_now, wrong=None)


@router.post("/shelf/count/{item_id}")
def count_one(
    request: Request,
    actor: Keeper,
    item_id: Id,
    counted: Text = "",
    seen: Text = "",
    key: Text = "",
) -> Response:
    """Count one item of the round; its line comes back."""
    shop = shop_of(request)
    wrong: Wrong | None = None
    form = f"count-{item_id}"
    try:
        shelf_ledger.count(
            shop, actor, item_id=item_id, counted=counted, key=key, seen=seen_figure(seen)
        )
    except NotFoundError:
        raise
    except ServiceError as error:
        wrong = untouched(wrong_of(form, error, {"counted": counted}, PLACES), seen)
    if wrong is None and not is_htmx(request):
        return go(request, f"/shelf/count#i-{item_id}")
    view, counted_now = shelf_view.count_round(shop, actor)
    values = {"view": view, "counted": counted_now}
    if not is_htmx(request):
        return answer(request, "shelf_count.html", actor, wrong, **values)
    line = next((r.line for r in view.rows if r.line.id == item_id), None)
    if line is None:
        return go(request, "/shelf/count")
    return answer(request, "shelf_count_line.html", actor, wrong, x=line, alone=True, **values)


@router.get("/shelf/scan")
def scan_page(request: Request, actor: Keeper) -> Response:
    """Scan by camera, with a hand scanner, or by typing."""
    return page(request, "shelf_scan.html", actor, scanned=None, wrong=None)


@router.post("/shelf/scan/photo")
async def scan_photo(request: Request, actor: Keeper) -> Response:
    """Read the code in a photo and go to what it stands for."""
    try:
        async with photo_form(request) as form:
            scanned = await run_in_threadpool(
                scan.read_photo, shop_of(request), actor, form.photo(), name=form.name
            )
    except ServiceError as error:
        problem = f"No code: {error.problem}" if error.place == "code" else error.problem
        wrong = Wrong("photo", "", problem, error.mend, {}, error.status)
        return answer(request, "shelf_scan.html", actor, wrong, scanned=None)
    if len(scanned.found) == 1:
        return go(request, path_of(scanned.found[0]))
    return page(request, "shelf_scan.html", actor, scanned=scanned, wrong=None)
