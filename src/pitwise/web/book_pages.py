"""Records, their PDF and corrections; a part's history and its chart."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import Response
from markupsafe import Markup

from pitwise.bench.decide import PIT_PART
from pitwise.measure.conformity import limit_in
from pitwise.reports.charts import (
    EarlierElectrode,
    LimitLine,
    NoReadings,
    PitPoint,
    hole_chart,
    pit_chart,
    svg_of,
)
from pitwise.reports.record_pdf import record_pdf
from pitwise.services import (
    case_sheet,
    hole_history,
    hole_measures,
    part_shelf,
    shelf_said,
    signing,
    views,
)
from pitwise.services.permissions import Actor
from pitwise.web.access import FilterId, Id, PageNumber, needs, shop_of
from pitwise.web.render import go, page, zone_name

router = APIRouter()
Viewer = Annotated[Actor, Depends(needs("view"))]
Inspector = Annotated[Actor, Depends(needs("inspect"))]
PAGE_SIZE = 50


@router.get("/records")
def records(
    request: Request, actor: Viewer, torch: FilterId = None, page_number: PageNumber = 1
) -> Response:
    """List signed inspections, newest first."""
    lines, count = views.records(
        shop_of(request), actor, torch_id=torch, page=page_number, size=PAGE_SIZE
    )
    return page(
        request,
        "records.html",
        actor,
        lines=lines,
        count=count,
        torch=torch,
        number=max(1, page_number),
        pages=max(1, -(-count // PAGE_SIZE)),
    )


@router.get("/records/{number}")
def record(request: Request, actor: Viewer, number: Id) -> Response:
    """Show one record whole."""
    view = views.record(shop_of(request), actor, number)
    return page(
        request,
        "record.html",
        actor,
        view=view,
        record=view.record,
        marks={p["part"]: p["action"] for p in view.record["parts"]},
        hrefs={p["part"]: f"#{p['part']}" for p in view.record["parts"]},
        links=view.item_ids,
        taken=shelf_said.taken_for(shop_of(request), actor, number),
        ahead=case_sheet.look_ahead(shop_of(request), actor, number),
        earlier_cases=case_sheet.cases_after(shop_of(request), actor, number),
    )


@router.get("/records/{number}/sheet.pdf")
def record_sheet(request: Request, actor: Viewer, number: Id) -> Response:
    """Give one record as a PDF; the same bytes every time."""
    view = views.record(shop_of(request), actor, number)
    data = record_pdf(
        view.record,
        view.sha256,
        superseded_by=view.superseded_by,
        timezone=zone_name(),
        pictures=hole_measures.small_pictures(shop_of(request), actor, view.record),
    )
    name = f"inspection-{number}.pdf"
    return Response(
        data,
        media_type="application/pdf",
        headers={"Content-Disposition": f'inline; filename="{name}"'},
    )


@router.post("/records/{number}/correct")
def correct(
    request: Request,
    actor: Inspector,
    number: Id,
    reason: Annotated[str, Form()] = "",
    key: Annotated[str, Form()] = "",
) -> Response:
    """Open a correction of a record."""
    draft = signing.correct(shop_of(request), actor, number, reason=reason, key=key)
    return go(request, f"/bench/{draft}?part=sign")


def _pit_points(points: list[views.HistoryPoint]) -> list[PitPoint]:
    return [PitPoint(p.starts, p.pit_mm, p.pit_u_mm, p.at) for p in points if p.pit_mm is not None]


def _pit_picture(history: views.PartHistory, width: int) -> Markup | None:
    """Draw a part's pit against starts; None without a reading."""
    if history.item.part_type.part != PIT_PART:
        return None
    lines = []
    if history.limit is not None:
        depth = float(limit_in(history.limit, "mm"))
        lines.append(LimitLine(depth, history.limit.compare, history.limit.quoted()))
    spec = pit_chart(
        _pit_points(history.points),
        lines,
        earlier=[EarlierElectrode(e.tag, tuple(_pit_points(e.points))) for e in history.earlier],
        name=history.item.tag,
        width=width,
    )
    if isinstance(spec, NoReadings):
        return None
    return Markup(svg_of(spec))  # noqa: S704 -- our own SVG, text escaped in it


def _hole_pictures(history: hole_history.HoleHistory, tag: str, width: int) -> list[Markup]:
    """Draw each length that photos told against starts."""
    out = []
    for course in history.courses:
        lines = []
        if course.limit is not None:
            at = float(limit_in(course.limit, "mm"))
            lines.append(LimitLine(at, course.limit.compare, course.limit.quoted()))
        spec = hole_chart(
            course.name[:1].upper() + course.name[1:],
            [PitPoint(p.starts, p.value_mm, p.u_mm, p.at) for p in course.points],
            lines,
            name=tag,
            width=width,
        )
        if not isinstance(spec, NoReadings):
            out.append(Markup(svg_of(spec)))  # noqa: S704 -- our own SVG, text escaped in it
    return out


@router.get("/parts/{item_id}")
def part(request: Request, actor: Viewer, item_id: Id) -> Response:
    """Show one part's history."""
    history = views.part_history(shop_of(request), actor, item_id)
    holes = hole_history.hole_history(shop_of(request), actor, item_id)
    return page(
        request,
        "part.html",
        actor,
        history=history,
        shelf=part_shelf.part_on_shelf(shop_of(request), actor, item_id),
        is_electrode=history.item.part_type.part == PIT_PART,
        chart=_pit_picture(history, 900),
        chart_narrow=_pit_picture(history, 350),
        holes=holes,
        hole_charts=_hole_pictures(holes, history.item.tag, 440),
        hole_charts_narrow=_hole_pictures(holes, history.item.tag, 350),
    )
