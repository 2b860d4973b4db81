"""Photos on the bench, pictures of what was measured, and what a part type measures when new."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Form, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import RedirectResponse, Response

from pitwise.reports.photo_card import card_pdf
from pitwise.services import drafts, hole_measures, part_faces
from pitwise.services.fields import whole_number
from pitwise.services.hole_view import with_other_rim
from pitwise.services.permissions import Actor
from pitwise.web.access import FormId, Id, needs, shop_of
from pitwise.web.bench import bench_answer, bench_values
from pitwise.web.render import go, page
from pitwise.web.uploads import photo_form

router = APIRouter()
Viewer = Annotated[Actor, Depends(needs("view"))]
Inspector = Annotated[Actor, Depends(needs("inspect"))]
Photographer = Annotated[Actor, Depends(needs("photos"))]
FaceEditor = Annotated[Actor, Depends(needs("part-faces"))]
Text = Annotated[str, Form()]
# A picture is named by what is measured on it and never changes; the policy keeps it inert.
_PICTURE_HEADERS = {
    "Cache-Control": "private, max-age=86400, immutable",
    "Content-Disposition": "inline",
    "Content-Security-Policy": "default-src 'none'; sandbox; frame-ancestors 'none'",
    "Vary": "Cookie",
}


@router.post("/bench/{number}/photo")
async def photo(request: Request, actor: Photographer, number: Id) -> Response:
    """Take a photo of a part in and measure it; the bench shows the result.

    The body is read here, not by a declared form: by now it is known who sends it.
    """
    async with photo_form(request) as form:
        part = form.fields.get("part", "")
        draft = await run_in_threadpool(
            hole_measures.add_photo,
            shop_of(request),
            actor,
            number,
            part,
            form.photo(),
            key=form.fields.get("key", ""),
            rim=form.fields.get("rim", ""),
            turn=whole_number("turn", form.fields.get("turn", ""), high=9),
        )
    return await run_in_threadpool(bench_answer, request, draft, actor, part)


@router.post("/bench/{number}/photo/out")
def photo_out(
    request: Request, actor: Inspector, number: Id, measure_id: FormId, out: Text = "yes"
) -> Response:
    """Take a photo's result out, or put it back."""
    draft = hole_measures.set_taken_out(
        shop_of(request), actor, number, measure_id, out=out == "yes"
    )
    part = next(p for p, all_of in draft.holes.items() for m in all_of if m.row.id == measure_id)
    return bench_answer(request, draft, actor, part)


@router.post("/bench/{number}/photo/again")
def photo_again(
    request: Request, actor: Photographer, number: Id, part: Text, key: Text = "", rim: Text = ""
) -> Response:
    """Measure the photos that wait for a rim, or were measured with another one."""
    draft = hole_measures.measure_again(shop_of(request), actor, number, part, key=key, rim=rim)
    return bench_answer(request, draft, actor, part)


@router.post("/bench/{number}/photo/withdraw")
def photo_withdraw(request: Request, actor: Photographer, number: Id, photo_id: FormId) -> Response:
    """Take a photo out that was never measured."""
    part, draft = hole_measures.withdraw_photo(shop_of(request), actor, number, photo_id)
    return bench_answer(request, draft, actor, part)


@router.get("/photo-cards.pdf")
def photo_cards(_request: Request, _actor: Viewer) -> Response:
    """Hand out the card sheet, to be printed at 100 %."""
    return Response(
        card_pdf(),
        media_type="application/pdf",
        headers={"Content-Disposition": 'inline; filename="photo-cards.pdf"'},
    )


@router.get("/measures/{measure_id}")
def measure(request: Request, actor: Viewer, measure_id: Id) -> Response:
    """Show one photo's result large, with a way back."""
    view = hole_measures.measure_view(shop_of(request), actor, measure_id)
    row = view.measure.row
    draft = view.inspection.state == "draft"
    back = (
        f"/bench/{view.inspection.id}?part={row.part}"
        if draft
        else (f"/records/{view.inspection.id}")
    )
    return page(
        request,
        "measure.html",
        actor,
        m=view.measure,
        by=view.by,
        back=back,
        back_to="the bench" if draft else f"record {view.inspection.id}",
        part=shop_of(request).base.part(row.part),
        other_rim=with_other_rim(view.measure, view.face),
    )


@router.get("/bench/{number}/photos")
def photos(
    request: Request,
    actor: Inspector,
    number: Id,
    part: str,
    known: Annotated[str, Query(max_length=400)] = "",
) -> Response:
    """Tell of photos that came from another tablet; nothing while there are none."""
    draft = drafts.read_draft(shop_of(request), actor, number)
    if draft.row.state != "draft":
        return Response(status_code=204)
    values: dict[str, Any] = bench_values(draft, actor, part)
    if values["step"] != part or values.get("photo_state", known) == known:
        return Response(status_code=204)
    return page(request, "bench_body.html", actor, **values)


def _picture(request: Request, actor: Actor, measure_id: int, *, change: bool) -> Response:
    media, content = hole_measures.picture(shop_of(request), actor, measure_id, change=change)
    return Response(content, media_type=media, headers=_PICTURE_HEADERS)


@router.get("/measures/{measure_id}/picture")
def picture(request: Request, actor: Viewer, measure_id: Id) -> Response:
    """Show what was measured, drawn on the photo."""
    return _picture(request, actor, measure_id, change=False)


@router.get("/measures/{measure_id}/change")
def change(request: Request, actor: Viewer, measure_id: Id) -> Response:
    """Show where the photo differs from that of the part type when new."""
    return _picture(request, actor, measure_id, change=True)


@router.get("/shop/part-type/{type_id}")
def part_type(request: Request, actor: Viewer, type_id: Id) -> Response:
    """Show what a part type's face measures when new."""
    view = part_faces.face_view(shop_of(request), actor, type_id)
    return page(
        request,
        "part_type.html",
        actor,
        view=view,
        part=shop_of(request).base.part(view.part_type.part),
        refused=None,
    )


@router.post("/shop/part-type/{type_id}/face")
def part_type_face(
    request: Request,
    actor: FaceEditor,
    type_id: Id,
    rim: Text = "",
    hole: Text = "",
    hole_u: Text = "",
    reason: Text = "",
    drop_photo: Text = "",
) -> Response:
    """Enter rim and hole when new; what held before stays in the book."""
    part_faces.set_face(
        shop_of(request),
        actor,
        type_id,
        rim=rim,
        hole=hole,
        hole_u=hole_u,
        reason=reason,
        drop_photo=drop_photo == "yes",
    )
    return go(request, f"/shop/part-type/{type_id}?done=saved")


@router.post("/shop/part-type/{type_id}/photo")
async def part_type_photo(request: Request, actor: FaceEditor, type_id: Id) -> Response:
    """Take the shop's photo of this part type when new in; its hole is measured on it."""
    async with photo_form(request) as form:
        refused = await run_in_threadpool(
            hole_measures.photo_when_new,
            shop_of(request),
            actor,
            type_id,
            form.photo(),
            key=form.fields.get("key", ""),
            rim=form.fields.get("rim", ""),
            hole_from=form.fields.get("hole_from", "record"),
        )
    if refused is None:
        return RedirectResponse(f"/shop/part-type/{type_id}?done=saved", 303)
    view = await run_in_threadpool(part_faces.face_view, shop_of(request), actor, type_id)
    return page(
        request,
        "part_type.html",
        actor,
        status=422,
        view=view,
        part=shop_of(request).base.part(view.part_type.part),
        refused=refused,
    )
