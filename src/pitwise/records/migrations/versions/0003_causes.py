"""Cause cases: their facts, what was learnt from them, and the shop's ranges of readings."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_APPEND_ONLY = ("case_fact", "learning_event", "reading_range")


# Tables whose rows never change, older ones among them: what there is but one row of.
_ONE_ROW = {
    "audit": ("seq", "hash"),
    "used_sheet": ("sha256",),
    "station_setting": ("id",),
    "import_file": ("id", "sha256"),
    "case_fact": ("id", "key", "undoes"),
    "learning_event": ("id",),
    "reading_range": ("id",),
}
# Rows of an inspection, which never change once it is signed.
_ONE_OF_INSPECTION = {
    "look": ("part",),
    "mark": ("part", "finding"),
    "answer": ("code",),
    "overrule": ("part",),
    "decision": ("part",),
}


def _refuse_replace() -> None:
    """Refuse SQLite's REPLACE, which drops a row without asking the triggers on DELETE."""
    signed = "SELECT id FROM inspection WHERE state = 'signed'"

    def refuse(name: str, table: str, there: str, words: str) -> None:
        op.execute(
            f"CREATE TRIGGER {name}_no_replace BEFORE INSERT ON {table} "
            f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {there}) "
            f"BEGIN SELECT RAISE(ABORT, '{words}'); END"
        )

    for table, columns in _ONE_ROW.items():
        there = " OR ".join(f'"{c}" = NEW."{c}"' for c in columns)
        refuse(table, table, there, f"{table} rows are never changed")
    words = "a signed inspection is never changed"
    for table, columns in _ONE_OF_INSPECTION.items():
        same = " AND ".join(f'"{c}" = NEW."{c}"' for c in ("inspection_id", *columns))
        refuse(f"{table}_signed", table, f"{same} AND inspection_id IN ({signed})", words)
    refuse(
        "pit_reading_signed",
        "pit_reading",
        f'(id = NEW.id OR "key" = NEW."key") AND inspection_id IN ({signed})',
        words,
    )
    same = "id = NEW.id OR open_key = NEW.open_key OR sign_key = NEW.sign_key"
    after = "supersedes = NEW.supersedes AND NEW.state = 'signed'"
    refuse("inspection_signed", "inspection", f"state = 'signed' AND ({same} OR ({after}))", words)


def _guard() -> None:
    """Have the database itself refuse to change what cases and learning stand on."""
    sqlite = op.get_bind().dialect.name == "sqlite"
    for table in _APPEND_ONLY:
        if sqlite:
            for verb in ("UPDATE", "DELETE"):
                op.execute(
                    f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} BEGIN "
                    f"SELECT RAISE(ABORT, '{table} rows are never changed'); END"
                )
        else:
            op.execute(
                f"CREATE TRIGGER {table}_never BEFORE UPDATE OR DELETE ON {table} "
                "FOR EACH ROW EXECUTE FUNCTION pitwise_never()"
            )
    if sqlite:
        _refuse_replace()


def upgrade() -> None:
    op.create_table(
        "learning_event",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("action", sa.String(length=10), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("by", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint(
            "action IN ('freeze','unfreeze','reset')", name=op.f("ck_learning_event_action")
        ),
        sa.ForeignKeyConstraint(["by"], ["person.id"], name=op.f("fk_learning_event_by_person")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_learning_event")),
    )
    op.create_table(
        "reading_range",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("station_id", sa.Integer(), nullable=False),
        sa.Column("reading", sa.String(length=60), nullable=False),
        sa.Column("low", sa.String(length=40), nullable=True),
        sa.Column("high", sa.String(length=40), nullable=True),
        sa.Column("unit", sa.String(length=20), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("by", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["by"], ["person.id"], name=op.f("fk_reading_range_by_person")),
        sa.ForeignKeyConstraint(
            ["station_id"], ["station.id"], name=op.f("fk_reading_range_station_id_station")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reading_range")),
    )
    op.create_index(
        "ix_reading_range_station_reading", "reading_range", ["station_id", "reading"], unique=False
    )
    op.create_table(
        "cause_case",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("open_key", sa.String(length=64), nullable=False),
        sa.Column("torch_id", sa.Integer(), nullable=False),
        sa.Column("process_id", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("opened_by", sa.Integer(), nullable=False),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("after_inspection", sa.Integer(), nullable=True),
        sa.Column("complaint", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("close_key", sa.String(length=64), nullable=True),
        sa.Column("closed_by", sa.Integer(), nullable=True),
        sa.Column("closed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("cured_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("looks_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_closing", sa.Text(), nullable=True),
        sa.Column("amend_key", sa.String(length=64), nullable=True),
        sa.Column("amended_by", sa.Integer(), nullable=True),
        sa.Column("amended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("amend_reason", sa.Text(), nullable=False),
        sa.Column("certainty", sa.String(length=12), nullable=True),
        sa.Column("remedies", sa.Text(), nullable=False),
        sa.Column("remedy_text", sa.Text(), nullable=False),
        sa.Column("close_note", sa.Text(), nullable=False),
        sa.Column("done_by", sa.String(length=120), nullable=False),
        sa.Column("sheet_sha256", sa.String(length=64), nullable=True),
        sa.Column("held", sa.Text(), nullable=True),
        sa.Column("diagnosis", sa.Text(), nullable=True),
        sa.Column("came_back_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("came_back_by", sa.Integer(), nullable=True),
        sa.Column("came_back_note", sa.Text(), nullable=False),
        sa.CheckConstraint(
            "certainty IN ('verified','went-away')", name=op.f("ck_cause_case_certainty")
        ),
        sa.CheckConstraint(
            "state <> 'closed' OR (closed_by IS NOT NULL AND closed_at IS NOT NULL AND cured_at IS NOT NULL AND certainty IS NOT NULL AND sheet_sha256 IS NOT NULL AND held IS NOT NULL AND diagnosis IS NOT NULL)",
            name=op.f("ck_cause_case_closed_is_whole"),
        ),
        sa.CheckConstraint(
            "state IN ('open','closed','discarded')", name=op.f("ck_cause_case_state")
        ),
        sa.ForeignKeyConstraint(
            ["after_inspection"],
            ["inspection.id"],
            name=op.f("fk_cause_case_after_inspection_inspection"),
        ),
        sa.ForeignKeyConstraint(
            ["amended_by"], ["person.id"], name=op.f("fk_cause_case_amended_by_person")
        ),
        sa.ForeignKeyConstraint(
            ["came_back_by"], ["person.id"], name=op.f("fk_cause_case_came_back_by_person")
        ),
        sa.ForeignKeyConstraint(
            ["closed_by"], ["person.id"], name=op.f("fk_cause_case_closed_by_person")
        ),
        sa.ForeignKeyConstraint(
            ["opened_by"], ["person.id"], name=op.f("fk_cause_case_opened_by_person")
        ),
        sa.ForeignKeyConstraint(
            ["process_id"], ["process.id"], name=op.f("fk_cause_case_process_id_process")
        ),
        sa.ForeignKeyConstraint(
            ["sheet_sha256"],
            ["used_sheet.sha256"],
            name=op.f("fk_cause_case_sheet_sha256_used_sheet"),
        ),
        sa.ForeignKeyConstraint(
            ["torch_id"], ["torch.id"], name=op.f("fk_cause_case_torch_id_torch")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cause_case")),
        sa.UniqueConstraint("amend_key", name=op.f("uq_cause_case_amend_key")),
        sa.UniqueConstraint("close_key", name=op.f("uq_cause_case_close_key")),
        sa.UniqueConstraint("open_key", name=op.f("uq_cause_case_open_key")),
    )
    op.create_index(op.f("ix_cause_case_closed_at"), "cause_case", ["closed_at"], unique=False)
    op.create_index(op.f("ix_cause_case_torch_id"), "cause_case", ["torch_id"], unique=False)
    op.create_index(
        "uq_cause_case_one_open",
        "cause_case",
        ["torch_id"],
        unique=True,
        sqlite_where=sa.text("state = 'open'"),
        postgresql_where=sa.text("state = 'open'"),
    )
    op.create_table(
        "case_cause",
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("cause", sa.String(length=60), nullable=False),
        sa.Column("certainty", sa.String(length=12), nullable=False),
        sa.CheckConstraint(
            "certainty IN ('verified','went-away')", name=op.f("ck_case_cause_certainty")
        ),
        sa.ForeignKeyConstraint(
            ["case_id"], ["cause_case.id"], name=op.f("fk_case_cause_case_id_cause_case")
        ),
        sa.PrimaryKeyConstraint("case_id", "cause", name=op.f("pk_case_cause")),
    )
    op.create_index("ix_case_cause_cause", "case_cause", ["cause"], unique=False)
    op.create_table(
        "case_fact",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("case_id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("subject", sa.String(length=80), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=True),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("value", sa.Float(), nullable=True),
        sa.Column("unit", sa.String(length=20), nullable=True),
        sa.Column("results", sa.Text(), nullable=True),
        sa.Column("done_by", sa.String(length=120), nullable=False),
        sa.Column("undoes", sa.Integer(), nullable=True),
        sa.Column("by", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint(
            "(kind = 'undo') = (undoes IS NOT NULL)", name=op.f("ck_case_fact_undo")
        ),
        sa.CheckConstraint(
            "kind IN ('finding','reading','answer','check','undo','context','tried')",
            name=op.f("ck_case_fact_kind"),
        ),
        sa.CheckConstraint(
            "state IS NULL OR state IN ('seen','absent','slight','much','none')",
            name=op.f("ck_case_fact_state"),
        ),
        sa.ForeignKeyConstraint(["by"], ["person.id"], name=op.f("fk_case_fact_by_person")),
        sa.ForeignKeyConstraint(
            ["case_id"], ["cause_case.id"], name=op.f("fk_case_fact_case_id_cause_case")
        ),
        sa.ForeignKeyConstraint(
            ["undoes"], ["case_fact.id"], name=op.f("fk_case_fact_undoes_case_fact")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_case_fact")),
        sa.UniqueConstraint("key", name=op.f("uq_case_fact_key")),
        sa.UniqueConstraint("undoes", name=op.f("uq_case_fact_undoes")),
    )
    op.create_index(op.f("ix_case_fact_case_id"), "case_fact", ["case_id"], unique=False)
    _guard()


def downgrade() -> None:
    raise RuntimeError("a book is never taken apart: restore a backup instead")
