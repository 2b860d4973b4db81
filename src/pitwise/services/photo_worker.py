"""The limited process that measures: ``python -I -m pitwise.services.photo_worker``.

It decodes a kept photo, measures it, draws the result on it, and compares it with the photo of
the part type when new where there is one. Arguments: what is measured, the photo's media type,
the rim in mm (or ``-``), the media type of the photo when new (or ``-``).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pitwise.services import limited_child

NOW, NEW, DRAWN, CHANGE = "now", "new", "drawn", "change"
_LONGEST_SIDE = 1400
_QUALITY = 88


def _work(folder: Path, words: list[str]) -> dict[str, Any]:
    # Only now: the limits hold by this time.
    import cv2

    from pitwise.measure.photo.measure import measure_photo
    from pitwise.measure.photo.picture import draw_result
    from pitwise.measure.photo.result import HoleMeasured
    from pitwise.services.photofile import clean

    cv2.setNumThreads(1)
    feature, media, rim, new_media = words
    rim_mm = None if rim == "-" else float(rim)
    image = clean.pixels_of((folder / NOW).read_bytes(), media)
    result = measure_photo(image, rim_mm=rim_mm, feature=feature)  # type: ignore[arg-type]  # one of two, from our own services
    _write(folder / DRAWN, draw_result(image, result))
    body = result.plain()
    if new_media != "-" and rim_mm is not None and isinstance(result, HoleMeasured):
        image_new = clean.pixels_of((folder / NEW).read_bytes(), new_media)
        body["change"] = _change(folder, image_new, image, result, rim_mm)
    return {"body": body}


def _change(
    folder: Path, image_new: Any, image: Any, result: Any, rim_mm: float
) -> dict[str, Any] | None:
    from pitwise.measure.photo.change import Changed, changed_between
    from pitwise.measure.photo.measure import measure_photo
    from pitwise.measure.photo.result import HoleMeasured

    new = measure_photo(image_new, rim_mm=rim_mm, feature=result.feature)
    if not isinstance(new, HoleMeasured):
        # The photo when new can't be measured: nothing to compare with, said as such.
        return {"refused": new.plain()["refused"]}
    changed = changed_between(image_new, new, image, result, rim_mm)
    if isinstance(changed, Changed):
        _write(folder / CHANGE, changed.picture)
    return changed.plain()


def _write(path: Path, picture: Any) -> None:
    """Write a drawn picture as JPEG, no larger than a screen shows."""
    from PIL import Image

    image = Image.fromarray(picture)
    image.thumbnail((_LONGEST_SIDE, _LONGEST_SIDE))
    image.save(path, "JPEG", quality=_QUALITY, subsampling=0)


if __name__ == "__main__":
    limited_child.main(_work)
