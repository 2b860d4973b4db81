"""All of the book's tables: whoever asks here knows every one."""

from __future__ import annotations

from sqlalchemy import MetaData

from pitwise.records import case_tables, photo_tables, shelf_tables, wear_tables
from pitwise.records.tables import Base

__all__ = ["ALL_TABLES", "case_tables", "photo_tables", "shelf_tables", "wear_tables"]

ALL_TABLES: MetaData = Base.metadata
