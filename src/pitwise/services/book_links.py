"""Check what no single row shows: references, corrections, fittings, guards, the file."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import ForeignKeyConstraint, Table, func, select, text
from sqlalchemy.orm import Session, aliased

from pitwise.records.case_tables import APPEND_ONLY as CASE_FACTS
from pitwise.records.photo_tables import APPEND_ONLY as PHOTO_FACTS
from pitwise.records.rows import INSPECTION, SIGNED_WITH_INSPECTION, key_of
from pitwise.records.shelf_tables import APPEND_ONLY as SHELF_FACTS
from pitwise.records.tables import Base, Fitting, InspectionRow, PartItem, Torch
from pitwise.services.book_common import Progress
from pitwise.services.book_faults import Fault

_FROM_OUTSIDE = (
    "something other than Pitwise wrote this: put the file aside, and restore the newest "
    "backup that verifies"
)
_MEND_FITTING = (
    "take the part out and fit what really is in the torch; if it shows again, restore the "
    "newest backup that verifies"
)
# What counts, forecasts, cases, measures and the shelf stand on; see migrations 0002 to 0005.
_APPEND_ONLY = ("station_setting", "import_file", *CASE_FACTS, *PHOTO_FACTS, *SHELF_FACTS)
_UNGUARDED = (
    "export the book and restore it into a new one, which has all guards; find out who took "
    "this one away"
)


def file_faults(session: Session, tell: Progress) -> list[Fault]:
    """Check the pages, indexes and constraints of a SQLite file; PostgreSQL keeps its own."""
    if session.get_bind().dialect.name != "sqlite":
        return []
    tell("database file", 0, 1)
    words = [str(r[0]) for r in session.execute(text("PRAGMA integrity_check(100)"))]
    tell("database file", 1, 1)
    mend = "restore the newest backup that verifies, and check the disk"
    return [Fault("(file)", "integrity_check", w, mend) for w in words if w != "ok"]


def _guards(dialect: str) -> dict[str, str]:
    """Return the triggers a book must have, and the table each is on."""
    if dialect == "sqlite":
        names = {}
        for verb in ("update", "delete", "replace"):
            names[f"audit_no_{verb}"] = "audit"
            names[f"used_sheet_no_{verb}"] = "used_sheet"
            names |= {f"{t}_no_{verb}": t for t in _APPEND_ONLY}
            names[f"inspection_signed_no_{verb}"] = "inspection"
            names |= {f"{t}_signed_no_{verb}": t for t in SIGNED_WITH_INSPECTION}
        return names
    return {
        "audit_never": "audit",
        "used_sheet_never": "used_sheet",
        **{f"{t}_never": t for t in _APPEND_ONLY},
        "inspection_signed_never": "inspection",
        **{f"{t}_signed": t for t in SIGNED_WITH_INSPECTION},
    }


def guard_faults(session: Session) -> list[Fault]:
    """Name the triggers that are gone or switched off: without them rows can be changed."""
    dialect = session.get_bind().dialect.name
    if dialect == "sqlite":
        query = "SELECT name, tbl_name FROM sqlite_master WHERE type = 'trigger'"
    else:
        query = (
            "SELECT t.tgname, c.relname FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid "
            "WHERE NOT t.tgisinternal AND t.tgenabled IN ('O', 'A') "
            "AND c.relnamespace = current_schema()::regnamespace"
        )
    there = {str(r[0]): str(r[1]) for r in session.execute(text(query))}
    return [
        Fault(table, f"trigger {name}", "the trigger that guards this table is gone", _UNGUARDED)
        for name, table in sorted(_guards(dialect).items())
        if there.get(name) != table
    ]


def link_faults(session: Session, tell: Progress) -> list[Fault]:
    """Check references between tables, chains of corrections, and what is fitted."""
    tables = [t for t in Base.metadata.sorted_tables if t.foreign_keys]
    faults = []
    for number, table in enumerate(tables, start=1):
        for key in table.foreign_key_constraints:
            faults += list(_dangling(session, table, key))
        tell("references", number, len(tables))
    faults += _corrections(session)
    faults += _fittings(session)
    return faults


def _dangling(session: Session, table: Table, key: ForeignKeyConstraint) -> Iterator[Fault]:
    """Find references to nothing. Asked for in SQL: PRAGMA foreign_key_check is SQLite's only."""
    parent = key.referred_table.alias()
    element = key.elements[0]
    own, target = element.parent, parent.c[element.column.name]
    there = select(target).where(target == own).exists()
    columns = list(table.primary_key.columns)
    if own not in columns:
        columns.append(own)
    query = select(*columns).where(own.is_not(None), ~there).execution_options(yield_per=500)
    for values in session.execute(query):
        row = dict(zip((c.name for c in columns), values, strict=True))
        yield Fault(
            table.name,
            key_of(table, row),
            f"'{own.name}' names {key.referred_table.name} {row[own.name]}, which is not there",
            _FROM_OUTSIDE,
        )


def _corrections(session: Session) -> Iterator[Fault]:
    old = aliased(InspectionRow)
    query = (
        select(InspectionRow.id, InspectionRow.supersedes)
        .join(old, old.id == InspectionRow.supersedes)
        .where(old.state != "signed")
    )
    for ident, of in session.execute(query):
        problem = f"corrects inspection {of}, which is not signed"
        yield Fault("inspection", f"id {ident}", problem, _FROM_OUTSIDE)
    own = INSPECTION.c
    twice = (
        select(own.supersedes)
        .where(own.state == "signed", own.supersedes.is_not(None))
        .group_by(own.supersedes)
        .having(func.count() > 1)
    )
    for of in session.scalars(twice).all():
        later = session.scalars(
            select(own.id).where(own.supersedes == of, own.state == "signed").order_by(own.id)
        ).all()
        problem = f"inspection {of} is corrected by {' and '.join(map(str, later))}: one at most"
        for ident in later[1:]:
            yield Fault("inspection", f"id {ident}", problem, _FROM_OUTSIDE)


def _fittings(session: Session) -> Iterator[Fault]:
    is_open = (Fitting.removed_at.is_(None), Fitting.void.is_(False))
    places = (
        select(Fitting.torch_id, Fitting.part)
        .where(*is_open)
        .group_by(Fitting.torch_id, Fitting.part)
        .having(func.count() > 1)
    )
    for torch_id, part in session.execute(places).all():
        ids = session.scalars(
            select(Fitting.id)
            .where(*is_open, Fitting.torch_id == torch_id, Fitting.part == part)
            .order_by(Fitting.id)
        ).all()
        name = session.scalar(select(Torch.name).where(Torch.id == torch_id))
        for ident in ids[1:]:
            problem = f"torch '{name}' has more than one {part} fitted (also fitting {ids[0]})"
            yield Fault("fitting", f"id {ident}", problem, _MEND_FITTING)
    twice = (
        select(Fitting.part_item_id)
        .where(*is_open)
        .group_by(Fitting.part_item_id)
        .having(func.count() > 1)
    )
    for item_id in session.scalars(twice).all():
        ids = session.scalars(
            select(Fitting.id).where(*is_open, Fitting.part_item_id == item_id).order_by(Fitting.id)
        ).all()
        tag = session.scalar(select(PartItem.tag).where(PartItem.id == item_id))
        for ident in ids[1:]:
            problem = f"part '{tag}' is in two places at once (also fitting {ids[0]})"
            yield Fault("fitting", f"id {ident}", problem, _MEND_FITTING)
