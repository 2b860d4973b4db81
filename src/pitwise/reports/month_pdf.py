"""The monthly sheet as PDF: one page of sentences for the lead."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from .charts import NoReadings, svg_of
from .typeset import on_white, printable, typeset

TEMPLATE = Path(__file__).parent / "templates" / "month.typ"


def month_pdf(
    sheet: dict[str, Any],
    *,
    said_until: str,
    made: str,
    moment: tuple[int, ...],
    picture: dict[str, Any] | NoReadings | None = None,
) -> bytes:
    """Make the sheet of a month.

    Parameters
    ----------
    sheet : dict
        Plain rows, as ``services.month.MonthSheet.plain`` gives them.
    said_until : str
        How far the sheet reaches, in words.
    made : str
        When it was made, in words.
    moment : tuple of int
        Year, month, day, hour, minute, second, UTC: the document is dated by it, so that the
        same sheet made at the same moment gives the same bytes.
    picture : dict or NoReadings, optional
        The month's losses, as ``loss_chart`` draws them.

    Returns
    -------
    bytes
        A PDF, A4, tagged for screen readers.

    Raises
    ------
    KeyError
        The sheet lacks a field.
    DocumentError
        The typesetter failed, or warned of something that would show in print.
    """
    data = printable(
        {
            "title": f"Wear parts, {sheet['name']}",
            "said_until": said_until,
            "empty": sheet["empty"],
            "made": made,
            "sections": sheet["sections"],
        }
    )
    data["dated"] = list(moment)
    data["picture"] = None
    if picture is not None and not isinstance(picture, NoReadings):
        data["picture"] = {"svg": on_white(svg_of(picture)), "words": picture["description"]}
    return typeset(TEMPLATE, data, moment)
