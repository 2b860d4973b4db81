"""Decide every part: one action each, with every reason, from what was seen and gauged.

The rules are the trade sheet's; this module only applies them. It never makes an action
looser because of another finding, never takes 'not looked at' for 'fine', and gives a
reason for every action.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Literal

from pitwise.bench.holes import JCGM as _JCGM
from pitwise.bench.holes import judge_holes
from pitwise.bench.model import (
    PIT_PART,
    STRICTNESS,
    Decision,
    Flag,
    HoleReading,
    HoleVerdict,
    Inspection,
    Overrule,
    PartAction,
    PartDecision,
    PartLook,
    Reason,
    SetState,
    action_of,
    set_state,
)
from pitwise.measure.conformity import Conformity, judge
from pitwise.measure.slips import Slip, find_slips
from pitwise.trade.model import PART_SLUGS, Limit, Sheet

__all__ = [
    "PIT_PART",
    "STRICTNESS",
    "Decision",
    "Flag",
    "HoleReading",
    "HoleVerdict",
    "Inspection",
    "Overrule",
    "PartAction",
    "PartDecision",
    "PartLook",
    "Reason",
    "SetState",
    "action_of",
    "decide",
    "overrule_needs",
    "set_state",
]

_COMMON = "common practice, no source"
_DESIGN = "Pitwise rule: not looked at is not fine"


def _pit_reason(c: Conformity, limit: Limit, risk: float) -> Reason:
    read = f"{round(float(c.mean), 3):g} {c.unit}"
    mean = f"Pit {read}" if c.readings == 1 else f"Pit {read} (mean of {c.readings})"
    side = "at or above" if limit.compare == ">=" else "above"
    bound = f"{limit.quoted()} ({limit.process.words()}: replace {side})"
    chance = ""
    if c.p_over is not None:
        chance = "under 0.1 %" if c.p_over < 0.001 else f"{100 * c.p_over:.1f} %"
    if c.p_over is not None and c.expected is not None:
        said = f"{c.expected.mean_mm:.2f} mm ± {c.expected.sd_mm:.2f} mm"
        chance += (
            f" with the wear forecast of {said}"
            if c.agrees
            else f" (the wear forecast, {said}, is far off and may only tighten)"
        )
    if c.rule == "over-limit":
        return Reason(
            "pit-over-limit", f"{mean} is {side} the limit {bound}.", limit.source, "replace"
        )
    if c.rule == "may-be-over":
        return Reason(
            "pit-may-be-over",
            f"{mean} is below the limit {bound}, but the chance that the true depth is "
            f"over is {chance}, more than the accepted {100 * risk:g} %. Gauge again: "
            "repeats average.",
            _JCGM,
            "recheck",
        )
    if c.rule == "still-may-be-over":
        return Reason(
            "pit-still-may-be-over",
            f"{mean} is below the limit {bound}, but after repeats the chance that the "
            f"true depth is over is still {chance}, more than the accepted "
            f"{100 * risk:g} %.",
            _JCGM,
            "replace",
        )
    tail = "" if c.p_over is None else f" Chance of being over: {chance}."
    return Reason(
        "pit-within-limit", f"{mean} is below the limit {bound}.{tail}", limit.source, "keep"
    )


def _look_reasons(sheet: Sheet, slug: str, look: PartLook) -> list[Reason]:
    """Reasons from findings alone, and from what was not looked at."""
    reasons = []
    findings = sheet.findings_of(slug)
    for row in findings:
        if row.id in look.seen:
            says_so = row.action != "keep" or row.do.casefold().startswith("normal")
            text = f"{row.name}: {row.do}" if says_so else f"{row.name}: normal. {row.do}"
            reasons.append(Reason(row.id, text, row.source, row.action))
    if not look.looked:
        unlooked = [f for f in findings if f.id not in look.seen and f.id not in look.absent]
        if len(unlooked) == len(findings):
            reasons.append(Reason("not-looked", "Not looked at.", _DESIGN, "not-looked"))
        elif unlooked:
            names = ", ".join(f.name.lower() for f in unlooked[:4])
            more = f" and {len(unlooked) - 4} more" if len(unlooked) > 4 else ""
            reasons.append(
                Reason("not-looked", f"Not looked for: {names}{more}.", _DESIGN, "not-looked")
            )
    return reasons


def _decide_part(
    sheet: Sheet, slug: str, look: PartLook, case: Inspection
) -> tuple[PartDecision, list[Flag]]:
    reasons = _look_reasons(sheet, slug, look)
    flags: list[Flag] = []
    limit = sheet.limit_for(slug, "pit-depth", case.process) if slug == PIT_PART else None
    conformity = None
    if limit is not None and look.pit:
        risk = float(sheet.constant("accepted-risk"))
        conformity = judge(look.pit, limit, case.gauge_u_mm, risk, look.expected)
        reasons.append(_pit_reason(conformity, limit, risk))
        slips = find_slips(
            look.pit,
            last=look.last_pit,
            u_mm=case.gauge_u_mm,
            deepest_mm=sheet.constant("emitter-deepest"),
            coverage=float(sheet.constant("shallower-coverage")),
            expected=look.expected,
        )
        for slip in slips:
            flags.append(_slip_flag(slip, slug, case.answered))
            if slip.holds and slip.code not in case.answered:
                reasons.append(Reason(slip.code, slip.text, _COMMON, "recheck"))
        if case.gauge_u_mm is None:
            flags.append(
                Flag(
                    "no-gauge-uncertainty",
                    "No uncertainty is known for this gauge: "
                    "the plain rule alone decided, and the chance of being over the "
                    "limit is unknown.",
                    slug,
                    question=False,
                )
            )
    elif limit is not None:
        reasons.append(
            Reason("pit-not-gauged", "The pit has not been gauged.", _DESIGN, "not-looked")
        )
    decided = bool(reasons)
    holes, of_holes, asked = judge_holes(sheet, slug, look.holes, case.process, case.answered)
    reasons += of_holes
    flags += asked
    if not decided:
        reasons.append(Reason("nothing-seen", "Looked over, nothing seen.", _COMMON, "keep"))
    action = action_of(reasons)
    ranked = sorted(reasons, key=lambda r: -STRICTNESS.index(r.action))
    unit = look.pit[0].family if look.pit else "mm"
    if conformity is not None:
        unit = conformity.unit
    return (
        PartDecision(slug, action, tuple(ranked), limit, conformity, unit, holes=holes),
        flags,
    )


def _slip_flag(slip: Slip, slug: str, answered: frozenset[str]) -> Flag:
    return Flag(slip.code, slip.text, slug, slip.holds, slip.code in answered)


def _contradictions(sheet: Sheet, case: Inspection) -> list[Flag]:
    flags = []
    for row in sheet.contradictions:
        if case.coolant != row.coolant:
            continue
        where = [s for s in PART_SLUGS if s in case.parts and row.finding in case.parts[s].seen]
        if where:
            names = ", ".join(sheet.part(s).name.lower() for s in where)
            flags.append(
                Flag(
                    row.id,
                    f"{row.text} (seen on: {names}) {row.ask}",
                    where[0],
                    answered=row.id in case.answered,
                )
            )
    return flags


def _holds(overrule: Overrule | None, because: Iterable[Reason]) -> bool:
    """Tell whether an overrule covers every reason stricter than its own action."""
    if overrule is None:
        return False
    rank = STRICTNESS.index(overrule.action)
    return all(r.rule in overrule.over_rules for r in because if STRICTNESS.index(r.action) > rank)


def _settle(
    decisions: dict[str, PartDecision], slug: str, reason: Reason | None, overrule: Overrule | None
) -> None:
    """Add a reason to a part and set its action by all its reasons and its overrule."""
    before = decisions[slug]
    because = before.because if reason is None else (*before.because, reason)
    ranked = tuple(sorted(because, key=lambda r: -STRICTNESS.index(r.action)))
    held = overrule if _holds(overrule, ranked) else None
    decisions[slug] = replace(
        before,
        because=ranked,
        overrule=held,
        action=held.action if held is not None else action_of(ranked),
    )


def _drag(
    sheet: Sheet, decisions: dict[str, PartDecision], overrules: Mapping[str, Overrule]
) -> None:
    """Let replaced parts take others along, until nothing changes."""
    for slug in decisions:
        _settle(decisions, slug, None, overrules.get(slug))
    own = {slug for slug, d in decisions.items() if d.action == "replace"}
    dragged_by: dict[str, set[str]] = {slug: set() for slug in decisions}
    frontier = sorted(own)
    while frontier:
        slug = frontier.pop()
        for row in sheet.pairings:
            if row.when != slug or slug in dragged_by[row.takes]:
                continue
            # A part that came along only because of `takes` gives it no reason back.
            if slug not in own and dragged_by[slug] == {row.takes}:
                continue
            dragged_by[row.takes].add(slug)
            before = decisions[row.takes].action
            reason = Reason(
                f"taken-along-by-{slug}",
                f"Goes with the {sheet.part(slug).name.lower()}, which is replaced: {row.text}",
                row.source,
                "replace",
            )
            _settle(decisions, row.takes, reason, overrules.get(row.takes))
            if before != "replace" and decisions[row.takes].action == "replace":
                frontier.append(row.takes)


def overrule_needs(decision: PartDecision, action: PartAction) -> Literal["anyone", "lead"] | None:
    """Tell who may overrule a part's computed action with another.

    Parameters
    ----------
    decision : PartDecision
        As computed, without an overrule.
    action : {"keep", "clean", "replace"}

    Returns
    -------
    {"anyone", "lead"} or None
        None when nobody may: what was not looked at can only be replaced, never called
        fine. A limit, or a doubt about one, is set aside by a lead only.
    """
    rank = STRICTNESS.index(action)
    set_aside = [r for r in decision.because if STRICTNESS.index(r.action) > rank]
    if decision.computed == "not-looked" and action != "replace":
        return None
    if any(r.action == "not-looked" for r in set_aside):
        return None
    if any(r.rule.startswith(("pit-", "hole-")) or r.action == "recheck" for r in set_aside):
        return "lead"
    return "anyone"


def decide(sheet: Sheet, case: Inspection, overrules: Iterable[Overrule] = ()) -> Decision:
    """Decide every part of a torch.

    Parameters
    ----------
    sheet : Sheet
        The trade sheet to decide by.
    case : Inspection
        What was looked at and gauged. Every finding must be one its part has.
    overrules : iterable of Overrule
        Actions that people set instead; one that no longer holds is left out.

    Returns
    -------
    Decision
        All eight parts, always.

    Raises
    ------
    KeyError
        A finding that its part does not have; faces check input with `bench.case` first.
    """
    decisions: dict[str, PartDecision] = {}
    flags: list[Flag] = []
    for part in sheet.parts:
        look = case.parts.get(part.id, PartLook())
        unknown = sorted(x for x in look.seen | look.absent if not sheet.finding(part.id, x))
        if unknown:
            raise KeyError(f"{part.id} has no finding '{unknown[0]}'")
        decisions[part.id], more = _decide_part(sheet, part.id, look, case)
        flags += more
    _drag(sheet, decisions, {o.part: o for o in overrules})
    flags += _contradictions(sheet, case)
    return Decision(
        set_state([d.action for d in decisions.values()]),
        decisions,
        tuple(flags),
        sheet.version,
        sheet.sha256,
        tuple(p.id for p in sheet.parts),
    )
