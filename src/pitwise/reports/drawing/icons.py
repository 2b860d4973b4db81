"""Line icons of our own for the findings on the sheet, on a 48 by 48 grid.

Each shows the part's form and what has happened to it. A dashed line is always the form the part
had, or something that should be there.
"""

from __future__ import annotations

import math

from .shapes import INK, number

#: Own tints of the two findings that are a colour; the word stands beside the icon all the same.
_PINK = "#d98aa3"
_BLUE = "#7f97c4"


def _stroke(data: str, weight: float = 3.2) -> str:
    return (
        f'<path d="{data}" fill="none" stroke="{INK}" stroke-width="{number(weight)}"'
        ' stroke-linecap="round" stroke-linejoin="round"/>'
    )


def _ghost(data: str) -> str:
    return (
        f'<path d="{data}" fill="none" stroke="{INK}" stroke-width="2.2"'
        ' stroke-dasharray="3.6 3.2"/>'
    )


def _solid(data: str, colour: str = INK) -> str:
    return f'<path d="{data}" fill="{colour}"/>'


def _ring(x: float, y: float, radius: float) -> str:
    """Return path data of a circle."""
    r, w = number(radius), number(2 * radius)
    left = f"M{number(x - radius)} {number(y)}"
    return f"{left}a{r} {r} 0 1 1 {w} 0a{r} {r} 0 1 1 -{w} 0Z"


def _round(radius: float, angle: float) -> tuple[float, float]:
    """Return the point at `angle` degrees on a circle about the middle of the icon."""
    a = math.radians(angle)
    return 24 + radius * math.cos(a), 24 + radius * math.sin(a)


def _spokes(inner: float, outer: float, angles: tuple[float, ...]) -> str:
    """Return path data of radial strokes."""
    out = []
    for angle in angles:
        (x1, y1), (x2, y2) = _round(inner, angle), _round(outer, angle)
        out.append(f"M{number(x1)} {number(y1)}L{number(x2)} {number(y2)}")
    return "".join(out)


def _drop(x: float, y: float, size: float) -> str:
    """Return path data of a hanging drop, its tip at (`x`, `y`)."""
    r = number(size)
    return (
        f"M{number(x)} {number(y)}l{number(size * 0.8)} {number(size * 1.4)}"
        f"a{r} {r} 0 1 1 {number(-size * 1.6)} 0Z"
    )


def _beads(points: tuple[tuple[float, float, float], ...]) -> str:
    return "".join(_ring(x, y, r) for x, y, r in points)


_HOLES = tuple(_round(13.5, angle) for angle in range(-90, 270, 60))
_GAS_RING = _stroke(_ring(24, 24, 21), 3)
#: Two walls with a passage between them.
_PORT = _stroke("M4 13H44M4 35H44") + _stroke("M9 13L14 5M20 13L25 5M31 13L36 5", 2)
_PORT += _stroke("M12 43L17 35M23 43L28 35M34 43L39 35", 2)
#: An O-ring face on: two circles.
_O_RING = _stroke(_ring(24, 24, 19)) + _stroke(_ring(24, 24, 11))
_SURFACE = _stroke("M3 38H45", 3.6)
_STAIN = (
    "M6 30C2 22 12 20 15 13C18 5 28 7 29 15C30 20 44 17 43 28C42 38 30 35 25 40C18 46 9 40 6 30Z"
)
_NOSE = "M6 44V30L17 12H31L42 30V44"

_ICONS: dict[str, str] = {
    "mechanical-damage": _stroke("M5 43V21H16L22 29L29 21H43V43Z")
    + _stroke("M22 18V5M12 15L8 7M32 15L36 7"),
    "crack": _stroke("M7 6H41V42H7Z") + _stroke("M27 6L20 15L29 22L19 31L25 36"),
    "chip": _stroke("M26 9H6V42H40V24L33 22L31 14Z") + _stroke("M37 5L44 8L43 16L36 13Z", 2.8),
    "deformed": _ghost("M9 6V42H39V6")
    + _stroke("M4 6C12 15 13 22 8 30C6 34 7 40 10 42H36C42 36 40 31 35 25C32 20 36 12 44 7"),
    "orifice-out-of-round": _stroke(_ring(24, 24, 20.5))
    + _ghost(_ring(24, 24, 14))
    + _solid("M32.8 15.2A12.4 7 -45 1 1 15.2 32.8A12.4 7 -45 1 1 32.8 15.2Z"),
    "orifice-nicked": _stroke(_ring(24, 24, 20.5))
    + _stroke("M26 15.2A9 9 0 1 0 32.8 22L35.5 12.5Z"),
    # Burnt spots, each with the track the arc left as it wandered.
    "arc-marks": _stroke(_ring(24, 24, 20.5))
    + _stroke(_ring(23, 26, 4), 2.8)
    + _solid(_beads(((31, 13, 3.4), (36, 26, 2.8), (13, 18, 3), (17, 37, 2.6))))
    + _stroke("M31 13L25 15L22 11L17 12M36 26L32 29L35 33L30 37M13 18L16 22L12 25L14 30", 2.2)
    + _stroke("M17 37L21 35L25 39", 2.2),
    "gas-holes-blocked": _GAS_RING
    + _stroke(_beads(tuple((x, y, 3.6) for x, y in _HOLES[::2])), 2.4)
    + _solid(_beads(tuple((x, y, 4.8) for x, y in _HOLES[1::2]))),
    # The wipes of the clean mark in the middle, every hole still full.
    "gas-holes-stay-blocked": _GAS_RING
    + _solid(_beads(tuple((x, y, 4.8) for x, y in _HOLES)))
    + _stroke("M18.5 25L25 18.5M20 29.5L29.5 20M25 30L30 25", 2.2),
    "debris-in-gas-ports": _PORT
    + _solid("M8 33L10 27L16 26L18 33ZM20 22L25 17L30 21L27 26ZM32 33L33 27L39 25L41 33Z")
    + _solid("M11 21L14 17L16 21ZM37 19L41 17L41 22Z"),
    "grease-in-gas-holes": _stroke("M4 13H44M4 35H44")
    + _solid(
        "M10 13H34C34 20 30 19 29 24C28 30 24 30 23.5 25C23 21 19 21 18.5 24C18 28 14 28 14 23"
        "C14 19 11 19 10 13Z"
    )
    + _solid("M19 35C20 31 34 31 38 35Z")
    + _stroke("M8 5L13 5M20 5L25 5M32 5L37 5M8 43L13 43M20 43L25 43M32 43L37 43", 2.4),
    "o-ring-damaged": _stroke("M31.5 6.5A19 19 0 1 0 42 18.5")
    + _stroke("M27.5 13.6A11 11 0 1 0 34.5 21")
    + _stroke("M31.5 6.5L31.5 11L27 10.5L27.5 13.6")
    + _stroke("M42 18.5L37.5 17.5L38.5 22L34.5 21"),
    "o-ring-missing": _ghost(_ring(24, 24, 19)) + _ghost(_ring(24, 24, 11)),
    "o-ring-overgreased": _O_RING
    + _solid(
        "M5 24C3 33 7 35 8 39C9 44 13 44 14 40C15 37 18 39 19 43C20 48 26 48 27 43C28 38 31 38 "
        "32 40C34 44 38 42 38.5 37C39 33 43 32 43 24C40 34 34 36.5 24 36.5C14 36.5 8 34 5 24Z"
    ),
    "o-ring-dry": _O_RING + _stroke(_spokes(12.5, 17.5, tuple(range(15, 375, 30))), 2),
    "spatter-attached": _stroke(_NOSE)
    + _solid(_beads(((22, 9, 5), (31.5, 11, 3.2), (11, 20, 4.2), (37, 20.5, 5.2), (5.5, 32, 3))))
    + _solid(_beads(((41, 31, 2.6), (15.5, 12.5, 2.2)))),
    "scale": _SURFACE
    + _stroke("M4 38C5 30 15 30 16 38M16 38C17 30 27 30 28 38M28 38C29 30 39 30 40 38", 2.8)
    + _stroke("M10 30C11 22 21 22 22 30M22 30C23 22 33 22 34 30M16 22C17 14 27 14 28 22", 2.8)
    + _stroke("M33 19L41 15L43 21Z", 2.6),
    "dirt": _SURFACE
    + _solid("M5 37C9 34 11 29 16 30C19 25 25 24 28 28C33 27 36 33 43 37Z")
    + _solid(_beads(((10, 21, 2.4), (19, 17, 1.9), (28, 19, 2.6), (36, 15, 1.9), (38, 24, 2.4))))
    + _solid(_beads(((14, 10, 1.9), (25, 9, 2.2), (34, 7, 1.6)))),
    # A sample glass: clear at the top, dark below.
    "coolant-darkening": _stroke("M12 4V38A6 6 0 0 0 18 44H30A6 6 0 0 0 36 38V4M8 4H40")
    + _solid("M13 27H35V38A5 5 0 0 1 30 43H18A5 5 0 0 1 13 38Z")
    + _stroke("M17 22H31M21 17H27", 2.6),
    "pink-stain": _solid(_STAIN, _PINK)
    + _stroke(_STAIN)
    + _ghost(
        "M12 29C11 24 19 22 22 16C25 13 25 22 28 24"
        "C32 26 37 23 37 28C35 33 28 31 23 35C17 38 13 34 12 29Z"
    )
    + _solid(_beads(((38, 9, 3), (43, 41, 2.2), (6, 12, 2.2)))),
    "emitter-off-centre": _stroke(_ring(24, 24, 20.5))
    + _stroke("M24 13V35M13 24H35", 2)
    + _solid(_ring(30.5, 17.5, 6)),
    "emitter-blown": _stroke(_ring(24, 24, 20.5))
    + _solid("M18 15L25 17L31 13L32 21L37 26L31 29L29 36L23 32L15 34L16 27L11 22L17 20Z")
    + _solid(_beads(((38, 17, 2.2), (12, 14.5, 1.8), (37, 34, 2), (19, 39.5, 2)))),
    "threads-damaged": _stroke("M3 35L10 10L17 35L20 28L24 31L28 26L31 35L38 10L45 35M3 43H45")
    + _ghost("M18.5 29L24 10L29.5 27"),
    "bent": _ghost("M9 4V45M19 4V45")
    + _stroke("M9 45V28C9 20 13 14 20 9L28 3M19 45V30C19 24 22 20 27 16L35 10M9 45H19M28 3L35 10"),
    "loose-fit": _stroke("M5 12V43H43V12")
    + _solid("M19 6L32 8L28 37L15 35Z")
    + _stroke("M9 22H13M11 19.5L8.5 22L11 24.5M34.5 22H39M37 19.5L39.5 22L37 24.5", 2.4),
    "worn-tip": _ghost("M8 30V14L16 5H32L40 14V30")
    + _stroke("M8 44V26C12 22 15 24 18 29C21 34 27 34 30 29C33 24 36 22 40 26V44Z"),
    "leak": _stroke("M3 9H18V5H30V9H45M3 21H18V25H30V21H45M18 9V21M30 9V21")
    + _solid(_drop(24, 27, 3.2) + _drop(15, 32, 2.8) + _drop(31, 34, 4)),
    "heat-blued": _solid("M11.5 21C18 26 30 26 36.5 21L42 30V31C32 37 16 37 6 31V30Z", _BLUE)
    + _stroke(_NOSE + "H6")
    + _stroke("M14 17C20 19.5 28 19.5 34 17M11 22C18 26.5 30 26.5 37 22", 2.4)
    + _stroke("M7 31C16 37 32 37 41 31", 2.4),
}
FINDING_SLUGS: tuple[str, ...] = tuple(_ICONS)


def finding_icon(slug: str, *, size: int = 48) -> str:
    """Return the icon of a finding.

    The icon is hidden from screen readers: it always stands beside the finding's words.

    Parameters
    ----------
    slug : str
        The finding.
    size : int
        Width and height in px, at least 1.

    Returns
    -------
    str
        One SVG element.

    Raises
    ------
    KeyError
        There is no icon of that name.
    ValueError
        The size is not positive.
    """
    if size < 1:
        raise ValueError(f"size must be at least 1 px, got {size}")
    shape = _ICONS[slug]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="finding-icon" viewBox="0 0 48 48"'
        f' width="{size}" height="{size}" aria-hidden="true" focusable="false">{shape}</svg>'
    )
