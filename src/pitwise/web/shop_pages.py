"""Torches, parts, limits, people and the shop's own lists."""

from __future__ import annotations

import re
from typing import Annotated

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import Response

from pitwise.services import case_sheet, fittings, limits, people, setup, views
from pitwise.services.errors import ServiceError
from pitwise.services.fields import decimal_number, whole_number
from pitwise.services.periods import today
from pitwise.services.permissions import ROLES, Actor
from pitwise.trade.model import PART_SLUGS
from pitwise.web.access import FormId, Id, needs, shop_of
from pitwise.web.render import go, page

router = APIRouter()
Viewer = Annotated[Actor, Depends(needs("view"))]
Fitter = Annotated[Actor, Depends(needs("fit-parts"))]
ShopEditor = Annotated[Actor, Depends(needs("edit-shop"))]
LimitEditor = Annotated[Actor, Depends(needs("edit-limits"))]
PeopleEditor = Annotated[Actor, Depends(needs("edit-people"))]
Text = Annotated[str, Form()]
# "place:number" of every part a page showed in the torch.
Seen = Annotated[list[str] | None, Form(max_length=40)]


def _seen_parts(shown: list[str] | None) -> dict[str, int]:
    """Return the number of the part a page showed in each place; 0: it showed none."""
    out = {}
    for text in shown or ():
        part, _, number = text.partition(":")
        if part not in PART_SLUGS or not re.fullmatch(r"[0-9]{1,9}", number):
            raise ServiceError(
                "seen", f"'{text[:40]}' is nothing that a page shows", "open the page again"
            )
        out[part] = int(number)
    if not out:
        raise ServiceError("seen", "the page says not which parts are in", "open the page again")
    return out


def _optional(text: str) -> int | None:
    return whole_number("choice", text)


@router.get("/torches")
def torches(request: Request, actor: Viewer) -> Response:
    """List the torches, each with what is due."""
    return page(request, "torches.html", actor, torches=views.torches(shop_of(request), actor))


@router.get("/torches/{torch_id}")
def torch(request: Request, actor: Viewer, torch_id: Id) -> Response:
    """Show one torch: what is fitted, its last inspections, fitting and removing."""
    shop = shop_of(request)
    lines, count = views.records(shop, actor, torch_id=torch_id, size=10)
    return page(
        request,
        "torch.html",
        actor,
        view=views.torch(shop, actor, torch_id),
        lines=lines,
        count=count,
        lists=setup.shop_list(shop, actor),
        case_id=case_sheet.open_case_on(shop, actor, torch_id),
    )


@router.post("/torches/{torch_id}/fit")
def fit(
    request: Request,
    actor: Fitter,
    torch_id: Id,
    part_type_id: Text = "",
    item_tag: Text = "",
    new_tag: Text = "",
    lot: Text = "",
    was_in: Text = "",
    seen: Seen = None,
    key: Text = "",
) -> Response:
    """Fit a part into a torch; one that was in it already comes off no shelf."""
    fittings.fit_part(
        shop_of(request),
        actor,
        torch_id,
        part_type_id=_optional(part_type_id),
        item_tag=item_tag,
        new_tag=new_tag,
        lot=lot,
        from_shelf=was_in != "yes",
        key=key,
        seen=_seen_parts(seen),
    )
    return go(request, f"/torches/{torch_id}?done=saved")


@router.post("/torches/{torch_id}/take-out")
def take_out(
    request: Request, actor: Fitter, torch_id: Id, part: Text, seen: Seen = None, key: Text = ""
) -> Response:
    """Take a part out of a torch."""
    fittings.remove_part(shop_of(request), actor, torch_id, part, key=key, seen=_seen_parts(seen))
    return go(request, f"/torches/{torch_id}?done=saved")


@router.post("/torches/{torch_id}/settings")
def torch_settings(
    request: Request,
    actor: ShopEditor,
    torch_id: Id,
    process_id: FormId,
    gauge_id: FormId,
    due_starts: Text = "",
) -> Response:
    """Change a torch's process, gauge and inspection interval."""
    setup.change_torch(
        shop_of(request),
        actor,
        torch_id,
        process_id=process_id,
        gauge_id=gauge_id,
        due_starts=whole_number("inspect after starts", due_starts, low=1, high=1_000_000),
    )
    return go(request, f"/torches/{torch_id}?done=saved")


@router.get("/parts")
def parts(request: Request, actor: Viewer, find: str = "") -> Response:
    """Find individual parts."""
    return page(
        request,
        "parts.html",
        actor,
        find=find[:60],
        items=views.find_parts(shop_of(request), actor, find),
    )


@router.get("/limits")
def limits_page(request: Request, actor: Viewer) -> Response:
    """Show limits and their sources, and the shop's own."""
    shop = shop_of(request)
    return page(
        request,
        "limits.html",
        actor,
        view=limits.limits_view(shop, actor),
        lists=setup.shop_list(shop, actor),
        today=today(shop.clock()).isoformat(),
    )


@router.post("/limits")
def limits_add(
    request: Request,
    actor: LimitEditor,
    depth: Text = "",
    compare: Text = "",
    process_id: Text = "",
    source: Text = "",
    reason: Text = "",
    since: Text = "",
    on: Text = "electrode/pit-depth",
) -> Response:
    """Enter the shop's own limit."""
    limits.add_limit(
        shop_of(request),
        actor,
        depth=depth,
        compare=compare,
        process_id=_optional(process_id),
        source=source,
        reason=reason,
        since=since,
        on=on,
    )
    return go(request, "/limits?done=saved")


@router.post("/limits/{limit_id}/withdraw")
def limits_withdraw(
    request: Request, actor: LimitEditor, limit_id: Id, reason: Text = ""
) -> Response:
    """Withdraw one of the shop's limits."""
    limits.withdraw_limit(shop_of(request), actor, limit_id, reason=reason)
    return go(request, "/limits?done=saved")


@router.get("/people")
def people_page(request: Request, actor: Viewer) -> Response:
    """Show who can sign in, and their roles."""
    return page(
        request,
        "people.html",
        actor,
        people=people.list_people(shop_of(request), actor),
        roles=ROLES,
        shortest=people.SHORTEST_PASSWORD,
    )


@router.post("/people")
def people_add(
    request: Request,
    actor: PeopleEditor,
    login: Text = "",
    name: Text = "",
    role: Text = "technician",
    password: Text = "",
) -> Response:
    """Add somebody."""
    people.add_person(shop_of(request), actor, login=login, name=name, role=role, password=password)
    return go(request, "/people?done=saved")


@router.post("/people/{person_id}")
def people_change(
    request: Request,
    actor: PeopleEditor,
    person_id: Id,
    role: Text = "",
    active: Text = "",
    password: Text = "",
) -> Response:
    """Change a role, switch on or off, or set a new password; ends their sessions."""
    people.change_person(
        shop_of(request),
        actor,
        person_id,
        role=role or None,
        active={"yes": True, "no": False}.get(active),
        password=password or None,
    )
    return go(request, "/people?done=saved")


@router.get("/shop")
def shop_page(request: Request, actor: Viewer) -> Response:
    """Show stations, torches, processes, gauges and part types."""
    shop = shop_of(request)
    return page(
        request,
        "shop.html",
        actor,
        lists=setup.shop_list(shop, actor),
        sheet=shop.base,
        slugs=PART_SLUGS,
    )


@router.post("/shop/station")
def station_add(
    request: Request, actor: ShopEditor, name: Text = "", coolant: Text = ""
) -> Response:
    """Add a station."""
    setup.add_station(shop_of(request), actor, name=name, coolant=coolant)
    return go(request, "/shop?done=saved")


@router.post("/shop/station/{station_id}")
def station_change(
    request: Request, actor: ShopEditor, station_id: Id, coolant: Text = ""
) -> Response:
    """Set a station's coolant."""
    setup.change_coolant(shop_of(request), actor, station_id, coolant)
    return go(request, "/shop?done=saved")


@router.post("/shop/process")
def process_add(
    request: Request,
    actor: ShopEditor,
    name: Text = "",
    amps: Text = "",
    material: Text = "",
    plasma_gas: Text = "",
    shield_gas: Text = "",
) -> Response:
    """Add a process."""
    setup.add_process(
        shop_of(request),
        actor,
        name=name,
        amps=decimal_number("amps", amps),
        material=material,
        plasma_gas=plasma_gas,
        shield_gas=shield_gas,
    )
    return go(request, "/shop?done=saved")


@router.post("/shop/gauge")
def gauge_add(
    request: Request,
    actor: ShopEditor,
    name: Text = "",
    unit: Text = "mm",
    u_mm: Text = "",
    source: Text = "",
) -> Response:
    """Add a gauge."""
    setup.add_gauge(
        shop_of(request),
        actor,
        name=name,
        unit=unit,
        u_mm=decimal_number("uncertainty", u_mm),
        source=source,
    )
    return go(request, "/shop?done=saved")


@router.post("/shop/gauge/{gauge_id}")
def gauge_change(
    request: Request, actor: ShopEditor, gauge_id: Id, u_mm: Text = "", source: Text = ""
) -> Response:
    """Set a gauge's uncertainty."""
    setup.change_gauge(
        shop_of(request),
        actor,
        gauge_id,
        u_mm=decimal_number("uncertainty", u_mm) or 0.0,
        source=source,
    )
    return go(request, "/shop?done=saved")


@router.post("/shop/torch")
def torch_add(
    request: Request,
    actor: ShopEditor,
    name: Text = "",
    station_id: Text = "",
    process_id: Text = "",
    gauge_id: Text = "",
    due_starts: Text = "",
) -> Response:
    """Add a torch."""
    setup.add_torch(
        shop_of(request),
        actor,
        name=name,
        station_id=_optional(station_id) or 0,
        process_id=_optional(process_id) or 0,
        gauge_id=_optional(gauge_id) or 0,
        due_starts=whole_number("inspect after starts", due_starts, low=1, high=1_000_000),
    )
    return go(request, "/shop?done=saved")


@router.post("/shop/part-type")
def part_type_add(
    request: Request, actor: ShopEditor, part: Text = "", name: Text = ""
) -> Response:
    """Add a part type."""
    setup.add_part_type(shop_of(request), actor, part=part, name=name)
    return go(request, "/shop?done=saved")
