"""Bring a book's tables up to date, by Alembic."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection

from pitwise.records.all_tables import ALL_TABLES
from pitwise.records.database import Database
from pitwise.records.faults import BookError


def _config(connection: Connection | None = None) -> Config:
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    if connection is not None:
        config.attributes["connection"] = connection
    return config


def newest_revision() -> str:
    """Return the revision this version of Pitwise works with."""
    head = ScriptDirectory.from_config(_config()).get_current_head()
    if head is None:
        raise BookError("this installation has no migrations: install Pitwise again")
    return head


def revision(database: Database) -> str | None:
    """Return the book's revision, None for a new book."""
    with database.engine.connect() as connection:
        return MigrationContext.configure(connection).get_current_revision()


def upgrade(database: Database) -> None:
    """Migrate the book to the newest revision in one transaction; refuse a newer book."""
    known = {script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions()}
    with database.migrating() as connection:
        now = MigrationContext.configure(connection).get_current_revision()
        if now is not None and now not in known:
            raise BookError(
                f"this book was written by a newer Pitwise (revision {now}): "
                "install that version or a later one"
            )
        if now != newest_revision():
            command.upgrade(_config(connection), "head")


def drift(database: Database) -> list[object]:
    """Return the differences between the book's tables and those in the code."""
    with database.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        return list(compare_metadata(context, ALL_TABLES))
