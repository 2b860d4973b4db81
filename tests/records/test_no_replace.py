"""SQLite's REPLACE drops a row without asking the triggers on DELETE: it is refused by itself."""

from __future__ import annotations

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from case_kit import close, find, opened
from kit import Floor
from pitwise.services import case_recording, ranges
from pitwise.services.book_verify import verify_book
from pitwise.services.learning import freeze_learning


@pytest.fixture
def full(lite: Floor) -> Floor:
    """Fill every table whose rows never change, but for imported files."""
    lite.inspect(seen=(("electrode", "heat-blued"),))
    case = opened(lite)
    find(lite, case, "W_flow", "seen")
    case_recording.undo(lite.shop, lite.tech, case, key=lite.key())
    find(lite, case, "W_level", "seen")
    ranges.set_range(lite.shop, lite.lead, 1, "coolant_flow", low="3", unit="l/min", reason="own")
    close(lite, case, "cool_low")
    freeze_learning(lite.shop, lite.lead, reason="as it stands")
    return lite


@pytest.mark.parametrize(
    "table",
    [
        "audit",
        "used_sheet",
        "case_fact",
        "learning_event",
        "reading_range",
        "inspection",
        "look",
        "mark",
        "pit_reading",
        "decision",
    ],
)
def test_no_row_that_never_changes_is_replaced(full: Floor, table: str) -> None:
    with full.shop.database.read() as session:
        before = session.execute(text(f"SELECT * FROM {table}")).all()
    assert before
    with pytest.raises(DBAPIError, match="never changed"), full.shop.database.write() as session:
        session.execute(text(f"REPLACE INTO {table} SELECT * FROM {table} LIMIT 1"))
    with full.shop.database.read() as session:
        assert session.execute(text(f"SELECT * FROM {table}")).all() == before
    assert verify_book(full.shop, full.lead).faults == ()


def test_a_fact_is_not_replaced_by_its_key_either(full: Floor) -> None:
    statement = (
        "REPLACE INTO case_fact (case_id, key, revision, kind, subject, text, done_by, by, at) "
        "SELECT case_id, key, revision, kind, subject, 'other', done_by, by, at FROM case_fact "
        "WHERE kind <> 'undo'"
    )
    with pytest.raises(DBAPIError, match="never changed"), full.shop.database.write() as session:
        session.execute(text(statement))


def test_a_book_without_that_guard_is_told_of(full: Floor) -> None:
    with full.shop.database.write() as session:
        session.execute(text("DROP TRIGGER case_fact_no_replace"))
    assert "case_fact_no_replace" in str(verify_book(full.shop, full.lead).faults)
