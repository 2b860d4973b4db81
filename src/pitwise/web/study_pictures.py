"""The pictures of a gauge study, at the widths of screen and paper."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from markupsafe import Markup

from pitwise.reports.charts import NoReadings, components_chart, readings_chart, svg_of
from pitwise.services.gauge_results import GaugeResult

WIDTHS = {"wide": 900, "narrow": 350}
Drawn = dict[str, Markup] | None


def _drawn(make: Callable[[int], dict[str, Any] | NoReadings]) -> Drawn:
    out = {}
    for name, width in WIDTHS.items():
        spec = make(width)
        if isinstance(spec, NoReadings):
            return None
        out[name] = Markup(svg_of(spec))  # noqa: S704 -- our own SVG, text escaped in it
    return out


def study_pictures(told: GaugeResult) -> dict[str, Drawn]:
    """Draw a study's components and every reading; None where there is nothing to draw."""
    parts = [str(p) for p in told.parts]
    return {
        "components": _drawn(lambda w: components_chart(told.anova, unit=told.unit, width=w)),
        "readings": _drawn(
            lambda w: readings_chart(
                told.values, people=told.people, parts=parts, unit=told.unit, width=w
            )
        ),
    }
