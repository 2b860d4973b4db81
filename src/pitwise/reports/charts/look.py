"""What the charts of forecasts share: frame, type, and words set clear of what they cross."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from .pit import FONT, GREY, INK

SCHEMA = "https://vega.github.io/schema/vega-lite/v6.json"
NARROW = 480
#: A band's fill: told from white paper in black and white too; its edges are drawn.
BAND = "#d3ccba"
PAPER = "#fffefa"
LETTER = 0.56  # of the type size: about the typeface's mean


def type_size(width: int) -> int:
    """Return the type size for a picture's width, px."""
    return 13 if width < NARROW else 15


def reach(words: str, size: int) -> float:
    """Return about how wide words run, px."""
    return LETTER * size * len(words)


def halo(layer: dict[str, Any]) -> list[dict[str, Any]]:
    """Return a layer of words twice: first as a paper-coloured edge, so that lines stay off."""
    edge = {**layer, "name": f"{layer['name']}_edge"}
    edge["mark"] = {
        **layer["mark"],
        "stroke": PAPER,
        "strokeWidth": 5,
        "strokeJoin": "round",
        "color": PAPER,
    }
    return [edge, layer]


def axis(title: str | None, **more: Any) -> dict[str, Any]:
    """Return an axis as all charts have it."""
    return {"title": title, "grid": False, **more}


def framed(
    layers: Sequence[dict[str, Any]],
    *,
    title: str,
    subtitle: str | list[str] = "",
    description: str,
    width: int,
    height: int,
    x: dict[str, Any],
    y: dict[str, Any],
) -> dict[str, Any]:
    """Return a whole specification: layers in the house's frame.

    Parameters
    ----------
    layers : sequence of dict
    title, subtitle : str
        The y axis' quantity and unit; what is drawn how.
    description : str
        What the picture shows, for those who can't see it.
    width, height : int
        Of the whole picture, px.
    x, y : dict
        The shared encodings (scale and axis).
    """
    size = type_size(width)
    return {
        "$schema": SCHEMA,
        "description": description,
        "width": width,
        "height": height,
        "autosize": {"type": "fit", "contains": "padding"},
        "padding": 4,
        "background": None,
        "title": {
            "text": title,
            "subtitle": subtitle,
            "subtitleFontSize": size,
            "subtitleColor": GREY,
            "anchor": "start",
            "frame": "bounds",
            "fontSize": size,
            "fontWeight": 400,
            "color": INK,
            "offset": 10,
        },
        "encoding": {"x": x, "y": y},
        "layer": list(layers),
        "config": {
            "font": FONT,
            "view": {"stroke": None},
            "axis": {
                "labelColor": INK,
                "labelFontSize": size,
                "titleColor": INK,
                "titleFontSize": size,
                "titleFontWeight": 400,
                "titlePadding": 8,
                "domainColor": INK,
                "domainWidth": 2,
                "tickColor": INK,
                "tickWidth": 2,
                "tickSize": 6,
                "labelFlush": False,
            },
        },
    }
