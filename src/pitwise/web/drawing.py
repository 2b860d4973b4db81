"""Pictures for pages, drawn once while their figures stand."""

from __future__ import annotations

import json
from functools import lru_cache
from typing import Any

from markupsafe import Markup

from pitwise.reports.charts import svg_of


@lru_cache(maxsize=128)
def _svg(spec: str) -> str:
    """Draw a specification given as JSON; drawing it takes longer than most of a page."""
    return svg_of(json.loads(spec))


def drawn_once(spec: dict[str, Any]) -> Markup:
    """Return a specification as SVG to stand in a page; the same one is drawn once.

    Parameters
    ----------
    spec : dict
        A Vega-Lite specification, of JSON's kinds only.
    """
    return Markup(_svg(json.dumps(spec)))  # noqa: S704 -- our own SVG, text escaped in it
