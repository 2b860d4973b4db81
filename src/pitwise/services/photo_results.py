"""What measuring a photo gives services to keep: plain numbers, and pictures drawn of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from pitwise.services.shopfloor import Shop


@dataclass(frozen=True)
class Measured:
    """A result or a refusal as plain data, and pictures of it as JPEG.

    Attributes
    ----------
    body : dict
        `HoleMeasured.plain()` or `PhotoRefused.plain()`; `change` in it where a photo of the
        part type when new was compared.
    picture, change_picture : bytes or None
    """

    body: dict[str, Any]
    picture: bytes | None = None
    change_picture: bytes | None = None


def measure(
    shop: Shop,
    photo_ids: Sequence[int],
    *,
    rim_mm: float | None,
    feature: Literal["orifice", "pit"],
    new_photo_id: int | None = None,
) -> Measured:
    """Measure photos in a worker with limits on memory, time and files."""
    raise NotImplementedError  # until the worker is pulled
