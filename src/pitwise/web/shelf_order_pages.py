"""Terms, rules, suppliers and orders of the shelf."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response

from pitwise.services import (
    shelf_items,
    shelf_ledger,
    shelf_orders,
    shelf_rules,
    shelf_suppliers,
    shelf_terms,
    shelf_view,
)
from pitwise.services.errors import ServiceError
from pitwise.services.fields import whole_number
from pitwise.services.order_seen import Seen, read_seen
from pitwise.services.permissions import Actor
from pitwise.services.shelf_model import ItemFields, SupplierLine
from pitwise.web.access import Id, shop_of
from pitwise.web.shelf_forms import (
    LARGEST,
    PLACES,
    Editor,
    Keeper,
    Shown,
    Text,
    Wrong,
    answer,
    attempt,
    came_seen,
    numbered,
    pieces_form,
)
from pitwise.web.shelf_item_pages import item_answer

router = APIRouter()


@router.post("/shelf/items/{item_id}/edit")
def edit_item(
    request: Request,
    actor: Editor,
    item_id: Id,
    shown: Shown,
    name: Text = "",
    code: Text = "",
    place: Text = "",
    active: Text = "",
) -> Response:
    """Change an item's name, code or place, or keep it no longer."""

    def do() -> str:
        shelf_items.edit_item(
            shop_of(request),
            actor,
            item_id,
            name=name,
            code=code,
            place=place,
            active=active == "yes",
            shown=ItemFields(
                shown.get("name", ""),
                shown.get("code", ""),
                shown.get("place", ""),
                shown.get("active") == "yes",
            ),
        )
        return f"/shelf/items/{item_id}?done=saved"

    given = {"name": name, "code": code, "place": place, "active": active}
    return attempt(
        request,
        "edit",
        given,
        do,
        lambda w: item_answer(request, actor, item_id, wrong=w),
        shown=shown,
    )


@router.post("/shelf/items/{item_id}/terms")
def set_terms(
    request: Request,
    actor: Editor,
    item_id: Id,
    shown: Shown,
    supplier_id: Text = "",
    price: Text = "",
    currency: Text = "",
    pack: Text = "",
    least: Text = "",
    lead_days: Text = "",
    lead_days_sd: Text = "",
    reason: Text = "",
) -> Response:
    """Enter an item's price and lead time; what held before stays to be read."""
    given = {
        "supplier_id": supplier_id,
        "price": price,
        "currency": currency,
        "pack": pack,
        "least": least,
        "lead_days": lead_days,
        "lead_days_sd": lead_days_sd,
        "reason": reason,
    }

    def do() -> str:
        shelf_terms.set_terms(
            shop_of(request),
            actor,
            item_id,
            supplier_id=whole_number("supplier", supplier_id, high=LARGEST) or 0,
            price=price,
            currency=currency,
            pack=pack,
            least=least,
            lead_days=lead_days,
            lead_days_sd=lead_days_sd,
            reason=reason,
            shown=shown,
        )
        return f"/shelf/items/{item_id}?done=saved#terms"

    return attempt(
        request,
        "terms",
        given,
        do,
        lambda w: item_answer(request, actor, item_id, wrong=w),
        places=PLACES,
        shown=shown,
    )


def percent(typed: str) -> str:
    """Return what was typed into a field of per cent as the service takes it."""
    text = typed.strip().removesuffix("%").strip()
    return f"{text} %" if text else ""


def rule_fields(
    service: Text = "",
    order_cost: Text = "",
    hold_rate: Text = "",
    shortage_cost: Text = "",
    review_days: Text = "",
    keep_least: Text = "",
    reason: Text = "",
) -> dict[str, str]:
    """Return what was typed into the form of a rule, by field."""
    return {
        "service": service,
        "order_cost": order_cost,
        "hold_rate": hold_rate,
        "shortage_cost": shortage_cost,
        "review_days": review_days,
        "keep_least": keep_least,
        "reason": reason,
    }


RuleFields = Annotated[dict[str, str], Depends(rule_fields)]


@router.post("/shelf/items/{item_id}/rule")
def item_rule(
    request: Request, actor: Editor, item_id: Id, given: RuleFields, shown: Shown
) -> Response:
    """Set how an item is kept."""
    return _set_rule(request, actor, item_id, given, shown)


@router.post("/shelf/rule")
def shop_rule(request: Request, actor: Editor, given: RuleFields, shown: Shown) -> Response:
    """Set how all items are kept that have no rule of their own."""
    return _set_rule(request, actor, None, given, shown)


def _set_rule(
    request: Request,
    actor: Actor,
    item_id: int | None,
    given: dict[str, str],
    shown: dict[str, str],
) -> Response:
    here = "/shelf/setup" if item_id is None else f"/shelf/items/{item_id}"

    def do() -> str:
        shelf_rules.set_rule(
            shop_of(request), actor, item_id, **_in_percent(given), shown=_in_percent(shown)
        )
        return f"{here}?done=saved#rule"

    def again(wrong: Wrong) -> Response:
        if item_id is None:
            return _setup(request, actor, wrong=wrong)
        return item_answer(request, actor, item_id, wrong=wrong)

    return attempt(request, "rule", given, do, again, shown=shown)


def _in_percent(fields: dict[str, str]) -> dict[str, str]:
    return fields | {name: percent(fields.get(name, "")) for name in ("service", "hold_rate")}


@router.get("/shelf/setup")
def setup_page(request: Request, actor: Keeper) -> Response:
    """Show the suppliers and the shop's rule."""
    return _setup(request, actor)


def _setup(request: Request, actor: Actor, *, wrong: Wrong | None = None) -> Response:
    view = shelf_view.setup_page(shop_of(request), actor)
    return answer(
        request,
        "shelf_setup.html",
        actor,
        wrong,
        suppliers=view.suppliers,
        rule=view.rule,
    )


@router.post("/shelf/suppliers")
def add_supplier(request: Request, actor: Editor, name: Text = "", note: Text = "") -> Response:
    """Name somebody the shop buys from."""

    def do() -> str:
        shelf_suppliers.add_supplier(shop_of(request), actor, name=name, note=note)
        return "/shelf/setup?done=saved"

    return attempt(
        request,
        "supplier",
        {"name": name, "note": note},
        do,
        lambda w: _setup(request, actor, wrong=w),
        places=_NAMES,
    )


# A supplier's name is its form's only one.
_NAMES = {"name": ("supplier",)}


@router.post("/shelf/suppliers/{supplier_id}")
def edit_supplier(
    request: Request,
    actor: Editor,
    supplier_id: Id,
    shown: Shown,
    name: Text = "",
    note: Text = "",
    active: Text = "",
) -> Response:
    """Rename a supplier, put it aside, or bring it back, unless somebody else did meanwhile."""
    given = {"name": name, "note": note, "active": active}

    def do() -> str:
        shelf_suppliers.edit_supplier(
            shop_of(request),
            actor,
            supplier_id,
            name=name,
            note=note,
            active=active == "yes",
            shown=SupplierLine(
                supplier_id,
                shown.get("name", ""),
                shown.get("note", ""),
                shown.get("active") == "yes",
            ),
        )
        return "/shelf/setup?done=saved"

    return attempt(
        request,
        f"supplier-{supplier_id}",
        given,
        do,
        lambda w: _setup(request, actor, wrong=w),
        places=_NAMES,
        shown=shown,
    )


@router.get("/shelf/orders")
def orders_page(request: Request, actor: Keeper) -> Response:
    """List the orders; note one by hand."""
    return _orders(request, actor)


def _orders(request: Request, actor: Actor, *, wrong: Wrong | None = None) -> Response:
    shop = shop_of(request)
    view = shelf_view.shelf_page(shop, actor)
    return answer(
        request,
        "shelf_orders.html",
        actor,
        wrong,
        orders=shelf_orders.orders(shop, actor),
        view=view,
        shown={r.line.id: Seen(r.line.on_order).text for r in view.rows},
        suppliers=[s for s in shelf_view.setup_page(shop, actor).suppliers if s.active],
    )


@router.post("/shelf/orders")
async def place_order(request: Request, actor: Editor) -> Response:
    """Note an order that was sent to a supplier."""
    return await run_in_threadpool(_place_order, request, actor, *await pieces_form(request))


def _place_order(
    request: Request, actor: Actor, given: dict[str, str], pieces: dict[int, str]
) -> Response:
    def do() -> str:
        wanted = [(i, whole_number(f"piece-{i}", n, high=100_000) or 0) for i, n in pieces.items()]
        lines = [(i, n) for i, n in wanted if n]
        if not lines:
            raise ServiceError("order", "nothing is in it", "give the pieces of what was ordered")
        number = shelf_orders.place_order(
            shop_of(request),
            actor,
            supplier_id=whole_number("supplier", given.get("supplier_id"), high=LARGEST) or 0,
            lines=lines,
            key=given.get("key", ""),
            note=given.get("note", ""),
            seen={item: read_seen(text) for item, text in numbered(given, "seen").items()},
        )
        return f"/shelf/orders/{number}?done=saved"

    return attempt(
        request, "order", given, do, lambda w: _orders(request, actor, wrong=w), places=PLACES
    )


@router.get("/shelf/orders/{order_id}")
def order_page(request: Request, actor: Keeper, order_id: Id) -> Response:
    """Show an order: what came, what is to come."""
    return _order(request, actor, order_id)


def _order(
    request: Request, actor: Actor, order_id: int, *, wrong: Wrong | None = None
) -> Response:
    return answer(
        request,
        "shelf_order.html",
        actor,
        wrong,
        order=shelf_orders.order_view(shop_of(request), actor, order_id),
    )


@router.post("/shelf/orders/{order_id}/receive")
def receive(
    request: Request,
    actor: Keeper,
    order_id: Id,
    line_id: Text = "",
    item_id: Text = "",
    pieces: Text = "",
    lot: Text = "",
    seen: Text = "",
    more: Text = "",
    key: Text = "",
) -> Response:
    """Put what came of an order's line on the shelf."""
    line = whole_number("line", line_id, high=LARGEST) or 0

    def do() -> str:
        shelf_ledger.goods_in(
            shop_of(request),
            actor,
            item_id=whole_number("item", item_id, high=LARGEST) or 0,
            pieces=pieces,
            key=key,
            lot=lot,
            order_line_id=line,
            order_id=order_id,
            seen=came_seen([seen], line),
            more=more == "yes",
        )
        return f"/shelf/orders/{order_id}?done=goods-in#l-{line}"

    return attempt(
        request,
        f"more-{line}" if more == "yes" else f"line-{line}",
        {"pieces": pieces, "lot": lot},
        do,
        lambda w: _order(request, actor, order_id, wrong=w),
    )


@router.post("/shelf/orders/{order_id}/close")
def close(request: Request, actor: Editor, order_id: Id, reason: Text = "") -> Response:
    """Close an order whose rest will not come."""

    def do() -> str:
        shelf_orders.close_order(shop_of(request), actor, order_id, reason)
        return f"/shelf/orders/{order_id}?done=saved"

    return attempt(
        request,
        "close",
        {"reason": reason},
        do,
        lambda w: _order(request, actor, order_id, wrong=w),
    )
