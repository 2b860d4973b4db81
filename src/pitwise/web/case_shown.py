"""What a case's page shows, and how a touch of it is answered."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from fastapi import Request
from fastapi.responses import RedirectResponse, Response

from pitwise.services import cases, cures
from pitwise.services.case_lines import CheckForm, NotLooked, ReadingField
from pitwise.services.case_sheet import place_names
from pitwise.services.case_view import CaseView
from pitwise.services.errors import ConflictError
from pitwise.services.permissions import Actor
from pitwise.web.access import shop_of
from pitwise.web.case_pictures import lives_picture, ratio_picture
from pitwise.web.case_words import (
    CERTAIN,
    NO_RANKING,
    STATES,
    VERDICTS,
    held_words,
    moving,
    shift_words,
    tells,
    told_words,
)
from pitwise.web.render import is_htmx, page

SHOWN = 5


@dataclass(frozen=True)
class Typed:
    """What stands in the form that closes a case, or amends a closed one."""

    causes: Sequence[str] = ()
    remedies: Sequence[str] = ()
    certainty: str = ""
    remedy_text: str = ""
    done_by: str = ""
    note: str = ""
    reason: str = ""


@dataclass(frozen=True)
class Asked:
    """What a page of a case was asked for, beside the case itself."""

    check: str = ""
    by: str = ""
    remedy: str = ""
    problem: str = ""
    texts: tuple[str, str] | None = None
    typed: Typed | None = None


@dataclass(frozen=True)
class Dark:
    """A finding nobody looked at, with the answers it can be given."""

    symptom: str
    text: str
    why: str
    kind: str
    asks_name: bool = False
    who: str = "technician"
    caution: str = ""
    state: str = "none"
    # Nobody looked, so no figure tells of it either.
    told: str = ""


def _step(view: CaseView, asked: Asked) -> tuple[str, CheckForm | None]:
    """Return what the page puts first, and the check where it is one.

    A contradiction comes before all, with the check somebody chose below it; then that check;
    then what the rules say.
    """
    if view.state != "open":
        return view.state, None
    forms = {c.id: c for c in view.checks}
    if any(not a.answered for a in view.asks):
        return "answer", forms.get(asked.check)
    if asked.check in forms:
        return "check", forms[asked.check]
    step = view.diagnosis.step
    if step.do == "check" and step.id in forms:
        return "check", forms[step.id]
    if step.do == "try" and any(r.id == step.id for r in view.remedies):
        return "try", None
    return "none", None


def wants_name(actor: Actor, who: str) -> bool:
    """Tell whether work asks for the name of who did it, since the actor may not."""
    return who == "electrician" or (who == "lead" and actor.role == "technician")


def unknown_of(check: CheckForm) -> list[str]:
    """Return the findings of a check that nobody has answered yet."""
    return [f.symptom for f in check.findings if f.state == "none"]


def _dark(request: Request, actor: Actor, view: CaseView) -> list[tuple[str, str, list[Dark]]]:
    """Return what was not looked at, by place in the order of the work."""
    sheet = shop_of(request).base
    kinds = {s.id: s.kind for s in sheet.symptoms}
    names = place_names(sheet)

    def line(n: NotLooked) -> Dark:
        kind = kinds.get(n.symptom, "plain")
        asks = wants_name(actor, n.who)
        return Dark(n.symptom, n.text, n.why, kind, asks, n.who, n.caution)

    return [
        (place, name, found)
        for place, name in names.items()
        if (found := [line(n) for n in view.not_looked if n.where == place])
    ]


def _close_list(view: CaseView, typed: Typed) -> dict[str, Any]:
    own: dict[str, list[Any]] = {}
    for r in view.remedies:
        own.setdefault(r.cause, []).append(r)
    pairs = [(c, own.get(c.id, [])) for c in view.diagnosis.causes]
    first = [p for k, p in enumerate(pairs) if k < SHOWN or p[0].id in typed.causes]
    return {"close_first": first, "close_rest": [p for p in pairs if p not in first]}


def _typed(view: CaseView, asked: Asked) -> Typed:
    """Return what the form that closes a case is filled with."""
    if asked.typed is not None:
        return asked.typed
    if view.closing is not None:
        c = view.closing
        causes, remedies = tuple(x.id for x in c.causes), tuple(r.id for r in c.remedies)
        return Typed(causes, remedies, c.certainty, c.remedy_text, c.done_by, c.note)
    chosen = next((r for r in view.remedies if r.id == asked.remedy), None)
    if chosen is not None:
        return Typed(causes=(chosen.cause,), remedies=(chosen.id,))
    if view.last_closing is not None:
        last = view.last_closing
        return Typed(
            last.causes, last.remedies, last.certainty, last.remedy_text, last.done_by, last.note
        )
    return Typed()


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _has_range(field: ReadingField) -> bool:
    return field.low is not None or field.high is not None


def _last(view: CaseView) -> str:
    """Say the newest fact, which the button beside it takes back."""
    if view.last_fact_id is None:
        return ""
    for e in view.evidence:
        if e.fact_id == view.last_fact_id:
            return f"{e.text}: {held_words(e.state, e.words, e.log_ratio)}"
    for r in view.recorded:
        if r.fact_id == view.last_fact_id:
            said = "; ".join(f"{text}: {STATES[state]}" for text, state in r.results)
            return f"{r.name}: {said}" if said else r.name
    for a in view.asks:
        if a.fact_id == view.last_fact_id:
            return a.answered
    for t in view.tried:
        if t.fact_id == view.last_fact_id:
            return f"{t.text}: tried, did not help"
    return "the newest entry"


def case_values(request: Request, actor: Actor, view: CaseView, asked: Asked) -> dict[str, Any]:
    """Return what a case's template shows."""
    kind, check = _step(view, asked)
    step = view.diagnosis.step
    remedies = {r.id: r for r in view.remedies}
    typed = _typed(view, asked)
    names = {c.id: c.name for c in view.diagnosis.causes}
    cure = None
    if view.state == "closed":
        cure = cures.cure_view(shop_of(request), actor, view.id)
    chosen = check is not None and check.id == asked.check
    return {
        "view": view,
        "step_kind": kind,
        "step_key": f"{kind}-{check.id if check and kind == 'check' else step.id}",
        "check": check,
        "chosen": chosen,
        "pinned": check.id if check is not None and chosen else "",
        "by": asked.by.strip()[:120],
        # One without a range is kept too, and says who can make it tell.
        "step_readings": check.readings if check else (),
        "unknown_here": len(unknown_of(check)) if check else 0,
        "remedy": remedies.get(step.id),
        "wants_name": lambda who: wants_name(actor, who),
        "typed_texts": asked.texts or (view.complaint, view.note),
        "shown_here": " ".join(unknown_of(check)) if check else "",
        "wants_by": wants_name(actor, check.who if check else ""),
        "remedy_by": wants_name(
            actor, remedies[step.id].who if step.do == "try" and step.id in remedies else ""
        ),
        "asks": [a for a in view.asks if not a.answered],
        "too_many": any(f.code == NO_RANKING for f in view.diagnosis.flags),
        # What the page says elsewhere is not said again among the flags.
        "said_ids": {a.id for a in view.asks} | {NO_RANKING, "nothing-looked-at"},
        "evidence_of": {e.symptom: e for e in view.evidence},
        "shown": view.diagnosis.causes[:SHOWN],
        "others": view.diagnosis.causes[SHOWN:],
        "cause_names": lambda ids: _capital(" and ".join(names.get(i, i).lower() for i in ids)),
        "dark": _dark(request, actor, view) if view.state == "open" else [],
        "places": place_names(shop_of(request).base),
        "normal_places": {n.where for n in shop_of(request).base.normals},
        "last": _last(view),
        # What was merely not there fills pages; it is folded, not left out.
        "telling": [e for e in view.evidence if e.state != "absent" or e.fact_id is not None],
        "clear": [e for e in view.evidence if e.state == "absent" and e.fact_id is None],
        "ranged": [r for r in view.readings if _has_range(r) or r.current],
        "unranged": [r for r in view.readings if not (_has_range(r) or r.current)],
        "problem": asked.problem,
        "typed": typed,
        "cure": cure,
        "ratio_picture": ratio_picture(cure) if cure else None,
        "lives_picture": lives_picture(cure) if cure else None,
        "shift_words": shift_words,
        "held_words": held_words,
        "told_words": told_words,
        "moving": moving,
        "tells": tells,
        "STATES": STATES,
        "CERTAIN": CERTAIN,
        "VERDICTS": VERDICTS,
        **_close_list(view, typed),
    }


def _address(view: CaseView, asked: Asked) -> str:
    """Return a case's address; the check somebody is at stays in it."""
    pairs = [f"{k}={v}" for k, v in (("check", asked.check),) if re.fullmatch(r"\w{1,40}", v)]
    return f"/causes/{view.id}" + ("?" + "&".join(pairs) if pairs else "")


def shown_case(
    request: Request,
    actor: Actor,
    view: CaseView,
    asked: Asked,
    *,
    said: str = "",
    at: str = "",
    status: int = 200,
) -> Response:
    """Answer a touch: the case again (or its whole page without htmx)."""
    if not is_htmx(request):
        where = f"#{at}" if re.fullmatch(r"[\w-]{1,60}", at) else ""
        return RedirectResponse(_address(view, asked) + where, 303)
    values = case_values(request, actor, view, asked)
    answer = page(request, "case_said.html", actor, status=status, said=said, **values)
    if status == 200:
        answer.headers["HX-Push-Url"] = _address(view, asked)
        answer.headers["Pitwise-Revision"] = str(view.revision)
    return answer


def stale(
    request: Request, actor: Actor, number: int, asked: Asked, refusal: ConflictError
) -> Response:
    """Answer a touch on a page from before somebody else's: the case as it stands, and why."""
    if not is_htmx(request):
        raise refusal
    view = cases.read_case(shop_of(request), actor, number)
    problem = f"{_capital(refusal.problem)}. {_capital(refusal.mend)}."
    told = replace(asked, problem=problem)
    return shown_case(request, actor, view, told, said=told.problem, status=409)


def said_of(what: str, view: CaseView) -> str:
    """Say what was recorded and who leads now, for those who can't see the list move."""
    if view.state != "open" or not view.diagnosis.causes:
        return what
    top = view.diagnosis.causes[0]
    return f"{what} Likeliest now: {top.name}, {top.word}."


def after_touch(view: CaseView, asked: Asked, stay: bool) -> Asked:
    """Stay at a check while it has something left to answer, else go on."""
    forms = {c.id: c for c in view.checks}
    if stay and asked.check in forms and unknown_of(forms[asked.check]):
        return asked
    return Asked(by=asked.by if asked.check in forms else "")
