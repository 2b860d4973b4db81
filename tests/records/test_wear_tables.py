"""Revision 0002: what lies ahead, on both databases; an older book is brought up to it."""

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
from pitwise.records.database import Database
from pitwise.records.rows import batch_of, kept_tables
from pitwise.records.tables import Station
from pitwise.records.wear_tables import Forecast, ImportFile, Program, UseReport
from pitwise.services import imports, station_settings

NEW = {"station_setting", "import_file", "program", "use_report", "wear_fit", "forecast"}
PROGRAM = b"G21\nM3\nG1 X100 F1000\nM5\n"


@pytest.mark.parametrize("kind", KINDS)
def test_a_book_of_the_first_revision_is_brought_up_to_this_one(kind: str, tmp_path: Path) -> None:
    with empty_url(kind, tmp_path) as url:
        database = Database(url)
        try:
            writer = database.engine.execution_options(pitwise_write=True)
            with writer.begin() as connection:
                command.upgrade(schema._config(connection), "0001")
            with database.write() as session:
                session.add(Station(name="Old table"))
            there = set(inspect(database.engine).get_table_names())
            assert not there & NEW
            schema.upgrade(database)
            assert schema.drift(database) == []
            with database.read() as session:
                assert session.scalar(select(Station.name)) == "Old table"
        finally:
            database.close()


def test_all_but_the_counts_are_carried_by_an_export() -> None:
    names = {t.name for t in kept_tables()}
    assert names >= NEW
    assert "program_count" not in names
    assert batch_of(ALL_TABLES.tables["import_file"]) < batch_of(ALL_TABLES.tables["program"])


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE station_setting SET body = '{}'",
        "DELETE FROM station_setting",
        "UPDATE import_file SET name = 'x'",
        "DELETE FROM import_file",
    ],
)
def test_settings_and_imported_files_are_append_only(floor: Floor, statement: str) -> None:
    station_settings.save_settings(floor.shop, floor.lead, 1, {"set_value": "90"}, "asked stores")
    imports.import_file(floor.shop, floor.tech, "a.nc", PROGRAM, way="upload")
    with (
        pytest.raises(DBAPIError, match="never changed"),
        floor.shop.database.write() as session,
    ):
        session.execute(text(statement))


def test_the_tables_themselves_refuse_twins(floor: Floor) -> None:
    done = imports.import_file(floor.shop, floor.tech, "a.nc", PROGRAM, way="upload")

    def file(sha256: str) -> ImportFile:
        return ImportFile(
            name="b",
            sha256=sha256,
            kind="program",
            size=1,
            content=b"x",
            imported_at=floor.clock(),
            way="upload",
        )

    with floor.shop.database.read() as session:
        sha256 = session.get_one(ImportFile, done.file_id).sha256
    report = {"torch_id": 1, "at": floor.clock(), "starts": 1, "arc_minutes": 0.5, "line": 2}
    twins: list[tuple[object, ...]] = [
        (file(sha256),),
        (Program(file_id=done.file_id, ordinal=0, name="x", options="{}"),),
        tuple(UseReport(file_id=done.file_id, **report) for _ in range(2)),
    ]
    for rows in twins:
        with pytest.raises(IntegrityError), floor.shop.database.write() as session:
            session.add_all(rows)
            session.flush()


@pytest.mark.parametrize("pit", [-0.1, 1.1])
def test_where_in_a_forecast_a_reading_fell_is_a_share(floor: Floor, pit: float) -> None:
    with pytest.raises(IntegrityError), floor.shop.database.write() as session:
        session.add(
            Forecast(
                part_item_id=1,
                torch_id=1,
                process_id=1,
                quantity="pit-depth",
                made_at=floor.clock(),
                starts=1,
                arc_minutes=1.0,
                body="{}",
                pit=pit,
            )
        )
        session.flush()
