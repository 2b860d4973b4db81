"""The page of when to change."""

from __future__ import annotations

from typing import Annotated, Any

import numpy as np
from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from markupsafe import Markup

from pitwise.reports.charts import NoReadings
from pitwise.reports.charts.replacement import CostCurve, CostMark, change_cost_chart
from pitwise.services.errors import ServiceError
from pitwise.services.fields import whole_number
from pitwise.services.permissions import Actor
from pitwise.services.replacement import replacement_view
from pitwise.services.replacement_model import DepthAdvice, ReplacementView, RuleLine
from pitwise.services.replacement_words import amount, ranged
from pitwise.wear.cant_tell import CantTell
from pitwise.wear.replacement.depth import DepthPolicy
from pitwise.web.access import needs, shop_of
from pitwise.web.drawing import drawn_once
from pitwise.web.render import page

router = APIRouter()
Viewer = Annotated[Actor, Depends(needs("view"))]
_WIDTHS = {"wide": 900, "narrow": 350}


def _curve(policy: DepthPolicy, row: int, name: str) -> CostCurve:
    return CostCurve(
        name,
        policy.depths_mm,
        tuple(policy.grid[row].tolist()),
        tuple(policy.grid_low[row].tolist()),
        tuple(policy.grid_high[row].tolist()),
        tuple(bool(x) for x in np.asarray(policy.past[row]) <= policy.accepted_risk),
    )


def _mark(name: str, line: RuleLine) -> CostMark:
    cost = line.cost
    return CostMark(name, cost.rule.depth_mm, cost.per_start, cost.low, cost.high)


def chart_of(view: ReplacementView, width: int) -> dict[str, Any] | NoReadings:
    """Return the chart of a view."""
    advice = view.depth
    if not isinstance(advice, DepthAdvice) or not isinstance(advice.best, DepthPolicy):
        return NoReadings("No rule can be advised, so there is no curve to draw.")
    best, same = advice.best, advice.same_looks
    curves = [
        _curve(
            best, best.every.index(best.every_starts), f"a look every {best.every_starts} starts"
        )
    ]
    if isinstance(same, DepthPolicy):
        curves.append(_curve(same, 0, f"looks as now (about every {same.every_starts})"))
    policy = advice.policy or best
    if policy is same:
        curves.reverse()
    habit, line = advice.habit, advice.advised
    told = None if isinstance(habit, CantTell) else habit
    return change_cost_chart(
        curves[0],
        curves[1] if len(curves) > 1 else None,
        advised=None if line is None or line is told else _mark("Advised", line),
        habit=None if told is None else _mark("The habit", told),
        flat_mm=(policy.flat_from_mm, policy.flat_to_mm),
        limit_mm=policy.limit_mm,
        currency=view.money.currency if view.money else "",
        width=width,
    )


def _drawn(view: ReplacementView) -> dict[str, Markup] | None:
    out = {}
    for name, width in _WIDTHS.items():
        spec = chart_of(view, width)
        if isinstance(spec, NoReadings):
            return None
        out[name] = drawn_once(spec)
    return out


@router.get("/change")
def change(request: Request, actor: Viewer, process: str = "") -> Response:
    """Show when to change on a process, beside the shop's present habit."""
    wanted = None
    if process:
        wanted = whole_number("process", process, low=1, high=2**31 - 1)
        if wanted is None:
            raise ServiceError("process", "is no number", "choose from the list")
    view = replacement_view(shop_of(request), actor, wanted)
    depth = view.depth
    return page(
        request,
        "replacement.html",
        actor,
        view=view,
        cant=depth if isinstance(depth, CantTell) else None,
        depth=None if isinstance(depth, CantTell) else depth,
        picture=_drawn(view),
        amount=amount,
        ranged=ranged,
    )
