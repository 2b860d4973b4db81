"""The document of a signed inspection: its record as PDF, byte for byte the same every time."""

from __future__ import annotations

import base64
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from .drawing import ACTION_WORDS, action_mark, torch_drawing
from .record_view import view
from .typeset import on_white, printable, typeset

TEMPLATE = Path(__file__).parent / "templates" / "record.typ"


def record_pdf(
    record: dict[str, Any],
    record_sha256: str,
    *,
    superseded_by: int | None = None,
    timezone: str = "UTC",
    pictures: Mapping[str, tuple[int, int, bytes]] | None = None,
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
    pictures : mapping of str to (width, height, JPEG), optional
        Small pictures of what photos gave, by the SHA-256 the record names them by. One that
        is missing is left out; its numbers are printed all the same.

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
    data = printable(words)
    # Hashes are set on one line of their own, to be copied whole.
    data["proof"] = words["proof"]
    marks = {p["part"]: p["action"] for p in record["parts"]}
    for part, own in zip(data["parts"], words["parts"], strict=True):
        for photo, named in zip(part["photos"], own["photos"], strict=True):
            photo["picture"] = _embedded((pictures or {}).get(named["picture"]))
    data["torch"] = on_white(torch_drawing(marks))
    data["torch_words"] = "; ".join(
        f"{p['name']}: {ACTION_WORDS[p['action']]}" for p in record["parts"]
    )
    data["marks"] = {a: on_white(action_mark(a, decorative=True)) for a in ACTION_WORDS}
    return typeset(TEMPLATE, data, words["signed_at"])


def _embedded(picture: tuple[int, int, bytes] | None) -> str:
    """Return a JPEG as an SVG that holds it: the typesetter takes texts only."""
    if picture is None:
        return ""
    width, height, content = picture
    href = f"data:image/jpeg;base64,{base64.b64encode(content).decode()}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}"><image href="{href}" width="{width}" '
        f'height="{height}"/></svg>'
    )
