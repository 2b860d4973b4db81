"""The book's tables of what lies ahead: settings, cut programs, use reports, fits, forecasts.

Settings of a station and imported files are append-only: triggers in the migrations refuse
to change or delete them, so that a count or a forecast can always be led back to them.
"""

from __future__ import annotations

import datetime as dt

from sqlalchemy import (
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


class StationSetting(Base):
    """All settings of a station at a moment; the newest row holds, none is ever changed."""

    __tablename__ = "station_setting"
    id: Mapped[int] = mapped_column(primary_key=True)
    station_id: Mapped[int] = mapped_column(ForeignKey("station.id"), index=True)
    body: Mapped[str] = mapped_column(Text)
    reason: Mapped[str] = mapped_column(Text)
    entered_by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    entered_at: Mapped[dt.datetime]


class ImportFile(Base):
    """A file brought into the book, whole; the same bytes are one file."""

    __tablename__ = "import_file"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str]
    sha256: Mapped[str] = mapped_column(String(64), unique=True)
    kind: Mapped[str] = mapped_column(String(10))
    size: Mapped[int] = mapped_column("bytes")
    content: Mapped[bytes] = mapped_column(LargeBinary, deferred=True)
    imported_by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    imported_at: Mapped[dt.datetime]
    way: Mapped[str] = mapped_column(String(10))
    __table_args__ = (
        CheckConstraint("kind IN ('program','dxf','plates','use')", name="kind"),
        CheckConstraint("way IN ('upload','watch','command')", name="way"),
    )


class Program(Base):
    """What runs on one plate: a cut program, a drawing, or a line of a list of plates."""

    __tablename__ = "program"
    id: Mapped[int] = mapped_column(primary_key=True)
    file_id: Mapped[int] = mapped_column(ForeignKey("import_file.id"))
    ordinal: Mapped[int]
    name: Mapped[str]
    options: Mapped[str] = mapped_column(Text)
    withdrawn_at: Mapped[dt.datetime | None]
    withdrawn_by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    __table_args__ = (UniqueConstraint("file_id", "ordinal", name="uq_program_file_id_ordinal"),)


class ProgramCountRow(Base):
    """A program counted under one way of reading it: kept for speed, counted again at will."""

    __tablename__ = "program_count"
    program_id: Mapped[int] = mapped_column(ForeignKey("program.id"), primary_key=True)
    settings_sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    reader_version: Mapped[str] = mapped_column(String(20))
    starts: Mapped[int]
    cut_length_mm: Mapped[float] = mapped_column(Float)
    arc_minutes: Mapped[float] = mapped_column(Float)
    pierce_minutes: Mapped[float] = mapped_column(Float)
    rapid_length_mm: Mapped[float] = mapped_column(Float)
    rapid_minutes: Mapped[float] = mapped_column(Float)
    cuts: Mapped[str] = mapped_column(Text, deferred=True)
    warnings: Mapped[str] = mapped_column(Text)


class UseReport(Base):
    """A torch's counters at a moment, as a use file tells them."""

    __tablename__ = "use_report"
    id: Mapped[int] = mapped_column(primary_key=True)
    torch_id: Mapped[int] = mapped_column(ForeignKey("torch.id"))
    at: Mapped[dt.datetime]
    starts: Mapped[int]
    arc_minutes: Mapped[float] = mapped_column(Float)
    file_id: Mapped[int] = mapped_column(ForeignKey("import_file.id"), index=True)
    line: Mapped[int]
    __table_args__ = (
        UniqueConstraint("torch_id", "at", "starts", "arc_minutes", name="uq_use_report_reading"),
    )


class WearFit(Base):
    """A fit of the wear of one quantity over all its readings."""

    __tablename__ = "wear_fit"
    id: Mapped[int] = mapped_column(primary_key=True)
    quantity: Mapped[str] = mapped_column(String(40), index=True)
    fitted_at: Mapped[dt.datetime]
    fitted_by: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    readings: Mapped[int]
    electrodes: Mapped[int]
    body: Mapped[str] = mapped_column(Text)
    sha256: Mapped[str] = mapped_column(String(64))


class Forecast(Base):
    """A forecast as it was made, scored when the reading comes."""

    __tablename__ = "forecast"
    id: Mapped[int] = mapped_column(primary_key=True)
    part_item_id: Mapped[int] = mapped_column(ForeignKey("part_item.id"), index=True)
    torch_id: Mapped[int] = mapped_column(ForeignKey("torch.id"))
    process_id: Mapped[int] = mapped_column(ForeignKey("process.id"))
    inspection_id: Mapped[int | None] = mapped_column(ForeignKey("inspection.id"), index=True)
    fit_id: Mapped[int | None] = mapped_column(ForeignKey("wear_fit.id"), index=True)
    quantity: Mapped[str] = mapped_column(String(40))
    made_at: Mapped[dt.datetime]
    starts: Mapped[int]
    arc_minutes: Mapped[float] = mapped_column(Float)
    body: Mapped[str] = mapped_column(Text)
    scored_at: Mapped[dt.datetime | None]
    scored_inspection_id: Mapped[int | None] = mapped_column(
        ForeignKey("inspection.id"), index=True
    )
    reading_mm: Mapped[float | None] = mapped_column(Float)
    reading_u_mm: Mapped[float | None] = mapped_column(Float)
    pit: Mapped[float | None] = mapped_column(Float)
    p05_mm: Mapped[float | None] = mapped_column(Float)
    median_mm: Mapped[float | None] = mapped_column(Float)
    p95_mm: Mapped[float | None] = mapped_column(Float)
    crps_mm: Mapped[float | None] = mapped_column(Float)
    void: Mapped[bool] = mapped_column(Boolean, default=False)
    __table_args__ = (
        # The probability integral transform: where in the forecast the reading fell.
        CheckConstraint("pit IS NULL OR (pit >= 0 AND pit <= 1)", name="pit"),
        Index("ix_forecast_torch_made", "torch_id", "made_at"),
    )
