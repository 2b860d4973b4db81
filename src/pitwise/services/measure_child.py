"""The limited process that measures: ``python -I -m pitwise.services.measure_child``.

A picture that decodes can still lead the measurement astray; here it can take no more than
its time and memory. The order is in ``job.json``, the photos are files beside it.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pitwise.services import limited_child

JOB, PICTURE, CHANGE = "job.json", "picture.jpg", "change.jpg"
_SIDE = 1600
# A rim on record was read with a caliper, and stands for all parts of its type: limit of error
# 0.03 mm, evenly spread (from memory, no source).
CALIPER_U_MM = 0.03 / 3**0.5


def _work(folder: Path, _words: list[str]) -> dict[str, Any]:
    # Only now: the limits hold by this time.
    import cv2

    from pitwise import reports
    from pitwise.measure.photo.measure import measure_photo
    from pitwise.measure.photo.picture import draw_result
    from pitwise.services.photofile.clean import pixels_of, thumb_of

    cv2.setNumThreads(1)
    order = json.loads((folder / JOB).read_text(encoding="utf-8"))
    options = {"rim_mm": order["rim_mm"], "feature": order["feature"], "card": order["card"]}
    options["u_rim_mm"] = CALIPER_U_MM
    results = []
    for name, media in order["photos"]:
        image = pixels_of((folder / name).read_bytes(), media)
        results.append(measure_photo(image, **options))
    answer: dict[str, Any] = {"bodies": [r.plain() for r in results]}
    if order["picture"]:
        fonts = Path(reports.__file__).parent / "fonts"
        drawn = draw_result(
            image,
            results[-1],
            font=str(fonts / "AtkinsonHyperlegibleNext-400.ttf"),
            bold=str(fonts / "AtkinsonHyperlegibleNext-700.ttf"),
        )
        (folder / PICTURE).write_bytes(thumb_of(drawn, _SIDE)[0])
    if order["new"] is not None:
        name, media = order["new"]
        new_image = pixels_of((folder / name).read_bytes(), media)
        new = measure_photo(new_image, **options)
        answer["change"] = _change(folder, new_image, new, image, results[-1], order["rim_mm"])
    return answer


def _change(
    folder: Path, new_image: Any, new: Any, image: Any, now: Any, rim_mm: float | None
) -> dict[str, Any] | None:
    """Compare with the photo when new, where both could be measured."""
    if now.plain()["refused"] is not None or rim_mm is None:
        return None
    if new.plain()["refused"] is not None:
        plain: dict[str, Any] = new.plain()
        return {"refused": plain["refused"] | {"of": "new"}}
    from pitwise.measure.photo.change import Changed, changed_between
    from pitwise.services.photofile.clean import thumb_of

    changed = changed_between(new_image, new, image, now, rim_mm)
    if isinstance(changed, Changed):
        (folder / CHANGE).write_bytes(thumb_of(changed.picture, _SIDE)[0])
    told: dict[str, Any] = changed.plain()
    return told


if __name__ == "__main__":
    limited_child.main(_work)
