"""The book's tables: migrated as the code says, and guarded by triggers, on both databases."""

from __future__ import annotations

import datetime as dt
import threading
from pathlib import Path

import pytest
from sqlalchemy import select, text
from sqlalchemy.exc import DBAPIError, StatementError

from kit import Floor
from pitwise.records import audit, schema
from pitwise.records.database import Database, default_url
from pitwise.records.faults import BookError
from pitwise.records.tables import AuditRow, Station


def test_migrations_make_exactly_the_tables_of_the_code(floor: Floor) -> None:
    assert schema.drift(floor.shop.database) == []
    assert schema.revision(floor.shop.database) == schema.newest_revision()
    schema.upgrade(floor.shop.database)


def test_a_book_from_a_newer_pitwise_is_refused(floor: Floor) -> None:
    with floor.shop.database.write() as session:
        session.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(BookError, match="newer Pitwise"):
        schema.upgrade(floor.shop.database)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE audit SET actor = 'x' WHERE seq = 1",
        "DELETE FROM audit WHERE seq = 1",
        "UPDATE inspection SET note = 'x' WHERE state = 'signed'",
        "DELETE FROM inspection WHERE state = 'signed'",
        "UPDATE mark SET state = 'absent'",
        "DELETE FROM mark",
        "UPDATE look SET looked = (1 = 0)",
        "DELETE FROM pit_reading",
        "UPDATE decision SET action = 'keep'",
        "DELETE FROM decision",
        "UPDATE used_sheet SET content = 'x'",
        "DELETE FROM used_sheet",
    ],
)
def test_triggers_refuse_to_change_what_is_signed(floor: Floor, statement: str) -> None:
    floor.inspect(seen=(("nozzle", "scale"),))
    with (
        pytest.raises(DBAPIError, match="never changed|append-only"),
        floor.shop.database.write() as session,
    ):
        session.execute(text(statement))


def test_a_unit_of_work_leaves_no_trace_when_it_fails(floor: Floor) -> None:
    with pytest.raises(RuntimeError), floor.shop.database.write() as session:
        session.add(Station(name="half written"))
        session.flush()
        raise RuntimeError
    with floor.shop.database.read() as session:
        assert session.scalar(select(Station).where(Station.name == "half written")) is None


def test_writers_take_turns_and_the_trail_stays_one_chain(floor: Floor) -> None:
    def write(number: int) -> None:
        for step in range(5):
            with floor.shop.database.write() as session:
                audit.append(
                    session,
                    at=dt.datetime.now(dt.UTC),
                    person_id=None,
                    actor="t",
                    action="test",
                    subject=f"{number}-{step}",
                    detail={},
                )

    threads = [threading.Thread(target=write, args=(n,)) for n in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with floor.shop.database.read() as session:
        rows = session.scalars(select(AuditRow).order_by(AuditRow.seq)).all()
    assert audit.chain_faults(rows) == []
    assert sum(r.action == "test" for r in rows) == 30


def test_a_naive_moment_is_refused(floor: Floor) -> None:
    with pytest.raises(StatementError, match="naive"), floor.shop.database.write() as session:
        session.execute(select(AuditRow).where(text("1=1")).limit(1))
        from pitwise.records.tables import FailedSignIn

        session.add(FailedSignIn(login="x", address="y", at=dt.datetime(2031, 1, 1)))
        session.flush()


def test_addresses(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv("PITWISE_DATABASE_URL", raising=False)
    monkeypatch.setenv("PITWISE_HOME", str(tmp_path))
    assert default_url() == f"sqlite:///{tmp_path}/book.db"
    monkeypatch.setenv("PITWISE_DATABASE_URL", "postgresql://h/x")
    assert default_url() == "postgresql://h/x"
    with pytest.raises(BookError, match="not supported"):
        Database("mysql://h/x")
    with pytest.raises(BookError, match="needs a file"):
        Database("sqlite://")


def test_settings_of_sqlite(lite: Floor) -> None:
    with lite.shop.database.engine.connect() as connection:

        def pragma(name: str) -> object:
            return connection.exec_driver_sql(f"PRAGMA {name}").scalar()

        assert pragma("journal_mode") == "wal"
        assert pragma("synchronous") == 2
        assert pragma("foreign_keys") == 1
