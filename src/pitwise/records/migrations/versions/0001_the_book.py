"""The book: all tables, and the triggers that keep signed records and the trail as they are."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

# Rows that belong to an inspection and may not change once it is signed.
_SIGNED_WITH_INSPECTION = ("look", "mark", "pit_reading", "answer", "overrule", "decision")


def _sqlite_triggers() -> None:
    for verb in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER audit_no_{verb.lower()} BEFORE {verb} ON audit BEGIN "
            "SELECT RAISE(ABORT, 'the audit trail is append-only'); END"
        )
        op.execute(
            f"CREATE TRIGGER inspection_signed_no_{verb.lower()} BEFORE {verb} ON inspection "
            "WHEN OLD.state = 'signed' BEGIN "
            "SELECT RAISE(ABORT, 'a signed inspection is never changed'); END"
        )
        op.execute(
            f"CREATE TRIGGER used_sheet_no_{verb.lower()} BEFORE {verb} ON used_sheet BEGIN "
            "SELECT RAISE(ABORT, 'a sheet that decided is never changed'); END"
        )
        for table in _SIGNED_WITH_INSPECTION:
            op.execute(
                f"CREATE TRIGGER {table}_signed_no_{verb.lower()} BEFORE {verb} ON {table} "
                "WHEN EXISTS (SELECT 1 FROM inspection WHERE state = 'signed' AND id IN "
                f"({'OLD.inspection_id' if verb == 'DELETE' else 'OLD.inspection_id, NEW.inspection_id'})) "
                "BEGIN SELECT RAISE(ABORT, 'a signed inspection is never changed'); END"
            )


def _postgres_triggers() -> None:
    op.execute("""
        CREATE FUNCTION pitwise_never() RETURNS trigger LANGUAGE plpgsql AS $$
        BEGIN RAISE EXCEPTION '% rows are never changed', TG_TABLE_NAME; END $$""")
    op.execute("""
        CREATE FUNCTION pitwise_signed() RETURNS trigger LANGUAGE plpgsql AS $$
        BEGIN
          IF (SELECT state FROM inspection WHERE id = OLD.inspection_id) = 'signed' THEN
            RAISE EXCEPTION 'a signed inspection is never changed';
          END IF;
          IF TG_OP = 'DELETE' THEN RETURN OLD; END IF;
          IF (SELECT state FROM inspection WHERE id = NEW.inspection_id) = 'signed' THEN
            RAISE EXCEPTION 'a signed inspection is never changed';
          END IF;
          RETURN NEW;
        END $$""")
    for table in ("audit", "used_sheet"):
        op.execute(
            f"CREATE TRIGGER {table}_never BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION pitwise_never()"
        )
    op.execute(
        "CREATE TRIGGER inspection_signed_never BEFORE UPDATE OR DELETE ON inspection "
        "FOR EACH ROW WHEN (OLD.state = 'signed') EXECUTE FUNCTION pitwise_never()"
    )
    for table in _SIGNED_WITH_INSPECTION:
        op.execute(
            f"CREATE TRIGGER {table}_signed BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION pitwise_signed()"
        )


def upgrade() -> None:
    op.create_table(
        "audit",
        sa.Column("seq", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at", sa.String(length=40), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("actor", sa.String(length=120), nullable=False),
        sa.Column("action", sa.String(length=60), nullable=False),
        sa.Column("subject", sa.String(length=120), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column("prev_hash", sa.String(length=64), nullable=False),
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_audit")),
        sa.UniqueConstraint("hash", name=op.f("uq_audit_hash")),
    )
    op.create_table(
        "book_fact",
        sa.Column("key", sa.String(length=40), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_book_fact")),
    )
    op.create_table(
        "failed_sign_in",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("login", sa.String(length=60), nullable=False),
        sa.Column("address", sa.String(length=64), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_failed_sign_in")),
    )
    op.create_index("ix_failed_address_at", "failed_sign_in", ["address", "at"], unique=False)
    op.create_index("ix_failed_login_at", "failed_sign_in", ["login", "at"], unique=False)
    op.create_table(
        "gauge",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("unit", sa.String(length=8), nullable=False),
        sa.Column("u_mm", sa.Float(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.CheckConstraint("unit IN ('mm','thou','in')", name=op.f("ck_gauge_unit")),
        sa.CheckConstraint("u_mm >= 0", name=op.f("ck_gauge_u_mm")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_gauge")),
        sa.UniqueConstraint("name", name=op.f("uq_gauge_name")),
    )
    op.create_table(
        "part_type",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("part", sa.String(length=20), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_part_type")),
        sa.UniqueConstraint("part", "name", name="uq_part_type_part_name"),
    )
    op.create_table(
        "person",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("login", sa.String(length=60), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column("password_hash", sa.Text(), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("role IN ('technician','lead','admin')", name=op.f("ck_person_role")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_person")),
        sa.UniqueConstraint("login", name=op.f("uq_person_login")),
    )
    op.create_table(
        "process",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("amps", sa.Float(), nullable=True),
        sa.Column("material", sa.String(length=80), nullable=True),
        sa.Column("plasma_gas", sa.String(length=80), nullable=True),
        sa.Column("shield_gas", sa.String(length=80), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_process")),
        sa.UniqueConstraint("name", name=op.f("uq_process_name")),
    )
    op.create_table(
        "station",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("coolant", sa.String(length=60), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_station")),
        sa.UniqueConstraint("name", name=op.f("uq_station_name")),
    )
    op.create_table(
        "used_sheet",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("version", sa.Text(), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("first_used_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_used_sheet")),
    )
    op.create_table(
        "part_item",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("part_type_id", sa.Integer(), nullable=False),
        sa.Column("tag", sa.String(length=40), nullable=False),
        sa.Column("lot", sa.String(length=80), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["part_type_id"], ["part_type.id"], name=op.f("fk_part_item_part_type_id_part_type")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_part_item")),
        sa.UniqueConstraint("tag", name=op.f("uq_part_item_tag")),
    )
    op.create_index(op.f("ix_part_item_part_type_id"), "part_item", ["part_type_id"], unique=False)
    op.create_table(
        "shop_limit",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("row", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("entered_by", sa.Integer(), nullable=False),
        sa.Column("entered_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("withdrawn_by", sa.Integer(), nullable=True),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("withdrawn_reason", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["entered_by"], ["person.id"], name=op.f("fk_shop_limit_entered_by_person")
        ),
        sa.ForeignKeyConstraint(
            ["withdrawn_by"], ["person.id"], name=op.f("fk_shop_limit_withdrawn_by_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shop_limit")),
    )
    op.create_table(
        "sign_in",
        sa.Column("token_sha256", sa.String(length=64), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("address", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_sign_in_person_id_person")
        ),
        sa.PrimaryKeyConstraint("token_sha256", name=op.f("pk_sign_in")),
    )
    op.create_index(op.f("ix_sign_in_person_id"), "sign_in", ["person_id"], unique=False)
    op.create_table(
        "torch",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("station_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("process_id", sa.Integer(), nullable=False),
        sa.Column("gauge_id", sa.Integer(), nullable=False),
        sa.Column("due_starts", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["gauge_id"], ["gauge.id"], name=op.f("fk_torch_gauge_id_gauge")),
        sa.ForeignKeyConstraint(
            ["process_id"], ["process.id"], name=op.f("fk_torch_process_id_process")
        ),
        sa.ForeignKeyConstraint(
            ["station_id"], ["station.id"], name=op.f("fk_torch_station_id_station")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_torch")),
        sa.UniqueConstraint("name", name=op.f("uq_torch_name")),
    )
    op.create_table(
        "inspection",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("open_key", sa.String(length=64), nullable=False),
        sa.Column("torch_id", sa.Integer(), nullable=False),
        sa.Column("process_id", sa.Integer(), nullable=False),
        sa.Column("gauge_id", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("opened_by", sa.Integer(), nullable=False),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("cautions_by", sa.Integer(), nullable=True),
        sa.Column("cautions_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("starts", sa.Integer(), nullable=True),
        sa.Column("arc_minutes", sa.Double(), nullable=True),
        sa.Column("counter_reset", sa.Boolean(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("supersedes", sa.Integer(), nullable=True),
        sa.Column("correction_reason", sa.Text(), nullable=True),
        sa.Column("sign_key", sa.String(length=64), nullable=True),
        sa.Column("signed_by", sa.Integer(), nullable=True),
        sa.Column("signed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("sheet_sha256", sa.String(length=64), nullable=True),
        sa.Column("record", sa.Text(), nullable=True),
        sa.Column("record_sha256", sa.String(length=64), nullable=True),
        sa.CheckConstraint(
            "state <> 'signed' OR (signed_by IS NOT NULL AND signed_at IS NOT NULL AND record IS NOT NULL AND record_sha256 IS NOT NULL AND sheet_sha256 IS NOT NULL)",
            name=op.f("ck_inspection_signed_is_whole"),
        ),
        sa.CheckConstraint(
            "state IN ('draft','signed','discarded')", name=op.f("ck_inspection_state")
        ),
        sa.ForeignKeyConstraint(
            ["cautions_by"], ["person.id"], name=op.f("fk_inspection_cautions_by_person")
        ),
        sa.ForeignKeyConstraint(
            ["gauge_id"], ["gauge.id"], name=op.f("fk_inspection_gauge_id_gauge")
        ),
        sa.ForeignKeyConstraint(
            ["opened_by"], ["person.id"], name=op.f("fk_inspection_opened_by_person")
        ),
        sa.ForeignKeyConstraint(
            ["process_id"], ["process.id"], name=op.f("fk_inspection_process_id_process")
        ),
        sa.ForeignKeyConstraint(
            ["sheet_sha256"],
            ["used_sheet.sha256"],
            name=op.f("fk_inspection_sheet_sha256_used_sheet"),
        ),
        sa.ForeignKeyConstraint(
            ["signed_by"], ["person.id"], name=op.f("fk_inspection_signed_by_person")
        ),
        sa.ForeignKeyConstraint(
            ["supersedes"], ["inspection.id"], name=op.f("fk_inspection_supersedes_inspection")
        ),
        sa.ForeignKeyConstraint(
            ["torch_id"], ["torch.id"], name=op.f("fk_inspection_torch_id_torch")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_inspection")),
        sa.UniqueConstraint("open_key", name=op.f("uq_inspection_open_key")),
        sa.UniqueConstraint("sign_key", name=op.f("uq_inspection_sign_key")),
    )
    op.create_index(op.f("ix_inspection_signed_at"), "inspection", ["signed_at"], unique=False)
    op.create_index(op.f("ix_inspection_torch_id"), "inspection", ["torch_id"], unique=False)
    op.create_table(
        "answer",
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=60), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("by", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["by"], ["person.id"], name=op.f("fk_answer_by_person")),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspection.id"], name=op.f("fk_answer_inspection_id_inspection")
        ),
        sa.PrimaryKeyConstraint("inspection_id", "code", name=op.f("pk_answer")),
    )
    op.create_table(
        "counter",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("torch_id", sa.Integer(), nullable=False),
        sa.Column("inspection_id", sa.Integer(), nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("starts", sa.Integer(), nullable=True),
        sa.Column("arc_minutes", sa.Double(), nullable=True),
        sa.Column("reset", sa.Boolean(), nullable=False),
        sa.Column("total_starts", sa.Integer(), nullable=False),
        sa.Column("total_minutes", sa.Double(), nullable=False),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspection.id"], name=op.f("fk_counter_inspection_id_inspection")
        ),
        sa.ForeignKeyConstraint(["torch_id"], ["torch.id"], name=op.f("fk_counter_torch_id_torch")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_counter")),
    )
    op.create_index(op.f("ix_counter_inspection_id"), "counter", ["inspection_id"], unique=False)
    op.create_index("ix_counter_torch_at", "counter", ["torch_id", "at"], unique=False)
    op.create_table(
        "decision",
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("part", sa.String(length=20), nullable=False),
        sa.Column("part_item_id", sa.Integer(), nullable=True),
        sa.Column("action", sa.String(length=12), nullable=False),
        sa.Column("computed", sa.String(length=12), nullable=False),
        sa.Column("pit_mm", sa.Float(), nullable=True),
        sa.Column("pit_u_mm", sa.Float(), nullable=True),
        sa.Column("p_over", sa.Float(), nullable=True),
        sa.Column("limit_mm", sa.Float(), nullable=True),
        sa.Column("life_starts", sa.Integer(), nullable=True),
        sa.Column("life_minutes", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspection.id"], name=op.f("fk_decision_inspection_id_inspection")
        ),
        sa.ForeignKeyConstraint(
            ["part_item_id"], ["part_item.id"], name=op.f("fk_decision_part_item_id_part_item")
        ),
        sa.PrimaryKeyConstraint("inspection_id", "part", name=op.f("pk_decision")),
    )
    op.create_index(op.f("ix_decision_part_item_id"), "decision", ["part_item_id"], unique=False)
    op.create_table(
        "fitting",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("torch_id", sa.Integer(), nullable=False),
        sa.Column("part_item_id", sa.Integer(), nullable=False),
        sa.Column("part", sa.String(length=20), nullable=False),
        sa.Column("fitted_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("fitted_by_inspection", sa.Integer(), nullable=True),
        sa.Column("starts_at_fit", sa.Integer(), nullable=False),
        sa.Column("minutes_at_fit", sa.Double(), nullable=False),
        sa.Column("removed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("removed_by_inspection", sa.Integer(), nullable=True),
        sa.Column("starts_at_removal", sa.Integer(), nullable=True),
        sa.Column("minutes_at_removal", sa.Double(), nullable=True),
        sa.Column("end", sa.String(length=20), nullable=True),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.CheckConstraint(
            "\"end\" IN ('replaced','lost','taken-out')", name=op.f("ck_fitting_end")
        ),
        sa.ForeignKeyConstraint(
            ["fitted_by_inspection"],
            ["inspection.id"],
            name=op.f("fk_fitting_fitted_by_inspection_inspection"),
        ),
        sa.ForeignKeyConstraint(
            ["part_item_id"], ["part_item.id"], name=op.f("fk_fitting_part_item_id_part_item")
        ),
        sa.ForeignKeyConstraint(
            ["removed_by_inspection"],
            ["inspection.id"],
            name=op.f("fk_fitting_removed_by_inspection_inspection"),
        ),
        sa.ForeignKeyConstraint(["torch_id"], ["torch.id"], name=op.f("fk_fitting_torch_id_torch")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fitting")),
    )
    op.create_index(
        op.f("ix_fitting_fitted_by_inspection"), "fitting", ["fitted_by_inspection"], unique=False
    )
    op.create_index(op.f("ix_fitting_part_item_id"), "fitting", ["part_item_id"], unique=False)
    op.create_index(
        op.f("ix_fitting_removed_by_inspection"), "fitting", ["removed_by_inspection"], unique=False
    )
    op.create_index(
        "ix_fitting_torch_part", "fitting", ["torch_id", "part", "removed_at"], unique=False
    )
    op.create_table(
        "look",
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("part", sa.String(length=20), nullable=False),
        sa.Column("looked", sa.Boolean(), nullable=False),
        sa.Column("lost", sa.Boolean(), nullable=False),
        sa.Column("by", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["by"], ["person.id"], name=op.f("fk_look_by_person")),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspection.id"], name=op.f("fk_look_inspection_id_inspection")
        ),
        sa.PrimaryKeyConstraint("inspection_id", "part", name=op.f("pk_look")),
    )
    op.create_table(
        "mark",
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("part", sa.String(length=20), nullable=False),
        sa.Column("finding", sa.String(length=60), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("by", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("state IN ('seen','absent')", name=op.f("ck_mark_state")),
        sa.ForeignKeyConstraint(["by"], ["person.id"], name=op.f("fk_mark_by_person")),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspection.id"], name=op.f("fk_mark_inspection_id_inspection")
        ),
        sa.PrimaryKeyConstraint("inspection_id", "part", "finding", name=op.f("pk_mark")),
    )
    op.create_table(
        "overrule",
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("part", sa.String(length=20), nullable=False),
        sa.Column("action", sa.String(length=12), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("over_action", sa.String(length=12), nullable=False),
        sa.Column("over_rules", sa.Text(), nullable=False),
        sa.Column("by", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["by"], ["person.id"], name=op.f("fk_overrule_by_person")),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspection.id"], name=op.f("fk_overrule_inspection_id_inspection")
        ),
        sa.PrimaryKeyConstraint("inspection_id", "part", name=op.f("pk_overrule")),
    )
    op.create_table(
        "pit_reading",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("text", sa.String(length=40), nullable=False),
        sa.Column("value", sa.String(length=40), nullable=False),
        sa.Column("unit", sa.String(length=8), nullable=False),
        sa.Column("bare", sa.Boolean(), nullable=False),
        sa.Column("by", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["by"], ["person.id"], name=op.f("fk_pit_reading_by_person")),
        sa.ForeignKeyConstraint(
            ["inspection_id"],
            ["inspection.id"],
            name=op.f("fk_pit_reading_inspection_id_inspection"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pit_reading")),
        sa.UniqueConstraint("key", name=op.f("uq_pit_reading_key")),
    )
    op.create_index(
        op.f("ix_pit_reading_inspection_id"), "pit_reading", ["inspection_id"], unique=False
    )
    op.create_index(
        "uq_fitting_one_in_a_place",
        "fitting",
        ["torch_id", "part"],
        unique=True,
        sqlite_where=sa.text("removed_at IS NULL AND void = 0"),
        postgresql_where=sa.text("removed_at IS NULL AND NOT void"),
    )
    for name, column, state in (
        ("uq_inspection_one_draft", "torch_id", "draft"),
        ("uq_inspection_one_successor", "supersedes", "signed"),
    ):
        where = sa.text(f"state = '{state}'")
        op.create_index(
            name, "inspection", [column], unique=True, sqlite_where=where, postgresql_where=where
        )
    if op.get_bind().dialect.name == "sqlite":
        _sqlite_triggers()
    else:
        _postgres_triggers()


def downgrade() -> None:
    raise RuntimeError("a book is never taken apart: restore a backup instead")
