"""The sheet of a cause case as PDF, byte for byte the same for the same case."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from .case_words import COMPARED, SHORT, view
from .charts import Lives, NoReadings, Ratio, lives_chart, ratio_chart, svg_of
from .drawing import chance_bar
from .typeset import on_white, printable, typeset

TEMPLATE = Path(__file__).parent / "templates" / "case.typ"
_WIDTH = 640


def _drawn(spec: dict[str, Any] | NoReadings) -> str:
    return "" if isinstance(spec, NoReadings) else on_white(svg_of(spec))


def _pictures(cure: dict[str, Any] | None) -> list[dict[str, str]]:
    """Draw a cure as the page does: the same functions, at the paper's width."""
    if cure is None:
        return []
    rows = [
        Ratio(COMPARED[c["what"]], c["ratio"], c["low"], c["high"], SHORT[c["verdict"]])
        for c in (cure["life"], cure["wear"])
    ]
    sides = [
        Lives(
            name,
            tuple(side["lives"]),
            side["starts"] - sum(side["lives"]) if side["running"] else None,
        )
        for name, side in (("Before", cure["before"]), ("After", cure["after"]))
    ]
    specs = [ratio_chart(rows, width=_WIDTH)]
    if any(side["starts"] for side in (cure["before"], cure["after"])):
        specs.append(lives_chart(sides, width=_WIDTH))
    return [
        {"svg": _drawn(spec), "words": spec["description"]}
        for spec in specs
        if not isinstance(spec, NoReadings)
    ]


def case_pdf(case: dict[str, Any], *, timezone: str = "UTC") -> bytes:
    """Make the sheet of a cause case.

    Parameters
    ----------
    case : dict
        Plain rows, as ``services.case_sheet.plain_case`` gives them.
    timezone : str
        "UTC" or an IANA name; moments are written in it.

    Returns
    -------
    bytes
        A PDF, A4, tagged for screen readers. Dated by the newest thing in the case, so that
        the same case gives the same bytes.

    Raises
    ------
    ValueError
        The time zone is not one.
    KeyError
        The case lacks a field.
    DocumentError
        The typesetter failed, or warned of something that would show in print.

    Notes
    -----
    The case reaches the typesetter as data, never as markup.
    """
    words = view(case, timezone=timezone)
    data = printable(words)
    data["proof"] = words["proof"]
    for row, cause in zip(data["causes"], case["diagnosis"]["causes"], strict=False):
        row["bar"] = on_white(chance_bar(cause["p"], cause["low"], cause["high"], cause["base"]))
    data["pictures"] = _pictures(case["cure"])
    return typeset(TEMPLATE, data, words["dated"])
