"""The book's tables of cause cases: cases, their facts, what was learnt, the shop's ranges.

Facts, events of learning and ranges are append-only: triggers in the migrations refuse to
change or delete them, so that what was known when can always be told.
"""

from __future__ import annotations

import datetime as dt

from sqlalchemy import (
    CheckConstraint,
    Float,
    ForeignKey,
    Index,
    String,
    Text,
    text,
)
from sqlalchemy.orm import Mapped, mapped_column, relationship

from pitwise.records.tables import Base, Process, Torch


class CauseCase(Base):
    """What is eating the parts of a torch: open, then closed or discarded.

    `held` and `diagnosis` are what was known and concluded at closing or discarding, as JSON;
    `closed_at` is when. `cured_at` is when it was first closed: reopening for another look
    leaves it. Inspections after `looks_until` don't count. `last_closing` is how a reopened
    case had been closed, as JSON, to fill the form again.
    """

    __tablename__ = "cause_case"
    id: Mapped[int] = mapped_column(primary_key=True)
    open_key: Mapped[str] = mapped_column(String(64), unique=True)
    torch_id: Mapped[int] = mapped_column(ForeignKey("torch.id"), index=True)
    process_id: Mapped[int] = mapped_column(ForeignKey("process.id"))
    state: Mapped[str] = mapped_column(String(10))
    opened_by: Mapped[int] = mapped_column(ForeignKey("person.id"))
    opened_at: Mapped[dt.datetime]
    after_inspection: Mapped[int | None] = mapped_column(ForeignKey("inspection.id"))
    complaint: Mapped[str] = mapped_column(Text, default="")
    note: Mapped[str] = mapped_column(Text, default="")
    revision: Mapped[int] = mapped_column(default=0)
    close_key: Mapped[str | None] = mapped_column(String(64), unique=True)
    closed_by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    closed_at: Mapped[dt.datetime | None] = mapped_column(index=True)
    cured_at: Mapped[dt.datetime | None]
    looks_until: Mapped[dt.datetime | None]
    last_closing: Mapped[str | None] = mapped_column(Text)
    amend_key: Mapped[str | None] = mapped_column(String(64), unique=True)
    amended_by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    amended_at: Mapped[dt.datetime | None]
    amend_reason: Mapped[str] = mapped_column(Text, default="")
    certainty: Mapped[str | None] = mapped_column(String(12))
    remedies: Mapped[str] = mapped_column(Text, default="[]")
    remedy_text: Mapped[str] = mapped_column(Text, default="")
    close_note: Mapped[str] = mapped_column(Text, default="")
    done_by: Mapped[str] = mapped_column(String(120), default="")
    sheet_sha256: Mapped[str | None] = mapped_column(ForeignKey("used_sheet.sha256"))
    held: Mapped[str | None] = mapped_column(Text, deferred=True)
    diagnosis: Mapped[str | None] = mapped_column(Text, deferred=True)
    came_back_at: Mapped[dt.datetime | None]
    came_back_by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    came_back_note: Mapped[str] = mapped_column(Text, default="")
    torch: Mapped[Torch] = relationship(lazy="joined")
    process: Mapped[Process] = relationship(lazy="joined")
    __table_args__ = (
        Index(
            "uq_cause_case_one_open",
            "torch_id",
            unique=True,
            sqlite_where=text("state = 'open'"),
            postgresql_where=text("state = 'open'"),
        ),
        CheckConstraint("state IN ('open','closed','discarded')", name="state"),
        CheckConstraint("certainty IN ('verified','went-away')", name="certainty"),
        CheckConstraint(
            "state <> 'closed' OR (closed_by IS NOT NULL AND closed_at IS NOT NULL"
            " AND cured_at IS NOT NULL AND certainty IS NOT NULL AND sheet_sha256 IS NOT NULL"
            " AND held IS NOT NULL AND diagnosis IS NOT NULL)",
            name="closed_is_whole",
        ),
    )


class CaseFact(Base):
    """One touch of a case: the newest holds, an undo is a further fact.

    `subject` is the id of a finding, reading, check or conflict. `results` of a check is a
    JSON object, finding to state. `revision` is the case's after this touch.
    """

    __tablename__ = "case_fact"
    id: Mapped[int] = mapped_column(primary_key=True)
    case_id: Mapped[int] = mapped_column(ForeignKey("cause_case.id"), index=True)
    key: Mapped[str] = mapped_column(String(64), unique=True)
    revision: Mapped[int]
    kind: Mapped[str] = mapped_column(String(10))
    subject: Mapped[str] = mapped_column(String(80))
    state: Mapped[str | None] = mapped_column(String(10))
    text: Mapped[str] = mapped_column(Text, default="")
    value: Mapped[float | None] = mapped_column(Float)
    unit: Mapped[str | None] = mapped_column(String(20))
    results: Mapped[str | None] = mapped_column(Text)
    done_by: Mapped[str] = mapped_column(String(120), default="")
    undoes: Mapped[int | None] = mapped_column(ForeignKey("case_fact.id"), unique=True)
    by: Mapped[int] = mapped_column(ForeignKey("person.id"))
    at: Mapped[dt.datetime]
    __table_args__ = (
        CheckConstraint(
            "kind IN ('finding','reading','answer','check','undo','context','tried')", name="kind"
        ),
        CheckConstraint(
            "state IS NULL OR state IN ('seen','absent','slight','much','none')", name="state"
        ),
        CheckConstraint("(kind = 'undo') = (undoes IS NOT NULL)", name="undo"),
    )


class CaseCause(Base):
    """A cause a case was closed with, and how sure that is."""

    __tablename__ = "case_cause"
    case_id: Mapped[int] = mapped_column(ForeignKey("cause_case.id"), primary_key=True)
    cause: Mapped[str] = mapped_column(String(60), primary_key=True)
    certainty: Mapped[str] = mapped_column(String(12))
    __table_args__ = (
        CheckConstraint("certainty IN ('verified','went-away')", name="certainty"),
        Index("ix_case_cause_cause", "cause"),
    )


class LearningEvent(Base):
    """Learning frozen, let go on, or begun anew; `body` of a freeze holds what had taught."""

    __tablename__ = "learning_event"
    id: Mapped[int] = mapped_column(primary_key=True)
    action: Mapped[str] = mapped_column(String(10))
    reason: Mapped[str] = mapped_column(Text)
    body: Mapped[str] = mapped_column(Text, default="[]")
    by: Mapped[int] = mapped_column(ForeignKey("person.id"))
    at: Mapped[dt.datetime]
    __table_args__ = (CheckConstraint("action IN ('freeze','unfreeze','reset')", name="action"),)


class ReadingRange(Base):
    """The range of a reading at a station, as the shop typed it; the newest row holds.

    Both ends empty: the trade sheet's range holds again.
    """

    __tablename__ = "reading_range"
    id: Mapped[int] = mapped_column(primary_key=True)
    station_id: Mapped[int] = mapped_column(ForeignKey("station.id"))
    reading: Mapped[str] = mapped_column(String(60))
    low: Mapped[str | None] = mapped_column(String(40))
    high: Mapped[str | None] = mapped_column(String(40))
    unit: Mapped[str] = mapped_column(String(20))
    reason: Mapped[str] = mapped_column(Text)
    by: Mapped[int] = mapped_column(ForeignKey("person.id"))
    at: Mapped[dt.datetime]
    __table_args__ = (Index("ix_reading_range_station_reading", "station_id", "reading"),)


# Rows of these are never changed; see migration 0003.
APPEND_ONLY = (CaseFact.__tablename__, LearningEvent.__tablename__, ReadingRange.__tablename__)
