"""What photos of a draft's or a record's parts gave, as the bench takes it and pages show it."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.bench.model import HoleReading
from pitwise.measure.photo.combine import combine
from pitwise.measure.photo.result import Estimate, Feature, NickFound, PhotoRefused, Source
from pitwise.measure.photo.turns import four_turns
from pitwise.records.photo_tables import HoleMeasure, PartFace, Photo
from pitwise.services.hole_growth import growth_u

TURNS = 4
_SAME_RIM_MM = 1e-6
# From this share of the picture's side on, a face can't be brought much nearer (our own choice).
_FILLS = 0.7
RENDERED = "rendered-"
"""How the keys of pictures begin that were never taken with a camera: said wherever shown."""


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
        return None if said is None else in_shop_words(said, self.body, self.photo)

    @property
    def rendered(self) -> bool:
        """Whether it is a rendered picture of the demo, not a photo."""
        return self.row.key.startswith(RENDERED) or self.photo.key.startswith(RENDERED)

    @property
    def nicks(self) -> list[dict[str, float]]:
        """Nicks found in the edge, the deepest first."""
        return self.body.get("nicks") or []

    @property
    def counts(self) -> bool:
        """Whether its numbers are used: they are there, and nobody took it out.

        Roundness may be missing where a stretch of the edge is not seen.
        """
        r = self.row
        numbers = (
            r.diameter_mm,
            r.diameter_u_mm,
            r.off_centre_mm,
            r.off_centre_u_mm,
        )
        return not r.taken_out and not r.refused and None not in numbers


def in_shop_words(said: dict[str, str], body: Mapping[str, Any], photo: Photo) -> dict[str, str]:
    """Say a refusal as it is said in a shop, with the mend that fits this photo.

    A face that fills the picture and still has too few pixels a millimetre can't be brought
    nearer: then the rim's diameter is what to doubt.
    """
    text, mend = said["text"], said["mend"]
    reason, scale, rim = said["reason"], body.get("px_per_mm"), body.get("rim_mm")
    if reason == "too-small-scale" and scale and rim:
        share = scale * rim / max(min(photo.width, photo.height), 1)
        if share > _FILLS:
            text = f"too few pixels for a face {rim:g} mm wide, which fills the picture already"
            mend = (
                f"is the rim {rim:g} mm? If not, put it right. If it is, take the photo with a "
                "better camera or a microscope"
            )
        else:
            text = f"the face is too small in the picture: {share:.0%} of its side"
            mend = (
                "come closer, or zoom in, until the face all but fills the picture with its whole "
                f"rim in view. Is the rim {rim:g} mm?"
            )
    elif reason == "too-small-scale":
        mend = "come closer, or zoom in, until the face all but fills the picture"
    elif reason == "uniform":
        text = "the picture is one even tone: too bright, too dark, or nothing in it"
        mend = (
            "if the face is all white, less light on it; if it is dark, more; then touch the face "
            "on the screen, so that the camera sets itself by it"
        )
    elif reason == "rim-not-found":
        text = "no full rim of a face is seen: it is cut off, not sharp, or lost in the background"
        mend = (
            "look at the picture: get the whole rim in view, hold still until it is sharp, and "
            "lay the part on something plain and dark"
        )
    elif reason == "card-needed":
        text = "the face's outer diameter is missing, and no card is in view: there is no scale"
        mend = "type the diameter of the face; this photo is kept, and measured then"
    return {**said, "text": text, "mend": mend}


def measures_of(session: Session, inspection_id: int) -> dict[str, list[Measure]]:
    """Return an inspection's measures by part, oldest first, those taken out among them."""
    newest: dict[str, HoleMeasure] = {}
    # A photo measured again is one photo: its newest result stands, the earlier stay in the book.
    for row in session.scalars(
        select(HoleMeasure)
        .where(HoleMeasure.inspection_id == inspection_id)
        .order_by(HoleMeasure.id)
    ):
        newest[row.photo_ids] = row
    rows = sorted(newest.values(), key=lambda r: json.loads(r.photo_ids)[0])
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


def unmeasured_of(session: Session, inspection_id: int) -> dict[str, list[Photo]]:
    """Return the photos that no result is of, by part: measuring them stopped, or goes on."""
    done = {
        json.loads(ids)[0]
        for ids in session.scalars(
            select(HoleMeasure.photo_ids).where(HoleMeasure.inspection_id == inspection_id)
        )
    }
    out: dict[str, list[Photo]] = {}
    for photo in session.scalars(
        select(Photo)
        .where(Photo.inspection_id == inspection_id, Photo.withdrawn_at.is_(None))
        .order_by(Photo.id)
    ):
        if photo.id not in done:
            out.setdefault(photo.part, []).append(photo)
    return out


def with_other_rim(measure: Measure, face: PartFace | None) -> float | None:
    """Return the rim a result was reckoned with, where the part type's is another by now."""
    rim = measure.body.get("rim_mm")
    if face is None or rim is None or measure.body.get("scale_from") == "card":
        return None
    return None if abs(float(rim) - face.rim_mm) < _SAME_RIM_MM else float(rim)


def used_of(measures: Sequence[Measure], face: PartFace | None) -> list[Measure]:
    """Return the results that count: in, with numbers, with the rim in force, each picture once."""
    once: dict[str, Measure] = {}
    for m in measures:
        if m.counts and with_other_rim(m, face) is None:
            once.setdefault(m.photo.blob_sha256, m)
    return list(once.values())


def four_turn_set(measures: Sequence[Measure]) -> tuple[Measure, ...]:
    """Return the newest photo of each quarter turn, in order; empty while one is missing."""
    newest: dict[int, Measure] = {}
    for m in measures:
        if m.counts and m.turn is not None:
            newest[m.turn] = m
    return tuple(newest[k] for k in range(TURNS)) if len(newest) == TURNS else ()


@dataclass(frozen=True)
class _Kept:
    """A kept result with what `measure.photo.combine` reads of a measured one."""

    feature: Feature
    diameter: Estimate
    roundness_mm: float
    roundness_u_mm: float
    noise_floor_mm: float
    shape_unknown: str
    off_centre: Estimate
    off_centre_xy_mm: tuple[float, float]
    off_centre_view_u_mm: float | None
    nicks: tuple[NickFound, ...]
    nicks_sought: bool
    budget: tuple[Source, ...]
    edge_sd_px: float
    px_per_mm: float
    edge_px: tuple[int, ...] = ()
    warnings: tuple[str, ...] = ()


def _kept(measure: Measure) -> _Kept:
    body = measure.body
    off, shape = body["off_centre_mm"], body["roundness_mm"]
    unknown = shape.get("not_known") or ""
    value = shape.get("at_least") if unknown else shape["value"]
    return _Kept(
        body["feature"],
        Estimate(body["diameter_mm"]["value"], body["diameter_mm"]["u"]),
        float(value or 0.0),
        float(shape["u"] or 0.0),
        float(shape["noise_floor"]),
        unknown,
        Estimate(off["value"], off["u"]),
        (off["x"], off["y"]),
        off.get("u_view"),
        tuple(
            NickFound(n["angle_deg"], n["depth_mm"], n["width_mm"], n.get("strength", 1.0))
            for n in measure.nicks
        ),
        bool(body.get("nicks_sought", body["feature"] == "orifice")),
        tuple(Source(**row) for row in body["budget"]),
        body["edge_sd_px"],
        body["px_per_mm"],
    )


@dataclass(frozen=True)
class Together:
    """All photos of one part that count, as one result.

    Attributes
    ----------
    readings : tuple of HoleReading
        To be decided on.
    warnings : tuple of str
        Where the photos contradict one another, and what else they say of themselves together.
    outlier : Measure or None
        The photo without which the others agree; it stays in until a person takes it out.
    """

    readings: tuple[HoleReading, ...] = ()
    warnings: tuple[str, ...] = ()
    outlier: Measure | None = None


def _floor(used: Sequence[Measure]) -> float:
    return max(float(m.row.roundness_floor_mm or 0.0) for m in used)


def together(part: str, measures: Sequence[Measure], face: PartFace | None) -> Together:
    """Return what a part's photos give together: one number a quantity, and what contradicts.

    Photos are combined by `measure.photo.combine`, which keeps what they share whole; a
    complete set of four turns gives the off-centre. Growth is the diameter less the diameter
    when new, its uncertainty by `hole_growth.growth_u`.
    """
    used = used_of(measures, face)
    if not used:
        return Together()
    warnings: list[str] = []
    outlier = None
    n = len(used)
    if n == 1:
        # The columns are enough, whatever version wrote the rest.
        row = used[0].row
        diameter = Estimate(row.diameter_mm or 0.0, row.diameter_u_mm or 0.0)
        shape = used[0].body.get("roundness_mm") or {}
        unknown = shape.get("not_known") or ("" if row.roundness_mm is not None else "not seen")
        least = row.roundness_mm if row.roundness_mm is not None else shape.get("at_least")
        roundness = Estimate(float(least or 0.0), row.roundness_u_mm or 0.0)
        off = Estimate(row.off_centre_mm or 0.0, row.off_centre_u_mm or 0.0)
    else:
        kept = [_kept(m) for m in used]
        all_of = combine(kept)
        diameter, off, roundness = all_of.diameter, all_of.off_centre, all_of.roundness
        unknown = all_of.shape_unknown
        apart = [name for name, mean in all_of.means.items() if not mean.consistent]
        shapes = [k.roundness_mm for k in kept if not k.shape_unknown] or [0.0]
        spread = max(shapes) - min(shapes)
        # Within what noise alone shows, a difference of shape is none; its scatter is in u.
        if apart and (apart != ["roundness"] or spread > 2 * _floor(used)):
            warnings += [w for w in all_of.warnings if w.startswith("The photos differ")]
            outlier = None if all_of.outlier is None else used[all_of.outlier]
    off_photos = n
    turned = four_turn_set(used)
    single_off = used
    if turned:
        from_turns = four_turns([_kept(m) for m in turned])
        if isinstance(from_turns, PhotoRefused):
            warnings.append(f"Four turns: {from_turns.text}. {from_turns.mend}.")
        else:
            warnings += [f"Four turns: {w}" for w in from_turns.warnings]
            least = min(m.row.off_centre_mm or 0.0 for m in turned)
            told = from_turns.off_centre
            if from_turns.direction_told or told.value >= least:
                off, off_photos = told, TURNS
                single_off = [m for m in used if m not in turned]
                if least - told.value > 2 * told.u:
                    warnings.append(
                        f"Four turns: {told.value:.3f} mm off centre from all four together, at "
                        f"least {least:.3f} mm in each alone. The difference is put down to the "
                        "camera; was the part turned each time?"
                    )
            else:
                warnings.append(
                    f"Four turns: a part that was not turned would look the same, so the "
                    f"{told.value:.3f} mm from all four is not used in place of what the photos "
                    "say one by one."
                )
    else:
        turns = [m for m in measures if m.counts and m.turn is not None]
        if len({m.turn for m in turns}) == TURNS > len({m.photo.blob_sha256 for m in turns}):
            warnings.append(
                "Four turns: the same picture stands for two turns. Take one out, turn the part, "
                "and take that photo anew."
            )

    def single(rows: Sequence[Measure], name: str, less: float = 0.0) -> dict[str, Any]:
        # The plain rule holds for each photo: a mean may not hide the one that is over.
        if n < 2 or not rows:
            return {}
        pairs = [
            (getattr(m.row, f"{name}_mm") - less, getattr(m.row, f"{name}_u_mm")) for m in rows
        ]
        value, u = max(pairs, key=lambda pair: pair[0] - pair[1])
        return {"single_mm": value, "single_u_mm": u}

    off_more = single(single_off, "off_centre")
    wide = single(used, "diameter")
    if part == "electrode":
        readings = [
            HoleReading("pit-diameter", diameter.value, diameter.u, photos=n, **wide),
            HoleReading("pit-off-centre", off.value, off.u, photos=off_photos, **off_more),
        ]
        return Together(tuple(readings), tuple(warnings), outlier)
    floor = _floor(used)
    readings = [HoleReading("orifice-diameter", diameter.value, diameter.u, photos=n, **wide)]
    if face is not None and face.hole_mm is not None:
        readings.append(
            HoleReading(
                "orifice-growth",
                diameter.value - face.hole_mm,
                growth_u(
                    diameter.u,
                    [_kept(m) for m in used if m.body.get("budget")],
                    face,
                    all(m.body.get("rim_mm") == face.rim_mm for m in used),
                ),
                photos=n,
                **single(used, "diameter", face.hole_mm),
            )
        )
    readings.append(
        HoleReading(
            "orifice-roundness",
            roundness.value,
            None if unknown else roundness.u,
            floor,
            n,
            not_known=unknown,
            **single([m for m in used if m.row.roundness_mm is not None], "roundness"),
        )
    )
    readings.append(
        HoleReading("orifice-off-centre", off.value, off.u, photos=off_photos, **off_more)
    )
    return Together(tuple(readings), tuple(warnings), outlier)


def nick_words(measures: Sequence[Measure], face: PartFace | None = None) -> str | None:
    """Say which nicks the photos show; None where no photo was measured.

    'None found' is not 'none there': it says how deep one had to be to be found.
    """
    used = used_of(measures, face)
    if not used:
        return None
    nicks = [n for m in used for n in m.nicks]
    unseen = sum(bool((m.body.get("roundness_mm") or {}).get("not_known")) for m in used)
    doubt = (
        ""
        if not unseen
        else "nicks not known: a stretch of the edge is not seen"
        + ("" if len(used) == 1 else f" in {unseen} of {len(used)} photos")
    )
    if not nicks:
        return doubt or "no nick found in the edge that was seen"
    deepest = max(nicks, key=lambda n: n["depth_mm"])
    count = max(len(m.nicks) for m in used)
    return (
        f"{count} nick{'s' if count > 1 else ''} found, the deepest "
        f"{deepest['depth_mm']:.3f} mm deep and {deepest['width_mm']:.3f} mm wide "
        f"at {deepest['angle_deg']:.0f}°" + (f"; more {doubt}" if doubt else "")
    )


def plain_measure(
    measure: Measure, names: Mapping[int, str], face: PartFace | None = None
) -> dict[str, Any]:
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
        "rendered": measure.rendered,
        "engine": measure.row.engine,
        "by": names.get(measure.row.by),
        "at": measure.row.at.isoformat(),
        "rim_mm": body.get("rim_mm"),
        "other_rim": with_other_rim(measure, face) is not None,
        "result": body,
    }
