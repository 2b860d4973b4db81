"""The book's tables.

A signed inspection is never changed, only superseded; the audit trail is append-only.
Triggers in the migrations hold both, on SQLite and on PostgreSQL.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Date,
    DateTime,
    Dialect,
    Float,
    ForeignKey,
    Index,
    MetaData,
    String,
    Text,
    TypeDecorator,
    UniqueConstraint,
    text,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship


class UtcTime(TypeDecorator[dt.datetime]):
    """A moment in UTC; refuses naive datetimes, which name no moment."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: dt.datetime | None, dialect: Dialect) -> Any:
        """Store as UTC (SQLite keeps no zone, so it is dropped there)."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a naive datetime names no moment")
        value = value.astimezone(dt.UTC)
        return value.replace(tzinfo=None) if dialect.name == "sqlite" else value

    def process_result_value(self, value: Any, _dialect: Dialect) -> dt.datetime | None:
        """Give back an aware datetime in UTC."""
        if value is None:
            return None
        aware: dt.datetime = value.replace(tzinfo=dt.UTC) if value.tzinfo is None else value
        return aware.astimezone(dt.UTC)


class Base(DeclarativeBase):
    """Base of all tables; constraint names are fixed so that migrations can name them."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(column_0_label)s",
            "uq": "uq_%(table_name)s_%(column_0_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {dt.datetime: UtcTime(), dt.date: Date(), str: String(200)}  # noqa: RUF012 -- SQLAlchemy's own contract


class BookFact(Base):
    """Facts about the book itself: its id, when it was made, whether it is a demo."""

    __tablename__ = "book_fact"
    key: Mapped[str] = mapped_column(String(40), primary_key=True)
    value: Mapped[str] = mapped_column(Text)


class Person(Base):
    """Somebody who signs in."""

    __tablename__ = "person"
    id: Mapped[int] = mapped_column(primary_key=True)
    login: Mapped[str] = mapped_column(String(60), unique=True)
    name: Mapped[str]
    role: Mapped[str] = mapped_column(String(20))
    password_hash: Mapped[str] = mapped_column(Text)
    active: Mapped[bool] = mapped_column(Boolean, default=True)
    created_at: Mapped[dt.datetime]
    __table_args__ = (CheckConstraint("role IN ('technician','lead','admin')", name="role"),)


class SignIn(Base):
    """A session: only the token's hash is kept; revocable."""

    __tablename__ = "sign_in"
    token_sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"), index=True)
    started_at: Mapped[dt.datetime]
    expires_at: Mapped[dt.datetime]
    revoked_at: Mapped[dt.datetime | None]
    address: Mapped[str] = mapped_column(String(64))


class FailedSignIn(Base):
    """A failed sign-in, for throttling per account and per address."""

    __tablename__ = "failed_sign_in"
    id: Mapped[int] = mapped_column(primary_key=True)
    login: Mapped[str] = mapped_column(String(60))
    address: Mapped[str] = mapped_column(String(64))
    at: Mapped[dt.datetime]
    __table_args__ = (
        Index("ix_failed_login_at", "login", "at"),
        Index("ix_failed_address_at", "address", "at"),
    )


class Station(Base):
    """A cutting table."""

    __tablename__ = "station"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(80), unique=True)
    coolant: Mapped[str | None] = mapped_column(String(60))


class Process(Base):
    """Amps, gases and material: what a limit, a wear rate and a life belong to."""

    __tablename__ = "process"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(80), unique=True)
    amps: Mapped[float | None] = mapped_column(Float)
    material: Mapped[str | None] = mapped_column(String(80))
    plasma_gas: Mapped[str | None] = mapped_column(String(80))
    shield_gas: Mapped[str | None] = mapped_column(String(80))


class Gauge(Base):
    """A depth gauge and the standard uncertainty of one reading with it."""

    __tablename__ = "gauge"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(80), unique=True)
    unit: Mapped[str] = mapped_column(String(8))
    u_mm: Mapped[float] = mapped_column(Float)
    source: Mapped[str] = mapped_column(Text)
    __table_args__ = (
        CheckConstraint("unit IN ('mm','thou','in')", name="unit"),
        CheckConstraint("u_mm >= 0", name="u_mm"),
    )


class Torch(Base):
    """A torch mounted on a station."""

    __tablename__ = "torch"
    id: Mapped[int] = mapped_column(primary_key=True)
    station_id: Mapped[int] = mapped_column(ForeignKey("station.id"))
    name: Mapped[str] = mapped_column(String(80), unique=True)
    process_id: Mapped[int] = mapped_column(ForeignKey("process.id"))
    gauge_id: Mapped[int] = mapped_column(ForeignKey("gauge.id"))
    due_starts: Mapped[int | None]
    station: Mapped[Station] = relationship(lazy="joined")
    process: Mapped[Process] = relationship(lazy="joined")
    gauge: Mapped[Gauge] = relationship(lazy="joined")


class PartType(Base):
    """A kind of part the shop buys, under the shop's own name for it."""

    __tablename__ = "part_type"
    id: Mapped[int] = mapped_column(primary_key=True)
    part: Mapped[str] = mapped_column(String(20))
    name: Mapped[str] = mapped_column(String(80))
    __table_args__ = (UniqueConstraint("part", "name", name="uq_part_type_part_name"),)


class PartItem(Base):
    """One individual part, with its own life; it keeps its life when it moves."""

    __tablename__ = "part_item"
    id: Mapped[int] = mapped_column(primary_key=True)
    part_type_id: Mapped[int] = mapped_column(ForeignKey("part_type.id"), index=True)
    tag: Mapped[str] = mapped_column(String(40), unique=True)
    lot: Mapped[str | None] = mapped_column(String(80))
    created_at: Mapped[dt.datetime]
    part_type: Mapped[PartType] = relationship(lazy="joined")


class Fitting(Base):
    """A part in a torch from one moment to another, with the torch's totals at both."""

    __tablename__ = "fitting"
    id: Mapped[int] = mapped_column(primary_key=True)
    torch_id: Mapped[int] = mapped_column(ForeignKey("torch.id"))
    part_item_id: Mapped[int] = mapped_column(ForeignKey("part_item.id"), index=True)
    part: Mapped[str] = mapped_column(String(20))
    fitted_at: Mapped[dt.datetime]
    fitted_by_inspection: Mapped[int | None] = mapped_column(
        ForeignKey("inspection.id"), index=True
    )
    starts_at_fit: Mapped[int]
    minutes_at_fit: Mapped[float]
    removed_at: Mapped[dt.datetime | None]
    removed_by_inspection: Mapped[int | None] = mapped_column(
        ForeignKey("inspection.id"), index=True
    )
    starts_at_removal: Mapped[int | None]
    minutes_at_removal: Mapped[float | None]
    end: Mapped[str | None] = mapped_column(String(20))
    void: Mapped[bool] = mapped_column(Boolean, default=False)
    item: Mapped[PartItem] = relationship(lazy="joined")
    __table_args__ = (
        Index("ix_fitting_torch_part", "torch_id", "part", "removed_at"),
        Index(
            "uq_fitting_one_in_a_place",
            "torch_id",
            "part",
            unique=True,
            sqlite_where=text("removed_at IS NULL AND void = 0"),
            postgresql_where=text("removed_at IS NULL AND NOT void"),
        ),
        CheckConstraint("\"end\" IN ('replaced','lost','taken-out')", name="end"),
    )


class Counter(Base):
    """A torch's counters as read once, and the totals carried on."""

    __tablename__ = "counter"
    id: Mapped[int] = mapped_column(primary_key=True)
    torch_id: Mapped[int] = mapped_column(ForeignKey("torch.id"))
    inspection_id: Mapped[int | None] = mapped_column(ForeignKey("inspection.id"), index=True)
    at: Mapped[dt.datetime]
    starts: Mapped[int | None]
    arc_minutes: Mapped[float | None]
    reset: Mapped[bool] = mapped_column(Boolean, default=False)
    total_starts: Mapped[int]
    total_minutes: Mapped[float]
    void: Mapped[bool] = mapped_column(Boolean, default=False)
    __table_args__ = (Index("ix_counter_torch_at", "torch_id", "at"),)


class UsedSheet(Base):
    """The full content of every trade sheet that decided something."""

    __tablename__ = "used_sheet"
    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    version: Mapped[str] = mapped_column(Text)
    content: Mapped[str] = mapped_column(Text)
    first_used_at: Mapped[dt.datetime]


class InspectionRow(Base):
    """An inspection: draft, then signed; superseded when a later one names it."""

    __tablename__ = "inspection"
    id: Mapped[int] = mapped_column(primary_key=True)
    open_key: Mapped[str] = mapped_column(String(64), unique=True)
    torch_id: Mapped[int] = mapped_column(ForeignKey("torch.id"), index=True)
    process_id: Mapped[int] = mapped_column(ForeignKey("process.id"))
    gauge_id: Mapped[int] = mapped_column(ForeignKey("gauge.id"))
    state: Mapped[str] = mapped_column(String(10))
    opened_by: Mapped[int] = mapped_column(ForeignKey("person.id"))
    opened_at: Mapped[dt.datetime]
    cautions_by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    cautions_at: Mapped[dt.datetime | None]
    revision: Mapped[int] = mapped_column(default=0)
    starts: Mapped[int | None]
    arc_minutes: Mapped[float | None]
    counter_reset: Mapped[bool] = mapped_column(Boolean, default=False)
    note: Mapped[str] = mapped_column(Text, default="")
    supersedes: Mapped[int | None] = mapped_column(ForeignKey("inspection.id"))
    correction_reason: Mapped[str | None] = mapped_column(Text)
    sign_key: Mapped[str | None] = mapped_column(String(64), unique=True)
    signed_by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    signed_at: Mapped[dt.datetime | None] = mapped_column(index=True)
    sheet_sha256: Mapped[str | None] = mapped_column(ForeignKey("used_sheet.sha256"))
    record: Mapped[str | None] = mapped_column(Text)
    record_sha256: Mapped[str | None] = mapped_column(String(64))
    torch: Mapped[Torch] = relationship(lazy="joined")
    process: Mapped[Process] = relationship(lazy="joined")
    gauge: Mapped[Gauge] = relationship(lazy="joined")
    __table_args__ = (
        Index(
            "uq_inspection_one_draft",
            "torch_id",
            unique=True,
            sqlite_where=text("state = 'draft'"),
            postgresql_where=text("state = 'draft'"),
        ),
        Index(
            "uq_inspection_one_successor",
            "supersedes",
            unique=True,
            sqlite_where=text("state = 'signed'"),
            postgresql_where=text("state = 'signed'"),
        ),
        CheckConstraint("state IN ('draft','signed','discarded')", name="state"),
        CheckConstraint(
            "state <> 'signed' OR (signed_by IS NOT NULL AND signed_at IS NOT NULL"
            " AND record IS NOT NULL AND record_sha256 IS NOT NULL AND sheet_sha256 IS NOT NULL)",
            name="signed_is_whole",
        ),
    )


class Look(Base):
    """A part looked over (or not) in an inspection."""

    __tablename__ = "look"
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.id"), primary_key=True)
    part: Mapped[str] = mapped_column(String(20), primary_key=True)
    looked: Mapped[bool] = mapped_column(Boolean)
    lost: Mapped[bool] = mapped_column(Boolean, default=False)
    by: Mapped[int] = mapped_column(ForeignKey("person.id"))
    at: Mapped[dt.datetime]


class Mark(Base):
    """A finding seen, or looked for and absent. No row: not looked at."""

    __tablename__ = "mark"
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.id"), primary_key=True)
    part: Mapped[str] = mapped_column(String(20), primary_key=True)
    finding: Mapped[str] = mapped_column(String(60), primary_key=True)
    state: Mapped[str] = mapped_column(String(10))
    by: Mapped[int] = mapped_column(ForeignKey("person.id"))
    at: Mapped[dt.datetime]
    __table_args__ = (CheckConstraint("state IN ('seen','absent')", name="state"),)


class PitReading(Base):
    """One reading of the electrode's pit, exactly as typed."""

    __tablename__ = "pit_reading"
    id: Mapped[int] = mapped_column(primary_key=True)
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.id"), index=True)
    key: Mapped[str] = mapped_column(String(64), unique=True)
    text: Mapped[str] = mapped_column(String(40))
    value: Mapped[str] = mapped_column(String(40))
    unit: Mapped[str] = mapped_column(String(8))
    bare: Mapped[bool] = mapped_column(Boolean)
    by: Mapped[int] = mapped_column(ForeignKey("person.id"))
    at: Mapped[dt.datetime]


class Answer(Base):
    """A question (slip or contradiction) answered 'it is so' by a person."""

    __tablename__ = "answer"
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.id"), primary_key=True)
    code: Mapped[str] = mapped_column(String(60), primary_key=True)
    text: Mapped[str] = mapped_column(Text)
    by: Mapped[int] = mapped_column(ForeignKey("person.id"))
    at: Mapped[dt.datetime]


class OverruleRow(Base):
    """A person's own action for a part, against the computed one, with the reason."""

    __tablename__ = "overrule"
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.id"), primary_key=True)
    part: Mapped[str] = mapped_column(String(20), primary_key=True)
    action: Mapped[str] = mapped_column(String(12))
    reason: Mapped[str] = mapped_column(Text)
    over_action: Mapped[str] = mapped_column(String(12))
    over_rules: Mapped[str] = mapped_column(Text)
    by: Mapped[int] = mapped_column(ForeignKey("person.id"))
    at: Mapped[dt.datetime]


class DecisionRow(Base):
    """A part's decision in a signed inspection, for looking things up."""

    __tablename__ = "decision"
    inspection_id: Mapped[int] = mapped_column(ForeignKey("inspection.id"), primary_key=True)
    part: Mapped[str] = mapped_column(String(20), primary_key=True)
    part_item_id: Mapped[int | None] = mapped_column(ForeignKey("part_item.id"), index=True)
    action: Mapped[str] = mapped_column(String(12))
    computed: Mapped[str] = mapped_column(String(12))
    pit_mm: Mapped[float | None] = mapped_column(Float)
    pit_u_mm: Mapped[float | None] = mapped_column(Float)
    p_over: Mapped[float | None] = mapped_column(Float)
    limit_mm: Mapped[float | None] = mapped_column(Float)
    life_starts: Mapped[int | None]
    life_minutes: Mapped[float | None]


class ShopLimit(Base):
    """The shop's own limit, with who, when and why."""

    __tablename__ = "shop_limit"
    id: Mapped[int] = mapped_column(primary_key=True)
    row: Mapped[str] = mapped_column(Text)
    reason: Mapped[str] = mapped_column(Text)
    entered_by: Mapped[int] = mapped_column(ForeignKey("person.id"))
    entered_at: Mapped[dt.datetime]
    withdrawn_by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    withdrawn_at: Mapped[dt.datetime | None]
    withdrawn_reason: Mapped[str | None] = mapped_column(Text)


class AuditRow(Base):
    """One entry of the audit trail; `hash` chains it to the one before."""

    __tablename__ = "audit"
    seq: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    at: Mapped[str] = mapped_column(String(40))
    person_id: Mapped[int | None]
    actor: Mapped[str] = mapped_column(String(120))
    action: Mapped[str] = mapped_column(String(60))
    subject: Mapped[str] = mapped_column(String(120))
    detail: Mapped[str] = mapped_column(Text)
    prev_hash: Mapped[str] = mapped_column(String(64))
    hash: Mapped[str] = mapped_column(String(64), unique=True)
