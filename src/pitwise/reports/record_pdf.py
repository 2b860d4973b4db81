"""The document of a signed inspection: its record as PDF, byte for byte the same every time."""

from __future__ import annotations

import datetime as dt
import functools
import json
import re
from pathlib import Path
from typing import Any

import typst

from .drawing import ACTION_WORDS, action_mark, torch_drawing
from .drawing.shapes import PAPER
from .glyphs import FAMILIES, FONTS, spelled
from .record_view import view

TEMPLATE = Path(__file__).parent / "templates" / "record.typ"


class DocumentError(Exception):
    """The document could not be made; says what the typesetter said."""


@functools.cache
def _fonts() -> typst.Fonts:
    # Neither the machine's fonts nor those of the typesetter: the same document everywhere.
    return typst.Fonts(
        include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(FONTS)]
    )


def _printable(data: Any) -> Any:
    """Return plain data with every string in it as the packaged fonts can print it."""
    if isinstance(data, str):
        return spelled(data)
    if isinstance(data, list):
        return [_printable(x) for x in data]
    if isinstance(data, dict):
        return {key: _printable(x) for key, x in data.items()}
    return data


def _on_white(svg: str) -> str:
    return svg.replace(PAPER, "#ffffff")


def record_pdf(
    record: dict[str, Any],
    record_sha256: str,
    *,
    superseded_by: int | None = None,
    timezone: str = "UTC",
) -> bytes:
    """Make the document of a signed inspection.

    Parameters
    ----------
    record : dict
        The record, as ``services.signing`` makes and keeps it.
    record_sha256 : str
        Its SHA-256, 64 hex digits; printed in full, and in short on every page.
    superseded_by : int or None
        Number of the record that took its place, shown across the top.
    timezone : str
        "UTC" or an IANA name; moments are written in it.

    Returns
    -------
    bytes
        A PDF, A4, tagged for screen readers. Dated by the record's own signature, so that the
        same arguments give the same bytes.

    Raises
    ------
    ValueError
        The hash or the time zone is not one.
    KeyError
        The record lacks a field.
    DocumentError
        The typesetter failed, or warned of something that would show in print.

    Notes
    -----
    The record reaches the typesetter as data, never as markup: what people typed is printed as
    they typed it.
    """
    if re.fullmatch(r"[0-9a-f]{64}", record_sha256) is None:
        raise ValueError(f"record_sha256 must be 64 hex digits, got {record_sha256[:80]!r}")
    words = view(record, record_sha256, superseded_by=superseded_by, timezone=timezone)
    data = _printable(words)
    # Hashes are set on one line of their own, to be copied whole.
    data["proof"] = words["proof"]
    data["families"] = list(FAMILIES)
    marks = {p["part"]: p["action"] for p in record["parts"]}
    data["torch"] = _on_white(torch_drawing(marks))
    data["torch_words"] = "; ".join(
        f"{p['name']}: {ACTION_WORDS[p['action']]}" for p in record["parts"]
    )
    data["marks"] = {a: _on_white(action_mark(a, decorative=True)) for a in ACTION_WORDS}
    year, month, day, hour, minute, second = words["signed_at"]
    signed = dt.datetime(year, month, day, hour, minute, second, tzinfo=dt.UTC)
    try:
        compiler = typst.Compiler(
            TEMPLATE.read_bytes(),
            font_paths=_fonts(),
            ignore_system_fonts=True,
            sys_inputs={"data": json.dumps(data, ensure_ascii=False, sort_keys=True)},
        )
        pdf, warnings = compiler.compile_with_warnings(
            format="pdf", pdf_standards="ua-1", timestamp=int(signed.timestamp())
        )
    except typst.TypstError as error:
        raise DocumentError(f"{error.message}\n{error.diagnostic}") from error
    if warnings:
        raise DocumentError("; ".join(w.message for w in warnings))
    if not isinstance(pdf, bytes):
        raise DocumentError(f"the typesetter gave {type(pdf).__name__} in place of one file")
    return pdf
