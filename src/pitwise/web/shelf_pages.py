"""The shelf on the tablet: what is there, and what is kept from now on."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import RedirectResponse, Response

from pitwise.services import scan, shelf_items, shelf_view
from pitwise.services.errors import NotFoundError, ServiceError
from pitwise.services.fields import whole_number
from pitwise.services.permissions import Actor
from pitwise.web.access import shop_of
from pitwise.web.shelf_count_pages import path_of
from pitwise.web.shelf_forms import (
    LARGEST,
    Editor,
    Keeper,
    Wrong,
    answer,
    attempt,
    pieces_form,
    said,
    wrong_of,
)

router = APIRouter()
Find = Annotated[str, Query(max_length=200)]


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
    return answer(
        request,
        "shelf.html",
        actor,
        wrong,
        view=view,
        find=find,
        inactive=inactive,
        rows_last=any(r.lasts for r in view.rows),
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
    return answer(
        request,
        "shelf_new.html",
        actor,
        wrong,
        view=shelf_view.shelf_page(shop_of(request), actor),
        code=code,
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
