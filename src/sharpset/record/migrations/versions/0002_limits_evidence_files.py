"""Heads, lots, fits, limits, evidence, files, and the index that searches use."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from sharpset.record.append_only import protect

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

# print_job and recipe are made anew where columns cannot be added with their references, so they
# lose their protection on the way
_PROTECTED = (
    "print_job",
    "recipe",
    "head",
    "lot",
    "fit",
    "detail_limit",
    "evidence",
    "entry_file",
    "stored_file",
)


def upgrade() -> None:
    """Add the tables and columns and protect their rows."""
    op.create_table(
        "stored_file",
        sa.Column("file_sha256", sa.String(length=64), nullable=False),
        sa.Column("n_bytes", sa.BigInteger(), nullable=False),
        sa.Column("packed", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("file_sha256", name=op.f("pk_stored_file")),
    )
    op.create_table(
        "detail_limit",
        sa.Column("entry_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("limit_mm", sa.Float(precision=53), nullable=False),
        sa.Column("a90_mm", sa.Float(precision=53), nullable=True),
        sa.Column("basis", sa.Text(), nullable=True),
        sa.Column("n_features", sa.Integer(), nullable=True),
        sa.Column("n_prints", sa.Integer(), nullable=True),
        sa.Column("shown_utc", sa.String(length=27), nullable=True),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name=op.f("fk_detail_limit_entry_id")),
        sa.PrimaryKeyConstraint("entry_id", "kind", name=op.f("pk_detail_limit")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "entry_file",
        sa.Column("entry_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("role", sa.String(length=64), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("file_sha256", sa.String(length=64), nullable=False),
        sa.Column("n_bytes", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name=op.f("fk_entry_file_entry_id")),
        sa.PrimaryKeyConstraint("entry_id", "role", name=op.f("pk_entry_file")),
        sqlite_with_rowid=False,
    )
    with op.batch_alter_table("entry_file", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_entry_file_file_sha256"), ["file_sha256"], unique=False)

    op.create_table(
        "evidence",
        sa.Column("entry_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("target_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name=op.f("fk_evidence_entry_id")),
        sa.ForeignKeyConstraint(["target_id"], ["entry.id"], name=op.f("fk_evidence_target_id")),
        sa.PrimaryKeyConstraint("entry_id", "target_id", name=op.f("pk_evidence")),
        sqlite_with_rowid=False,
    )
    with op.batch_alter_table("evidence", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_evidence_target_id"), ["target_id"], unique=False)

    op.create_table(
        "fit",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("printer_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("head_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("material_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("plan_id", sa.Text(), nullable=True),
        sa.Column("settings", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("results", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("model", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("brief", sa.JSON(none_as_null=True), nullable=True),
        sa.ForeignKeyConstraint(["head_id"], ["entry.id"], name=op.f("fk_fit_head_id")),
        sa.ForeignKeyConstraint(["id"], ["entry.id"], name=op.f("fk_fit_id")),
        sa.ForeignKeyConstraint(["material_id"], ["entry.id"], name=op.f("fk_fit_material_id")),
        sa.ForeignKeyConstraint(["printer_id"], ["entry.id"], name=op.f("fk_fit_printer_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fit")),
    )
    with op.batch_alter_table("fit", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_fit_head_id"), ["head_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_fit_material_id"), ["material_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_fit_printer_id"), ["printer_id"], unique=False)

    op.create_table(
        "head",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("printer_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("type", sa.String(length=16), nullable=False),
        sa.Column("size_mm", sa.Float(precision=53), nullable=True),
        sa.Column("details", sa.JSON(none_as_null=True), nullable=True),
        sa.ForeignKeyConstraint(["id"], ["entry.id"], name=op.f("fk_head_id")),
        sa.ForeignKeyConstraint(["printer_id"], ["entry.id"], name=op.f("fk_head_printer_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_head")),
    )
    with op.batch_alter_table("head", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_head_printer_id"), ["printer_id"], unique=False)

    op.create_table(
        "lot",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("material_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("opened_utc", sa.String(length=27), nullable=True),
        sa.Column("details", sa.JSON(none_as_null=True), nullable=True),
        sa.ForeignKeyConstraint(["id"], ["entry.id"], name=op.f("fk_lot_id")),
        sa.ForeignKeyConstraint(["material_id"], ["entry.id"], name=op.f("fk_lot_material_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lot")),
    )
    with op.batch_alter_table("lot", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_lot_material_id"), ["material_id"], unique=False)

    op.create_table(
        "search_detail",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("entry_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("source", sa.String(length=16), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("limit_mm", sa.Float(precision=53), nullable=False),
        sa.Column("subject_key", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("printer_key", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("material_key", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.ForeignKeyConstraint(["entry_id"], ["entry.id"], name=op.f("fk_search_detail_entry_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_search_detail")),
    )
    with op.batch_alter_table("search_detail", schema=None) as batch_op:
        batch_op.create_index(
            "ix_search_detail_both",
            ["printer_key", "material_key", "source", "kind", "limit_mm", "entry_id"],
            unique=False,
        )
        batch_op.create_index(batch_op.f("ix_search_detail_entry_id"), ["entry_id"], unique=False)
        batch_op.create_index("ix_search_detail_limit", ["source", "kind", "limit_mm", "entry_id"], unique=False)
        batch_op.create_index(
            "ix_search_detail_material", ["material_key", "source", "kind", "limit_mm", "entry_id"], unique=False
        )
        batch_op.create_index(
            "ix_search_detail_printer", ["printer_key", "source", "kind", "limit_mm", "entry_id"], unique=False
        )
        batch_op.create_index(batch_op.f("ix_search_detail_subject_key"), ["subject_key"], unique=False)

    with op.batch_alter_table("print_job", schema=None) as batch_op:
        batch_op.add_column(sa.Column("head_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True))
        batch_op.add_column(sa.Column("lot_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True))
        batch_op.add_column(sa.Column("recipe_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True))
        batch_op.create_index(batch_op.f("ix_print_job_head_id"), ["head_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_print_job_lot_id"), ["lot_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_print_job_recipe_id"), ["recipe_id"], unique=False)
        batch_op.create_foreign_key(batch_op.f("fk_print_job_head_id"), "entry", ["head_id"], ["id"])
        batch_op.create_foreign_key(batch_op.f("fk_print_job_recipe_id"), "entry", ["recipe_id"], ["id"])
        batch_op.create_foreign_key(batch_op.f("fk_print_job_lot_id"), "entry", ["lot_id"], ["id"])

    with op.batch_alter_table("recipe", schema=None) as batch_op:
        batch_op.add_column(sa.Column("head_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True))
        batch_op.add_column(sa.Column("fit_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True))
        batch_op.add_column(sa.Column("process", sa.String(length=16), nullable=True))
        batch_op.add_column(sa.Column("growth", sa.JSON(none_as_null=True), nullable=True))
        batch_op.add_column(sa.Column("thicken", sa.JSON(none_as_null=True), nullable=True))
        batch_op.add_column(sa.Column("predicted", sa.JSON(none_as_null=True), nullable=True))
        batch_op.add_column(sa.Column("cautions", sa.Text(), nullable=True))
        batch_op.create_index(batch_op.f("ix_recipe_fit_id"), ["fit_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_recipe_head_id"), ["head_id"], unique=False)
        batch_op.create_foreign_key(batch_op.f("fk_recipe_fit_id"), "entry", ["fit_id"], ["id"])
        batch_op.create_foreign_key(batch_op.f("fk_recipe_head_id"), "entry", ["head_id"], ["id"])

    for table in _PROTECTED:
        protect(op.get_bind(), table)
