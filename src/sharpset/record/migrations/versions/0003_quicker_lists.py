"""Indexes for lists in the order of time and for names without a kind."""

from __future__ import annotations

from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Put the order of lists into the indexes."""
    op.drop_index("ix_entry_kind_created_utc", table_name="entry")
    op.create_index("ix_entry_kind_created_utc_uuid", "entry", ["kind", "created_utc", "uuid"])
    op.create_index("ix_entry_created_utc_uuid", "entry", ["created_utc", "uuid"])
    op.create_index("ix_entry_name", "entry", ["name"])
