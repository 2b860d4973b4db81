"""The shelf on the tablet: what is there, what came and went, counting, scanning."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Form, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import RedirectResponse, Response

from pitwise.services import scan, shelf_items, shelf_ledger, shelf_undo, shelf_view
from pitwise.services.errors import ConflictError, NotFoundError, ServiceError
from pitwise.services.fields import whole_number
from pitwise.services.permissions import Actor
from pitwise.services.shelf_model import Found, MovementLine
from pitwise.web.access import Id, PageNumber, needs, shop_of
from pitwise.web.plan_pages import stock_pictures
from pitwise.web.render import go, is_htmx, page
from pitwise.web.shelf_forms import (
    LARGEST,
    Wrong,
    attempt,
    pieces_form,
    said,
    seen_figure,
    wrong_of,
)
from pitwise.web.uploads import photo_form

router = APIRouter()
Keeper = Annotated[Actor, Depends(needs("shelf"))]
Editor = Annotated[Actor, Depends(needs("edit-shelf"))]
Text = Annotated[str, Form()]
Find = Annotated[str, Query(max_length=200)]
_PATHS = {"item": "/shelf/items/", "part": "/parts/", "order": "/shelf/orders/"}


def path_of(found: Found) -> str:
    """Return the page of what a code stands for."""
    return f"{_PATHS[found.kind]}{found.id}"


@router.get("/shelf")
def shelf_page(
    request: Request,
    actor: Keeper,
    find: Find = "",
    inactive: Annotated[str, Query(alias="all", max_length=3)] = "",
) -> Response:
    """List what is kept; a code that was scanned leads to what it stands for."""
    if find.strip():
        try:
            return RedirectResponse(path_of(scan.typed(shop_of(request), actor, find)), 303)
        except NotFoundError:
            # No code of anything: words to look for, then.
            pass
        except ServiceError as error:
            return _shelf(request, actor, wrong=wrong_of("find", error, {"find": find}, _FIND))
    return _shelf(request, actor, find=find.strip(), inactive=inactive == "yes")


_FIND = {"find": ("code",)}


def _shelf(
    request: Request,
    actor: Actor,
    *,
    find: str = "",
    inactive: bool = False,
    wrong: Wrong | None = None,
) -> Response:
    view = shelf_view.shelf_page(
        shop_of(request), actor, find=find, inactive=inactive, forecast=True
    )
    return page(
        request,
        "shelf.html",
        actor,
        status=wrong.status if wrong else 200,
        view=view,
        find=find,
        inactive=inactive,
        rows_last=any(r.lasts for r in view.rows),
        wrong=wrong,
    )


@router.post("/shelf/types")
async def keep_types(request: Request, actor: Editor) -> Response:
    """Keep part types on the shelf, as many as are ticked."""
    async with request.form(max_files=0, max_fields=500) as form:
        ids = [n for n in form.getlist("type") if isinstance(n, str)]
        new = said(form, "at") == "new"
    return await run_in_threadpool(_keep_types, request, actor, ids, new)


def _keep_types(request: Request, actor: Actor, ids: list[str], new: bool) -> Response:
    shop = shop_of(request)

    def do() -> str:
        wanted = [whole_number("part type", n, high=LARGEST) or 0 for n in ids]
        if not wanted:
            raise ServiceError("part types", "none is ticked", "tick those to keep")
        shelf_items.add_items_for_types(shop, actor, wanted)
        return "/shelf?done=saved"

    def again(wrong: Wrong) -> Response:
        return _new(request, actor, wrong=wrong) if new else _shelf(request, actor, wrong=wrong)

    return attempt(request, "types", {}, do, again)


@router.get("/shelf/items/new")
def new_page(request: Request, actor: Editor, code: Find = "") -> Response:
    """Offer to add part types, a kit, or something else."""
    return _new(request, actor, code=code)


def _new(request: Request, actor: Actor, *, code: str = "", wrong: Wrong | None = None) -> Response:
    return page(
        request,
        "shelf_new.html",
        actor,
        status=wrong.status if wrong else 200,
        view=shelf_view.shelf_page(shop_of(request), actor),
        code=code,
        wrong=wrong,
    )


@router.post("/shelf/items/new")
async def add_item(request: Request, actor: Editor) -> Response:
    """Add a kit or something else."""
    return await run_in_threadpool(_add_item, request, actor, *await pieces_form(request))


def _add_item(
    request: Request, actor: Actor, given: dict[str, str], kit: dict[int, str]
) -> Response:
    kind = "kit" if given.get("kind") == "kit" else "other"

    def do() -> str:
        pieces = {i: whole_number("kit", n, high=1000) or 0 for i, n in kit.items()}
        number = shelf_items.add_item(
            shop_of(request),
            actor,
            kind=kind,
            name=given.get("name", ""),
            code=given.get("code", ""),
            place=given.get("place", ""),
            kit={i: n for i, n in pieces.items() if n} if kind == "kit" else {},
        )
        return f"/shelf/items/{number}?done=saved"

    return attempt(request, kind, given | {"kit": ""}, do, lambda w: _new(request, actor, wrong=w))


@router.get("/shelf/items/{item_id}")
def item_page(
    request: Request,
    actor: Keeper,
    item_id: Id,
    number: Annotated[PageNumber, Query(alias="page")] = 1,
    undo: Annotated[int | None, Query(ge=1, le=LARGEST)] = None,
) -> Response:
    """Show an item: what is there, what can be done, its ledger."""
    return item_answer(request, actor, item_id, number=number, undo=undo)


def item_answer(
    request: Request,
    actor: Actor,
    item_id: int,
    *,
    number: int = 1,
    undo: int | None = None,
    wrong: Wrong | None = None,
) -> Response:
    """Render an item's page, with a refusal in it where a form was not taken."""
    shop = shop_of(request)
    view = shelf_view.item_page(shop, actor, item_id, page=number)
    undo_of: MovementLine | None = None
    if undo is not None:
        undo_of = next((m for m in view.ledger.lines if m.id == undo and m.may_undo), None)
    return page(
        request,
        "shelf_item.html",
        actor,
        status=wrong.status if wrong else 200,
        view=view,
        undo_of=undo_of,
        currency=shelf_view.usual_currency(shop, actor),
        currencies=shelf_view.currencies_in_use(shop, actor),
        picture=stock_pictures(view.advice) if view.advice else None,
        wrong=wrong,
    )


# What the services call the fields of these forms.
PLACES = {
    "unit_price": ("currency",),
    "order_line_id": ("order",),
    "supplier_id": ("supplier",),
}


def _done(
    request: Request,
    actor: Actor,
    item_id: int,
    form: str,
    given: Mapping[str, str],
    do: Callable[[], object],
    shown: Callable[[Wrong], Wrong] = lambda wrong: wrong,
) -> Response:
    """Do one thing to an item; its page shows the line that came of it, and how to undo it."""

    def doing() -> str:
        do()
        return f"/shelf/items/{item_id}?done=line"

    return attempt(
        request,
        form,
        given,
        doing,
        lambda w: item_answer(request, actor, item_id, wrong=shown(w)),
        places=PLACES,
    )


@router.post("/shelf/items/{item_id}/count")
def count(
    request: Request,
    actor: Keeper,
    item_id: Id,
    counted: Text = "",
    seen: Text = "",
    key: Text = "",
) -> Response:
    """Write down what was counted."""
    return _done(
        request,
        actor,
        item_id,
        "count",
        {"counted": counted},
        lambda: shelf_ledger.count(
            shop_of(request),
            actor,
            item_id=item_id,
            counted=counted,
            key=key,
            seen=seen_figure(seen),
        ),
        lambda wrong: untouched(wrong, seen),
    )


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


@router.post("/shelf/items/{item_id}/goods-in")
def goods_in(
    request: Request,
    actor: Keeper,
    item_id: Id,
    pieces: Text = "",
    lot: Text = "",
    unit_price: Text = "",
    order_line_id: Text = "",
    seen: Annotated[list[str] | None, Form()] = None,
    note: Text = "",
    key: Text = "",
    sure: Text = "",
) -> Response:
    """Put what came on the shelf; ``seen`` is "line:came" of every order line on the page."""
    given = {
        "pieces": pieces,
        "lot": lot,
        "unit_price": unit_price,
        "order_line_id": order_line_id,
        "note": note,
    }

    def do() -> int:
        line = whole_number("order line", order_line_id, high=LARGEST)
        return shelf_ledger.goods_in(
            shop_of(request),
            actor,
            item_id=item_id,
            pieces=pieces,
            key=key,
            lot=lot,
            unit_price=unit_price,
            order_line_id=line,
            seen=None if line is None else came_seen(seen or (), line),
            note=note,
            sure_price=sure,
        )

    return _done(request, actor, item_id, "goods-in", given, do)


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


@router.post("/shelf/items/{item_id}/take")
def take(
    request: Request, actor: Keeper, item_id: Id, pieces: Text = "", note: Text = "", key: Text = ""
) -> Response:
    """Take pieces off the shelf."""
    return _take(request, actor, item_id, "taken", {"pieces": pieces, "note": note}, key)


@router.post("/shelf/items/{item_id}/scrap")
def scrap(
    request: Request, actor: Keeper, item_id: Id, pieces: Text = "", note: Text = "", key: Text = ""
) -> Response:
    """Write pieces off that were thrown away."""
    return _take(request, actor, item_id, "scrapped", {"pieces": pieces, "note": note}, key)


def _take(
    request: Request,
    actor: Actor,
    item_id: int,
    kind: Literal["taken", "scrapped"],
    given: dict[str, str],
    key: str,
) -> Response:
    def do() -> int:
        return shelf_ledger.take(
            shop_of(request), actor, item_id=item_id, key=key, kind=kind, **given
        )

    return _done(request, actor, item_id, "take" if kind == "taken" else "scrap", given, do)


@router.post("/shelf/items/{item_id}/open")
def open_kit(
    request: Request, actor: Keeper, item_id: Id, kits: Text = "", key: Text = ""
) -> Response:
    """Open kits: what they hold lies loose then."""

    def do() -> list[int]:
        return shelf_ledger.open_kit(shop_of(request), actor, kit_id=item_id, kits=kits, key=key)

    return _done(request, actor, item_id, "open", {"kits": kits}, do)


@router.post("/shelf/items/{item_id}/pack")
def pack_kit(
    request: Request, actor: Keeper, item_id: Id, kits: Text = "", key: Text = ""
) -> Response:
    """Pack kits from loose pieces."""

    def do() -> list[int]:
        return shelf_ledger.pack_kit(shop_of(request), actor, kit_id=item_id, kits=kits, key=key)

    return _done(request, actor, item_id, "pack", {"kits": kits}, do)


@router.post("/shelf/items/{item_id}/undo")
def undo(
    request: Request,
    actor: Keeper,
    item_id: Id,
    movement_id: Text = "",
    reason: Text = "",
    key: Text = "",
) -> Response:
    """Undo a line of the ledger; both stay in it."""
    return _done(
        request,
        actor,
        item_id,
        "undo",
        {},
        lambda: shelf_undo.undo(
            shop_of(request),
            actor,
            whole_number("line", movement_id, high=LARGEST) or 0,
            key=key,
            reason=reason,
            item_id=item_id,
        ),
    )


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
    values = {"view": view, "counted": counted_now, "wrong": wrong}
    status = wrong.status if wrong else 200
    if not is_htmx(request):
        return page(request, "shelf_count.html", actor, status=status, **values)
    line = next((r.line for r in view.rows if r.line.id == item_id), None)
    if line is None:
        return go(request, "/shelf/count")
    return page(
        request, "shelf_count_line.html", actor, status=status, x=line, alone=True, **values
    )


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
        wrong = Wrong("photo", "", error.problem, error.mend, {}, error.status)
        if error.place == "code":
            wrong = Wrong("photo", "", f"No code: {error.problem}", error.mend, {}, error.status)
        return page(
            request, "shelf_scan.html", actor, status=wrong.status, scanned=None, wrong=wrong
        )
    if len(scanned.found) == 1:
        return go(request, path_of(scanned.found[0]))
    return page(request, "shelf_scan.html", actor, scanned=scanned, wrong=None)
