"""How sure the growth of a hole since new is: what both diameters share, and what parts differ by.

The hole when new is of the part *type*. What its diameter is wrong by for one part is one error in
all readings of that part, not a fresh one each time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.measure.photo.mean import Photographed, alike
from pitwise.records.photo_tables import PartFace
from pitwise.records.tables import PartItem
from pitwise.services.part_faces import MEASURED_WHEN_NEW, PART_SCATTER_MM, current_faces
from pitwise.wear.history import Step


def from_photo(face: PartFace) -> bool:
    """Return whether the hole when new was taken over from the shop's photo of such a part."""
    # A later photo to compare with leaves the hole as it was, and its reason at the end.
    return face.photo_id is not None and face.reason.endswith(MEASURED_WHEN_NEW)


def u_when_new(face: PartFace) -> float:
    """Return the standard uncertainty, mm, of one part's hole when new as the type's is known.

    A hole measured on a photo of one such part: its u and the scatter from part to part. A typed
    figure's has that scatter in it already, or is the shop's own.
    """
    own = face.hole_u_mm or 0.0
    return math.hypot(own, PART_SCATTER_MM) if from_photo(face) else own


def growth_u(u_now: float, photos: Sequence[Photographed], face: PartFace, same_rim: bool) -> float:
    r"""Return the standard uncertainty of diameter now less diameter when new, mm.

    Parameters
    ----------
    u_now : float
        Of the diameter now.
    photos : sequence
        What it is from; empty where their budgets are not known.
    same_rim : bool
        Whether all of them were measured with the rim on record.

    Notes
    -----
    :math:`u^2 = u_1^2 + u_0^2 - 2 s_1 s_0` (JCGM 100:2008, 5.2.2, correlation 1 of the shared
    parts; number from memory). With both from photos, rim, tone and lens are the same error in
    both: s₁ is those rows of the budget now, s₀ the same but no more than u₀, since the photo's
    own budget when new is not kept. The scatter between parts is in u₀ and shares nothing.
    """
    new = u_when_new(face)
    if not (photos and same_rim and from_photo(face)):
        return math.hypot(u_now, new)
    now = min(sum(alike(p) for p in photos) / len(photos), u_now)
    then = min(now, face.hole_u_mm or 0.0)
    return math.sqrt(max(u_now**2 + new**2 - 2 * now * then, 0.0))


def widened(steps: Sequence[Step], offset_mm: float | None) -> list[Step]:
    r"""Widen a part's growths, so that no number of them averages their common error away.

    Parameters
    ----------
    steps : sequence of Step
        With the standard uncertainty of each growth where it is known.
    offset_mm : float or None
        Standard uncertainty of the error all of them share; None: all of each counts as that.

    Notes
    -----
    The hole when new is wrong by one error c for all readings of a part, while the model takes
    errors as independent. With :math:`\sigma_i^2 = u_i^2 + (n - 1) c^2` for each of n readings
    their mean has :math:`(u^2 - c^2)/n + c^2`, as it must. What readings tell of the *slope* is
    then said too unsure, never too sure.
    """
    count = sum(s.depth_mm is not None for s in steps)
    if count == 0:
        return list(steps)

    def wide(step: Step) -> Step:
        if step.sigma_mm is None or step.depth_mm is None:
            return step
        c = step.sigma_mm if offset_mm is None else min(step.sigma_mm, offset_mm)
        return replace(step, sigma_mm=math.sqrt(step.sigma_mm**2 + (count - 1) * c * c))

    return [wide(step) for step in steps]


def one_offset(session: Session, steps: dict[int, list[Step]]) -> dict[int, list[Step]]:
    """Return the growths of each part item, `widened` by what is known of its type when new."""
    types = {
        item: kind
        for item, kind in session.execute(
            select(PartItem.id, PartItem.part_type_id).where(PartItem.id.in_(list(steps)))
        )
        if kind is not None
    }
    faces = current_faces(session, set(types.values()))
    out = {}
    for item, own in steps.items():
        face = faces.get(types.get(item, -1))
        known = None if face is None or face.hole_mm is None else u_when_new(face)
        out[item] = widened(own, known)
    return out
