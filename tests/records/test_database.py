"""The book's tables: migrated as the code says, and guarded by triggers, on both databases."""

from __future__ import annotations

import datetime as dt
import os
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import select, text
from sqlalchemy.exc import DBAPIError, StatementError

from kit import Floor
from pitwise.records import audit, database, schema
from pitwise.records.database import Database, default_url
from pitwise.records.faults import BookBusyError, BookError
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


def test_a_writer_waits_for_its_turn_only_so_long(
    floor: Floor, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(database, "BUSY_SECONDS", 0.2)
    inside, done = threading.Event(), threading.Event()

    def hold() -> None:
        with floor.shop.database.write():
            inside.set()
            done.wait(20)

    holder = threading.Thread(target=hold)
    holder.start()
    try:
        assert inside.wait(10)
        with (
            pytest.raises(BookBusyError, match="busy with another writer"),
            floor.shop.database.write(),
        ):
            pass
    finally:
        done.set()
        holder.join()
    with floor.shop.database.write() as session:
        session.add(Station(name="later"))


def test_a_process_waits_for_another_only_so_long(
    floor: Floor, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(database, "BUSY_SECONDS", 0.2)
    other = Database(floor.shop.database.url.render_as_string(hide_password=False))
    try:
        with floor.shop.database.write() as session:
            session.execute(select(Station))
            with (
                pytest.raises(BookBusyError, match="busy with another writer"),
                other.write() as second,
            ):
                second.execute(select(Station))
    finally:
        other.close()


def test_a_server_that_does_not_answer_is_told_in_a_sentence() -> None:
    # Port 1 is nobody's: the connection is refused at once.
    book = Database("postgresql://x@127.0.0.1:1/x")
    try:
        for use in (book.read, book.write, book.migrating):
            with pytest.raises(BookError, match="did not do it .*refused"), use():
                pass
    finally:
        book.close()


@contextmanager
def kept_out(place: Path) -> Iterator[None]:
    """Be somebody who may read but not write in a folder, also when root runs the tests."""
    place.chmod(0o755)
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    else:
        place.chmod(0o555)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)
        place.chmod(0o755)


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="needs POSIX permissions")
@pytest.mark.parametrize("journal", ["delete", "wal"])
def test_a_book_that_may_not_be_written_is_told_in_a_sentence(journal: str) -> None:
    # Not the test's own folder: that one nobody else may enter.
    with tempfile.TemporaryDirectory() as made:
        place = Path(made)
        file = place / "book.db"
        book = Database(f"sqlite:///{file}")
        schema.upgrade(book)
        with book.engine.connect() as connection:
            connection.exec_driver_sql("COMMIT")
            connection.exec_driver_sql(f"PRAGMA journal_mode={journal}")
            connection.exec_driver_sql("BEGIN")
        book.close()
        file.chmod(0o444)
        with kept_out(place):
            again = Database(f"sqlite:///{file}")
            with pytest.raises(BookError, match="can't be written"):
                schema.upgrade(again)
            again.close()
            for new in (place / "new.db", place / "sub" / "new.db"):
                with pytest.raises(BookError, match="can't be made at"):
                    Database(f"sqlite:///{new}")
