"""The picture without the card: its paper's edge around the window is no part's rim."""

from __future__ import annotations

import cv2
import numpy as np

from pitwise.measure.photo.card import CardSeen
from pitwise.trade.given import InputError

Array = np.ndarray
# The window is cut by hand: paper may stand in by this share of its radius.
_KEPT = 0.93
_RING = 0.85
# A prime, so that rows of the picture don't fall into step.
_GRAINS = 65_537


def only_window(image: Array, seen: CardSeen) -> Array:
    """Return a picture with all outside of the card's window filled in.

    Parameters
    ----------
    image : ndarray of uint8 or uint16, shape (h, w) or (h, w, 3)
    seen : CardSeen
        Found in the same picture.

    Returns
    -------
    ndarray
        A copy. The filling is the median of what lies just within the window, so that no new
        edge comes in; a face that reaches that far loses its rim and is refused, not mistaken.
    """
    image = np.asarray(image)
    if image.ndim not in (2, 3) or image.size == 0:
        raise InputError("image", "not a picture", "give (h, w) or (h, w, 3)")
    window = seen.window_px
    middle = window.mean(axis=0)

    def disc(share: float) -> Array:
        mask = np.zeros(image.shape[:2], dtype=np.uint8)
        outline = np.rint(middle + share * (window - middle)).astype(np.int32)
        cv2.fillPoly(mask, [outline], 1)
        if seen.card.window == "u":
            # Open below: what lies in the slot is kept as well.
            cv2.fillPoly(mask, [np.rint(_slot(seen, share)).astype(np.int32)], 1)
        return mask > 0

    kept = disc(_KEPT)
    ring = kept & ~disc(_RING)
    out = image.copy()
    if not ring.any():
        out[~kept] = 0
        return out
    # With the noise of its surroundings: a place that is too even would set the level of what
    # counts as an edge for the whole picture.
    level = np.median(image[ring], axis=0)
    pairs = ring[:, 1:] & ring[:, :-1]
    steps = (image[:, 1:][pairs].astype(float) - image[:, :-1][pairs]) / np.sqrt(2)
    noise = 1.4826 * np.median(np.abs(steps))
    count = int((~kept).sum())
    grain = np.resize(np.random.default_rng(0).standard_normal(_GRAINS), count)
    values = level + noise * (grain if image.ndim == 2 else grain[:, None])
    top = np.iinfo(image.dtype).max
    out[~kept] = np.clip(np.rint(values), 0, top).astype(image.dtype)
    return out


def _slot(seen: CardSeen, share: float) -> Array:
    half = seen.card.window_mm / 2 * share
    down = seen.card.side_mm / 2
    # The outline's corners tell true mm on the card, print and all.
    scale = seen.printed_scale
    corners = np.array([(-half, 0.0), (half, 0.0), (half, down), (-half, down)]) * scale
    return seen.view.to_px(corners)
