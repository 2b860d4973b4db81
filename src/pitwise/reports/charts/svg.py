"""A Vega-Lite specification as SVG that can stand inline under a strict content policy."""

from __future__ import annotations

import functools
import hashlib
import re
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import vl_convert

from .pit import FONT

FONTS = Path(__file__).parent.parent / "fonts"
# Vega-Lite compiled into vl-convert; one version, so that an update can't change a picture unseen.
_VEGA_LITE = "6.4"
_SVG = "http://www.w3.org/2000/svg"


@functools.cache
def _fonts() -> None:
    vl_convert.register_font_directory(str(FONTS))


def _declarations(element: ET.Element) -> None:
    """Turn an element's style into presentation attributes, which a content policy allows."""
    style = element.attrib.pop("style", "")
    for declaration in style.split(";"):
        key, colon, value = declaration.partition(":")
        if colon:
            element.set(key.strip(), value.strip())


def _tidy(element: ET.Element, prefix: str) -> None:
    """Drop what an inline picture doesn't need and what could clash with its page."""
    for child in list(element):
        hidden = child.get("display") == "none" or child.get("d") in ("", "M0,0h0v0h0Z")
        if child.tag == f"{{{_SVG}}}style" or (hidden and not len(child)):
            element.remove(child)
            continue
        _declarations(child)
        for key in list(child.attrib):
            if key == "role" or key.startswith("aria-"):
                del child.attrib[key]
        named = re.search(r"role-mark (\w+)_marks", child.attrib.pop("class", ""))
        if named:
            child.set("class", f"chart-{named.group(1).replace('_', '-')}")
        if "id" in child.attrib:
            child.set("id", prefix + child.attrib["id"])
        for key, value in child.attrib.items():
            child.set(key, re.sub(r"url\(#", f"url(#{prefix}", value))
        if child.get("font-family") == FONT:
            child.set("font-family", f"{FONT}, sans-serif")
        _tidy(child, prefix)


def svg_of(spec: dict[str, Any]) -> str:
    """Render a specification made by `pit_chart`.

    Parameters
    ----------
    spec : dict
        A Vega-Lite specification with its data in it; ``description`` becomes the label that
        screen readers say.

    Returns
    -------
    str
        One SVG element, the same for the same specification, without styles, scripts or links;
        ids carry a prefix made from the specification, so that charts can share a page.

    Raises
    ------
    ValueError
        The specification is not valid, has no description, or asks for data from elsewhere.
    """
    label = str(spec.get("description") or "")
    if not label:
        raise ValueError("the chart has no description to label it with")
    _fonts()
    # No base URL is allowed: a chart's data is in it, and nothing may be fetched.
    text = vl_convert.vegalite_to_svg(spec, vl_version=_VEGA_LITE, allowed_base_urls=[])
    root = ET.fromstring(text)  # noqa: S314  # vl-convert's own output, not a person's file
    _declarations(root)
    _tidy(root, f"c{hashlib.sha256(text.encode()).hexdigest()[:8]}-")
    for key in list(root.attrib):
        if key not in ("width", "height", "viewBox"):
            del root.attrib[key]
    root.set("class", "pit-chart")
    root.set("role", "img")
    root.set("aria-label", label)
    plain = ET.tostring(root, encoding="unicode")
    # ElementTree writes a namespace prefix that HTML's parser would not understand.
    return plain.replace("ns0:", "").replace("xmlns:ns0", "xmlns")
