"""Planned work, what goes of an item, and the order list."""

from __future__ import annotations

import dataclasses
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Form, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response
from markupsafe import Markup

from pitwise.reports.charts import NoReadings, StockPoint, stock_chart, svg_of
from pitwise.reports.order_list_pdf import order_list_pdf
from pitwise.services import order_list as lists
from pitwise.services import planned_work
from pitwise.services.errors import ServiceError
from pitwise.services.fields import whole_number
from pitwise.services.order_seen import read_seen
from pitwise.services.permissions import Actor
from pitwise.services.plan_page import ahead_of_item, plan_view
from pitwise.services.shelf_advice_model import ItemAdvice, stock_ahead
from pitwise.services.shelf_items import item_lines
from pitwise.shelf.advice import Advice
from pitwise.web.access import FilterId, Id, needs, shop_of
from pitwise.web.render import go, page
from pitwise.web.shelf_forms import Wrong, attempt, numbered, wrong_of

router = APIRouter()
Viewer = Annotated[Actor, Depends(needs("view"))]
Planner = Annotated[Actor, Depends(needs("plan-work"))]
Orderer = Annotated[Actor, Depends(needs("edit-shelf"))]
Text = Annotated[str, Form()]
_LARGEST = 2**31 - 1
_WIDTHS = {"wide": 900, "narrow": 350}
_MOST_FIELDS = 1200
# Of a refusal whose form the list has no more.
_NO_FORM = "order-list"


def _plan(
    request: Request, actor: Actor, wrong: Wrong | None = None, undo: int | None = None
) -> Response:
    return page(
        request,
        "plan.html",
        actor,
        status=wrong.status if wrong else 200,
        view=plan_view(shop_of(request), actor),
        wrong=wrong,
        undo=undo,
    )


@router.get("/shelf/plan")
def plan(request: Request, actor: Viewer, undo: FilterId = None) -> Response:
    """Show what is planned on the torches, and what that takes from the shelf."""
    return _plan(request, actor, undo=undo)


@router.post("/shelf/plan")
def add(
    request: Request,
    actor: Planner,
    torch: Text = "",
    program: Text = "",
    plates: Text = "",
    first_day: Text = "",
    last_day: Text = "",
    note: Text = "",
    key: Text = "",
) -> Response:
    """Plan plates of a program on a torch."""

    def do() -> str:
        planned_work.add_planned(
            shop_of(request),
            actor,
            torch_id=whole_number("torch", torch, high=_LARGEST) or 0,
            program_id=whole_number("program", program, high=_LARGEST) or 0,
            plates=plates,
            first_day=first_day,
            last_day=last_day,
            note=note,
            key=key,
        )
        return "/shelf/plan?done=saved"

    given = {
        "torch": torch,
        "program": program,
        "plates": plates,
        "first_day": first_day,
        "last_day": last_day,
        "note": note,
    }
    return attempt(request, "plan", given, do, lambda w: _plan(request, actor, w))


@router.post("/shelf/plan/{plan_id}/withdraw")
def withdraw(request: Request, actor: Planner, plan_id: Id) -> Response:
    """Take planned work off."""
    planned_work.withdraw(shop_of(request), actor, plan_id)
    return go(request, f"/shelf/plan?done=withdrawn&undo={plan_id}")


@router.post("/shelf/plan/{plan_id}/bring-back")
def bring_back(request: Request, actor: Planner, plan_id: Id) -> Response:
    """Put withdrawn work on the plan again."""

    def do() -> str:
        planned_work.bring_back(shop_of(request), actor, plan_id)
        return "/shelf/plan?done=brought-back"

    return attempt(request, "back", {}, do, lambda w: _plan(request, actor, w))


@router.post("/shelf/plan/torch/{torch_id}")
def usual(
    request: Request,
    actor: Planner,
    torch_id: Id,
    starts_per_day: Text = "",
    minutes_per_start: Text = "",
    reason: Text = "",
) -> Response:
    """Set a torch's usual work, or let its counters say it again."""

    def do() -> str:
        planned_work.set_base_load(
            shop_of(request),
            actor,
            torch_id,
            starts_per_day=starts_per_day,
            minutes_per_start=minutes_per_start,
            reason=reason,
        )
        return f"/shelf/plan?done=saved#torch-{torch_id}"

    given = {
        "starts_per_day": starts_per_day,
        "minutes_per_start": minutes_per_start,
        "reason": reason,
    }
    return attempt(
        request,
        f"usual-{torch_id}",
        given,
        do,
        lambda w: _plan(request, actor, w),
        places={
            "starts_per_day": ("starts a day",),
            "minutes_per_start": ("arc minutes a start",),
        },
    )


def stock_pictures(own: ItemAdvice) -> dict[str, Markup] | None:
    """Return what is left from week to week as pictures, wide and narrow; None without any.

    Of a kit that is neither there nor on order nothing is left to be drawn: what lasts are the
    loose pieces of what it holds, and the page says so.
    """
    kit = own.item.kind == "kit"
    if kit and own.item.on_shelf + own.item.on_order <= 0:
        return None
    points = [StockPoint(p.day, p.level.p05, p.level.median, p.level.p95) for p in stock_ahead(own)]
    point = own.advice.reorder_point if isinstance(own.advice, Advice) else None
    drawn = {}
    for name, width in _WIDTHS.items():
        spec = stock_chart(
            points, reorder_point=point, many="kits" if kit else "pieces", width=width
        )
        if isinstance(spec, NoReadings):
            return None
        drawn[name] = Markup(svg_of(spec))  # noqa: S704 -- our own SVG, text escaped in it
    return drawn


@router.get("/shelf/ahead/{item_id}")
def ahead(request: Request, actor: Viewer, item_id: Id) -> Response:
    """Show what goes of an item in the weeks ahead, and what that rests on."""
    own = ahead_of_item(shop_of(request), actor, item_id)
    return page(request, "plan_ahead.html", actor, own=own, picture=stock_pictures(own), wrong=None)


def _list(request: Request, actor: Actor, wrong: Wrong | None = None) -> Response:
    view = lists.order_list(shop_of(request), actor)
    lost: list[tuple[str, str]] = []
    if wrong is not None:
        wrong, gone = _on_list(view, wrong)
        names = {x.id: x.name for x in item_lines(shop_of(request), actor)} if gone else {}
        lost = [(names[item], typed) for item, typed in gone.items() if item in names]
    return page(
        request,
        "order_list.html",
        actor,
        status=wrong.status if wrong else 200,
        view=view,
        wrong=wrong,
        lost=lost,
    )


def _form(supplier_id: int, currency: str) -> str:
    return f"order-{supplier_id}-{currency}"


def _on_list(view: lists.OrderList, wrong: Wrong) -> tuple[Wrong, dict[int, str]]:
    """Return a refusal under the form that has its lines now, and what was typed of no line there.

    What was refused because something moved may stand under another currency or supplier
    by now, or on the list no more.
    """
    typed = {item: text for item, text in numbered(wrong.given, "pieces").items() if text.strip()}
    forms = {_form(s.supplier_id, s.currency): {r.item_id for r in s.rows} for s in view.suppliers}
    name = wrong.form
    if name not in forms:
        name = next((form for form, items in forms.items() if items & typed.keys()), _NO_FORM)
    there = forms.get(name, set())
    gone = {item: text for item, text in typed.items() if item not in there}
    return dataclasses.replace(wrong, form=name), gone


@router.get("/shelf/order-list")
def order_list(request: Request, actor: Viewer) -> Response:
    """Show what to order this week, by supplier."""
    return _list(request, actor)


@router.get("/shelf/order-list.csv")
def order_list_csv(request: Request, actor: Viewer) -> Response:
    """Give the order list as CSV."""
    found = lists.order_list(shop_of(request), actor)
    return Response(
        lists.order_list_csv(found),
        media_type="text/csv; charset=utf-8",
        headers={
            "Content-Disposition": f'attachment; filename="order-list-{found.day.isoformat()}.csv"'
        },
    )


@router.get("/shelf/order-list.pdf")
def order_list_print(request: Request, actor: Viewer) -> Response:
    """Give the order list as a PDF."""
    found = lists.order_list(shop_of(request), actor)
    return Response(
        order_list_pdf(lists.plain_list(found)),
        media_type="application/pdf",
        headers={
            "Content-Disposition": f'inline; filename="order-list-{found.day.isoformat()}.pdf"'
        },
    )


@router.post("/shelf/order-list")
async def order(request: Request, actor: Orderer) -> Response:
    """Place an order of what is listed for one supplier, as changed in the form."""
    async with request.form(max_files=0, max_fields=_MOST_FIELDS) as form:
        given = {k: v for k, v in form.items() if isinstance(v, str)}
    return await run_in_threadpool(_order, request, actor, given)


def _order(request: Request, actor: Actor, given: dict[str, Any]) -> Response:
    supplier = whole_number("supplier", given.get("supplier"), high=_LARGEST) or 0
    currency = given.get("currency", "")
    pieces = numbered(given, "pieces")
    try:
        shown = numbered(given, "seen").items()
        number = lists.place_listed(
            shop_of(request),
            actor,
            supplier_id=supplier,
            pieces=pieces,
            seen={item: read_seen(text, currency) for item, text in shown},
            key=given.get("key", ""),
        )
    except ServiceError as error:
        typed = {f"pieces-{item}": text for item, text in pieces.items()}
        return _list(request, actor, wrong_of(_form(supplier, currency), error, typed, {}))
    return go(request, f"/shelf/orders/{number}?done=saved")
