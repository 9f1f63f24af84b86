"""The first tables: printers, materials, pieces, prints, scans, readings, recipes."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from sharpset.record.append_only import protect

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_TABLES = (
    "entry",
    "printer",
    "material",
    "piece",
    "print_job",
    "scan",
    "readings",
    "reading_size",
    "recipe",
)


def upgrade() -> None:
    """Make the tables and protect their rows."""
    op.create_table(
        "entry",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("uuid", sa.String(length=36), nullable=False),
        sa.Column("code", sa.String(length=6), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("created_utc", sa.String(length=27), nullable=False),
        sa.Column("corrects_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("first_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["corrects_id"], ["entry.id"], name=op.f("fk_entry_corrects_id")),
        sa.ForeignKeyConstraint(["first_id"], ["entry.id"], name=op.f("fk_entry_first_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_entry")),
        sa.UniqueConstraint("uuid", name=op.f("uq_entry_uuid")),
    )
    with op.batch_alter_table("entry", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_entry_code"), ["code"], unique=False)
        batch_op.create_index(batch_op.f("ix_entry_corrects_id"), ["corrects_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_entry_first_id"), ["first_id"], unique=False)
        batch_op.create_index("ix_entry_kind_created_utc", ["kind", "created_utc"], unique=False)
        batch_op.create_index("ix_entry_kind_name", ["kind", "name"], unique=False)

    op.create_table(
        "material",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("process", sa.String(length=16), nullable=True),
        sa.Column("supplier", sa.Text(), nullable=True),
        sa.Column("details", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["id"], ["entry.id"], name=op.f("fk_material_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_material")),
    )
    op.create_table(
        "piece",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("type", sa.Text(), nullable=True),
        sa.Column("version", sa.Text(), nullable=True),
        sa.Column("definition", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["id"], ["entry.id"], name=op.f("fk_piece_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_piece")),
    )
    op.create_table(
        "print_job",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("printer_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("material_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("piece_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("run_id", sa.Text(), nullable=True),
        sa.Column("plan_id", sa.Text(), nullable=True),
        sa.Column("printed_utc", sa.String(length=27), nullable=True),
        sa.Column("duration_h", sa.Float(precision=53), nullable=True),
        sa.Column("outcome", sa.Text(), nullable=True),
        sa.Column("settings", sa.JSON(), nullable=False),
        sa.Column("details", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["id"], ["entry.id"], name=op.f("fk_print_job_id")),
        sa.ForeignKeyConstraint(["material_id"], ["entry.id"], name=op.f("fk_print_job_material_id")),
        sa.ForeignKeyConstraint(["piece_id"], ["entry.id"], name=op.f("fk_print_job_piece_id")),
        sa.ForeignKeyConstraint(["printer_id"], ["entry.id"], name=op.f("fk_print_job_printer_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_print_job")),
    )
    with op.batch_alter_table("print_job", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_print_job_material_id"), ["material_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_print_job_piece_id"), ["piece_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_print_job_printer_id"), ["printer_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_print_job_run_id"), ["run_id"], unique=False)

    op.create_table(
        "printer",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("process", sa.String(length=16), nullable=False),
        sa.Column("details", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["id"], ["entry.id"], name=op.f("fk_printer_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_printer")),
    )
    op.create_table(
        "reading_size",
        sa.Column("readings_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("nominal_mm", sa.Float(precision=53), nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("n_formed", sa.Integer(), nullable=False),
        sa.Column("n_partly", sa.Integer(), nullable=False),
        sa.Column("mean_deviation_mm", sa.Float(precision=53), nullable=True),
        sa.Column("sd_deviation_mm", sa.Float(precision=53), nullable=True),
        sa.ForeignKeyConstraint(["readings_id"], ["entry.id"], name=op.f("fk_reading_size_readings_id")),
        sa.PrimaryKeyConstraint("readings_id", "kind", "nominal_mm", name=op.f("pk_reading_size")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "readings",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("scan_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("print_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("piece_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("n_rows", sa.Integer(), nullable=False),
        sa.Column("table_sha256", sa.String(length=64), nullable=False),
        sa.Column("packed", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["id"], ["entry.id"], name=op.f("fk_readings_id")),
        sa.ForeignKeyConstraint(["piece_id"], ["entry.id"], name=op.f("fk_readings_piece_id")),
        sa.ForeignKeyConstraint(["print_id"], ["entry.id"], name=op.f("fk_readings_print_id")),
        sa.ForeignKeyConstraint(["scan_id"], ["entry.id"], name=op.f("fk_readings_scan_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_readings")),
    )
    with op.batch_alter_table("readings", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_readings_piece_id"), ["piece_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_readings_print_id"), ["print_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_readings_scan_id"), ["scan_id"], unique=False)

    op.create_table(
        "recipe",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("printer_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("material_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("status", sa.String(length=16), nullable=False),
        sa.Column("settings", sa.JSON(), nullable=False),
        sa.Column("details", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["id"], ["entry.id"], name=op.f("fk_recipe_id")),
        sa.ForeignKeyConstraint(["material_id"], ["entry.id"], name=op.f("fk_recipe_material_id")),
        sa.ForeignKeyConstraint(["printer_id"], ["entry.id"], name=op.f("fk_recipe_printer_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_recipe")),
    )
    with op.batch_alter_table("recipe", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_recipe_material_id"), ["material_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_recipe_printer_id"), ["printer_id"], unique=False)

    op.create_table(
        "scan",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("print_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("piece_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("file_sha256", sa.String(length=64), nullable=False),
        sa.Column("n_bytes", sa.BigInteger(), nullable=False),
        sa.Column("dpi", sa.Float(precision=53), nullable=True),
        sa.Column("scanner", sa.Text(), nullable=True),
        sa.Column("scanned_utc", sa.String(length=27), nullable=True),
        sa.Column("details", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["id"], ["entry.id"], name=op.f("fk_scan_id")),
        sa.ForeignKeyConstraint(["piece_id"], ["entry.id"], name=op.f("fk_scan_piece_id")),
        sa.ForeignKeyConstraint(["print_id"], ["entry.id"], name=op.f("fk_scan_print_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_scan")),
    )
    with op.batch_alter_table("scan", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_scan_file_sha256"), ["file_sha256"], unique=False)
        batch_op.create_index(batch_op.f("ix_scan_piece_id"), ["piece_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_scan_print_id"), ["print_id"], unique=False)

    for table in _TABLES:
        protect(op.get_bind(), table)
