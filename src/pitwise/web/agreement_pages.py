"""Agreement studies on the tablet: judge alone, then see where people disagree."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Form, Query, Request
from fastapi.responses import RedirectResponse, Response

from pitwise.services import agreement_results, agreement_studies
from pitwise.services.agreement_studies import ACTIONS
from pitwise.services.fields import whole_number
from pitwise.services.permissions import Actor
from pitwise.web.access import FilterId, Id, needs, shop_of
from pitwise.web.render import go, is_htmx, page
from pitwise.web.study_pages import Skip, csv_answer, skipped_of

router = APIRouter()
Judge = Annotated[Actor, Depends(needs("studies"))]
Text = Annotated[str, Form()]


@router.post("/studies/agreement")
def agreement_start(
    request: Request,
    actor: Judge,
    key: Text = "",
    name: Text = "",
    part: Text = "",
    specimens: Text = "",
) -> Response:
    """Start an agreement study."""
    number = agreement_studies.start(
        shop_of(request),
        actor,
        key=key,
        name=name,
        part=part,
        specimens=whole_number("specimens", specimens),
    )
    return go(request, f"/studies/agreement/{number}")


def _judging(
    request: Request,
    actor: Actor,
    study_id: int,
    specimen: int | None,
    skipped: tuple[int, ...],
    *,
    touched: bool,
) -> Response:
    view = agreement_studies.view(
        shop_of(request), actor, study_id, specimen=specimen, skipped=skipped
    )
    here = f"/studies/agreement/{study_id}"
    skip = ".".join(map(str, view.skipped))
    later = [s for s in view.skipped if s != view.specimen]
    later += [view.specimen] if view.specimen else []
    url = here + (f"?skip={skip}" if skip else "")
    if touched and not is_htmx(request):
        return RedirectResponse(url, 303)
    answer = page(
        request,
        "agreement_study_body.html" if touched else "agreement_study.html",
        actor,
        view=view,
        here=here,
        skip=skip,
        skip_url=f"{here}?skip={'.'.join(map(str, later))}",
        actions=ACTIONS,
        step=f"specimen-{view.specimen or 'none'}",
    )
    if touched:
        answer.headers["HX-Push-Url"] = url
    return answer


@router.get("/studies/agreement/{study_id}")
def agreement_page(
    request: Request, actor: Judge, study_id: Id, specimen: FilterId = None, skip: Skip = ""
) -> Response:
    """Show a study: what to judge next, or where people disagree."""
    shop = shop_of(request)
    view = agreement_studies.view(shop, actor, study_id)
    if view.state != "closed":
        return _judging(request, actor, study_id, specimen, skipped_of(skip), touched=False)
    return page(
        request,
        "agreement_result.html",
        actor,
        view=view,
        told=agreement_results.result(shop, actor, study_id),
        here=f"/studies/agreement/{study_id}",
    )


@router.post("/studies/agreement/{study_id}/judge")
def agreement_judge(
    request: Request,
    actor: Judge,
    study_id: Id,
    specimen: Text = "",
    key: Text = "",
    seen: Annotated[list[str] | None, Form()] = None,
    action: Text = "",
    again: Text = "",
    skip: Text = "",
) -> Response:
    """Record a judgement; the next specimen follows."""
    agreement_studies.judge(
        shop_of(request),
        actor,
        study_id,
        whole_number("specimen", specimen) or 0,
        key=key,
        seen=seen or (),
        action=action,
        again=again == "yes",
    )
    return _judging(request, actor, study_id, None, skipped_of(skip), touched=True)


@router.post("/studies/agreement/{study_id}/finish")
def agreement_finish(request: Request, actor: Judge, study_id: Id) -> Response:
    """Finish a study: everyone sees what was said."""
    agreement_results.finish(shop_of(request), actor, study_id)
    return go(request, f"/studies/agreement/{study_id}?done=study-finished")


@router.post("/studies/agreement/{study_id}/discard")
def agreement_discard(request: Request, actor: Judge, study_id: Id, reason: Text = "") -> Response:
    """Discard a study; it stays in the book."""
    agreement_results.discard(shop_of(request), actor, study_id, reason=reason)
    return go(request, "/studies?done=study-discarded")


@router.get("/studies/agreement/{study_id}/table.csv")
def agreement_csv(
    request: Request,
    actor: Judge,
    study_id: Id,
    of: Annotated[str, Query(max_length=60)] = agreement_results.ACTION,
) -> Response:
    """Give the counts of one question as `pitwise agreement` reads them."""
    text = agreement_results.table_csv(shop_of(request), actor, study_id, of)
    return csv_answer(text, f"agreement-study-{study_id}-{of}.csv")
