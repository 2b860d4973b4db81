"""Nicks of several photos of one hole, matched by where they lie."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pitwise.measure.photo.result import NickFound

# Two photos of one nick place it this near, besides its width (our own choice).
_APART_DEG = 5.0


@dataclass(frozen=True)
class NickSeen:
    """A nick, as its deepest finding, and in how many of the photos it was found.

    `photos` is None where the part was turned between photos: they can't be matched then, and
    each finding stands alone with the angle of its own photo.
    """

    angle_deg: float
    depth_mm: float
    width_mm: float
    photos: int | None

    def plain(self) -> dict[str, Any]:
        """Return it for JSON."""
        return {
            "angle_deg": float(f"{self.angle_deg:.7g}"),
            "depth_mm": float(f"{self.depth_mm:.7g}"),
            "width_mm": float(f"{self.width_mm:.7g}"),
            "photos": self.photos,
        }


def matched(
    photos: Sequence[tuple[Sequence[NickFound], float]], *, turned: bool = False
) -> tuple[NickSeen, ...]:
    """Match the nicks of photos of one hole.

    Parameters
    ----------
    photos : sequence of (nicks, diameter in mm)
    turned : bool
        Whether the part was turned between photos.

    Returns
    -------
    tuple of NickSeen
        All of them: one found in a single photo is not outvoted. The deepest first.
    """
    found = sorted(
        ((nick, k, diameter) for k, (nicks, diameter) in enumerate(photos) for nick in nicks),
        key=lambda item: -item[0].depth_mm,
    )
    if turned:
        return tuple(NickSeen(n.angle_deg, n.depth_mm, n.width_mm, None) for n, _, _ in found)
    groups: list[tuple[NickFound, set[int]]] = []
    for nick, k, diameter in found:
        for head, seen in groups:
            wide = math.degrees((nick.width_mm + head.width_mm) / max(diameter, 1e-9))
            apart = abs((nick.angle_deg - head.angle_deg + 180) % 360 - 180)
            # Half of both widths, as angles on a radius of half the diameter.
            if k not in seen and apart <= max(_APART_DEG, wide):
                seen.add(k)
                break
        else:
            groups.append((nick, {k}))
    return tuple(NickSeen(n.angle_deg, n.depth_mm, n.width_mm, len(s)) for n, s in groups)
