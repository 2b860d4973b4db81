"""What photos of a draft's or a record's parts gave, as the bench takes it and pages show it."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.bench.model import HoleReading
from pitwise.records.photo_tables import HoleMeasure, PartFace, Photo

TURNS = 4


@dataclass(frozen=True)
class Measure:
    """One photo's result: numbers, or a refusal; and who took it."""

    row: HoleMeasure
    photo: Photo

    @cached_property
    def body(self) -> dict[str, Any]:
        """The result as it was kept."""
        data: dict[str, Any] = json.loads(self.row.body)
        return data

    @property
    def turn(self) -> int | None:
        """Quarter turns the part had been given when it was taken, in a four-turn set."""
        turn = self.body.get("turn")
        return turn if isinstance(turn, int) else None

    @property
    def refusal(self) -> dict[str, str] | None:
        """Why there are no numbers: reason, text, mend; None where there are."""
        said: dict[str, str] | None = self.body.get("refused")
        return said

    @property
    def nicks(self) -> list[dict[str, float]]:
        """Nicks found in the edge, the deepest first."""
        return self.body.get("nicks") or []

    @property
    def counts(self) -> bool:
        """Whether its numbers are used."""
        return not self.row.taken_out and not self.row.refused


def measures_of(session: Session, inspection_id: int) -> dict[str, list[Measure]]:
    """Return an inspection's measures by part, oldest first, those taken out among them."""
    rows = list(
        session.scalars(
            select(HoleMeasure)
            .where(HoleMeasure.inspection_id == inspection_id)
            .order_by(HoleMeasure.id)
        )
    )
    if not rows:
        return {}
    photos = {
        p.id: p
        for p in session.scalars(
            select(Photo).where(Photo.id.in_([json.loads(r.photo_ids)[0] for r in rows]))
        )
    }
    out: dict[str, list[Measure]] = {}
    for row in rows:
        out.setdefault(row.part, []).append(Measure(row, photos[json.loads(row.photo_ids)[0]]))
    return out


def four_turn_set(measures: Sequence[Measure]) -> tuple[Measure, ...]:
    """Return the newest photo of each quarter turn, in order; empty while one is missing."""
    newest: dict[int, Measure] = {}
    for m in measures:
        if m.counts and m.turn is not None:
            newest[m.turn] = m
    return tuple(newest[k] for k in range(TURNS)) if len(newest) == TURNS else ()


def turned_back(measures: Sequence[Measure]) -> tuple[float, float]:
    r"""Return off-centre and its standard uncertainty of a four-turn set, in mm.

    Notes
    -----
    Between photos the part is turned by 90 degrees under a camera that stays: turned back,
    the part's own vector is the same in all four, while what the camera's tilt adds points
    four ways and cancels in the mean. The uncertainty is that of the mean of four repeats
    by their own scatter, per component (JCGM 100:2008, 4.2.3; number from memory), and at
    least a quarter of one photo's own, since four values tell little of their scatter.
    """
    back = []
    for k, m in enumerate(measures):
        x, y = m.body["off_centre_mm"]["x"], m.body["off_centre_mm"]["y"]
        turn = -math.pi / 2 * k
        back.append(
            (x * math.cos(turn) - y * math.sin(turn), x * math.sin(turn) + y * math.cos(turn))
        )
    n = len(back)
    mx, my = (sum(v[i] for v in back) / n for i in (0, 1))
    scatter = sum((x - mx) ** 2 + (y - my) ** 2 for x, y in back) / (2 * (n - 1))
    least = min(float(m.row.off_centre_u_mm or 0.0) for m in measures) / n
    return math.hypot(mx, my), max(math.sqrt(scatter / n), least)


def readings_of(
    part: str, measures: Sequence[Measure], face: PartFace | None
) -> tuple[HoleReading, ...]:
    """Return what a part's photos give to be decided on; repeats stand side by side.

    Growth is the diameter less the diameter when new, both uncertainties combined
    (JCGM 100:2008, 5.1.2; number from memory).
    """
    used = [m for m in measures if m.counts]
    kind = "pit" if part == "electrode" else "orifice"
    turned = four_turn_set(measures)
    out: list[HoleReading] = []
    for m in used:
        r = m.row
        if r.diameter_mm is not None:
            u = r.diameter_u_mm
            if kind == "pit":
                out.append(HoleReading("pit-diameter", r.diameter_mm, u))
            else:
                out.append(HoleReading("orifice-diameter", r.diameter_mm, u))
                if face is not None and face.hole_mm is not None:
                    both = None if u is None else math.hypot(u, face.hole_u_mm or 0.0)
                    out.append(HoleReading("orifice-growth", r.diameter_mm - face.hole_mm, both))
        if r.roundness_mm is not None and kind == "orifice":
            out.append(
                HoleReading(
                    "orifice-roundness", r.roundness_mm, r.roundness_u_mm, r.roundness_floor_mm
                )
            )
        if r.off_centre_mm is not None and not turned:
            out.append(
                HoleReading(
                    "pit-off-centre" if kind == "pit" else "orifice-off-centre",
                    r.off_centre_mm,
                    r.off_centre_u_mm,
                )
            )
    if turned:
        value, u = turned_back(turned)
        out.append(
            HoleReading(
                "pit-off-centre" if kind == "pit" else "orifice-off-centre",
                value,
                u,
                photos=TURNS,
            )
        )
    return tuple(out)


def disagreeing(measures: Sequence[Measure]) -> list[str]:
    """Say where photos of one hole differ by more than their uncertainties allow.

    Notes
    -----
    Two values disagree when they lie apart by more than 3 times the root of the sum of
    their squared standard uncertainties. What photos share makes them agree better than
    that, so a disagreement named here is one.
    """
    used = [m for m in measures if m.counts]
    out = []
    for field, name in (("diameter", "diameter"), ("roundness", "out-of-roundness")):
        pairs = [
            (getattr(m.row, f"{field}_mm"), getattr(m.row, f"{field}_u_mm") or 0.0) for m in used
        ]
        known = [p for p in pairs if p[0] is not None]
        if len(known) < 2:
            continue
        low, high = min(known), max(known)
        if high[0] - low[0] > 3 * math.hypot(low[1], high[1]):
            out.append(
                f"The photos disagree on the {name}: {low[0]:.3f} mm and {high[0]:.3f} mm. "
                "Look at the pictures, and take the wrong one out."
            )
    return out


def nick_words(measures: Sequence[Measure]) -> str | None:
    """Say which nicks the photos show; None where no photo was measured.

    'None found' is not 'none there': it says how deep one had to be to be found.
    """
    used = [m for m in measures if m.counts]
    if not used:
        return None
    nicks = [n for m in used for n in m.nicks]
    if not nicks:
        return "no nick found in the edge that was seen"
    deepest = max(nicks, key=lambda n: n["depth_mm"])
    count = max(len(m.nicks) for m in used)
    return (
        f"{count} nick{'s' if count > 1 else ''} found, the deepest "
        f"{deepest['depth_mm']:.3f} mm deep and {deepest['width_mm']:.3f} mm wide "
        f"at {deepest['angle_deg']:.0f}°"
    )


def plain_measure(measure: Measure, names: Mapping[int, str]) -> dict[str, Any]:
    """Return one measure as a signed record holds it: numbers, budget, photo's hash, by whom."""
    body = measure.body
    return {
        "id": measure.row.id,
        "photo": {
            "id": measure.photo.id,
            "sha256": measure.photo.blob_sha256,
            "upload_sha256": measure.photo.upload_sha256,
            "width": measure.photo.width,
            "height": measure.photo.height,
        },
        "feature": measure.row.feature,
        "engine": measure.row.engine,
        "by": names.get(measure.row.by),
        "at": measure.row.at.isoformat(),
        "result": body,
    }
