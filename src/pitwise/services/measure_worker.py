"""Measure photos of the book in a limited process, so that none can hold up the server."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal

from pitwise.services import measure_child
from pitwise.services.errors import ServiceError
from pitwise.services.limited import Limits, private_folder, run_limited
from pitwise.services.photofile.limits import MEASURE_CPU_S, MEASURE_MEMORY, MEASURE_WALL_S
from pitwise.services.pictures import kept
from pitwise.services.shopfloor import Shop

MEASURING = Limits(memory=MEASURE_MEMORY, cpu_s=MEASURE_CPU_S, wall_s=MEASURE_WALL_S)
_WORKER = "pitwise.services.measure_child"
_JPEG = b"\xff\xd8\xff"
_LARGEST_PICTURE = 8 << 20
_MOST_PHOTOS = 16


def measure(
    shop: Shop,
    photo_ids: Sequence[int],
    *,
    rim_mm: float | None,
    feature: Literal["orifice", "pit"],
    new_photo_id: int | None = None,
    card: bool = True,
    picture: bool = True,
    limits: Limits = MEASURING,
) -> dict[str, Any]:
    """Measure photos: always the whole of what is kept of them, never a small picture.

    Parameters
    ----------
    shop : Shop
    photo_ids : sequence of int
        One or more of the same part.
    rim_mm : float or None
        Outer diameter of the face; None needs the card in view.
    feature : {"orifice", "pit"}
    new_photo_id : int or None
        The shop's photo of the part type when new, to compare the last photo with.
    card : bool
        Whether to look for the card.
    picture : bool
        Whether to draw the last result on its photo.
    limits : Limits

    Returns
    -------
    dict
        ``body``: the last photo's result or refusal as plain data, with ``change`` in it
        where the photo when new was compared; ``bodies``: of every photo, in order;
        ``picture``, ``change_picture``: JPEG bytes or None.

    Raises
    ------
    ServiceError
        No such photo, or the process ran into a limit. A photo that can't be measured is no
        error: it is a refusal in ``body``.
    """
    place = "photo " + ", ".join(map(str, photo_ids))
    if not 1 <= len(photo_ids) <= _MOST_PHOTOS:
        raise ServiceError("photos", f"{len(photo_ids)} were given", f"give 1 to {_MOST_PHOTOS}")
    with private_folder() as folder:
        with shop.database.read() as session:
            photos = [
                (_put(folder, f"photo-{n}", *kept(session, i)))
                for n, i in enumerate(photo_ids, start=1)
            ]
            new = (
                None
                if new_photo_id is None
                else _put(folder, "photo-new", *kept(session, new_photo_id))
            )
        order = {
            "photos": photos,
            "new": new,
            "rim_mm": rim_mm,
            "feature": feature,
            "card": card,
            "picture": picture,
        }
        (folder / measure_child.JOB).write_text(json.dumps(order), encoding="utf-8")
        answer = run_limited(_WORKER, folder, place=place, limits=limits)
        bodies = answer["bodies"]
        body = dict(bodies[-1])
        if answer.get("change") is not None:
            body["change"] = answer["change"]
        return {
            "body": body,
            "bodies": bodies,
            "picture": _drawn(folder / measure_child.PICTURE),
            "change_picture": _drawn(folder / measure_child.CHANGE),
        }


def _put(folder: Path, name: str, media: str, content: bytes) -> tuple[str, str]:
    (folder / name).write_bytes(content)
    return name, media


def _drawn(path: Path) -> bytes | None:
    if not path.is_file():
        return None
    with path.open("rb") as file:
        data = file.read(_LARGEST_PICTURE + 1)
    return data if data.startswith(_JPEG) and len(data) <= _LARGEST_PICTURE else None
