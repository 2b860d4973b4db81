"""Revision 0003: cases, facts, learning and ranges, on both databases."""

from __future__ import annotations

from pathlib import Path

import pytest
from alembic import command
from sqlalchemy import inspect, select, text
from sqlalchemy.exc import DBAPIError, IntegrityError

from book_fixture import KINDS, empty_url
from kit import Floor
from pitwise.records import schema
from pitwise.records.all_tables import ALL_TABLES
from pitwise.records.case_tables import (
    APPEND_ONLY,
    CaseCause,
    CaseFact,
    CauseCase,
    LearningEvent,
    ReadingRange,
)
from pitwise.records.database import Database
from pitwise.records.rows import kept_tables
from pitwise.records.tables import Station

NEW = {"cause_case", "case_fact", "case_cause", "learning_event", "reading_range"}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("older", ["0001", "0002"])
def test_an_older_book_is_brought_up_to_this_revision(
    kind: str, older: str, tmp_path: Path
) -> None:
    with empty_url(kind, tmp_path) as url:
        database = Database(url)
        try:
            writer = database.engine.execution_options(pitwise_write=True)
            with writer.begin() as connection:
                command.upgrade(schema._config(connection), older)
            with database.write() as session:
                session.add(Station(name="Old table"))
            assert not set(inspect(database.engine).get_table_names()) & NEW
            schema.upgrade(database)
            assert schema.drift(database) == []
            with database.read() as session:
                assert session.scalar(select(Station.name)) == "Old table"
        finally:
            database.close()


def test_all_of_it_is_carried_by_an_export() -> None:
    names = [t.name for t in kept_tables()]
    assert set(names) >= NEW
    assert names.index("cause_case") < names.index("case_fact")
    assert set(APPEND_ONLY) <= set(ALL_TABLES.tables)


def a_case(floor: Floor, **more: object) -> CauseCase:
    given: dict[str, object] = {
        "open_key": floor.key(),
        "torch_id": floor.torch,
        "process_id": 1,
        "state": "open",
        "opened_by": floor.tech.person_id,
        "opened_at": floor.clock(),
    }
    return CauseCase(**(given | more))


def a_fact(floor: Floor, case_id: int, **more: object) -> CaseFact:
    given: dict[str, object] = {
        "case_id": case_id,
        "key": floor.key(),
        "revision": 1,
        "kind": "finding",
        "subject": "W_flow",
        "state": "seen",
        "by": floor.tech.person_id,
        "at": floor.clock(),
    }
    return CaseFact(**(given | more))


def filled(floor: Floor) -> int:
    with floor.shop.database.write() as session:
        case = a_case(floor)
        session.add(case)
        session.flush()
        session.add(a_fact(floor, case.id))
        session.add(
            LearningEvent(
                action="freeze", reason="enough", by=floor.lead.person_id, at=floor.clock()
            )
        )
        session.add(
            ReadingRange(
                station_id=1,
                reading="coolant_flow",
                low="3",
                unit="l/min",
                reason="of the manual",
                by=floor.lead.person_id,
                at=floor.clock(),
            )
        )
        return case.id


@pytest.mark.parametrize("table", APPEND_ONLY)
@pytest.mark.parametrize("statement", ["UPDATE {} SET at = at", "DELETE FROM {}"])
def test_facts_events_and_ranges_are_append_only(floor: Floor, table: str, statement: str) -> None:
    filled(floor)
    with (
        pytest.raises(DBAPIError, match="never changed"),
        floor.shop.database.write() as session,
    ):
        session.execute(text(statement.format(table)))


def test_the_tables_themselves_refuse_twins_and_half_closed_cases(floor: Floor) -> None:
    case_id = filled(floor)
    with floor.shop.database.read() as session:
        fact = session.scalars(select(CaseFact)).one()
    twins: list[tuple[object, ...]] = [
        (a_case(floor),),
        (a_case(floor, torch_id=floor.other, state="closed"),),
        (a_case(floor, torch_id=floor.other, state="lost"),),
        (a_case(floor, torch_id=floor.other, certainty="sure"),),
        (a_fact(floor, case_id, key=fact.key),),
        (a_fact(floor, case_id, kind="guess"),),
        (a_fact(floor, case_id, state="perhaps"),),
        (a_fact(floor, case_id, kind="undo"),),
        (a_fact(floor, case_id, undoes=fact.id),),
        tuple(a_fact(floor, case_id, kind="undo", undoes=fact.id) for _ in range(2)),
        (CaseCause(case_id=case_id, cause="age", certainty="perhaps"),),
        (CaseCause(case_id=case_id + 100, cause="age", certainty="verified"),),
        (LearningEvent(action="forget", reason="x", by=floor.lead.person_id, at=floor.clock()),),
    ]
    for rows in twins:
        with pytest.raises(IntegrityError), floor.shop.database.write() as session:
            session.add_all(rows)
            session.flush()
