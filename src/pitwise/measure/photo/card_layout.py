"""Our printable photo card: its geometry, and its picture as vectors.

Millimetres about the window's centre, x to the right and y *down* as the card lies printed.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np

from pitwise.trade.given import InputError

Array = np.ndarray
# OpenCV's dictionary of 50 markers of 5 × 5 cells in a black border of one.
DICTIONARY = cv2.aruco.DICT_5X5_50
DICTIONARY_NAME = "ArUco 5×5, 50 markers"
CELLS = 7
CHECK_LINE_MM = 50.0
# Reflectance that the steps are printed for. A printer's greys are only nominal: dot gain, paper
# and gloss move them by a sixth or more (common practice, no source).
NOMINAL_REFLECTANCES = (0.045, 0.09, 0.17, 0.3, 0.48, 0.7)
U_NOMINAL = 0.15
U_ENTERED = 0.03
_PAPER = 0.85
Window = Literal["round", "u"]


@dataclass(frozen=True)
class Card:
    """One card.

    Attributes
    ----------
    name : str
    window : {"round", "u"}
        The part's face stands in a round hole, or in one that is open below, to slide it in.
    window_mm : float
        The hole's width.
    cell_mm : float
        Width of a marker's cell.
    first_id : int
        Of the markers; they run on row by row.
    """

    name: str
    window: Window
    window_mm: float
    cell_mm: float
    first_id: int

    @property
    def marker_mm(self) -> float:
        """Return a marker's side."""
        return CELLS * self.cell_mm

    @property
    def band_mm(self) -> float:
        """Return the width of the frame around the window."""
        return (CELLS + 2) * self.cell_mm

    @property
    def side_mm(self) -> float:
        """Return the card's side."""
        return self.window_mm + 2 * self.band_mm

    @property
    def pitch_mm(self) -> float:
        """Return the distance from the window's centre to a row of markers."""
        return (self.window_mm + self.band_mm) / 2

    @functools.cached_property
    def centres(self) -> dict[int, tuple[float, float]]:
        """Return each marker's centre by its number."""
        m = self.pitch_mm
        places = [(x, y) for y in (-m, 0.0, m) for x in (-m, 0.0, m)]
        places.remove((0.0, 0.0))
        if self.window == "u":
            places.remove((0.0, m))
        return {self.first_id + k: place for k, place in enumerate(places)}

    def corners(self, number: int) -> Array:
        """Return a marker's corners, shape (4, 2): clockwise as printed, from the upper left."""
        return np.asarray(self.centres[number]) + outward() * self.marker_mm / 2

    @functools.cached_property
    def patches(self) -> tuple[tuple[float, float, int], ...]:
        """Return the grey patches: centre x, y, and step; each step stands on several sides."""
        m, half = self.pitch_mm, self.patch_mm / 2
        # The two patches of a gap lie side by side in the middle between two markers.
        across = [(m / 2 - half, m / 2 + half), (-m / 2 - half, -m / 2 + half)]
        (r1, r2), (l1, l2) = across
        spots = [
            *((x, -m, s) for x, s in zip((l1, l2, r1, r2), (0, 3, 5, 2), strict=True)),
            *((-m, y, s) for y, s in zip((l1, l2, r1, r2), (1, 4, 2, 5), strict=True)),
            *((m, y, s) for y, s in zip((l1, l2, r1, r2), (4, 1, 3, 0), strict=True)),
        ]
        if self.window == "round":
            spots += [(x, m, s) for x, s in zip((l1, l2, r1, r2), (2, 5, 3, 0), strict=True)]
        return tuple(spots)

    @property
    def patch_mm(self) -> float:
        """Return a grey patch's side."""
        gap = self.pitch_mm - self.band_mm
        return min(gap / 2, self.marker_mm)


def outward() -> Array:
    """Return the direction of each corner from its marker's centre, shape (4, 2)."""
    return np.array([(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)])


CARDS = (
    Card("small", "round", 16.0, 0.45, 0),
    Card("medium", "round", 30.0, 0.7, 8),
    Card("large", "round", 48.0, 0.9, 16),
    Card("small, open", "u", 16.0, 0.45, 24),
    Card("medium, open", "u", 30.0, 0.7, 31),
    Card("large, open", "u", 48.0, 0.9, 38),
)
CARD_OF = {number: card for card in CARDS for number in card.centres}


@dataclass(frozen=True)
class CardPrint:
    """What the shop measured on the printed sheet.

    Attributes
    ----------
    across_mm, down_mm : float
        Measured length of the two check lines, nominally 50 mm.
    u_mm : float
        Standard uncertainty of that measurement: 0.15 with a steel rule (no source).
    reflectances : tuple of float, or None
        The six greys as measured, darkest first, each above 0 and at most 1; None: nominal.
    """

    across_mm: float = CHECK_LINE_MM
    down_mm: float = CHECK_LINE_MM
    u_mm: float = 0.15
    reflectances: tuple[float, ...] | None = None

    def __post_init__(self) -> None:
        """Refuse what no print can be."""
        for name, value in (("across_mm", self.across_mm), ("down_mm", self.down_mm)):
            if not 0.94 * CHECK_LINE_MM <= value <= 1.06 * CHECK_LINE_MM:
                raise InputError(
                    f"card.{name}",
                    f"a check line of {value:g} mm in place of {CHECK_LINE_MM:g} mm",
                    "print the sheet again at 100 %, with no 'fit to page', and measure the line",
                )
        if not 0 <= self.u_mm <= 2:
            raise InputError("card.u_mm", f"{self.u_mm:g} mm", "give 0 to 2 mm")
        if self.reflectances is None:
            return
        if len(self.reflectances) != len(NOMINAL_REFLECTANCES):
            raise InputError(
                "card.reflectances",
                f"{len(self.reflectances)} greys",
                f"enter {len(NOMINAL_REFLECTANCES)}, darkest first",
            )
        if not all(0 < x <= 1 for x in self.reflectances) or any(
            b <= a for a, b in zip(self.reflectances, self.reflectances[1:], strict=False)
        ):
            raise InputError(
                "card.reflectances",
                "not rising from above 0 to at most 1",
                "enter them darkest first, such as 0.05 for a dark grey",
            )

    @property
    def scale(self) -> Array:
        """Return true mm per nominal mm, across and down."""
        return np.array([self.across_mm, self.down_mm]) / CHECK_LINE_MM

    @property
    def greys(self) -> tuple[float, ...]:
        """Return the steps' reflectances, darkest first."""
        return self.reflectances or NOMINAL_REFLECTANCES


@functools.cache
def marker_cells(number: int) -> Array:
    """Return a marker's cells, shape (7, 7), True where black."""
    book = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    return np.asarray(cv2.aruco.generateImageMarker(book, number, CELLS)) < 128


def _grey(reflectance: float) -> str:
    light = min(reflectance / _PAPER, 1.0)
    v = 12.92 * light if light <= 0.0031308 else 1.055 * light ** (1 / 2.4) - 0.055
    return f"#{round(255 * v):02x}" + 2 * f"{round(255 * v):02x}"


def _n(value: float) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".")


def _rect(x: float, y: float, w: float, h: float, fill: str) -> str:
    return f'<rect x="{_n(x)}" y="{_n(y)}" width="{_n(w)}" height="{_n(h)}" fill="{fill}"/>'


def card_marks(card: Card) -> list[str]:
    """Return the card's markers and greys as SVG shapes about the window's centre."""
    out = []
    for number, (cx, cy) in card.centres.items():
        left, top = cx - card.marker_mm / 2, cy - card.marker_mm / 2
        # Black ground with white cells, as runs: no hairlines between black cells in print.
        out.append(_rect(left, top, card.marker_mm, card.marker_mm, "#000"))
        for row, cells in enumerate(marker_cells(number)):
            bounds = np.flatnonzero(np.diff(np.concatenate([[True], cells, [True]])))
            for a, b in zip(bounds[::2], bounds[1::2], strict=True):
                at = (left + a * card.cell_mm, top + row * card.cell_mm)
                out.append(_rect(*at, (b - a) * card.cell_mm, card.cell_mm, "#fff"))
    half = card.patch_mm / 2
    for x, y, step in card.patches:
        side = card.patch_mm
        out.append(_rect(x - half, y - half, side, side, _grey(NOMINAL_REFLECTANCES[step])))
    return out


def _cut_line(card: Card) -> str:
    s, r = card.side_mm / 2, card.window_mm / 2
    style = 'fill="none" stroke="#000" stroke-width="0.15" stroke-dasharray="1 0.8"'
    if card.window == "round":
        return (
            f'<rect x="{_n(-s)}" y="{_n(-s)}" width="{_n(2 * s)}" height="{_n(2 * s)}" {style}/>'
            f'<circle cx="0" cy="0" r="{_n(r)}" {style}/>'
        )
    path = (
        f"M{_n(-r)} {_n(s)}H{_n(-s)}V{_n(-s)}H{_n(s)}V{_n(s)}H{_n(r)}V0"
        f"A{_n(r)} {_n(r)} 0 0 0 {_n(-r)} 0Z"
    )
    return f'<path d="{path}" {style}/>'


def card_svg(card: Card) -> str:
    """Return one card alone, 1:1, as an SVG document."""
    s = card.side_mm / 2 + 1
    body = "".join([_rect(-s, -s, 2 * s, 2 * s, "#fff"), *card_marks(card), _cut_line(card)])
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_n(2 * s)}mm" height="{_n(2 * s)}mm" '
        f'viewBox="{_n(-s)} {_n(-s)} {_n(2 * s)} {_n(2 * s)}">{body}</svg>'
    )


SHEET_MM = (190.0, 250.0)


def sheet_svg(cards: Sequence[Card] = CARDS) -> str:
    """Return a sheet of cards with its check lines, 1:1, 190 × 250 mm, as an SVG document.

    It fits A4 and Letter. Two check lines, one each way: many printers stretch one way only.
    """
    width, height = SHEET_MM
    out = [_rect(0, 0, width, height, "#fff")]
    x, y, row = 1.0, 60.0, 0.0
    for card in cards:
        side = card.side_mm
        if x + side > width:
            x, y, row = 1.0, y + row + 12, 0.0
        out.append(f'<g transform="translate({_n(x + side / 2)} {_n(y + side / 2)})">')
        out += [*card_marks(card), _cut_line(card), "</g>"]
        out.append(_text(x, y + side + 4, f"{card.name}, {card.window_mm:g} mm"))
        x, row = x + side + 8, max(row, side)
    length = CHECK_LINE_MM
    out += [
        f'<path d="M4 52V{_n(52 - length)}M2.5 52H5.5M2.5 {_n(52 - length)}H5.5'
        f'M14 50H{_n(14 + length)}M14 48.5V51.5M{_n(14 + length)} 48.5V51.5" '
        'fill="none" stroke="#000" stroke-width="0.2"/>',
        _text(14, 46, "Both lines: 50 mm, end to end"),
    ]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_n(width)}mm" height="{_n(height)}mm" '
        f'viewBox="0 0 {_n(width)} {_n(height)}">{"".join(out)}</svg>'
    )


def _text(x: float, y: float, words: str) -> str:
    return (
        f'<text x="{_n(x)}" y="{_n(y)}" font-size="3.2" fill="#14181c" '
        f'font-family="Atkinson Hyperlegible Next">{words}</text>'
    )
