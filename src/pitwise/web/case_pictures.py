"""The pictures of a cure, at the widths of screen and paper."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from markupsafe import Markup

from pitwise.reports.case_words import COMPARED, SHORT
from pitwise.reports.charts import Lives, NoReadings, Ratio, lives_chart, ratio_chart, svg_of
from pitwise.services.cure_view import Compared, CureView

WIDTHS = {"wide": 560, "narrow": 350}


def drawn(make: Callable[[int], dict[str, Any] | NoReadings]) -> dict[str, Markup] | None:
    """Draw a chart at every width; None where there is nothing to draw."""
    out = {}
    for name, width in WIDTHS.items():
        spec = make(width)
        if isinstance(spec, NoReadings):
            return None
        out[name] = Markup(svg_of(spec))  # noqa: S704 -- our own SVG, text escaped in it
    return out


def _ratio(c: Compared) -> Ratio:
    return Ratio(COMPARED[c.what], c.ratio, c.low, c.high, SHORT[c.verdict])


def ratio_picture(cure: CureView) -> dict[str, Markup] | None:
    """Draw what changed after a cure."""
    rows = (_ratio(cure.life), _ratio(cure.wear))
    return drawn(lambda width: ratio_chart(rows, width=width))


def lives_picture(cure: CureView) -> dict[str, Markup] | None:
    """Draw how long electrodes lasted before a cure and after; None where none has any start."""
    if not (cure.before.starts or cure.after.starts):
        return None
    sides = tuple(
        Lives(name, side.lives, side.starts - sum(side.lives) if side.running else None)
        for name, side in (("Before", cure.before), ("After", cure.after))
    )
    return drawn(lambda width: lives_chart(sides, width=width))
