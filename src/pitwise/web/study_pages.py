"""Gauge studies on the tablet: start, measure in turn, see what it says, adopt it."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Form, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import RedirectResponse, Response
from starlette.datastructures import FormData, UploadFile

from pitwise.services import (
    agreement_studies,
    gauge_results,
    gauge_studies,
    gauge_words,
    people,
    setup,
    study_files,
)
from pitwise.services.errors import ServiceError
from pitwise.services.fields import decimal_number, whole_number
from pitwise.services.gauge_study_view import Doubt, GaugeStudyView
from pitwise.services.permissions import Actor
from pitwise.services.study_order import Slot
from pitwise.trade.model import PART_SLUGS
from pitwise.web.access import Id, needs, shop_of
from pitwise.web.render import go, is_htmx, page
from pitwise.web.study_pictures import study_pictures

router = APIRouter()
Viewer = Annotated[Actor, Depends(needs("view"))]
Measurer = Annotated[Actor, Depends(needs("studies"))]
Adopter = Annotated[Actor, Depends(needs("adopt-study"))]
Text = Annotated[str, Form()]
Skip = Annotated[str, Query(max_length=4000)]
Who = Annotated[int | None, Query(ge=0, le=100)]
# Places in an order of a study; more are put off by nobody.
_MOST_SKIPPED = 1000


@router.get("/more")
def more_page(request: Request, actor: Viewer) -> Response:
    """Show what is used less often than the pages of the head."""
    return page(request, "more.html", actor)


@router.get("/studies")
def studies_page(request: Request, actor: Measurer) -> Response:
    """List the studies; start one."""
    shop = shop_of(request)
    return page(
        request,
        "studies.html",
        actor,
        gauge_lines=gauge_studies.studies(shop, actor),
        agreement_lines=agreement_studies.studies(shop, actor),
        lists=setup.shop_list(shop, actor),
        people=[p for p in people.list_people(shop, actor) if p.active],
        limits=gauge_studies.tolerances(shop, actor),
        sheet=shop.base,
        slugs=PART_SLUGS,
        most=gauge_studies,
        most_specimens=agreement_studies.MOST_SPECIMENS,
    )


@router.post("/studies/gauge")
async def study_start(request: Request, actor: Measurer) -> Response:
    """Start a gauge study."""
    async with request.form(max_files=0, max_fields=60) as form:
        number = await run_in_threadpool(_start, request, actor, form)
    return go(request, f"/studies/gauge/{number}")


def _said(form: FormData, name: str) -> str:
    value = form.get(name)
    return value if isinstance(value, str) else ""


def _start(request: Request, actor: Actor, form: FormData) -> int:
    named = [n for n in form.getlist("person") if isinstance(n, str)]
    gauge = whole_number("gauge", _said(form, "gauge_id"), high=2**31 - 1)
    shop = shop_of(request)
    unit = _said(form, "unit") or next(
        (g.unit for g in setup.shop_list(shop, actor).gauges if g.id == gauge), "mm"
    )
    return gauge_studies.start(
        shop,
        actor,
        key=_said(form, "key"),
        name=_said(form, "name"),
        gauge_id=gauge,
        unit=unit,
        people=[*named, *_said(form, "others").split(",")],
        parts=whole_number("parts", _said(form, "parts")),
        trials=whole_number("rounds", _said(form, "trials")),
        tolerance=_said(form, "tolerance") or _said(form, "tolerance_of"),
    )


@router.post("/studies/gauge/import")
async def study_import(request: Request, actor: Measurer) -> Response:
    """Bring a study in that was measured elsewhere; it is finished when it comes."""
    async with request.form(max_files=1, max_fields=20) as form:
        file = form.get("file")
        if not isinstance(file, UploadFile) or not file.filename:
            raise ServiceError("file", "none was chosen", "choose one, then bring it in")
        data = await file.read()
        number = await run_in_threadpool(
            study_files.import_study,
            shop_of(request),
            actor,
            file.filename,
            data,
            key=_said(form, "key"),
            name=_said(form, "name"),
            gauge_id=whole_number("gauge", _said(form, "gauge_id"), high=2**31 - 1),
            tolerance=_said(form, "tolerance"),
        )
    return go(request, f"/studies/gauge/{number}?done=saved")


def skipped_of(text: str) -> tuple[int, ...]:
    """Return the places that were put off, as an address carries them ('3.17')."""
    return tuple(
        int(t)
        for t in text.split(".")[:_MOST_SKIPPED]
        if t.isascii() and t.isdigit() and len(t) < 5
    )


def _where(who: int | None, skipped: tuple[int, ...]) -> str:
    pairs = [f"who={who}"] if who is not None else []
    pairs += [f"skip={'.'.join(map(str, skipped))}"] if skipped else []
    return "?" + "&".join(pairs) if pairs else ""


def _values(view: GaugeStudyView, who: int | None, doubt: Doubt | None) -> dict[str, Any]:
    skip = view.skipped
    later = (
        *(k for k in skip if k != view.place),
        *([view.place] if view.place is not None else []),
    )
    here = f"/studies/gauge/{view.id}"
    return {
        "view": view,
        "who": who,
        "skip": ".".join(map(str, skip)),
        "here": here,
        "again_url": here + _where(who, skip),
        "skip_url": here + _where(who, later),
        "doubt": doubt,
        "step": "all-in" if view.slot is None else f"slot-{view.place}-{'doubt' if doubt else ''}",
    }


def _measuring(
    request: Request,
    actor: Actor,
    study_id: int,
    who: int | None,
    skipped: tuple[int, ...],
    doubt: Doubt | None = None,
) -> Response:
    """Answer a touch: what is measured next (or the whole page without htmx)."""
    view = gauge_studies.view(shop_of(request), actor, study_id, who=who, skipped=skipped)
    values = _values(view, who, doubt)
    if is_htmx(request):
        answer = page(request, "gauge_study_body.html", actor, **values)
        answer.headers["HX-Push-Url"] = values["again_url"]
        return answer
    if doubt is None:
        return RedirectResponse(values["again_url"], 303)
    return page(request, "gauge_study.html", actor, **values)


@router.get("/studies/gauge/{study_id}")
def study_page(
    request: Request, actor: Measurer, study_id: Id, who: Who = None, skip: Skip = ""
) -> Response:
    """Show a study: what is measured next, or what it says."""
    shop = shop_of(request)
    view = gauge_studies.view(shop, actor, study_id, who=who, skipped=skipped_of(skip))
    if view.state != "closed":
        return page(request, "gauge_study.html", actor, **_values(view, who, None))
    told = gauge_results.result(shop, actor, study_id)
    return page(
        request,
        "gauge_result.html",
        actor,
        view=view,
        told=told,
        pictures=study_pictures(told),
        words=gauge_words,
        here=f"/studies/gauge/{study_id}",
    )


@router.post("/studies/gauge/{study_id}/reading")
def study_reading(
    request: Request,
    actor: Measurer,
    study_id: Id,
    key: Text = "",
    person: Text = "",
    part: Text = "",
    trial: Text = "",
    reading: Text = "",
    sure: Text = "",
    who: Text = "",
    skip: Text = "",
) -> Response:
    """Take a reading; the next one follows, or a question about this one."""
    slot = Slot(
        whole_number("person", person) or 0,
        whole_number("part", part) or 0,
        whole_number("round", trial) or 0,
    )
    took = gauge_studies.take(
        shop_of(request), actor, study_id, slot, reading, key=key, sure=sure == "yes"
    )
    return _measuring(
        request,
        actor,
        study_id,
        whole_number("who", who, high=100),
        skipped_of(skip),
        took if isinstance(took, Doubt) else None,
    )


@router.post("/studies/gauge/{study_id}/take-out")
def study_take_out(
    request: Request,
    actor: Measurer,
    study_id: Id,
    reading_id: Text = "",
    who: Text = "",
    skip: Text = "",
) -> Response:
    """Take one's own reading out; it is asked for again."""
    number = whole_number("reading", reading_id, high=2**31 - 1) or 0
    gauge_studies.take_out(shop_of(request), actor, study_id, number)
    return _measuring(
        request, actor, study_id, whole_number("who", who, high=100), skipped_of(skip)
    )


@router.post("/studies/gauge/{study_id}/finish")
def study_finish(request: Request, actor: Measurer, study_id: Id, reason: Text = "") -> Response:
    """Finish a study: its values are shown from now on."""
    gauge_results.finish(shop_of(request), actor, study_id, reason=reason)
    return go(request, f"/studies/gauge/{study_id}?done=study-finished")


@router.post("/studies/gauge/{study_id}/discard")
def study_discard(request: Request, actor: Measurer, study_id: Id, reason: Text = "") -> Response:
    """Discard a study; it stays in the book."""
    gauge_results.discard(shop_of(request), actor, study_id, reason=reason)
    return go(request, "/studies?done=study-discarded")


@router.post("/studies/gauge/{study_id}/adopt")
def study_adopt(
    request: Request, actor: Adopter, study_id: Id, shown_u: Text = "", sure: Text = ""
) -> Response:
    """Take a study's spread as its gauge's uncertainty on the bench."""
    shown = decimal_number("uncertainty shown", shown_u)
    gauge_results.adopt(shop_of(request), actor, study_id, shown_u_mm=shown, sure=sure == "yes")
    return go(request, f"/studies/gauge/{study_id}?done=adopted#bench")


@router.post("/studies/gauge/{study_id}/put-back")
def study_put_back(request: Request, actor: Adopter, study_id: Id) -> Response:
    """Put the value back that the gauge had before."""
    gauge_results.put_back(shop_of(request), actor, study_id)
    return go(request, f"/studies/gauge/{study_id}?done=put-back#bench")


@router.get("/studies/gauge/{study_id}/readings.csv")
def study_csv(request: Request, actor: Measurer, study_id: Id) -> Response:
    """Give a finished study's readings as `pitwise gauge` reads them."""
    text = study_files.study_csv(shop_of(request), actor, study_id)
    return csv_answer(text, f"gauge-study-{study_id}.csv")


def csv_answer(text: str, name: str) -> Response:
    """Answer with a CSV file to be kept."""
    return Response(
        text.encode("utf-8"),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )
