"""One item of the shelf on the tablet: what is there, what can be done, its ledger."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Annotated, Literal

from fastapi import APIRouter, Form, Query, Request
from fastapi.responses import Response

from pitwise.services import shelf_ledger, shelf_undo, shelf_view
from pitwise.services.fields import whole_number
from pitwise.services.permissions import Actor
from pitwise.services.shelf_model import MovementLine
from pitwise.web.access import Id, PageNumber, shop_of
from pitwise.web.plan_pages import stock_pictures
from pitwise.web.shelf_forms import (
    LARGEST,
    PLACES,
    Keeper,
    Text,
    Wrong,
    answer,
    attempt,
    came_seen,
    seen_figure,
    untouched,
)

router = APIRouter()


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
    return answer(
        request,
        "shelf_item.html",
        actor,
        wrong,
        view=view,
        undo_of=undo_of,
        currency=shelf_view.usual_currency(shop, actor),
        currencies=shelf_view.currencies_in_use(shop, actor),
        picture=stock_pictures(view.advice) if view.advice else None,
    )


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
    return _kits(request, actor, item_id, "open", kits, key)


@router.post("/shelf/items/{item_id}/pack")
def pack_kit(
    request: Request, actor: Keeper, item_id: Id, kits: Text = "", key: Text = ""
) -> Response:
    """Pack kits from loose pieces."""
    return _kits(request, actor, item_id, "pack", kits, key)


def _kits(
    request: Request, actor: Actor, item_id: int, form: Literal["open", "pack"], kits: str, key: str
) -> Response:
    act = shelf_ledger.open_kit if form == "open" else shelf_ledger.pack_kit

    def do() -> list[int]:
        return act(shop_of(request), actor, kit_id=item_id, kits=kits, key=key)

    return _done(request, actor, item_id, form, {"kits": kits}, do)


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
