"""The shelf's tables: what is kept, its suppliers and rules, the ledger, orders, planned work.

Movements, terms, rules and loads are append-only: triggers in migration 0005 hold that. What is
on the shelf is the sum of an item's movements, kept nowhere else.
"""

from __future__ import annotations

import datetime as dt

from sqlalchemy import Boolean, CheckConstraint, Float, ForeignKey, Index, String, Text
from sqlalchemy.orm import Mapped, mapped_column, relationship
from sqlalchemy.schema import UniqueConstraint

from pitwise.records.tables import Base, PartType


class ShelfItem(Base):
    """Something kept on the shelf: pieces of a part type, a kit of other items, or else.

    `code` is what its label says and a scanner reads.
    """

    __tablename__ = "shelf_item"
    id: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str] = mapped_column(String(10))
    part_type_id: Mapped[int | None] = mapped_column(ForeignKey("part_type.id"), unique=True)
    name: Mapped[str] = mapped_column(String(80), unique=True)
    code: Mapped[str] = mapped_column(String(40), unique=True)
    place: Mapped[str] = mapped_column(String(80), default="")
    active: Mapped[bool] = mapped_column(Boolean, default=True)
    created_by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    created_at: Mapped[dt.datetime]
    part_type: Mapped[PartType | None] = relationship(lazy="joined")
    __table_args__ = (
        CheckConstraint("kind IN ('part','kit','other')", name="kind"),
        CheckConstraint("(kind = 'part') = (part_type_id IS NOT NULL)", name="part_type"),
    )


class KitLine(Base):
    """How many pieces of an item one kit holds."""

    __tablename__ = "kit_line"
    kit_id: Mapped[int] = mapped_column(ForeignKey("shelf_item.id"), primary_key=True)
    item_id: Mapped[int] = mapped_column(ForeignKey("shelf_item.id"), primary_key=True)
    pieces: Mapped[int]
    __table_args__ = (
        CheckConstraint("pieces > 0", name="pieces"),
        CheckConstraint("kit_id <> item_id", name="of_others"),
    )


class Supplier(Base):
    """Somebody the shop buys from, under the shop's own name for them."""

    __tablename__ = "supplier"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(80), unique=True)
    note: Mapped[str] = mapped_column(Text, default="")
    active: Mapped[bool] = mapped_column(Boolean, default=True)


class ItemTerms(Base):
    """Price and lead time of an item at a supplier; an item's newest row holds."""

    __tablename__ = "item_terms"
    id: Mapped[int] = mapped_column(primary_key=True)
    item_id: Mapped[int] = mapped_column(ForeignKey("shelf_item.id"), index=True)
    supplier_id: Mapped[int] = mapped_column(ForeignKey("supplier.id"), index=True)
    price: Mapped[float] = mapped_column(Float)
    currency: Mapped[str] = mapped_column(String(20))
    pack: Mapped[int]
    least: Mapped[int]
    lead_days: Mapped[float] = mapped_column(Float)
    lead_days_sd: Mapped[float] = mapped_column(Float)
    reason: Mapped[str] = mapped_column(Text)
    by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    at: Mapped[dt.datetime]
    __table_args__ = (
        CheckConstraint("price >= 0", name="price"),
        CheckConstraint("pack >= 1 AND least >= 1", name="pack"),
        CheckConstraint("lead_days >= 0 AND lead_days_sd >= 0", name="lead_days"),
    )


class StockRule(Base):
    """How an item is to be kept; without an item: what holds for all that have no own rule.

    The newest row holds. `service` is the share of demand to be met from the shelf;
    `review_days` 0 watches the shelf always; `shortage_cost` per piece short, if known.
    """

    __tablename__ = "stock_rule"
    id: Mapped[int] = mapped_column(primary_key=True)
    item_id: Mapped[int | None] = mapped_column(ForeignKey("shelf_item.id"), index=True)
    service: Mapped[float] = mapped_column(Float)
    order_cost: Mapped[float] = mapped_column(Float)
    hold_rate: Mapped[float] = mapped_column(Float)
    shortage_cost: Mapped[float | None] = mapped_column(Float)
    review_days: Mapped[float] = mapped_column(Float)
    keep_least: Mapped[int]
    reason: Mapped[str] = mapped_column(Text)
    by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    at: Mapped[dt.datetime]
    __table_args__ = (
        CheckConstraint("service > 0 AND service < 1", name="service"),
        CheckConstraint("order_cost >= 0 AND hold_rate >= 0", name="costs"),
        CheckConstraint("shortage_cost IS NULL OR shortage_cost >= 0", name="shortage_cost"),
        CheckConstraint("review_days >= 0 AND keep_least >= 0", name="keep"),
    )


class ShelfOrder(Base):
    """An order to a supplier."""

    __tablename__ = "shelf_order"
    id: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(String(64), unique=True)
    supplier_id: Mapped[int] = mapped_column(ForeignKey("supplier.id"), index=True)
    state: Mapped[str] = mapped_column(String(10))
    note: Mapped[str] = mapped_column(Text, default="")
    ordered_by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    ordered_at: Mapped[dt.datetime]
    closed_by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    closed_at: Mapped[dt.datetime | None]
    closed_reason: Mapped[str | None] = mapped_column(Text)
    supplier: Mapped[Supplier] = relationship(lazy="joined")
    __table_args__ = (
        CheckConstraint("state IN ('open','closed')", name="state"),
        CheckConstraint("(state = 'closed') = (closed_at IS NOT NULL)", name="closed"),
    )


class ShelfOrderLine(Base):
    """Pieces of an item ordered; what came of them are the movements that name it."""

    __tablename__ = "shelf_order_line"
    id: Mapped[int] = mapped_column(primary_key=True)
    order_id: Mapped[int] = mapped_column(ForeignKey("shelf_order.id"), index=True)
    item_id: Mapped[int] = mapped_column(ForeignKey("shelf_item.id"), index=True)
    pieces: Mapped[int]
    unit_price: Mapped[float | None] = mapped_column(Float)
    currency: Mapped[str | None] = mapped_column(String(20))
    expected_on: Mapped[dt.date | None]
    __table_args__ = (
        UniqueConstraint("order_id", "item_id", name="uq_shelf_order_line_item"),
        CheckConstraint("pieces > 0", name="pieces"),
        CheckConstraint("unit_price IS NULL OR unit_price >= 0", name="unit_price"),
    )


class Movement(Base):
    """One line of the ledger: pieces of an item that came, went, were counted, or undone.

    `pieces` is what the shelf gained (negative: lost). `below_zero` says that the book's
    figure fell below zero with it, which only a count can mend.
    """

    __tablename__ = "movement"
    id: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(String(64), unique=True)
    item_id: Mapped[int] = mapped_column(ForeignKey("shelf_item.id"))
    kind: Mapped[str] = mapped_column(String(12))
    pieces: Mapped[int]
    counted: Mapped[int | None]
    below_zero: Mapped[bool] = mapped_column(Boolean, default=False)
    part_item_id: Mapped[int | None] = mapped_column(ForeignKey("part_item.id"), index=True)
    inspection_id: Mapped[int | None] = mapped_column(ForeignKey("inspection.id"), index=True)
    order_line_id: Mapped[int | None] = mapped_column(ForeignKey("shelf_order_line.id"), index=True)
    reverses: Mapped[int | None] = mapped_column(ForeignKey("movement.id"), unique=True)
    unit_price: Mapped[float | None] = mapped_column(Float)
    currency: Mapped[str | None] = mapped_column(String(20))
    lot: Mapped[str | None] = mapped_column(String(80))
    note: Mapped[str] = mapped_column(Text, default="")
    by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    at: Mapped[dt.datetime]
    __table_args__ = (
        CheckConstraint(
            "kind IN ('goods-in','fitted','taken','scrapped','counted','kit-opened',"
            "'kit-packed','undone')",
            name="kind",
        ),
        CheckConstraint("(kind = 'undone') = (reverses IS NOT NULL)", name="reverses"),
        CheckConstraint("(kind = 'counted') = (counted IS NOT NULL)", name="counted"),
        CheckConstraint("counted IS NULL OR counted >= 0", name="counted_pieces"),
        CheckConstraint("kind <> 'goods-in' OR pieces > 0", name="goods_in"),
        CheckConstraint("kind NOT IN ('fitted','taken','scrapped') OR pieces < 0", name="goes_out"),
        CheckConstraint("unit_price IS NULL OR unit_price >= 0", name="unit_price"),
        Index("ix_movement_item_at", "item_id", "at"),
    )


class PlannedWork(Base):
    """Plates of a program planned on a torch between two days."""

    __tablename__ = "planned_work"
    id: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(String(64), unique=True)
    torch_id: Mapped[int] = mapped_column(ForeignKey("torch.id"), index=True)
    program_id: Mapped[int] = mapped_column(ForeignKey("program.id"), index=True)
    plates: Mapped[int]
    first_day: Mapped[dt.date]
    last_day: Mapped[dt.date]
    note: Mapped[str] = mapped_column(Text, default="")
    by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    at: Mapped[dt.datetime]
    withdrawn_by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    withdrawn_at: Mapped[dt.datetime | None]
    __table_args__ = (
        CheckConstraint("plates > 0", name="plates"),
        CheckConstraint("last_day >= first_day", name="days"),
    )


class BaseLoad(Base):
    """A torch's usual work beside what is planned, as the shop sets it; the newest row holds.

    Without numbers: what its counters say.
    """

    __tablename__ = "base_load"
    id: Mapped[int] = mapped_column(primary_key=True)
    torch_id: Mapped[int] = mapped_column(ForeignKey("torch.id"), index=True)
    starts_per_day: Mapped[float | None] = mapped_column(Float)
    minutes_per_start: Mapped[float | None] = mapped_column(Float)
    reason: Mapped[str] = mapped_column(Text)
    by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    at: Mapped[dt.datetime]
    __table_args__ = (
        CheckConstraint("(starts_per_day IS NULL) = (minutes_per_start IS NULL)", name="whole"),
        CheckConstraint("starts_per_day IS NULL OR starts_per_day >= 0", name="starts_per_day"),
        CheckConstraint(
            "minutes_per_start IS NULL OR minutes_per_start >= 0", name="minutes_per_start"
        ),
    )


# Rows of these are never changed; see migration 0005.
APPEND_ONLY = (
    ItemTerms.__tablename__,
    StockRule.__tablename__,
    Movement.__tablename__,
    BaseLoad.__tablename__,
)
