"""Triggers that keep entries from being changed or removed, for use in migrations."""

from __future__ import annotations

from sqlalchemy import Connection, text

__all__ = ["protect"]

_WORDS = "entries of the record are never changed, correct them with a new entry"


def protect(connection: Connection, table: str) -> None:
    """Refuse every UPDATE and DELETE on a table from now on."""
    if connection.dialect.name == "sqlite":
        for action in ("UPDATE", "DELETE"):
            connection.execute(text(f"DROP TRIGGER IF EXISTS keep_{table}_{action.lower()}"))
            connection.execute(
                text(
                    f"CREATE TRIGGER keep_{table}_{action.lower()} BEFORE {action} ON {table} "
                    f"BEGIN SELECT RAISE(ABORT, '{_WORDS}'); END"
                )
            )
        return
    connection.execute(
        text(
            "CREATE OR REPLACE FUNCTION sharpset_keep() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE EXCEPTION '{_WORDS}'; END $$"
        )
    )
    connection.execute(text(f"DROP TRIGGER IF EXISTS keep_{table} ON {table}"))
    connection.execute(
        text(
            f"CREATE TRIGGER keep_{table} BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION sharpset_keep()"
        )
    )
