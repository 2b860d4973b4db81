"""The pictures of a gauge study, at the widths of screen and paper."""

from __future__ import annotations

from markupsafe import Markup

from pitwise.services.gauge_results import GaugeResult


def study_pictures(told: GaugeResult) -> dict[str, dict[str, Markup] | None]:
    """Draw a study's components and every reading."""
    return {"components": None, "readings": None}
