"""The bench: cautions, part by part, actions as you go, sign."""

from __future__ import annotations

import hashlib
from typing import Annotated, Any

from fastapi import APIRouter, BackgroundTasks, Depends, Form, Request
from fastapi.responses import RedirectResponse, Response

from pitwise.bench.decide import PIT_PART, PartAction, overrule_needs
from pitwise.bench.holes import said_reading
from pitwise.services import drafts, shelf_said, signing
from pitwise.services.draft_view import Draft
from pitwise.services.errors import ConflictError, UnfinishedError
from pitwise.services.hole_measures import MOST_PHOTOS
from pitwise.services.hole_view import (
    TURNS,
    Measure,
    Together,
    nick_words,
    used_of,
    with_other_rim,
)
from pitwise.services.part_faces import may_mend_rim
from pitwise.services.permissions import Actor, may
from pitwise.services.setup import selector
from pitwise.trade.model import Finding
from pitwise.trade.quantities import PHOTO_PARTS, WORDS, feature_of
from pitwise.web.access import FormId, Id, keeping_up_of, needs, shop_of
from pitwise.web.render import go, is_htmx, page

router = APIRouter()
Inspector = Annotated[Actor, Depends(needs("inspect"))]
Overruler = Annotated[Actor, Depends(needs("overrule"))]
Text = Annotated[str, Form()]
SIGN = "sign"
SETTABLE: tuple[PartAction, ...] = ("keep", "clean", "replace")


def _choices(draft: Draft, slug: str, actor: Actor) -> list[tuple[PartAction, str]]:
    """Actions a person may set instead of the computed one: (action, who may)."""
    computed = draft.computed.parts[slug]
    out: list[tuple[PartAction, str]] = []
    for action in SETTABLE:
        need = None if action == computed.action else overrule_needs(computed, action)
        if need == "anyone" or (need == "lead" and may(actor, "overrule-limit")):
            out.append((action, need))
    return out


def _lead_only(draft: Draft, slug: str, actor: Actor) -> bool:
    computed = draft.computed.parts[slug]
    return not may(actor, "overrule-limit") and any(
        action != computed.action and overrule_needs(computed, action) == "lead"
        for action in SETTABLE
    )


def bench_values(draft: Draft, actor: Actor, part: str | None) -> dict[str, Any]:
    """Return what the bench's template shows."""
    slugs: list[str] = [p.id for p in draft.sheet.parts]
    if draft.row.cautions_at is None:
        step = "cautions"
    elif part in slugs or part == SIGN:
        step = str(part)
    else:
        step = draft.next_part or SIGN
    values: dict[str, Any] = {
        "draft": draft,
        "row": draft.row,
        "sheet": draft.sheet,
        "step": step,
        "actions": {s: draft.decision.parts[s].action for s in slugs},
        "hrefs": {s: f"/bench/{draft.row.id}?part={s}" for s in slugs},
        "pit_part": PIT_PART,
        "problem": None,
        "stock": {},
        "obstacles": draft.obstacles(),
        "waiting": [s for s in slugs if draft.wants(s)],
        "limit": draft.sheet.limit_for(PIT_PART, "pit-depth", selector(draft.row.process)),
    }
    if step in slugs:
        after = [s for s in slugs if s != step and draft.wants(s)]
        later = [s for s in after if slugs.index(s) > slugs.index(step)]
        following = (later or after or [SIGN])[0]
        look = draft.looks.get(step)
        values.update(
            part=draft.sheet.part(step),
            findings=draft.sheet.findings_of(step),
            marks=draft.marks.get(step, {}),
            seen=[m for m in draft.marks.get(step, {}).values() if m.state == "seen"],
            look=look,
            looked=bool(look and look.looked),
            decision=draft.decision.parts[step],
            computed=draft.computed.parts[step],
            following=following,
            following_name=(
                "review and sign" if following == SIGN else draft.sheet.part(following).name
            ),
            questions=[f for f in draft.decision.flags if f.part == step and f.question],
            choices=_choices(draft, step, actor),
            lead_only=_lead_only(draft, step, actor),
            **_photo_values(draft, step, actor),
        )
    return values


def _photo_values(draft: Draft, slug: str, actor: Actor) -> dict[str, Any]:
    """Return what the bench shows of a part's photos, and beside its findings."""
    measures = draft.holes.get(slug, [])
    face = draft.faces.get(slug)
    shown = [m for m in reversed(measures) if not m.row.taken_out]
    unmeasured = draft.unmeasured.get(slug, [])
    other_rim = {m.row.id: rim for m in shown if (rim := with_other_rim(m, face)) is not None}
    no_rim = [m for m in shown if m.refusal and not m.body.get("rim_mm")]
    rims = [m.body["rim_mm"] for m in measures if m.body.get("rim_mm")]
    state = [f"{m.row.id}{'-' if m.row.taken_out else '+'}" for m in measures]
    state += [f"u{p.id}" for p in unmeasured] + [f"r{face.rim_mm if face else ''}"]
    values: dict[str, Any] = {
        "takes_photos": slug in PHOTO_PARTS,
        "feature": feature_of(slug),
        "photos": shown,
        "photos_measured": [m for m in shown if not m.refusal],
        "photos_refused": [m for m in shown if m.refusal],
        "photos_out": [m for m in measures if m.row.taken_out],
        "photos_full": sum(1 for m in shown if not m.refusal) >= MOST_PHOTOS,
        "photo_state": hashlib.sha256(" ".join(state).encode()).hexdigest()[:24],
        "unmeasured": unmeasured,
        "other_rim": other_rim,
        "no_rim": no_rim if face is None else [],
        "rim_again": len(other_rim) + len(unmeasured),
        "face": face,
        "rim_typed": rims[-1] if rims else None,
        "rim_mine": face is not None and may_mend_rim(actor, draft.row, face),
        "has_type": slug in draft.fitted,
        "holes": draft.decision.parts[slug].holes,
        "photos_used": len(used_of(measures, face)),
        "hole_words": {q: w.name for q, w in WORDS.items()},
        "contradicting": draft.photos.get(slug, Together()).warnings,
        "outlier": draft.photos.get(slug, Together()).outlier,
        "nick_words": nick_words(measures, face),
        "turns": TURNS,
        "turns_done": _turns_done(measures),
    }
    values["evidence"] = {
        f.id: told
        for f in draft.sheet.findings_of(slug)
        if (told := _evidence(draft, slug, f, values["nick_words"]))
    }
    return values


def _turns_done(measures: list[Measure]) -> list[int]:
    """Return the quarter turns that have a photo with numbers."""
    return sorted({m.turn for m in measures if m.counts and m.turn is not None})


def _evidence(draft: Draft, slug: str, finding: Finding, nicks: str | None) -> list[str]:
    """Return what was measured that bears on a finding, in words; it sets nothing by itself."""
    verdicts = {h.reading.quantity: h for h in draft.decision.parts[slug].holes}
    out = []
    for quantity in finding.measured_by:
        if quantity == "nicks":
            if nicks is not None:
                out.append(nicks)
            continue
        if quantity not in verdicts:
            continue
        verdict = verdicts[quantity]
        text = f"{WORDS[quantity].name} {said_reading(verdict.reading)}"
        if verdict.limit is not None:
            side = "at or above" if verdict.limit.compare == ">=" else "above"
            text += f", limit: replace {side} {verdict.limit.quoted()}"
        out.append(text)
    return out


def _with_stock(request: Request, draft: Draft, actor: Actor, part: str | None) -> dict[str, Any]:
    """Return what the template shows; before signing, where the new parts lie is among it."""
    values = bench_values(draft, actor, part)
    if values["step"] == SIGN:
        values["stock"] = shelf_said.where_new_parts_lie(shop_of(request), actor, draft)
    return values


def bench_answer(request: Request, draft: Draft, actor: Actor, part: str | None) -> Response:
    """Answer a touch: the bench again (or the whole page without htmx)."""
    if not is_htmx(request):
        url = f"/bench/{draft.row.id}" + (f"?part={part}" if part else "")
        return RedirectResponse(url, 303)
    values = _with_stock(request, draft, actor, part)
    answer = page(request, "bench_body.html", actor, **values)
    answer.headers["HX-Push-Url"] = f"/bench/{draft.row.id}?part={values['step']}"
    return answer


@router.post("/torches/{torch_id}/inspect")
def inspect(request: Request, actor: Inspector, torch_id: Id, key: Text = "") -> Response:
    """Open an inspection, or join the one that is open."""
    number = drafts.open_draft(shop_of(request), actor, torch_id, key=key)
    return go(request, f"/bench/{number}")


@router.get("/bench/{number}")
def bench_page(request: Request, actor: Inspector, number: Id, part: str | None = None) -> Response:
    """Show the bench at a part, at the review, or where the inspection has got to."""
    draft = drafts.read_draft(shop_of(request), actor, number)
    if draft.row.state == "signed":
        return RedirectResponse(f"/records/{number}", 303)
    if draft.row.state == "discarded":
        return RedirectResponse("/torches?done=discarded", 303)
    values = _with_stock(request, draft, actor, part)
    return page(request, "bench.html", actor, **values)


@router.post("/bench/{number}/cautions")
def cautions(request: Request, actor: Inspector, number: Id) -> Response:
    """Confirm the cautions; the first part follows."""
    draft = drafts.confirm_cautions(shop_of(request), actor, number)
    return bench_answer(request, draft, actor, None)


@router.post("/bench/{number}/mark")
def mark(
    request: Request, actor: Inspector, number: Id, part: Text, finding: Text, state: Text
) -> Response:
    """Set one finding."""
    draft = drafts.set_mark(shop_of(request), actor, number, part, finding, state)
    return bench_answer(request, draft, actor, part)


@router.post("/bench/{number}/look")
def look(
    request: Request, actor: Inspector, number: Id, part: Text, pit: Text = "", key: Text = ""
) -> Response:
    """Say that a part was looked over; a depth still in the field counts too. Next part follows."""
    shop = shop_of(request)
    if part == PIT_PART and pit.strip():
        drafts.add_reading(shop, actor, number, pit, key=key)
    draft = drafts.set_look(shop, actor, number, part, looked=True)
    stay = draft.wants(part) or draft.decision.parts[part].action == "recheck"
    asked = any(f.part == part for f in draft.decision.open_questions())
    return bench_answer(request, draft, actor, part if stay or asked else None)


@router.post("/bench/{number}/lost")
def lost(request: Request, actor: Inspector, number: Id, part: Text, lost: Text = "") -> Response:
    """Say whether a part failed while cutting."""
    draft = drafts.set_lost(shop_of(request), actor, number, part, lost=lost == "yes")
    return bench_answer(request, draft, actor, part)


@router.post("/bench/{number}/clear")
def clear(request: Request, actor: Inspector, number: Id, part: Text) -> Response:
    """Take back everything touched on a part."""
    draft = drafts.clear_part(shop_of(request), actor, number, part)
    return bench_answer(request, draft, actor, part)


@router.post("/bench/{number}/reading")
def reading(
    request: Request, actor: Inspector, number: Id, pit: Text = "", key: Text = ""
) -> Response:
    """Add a pit reading."""
    draft = drafts.add_reading(shop_of(request), actor, number, pit, key=key)
    return bench_answer(request, draft, actor, PIT_PART)


@router.post("/bench/{number}/reading/remove")
def reading_remove(request: Request, actor: Inspector, number: Id, reading_id: FormId) -> Response:
    """Take a pit reading out."""
    draft = drafts.remove_reading(shop_of(request), actor, number, reading_id)
    return bench_answer(request, draft, actor, PIT_PART)


@router.post("/bench/{number}/answer")
def answer(
    request: Request, actor: Inspector, number: Id, code: Text, part: Text = SIGN
) -> Response:
    """Answer a question with 'it is so'."""
    draft = drafts.answer_question(shop_of(request), actor, number, code)
    return bench_answer(request, draft, actor, part)


@router.post("/bench/{number}/overrule")
def overrule(
    request: Request,
    actor: Overruler,
    number: Id,
    part: Text,
    action: Text = "",
    reason: Text = "",
) -> Response:
    """Set another action than the computed one, with the reason."""
    draft = drafts.set_overrule(shop_of(request), actor, number, part, action, reason)
    return bench_answer(request, draft, actor, part)


@router.post("/bench/{number}/overrule/remove")
def overrule_remove(request: Request, actor: Overruler, number: Id, part: Text) -> Response:
    """Take an overrule back."""
    draft = drafts.remove_overrule(shop_of(request), actor, number, part)
    return bench_answer(request, draft, actor, part)


@router.post("/bench/{number}/use")
def use(
    request: Request,
    actor: Inspector,
    number: Id,
    starts: Text = "",
    arc_minutes: Text = "",
    reset: Text = "",
    note: Text = "",
) -> Response:
    """Keep counters and note as typed; nothing to say when the signature had them already."""
    draft = drafts.set_use(
        shop_of(request),
        actor,
        number,
        starts=starts,
        arc_minutes=arc_minutes,
        reset=reset == "yes",
        note=note,
    )
    if draft.row.state == "signed":
        return Response(status_code=204)
    return bench_answer(request, draft, actor, SIGN)


@router.post("/bench/{number}/discard")
def discard(request: Request, actor: Inspector, number: Id) -> Response:
    """Give the draft up."""
    drafts.discard_draft(shop_of(request), actor, number)
    return go(request, "/torches?done=discarded")


@router.post("/bench/{number}/sign")
def sign(
    request: Request,
    actor: Inspector,
    background: BackgroundTasks,
    number: Id,
    key: Text = "",
    revision: Annotated[int | None, Form()] = None,
    starts: Text = "",
    arc_minutes: Text = "",
    reset: Text = "",
    note: Text = "",
) -> Response:
    """Sign; counters and note still in their fields count too.

    A refusal shows the review again, with what is to be finished first.
    """
    shop = shop_of(request)
    is_draft = drafts.read_draft(shop, actor, number).row.state == "draft"
    if is_draft:
        drafts.set_use(
            shop,
            actor,
            number,
            starts=starts,
            arc_minutes=arc_minutes,
            reset=reset == "yes",
            note=note,
        )
    try:
        signed = signing.sign(shop, actor, number, key=key, revision=revision)
    except ConflictError as conflict:
        if not is_draft or not is_htmx(request):
            raise
        draft = drafts.read_draft(shop, actor, number)
        if draft.row.state != "draft":
            raise
        return _review(request, draft, actor, f"{conflict.problem}. {conflict.mend}.", 409)
    except UnfinishedError as refusal:
        if not is_htmx(request):
            raise
        draft = drafts.read_draft(shop, actor, number)
        return _review(request, draft, actor, refusal.problem, refusal.status)
    # Forecasts follow once the answer is out: a signature never waits for them.
    background.add_task(keeping_up_of(request).after_signing)
    return go(request, f"/records/{number}?done={'again' if signed.again else 'signed'}")


def _review(request: Request, draft: Draft, actor: Actor, problem: str, status: int) -> Response:
    values = _with_stock(request, draft, actor, SIGN)
    values["problem"] = problem[:1].upper() + problem[1:]
    return page(request, "bench_body.html", actor, status=status, **values)
