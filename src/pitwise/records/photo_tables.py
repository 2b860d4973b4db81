"""The book's tables of photos, what was measured on them, and studies of gauges and people.

What is stored of a photo is the cleaned image, never the upload as it was sent; it is kept
under the SHA-256 of its own bytes and never changed. Photos and measures of a signed
inspection are part of what was signed: triggers in migration 0004 hold that.
"""

from __future__ import annotations

import datetime as dt

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Float,
    ForeignKey,
    Index,
    LargeBinary,
    String,
    Text,
    UniqueConstraint,
)
from sqlalchemy.orm import Mapped, mapped_column

from pitwise.records.tables import Base

_MEDIA = "media IN ('image/jpeg','image/png')"


class PhotoBlob(Base):
    """A cleaned image, by the SHA-256 of its bytes; the same image is one blob."""

    __tablename__ = "photo_blob"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    media: Mapped[str] = mapped_column(String(20))
    size: Mapped[int] = mapped_column("bytes")
    content: Mapped[bytes] = mapped_column(LargeBinary, deferred=True)
    __table_args__ = (
        CheckConstraint(_MEDIA, name="media"),
        CheckConstraint("bytes > 0", name="bytes"),
    )


class Photo(Base):
    """A photo of a part: who took it, of what, for what; withdrawn, it is kept.

    `width` and `height` are of the picture as measured, upright. `upload_sha256` is of the
    bytes as they were sent, which are not kept.
    """

    __tablename__ = "photo"
    id: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(String(64), unique=True)
    blob_sha256: Mapped[str] = mapped_column(ForeignKey("photo_blob.sha256"), index=True)
    upload_sha256: Mapped[str] = mapped_column(String(64))
    width: Mapped[int]
    height: Mapped[int]
    bits: Mapped[int]
    part: Mapped[str] = mapped_column(String(20))
    part_item_id: Mapped[int | None] = mapped_column(ForeignKey("part_item.id"), index=True)
    part_type_id: Mapped[int | None] = mapped_column(ForeignKey("part_type.id"), index=True)
    inspection_id: Mapped[int | None] = mapped_column(ForeignKey("inspection.id"), index=True)
    purpose: Mapped[str] = mapped_column(String(10))
    taken_by: Mapped[int] = mapped_column(ForeignKey("person.id"))
    at: Mapped[dt.datetime]
    withdrawn_at: Mapped[dt.datetime | None]
    withdrawn_by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    __table_args__ = (
        CheckConstraint("width > 0 AND height > 0", name="size"),
        CheckConstraint("bits IN (8,16)", name="bits"),
        CheckConstraint("purpose IN ('bench','new')", name="purpose"),
        CheckConstraint("(withdrawn_at IS NULL) = (withdrawn_by IS NULL)", name="withdrawn"),
    )


class PhotoThumb(Base):
    """A small picture to look at, made again at will; nothing is ever measured on it."""

    __tablename__ = "photo_thumb"
    blob_sha256: Mapped[str] = mapped_column(ForeignKey("photo_blob.sha256"), primary_key=True)
    media: Mapped[str] = mapped_column(String(20))
    width: Mapped[int]
    height: Mapped[int]
    content: Mapped[bytes] = mapped_column(LargeBinary, deferred=True)
    __table_args__ = (
        CheckConstraint(_MEDIA, name="media"),
        CheckConstraint("width > 0 AND height > 0", name="size"),
    )


class HoleMeasure(Base):
    """What one or more photos of a part gave, or that they were refused and why.

    `photo_ids` is a JSON list; `body` is the result as JSON, with what it was made with.
    """

    __tablename__ = "hole_measure"
    id: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(String(64), unique=True)
    inspection_id: Mapped[int | None] = mapped_column(ForeignKey("inspection.id"), index=True)
    part: Mapped[str] = mapped_column(String(20))
    part_item_id: Mapped[int | None] = mapped_column(ForeignKey("part_item.id"), index=True)
    feature: Mapped[str] = mapped_column(String(10))
    photo_ids: Mapped[str] = mapped_column(Text)
    body: Mapped[str] = mapped_column(Text)
    engine: Mapped[str] = mapped_column(String(60))
    diameter_mm: Mapped[float | None] = mapped_column(Float)
    diameter_u_mm: Mapped[float | None] = mapped_column(Float)
    roundness_mm: Mapped[float | None] = mapped_column(Float)
    roundness_floor_mm: Mapped[float | None] = mapped_column(Float)
    roundness_u_mm: Mapped[float | None] = mapped_column(Float)
    off_centre_mm: Mapped[float | None] = mapped_column(Float)
    off_centre_u_mm: Mapped[float | None] = mapped_column(Float)
    refused: Mapped[bool] = mapped_column(Boolean)
    by: Mapped[int] = mapped_column(ForeignKey("person.id"))
    at: Mapped[dt.datetime]
    taken_out: Mapped[bool] = mapped_column(Boolean, default=False)
    __table_args__ = (
        CheckConstraint("feature IN ('orifice','pit')", name="feature"),
        # A refusal has no number that could be taken for a measure.
        CheckConstraint(
            "NOT refused OR (diameter_mm IS NULL AND roundness_mm IS NULL"
            " AND off_centre_mm IS NULL)",
            name="refused_has_no_value",
        ),
    )


class DecisionMeasure(Base):
    """A measured quantity of a part in a signed inspection, for history and looking things up."""

    __tablename__ = "decision_measure"
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.id"), primary_key=True)
    part: Mapped[str] = mapped_column(String(20), primary_key=True)
    quantity: Mapped[str] = mapped_column(String(40), primary_key=True)
    part_item_id: Mapped[int | None] = mapped_column(ForeignKey("part_item.id"), index=True)
    value_mm: Mapped[float] = mapped_column(Float)
    u_mm: Mapped[float] = mapped_column(Float)
    limit_mm: Mapped[float | None] = mapped_column(Float)
    p_over: Mapped[float | None] = mapped_column(Float)
    __table_args__ = (
        CheckConstraint(
            "quantity IN ('orifice-growth','orifice-diameter','orifice-roundness',"
            "'orifice-off-centre','pit-diameter','pit-off-centre')",
            name="quantity",
        ),
        CheckConstraint("u_mm >= 0", name="u_mm"),
        CheckConstraint("p_over IS NULL OR (p_over >= 0 AND p_over <= 1)", name="p_over"),
    )


class PartFace(Base):
    """The shop's own data of a part type when new; the newest row holds, none is changed."""

    __tablename__ = "part_face"
    id: Mapped[int] = mapped_column(primary_key=True)
    part_type_id: Mapped[int] = mapped_column(ForeignKey("part_type.id"), index=True)
    rim_mm: Mapped[float] = mapped_column(Float)
    hole_mm: Mapped[float | None] = mapped_column(Float)
    hole_u_mm: Mapped[float | None] = mapped_column(Float)
    photo_id: Mapped[int | None] = mapped_column(ForeignKey("photo.id"))
    reason: Mapped[str] = mapped_column(Text)
    by: Mapped[int] = mapped_column(ForeignKey("person.id"))
    at: Mapped[dt.datetime]
    __table_args__ = (
        CheckConstraint("rim_mm > 0", name="rim_mm"),
        CheckConstraint("hole_mm IS NULL OR hole_mm > 0", name="hole_mm"),
        CheckConstraint("hole_u_mm IS NULL OR hole_u_mm >= 0", name="hole_u_mm"),
    )


class GaugeStudyRow(Base):
    """A study of a gauge: parts, people and trials; `people` is a JSON list, `result` JSON."""

    __tablename__ = "gauge_study"
    id: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(String(64), unique=True)
    name: Mapped[str] = mapped_column(String(80))
    gauge_id: Mapped[int | None] = mapped_column(ForeignKey("gauge.id"), index=True)
    unit: Mapped[str] = mapped_column(String(20))
    tolerance_mm: Mapped[float | None] = mapped_column(Float)
    parts: Mapped[int]
    trials: Mapped[int]
    people: Mapped[str] = mapped_column(Text)
    order_seed: Mapped[int] = mapped_column(BigInteger)
    state: Mapped[str] = mapped_column(String(10))
    opened_by: Mapped[int] = mapped_column(ForeignKey("person.id"))
    opened_at: Mapped[dt.datetime]
    closed_by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    closed_at: Mapped[dt.datetime | None]
    result: Mapped[str | None] = mapped_column(Text)
    __table_args__ = (
        CheckConstraint("state IN ('open','closed','discarded')", name="state"),
        CheckConstraint("parts > 0 AND trials > 0", name="size"),
        CheckConstraint("tolerance_mm IS NULL OR tolerance_mm > 0", name="tolerance_mm"),
        CheckConstraint(
            "state <> 'closed' OR (closed_by IS NOT NULL AND closed_at IS NOT NULL"
            " AND result IS NOT NULL)",
            name="closed_is_whole",
        ),
    )


class GaugeStudyReading(Base):
    """One reading of a gauge study, exactly as typed; taken out, it is kept."""

    __tablename__ = "gauge_study_reading"
    id: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(String(64), unique=True)
    study_id: Mapped[int] = mapped_column(ForeignKey("gauge_study.id"), index=True)
    part: Mapped[int]
    person: Mapped[int]
    trial: Mapped[int]
    text: Mapped[str] = mapped_column(String(40))
    value: Mapped[float] = mapped_column(Float)
    unit: Mapped[str] = mapped_column(String(20))
    by: Mapped[int] = mapped_column(ForeignKey("person.id"))
    at: Mapped[dt.datetime]
    taken_out: Mapped[bool] = mapped_column(Boolean, default=False)


class AgreementStudyRow(Base):
    """A study of how well people agree on what they see on specimens; `result` is JSON."""

    __tablename__ = "agreement_study"
    id: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(String(64), unique=True)
    name: Mapped[str] = mapped_column(String(80))
    part: Mapped[str] = mapped_column(String(20))
    specimens: Mapped[int]
    state: Mapped[str] = mapped_column(String(10))
    opened_by: Mapped[int] = mapped_column(ForeignKey("person.id"))
    opened_at: Mapped[dt.datetime]
    closed_by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    closed_at: Mapped[dt.datetime | None]
    result: Mapped[str | None] = mapped_column(Text)
    __table_args__ = (
        CheckConstraint("state IN ('open','closed','discarded')", name="state"),
        CheckConstraint("specimens > 0", name="specimens"),
        CheckConstraint(
            "state <> 'closed' OR (closed_by IS NOT NULL AND closed_at IS NOT NULL"
            " AND result IS NOT NULL)",
            name="closed_is_whole",
        ),
    )


class AgreementJudgement(Base):
    """What one person said of one specimen: findings seen and the action, as JSON."""

    __tablename__ = "agreement_judgement"
    id: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(String(64), unique=True)
    study_id: Mapped[int] = mapped_column(ForeignKey("agreement_study.id"))
    specimen: Mapped[int]
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"))
    body: Mapped[str] = mapped_column(Text)
    at: Mapped[dt.datetime]
    __table_args__ = (
        UniqueConstraint(
            "study_id", "specimen", "person_id", name="uq_agreement_judgement_one_each"
        ),
    )


class PracticeTry(Base):
    """One rendered specimen judged for practice: what was said, and the truth, as JSON."""

    __tablename__ = "practice_try"
    id: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(String(64), unique=True)
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"))
    seed: Mapped[int] = mapped_column(BigInteger)
    level: Mapped[str] = mapped_column(String(20))
    body: Mapped[str] = mapped_column(Text)
    truth: Mapped[str] = mapped_column(Text)
    right: Mapped[bool] = mapped_column(Boolean)
    at: Mapped[dt.datetime]
    __table_args__ = (Index("ix_practice_try_person_at", "person_id", "at"),)


# Rows of these are never changed; see migration 0004.
APPEND_ONLY = (PhotoBlob.__tablename__, PartFace.__tablename__)
