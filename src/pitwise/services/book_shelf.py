"""Check the shelf: every line against the audit trail, and every figure reckoned again."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from sqlalchemy import Table, or_, select
from sqlalchemy.orm import Session

from pitwise.records.all_tables import ALL_TABLES
from pitwise.records.rows import Row, read_rows
from pitwise.records.shelf_tables import (
    BaseLoad,
    ItemTerms,
    KitLine,
    Movement,
    ShelfItem,
    ShelfOrderLine,
    StockRule,
)
from pitwise.records.tables import AuditRow, Fitting, PartItem
from pitwise.services.book_common import Progress
from pitwise.services.book_faults import MEND_CHANGED, Fault
from pitwise.services.shelf_trail import (
    ITEM,
    KIT,
    MOVEMENT,
    ORDER,
    ORDER_LINE,
    SUPPLIER,
    digest,
    whole,
)

_LOAD = BaseLoad.__tablename__
# Every row of these is told of in the trail; loads are where whoever set them left the hash.
_TOLD = (Movement.__tablename__, ItemTerms.__tablename__, StockRule.__tablename__)
# Whose newest state is told of: the key of the trail's detail, the table, its lines' and how.
_STATES: tuple[tuple[str, Table, Table | None, str], ...] = (
    ("item", ITEM, KIT, "kit_id"),
    ("supplier", SUPPLIER, None, ""),
    ("order", ORDER, ORDER_LINE, "order_id"),
)
_WRONG = "has been changed: it does not hash to the trail's"
_UNTOLD = "was put in: the audit trail does not tell of it"
_GONE = "is in the audit trail, but gone from the book"


def shelf_faults(session: Session, tell: Progress) -> list[Fault]:
    """Check the shelf's rows against the trail, and that the ledger adds up."""
    rows, states = _trail(session)
    faults: list[Fault] = []
    steps = len(rows) + len(_STATES) + 1
    for number, (name, told) in enumerate(rows.items(), start=1):
        faults += _lines(session, name, told)
        tell("shelf", number, steps)
    for number, state in enumerate(_STATES, start=len(rows) + 1):
        faults += _states(session, states[state[0]], *state[1:])
        tell("shelf", number, steps)
    faults += _ledger(session)
    tell("shelf", steps, steps)
    return faults


def _trail(session: Session) -> tuple[dict[str, dict[int, str]], dict[str, dict[int, str]]]:
    """Return the hashes the trail keeps: of rows by table, and the newest of each state."""
    rows: dict[str, dict[int, str]] = {name: {} for name in (*_TOLD, _LOAD)}
    states: dict[str, dict[int, str]] = {key: {} for key, *_ in _STATES}
    query = (
        select(AuditRow.detail)
        .where(
            or_(
                AuditRow.action.startswith("shelf-"),
                AuditRow.detail.contains(f'"table":"{_LOAD}"', autoescape=True),
            )
        )
        .order_by(AuditRow.seq)
    )
    for text in session.scalars(query):
        try:
            detail: Any = json.loads(text)
        except (ValueError, RecursionError):
            # The chain of the trail names the row that was changed.
            continue
        if not isinstance(detail, dict) or "sha256" not in detail:
            continue
        table, row = detail.get("table"), detail.get("row")
        if table in rows and isinstance(row, int):
            rows[table][row] = str(detail["sha256"])
        for key, kept in states.items():
            if isinstance(detail.get(key), int):
                kept[detail[key]] = str(detail["sha256"])
    return rows, states


def _hash(row: Row, lines: list[Row] | None = None) -> str | None:
    """Return a row's digest, with its lines'; None where a cell is no number any record holds."""
    try:
        return digest(row) if lines is None else whole(row, lines)
    except ValueError:
        return None


def _lines(session: Session, name: str, told: dict[int, str]) -> Iterator[Fault]:
    there = set()
    for row in read_rows(session, ALL_TABLES.tables[name]):
        there.add(row["id"])
        if row["id"] not in told:
            if name != _LOAD:
                yield Fault(name, f"id {row['id']}", _UNTOLD)
        elif _hash(row) != told[row["id"]]:
            yield Fault(name, f"id {row['id']}", _WRONG)
    for ident in sorted(set(told) - there):
        yield Fault(name, f"id {ident}", _GONE)


def _states(
    session: Session, told: dict[int, str], table: Table, of: Table | None, key: str
) -> Iterator[Fault]:
    lines: dict[int, list[Row]] = {}
    for row in read_rows(session, of) if of is not None else ():
        lines.setdefault(row[key], []).append(row)
    there = set()
    for row in read_rows(session, table):
        ident = row["id"]
        there.add(ident)
        if ident not in told:
            yield Fault(table.name, f"id {ident}", _UNTOLD)
        elif _hash(row, lines.get(ident, [])) != told[ident]:
            yield Fault(table.name, f"id {ident}", _WRONG)
    for ident in sorted(set(told) - there):
        yield Fault(table.name, f"id {ident}", _GONE)


def _fault(row: Row, problem: str) -> Fault:
    return Fault("movement", f"id {row['id']}", problem, MEND_CHANGED)


def _ledger(session: Session) -> Iterator[Fault]:
    """Reckon every line again, in the order it was written."""
    balance: dict[int, int] = {}
    seen: dict[int, Row] = {}
    undone: set[int] = set()
    groups: dict[int, dict[int, int]] = {}
    for row in read_rows(session, MOVEMENT):
        if not all(isinstance(row[c], int) for c in ("item_id", "pieces")):
            yield _fault(row, "has a figure that is no number")
            continue
        seen[row["id"]] = row
        after = balance.get(row["item_id"], 0) + row["pieces"]
        balance[row["item_id"]] = after
        below = row["pieces"] < 0 and after < 0
        if below != row["below_zero"]:
            said = "does not say" if below else "says"
            yield _fault(row, f"{said} that the figure fell below zero; it is {after} after it")
        if row["counted"] is not None and after != row["counted"]:
            yield _fault(row, f"{row['counted']} were counted, and the figure after it is {after}")
        if row["kind"] == "undone":
            yield from _pair(row, seen.get(row["reverses"]), undone)
            undone.add(row["reverses"])
        head = str(row["key"]).split("/")
        if head[0] == "of" and len(head) == 3 and head[1].isascii() and head[1].isdigit():
            groups.setdefault(int(head[1]), {})[row["item_id"]] = row["pieces"]
    yield from _kits(session, seen, groups)
    yield from _fitted(session, seen, undone)
    yield from _received(session, seen)


def _pair(row: Row, was: Row | None, undone: set[int]) -> Iterator[Fault]:
    """Check that an undone line and the one that undid it cancel."""
    if was is None:
        yield _fault(row, f"undoes line {row['reverses']}, which is not there before it")
        return
    if was["kind"] == "undone" or was["id"] in undone:
        yield _fault(row, f"undoes line {was['id']}, which can't be undone again")
    off = [
        name
        for name in ("item_id", "part_item_id", "inspection_id", "order_line_id", "lot")
        if row[name] != was[name]
    ]
    if row["pieces"] != -was["pieces"]:
        off.insert(0, "pieces")
    if off:
        named = ", ".join(f"'{n}'" for n in off)
        yield _fault(row, f"undoes line {was['id']}, but they do not cancel: {named}")


def _kits(
    session: Session, seen: dict[int, Row], groups: dict[int, dict[int, int]]
) -> Iterator[Fault]:
    """Check that kits that were opened or packed moved all they hold, and no more."""
    holds: dict[int, dict[int, int]] = {}
    for line in session.scalars(select(KitLine)):
        holds.setdefault(line.kit_id, {})[line.item_id] = line.pieces
    for row in seen.values():
        if not str(row["kind"]).startswith("kit-") or str(row["key"]).startswith("of/"):
            continue
        wanted = {i: -row["pieces"] * n for i, n in holds.get(row["item_id"], {}).items()}
        if groups.get(row["id"], {}) != wanted:
            yield _fault(row, "did not move just what the kit holds")
    for head in groups:
        if not str(seen.get(head, {}).get("kind")).startswith("kit-"):
            yield Fault("movement", f"key of/{head}/…", f"belongs to line {head}, no kit's")


def _fitted(session: Session, seen: dict[int, Row], undone: set[int]) -> Iterator[Fault]:
    """Check that what was fitted off the shelf is what went into a torch, once."""
    kinds = {i.id: i.part_type_id for i in session.scalars(select(ShelfItem))}
    rows = session.execute(select(PartItem.id, PartItem.part_type_id))
    parts = {row.id: row.part_type_id for row in rows}
    fittings: dict[tuple[int, int | None], bool] = {}
    for part, by, void in session.execute(
        select(Fitting.part_item_id, Fitting.fitted_by_inspection, Fitting.void)
    ):
        # A part is new only once: one fitting by that inspection, or by hand at first.
        fittings[part, by] = fittings.get((part, by), True) and bool(void)
    for row in seen.values():
        if row["kind"] != "fitted":
            continue
        place = (row["part_item_id"], row["inspection_id"])
        if row["pieces"] != -1:
            yield _fault(row, f"moved {row['pieces']} pieces for one part")
        if parts.get(row["part_item_id"]) != kinds.get(row["item_id"]):
            yield _fault(row, "is of another kind of part than went into the torch")
        elif place not in fittings:
            yield _fault(row, "tells of a part that did not go into a torch then")
        elif row["inspection_id"] is not None and fittings[place] and row["id"] not in undone:
            yield _fault(row, "stands, but the inspection that took it was corrected")
        elif row["inspection_id"] is not None and not fittings[place] and row["id"] in undone:
            yield _fault(row, "was taken back, but the inspection that took it stands")


def _received(session: Session, seen: dict[int, Row]) -> Iterator[Fault]:
    rows = session.execute(select(ShelfOrderLine.id, ShelfOrderLine.item_id))
    lines = {row.id: row.item_id for row in rows}
    for row in seen.values():
        line = row["order_line_id"]
        if line is not None and line in lines and lines[line] != row["item_id"]:
            yield _fault(row, f"came of order line {line}, which is of another item")
