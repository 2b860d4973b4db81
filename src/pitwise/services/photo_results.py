"""Measure a kept photo in a limited process: plain numbers, and pictures drawn of them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from pitwise.services import photo_worker
from pitwise.services.errors import ServiceError
from pitwise.services.limited import Limits, private_folder, run_limited
from pitwise.services.photofile.limits import (
    MEASURE_CPU_S,
    MEASURE_MEMORY,
    MEASURE_WALL_S,
    WORKER_FILE,
)
from pitwise.services.pictures import kept
from pitwise.services.shopfloor import Shop

_WORKER = "pitwise.services.photo_worker"
_LIMITS = Limits(MEASURE_MEMORY, MEASURE_CPU_S, WORKER_FILE, MEASURE_WALL_S)
_MOST_DRAWN = 8 << 20
_JPEG = b"\xff\xd8\xff"


@dataclass(frozen=True)
class Measured:
    """A result or a refusal as plain data, and pictures of it as JPEG.

    Attributes
    ----------
    body : dict
        `HoleMeasured.plain()` or `PhotoRefused.plain()`; in it `change`, where a photo of the
        part type when new was compared.
    picture, change_picture : bytes or None
    """

    body: dict[str, Any]
    picture: bytes | None = None
    change_picture: bytes | None = None


def measure(
    shop: Shop,
    photo_id: int,
    *,
    rim_mm: float | None,
    feature: Literal["orifice", "pit"],
    new_photo_id: int | None = None,
) -> Measured:
    """Measure a photo in a worker with limits on memory, time and files.

    Raises
    ------
    ServiceError
        The worker ran into a limit; the photo stays in the book.
    """
    with shop.database.read() as session:
        media, content = kept(session, photo_id)
        new = None if new_photo_id is None else kept(session, new_photo_id)
    with private_folder() as folder:
        (folder / photo_worker.NOW).write_bytes(content)
        if new is not None:
            (folder / photo_worker.NEW).write_bytes(new[1])
        answer = run_limited(
            _WORKER,
            folder,
            feature,
            media,
            "-" if rim_mm is None else repr(rim_mm),
            "-" if new is None else new[0],
            place="photo",
            limits=_LIMITS,
        )
        body = answer.get("body")
        if not isinstance(body, dict) or "refused" not in body:
            raise ServiceError("photo", "could not be measured", "take the photo again")
        return Measured(
            body, _drawn(folder / photo_worker.DRAWN), _drawn(folder / photo_worker.CHANGE)
        )


def _drawn(path: Path) -> bytes | None:
    if not path.exists():
        return None
    with path.open("rb") as file:
        data = file.read(_MOST_DRAWN + 1)
    return data if len(data) <= _MOST_DRAWN and data.startswith(_JPEG) else None
