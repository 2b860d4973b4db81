"""Which check is worth its minutes, and whether to check or to try a remedy."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pitwise.causes.diagnosis import Flag, NextCheck, RankedCause, Repair, Step
from pitwise.causes.evidence import Evidence
from pitwise.causes.gains import gains
from pitwise.causes.network import Network, NetworkError
from pitwise.causes.observe import Observations
from pitwise.causes.pc import Repairs
from pitwise.causes.posterior import posteriors
from pitwise.causes.words import minutes, percent
from pitwise.trade.model import Sheet

# A check of so few open findings is played through, each way it may come out.
_PLAYED = 2
_TRIED_CHECKS = 4
# With nothing left to look at, a cause less probable than this is not worth a repair.
_LEAST_LAST = 0.15


def open_checks(
    sheet: Sheet,
    network: Network,
    evidence: Evidence,
    known: frozenset[str],
    done: frozenset[str],
    seed: int,
) -> tuple[NextCheck, ...]:
    """Return the checks still open, the most told per minute first.

    A check is closed when it was done or all it reveals is known. Its minutes are its own
    and those of the checks that must come before it and are still open.
    """
    column = {name: j for j, name in enumerate(network.findings)}
    left = {row.id: tuple(s for s in row.reveals if s not in known) for row in sheet.checks}
    open_ = [row for row in sheet.checks if left[row.id] and row.id not in done]
    if not open_:
        return ()
    ids = {row.id for row in open_}
    reveals = [[column[s] for s in left[row.id]] for row in open_]
    bits = gains(network, evidence, reveals, seed)
    out = []
    for row, gain in zip(open_, bits, strict=True):
        first = tuple(i for i in _before(sheet, row.id) if i in ids)
        steps = [row, *(sheet.check(i) for i in first)]
        out.append(
            NextCheck(
                row.id,
                row.name,
                float(gain),
                float(sum(s.minutes for s in steps)),
                left[row.id],
                first,
                any(s.isolated for s in steps),
                row.who,
                row.caution,
            )
        )
    # A stable sort: checks that tell alike stand in the sheet's order.
    return tuple(sorted(out, key=lambda n: -n.gain_bits / n.minutes))


def _before(sheet: Sheet, check: str) -> tuple[str, ...]:
    """Return the checks that must come before one, in the order to do them."""
    out: dict[str, None] = {}

    def walk(code: str) -> None:
        for before in sheet.check(code).after:
            walk(before)
            out.setdefault(before)

    walk(check)
    return tuple(out)


def repair_order(sheet: Sheet, ranked: Sequence[RankedCause]) -> tuple[Repair, ...]:
    """Return each cause's first remedy in the order of p per minute (see `pc`)."""
    live = [c for c in ranked if c.p > 0]
    rows = [sheet.remedies_of(c.id)[0] for c in live]
    total = max(1.0, sum(c.p for c in live))
    order = Repairs(
        tuple(c.p / total for c in live),
        tuple(float(r.minutes) for r in rows),
        (0.0,) * len(live),
    ).pc_order()
    return tuple(Repair(rows[i].id, live[i].id, live[i].p, float(rows[i].minutes)) for i in order)


@dataclass(frozen=True)
class Rules:
    """When a remedy goes before a check: the sheet's constants."""

    try_at: float
    try_least: float
    least_bits: float


def rules_of(sheet: Sheet) -> Rules:
    """Read the rules from the sheet."""
    return Rules(
        *(float(sheet.constant(name)) for name in ("try-at", "try-least", "check-least-bits"))
    )


def next_step(
    sheet: Sheet,
    network: Network,
    evidence: Evidence,
    observed: Observations,
    ranked: Sequence[RankedCause],
    checks: Sequence[NextCheck],
    repairs: Sequence[Repair],
    flags: Sequence[Flag],
) -> Step:
    """Choose what to do now.

    1. A question that is open comes first.
    2. The likeliest cause's remedy is tried when the cause is probable enough (``try-at``),
       or when it is at least ``try-least`` probable and the minutes expected to be wasted on
       it, (1 - p) x minutes, are fewer than the best check's, or no check left could make
       another cause the likeliest.
    3. Else the check that tells most per minute, among those that tell enough to be worth
       doing.
    4. With no such check left, the remedy with most probability per minute.
    """
    top = next((c for c in ranked if c.p > 0), None)
    asked = next((f for f in flags if f.ask and not f.answered), None)
    name = top.id if top else ""
    if asked is not None:
        return Step("answer", asked.code, name, asked.text)
    rules = rules_of(sheet)
    worth = [c for c in checks if c.gain_bits >= rules.least_bits]
    if not (observed.findings or evidence.looked_at()):
        start = f" Start with: {worth[0].name}." if worth else ""
        return Step("none", "", name, f"Nothing has been looked at yet.{start}")
    if top is None:
        return Step("none", "", "", "Every cause of the sheet is ruled out.")
    remedy = sheet.remedies_of(top.id)[0]
    said = f"{top.name}: {top.word} ({percent(top.p)})."
    who = "" if remedy.who == "technician" else f" For the {remedy.who}."
    if top.p >= rules.try_at:
        return Step("try", remedy.id, top.id, f"{said} Sure enough to cure it now.{who}")
    if worth and top.p >= rules.try_least:
        wasted = (1 - top.p) * remedy.minutes
        if wasted < worth[0].minutes:
            return Step(
                "try",
                remedy.id,
                top.id,
                f"{said} Trying the cure wastes {minutes(round(wasted, 1))} on average, "
                f"the next check takes {minutes(worth[0].minutes)}.{who}",
            )
        if not any(_may_change(network, evidence, c) for c in worth[:_TRIED_CHECKS]):
            return Step(
                "try",
                remedy.id,
                top.id,
                f"{said} None of the best checks left would change that.{who}",
            )
    if worth:
        best = worth[0]
        first = f", {sheet.check(best.first[0]).name.lower()} first" if best.first else ""
        for_whom = "" if best.who == "technician" else f" For the {best.who}."
        return Step(
            "check",
            best.check,
            top.id,
            f"No cause is sure enough to cure. This tells most for its "
            f"{minutes(best.minutes)}{first}.{for_whom}",
        )
    last = next((r for r in repairs if r.p >= _LEAST_LAST), None)
    if last is not None:
        cause = next(c for c in ranked if c.id == last.cause)
        return Step(
            "try",
            last.remedy,
            last.cause,
            f"No check left tells enough. {cause.name}: {cause.word} ({percent(cause.p)}), "
            f"and the cure takes {minutes(last.minutes)}.",
        )
    return Step(
        "none",
        "",
        top.id,
        "No check left tells enough and no cause stands out. Look again at what was judged "
        "absent, or ask the maker of the equipment.",
    )


def _may_change(network: Network, evidence: Evidence, check: NextCheck) -> bool:
    """Tell whether some outcome of a check would make another cause the likeliest."""
    if len(check.reveals) > _PLAYED:
        return True
    columns = [network.findings.index(s) for s in check.reveals]
    now = int(np.argmax(posteriors(network, evidence).p))
    for outcome in itertools.product((True, False), repeat=len(columns)):
        seen = frozenset(j for j, there in zip(columns, outcome, strict=True) if there)
        tried = Evidence(
            evidence.seen | seen,
            evidence.absent | (frozenset(columns) - seen),
            evidence.soft,
            evidence.grades,
            evidence.groups,
        )
        try:
            p = posteriors(network, tried).p
        except NetworkError:
            # This outcome cannot come about.
            continue
        if int(np.argmax(p)) != now:
            return True
    return False
