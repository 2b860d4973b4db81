"""The picture of a measurement: the photo with what was found on it, the shape, the numbers.

Left the photo about the hole and the whole face small, with the edge as measured; right the
edge's deviation from its circle, exaggerated by a stated factor, between the two circles of the
minimum zone; below the numbers with their ranges. A refusal shows what was found and says the
mend.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from pitwise.measure.photo.result import Ellipse, HoleMeasured, PhotoRefused

Font = ImageFont.FreeTypeFont | ImageFont.ImageFont
Point = tuple[float, float]

INK, PAPER = (20, 24, 28), (246, 244, 238)
_EDGE, _HALO = (255, 214, 0), (20, 24, 28)
_SOFT, _ZONE = (120, 124, 126), (222, 218, 206)
# Drawn twice as large and reduced, for smooth lines.
_OVER = 2
_SIDE = 720
_PAD = 28
# The photo is shown out to so many radii of the hole: the line on its edge can be judged.
_ABOUT_HOLE = 1.7
_FACE_SIDE = 190
# A perfect hole's noise is not blown up to fill the plot: it shows at least this much, mm each way.
_LEAST_SHAPE_MM = 0.02
_TEXT = 218
_BARS_MM = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)
_TIMES = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000)


@functools.lru_cache(maxsize=32)
def _font(path: str | None, size: int) -> Font:
    if path is None:
        return ImageFont.load_default(size)
    return ImageFont.truetype(path, size)


def draw_result(
    image: NDArray[np.generic],
    result: HoleMeasured | PhotoRefused,
    *,
    font: str | None = None,
    bold: str | None = None,
    label: str = "",
) -> NDArray[np.uint8]:
    """Draw a result.

    Parameters
    ----------
    image : uint8 or uint16 array, (h, w) or (h, w, 3) RGB
        The photo as measured.
    result : HoleMeasured or PhotoRefused
    font, bold : str, optional
        Files of the typefaces; else Pillow's own.
    label : str
        A line at the foot, such as that the picture is rendered.

    Returns
    -------
    (h', w', 3) array of uint8
    """
    width = 2 * _SIDE + 3 * _PAD
    height = _SIDE + _TEXT + 2 * _PAD
    canvas = Image.new("RGB", (width * _OVER, height * _OVER), PAPER)
    draw = ImageDraw.Draw(canvas)
    pen = _Pen(draw, font, bold or font)
    box = _window(image, result)
    canvas.paste(_cut(image, box, _SIDE * _OVER), (_PAD * _OVER, _PAD * _OVER))
    scale = _SIDE * _OVER / (box[2] - box[0])

    def at(x: float, y: float) -> Point:
        return (
            _PAD * _OVER + (x + 0.5 - box[0]) * scale,
            _PAD * _OVER + (y + 0.5 - box[1]) * scale,
        )

    left = (2 * _PAD + _SIDE) * _OVER
    if isinstance(result, HoleMeasured):
        # The whole rim is drawn on the face beside, where it is not in the window.
        _on_photo(pen, result, at, rim=box == _face_window(image, result))
        _small_face(canvas, pen, image, result, box)
        _shape(pen, result, left)
        _numbers(pen, result)
    else:
        _refusal(pen, result, at, left)
    frame = _PAD * _OVER
    draw.rectangle(
        (frame, frame, frame + _SIDE * _OVER, frame + _SIDE * _OVER), outline=INK, width=4 * _OVER
    )
    if label:
        pen.words(_PAD, height - 26, label, 17, fill=_SOFT)
    small = canvas.resize((width, height), Image.Resampling.LANCZOS)
    return np.asarray(small, np.uint8)


def _small_face(
    canvas: Image.Image,
    pen: _Pen,
    image: NDArray[np.generic],
    result: HoleMeasured,
    shown: tuple[float, float, float, float],
) -> None:
    """Put the whole face small in a corner, with the square that is shown large marked on it."""
    box = _face_window(image, result)
    if box == shown:
        return
    left, top = (_PAD + 8) * _OVER, (_PAD + 8) * _OVER
    side = _FACE_SIDE * _OVER
    canvas.paste(_cut(image, box, side), (left, top))
    scale = side / (box[2] - box[0])

    def at(x: float, y: float) -> Point:
        return left + (x - box[0]) * scale, top + (y - box[1]) * scale

    pen.line([at(*p) for p in _ring(result.rim_px)], _EDGE, 1.5, halo=True)
    corners = [(0, 1), (2, 1), (2, 3), (0, 3), (0, 1)]
    pen.line([at(shown[a], shown[b]) for a, b in corners], PAPER, 2.0, halo=True)
    pen.draw.rectangle((left, top, left + side, top + side), outline=INK, width=3 * _OVER)


class _Pen:
    """A drawing with its typefaces; `words` takes places and sizes of the finished picture."""

    def __init__(self, draw: ImageDraw.ImageDraw, font: str | None, bold: str | None) -> None:
        self.draw, self.font, self.bold = draw, font, bold

    def words(
        self,
        x: float,
        y: float,
        text: str,
        size: int,
        *,
        fill: tuple[int, int, int] = INK,
        bold: bool = False,
        anchor: str = "la",
    ) -> float:
        face = _font(self.bold if bold else self.font, size * _OVER)
        if isinstance(face, ImageFont.ImageFont):
            anchor = "la"
        self.draw.text((x * _OVER, y * _OVER), text, fill=fill, font=face, anchor=anchor)
        return float(self.draw.textlength(text, font=face)) / _OVER

    def wrapped(self, x: float, y: float, text: str, size: int, wide: float, **kind: bool) -> float:
        """Write words in lines of at most so much, and return where the next line goes."""
        face = _font(self.bold if kind.get("bold") else self.font, size * _OVER)
        line = ""
        for word in text.split():
            longer = f"{line} {word}".strip()
            if line and self.draw.textlength(longer, font=face) > wide * _OVER:
                self.words(x, y, line, size, bold=bool(kind.get("bold")))
                y += size * 1.3
                line = word
            else:
                line = longer
        self.words(x, y, line, size, bold=bool(kind.get("bold")))
        return y + size * 1.3

    def line(
        self, points: list[Point], fill: tuple[int, int, int], width: float, halo: bool = False
    ) -> None:
        if halo:
            self.draw.line(points, fill=_HALO, width=round((width + 2) * _OVER), joint="curve")
        self.draw.line(points, fill=fill, width=max(round(width * _OVER), 1), joint="curve")


def _window(
    image: NDArray[np.generic], result: HoleMeasured | PhotoRefused
) -> tuple[float, float, float, float]:
    """Return the square of the photo that is shown: about the hole, the face, or all of it."""
    if isinstance(result, HoleMeasured):
        hole = result.hole_px
        deepest = max((n.depth_mm for n in result.nicks), default=0.0) * result.px_per_mm
        half = _ABOUT_HOLE * hole.a + deepest
        if half < 1.08 * result.rim_px.a:
            return hole.x - half, hole.y - half, hole.x + half, hole.y + half
    return _face_window(image, result)


def _face_window(
    image: NDArray[np.generic], result: HoleMeasured | PhotoRefused
) -> tuple[float, float, float, float]:
    """Return the square about the whole face, or all of the photo where no rim was found."""
    h, w = image.shape[:2]
    rim = result.rim_px
    if rim is None:
        side = float(max(h, w))
        return (w - side) / 2, (h - side) / 2, (w + side) / 2, (h + side) / 2
    half = 1.08 * rim.a
    return rim.x - half, rim.y - half, rim.x + half, rim.y + half


def _cut(
    image: NDArray[np.generic], box: tuple[float, float, float, float], side: int
) -> Image.Image:
    part = np.asarray(image)
    x0, y0, x1, y1 = (round(v) for v in box)
    h, w = part.shape[:2]
    inner = part[max(y0, 0) : min(y1, h), max(x0, 0) : min(x1, w)]
    if inner.dtype == np.uint16:
        inner = inner >> 8
    eight = np.asarray(inner, np.uint8)
    whole = Image.new("RGB", (x1 - x0, y1 - y0), PAPER)
    if eight.size:
        whole.paste(Image.fromarray(eight).convert("RGB"), (max(-x0, 0), max(-y0, 0)))
    return whole.resize((side, side), Image.Resampling.LANCZOS, reducing_gap=2.0)


def _ring(e: Ellipse) -> list[Point]:
    turn = np.radians(np.arange(0, 362, 2))
    c, s = math.cos(math.radians(e.angle_deg)), math.sin(math.radians(e.angle_deg))
    along, across = e.a * np.cos(turn), e.b * np.sin(turn)
    return [
        (float(e.x + u * c - v * s), float(e.y - u * s - v * c))
        for u, v in zip(along, across, strict=True)
    ]


def _to_px(result: HoleMeasured, x_mm: float, y_mm: float) -> Point:
    back = np.linalg.inv(result.homography)
    x, y, z = back @ np.array([x_mm, y_mm, 1.0])
    return float(x / z), float(y / z)


def _on_photo(
    pen: _Pen, r: HoleMeasured, at: Callable[[float, float], Point], *, rim: bool
) -> None:
    if rim:
        pen.line([at(*p) for p in _ring(r.rim_px)], _EDGE, 1.5, halo=True)
    n = len(r.edge_px)
    order = np.argsort(r.edge_angle_deg)
    pts = [at(*(float(v) for v in r.edge_px[k])) for k in order]
    hidden = [bool(r.masked[k]) for k in order]
    for k in range(n):
        if hidden[k] or hidden[(k + 1) % n]:
            continue
        pen.line([pts[k], pts[(k + 1) % n]], _EDGE, 2.0)
    circle = r.circles.least_squares
    for k in range(n):
        if not hidden[k]:
            continue
        # What is left out is a dashed ring outside of the circle.
        if k % 6 < 3:
            a0, a1 = (math.radians(float(r.edge_angle_deg[order[j % n]])) for j in (k, k + 1))
            ends = [
                at(
                    *_to_px(
                        r,
                        circle.x_mm + circle.r_mm * math.cos(a),
                        circle.y_mm + circle.r_mm * math.sin(a),
                    )
                )
                for a in (a0, a1)
            ]
            pen.line(ends, PAPER, 3.0, halo=True)
    for nick in r.nicks:
        a = math.radians(nick.angle_deg)
        tip = circle.r_mm + nick.depth_mm
        far = tip + 0.16 * circle.r_mm + 0.25
        ends = [
            at(*_to_px(r, circle.x_mm + q * math.cos(a), circle.y_mm + q * math.sin(a)))
            for q in (tip + 0.05 * circle.r_mm, far)
        ]
        pen.line(ends, PAPER, 4.0, halo=True)
    for x, y, size in ((0.0, 0.0, 9.0), (circle.x_mm, circle.y_mm, 5.0)):
        cx, cy = at(*_to_px(r, x, y))
        arm = size * _OVER
        pen.line([(cx - arm, cy), (cx + arm, cy)], PAPER, 2.0, halo=True)
        pen.line([(cx, cy - arm), (cx, cy + arm)], PAPER, 2.0, halo=True)


def _shape(pen: _Pen, r: HoleMeasured, left: int) -> None:
    """Draw the deviation from the circle, exaggerated so that it fills a third of the radius."""
    middle = (left + _SIDE * _OVER / 2, (_PAD + _SIDE / 2) * _OVER)
    base = 0.29 * _SIDE * _OVER
    circle = r.circles.least_squares
    deviation = r.edge_radius_mm - circle.r_mm
    shown = np.where(r.masked, 0.0, deviation)
    worst = max(float(np.max(np.abs(shown))) if shown.size else 0.0, _LEAST_SHAPE_MM)
    unit = base / circle.r_mm
    times = max((t for t in _TIMES if t * worst * unit < 0.62 * base), default=1)

    def place(angle: float, off: float) -> Point:
        rho = base + off * unit * times
        return middle[0] + rho * math.cos(angle), middle[1] - rho * math.sin(angle)

    def ring(x: float, y: float, radius: float) -> list[Point]:
        turn = np.radians(np.arange(0, 361, 3))
        ex, ey = x - circle.x_mm, y - circle.y_mm
        return [
            place(float(a), radius - circle.r_mm + float(ex * math.cos(a) + ey * math.sin(a)))
            for a in turn
        ]

    inner, outer = r.circles.zone_inner, r.circles.zone_outer
    pen.draw.polygon(ring(outer.x_mm, outer.y_mm, outer.r_mm), fill=_ZONE)
    pen.draw.polygon(ring(inner.x_mm, inner.y_mm, inner.r_mm), fill=PAPER)
    pen.line(ring(outer.x_mm, outer.y_mm, outer.r_mm), _SOFT, 1.5)
    pen.line(ring(inner.x_mm, inner.y_mm, inner.r_mm), _SOFT, 1.5)
    order = np.argsort(r.edge_angle_deg)
    angles = np.radians(r.edge_angle_deg[order])
    offs, hidden = deviation[order], r.masked[order]
    n = len(order)
    for k in range(n):
        j = (k + 1) % n
        if not hidden[k] and not hidden[j]:
            ends = [
                place(float(angles[k]), float(offs[k])),
                place(float(angles[j]), float(offs[j])),
            ]
            pen.line(ends, INK, 3.0)
    for nick in r.nicks[:6]:
        a = math.radians(nick.angle_deg)
        apart = np.abs((angles - a + math.pi) % (2 * math.pi) - math.pi)
        tip = place(a, float(np.max(offs[apart < max(1.01 * float(apart.min()), 0.05)])))
        tip = (tip[0] + 8 * _OVER * math.cos(a), tip[1] - 8 * _OVER * math.sin(a))
        far = (
            tip[0] + 26 * _OVER * math.cos(a),
            tip[1] - 26 * _OVER * math.sin(a),
        )
        pen.line([tip, far], INK, 4.0)
        pen.words(
            far[0] / _OVER + 30 * math.cos(a),
            far[1] / _OVER - 18 * math.sin(a),
            f"{nick.depth_mm:.3f}",
            20,
            bold=True,
            anchor="mm",
        )
    pen.words(middle[0] / _OVER, middle[1] / _OVER - 14, "Shape", 24, bold=True, anchor="mm")
    pen.words(middle[0] / _OVER, middle[1] / _OVER + 14, f"deviation × {times}", 24, anchor="mm")
    # A bar says how much a step in the line is.
    bar = next((b for b in _BARS_MM if b * unit * times >= 40 * _OVER), _BARS_MM[-1])
    x, y = left + 24 * _OVER, (_PAD + _SIDE - 40) * _OVER
    pen.line([(x, y), (x, y - bar * unit * times)], INK, 6.0)
    pen.words(x / _OVER + 12, y / _OVER - 26, f"{bar:g} mm", 24, bold=True)


def _small(length_mm: float) -> str:
    return "under 0.001" if length_mm < 0.001 else f"{length_mm:.3f}"


def _numbers(pen: _Pen, r: HoleMeasured) -> None:
    y = float(_SIDE + 2 * _PAD - 4)
    what = "Hole" if r.feature == "orifice" else "Pit"
    columns = (
        (f"{what}, diameter", f"{r.diameter.value:.3f} mm", f"± {_small(2 * r.diameter.u)} (95 %)"),
        (
            "Out of round",
            "not known" if r.shape_unknown else f"{r.roundness_mm:.3f} mm",
            f"at least {r.roundness_mm:.3f}: edge not all seen"
            if r.shape_unknown
            else f"noise alone shows {_small(r.noise_floor_mm)}",
        ),
        (
            "Off centre",
            f"{r.off_centre.value:.3f} mm",
            f"± {_small(2 * r.off_centre.u)} towards {r.off_centre_angle_deg:.0f}°",
        ),
        (
            "Nicks",
            str(len(r.nicks)) if r.nicks else "not known" if r.shape_unknown else "none found",
            f"deepest {r.nicks[0].depth_mm:.2f} mm at {r.nicks[0].angle_deg:.0f}°"
            if r.nicks
            else "none where the edge is seen"
            if r.shape_unknown
            else f"false alarms {r.false_alarm:.0%}",
        ),
    )
    wide = (2 * _SIDE + _PAD) / len(columns)
    for k, (name, value, more) in enumerate(columns):
        x = _PAD + k * wide
        pen.line([(x * _OVER, y * _OVER), ((x + wide - 24) * _OVER, y * _OVER)], INK, 4.0)
        pen.words(x, y + 14, name, 22)
        pen.words(x, y + 44, value, 40, bold=True)
        pen.words(x, y + 98, more, 20)
    told = (
        f"{r.px_per_mm:.0f} px/mm from the {r.scale_from}, tilt {r.tilt_deg:.0f}°, "
        f"filter {r.filter_upr:g} waves per turn"
    )
    if r.masked_share > 0.005:
        told += f", {r.masked_share:.0%} of the edge left out (dashed)"
    pen.words(_PAD, y + 140, told, 20)


def _refusal(pen: _Pen, r: PhotoRefused, at: Callable[[float, float], Point], left: int) -> None:
    for ellipse in (r.rim_px, r.hole_px):
        if ellipse is not None:
            pen.line([at(*p) for p in _ring(ellipse)], _EDGE, 1.5, halo=True)
    x, wide = left / _OVER, _SIDE - 20
    pen.line([(left, _PAD * _OVER), (left + _SIDE * _OVER, _PAD * _OVER)], INK, 8.0)
    y = pen.wrapped(x, _PAD + 28, "Not measured", 52, wide, bold=True)
    y = pen.wrapped(x, y + 18, f"{r.text[:1].upper()}{r.text[1:]}.", 32, wide)
    y = pen.wrapped(x, y + 28, f"{r.mend[:1].upper()}{r.mend[1:]}.", 38, wide, bold=True)
    pen.wrapped(x, y + 28, "This says nothing about the part: take the photo again.", 26, wide)
