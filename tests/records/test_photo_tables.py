"""Revision 0004: photos, measures and studies, on both databases."""

from __future__ import annotations

from pathlib import Path

import pytest
from alembic import command
from sqlalchemy import inspect, select, text
from sqlalchemy.exc import DBAPIError, IntegrityError

from book_fixture import A_PIXEL, KINDS, empty_url, fill, open_shop
from kit import Floor
from pitwise.records import schema
from pitwise.records.all_tables import ALL_TABLES
from pitwise.records.database import Database
from pitwise.records.photo_tables import (
    APPEND_ONLY,
    AgreementJudgement,
    AgreementStudyRow,
    GaugeStudyReading,
    GaugeStudyRow,
    HoleMeasure,
    PartFace,
    Photo,
    PhotoBlob,
    PhotoThumb,
    PracticeTry,
)
from pitwise.records.rows import SIGNED_SINCE_PHOTOS, batch_of, kept_tables
from pitwise.records.tables import Station

NEW = {
    "photo_blob",
    "photo",
    "photo_thumb",
    "hole_measure",
    "decision_measure",
    "part_face",
    "gauge_study",
    "gauge_study_reading",
    "agreement_study",
    "agreement_judgement",
    "practice_try",
}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("older", ["0001", "0003"])
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


def test_all_but_small_pictures_is_carried_by_an_export() -> None:
    names = [t.name for t in kept_tables()]
    assert set(names) >= NEW - {"photo_thumb"}
    assert "photo_thumb" not in names
    assert names.index("photo_blob") < names.index("photo")
    assert batch_of(ALL_TABLES.tables["photo_blob"]) < batch_of(ALL_TABLES.tables["photo"])
    assert set(APPEND_ONLY) <= set(ALL_TABLES.tables)


def a_photo(floor: Floor, **more: object) -> Photo:
    given: dict[str, object] = {
        "key": floor.key(),
        "blob_sha256": "a" * 64,
        "upload_sha256": "b" * 64,
        "width": 1,
        "height": 1,
        "bits": 8,
        "part": "nozzle",
        "purpose": "new",
        "taken_by": floor.tech.person_id,
        "at": floor.clock(),
    }
    return Photo(**(given | more))


def a_measure(floor: Floor, **more: object) -> HoleMeasure:
    given: dict[str, object] = {
        "key": floor.key(),
        "part": "nozzle",
        "feature": "orifice",
        "photo_ids": "[1]",
        "body": "{}",
        "engine": "made up",
        "refused": False,
        "by": floor.tech.person_id,
        "at": floor.clock(),
    }
    return HoleMeasure(**(given | more))


def filled(floor: Floor) -> None:
    with floor.shop.database.write() as session:
        session.add(
            PhotoBlob(sha256="a" * 64, media="image/png", size=len(A_PIXEL), content=A_PIXEL)
        )
        session.flush()
        session.add(
            PartFace(
                part_type_id=1,
                rim_mm=20.0,
                reason="of the drawing",
                by=floor.lead.person_id,
                at=floor.clock(),
            )
        )


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE photo_blob SET media = media",
        "DELETE FROM photo_blob",
        "UPDATE part_face SET reason = reason",
        "DELETE FROM part_face",
    ],
)
def test_blobs_and_the_data_of_new_parts_are_append_only(floor: Floor, statement: str) -> None:
    filled(floor)
    with (
        pytest.raises(DBAPIError, match="never changed"),
        floor.shop.database.write() as session,
    ):
        session.execute(text(statement))


@pytest.mark.parametrize("kind", KINDS)
def test_what_was_signed_with_photos_is_never_changed(kind: str, tmp_path: Path) -> None:
    with empty_url(kind, tmp_path) as url, open_shop(url) as shop:
        fill(shop)
        for table in SIGNED_SINCE_PHOTOS:
            statements = [f"UPDATE {table} SET part = part", f"DELETE FROM {table}"]
            if kind == "sqlite":
                statements.append(f"REPLACE INTO {table} SELECT * FROM {table}")
            for statement in statements:
                with (
                    pytest.raises(DBAPIError, match="never changed"),
                    shop.database.write() as session,
                ):
                    session.execute(text(statement))
        if kind == "sqlite":
            for table in ("photo_blob",):
                with (
                    pytest.raises(DBAPIError, match="never changed"),
                    shop.database.write() as session,
                ):
                    session.execute(text(f"REPLACE INTO {table} SELECT * FROM {table}"))


def test_of_a_draft_and_of_a_new_part_measures_can_be_taken_out(floor: Floor) -> None:
    filled(floor)
    number = floor.draft()
    with floor.shop.database.write() as session:
        session.add_all([a_measure(floor, inspection_id=number), a_measure(floor)])
        session.flush()
        session.execute(text("UPDATE hole_measure SET taken_out = (1 = 1)"))


def test_the_tables_themselves_refuse_twins_and_nonsense(floor: Floor) -> None:
    filled(floor)
    now, person = floor.clock(), floor.tech.person_id
    photo = a_photo(floor)
    study = GaugeStudyRow(
        key=floor.key(),
        name="depth gauge",
        unit="mm",
        parts=10,
        trials=3,
        people="[]",
        order_seed=2**40,
        state="open",
        opened_by=person,
        opened_at=now,
    )
    seen = AgreementStudyRow(
        key=floor.key(),
        name="nozzles",
        part="nozzle",
        specimens=12,
        state="open",
        opened_by=person,
        opened_at=now,
    )
    with floor.shop.database.write() as session:
        session.add_all([photo, study, seen])
        session.flush()
        session.add(
            PracticeTry(
                key=floor.key(),
                person_id=person,
                seed=2**40,
                level="easy",
                body="{}",
                truth="{}",
                right=True,
                at=now,
            )
        )

    def judged() -> AgreementJudgement:
        return AgreementJudgement(
            key=floor.key(), study_id=seen.id, specimen=1, person_id=person, body="{}", at=now
        )

    refused: list[tuple[object, ...]] = [
        (a_photo(floor, key=photo.key),),
        (a_photo(floor, blob_sha256="c" * 64),),
        (a_photo(floor, width=0),),
        (a_photo(floor, bits=12),),
        (a_photo(floor, purpose="holiday"),),
        (a_photo(floor, withdrawn_at=now),),
        (PhotoBlob(sha256="d" * 64, media="image/svg+xml", size=1, content=b"x"),),
        (PhotoThumb(blob_sha256="e" * 64, media="image/png", width=1, height=1, content=b"x"),),
        (a_measure(floor, refused=True, diameter_mm=1.0),),
        (a_measure(floor, feature="crater"),),
        (PartFace(part_type_id=1, rim_mm=0.0, reason="x", by=person, at=now),),
        tuple(judged() for _ in range(2)),
        (
            GaugeStudyReading(
                key=floor.key(),
                study_id=study.id + 50,
                part=1,
                person=1,
                trial=1,
                text="1",
                value=1.0,
                unit="mm",
                by=person,
                at=now,
            ),
        ),
    ]
    for rows in refused:
        with pytest.raises(IntegrityError), floor.shop.database.write() as session:
            session.add_all(rows)
            session.flush()
