"""The shelf: items, suppliers, terms, rules, the ledger of movements, orders, planned work."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

_APPEND_ONLY: dict[str, tuple[str, ...]] = {
    "item_terms": ("id",),
    "stock_rule": ("id",),
    "base_load": ("id",),
    "movement": ("id", "key", "reverses"),
}


def _guard_sqlite() -> None:
    """Refuse changes; SQLite's REPLACE drops a row without asking the triggers on DELETE."""
    for table, columns in _APPEND_ONLY.items():
        words = f"{table} rows are never changed"
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} BEGIN "
                f"SELECT RAISE(ABORT, '{words}'); END"
            )
        there = " OR ".join(f'"{c}" = NEW."{c}"' for c in columns)
        op.execute(
            f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} "
            f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {there}) "
            f"BEGIN SELECT RAISE(ABORT, '{words}'); END"
        )


def _guard_postgres() -> None:
    for table in _APPEND_ONLY:
        op.execute(
            f"CREATE TRIGGER {table}_never BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION pitwise_never()"
        )


def upgrade() -> None:
    op.create_table(
        "supplier",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_supplier")),
        sa.UniqueConstraint("name", name=op.f("uq_supplier_name")),
    )
    op.create_table(
        "shelf_item",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("part_type_id", sa.Integer(), nullable=True),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("code", sa.String(length=40), nullable=False),
        sa.Column("place", sa.String(length=80), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("created_by", sa.Integer(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint(
            "(kind = 'part') = (part_type_id IS NOT NULL)", name=op.f("ck_shelf_item_part_type")
        ),
        sa.CheckConstraint("kind IN ('part','kit','other')", name=op.f("ck_shelf_item_kind")),
        sa.ForeignKeyConstraint(
            ["created_by"], ["person.id"], name=op.f("fk_shelf_item_created_by_person")
        ),
        sa.ForeignKeyConstraint(
            ["part_type_id"], ["part_type.id"], name=op.f("fk_shelf_item_part_type_id_part_type")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shelf_item")),
        sa.UniqueConstraint("code", name=op.f("uq_shelf_item_code")),
        sa.UniqueConstraint("name", name=op.f("uq_shelf_item_name")),
        sa.UniqueConstraint("part_type_id", name=op.f("uq_shelf_item_part_type_id")),
    )
    op.create_table(
        "shelf_order",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("supplier_id", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("ordered_by", sa.Integer(), nullable=True),
        sa.Column("ordered_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("closed_by", sa.Integer(), nullable=True),
        sa.Column("closed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("closed_reason", sa.Text(), nullable=True),
        sa.CheckConstraint(
            "(state = 'closed') = (closed_at IS NOT NULL)", name=op.f("ck_shelf_order_closed")
        ),
        sa.CheckConstraint("state IN ('open','closed')", name=op.f("ck_shelf_order_state")),
        sa.ForeignKeyConstraint(
            ["closed_by"], ["person.id"], name=op.f("fk_shelf_order_closed_by_person")
        ),
        sa.ForeignKeyConstraint(
            ["ordered_by"], ["person.id"], name=op.f("fk_shelf_order_ordered_by_person")
        ),
        sa.ForeignKeyConstraint(
            ["supplier_id"], ["supplier.id"], name=op.f("fk_shelf_order_supplier_id_supplier")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shelf_order")),
        sa.UniqueConstraint("key", name=op.f("uq_shelf_order_key")),
    )
    op.create_index(
        op.f("ix_shelf_order_supplier_id"), "shelf_order", ["supplier_id"], unique=False
    )
    op.create_table(
        "base_load",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("torch_id", sa.Integer(), nullable=False),
        sa.Column("starts_per_day", sa.Float(), nullable=True),
        sa.Column("minutes_per_start", sa.Float(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("by", sa.Integer(), nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint(
            "(starts_per_day IS NULL) = (minutes_per_start IS NULL)",
            name=op.f("ck_base_load_whole"),
        ),
        sa.CheckConstraint(
            "minutes_per_start IS NULL OR minutes_per_start >= 0",
            name=op.f("ck_base_load_minutes_per_start"),
        ),
        sa.CheckConstraint(
            "starts_per_day IS NULL OR starts_per_day >= 0",
            name=op.f("ck_base_load_starts_per_day"),
        ),
        sa.ForeignKeyConstraint(["by"], ["person.id"], name=op.f("fk_base_load_by_person")),
        sa.ForeignKeyConstraint(
            ["torch_id"], ["torch.id"], name=op.f("fk_base_load_torch_id_torch")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_base_load")),
    )
    op.create_index(op.f("ix_base_load_torch_id"), "base_load", ["torch_id"], unique=False)
    op.create_table(
        "item_terms",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("item_id", sa.Integer(), nullable=False),
        sa.Column("supplier_id", sa.Integer(), nullable=False),
        sa.Column("price", sa.Float(), nullable=False),
        sa.Column("currency", sa.String(length=20), nullable=False),
        sa.Column("pack", sa.Integer(), nullable=False),
        sa.Column("least", sa.Integer(), nullable=False),
        sa.Column("lead_days", sa.Float(), nullable=False),
        sa.Column("lead_days_sd", sa.Float(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("by", sa.Integer(), nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint(
            "lead_days >= 0 AND lead_days_sd >= 0", name=op.f("ck_item_terms_lead_days")
        ),
        sa.CheckConstraint("pack >= 1 AND least >= 1", name=op.f("ck_item_terms_pack")),
        sa.CheckConstraint("price >= 0", name=op.f("ck_item_terms_price")),
        sa.ForeignKeyConstraint(["by"], ["person.id"], name=op.f("fk_item_terms_by_person")),
        sa.ForeignKeyConstraint(
            ["item_id"], ["shelf_item.id"], name=op.f("fk_item_terms_item_id_shelf_item")
        ),
        sa.ForeignKeyConstraint(
            ["supplier_id"], ["supplier.id"], name=op.f("fk_item_terms_supplier_id_supplier")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_item_terms")),
    )
    op.create_index(op.f("ix_item_terms_item_id"), "item_terms", ["item_id"], unique=False)
    op.create_index(op.f("ix_item_terms_supplier_id"), "item_terms", ["supplier_id"], unique=False)
    op.create_table(
        "kit_line",
        sa.Column("kit_id", sa.Integer(), nullable=False),
        sa.Column("item_id", sa.Integer(), nullable=False),
        sa.Column("pieces", sa.Integer(), nullable=False),
        sa.CheckConstraint("kit_id <> item_id", name=op.f("ck_kit_line_of_others")),
        sa.CheckConstraint("pieces > 0", name=op.f("ck_kit_line_pieces")),
        sa.ForeignKeyConstraint(
            ["item_id"], ["shelf_item.id"], name=op.f("fk_kit_line_item_id_shelf_item")
        ),
        sa.ForeignKeyConstraint(
            ["kit_id"], ["shelf_item.id"], name=op.f("fk_kit_line_kit_id_shelf_item")
        ),
        sa.PrimaryKeyConstraint("kit_id", "item_id", name=op.f("pk_kit_line")),
    )
    op.create_table(
        "shelf_order_line",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("item_id", sa.Integer(), nullable=False),
        sa.Column("pieces", sa.Integer(), nullable=False),
        sa.Column("unit_price", sa.Float(), nullable=True),
        sa.Column("currency", sa.String(length=20), nullable=True),
        sa.Column("expected_on", sa.Date(), nullable=True),
        sa.CheckConstraint("pieces > 0", name=op.f("ck_shelf_order_line_pieces")),
        sa.CheckConstraint(
            "unit_price IS NULL OR unit_price >= 0", name=op.f("ck_shelf_order_line_unit_price")
        ),
        sa.ForeignKeyConstraint(
            ["item_id"], ["shelf_item.id"], name=op.f("fk_shelf_order_line_item_id_shelf_item")
        ),
        sa.ForeignKeyConstraint(
            ["order_id"], ["shelf_order.id"], name=op.f("fk_shelf_order_line_order_id_shelf_order")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shelf_order_line")),
        sa.UniqueConstraint("order_id", "item_id", name="uq_shelf_order_line_item"),
    )
    op.create_index(
        op.f("ix_shelf_order_line_item_id"), "shelf_order_line", ["item_id"], unique=False
    )
    op.create_index(
        op.f("ix_shelf_order_line_order_id"), "shelf_order_line", ["order_id"], unique=False
    )
    op.create_table(
        "stock_rule",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("item_id", sa.Integer(), nullable=True),
        sa.Column("service", sa.Float(), nullable=False),
        sa.Column("order_cost", sa.Float(), nullable=False),
        sa.Column("hold_rate", sa.Float(), nullable=False),
        sa.Column("shortage_cost", sa.Float(), nullable=True),
        sa.Column("review_days", sa.Float(), nullable=False),
        sa.Column("keep_least", sa.Integer(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("by", sa.Integer(), nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("order_cost >= 0 AND hold_rate >= 0", name=op.f("ck_stock_rule_costs")),
        sa.CheckConstraint("review_days >= 0 AND keep_least >= 0", name=op.f("ck_stock_rule_keep")),
        sa.CheckConstraint("service > 0 AND service < 1", name=op.f("ck_stock_rule_service")),
        sa.CheckConstraint(
            "shortage_cost IS NULL OR shortage_cost >= 0", name=op.f("ck_stock_rule_shortage_cost")
        ),
        sa.ForeignKeyConstraint(["by"], ["person.id"], name=op.f("fk_stock_rule_by_person")),
        sa.ForeignKeyConstraint(
            ["item_id"], ["shelf_item.id"], name=op.f("fk_stock_rule_item_id_shelf_item")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stock_rule")),
    )
    op.create_index(op.f("ix_stock_rule_item_id"), "stock_rule", ["item_id"], unique=False)
    op.create_table(
        "movement",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("item_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=12), nullable=False),
        sa.Column("pieces", sa.Integer(), nullable=False),
        sa.Column("counted", sa.Integer(), nullable=True),
        sa.Column("below_zero", sa.Boolean(), nullable=False),
        sa.Column("part_item_id", sa.Integer(), nullable=True),
        sa.Column("inspection_id", sa.Integer(), nullable=True),
        sa.Column("order_line_id", sa.Integer(), nullable=True),
        sa.Column("reverses", sa.Integer(), nullable=True),
        sa.Column("unit_price", sa.Float(), nullable=True),
        sa.Column("currency", sa.String(length=20), nullable=True),
        sa.Column("lot", sa.String(length=80), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("by", sa.Integer(), nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint(
            "(kind = 'counted') = (counted IS NOT NULL)", name=op.f("ck_movement_counted")
        ),
        sa.CheckConstraint(
            "(kind = 'undone') = (reverses IS NOT NULL)", name=op.f("ck_movement_reverses")
        ),
        sa.CheckConstraint("kind <> 'goods-in' OR pieces > 0", name=op.f("ck_movement_goods_in")),
        sa.CheckConstraint(
            "kind IN ('goods-in','fitted','taken','scrapped','counted','kit-opened','kit-packed','undone')",
            name=op.f("ck_movement_kind"),
        ),
        sa.CheckConstraint(
            "kind NOT IN ('fitted','taken','scrapped') OR pieces < 0",
            name=op.f("ck_movement_goes_out"),
        ),
        sa.CheckConstraint(
            "counted IS NULL OR counted >= 0", name=op.f("ck_movement_counted_pieces")
        ),
        sa.CheckConstraint(
            "unit_price IS NULL OR unit_price >= 0", name=op.f("ck_movement_unit_price")
        ),
        sa.ForeignKeyConstraint(["by"], ["person.id"], name=op.f("fk_movement_by_person")),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspection.id"], name=op.f("fk_movement_inspection_id_inspection")
        ),
        sa.ForeignKeyConstraint(
            ["item_id"], ["shelf_item.id"], name=op.f("fk_movement_item_id_shelf_item")
        ),
        sa.ForeignKeyConstraint(
            ["order_line_id"],
            ["shelf_order_line.id"],
            name=op.f("fk_movement_order_line_id_shelf_order_line"),
        ),
        sa.ForeignKeyConstraint(
            ["part_item_id"], ["part_item.id"], name=op.f("fk_movement_part_item_id_part_item")
        ),
        sa.ForeignKeyConstraint(
            ["reverses"], ["movement.id"], name=op.f("fk_movement_reverses_movement")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_movement")),
        sa.UniqueConstraint("key", name=op.f("uq_movement_key")),
        sa.UniqueConstraint("reverses", name=op.f("uq_movement_reverses")),
    )
    op.create_index(op.f("ix_movement_inspection_id"), "movement", ["inspection_id"], unique=False)
    op.create_index("ix_movement_item_at", "movement", ["item_id", "at"], unique=False)
    op.create_index(op.f("ix_movement_order_line_id"), "movement", ["order_line_id"], unique=False)
    op.create_index(op.f("ix_movement_part_item_id"), "movement", ["part_item_id"], unique=False)
    op.create_table(
        "planned_work",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("torch_id", sa.Integer(), nullable=False),
        sa.Column("program_id", sa.Integer(), nullable=False),
        sa.Column("plates", sa.Integer(), nullable=False),
        sa.Column("first_day", sa.Date(), nullable=False),
        sa.Column("last_day", sa.Date(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("by", sa.Integer(), nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("withdrawn_by", sa.Integer(), nullable=True),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("last_day >= first_day", name=op.f("ck_planned_work_days")),
        sa.CheckConstraint("plates > 0", name=op.f("ck_planned_work_plates")),
        sa.ForeignKeyConstraint(["by"], ["person.id"], name=op.f("fk_planned_work_by_person")),
        sa.ForeignKeyConstraint(
            ["program_id"], ["program.id"], name=op.f("fk_planned_work_program_id_program")
        ),
        sa.ForeignKeyConstraint(
            ["torch_id"], ["torch.id"], name=op.f("fk_planned_work_torch_id_torch")
        ),
        sa.ForeignKeyConstraint(
            ["withdrawn_by"], ["person.id"], name=op.f("fk_planned_work_withdrawn_by_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_planned_work")),
        sa.UniqueConstraint("key", name=op.f("uq_planned_work_key")),
    )
    op.create_index(
        op.f("ix_planned_work_program_id"), "planned_work", ["program_id"], unique=False
    )
    op.create_index(op.f("ix_planned_work_torch_id"), "planned_work", ["torch_id"], unique=False)
    if op.get_bind().dialect.name == "sqlite":
        _guard_sqlite()
    else:
        _guard_postgres()


def downgrade() -> None:
    raise RuntimeError("a book is never taken apart: restore a backup instead")
