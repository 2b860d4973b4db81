"""Labels with a QR code and the same text in print, on sheets or one by one.

What a code holds is what stands beside it, and nothing else: a scanner types it, and whoever
has none can read it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import segno

from .drawing.shapes import INK, number
from .typeset import printable, typeset

TEMPLATE = Path(__file__).parent / "templates" / "labels.typ"
# ISO/IEC 18004: four modules of nothing all round.
QUIET = 4
MOST_LABELS = 1000
# No moment belongs to labels: the same ones are the same whenever they are made.
_MOMENT = (2000, 1, 1, 0, 0, 0)


@dataclass(frozen=True)
class Paper:
    """How labels lie on a sheet.

    Attributes
    ----------
    slug, name : str
    width_mm, height_mm : float
        Of the sheet.
    columns, rows : int
    label_mm : tuple of float
        Width and height of one label.
    first_mm : tuple of float
        Left and upper edge of the first label.
    step_mm : tuple of float
        From one label to the next, across and down.
    cut : bool
        Whether lines to cut along are printed: the sheet has no labels of its own.
    """

    slug: str
    name: str
    width_mm: float
    height_mm: float
    columns: int
    rows: int
    label_mm: tuple[float, float]
    first_mm: tuple[float, float]
    step_mm: tuple[float, float]
    cut: bool = False

    @property
    def places(self) -> int:
        """How many labels one sheet takes."""
        return self.columns * self.rows


def _single(width: float, height: float) -> Paper:
    return Paper(
        f"single-{width:.0f}x{height:.0f}",
        f"One by one, {width:.0f} × {height:.0f} mm",
        width,
        height,
        1,
        1,
        (width, height),
        (0, 0),
        (width, height),
    )


# Sizes of label sheets and rolls as they are commonly sold (from memory, no source): a sheet
# is tried on plain paper first, and the page says so.
PAPERS: tuple[Paper, ...] = (
    Paper(
        "a4-plain",
        "A4, plain paper to cut, 24 of 63 × 34 mm",
        210,
        297,
        3,
        8,
        (63, 34),
        (10.5, 12.5),
        (63, 34),
        cut=True,
    ),
    Paper("a4-24", "A4 sheet, 24 of 70 × 37 mm", 210, 297, 3, 8, (70, 37), (0, 0.5), (70, 37)),
    Paper(
        "a4-21",
        "A4 sheet, 21 of 63.5 × 38.1 mm",
        210,
        297,
        3,
        7,
        (63.5, 38.1),
        (7.2, 15.1),
        (66.0, 38.1),
    ),
    Paper(
        "a4-14",
        "A4 sheet, 14 of 99.1 × 38.1 mm",
        210,
        297,
        2,
        7,
        (99.1, 38.1),
        (4.65, 15.15),
        (101.6, 38.1),
    ),
    Paper(
        "letter-30",
        "Letter sheet, 30 of 2⅝ × 1 in",
        215.9,
        279.4,
        3,
        10,
        (66.675, 25.4),
        (4.7625, 12.7),
        (69.85, 25.4),
    ),
    Paper(
        "letter-plain",
        "Letter, plain paper to cut, 24 of 63 × 32 mm",
        215.9,
        279.4,
        3,
        8,
        (63, 32),
        (13.45, 11.7),
        (63, 32),
        cut=True,
    ),
    _single(62, 29),
    _single(54, 25),
    _single(100, 50),
)


@dataclass(frozen=True)
class Label:
    """One label.

    Attributes
    ----------
    code : str
        What the QR code holds, printed in full beside it.
    name : str
        What it is, in words.
    more : str
        A line below: where it is kept, its type.
    count : int
        How many of it, 1 or more.
    """

    code: str
    name: str
    more: str = ""
    count: int = 1


def qr_svg(code: str) -> str:
    """Return a code as a QR symbol of at least level M with its quiet zone, drawn as one SVG.

    Raises
    ------
    ValueError
        It is empty or too long for a symbol.
    """
    if not code:
        raise ValueError("a label needs a code")
    # Bytes of UTF-8 and never the Kanji mode: that is what readers take a text for.
    made = segno.make(code, error="m", micro=False, encoding="utf-8", boost_error=True)
    side = len(made.matrix) + 2 * QUIET
    runs = []
    for y, row in enumerate(made.matrix):
        x = 0
        while x < len(row):
            start = x
            while x < len(row) and row[x]:
                x += 1
            if x > start:
                runs.append(f"M{start + QUIET} {y + QUIET}h{x - start}v1h{start - x}z")
            x += x == start
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {side} {side}" '
        f'width="{side}" height="{side}" shape-rendering="crispEdges">'
        f'<path d="{"".join(runs)}" fill="{INK}"/></svg>'
    )


def paper_of(slug: str) -> Paper:
    """Return the paper of a name; raise KeyError where there is none."""
    return {p.slug: p for p in PAPERS}[slug]


def label_pdf(labels: Sequence[Label], paper: Paper, *, skip: int = 0) -> bytes:
    """Make labels as a PDF to be printed at 100 %.

    Parameters
    ----------
    labels : sequence of Label
        At least one, at most `MOST_LABELS` with their counts.
    paper : Paper
    skip : int
        Places of the first sheet that are used up already.

    Returns
    -------
    bytes
        A PDF; vectors only. The same arguments give the same bytes.

    Raises
    ------
    ValueError
        No label, too many, or more places to skip than the sheet has.
    DocumentError
        The typesetter failed.
    """
    return typeset(TEMPLATE, laid_out(labels, paper, skip=skip), _MOMENT)


def laid_out(labels: Sequence[Label], paper: Paper, *, skip: int = 0) -> dict[str, Any]:
    """Return what the template sets: every label once, and the places where they go.

    Parameters and errors as `label_pdf`.
    """
    total = sum(label.count for label in labels)
    if not 1 <= total <= MOST_LABELS:
        raise ValueError(f"{total} labels; 1 to {MOST_LABELS} are made at a time")
    if not 0 <= skip < paper.places:
        raise ValueError(f"skip must be 0 to {paper.places - 1}, got {skip}")
    width, height = paper.label_mm
    # The code takes the label's height and at most two fifths of its width.
    side = min(height - 2, 0.42 * width)
    places = []
    at = skip
    for n, label in enumerate(labels):
        for _ in range(label.count):
            sheet, place = divmod(at, paper.places)
            row, column = divmod(place, paper.columns)
            places.append(
                {
                    "sheet": sheet,
                    "label": n,
                    "x": paper.first_mm[0] + column * paper.step_mm[0],
                    "y": paper.first_mm[1] + row * paper.step_mm[1],
                }
            )
            at += 1
    return {
        "title": "Labels",
        "sheet": [paper.width_mm, paper.height_mm],
        "size": [width, height],
        "code": side,
        "cut": paper.cut,
        "sheets": places[-1]["sheet"] + 1,
        "labels": [
            {
                "svg": qr_svg(label.code),
                "shown": printable(label.code),
                "name": printable(label.name),
                "more": printable(label.more),
                "pt": _points(label.code, width - side - 3.5, height),
            }
            for label in labels
        ],
        "places": places,
    }


def _points(code: str, room_mm: float, height_mm: float) -> float:
    """Return the size of type at which a code fits its line, 7 to 15 pt; longer ones break."""
    # A figure is about 0.6 of its size wide; a point is 0.3528 mm.
    fits = room_mm / (0.6 * 0.3528 * max(len(code), 1))
    return float(number(max(7.0, min(15.0, 0.45 * height_mm, fits))))
