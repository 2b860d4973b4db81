"""Which check is worth its minutes, and whether to check or to try a remedy."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from pitwise.causes.diagnosis import Flag, NextCheck, RankedCause, Repair, Step
from pitwise.causes.evidence import Evidence
from pitwise.causes.gains import gains
from pitwise.causes.model import Model
from pitwise.causes.network import Network
from pitwise.causes.observe import Observations
from pitwise.causes.pc import Repairs
from pitwise.causes.words import minutes, percent
from pitwise.causes.worth import Worth, worth
from pitwise.trade.cause_rows import Remedy
from pitwise.trade.model import Sheet

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


def repair_order(first: Mapping[str, Remedy], ranked: Sequence[RankedCause]) -> tuple[Repair, ...]:
    """Return each cause's first remedy in the order of p per minute (see `pc`)."""
    live = [c for c in ranked if c.p > 0]
    rows = [first[c.id] for c in live]
    total = max(1.0, sum(c.p for c in live))
    order = Repairs(
        tuple(c.p / total for c in live),
        tuple(float(r.minutes) for r in rows),
        (0.0,) * len(live),
    ).pc_order()
    return tuple(Repair(rows[i].id, live[i].id, live[i].p, float(rows[i].minutes)) for i in order)


def worth_of_checks(
    sheet: Sheet,
    model: Model,
    evidence: Evidence,
    checks: Sequence[NextCheck],
    first: Mapping[str, Remedy],
    seed: int,
) -> Worth:
    """Return the minutes of repairs each open check is expected to save, with those before it."""
    column = model.column
    reveals = [
        [column[s] for i in (*c.first, c.check) for s in sheet.check(i).reveals] for c in checks
    ]
    return worth(
        model.network,
        evidence,
        reveals,
        np.array([first[name].minutes for name in model.causes], dtype=float),
        frozenset(np.flatnonzero(~model.open).tolist()),
        seed,
    )


def next_step(
    sheet: Sheet,
    model: Model,
    evidence: Evidence,
    observed: Observations,
    ranked: Sequence[RankedCause],
    checks: Sequence[NextCheck],
    repairs: Sequence[Repair],
    flags: Sequence[Flag],
    remedies: Mapping[str, Remedy],
    seed: int,
) -> Step:
    """Choose what to do now.

    1. A question that is open comes first.
    2. The likeliest cause's remedy is tried when the cause is probable enough (``try-at``).
    3. Else, of the checks that pay (a share ``check-worth`` of the minutes of repairs they are
       expected to save is more than they take), the one that tells most per minute.
    4. With no such check, the remedy with most probability per minute.
    """
    top = next((c for c in ranked if c.p > 0), None)
    asked = next((f for f in flags if f.ask and not f.answered), None)
    name = top.id if top else ""
    if asked is not None:
        return Step("answer", asked.code, name, asked.text)
    saved = worth_of_checks(sheet, model, evidence, checks, remedies, seed).saved_minutes
    # One check ahead, a saving is counted that other checks would bring as well.
    saved = saved * float(sheet.constant("check-worth"))
    paying = [c for c, saves in zip(checks, saved, strict=True) if saves > c.minutes]
    if not (observed.findings or evidence.looked_at()):
        start = f" Start with: {checks[0].name}." if checks else ""
        return Step("none", "", name, f"Nothing has been looked at yet.{start}")
    if top is None:
        return Step("none", "", "", "Every cause of the sheet is ruled out.")
    said = f"{top.name}: {top.word} ({percent(top.p)})."
    if top.p >= float(sheet.constant("try-at")):
        remedy = remedies[top.id]
        more = passed_over(sheet, remedy) + _for_whom(remedy.who)
        return Step("try", remedy.id, top.id, f"{said} Sure enough to cure it now.{more}")
    if paying:
        best = paying[0]
        first = f", {sheet.check(best.first[0]).name.lower()} first" if best.first else ""
        return Step(
            "check",
            best.check,
            top.id,
            f"No cause is sure enough to cure. This tells most for its "
            f"{minutes(best.minutes)}{first}.{_for_whom(best.who)}",
        )
    last = next((r for r in repairs if checks or r.p >= _LEAST_LAST), None)
    if last is not None:
        cause = next(c for c in ranked if c.id == last.cause)
        remedy = remedies[last.cause]
        return Step(
            "try",
            last.remedy,
            last.cause,
            f"No check left is worth its minutes. {cause.name}: {cause.word} "
            f"({percent(cause.p)}), and the cure takes {minutes(last.minutes)}."
            f"{passed_over(sheet, remedy)}"
            f"{_for_whom(remedy.who)}",
        )
    return Step(
        "none",
        "",
        top.id,
        "No check left tells enough and no cause stands out. Look again at what was judged "
        "absent, or ask the maker of the equipment.",
    )


def passed_over(sheet: Sheet, remedy: Remedy) -> str:
    """Say why a remedy that is not its cause's first comes first."""
    if remedy.id == sheet.remedies_of(remedy.cause)[0].id:
        return ""
    return " What the sheet tries first is passed over: it is for what was not there."


def _for_whom(who: str) -> str:
    return "" if who == "technician" else f" For the {who}."
