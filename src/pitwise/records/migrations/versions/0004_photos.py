"""Photos, what is measured on them, and studies of gauges, of people and of the eye."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_APPEND_ONLY: dict[str, tuple[str, ...]] = {"photo_blob": ("sha256",), "part_face": ("id",)}
# Rows of an inspection, which never change once it is signed: the whole key of a row, or
# each of the columns there is but one of.
_SIGNED_BY_KEY = {"decision_measure": ("part", "quantity")}
_SIGNED_BY_ONE = {"photo": ("id", "key"), "hole_measure": ("id", "key")}


def _guard_sqlite() -> None:
    """Refuse changes; SQLite's REPLACE drops a row without asking the triggers on DELETE."""
    signed = "SELECT id FROM inspection WHERE state = 'signed'"

    def refuse_replace(name: str, table: str, there: str, words: str) -> None:
        op.execute(
            f"CREATE TRIGGER {name}_no_replace BEFORE INSERT ON {table} "
            f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {there}) "
            f"BEGIN SELECT RAISE(ABORT, '{words}'); END"
        )

    for table, columns in _APPEND_ONLY.items():
        words = f"{table} rows are never changed"
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} BEGIN "
                f"SELECT RAISE(ABORT, '{words}'); END"
            )
        refuse_replace(table, table, " OR ".join(f'"{c}" = NEW."{c}"' for c in columns), words)
    words = "a signed inspection is never changed"
    for table in (*_SIGNED_BY_KEY, *_SIGNED_BY_ONE):
        for verb, of in (
            ("UPDATE", "OLD.inspection_id, NEW.inspection_id"),
            ("DELETE", "OLD.inspection_id"),
        ):
            op.execute(
                f"CREATE TRIGGER {table}_signed_no_{verb.lower()} BEFORE {verb} ON {table} "
                f"WHEN EXISTS (SELECT 1 FROM inspection WHERE state = 'signed' AND id IN ({of})) "
                f"BEGIN SELECT RAISE(ABORT, '{words}'); END"
            )
    for table, columns in _SIGNED_BY_KEY.items():
        same = " AND ".join(f'"{c}" = NEW."{c}"' for c in ("inspection_id", *columns))
        refuse_replace(f"{table}_signed", table, f"{same} AND inspection_id IN ({signed})", words)
    for table, columns in _SIGNED_BY_ONE.items():
        same = " OR ".join(f'"{c}" = NEW."{c}"' for c in columns)
        refuse_replace(f"{table}_signed", table, f"({same}) AND inspection_id IN ({signed})", words)


def _guard_postgres() -> None:
    for table in _APPEND_ONLY:
        op.execute(
            f"CREATE TRIGGER {table}_never BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION pitwise_never()"
        )
    for table in (*_SIGNED_BY_KEY, *_SIGNED_BY_ONE):
        op.execute(
            f"CREATE TRIGGER {table}_signed BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION pitwise_signed()"
        )


def upgrade() -> None:
    op.create_table(
        "photo_blob",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("media", sa.String(length=20), nullable=False),
        sa.Column("bytes", sa.Integer(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.CheckConstraint("media IN ('image/jpeg','image/png')", name=op.f("ck_photo_blob_media")),
        sa.CheckConstraint("bytes > 0", name=op.f("ck_photo_blob_bytes")),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_photo_blob")),
    )
    op.create_table(
        "agreement_study",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("part", sa.String(length=20), nullable=False),
        sa.Column("specimens", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("opened_by", sa.Integer(), nullable=False),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("closed_by", sa.Integer(), nullable=True),
        sa.Column("closed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("result", sa.Text(), nullable=True),
        sa.CheckConstraint(
            "state <> 'closed' OR (closed_by IS NOT NULL AND closed_at IS NOT NULL AND result IS NOT NULL)",
            name=op.f("ck_agreement_study_closed_is_whole"),
        ),
        sa.CheckConstraint(
            "state IN ('open','closed','discarded')", name=op.f("ck_agreement_study_state")
        ),
        sa.CheckConstraint("specimens > 0", name=op.f("ck_agreement_study_specimens")),
        sa.ForeignKeyConstraint(
            ["closed_by"], ["person.id"], name=op.f("fk_agreement_study_closed_by_person")
        ),
        sa.ForeignKeyConstraint(
            ["opened_by"], ["person.id"], name=op.f("fk_agreement_study_opened_by_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_agreement_study")),
        sa.UniqueConstraint("key", name=op.f("uq_agreement_study_key")),
    )
    op.create_table(
        "gauge_study",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("gauge_id", sa.Integer(), nullable=True),
        sa.Column("unit", sa.String(length=20), nullable=False),
        sa.Column("tolerance_mm", sa.Float(), nullable=True),
        sa.Column("parts", sa.Integer(), nullable=False),
        sa.Column("trials", sa.Integer(), nullable=False),
        sa.Column("people", sa.Text(), nullable=False),
        sa.Column("order_seed", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("opened_by", sa.Integer(), nullable=False),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("closed_by", sa.Integer(), nullable=True),
        sa.Column("closed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("result", sa.Text(), nullable=True),
        sa.CheckConstraint(
            "state <> 'closed' OR (closed_by IS NOT NULL AND closed_at IS NOT NULL AND result IS NOT NULL)",
            name=op.f("ck_gauge_study_closed_is_whole"),
        ),
        sa.CheckConstraint(
            "state IN ('open','closed','discarded')", name=op.f("ck_gauge_study_state")
        ),
        sa.CheckConstraint("parts > 0 AND trials > 0", name=op.f("ck_gauge_study_size")),
        sa.CheckConstraint(
            "tolerance_mm IS NULL OR tolerance_mm > 0", name=op.f("ck_gauge_study_tolerance_mm")
        ),
        sa.ForeignKeyConstraint(
            ["closed_by"], ["person.id"], name=op.f("fk_gauge_study_closed_by_person")
        ),
        sa.ForeignKeyConstraint(
            ["gauge_id"], ["gauge.id"], name=op.f("fk_gauge_study_gauge_id_gauge")
        ),
        sa.ForeignKeyConstraint(
            ["opened_by"], ["person.id"], name=op.f("fk_gauge_study_opened_by_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gauge_study")),
        sa.UniqueConstraint("key", name=op.f("uq_gauge_study_key")),
    )
    op.create_index(op.f("ix_gauge_study_gauge_id"), "gauge_study", ["gauge_id"], unique=False)
    op.create_table(
        "photo_thumb",
        sa.Column("blob_sha256", sa.String(length=64), nullable=False),
        sa.Column("media", sa.String(length=20), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.CheckConstraint(
            "media IN ('image/jpeg','image/png')", name=op.f("ck_photo_thumb_media")
        ),
        sa.CheckConstraint("width > 0 AND height > 0", name=op.f("ck_photo_thumb_size")),
        sa.ForeignKeyConstraint(
            ["blob_sha256"],
            ["photo_blob.sha256"],
            name=op.f("fk_photo_thumb_blob_sha256_photo_blob"),
        ),
        sa.PrimaryKeyConstraint("blob_sha256", name=op.f("pk_photo_thumb")),
    )
    op.create_table(
        "practice_try",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("seed", sa.BigInteger(), nullable=False),
        sa.Column("level", sa.String(length=20), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("truth", sa.Text(), nullable=False),
        sa.Column("right", sa.Boolean(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_practice_try_person_id_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_practice_try")),
        sa.UniqueConstraint("key", name=op.f("uq_practice_try_key")),
    )
    op.create_index("ix_practice_try_person_at", "practice_try", ["person_id", "at"], unique=False)
    op.create_table(
        "agreement_judgement",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("specimen", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_agreement_judgement_person_id_person")
        ),
        sa.ForeignKeyConstraint(
            ["study_id"],
            ["agreement_study.id"],
            name=op.f("fk_agreement_judgement_study_id_agreement_study"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_agreement_judgement")),
        sa.UniqueConstraint("key", name=op.f("uq_agreement_judgement_key")),
        sa.UniqueConstraint(
            "study_id", "specimen", "person_id", name="uq_agreement_judgement_one_each"
        ),
    )
    op.create_table(
        "gauge_study_reading",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("part", sa.Integer(), nullable=False),
        sa.Column("person", sa.Integer(), nullable=False),
        sa.Column("trial", sa.Integer(), nullable=False),
        sa.Column("text", sa.String(length=40), nullable=False),
        sa.Column("value", sa.Float(), nullable=False),
        sa.Column("unit", sa.String(length=20), nullable=False),
        sa.Column("by", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("taken_out", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["by"], ["person.id"], name=op.f("fk_gauge_study_reading_by_person")
        ),
        sa.ForeignKeyConstraint(
            ["study_id"],
            ["gauge_study.id"],
            name=op.f("fk_gauge_study_reading_study_id_gauge_study"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gauge_study_reading")),
        sa.UniqueConstraint("key", name=op.f("uq_gauge_study_reading_key")),
    )
    op.create_index(
        op.f("ix_gauge_study_reading_study_id"), "gauge_study_reading", ["study_id"], unique=False
    )
    op.create_table(
        "decision_measure",
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("part", sa.String(length=20), nullable=False),
        sa.Column("quantity", sa.String(length=40), nullable=False),
        sa.Column("part_item_id", sa.Integer(), nullable=True),
        sa.Column("value_mm", sa.Float(), nullable=False),
        sa.Column("u_mm", sa.Float(), nullable=False),
        sa.Column("limit_mm", sa.Float(), nullable=True),
        sa.Column("p_over", sa.Float(), nullable=True),
        sa.CheckConstraint(
            "quantity IN ('orifice-growth','orifice-diameter','orifice-roundness','orifice-off-centre','pit-diameter','pit-off-centre')",
            name=op.f("ck_decision_measure_quantity"),
        ),
        sa.CheckConstraint(
            "p_over IS NULL OR (p_over >= 0 AND p_over <= 1)",
            name=op.f("ck_decision_measure_p_over"),
        ),
        sa.CheckConstraint("u_mm >= 0", name=op.f("ck_decision_measure_u_mm")),
        sa.ForeignKeyConstraint(
            ["inspection_id"],
            ["inspection.id"],
            name=op.f("fk_decision_measure_inspection_id_inspection"),
        ),
        sa.ForeignKeyConstraint(
            ["part_item_id"],
            ["part_item.id"],
            name=op.f("fk_decision_measure_part_item_id_part_item"),
        ),
        sa.PrimaryKeyConstraint(
            "inspection_id", "part", "quantity", name=op.f("pk_decision_measure")
        ),
    )
    op.create_index(
        op.f("ix_decision_measure_part_item_id"), "decision_measure", ["part_item_id"], unique=False
    )
    op.create_table(
        "hole_measure",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("inspection_id", sa.Integer(), nullable=True),
        sa.Column("part", sa.String(length=20), nullable=False),
        sa.Column("part_item_id", sa.Integer(), nullable=True),
        sa.Column("feature", sa.String(length=10), nullable=False),
        sa.Column("photo_ids", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("engine", sa.String(length=60), nullable=False),
        sa.Column("diameter_mm", sa.Float(), nullable=True),
        sa.Column("diameter_u_mm", sa.Float(), nullable=True),
        sa.Column("roundness_mm", sa.Float(), nullable=True),
        sa.Column("roundness_floor_mm", sa.Float(), nullable=True),
        sa.Column("roundness_u_mm", sa.Float(), nullable=True),
        sa.Column("off_centre_mm", sa.Float(), nullable=True),
        sa.Column("off_centre_u_mm", sa.Float(), nullable=True),
        sa.Column("refused", sa.Boolean(), nullable=False),
        sa.Column("by", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("taken_out", sa.Boolean(), nullable=False),
        sa.CheckConstraint("feature IN ('orifice','pit')", name=op.f("ck_hole_measure_feature")),
        sa.CheckConstraint(
            "NOT refused OR (diameter_mm IS NULL AND roundness_mm IS NULL AND off_centre_mm IS NULL)",
            name=op.f("ck_hole_measure_refused_has_no_value"),
        ),
        sa.ForeignKeyConstraint(["by"], ["person.id"], name=op.f("fk_hole_measure_by_person")),
        sa.ForeignKeyConstraint(
            ["inspection_id"],
            ["inspection.id"],
            name=op.f("fk_hole_measure_inspection_id_inspection"),
        ),
        sa.ForeignKeyConstraint(
            ["part_item_id"], ["part_item.id"], name=op.f("fk_hole_measure_part_item_id_part_item")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hole_measure")),
        sa.UniqueConstraint("key", name=op.f("uq_hole_measure_key")),
    )
    op.create_index(
        op.f("ix_hole_measure_inspection_id"), "hole_measure", ["inspection_id"], unique=False
    )
    op.create_index(
        op.f("ix_hole_measure_part_item_id"), "hole_measure", ["part_item_id"], unique=False
    )
    op.create_table(
        "photo",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("blob_sha256", sa.String(length=64), nullable=False),
        sa.Column("upload_sha256", sa.String(length=64), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("bits", sa.Integer(), nullable=False),
        sa.Column("part", sa.String(length=20), nullable=False),
        sa.Column("part_item_id", sa.Integer(), nullable=True),
        sa.Column("part_type_id", sa.Integer(), nullable=True),
        sa.Column("inspection_id", sa.Integer(), nullable=True),
        sa.Column("purpose", sa.String(length=10), nullable=False),
        sa.Column("taken_by", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("withdrawn_by", sa.Integer(), nullable=True),
        sa.CheckConstraint("purpose IN ('bench','new')", name=op.f("ck_photo_purpose")),
        sa.CheckConstraint(
            "(withdrawn_at IS NULL) = (withdrawn_by IS NULL)", name=op.f("ck_photo_withdrawn")
        ),
        sa.CheckConstraint("bits IN (8,16)", name=op.f("ck_photo_bits")),
        sa.CheckConstraint("width > 0 AND height > 0", name=op.f("ck_photo_size")),
        sa.ForeignKeyConstraint(
            ["blob_sha256"], ["photo_blob.sha256"], name=op.f("fk_photo_blob_sha256_photo_blob")
        ),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspection.id"], name=op.f("fk_photo_inspection_id_inspection")
        ),
        sa.ForeignKeyConstraint(
            ["part_item_id"], ["part_item.id"], name=op.f("fk_photo_part_item_id_part_item")
        ),
        sa.ForeignKeyConstraint(
            ["part_type_id"], ["part_type.id"], name=op.f("fk_photo_part_type_id_part_type")
        ),
        sa.ForeignKeyConstraint(["taken_by"], ["person.id"], name=op.f("fk_photo_taken_by_person")),
        sa.ForeignKeyConstraint(
            ["withdrawn_by"], ["person.id"], name=op.f("fk_photo_withdrawn_by_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photo")),
        sa.UniqueConstraint("key", name=op.f("uq_photo_key")),
    )
    op.create_index(op.f("ix_photo_blob_sha256"), "photo", ["blob_sha256"], unique=False)
    op.create_index(op.f("ix_photo_inspection_id"), "photo", ["inspection_id"], unique=False)
    op.create_index(op.f("ix_photo_part_item_id"), "photo", ["part_item_id"], unique=False)
    op.create_index(op.f("ix_photo_part_type_id"), "photo", ["part_type_id"], unique=False)
    op.create_table(
        "part_face",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("part_type_id", sa.Integer(), nullable=False),
        sa.Column("rim_mm", sa.Float(), nullable=False),
        sa.Column("hole_mm", sa.Float(), nullable=True),
        sa.Column("hole_u_mm", sa.Float(), nullable=True),
        sa.Column("photo_id", sa.Integer(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("by", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("hole_mm IS NULL OR hole_mm > 0", name=op.f("ck_part_face_hole_mm")),
        sa.CheckConstraint(
            "hole_u_mm IS NULL OR hole_u_mm >= 0", name=op.f("ck_part_face_hole_u_mm")
        ),
        sa.CheckConstraint("rim_mm > 0", name=op.f("ck_part_face_rim_mm")),
        sa.ForeignKeyConstraint(["by"], ["person.id"], name=op.f("fk_part_face_by_person")),
        sa.ForeignKeyConstraint(
            ["part_type_id"], ["part_type.id"], name=op.f("fk_part_face_part_type_id_part_type")
        ),
        sa.ForeignKeyConstraint(
            ["photo_id"], ["photo.id"], name=op.f("fk_part_face_photo_id_photo")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_part_face")),
    )
    op.create_index(op.f("ix_part_face_part_type_id"), "part_face", ["part_type_id"], unique=False)
    if op.get_bind().dialect.name == "sqlite":
        _guard_sqlite()
    else:
        _guard_postgres()


def downgrade() -> None:
    raise RuntimeError("a book is never taken apart: restore a backup instead")
