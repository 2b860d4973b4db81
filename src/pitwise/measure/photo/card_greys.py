"""The card's grey steps read in a picture, and the tone curve they give."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import map_coordinates

from pitwise.measure.photo.card_layout import U_ENTERED, U_NOMINAL, Card, CardPrint
from pitwise.measure.photo.light import ToneCurve, from_steps
from pitwise.measure.photo.plane import PlaneView
from pitwise.trade.given import InputError

Array = np.ndarray


def grey_steps(
    image: Array, card: Card, view: PlaneView, printed: CardPrint
) -> tuple[tuple[float, ...], ToneCurve | None, list[str]]:
    """Read the greys.

    Parameters
    ----------
    image : ndarray of uint8 or uint16, shape (h, w) or (h, w, 3)
    card : Card
    view : PlaneView
        True mm on the card to pixels.
    printed : CardPrint

    Returns
    -------
    levels : tuple of float
        Mean stored level in [0, 1] of each step, darkest first.
    tone : ToneCurve or None
    words : list of str
        What there's to say, first of all why there's no curve.
    """
    top = float(np.iinfo(image.dtype).max)
    planes = image[..., None] if image.ndim == 2 else image
    side = 0.6 * card.patch_mm / 2 * np.linspace(-1, 1, 17)
    offsets = np.stack(np.meshgrid(side, side), axis=-1).reshape(-1, 2)
    centres = np.array([(x, y) for x, y, _ in card.patches])
    px = view.to_px((centres[:, None, :] + offsets) * printed.scale)
    if px.min() < 0 or np.any(px.max(axis=(0, 1)) > np.array([image.shape[1], image.shape[0]]) - 1):
        return (), None, ["a grey of the card is outside of the picture: the tone is assumed"]
    low = np.floor(px.min(axis=(0, 1))).astype(int)
    high = np.ceil(px.max(axis=(0, 1))).astype(int) + 1
    crop = planes[low[1] : high[1], low[0] : high[0]]
    at = [px[..., 1] - low[1], px[..., 0] - low[0]]
    values = (
        np.mean(
            [
                map_coordinates(crop[..., c].astype(np.float32), at, order=1)
                for c in range(crop.shape[2])
            ],
            axis=0,
        )
        / top
    )
    level = np.median(values, axis=1)
    scatter = 1.4826 * np.median(np.abs(values - level[:, None]), axis=1)
    if float(np.median(scatter)) > 0.05:
        return (
            tuple(float(x) for x in level),
            None,
            ["the printer's dots show in the greys: the tone is assumed"],
        )
    steps = np.array([s for _, _, s in card.patches])
    greys = np.array(printed.greys)
    u = U_NOMINAL if printed.reflectances is None else U_ENTERED
    lighting = np.ones(len(steps))
    curve: ToneCurve | None = None
    try:
        # Curve and a plane of lighting over the card in turn: each is straightforward alone.
        for _ in range(6):
            curve = from_steps(
                level,
                greys[steps] * lighting,
                u_reflectance=u,
                name="card, greys as entered" if u == U_ENTERED else "card, nominal greys",
            )
            light = curve.to_linear(level).astype(float) / greys[steps]
            # Each grey's own reflectance is free: one that is printed too dark isn't a shadow.
            base = (steps[:, None] == np.arange(len(greys))).astype(float)
            slope = np.linalg.lstsq(
                np.hstack([base, centres / card.pitch_mm]),
                np.log(np.maximum(light, 1e-4)),
                rcond=None,
            )[0][len(greys) :]
            lighting = np.exp(centres / card.pitch_mm @ np.clip(slope, -1, 1))
    except InputError as error:
        why = f"the card's greys can't be used ({error.problem}): the tone is assumed"
        return tuple(float(level[steps == s].mean()) for s in range(len(greys))), None, [why]
    words = [] if printed.reflectances else ["the card's greys are nominal: measure and enter them"]
    return tuple(float(level[steps == s].mean()) for s in range(len(greys))), curve, words
