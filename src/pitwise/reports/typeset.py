"""The typesetter: plain data and a template to PDF, byte for byte the same every time."""

from __future__ import annotations

import datetime as dt
import functools
import json
from pathlib import Path
from typing import Any

import typst

from .drawing.shapes import PAPER
from .glyphs import FAMILIES, FONTS, spelled


class DocumentError(Exception):
    """The document could not be made; says what the typesetter said."""


@functools.cache
def _fonts() -> typst.Fonts:
    # Neither the machine's fonts nor those of the typesetter: the same document everywhere.
    return typst.Fonts(
        include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(FONTS)]
    )


def printable(data: Any) -> Any:
    """Return plain data with every string in it as the packaged fonts can print it."""
    if isinstance(data, str):
        return spelled(data)
    if isinstance(data, list):
        return [printable(x) for x in data]
    if isinstance(data, dict):
        return {key: printable(x) for key, x in data.items()}
    return data


def on_white(svg: str) -> str:
    """Return a drawing made for the screen's paper on white."""
    return svg.replace(PAPER, "#ffffff")


def typeset(template: Path, data: dict[str, Any], moment: tuple[int, ...]) -> bytes:
    """Typeset data with a template.

    Parameters
    ----------
    template : Path
    data : dict
        Reaches the typesetter as data, never as markup; ``families`` is added.
    moment : tuple of int
        Year, month, day, hour, minute, second, UTC: the document is dated by it.

    Raises
    ------
    DocumentError
        The typesetter failed, or warned of something that would show in print.
    """
    year, month, day, hour, minute, second = moment
    dated = dt.datetime(year, month, day, hour, minute, second, tzinfo=dt.UTC)
    data = {**data, "families": list(FAMILIES)}
    try:
        compiler = typst.Compiler(
            template.read_bytes(),
            font_paths=_fonts(),
            ignore_system_fonts=True,
            sys_inputs={"data": json.dumps(data, ensure_ascii=False, sort_keys=True)},
        )
        pdf, warnings = compiler.compile_with_warnings(
            format="pdf", pdf_standards="ua-1", timestamp=int(dated.timestamp())
        )
    except typst.TypstError as error:
        raise DocumentError(f"{error.message}\n{error.diagnostic}") from error
    if warnings:
        raise DocumentError("; ".join(w.message for w in warnings))
    if not isinstance(pdf, bytes):
        raise DocumentError(f"the typesetter gave {type(pdf).__name__} in place of one file")
    return pdf
