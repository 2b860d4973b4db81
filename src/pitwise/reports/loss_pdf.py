"""The picture of parts that ended too soon as one sheet of paper, to hang on a wall."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal

from .charts import NoReadings, svg_of
from .charts.money import LossBar, loss_chart
from .typeset import on_white, printable, typeset

TEMPLATE = Path(__file__).parent / "templates" / "loss.typ"
Paper = Literal["a4", "a3"]
_WIDTH = 720


def loss_pdf(
    pictures: Sequence[tuple[Sequence[LossBar], str, str]],
    *,
    period: str,
    foot: str,
    notes: Sequence[str],
    moment: tuple[int, ...],
    paper: Paper = "a4",
) -> bytes:
    """Make the sheet: one page for each currency.

    Parameters
    ----------
    pictures : sequence of (bars, currency, headline)
    period, foot : str
    notes : sequence of str
        What the figures rest on, set small below the picture.
    moment : tuple of int
        Year, month, day, hour, minute, second, UTC: the document is dated by it.
    paper : {"a4", "a3"}

    Returns
    -------
    bytes

    Raises
    ------
    DocumentError
        The typesetter failed.
    """
    drawn: list[dict[str, Any]] = []
    for bars, currency, headline in pictures:
        spec = loss_chart(bars, currency=currency, headline=headline, period=period, width=_WIDTH)
        if isinstance(spec, NoReadings):
            continue
        drawn.append({"svg": on_white(svg_of(spec)), "words": spec["description"]})
    data = printable({"foot": foot, "notes": list(notes), "period": period})
    data |= {"pictures": drawn, "paper": paper, "dated": list(moment)}
    data["none"] = "" if drawn else "No part ended before its worth was used."
    return typeset(TEMPLATE, data, moment)
