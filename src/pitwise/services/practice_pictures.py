"""Pictures of practice: the specimen, and its truth drawn in; each says that it is rendered."""

from __future__ import annotations

import functools
import io
import threading

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from pitwise.measure.specimen import Truth, render
from pitwise.reports.charts.svg import FONTS
from pitwise.services.practice_scenes import LABEL, SIZE_PX, Level, scene_of

_BAND_PX = 44
_INK, _PAPER = (20, 24, 28), (255, 254, 250)
_SHIFT = 4
# Drawing takes a good part of a second of a core; a shop's computer has other work too.
_turn = threading.BoundedSemaphore(2)


def _font(size: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(FONTS / "AtkinsonHyperlegibleNext-700.ttf"), size)


def _labelled(pixels: NDArray[np.uint8], words: str) -> bytes:
    """Return a picture as JPEG with a band below it that says what it is."""
    h, w = pixels.shape[:2]
    whole = Image.new("RGB", (w, h + _BAND_PX), _INK)
    whole.paste(Image.fromarray(pixels), (0, 0))
    draw = ImageDraw.Draw(whole)
    middle = h + _BAND_PX / 2
    draw.text((14, middle), LABEL, fill=_PAPER, font=_font(21), anchor="lm")
    draw.text((w - 14, middle), words, fill=_PAPER, font=_font(17), anchor="rm")
    out = io.BytesIO()
    whole.save(out, "JPEG", quality=90, subsampling=0)
    return out.getvalue()


def _number(seed: int, level: Level) -> str:
    return f"{level.name.lower()}, no. {seed}"


@functools.lru_cache(maxsize=24)
def _specimen(seed: int, level: str) -> tuple[bytes, Truth]:
    scene, _ = scene_of(seed, level)
    with _turn:
        pixels, truth = render(scene, seed)
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "PNG", compress_level=1)
    return out.getvalue(), truth


def picture(seed: int, level: Level) -> bytes:
    """Return a specimen as JPEG, labelled as rendered; the same seed gives the same bytes."""
    return _labelled(_pixels(seed, level)[0], _number(seed, level))


def _pixels(seed: int, level: Level) -> tuple[NDArray[np.uint8], Truth]:
    data, true = _specimen(seed, level.id)
    return np.array(Image.open(io.BytesIO(data))), true


def _line(
    pixels: NDArray[np.uint8], points: NDArray[np.float64], colour: tuple[int, int, int], width: int
) -> None:
    fixed = np.rint(points * (1 << _SHIFT)).astype(np.int32)
    cv2.polylines(pixels, [fixed], False, colour, width, cv2.LINE_AA, _SHIFT)


def _stroke(pixels: NDArray[np.uint8], points: NDArray[np.float64], *, dashed: bool) -> None:
    """Draw a line that shows on dark and light alike: ink in a paper edge."""
    pieces = [points]
    if dashed:
        step = max(2, len(points) // 60)
        pieces = [points[k : k + step] for k in range(0, len(points), 2 * step)]
    for colour, width in ((_PAPER, 5), (_INK, 2)):
        for piece in pieces:
            _line(pixels, piece, colour, width)


def _cross(pixels: NDArray[np.uint8], at: tuple[float, float], reach: float) -> None:
    x, y = at
    for colour, width in ((_PAPER, 6), (_INK, 2)):
        for dx, dy in ((reach, 0.0), (0.0, reach)):
            _line(pixels, np.array([[x - dx, y - dy], [x + dx, y + dy]]), colour, width)


def _best_circle(true: Truth) -> NDArray[np.float64]:
    """Return the least-squares circle of the edge as it would lie in the picture."""
    to_px, _ = cv2.findHomography(true.edge_mm, true.edge_px)
    angle = np.linspace(0, 2 * np.pi, 721)
    turned = np.radians(true.off_centre_angle_deg)
    centre = true.off_centre_mm * np.array([np.cos(turned), np.sin(turned)])
    ring = centre + true.diameter_mm / 2 * np.column_stack([np.cos(angle), np.sin(angle)])
    flat = np.column_stack([ring, np.ones(len(ring))]) @ np.asarray(to_px).T
    return np.asarray(flat[:, :2] / flat[:, 2:])


def truth_pictures(seed: int, level: Level, part: str) -> bytes:
    """Return a specimen with its truth drawn in, as JPEG.

    Parameters
    ----------
    seed, level
    part : {"whole", "hole"}
        The whole face with the centres of rim (large cross) and hole (small cross); or the hole
        enlarged, with its edge (line) and the circle that fits it best (dashes).
    """
    pixels, true = _pixels(seed, level)
    if part == "whole":
        _stroke(pixels, true.edge_px, dashed=False)
        _cross(pixels, true.rim_centre_px, 26)
        _cross(pixels, true.hole_centre_px, 12)
        return _labelled(pixels, _number(seed, level))
    low, high = true.edge_px.min(axis=0), true.edge_px.max(axis=0)
    half = 0.62 * float((high - low).max())
    corner = (low + high) / 2 - half
    scale = SIZE_PX / (2 * half)
    shift = np.array([[scale, 0, -scale * corner[0]], [0, scale, -scale * corner[1]]])
    large = np.asarray(
        cv2.warpAffine(
            pixels,
            shift,
            (SIZE_PX, SIZE_PX),
            flags=cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REPLICATE,
        ),
        np.uint8,
    )
    moved = (true.edge_px - corner) * scale
    _stroke(large, (_best_circle(true) - corner) * scale, dashed=True)
    _stroke(large, np.vstack([moved, moved[:1]]), dashed=False)
    return _labelled(large, f"{_number(seed, level)}, enlarged")
