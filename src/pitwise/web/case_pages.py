"""Cause cases: the list, a case's own page, and every touch of it."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Form, Query, Request
from fastapi.responses import Response

from pitwise.reports.case_pdf import case_pdf
from pitwise.services import case_closing, case_recording, case_sheet, cases
from pitwise.services.errors import ConflictError, ServiceError
from pitwise.services.permissions import Actor
from pitwise.web.access import Id, needs, shop_of
from pitwise.web.case_shown import (
    Asked,
    Typed,
    after_touch,
    case_values,
    said_of,
    shown_case,
    stale,
)
from pitwise.web.case_words import STATES, VERDICTS
from pitwise.web.render import go, new_key, page, zone_name

router = APIRouter()
Viewer = Annotated[Actor, Depends(needs("view"))]
Finder = Annotated[Actor, Depends(needs("causes"))]
Closer = Annotated[Actor, Depends(needs("close-cause"))]
Text = Annotated[str, Form()]
Texts = Annotated[list[str] | None, Form()]
Revision = Annotated[int | None, Form(ge=0, le=2**31 - 1)]


def _typed(
    causes: Texts = None,
    certainty: Text = "",
    remedies: Texts = None,
    remedy_text: Text = "",
    done_by: Text = "",
    note: Text = "",
    reason: Text = "",
) -> Typed:
    """Read the form that closes a case, or amends a closed one."""
    return Typed(
        tuple(causes or ()), tuple(remedies or ()), certainty, remedy_text, done_by, note, reason
    )


Closing = Annotated[Typed, Depends(_typed)]
LIST_STATES = ("all", "open", "not-held", "closed", "discarded")


@router.get("/causes")
def case_list(
    request: Request,
    actor: Viewer,
    torch: Annotated[str, Query(max_length=10)] = "",
    state: Annotated[str, Query(max_length=20)] = "all",
) -> Response:
    """List the cases: open ones first, cures that did not hold loudly."""
    shop = shop_of(request)
    wanted = state if state in LIST_STATES else "all"
    # "every torch" leaves the field empty.
    one = int(torch) if torch.isascii() and torch.isdigit() and len(torch) < 10 else None
    lines = cases.list_cases(shop, actor, state=wanted, torch_id=one)
    return page(
        request,
        "causes.html",
        actor,
        open_lines=[c for c in lines if c.state == "open"],
        loud=[c for c in lines if c.state == "closed" and c.did_not_hold],
        closed=[c for c in lines if c.state == "closed" and not c.did_not_hold],
        discarded=[c for c in lines if c.state == "discarded"],
        count=len(lines),
        wanted=wanted,
        torch=one,
        torches=case_sheet.torch_names(shop, actor),
        VERDICTS=VERDICTS,
    )


@router.post("/torches/{torch_id}/causes")
def open_case(
    request: Request, actor: Finder, torch_id: Id, key: Text = "", complaint: Text = ""
) -> Response:
    """Open a case on a torch, or join the one that is open."""
    number = cases.open_case(
        shop_of(request), actor, torch_id, key=key or new_key(), complaint=complaint
    )
    return go(request, f"/causes/{number}")


@router.get("/causes/{number}")
def case_page(
    request: Request,
    actor: Viewer,
    number: Id,
    check: Annotated[str, Query(max_length=40)] = "",
    by: Annotated[str, Query(max_length=120)] = "",
    remedy: Annotated[str, Query(max_length=80)] = "",
) -> Response:
    """Show a case: at the next step, or at a check somebody chose."""
    view = cases.read_case(shop_of(request), actor, number)
    return page(
        request,
        "case.html",
        actor,
        **case_values(request, actor, view, Asked(check, by, remedy)),
    )


@router.get("/causes/{number}/sheet.pdf")
def sheet_pdf(request: Request, actor: Viewer, number: Id) -> Response:
    """Give a case as a PDF; the same bytes while nothing is added to it."""
    plain = case_sheet.plain_case(shop_of(request), actor, number)
    return Response(
        case_pdf(plain, timezone=zone_name()),
        media_type="application/pdf",
        headers={"Content-Disposition": f'inline; filename="causes-{number}.pdf"'},
    )


@router.post("/causes/{number}/touch")
def touch(
    request: Request,
    actor: Finder,
    number: Id,
    touch: Text = "",
    shown: Text = "",
    check: Text = "",
    by: Text = "",
    at: Text = "",
    key: Text = "",
    revision: Revision = None,
) -> Response:
    """Record what was seen with one touch: a finding, or that all the rest of a check is absent.

    `shown`: the findings the screen showed unanswered, which is what "the rest" is.
    """
    shop = shop_of(request)
    asked = Asked(check[:40], by)
    reveals = next((c.reveals for c in shop.base.checks if c.id == asked.check), ())
    symptom, found, state = touch.partition("=")
    rest = touch == "rest" and bool(reveals) and bool(shown.split())
    if not found and not rest:
        raise ServiceError("touch", "nothing was said", "touch one of the answers")
    of_check = rest or symptom in reveals
    key = key or new_key()
    try:
        if of_check:
            view = case_recording.record_check(
                shop,
                actor,
                number,
                asked.check,
                key=key,
                results={} if rest else {symptom: state},
                clear=rest,
                shown=shown.split() if rest else None,
                done_by=by,
                revision=revision,
            )
        else:
            view = case_recording.record_finding(
                shop, actor, number, symptom, state, key=key, done_by=by, revision=revision
            )
    except ConflictError as refusal:
        return stale(request, actor, number, asked, refusal)
    what = "None of the rest." if rest else f"Recorded: {STATES.get(state, '')}."
    going = after_touch(view, asked, stay=True) if of_check else asked
    return shown_case(request, actor, view, going, said=said_of(what, view), at=at)


@router.post("/causes/{number}/reading")
def reading(
    request: Request,
    actor: Finder,
    number: Id,
    reading: Text = "",
    value: Text = "",
    unit: Text = "",
    check: Text = "",
    by: Text = "",
    at: Text = "",
    key: Text = "",
    revision: Revision = None,
) -> Response:
    """Record a reading, with its unit."""
    asked = Asked(check[:40], by)
    try:
        view = case_recording.record_reading(
            shop_of(request),
            actor,
            number,
            reading,
            value,
            unit,
            key=key or new_key(),
            done_by=by,
            revision=revision,
        )
    except ConflictError as refusal:
        return stale(request, actor, number, asked, refusal)
    said = said_of("Reading taken.", view)
    return shown_case(request, actor, view, after_touch(view, asked, stay=True), said=said, at=at)


@router.post("/causes/{number}/answer")
def answer(
    request: Request,
    actor: Finder,
    number: Id,
    conflict: Text = "",
    answer: Text = "",
    check: Text = "",
    by: Text = "",
    key: Text = "",
    revision: Revision = None,
) -> Response:
    """Answer a contradiction."""
    # The check in hand below the question goes on once it is answered.
    asked = Asked(check[:40], by)
    try:
        view = case_recording.answer_conflict(
            shop_of(request),
            actor,
            number,
            conflict,
            answer,
            key=key or new_key(),
            revision=revision,
        )
    except ConflictError as refusal:
        return stale(request, actor, number, asked, refusal)
    return shown_case(request, actor, view, asked, said=said_of("Answered.", view))


@router.post("/causes/{number}/tried")
def tried(
    request: Request,
    actor: Finder,
    number: Id,
    remedy: Text = "",
    by: Text = "",
    note: Text = "",
    key: Text = "",
    revision: Revision = None,
) -> Response:
    """Record that a remedy was done and the trouble stayed."""
    try:
        view = case_recording.record_tried(
            shop_of(request),
            actor,
            number,
            remedy,
            key=key or new_key(),
            done_by=by,
            note=note,
            revision=revision,
        )
    except ConflictError as refusal:
        return stale(request, actor, number, Asked(), refusal)
    return shown_case(request, actor, view, Asked(), said=said_of("Tried, and it stayed.", view))


@router.post("/causes/{number}/context")
def context(
    request: Request,
    actor: Finder,
    number: Id,
    name: Text = "",
    value: Text = "",
    key: Text = "",
    revision: Revision = None,
) -> Response:
    """Record a word about the torch, such as its gas supply."""
    try:
        view = case_recording.record_context(
            shop_of(request),
            actor,
            number,
            name,
            value,
            key=key or new_key(),
            revision=revision,
        )
    except ConflictError as refusal:
        return stale(request, actor, number, Asked(), refusal)
    return shown_case(request, actor, view, Asked(), said=said_of("Kept.", view))


@router.post("/causes/{number}/undo")
def undo(
    request: Request,
    actor: Finder,
    number: Id,
    fact_id: Annotated[int | None, Form(ge=1, le=2**31 - 1)] = None,
    check: Text = "",
    by: Text = "",
    key: Text = "",
    revision: Revision = None,
) -> Response:
    """Take back a fact: what was held before holds again."""
    asked = Asked(check[:40], by)
    try:
        view = case_recording.undo(
            shop_of(request),
            actor,
            number,
            key=key or new_key(),
            fact_id=fact_id,
            revision=revision,
        )
    except ConflictError as refusal:
        return stale(request, actor, number, asked, refusal)
    return shown_case(request, actor, view, asked, said=said_of("Taken back.", view))


@router.post("/causes/{number}/texts")
def texts(
    request: Request,
    actor: Finder,
    number: Id,
    complaint: Text = "",
    note: Text = "",
    shown_complaint: Text = "",
    shown_note: Text = "",
) -> Response:
    """Keep the complaint and the note, unless another tablet changed one since it was shown."""
    try:
        view = cases.set_texts(
            shop_of(request),
            actor,
            number,
            complaint=complaint,
            note=note,
            shown_complaint=shown_complaint,
            shown_note=shown_note,
        )
    except ConflictError as refusal:
        return stale(request, actor, number, Asked(texts=(complaint, note)), refusal)
    return shown_case(request, actor, view, Asked(), said="Complaint and note kept.")


@router.post("/causes/{number}/close")
def close(
    request: Request,
    actor: Closer,
    number: Id,
    typed: Closing,
    key: Text = "",
    revision: Revision = None,
) -> Response:
    """Close a case with what it was and what was done."""
    try:
        view = case_closing.close_case(
            shop_of(request),
            actor,
            number,
            key=key or new_key(),
            causes=typed.causes,
            certainty=typed.certainty,
            remedies=typed.remedies,
            remedy_text=typed.remedy_text,
            note=typed.note,
            done_by=typed.done_by,
            revision=revision,
        )
    except ConflictError as refusal:
        return stale(request, actor, number, Asked(typed=typed), refusal)
    return go(request, f"/causes/{view.id}?done=case-closed")


@router.post("/causes/{number}/amend")
def amend(
    request: Request,
    actor: Closer,
    number: Id,
    typed: Closing,
    key: Text = "",
    revision: Revision = None,
) -> Response:
    """Put right what a closed case was closed with; what was held of it stays."""
    try:
        case_closing.amend_case(
            shop_of(request),
            actor,
            number,
            key=key or new_key(),
            causes=typed.causes,
            certainty=typed.certainty,
            remedies=typed.remedies,
            remedy_text=typed.remedy_text,
            note=typed.note,
            done_by=typed.done_by,
            reason=typed.reason,
            revision=revision,
        )
    except ConflictError as refusal:
        return stale(request, actor, number, Asked(typed=typed), refusal)
    return go(request, f"/causes/{number}?done=case-amended")


@router.post("/causes/{number}/reopen")
def reopen(
    request: Request,
    actor: Closer,
    number: Id,
    reason: Text = "",
    go_on: Text = "",
    revision: Revision = None,
) -> Response:
    """Open a closed or discarded case again, as it was known then or with what came since."""
    try:
        case_closing.reopen_case(
            shop_of(request),
            actor,
            number,
            reason=reason,
            go_on=go_on == "yes",
            revision=revision,
        )
    except ConflictError as refusal:
        return stale(request, actor, number, Asked(), refusal)
    return go(request, f"/causes/{number}?done=case-reopened")


@router.post("/causes/{number}/discard")
def discard(
    request: Request, actor: Closer, number: Id, reason: Text = "", revision: Revision = None
) -> Response:
    """Give a case up."""
    try:
        case_closing.discard_case(shop_of(request), actor, number, reason=reason, revision=revision)
    except ConflictError as refusal:
        return stale(request, actor, number, Asked(), refusal)
    return go(request, "/causes?done=case-discarded")


@router.post("/causes/{number}/came-back")
def came_back(
    request: Request, actor: Closer, number: Id, note: Text = "", revision: Revision = None
) -> Response:
    """Say that the trouble of a closed case came back."""
    try:
        case_closing.mark_came_back(shop_of(request), actor, number, note=note, revision=revision)
    except ConflictError as refusal:
        return stale(request, actor, number, Asked(), refusal)
    return go(request, f"/causes/{number}?done=saved")
