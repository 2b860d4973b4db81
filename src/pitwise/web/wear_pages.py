"""The wear fit's page, and fitting again."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from markupsafe import Markup

from pitwise.reports.charts import (
    Interval,
    NoReadings,
    RateBar,
    Scored,
    rate_chart,
    scored_chart,
    svg_of,
    tenths_chart,
)
from pitwise.services import wear_page as pages
from pitwise.services.permissions import Actor
from pitwise.web.access import needs, shop_of
from pitwise.web.render import go, page

router = APIRouter()
Viewer = Annotated[Actor, Depends(needs("view"))]
Fitter = Annotated[Actor, Depends(needs("fit-wear"))]
_WIDTHS = {"wide": 900, "narrow": 350}


def _interval(rate: pages.Rate) -> Interval:
    return Interval(rate.median, rate.low, rate.high)


def _drawn(make: Callable[[int], dict[str, Any] | NoReadings]) -> dict[str, Markup] | None:
    """Draw a chart at both widths; None where there is nothing to draw."""
    out = {}
    for name, width in _WIDTHS.items():
        spec = make(width)
        if isinstance(spec, NoReadings):
            return None
        out[name] = Markup(svg_of(spec))  # noqa: S704 -- our own SVG, text escaped in it
    return out


@router.get("/wear")
def wear(request: Request, actor: Viewer) -> Response:
    """Show what the readings say of wear, and how past forecasts did."""
    view = pages.wear_page(shop_of(request), actor)
    mix = f", {view.minutes_per_start:.2g} arc min each"
    bars = [
        RateBar(r.process, _interval(r.rate), _interval(r.before) if r.before else None)
        for r in view.rates
    ]
    scored = [Scored(p.reading_mm, Interval(p.median_mm, p.low_mm, p.high_mm)) for p in view.points]
    return page(
        request,
        "wear.html",
        actor,
        view=view,
        rate_picture=_drawn(lambda width: rate_chart(bars, width=width, mix=mix)),
        scored_picture=_drawn(lambda width: scored_chart(scored, width=width)),
        tenths_picture=_drawn(lambda width: tenths_chart(view.coverage.bins, width=width))
        if view.enough_scored
        else None,
        most_points=pages.SHOWN_POINTS,
        most_fits=pages.SHOWN_FITS,
        enough=pages.ENOUGH_SCORED,
    )


@router.post("/wear/fit")
def fit(request: Request, actor: Fitter) -> Response:
    """Fit to all signed readings; the page then shows old and new side by side."""
    pages.fit_again(shop_of(request), actor)
    return go(request, "/wear?done=fitted")
