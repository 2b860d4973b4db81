"""The limited process that reads codes: ``python -I -m pitwise.services.scan_child``.

Looks for QR codes and for the bars of boxes (EAN and UPC) in a photo as sent; answers with
their texts, the one nearest the middle first.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pitwise.services import limited_child

SENT = "sent"
# Pixels along the longer side at which the photo is looked at in turn: the readers miss codes
# that are too large or too fine for them (our own choice, tried on rendered scenes).
SIDES = (1600, 2800, 900, 4000)
MOST_CODES, LONGEST = 20, 200


def _work(folder: Path, _words: list[str]) -> dict[str, Any]:
    # Only now: the limits hold by this time.
    import cv2
    import numpy as np

    from pitwise.services.photofile.clean import clean_picture, pixels_of

    cv2.setNumThreads(1)
    cleaned = clean_picture((folder / SENT).read_bytes())
    pixels = pixels_of(cleaned.content, cleaned.media)
    if pixels.dtype == np.uint16:
        pixels = (pixels >> 8).astype(np.uint8)
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY) if pixels.ndim == 3 else pixels
    return {"codes": read_codes(np.ascontiguousarray(grey))}


def read_codes(grey: Any) -> list[str]:
    """Return the texts of the codes in a grey picture, the nearest to the middle first.

    Parameters
    ----------
    grey : uint8 array, (height, width)
    """
    import cv2

    longest = max(grey.shape)
    # A small picture as it is, then twice as large: a code of few pixels a module is read then.
    sides = [side for side in SIDES if side < longest] or [longest, 2 * longest]
    for side in sides:
        scale = side / longest
        small = grey
        if scale != 1:
            size = (round(grey.shape[1] * scale), round(grey.shape[0] * scale))
            way = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
            small = cv2.resize(grey, size, interpolation=way)
        # Once as it is; once with the light evened out, for glare and shade.
        evened = cv2.createCLAHE(clipLimit=3.0, tileGridSize=(8, 8)).apply(small)
        for picture in (small, evened):
            found = _found(picture)
            if found:
                return found
    return []


def _found(picture: Any) -> list[str]:
    import cv2

    middle = (picture.shape[1] / 2, picture.shape[0] / 2)
    seen: dict[str, float] = {}
    readers = (
        lambda: cv2.QRCodeDetector().detectAndDecodeMulti(picture)[1:3],
        lambda: cv2.QRCodeDetectorAruco().detectAndDecodeMulti(picture)[1:3],
        lambda: cv2.barcode.BarcodeDetector().detectAndDecodeMulti(picture)[1:3],
    )
    for read in readers:
        try:
            texts, corners = read()
        except (cv2.error, UnicodeDecodeError):
            # A reader that stumbles over a picture leaves it to the others.
            continue
        for text, quad in zip(texts, () if corners is None else corners, strict=False):
            clean = text.strip().strip("\x00")
            if clean and len(clean) <= LONGEST and clean not in seen:
                x, y = quad.reshape(-1, 2).mean(axis=0)
                seen[clean] = float((x - middle[0]) ** 2 + (y - middle[1]) ** 2)
    return sorted(seen, key=lambda text: (seen[text], text))[:MOST_CODES]


if __name__ == "__main__":
    limited_child.main(_work)
