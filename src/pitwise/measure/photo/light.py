"""From what a camera stores to light: tone curves, luminance, clipping.

An edge lies where the *light* is halfway between its sides; a stored value isn't light. Tone
curves are used up to a factor and an offset: an edge's place does not depend on either.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from pitwise.trade.given import InputError

# Weights of linear red, green and blue in luminance: IEC 61966-2-1, ITU-R BT.709 (from memory).
_LUMINANCE = (0.2126, 0.7152, 0.0722)
# Cameras' curves lie between these exponents; common practice, no source.
USUAL_EXPONENTS = (1.9, 2.5)
_FEWEST_STEPS = 3
# JPEG's ringing and a phone's rendering leave saturated places a little below the top.
WHITE_SHARE = 0.988
Array = np.ndarray


@dataclass(frozen=True)
class ToneCurve:
    """Stored value to linear light.

    Attributes
    ----------
    name : str
    kind : {"srgb", "power", "steps"}
    exponent : float
        Of the power nearest to the curve.
    u_exponent : float
        Its standard uncertainty: the tone's row in an uncertainty budget.
    levels, light : tuple of float
        Knots of a curve from steps, both in [0, 1] and rising.
    residual : float
        RMS of the steps' light about the curve (isotonic part); 0 for a formula.
    """

    name: str
    kind: Literal["srgb", "power", "steps"]
    exponent: float
    u_exponent: float = 0.0
    levels: tuple[float, ...] = ()
    light: tuple[float, ...] = ()
    residual: float = 0.0

    def to_linear(self, values: Array) -> Array:
        """Return linear light.

        Parameters
        ----------
        values : ndarray of uint8, uint16, or of float in [0, 1]
            Any shape.

        Returns
        -------
        ndarray of float32, same shape
            In [0, 1]; full scale is 1 for a formula, the light of the steps' scale otherwise.

        Raises
        ------
        InputError
            The array is of another type.
        """
        values = np.asarray(values)
        if values.dtype == np.uint8 or values.dtype == np.uint16:
            return np.asarray(_table(self, 8 * values.dtype.itemsize)[values])
        if np.issubdtype(values.dtype, np.floating):
            return self._light(np.clip(values, 0, 1)).astype(np.float32)
        raise InputError(
            "image", f"pixels of type {values.dtype}", "give 8 or 16 bits without sign"
        )

    def _light(self, v: Array) -> Array:
        v = np.asarray(v, dtype=float)
        if self.kind == "srgb":
            return np.asarray(np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4))
        if self.kind == "power":
            return np.asarray(v**self.exponent)
        x = v**self.exponent
        # Only a card's curve needs these, and they take longer to import than a photo to measure.
        from scipy.interpolate import PchipInterpolator

        knots = np.asarray(self.levels) ** self.exponent
        light = np.asarray(self.light)
        inner = PchipInterpolator(knots, light)(np.clip(x, knots[0], knots[-1]))
        # Outside of the steps: along the power law that fits them, from the last step on.
        slope = np.polyfit(knots, light, 1)[0]
        out = inner + slope * (np.maximum(x - knots[-1], 0) + np.minimum(x - knots[0], 0))
        return np.asarray(np.clip(out, 0.0, 1.0))


@functools.lru_cache(maxsize=32)
def _table(curve: ToneCurve, bits: int) -> Array:
    top = 2**bits - 1
    return np.asarray(curve._light(np.arange(top + 1) / top), dtype=np.float32)


# IEC 61966-2-1:1999, the sRGB transfer curve; the constants are from memory. A phone's picture
# has the phone's own rendering on top, hence the uncertainty: 1.9 to 2.5, taken as uniform.
SRGB = ToneCurve(
    "sRGB",
    "srgb",
    2.2,
    (USUAL_EXPONENTS[1] - USUAL_EXPONENTS[0]) / np.sqrt(12),
)


def gamma(exponent: float, u_exponent: float = 0.0) -> ToneCurve:
    """Return the curve light = value ** exponent.

    Raises
    ------
    InputError
        The exponent is not from 0.4 to 4.
    """
    if not 0.4 <= exponent <= 4:
        raise InputError("tone", f"an exponent of {exponent:g}", "give 0.4 to 4, such as 2.2")
    return ToneCurve(f"power {exponent:g}", "power", float(exponent), float(u_exponent))


LINEAR = ToneCurve("linear", "power", 1.0)


def from_steps(
    levels: Sequence[float],
    reflectances: Sequence[float],
    *,
    u_reflectance: float = 0.0,
    name: str = "grey steps",
) -> ToneCurve:
    """Make a tone curve of grey steps.

    Parameters
    ----------
    levels : sequence of float
        Mean stored value of each step in [0, 1].
    reflectances : sequence of float
        Its light, in any unit, above zero: the reflectance, times the lighting if that's known.
    u_reflectance : float
        Standard uncertainty of each reflectance, relative.
    name : str

    Raises
    ------
    InputError
        Fewer than three steps tell something, or darker steps came out lighter.

    Notes
    -----
    The steps are made monotone (isotonic regression, pool adjacent violators), then joined by a
    monotone cubic (PCHIP: Fritsch & Carlson 1980, SIAM J. Numer. Anal. 17, 238, from memory) in
    level ** exponent, where a camera's curve is nearly straight, the exponent being that of the
    best power. Steps at either end of the scale are left out: they may be clipped.
    """
    v, light = np.asarray(levels, dtype=float), np.asarray(reflectances, dtype=float)
    if v.shape != light.shape or v.ndim != 1:
        raise InputError("steps", "levels and reflectances of different number", "pair them")
    if not np.all(np.isfinite(light)) or np.any(light <= 0):
        raise InputError("steps", "a reflectance that isn't above zero", "enter 0.01 to 1")
    usable = (v > 0.01) & (v < 0.985)
    v, light = v[usable], light[usable]
    order = np.argsort(light, kind="stable")
    v, light = v[order], light[order]
    from scipy.optimize import isotonic_regression

    fitted = isotonic_regression(v).x
    worst = float(np.abs(fitted - v).max()) if v.size else 0.0
    span = float(np.ptp(fitted)) if v.size else 0.0
    if worst > 0.05 or (span > 0 and worst > 0.15 * span):
        raise InputError(
            "steps",
            "a darker step came out lighter",
            "keep shadows and shine off the card, or check the reflectances entered",
        )
    # One knot for each level that differs.
    level, group = np.unique(np.round(fitted, 6), return_inverse=True)
    mean = np.array([light[group == g].mean() for g in range(len(level))])
    if len(level) < _FEWEST_STEPS or level[-1] - level[0] < 0.15:
        raise InputError(
            "steps",
            "fewer than three grey steps can be told apart",
            "light the card so that its paper is bright but not white in the photo",
        )
    slope, exponent, spread = _power(level, mean)
    if not 0.4 <= exponent <= 4:
        raise InputError(
            "steps",
            f"the steps give an exponent of {exponent:.2f}",
            "check the reflectances entered, keep shine off the card",
        )
    # Two knots nearer than noise make a steep bend out of nothing.
    mean = np.maximum.accumulate(mean + 1e-9 * np.arange(len(mean)))
    lever = float(np.sqrt(((np.log(level) - np.log(level).mean()) ** 2).sum()))
    top = max(float(mean[-1] + slope * (1 - level[-1] ** exponent)), float(mean[-1]))
    miss = light - np.interp(v, level, mean)
    return ToneCurve(
        name,
        "steps",
        exponent,
        float(np.hypot(u_reflectance, spread) / max(lever, 1e-3)),
        tuple(float(x) for x in level),
        tuple(float(x) for x in mean / top),
        float(np.sqrt((miss * miss).mean()) / top),
    )


def _power(level: Array, light: Array) -> tuple[float, float, float]:
    """Return slope and exponent of light = offset + slope level ** exponent, and the misfit.

    The offset takes up haze. With few steps it isn't told from the exponent, so that the best of
    a grid is sought with a weak wish for 2.2 ± 0.6.
    """
    best = (np.inf, 1.0, 2.2, 0.0)
    for exponent in np.arange(0.4, 4.001, 0.02):
        x = level**exponent
        weight = 1 / light
        a = np.column_stack([np.ones_like(x), x]) * weight[:, None]
        with_offset = len(level) > 4
        rows = np.vstack([a, [10.0 / light.max() if with_offset else 1e6, 0.0]])
        aim = np.append(light * weight, 0.0)
        solved = np.linalg.lstsq(rows, aim, rcond=None)[0]
        miss = rows @ solved - aim
        cost = float(miss @ miss) + (0.02 * (exponent - 2.2) / 0.6) ** 2
        if cost < best[0] and solved[1] > 0:
            rms = float(np.sqrt((miss[:-1] ** 2).mean()))
            best = (cost, float(solved[1]), float(exponent), rms)
    return best[1], best[2], best[3]


@dataclass(frozen=True)
class Clipping:
    """How much of a picture stands at the ends of its scale: shares of the pixels in [0, 1]."""

    black: float
    white: float

    @property
    def worth_saying(self) -> bool:
        """Return whether so much is clipped that light may be wrong at an edge."""
        return self.white > 0.02 or self.black > 0.2


def clipped_white(image: Array) -> Array:
    """Return where a picture (h, w) or (h, w, 3) is at the top of its scale in any channel."""
    image = _checked(image)
    return _over_planes(np.logical_or, image >= WHITE_SHARE * np.iinfo(image.dtype).max)


def _over_planes(join: np.ufunc, mask: Array) -> Array:
    if mask.ndim == 2:
        return mask
    return np.asarray(join(join(mask[..., 0], mask[..., 1]), mask[..., 2]))


def clipping(image: Array) -> Clipping:
    """Return the shares of clipped pixels of a uint8 or uint16 picture.

    Of a large one every nth pixel is counted, so that about two million are.
    """
    image = _checked(image)
    every = max(1, int(np.sqrt(image.shape[0] * image.shape[1] / 2e6)))
    image = image[::every, ::every]
    black = _over_planes(np.logical_and, image <= 0.004 * np.iinfo(image.dtype).max)
    return Clipping(float(black.mean()), float(clipped_white(image).mean()))


def luminance(image: Array, tone: ToneCurve = SRGB) -> Array:
    """Return the linear luminance of a picture.

    Parameters
    ----------
    image : ndarray of uint8 or uint16, shape (h, w) or (h, w, 3) in the order R, G, B
    tone : ToneCurve

    Returns
    -------
    ndarray of float32, shape (h, w), in [0, 1]
    """
    image = _checked(image)
    if image.ndim == 2:
        return tone.to_linear(image)
    table = _table(tone, 8 * image.dtype.itemsize)
    out = (table * np.float32(_LUMINANCE[0]))[image[..., 0]]
    for channel in (1, 2):
        out += (table * np.float32(_LUMINANCE[channel]))[image[..., channel]]
    return np.asarray(out)


def _checked(image: Array) -> Array:
    image = np.asarray(image)
    if image.dtype not in (np.uint8, np.uint16):
        raise InputError("image", f"pixels of type {image.dtype}", "give 8 or 16 bits without sign")
    if image.size == 0 or image.ndim not in (2, 3) or (image.ndim == 3 and image.shape[2] != 3):
        raise InputError("image", f"an array of shape {image.shape}", "give (h, w) or (h, w, 3)")
    return image
