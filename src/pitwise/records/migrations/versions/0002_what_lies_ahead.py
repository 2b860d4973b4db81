"""What lies ahead: station settings, imported files, programs, use reports, fits, forecasts."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_APPEND_ONLY = ("station_setting", "import_file")


def _guard() -> None:
    """Have the database itself refuse to change what counts and forecasts stand on."""
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


def upgrade() -> None:
    op.create_table(
        "import_file",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("bytes", sa.Integer(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("imported_by", sa.Integer(), nullable=True),
        sa.Column("imported_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("way", sa.String(length=10), nullable=False),
        sa.CheckConstraint(
            "kind IN ('program','dxf','plates','use')", name=op.f("ck_import_file_kind")
        ),
        sa.CheckConstraint("way IN ('upload','watch','command')", name=op.f("ck_import_file_way")),
        sa.ForeignKeyConstraint(
            ["imported_by"], ["person.id"], name=op.f("fk_import_file_imported_by_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_import_file")),
        sa.UniqueConstraint("sha256", name=op.f("uq_import_file_sha256")),
    )
    op.create_table(
        "station_setting",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("station_id", sa.Integer(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("entered_by", sa.Integer(), nullable=True),
        sa.Column("entered_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["entered_by"], ["person.id"], name=op.f("fk_station_setting_entered_by_person")
        ),
        sa.ForeignKeyConstraint(
            ["station_id"], ["station.id"], name=op.f("fk_station_setting_station_id_station")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_station_setting")),
    )
    op.create_index(
        op.f("ix_station_setting_station_id"), "station_setting", ["station_id"], unique=False
    )
    op.create_table(
        "wear_fit",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.String(length=40), nullable=False),
        sa.Column("fitted_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("fitted_by", sa.Integer(), nullable=True),
        sa.Column("readings", sa.Integer(), nullable=False),
        sa.Column("electrodes", sa.Integer(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["fitted_by"], ["person.id"], name=op.f("fk_wear_fit_fitted_by_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_wear_fit")),
    )
    op.create_index(op.f("ix_wear_fit_quantity"), "wear_fit", ["quantity"], unique=False)
    op.create_table(
        "program",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("file_id", sa.Integer(), nullable=False),
        sa.Column("ordinal", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("options", sa.Text(), nullable=False),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("withdrawn_by", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["file_id"], ["import_file.id"], name=op.f("fk_program_file_id_import_file")
        ),
        sa.ForeignKeyConstraint(
            ["withdrawn_by"], ["person.id"], name=op.f("fk_program_withdrawn_by_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_program")),
        sa.UniqueConstraint("file_id", "ordinal", name="uq_program_file_id_ordinal"),
    )
    op.create_table(
        "use_report",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("torch_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("starts", sa.Integer(), nullable=False),
        sa.Column("arc_minutes", sa.Float(), nullable=False),
        sa.Column("file_id", sa.Integer(), nullable=False),
        sa.Column("line", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["file_id"], ["import_file.id"], name=op.f("fk_use_report_file_id_import_file")
        ),
        sa.ForeignKeyConstraint(
            ["torch_id"], ["torch.id"], name=op.f("fk_use_report_torch_id_torch")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_use_report")),
        sa.UniqueConstraint(
            "torch_id", "at", "starts", "arc_minutes", name="uq_use_report_reading"
        ),
    )
    op.create_index(op.f("ix_use_report_file_id"), "use_report", ["file_id"], unique=False)
    op.create_table(
        "forecast",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("part_item_id", sa.Integer(), nullable=False),
        sa.Column("torch_id", sa.Integer(), nullable=False),
        sa.Column("process_id", sa.Integer(), nullable=False),
        sa.Column("inspection_id", sa.Integer(), nullable=True),
        sa.Column("fit_id", sa.Integer(), nullable=True),
        sa.Column("quantity", sa.String(length=40), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("starts", sa.Integer(), nullable=False),
        sa.Column("arc_minutes", sa.Float(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("scored_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("scored_inspection_id", sa.Integer(), nullable=True),
        sa.Column("reading_mm", sa.Float(), nullable=True),
        sa.Column("reading_u_mm", sa.Float(), nullable=True),
        sa.Column("pit", sa.Float(), nullable=True),
        sa.Column("p05_mm", sa.Float(), nullable=True),
        sa.Column("median_mm", sa.Float(), nullable=True),
        sa.Column("p95_mm", sa.Float(), nullable=True),
        sa.Column("crps_mm", sa.Float(), nullable=True),
        sa.Column("void", sa.Boolean(), nullable=False),
        sa.CheckConstraint("pit IS NULL OR (pit >= 0 AND pit <= 1)", name=op.f("ck_forecast_pit")),
        sa.ForeignKeyConstraint(
            ["fit_id"], ["wear_fit.id"], name=op.f("fk_forecast_fit_id_wear_fit")
        ),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspection.id"], name=op.f("fk_forecast_inspection_id_inspection")
        ),
        sa.ForeignKeyConstraint(
            ["part_item_id"], ["part_item.id"], name=op.f("fk_forecast_part_item_id_part_item")
        ),
        sa.ForeignKeyConstraint(
            ["process_id"], ["process.id"], name=op.f("fk_forecast_process_id_process")
        ),
        sa.ForeignKeyConstraint(
            ["scored_inspection_id"],
            ["inspection.id"],
            name=op.f("fk_forecast_scored_inspection_id_inspection"),
        ),
        sa.ForeignKeyConstraint(
            ["torch_id"], ["torch.id"], name=op.f("fk_forecast_torch_id_torch")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_forecast")),
    )
    op.create_index(op.f("ix_forecast_fit_id"), "forecast", ["fit_id"], unique=False)
    op.create_index(op.f("ix_forecast_inspection_id"), "forecast", ["inspection_id"], unique=False)
    op.create_index(op.f("ix_forecast_part_item_id"), "forecast", ["part_item_id"], unique=False)
    op.create_index(
        op.f("ix_forecast_scored_inspection_id"), "forecast", ["scored_inspection_id"], unique=False
    )
    op.create_index("ix_forecast_torch_made", "forecast", ["torch_id", "made_at"], unique=False)
    op.create_table(
        "program_count",
        sa.Column("program_id", sa.Integer(), nullable=False),
        sa.Column("settings_sha256", sa.String(length=64), nullable=False),
        sa.Column("reader_version", sa.String(length=20), nullable=False),
        sa.Column("starts", sa.Integer(), nullable=False),
        sa.Column("cut_length_mm", sa.Float(), nullable=False),
        sa.Column("arc_minutes", sa.Float(), nullable=False),
        sa.Column("pierce_minutes", sa.Float(), nullable=False),
        sa.Column("rapid_length_mm", sa.Float(), nullable=False),
        sa.Column("rapid_minutes", sa.Float(), nullable=False),
        sa.Column("cuts", sa.Text(), nullable=False),
        sa.Column("warnings", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["program_id"], ["program.id"], name=op.f("fk_program_count_program_id_program")
        ),
        sa.PrimaryKeyConstraint("program_id", "settings_sha256", name=op.f("pk_program_count")),
    )
    _guard()


def downgrade() -> None:
    raise RuntimeError("a book is never taken apart: restore a backup instead")
