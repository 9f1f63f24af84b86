"""Tables of entries, for people."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from sqlalchemy import ColumnElement, Connection, or_, select
from sqlalchemy.orm import aliased

from sharpset.errors import RecordError
from sharpset.record.chains import chain_of, is_newest
from sharpset.record.kinds import Kind, kind_named
from sharpset.record.models import EntryRow

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["list_entries"]

_HIDDEN = ("table_sha256", "definition", "details")


def _all_kinds(*, conditions: list[ColumnElement[bool]], most: int) -> Any:
    columns = (EntryRow.code, EntryRow.kind, EntryRow.name, EntryRow.created_utc, EntryRow.by, EntryRow.note)
    query = select(*columns).where(*conditions).order_by(EntryRow.created_utc.desc(), EntryRow.uuid.desc())
    return query.limit(most)


def _one_kind(kind: Kind, *, conditions: list[ColumnElement[bool]], by_target: bool, most: int) -> Any:
    """Choose the entries first and look up what they point to then, or a long record takes its time."""
    table = kind.row.__table__
    entry = EntryRow.__table__
    chosen = select(entry.c.id).join(table, table.c.id == entry.c.id).where(*conditions)
    if by_target:
        # as an expression, so that SQLite starts from the few that point there, not from the newest of all
        when: ColumnElement[str] = entry.c.created_utc + ""
    else:
        chosen = chosen.where(entry.c.kind == kind.name)
        when = entry.c.created_utc
    chosen = chosen.order_by(when.desc(), entry.c.uuid.desc()).limit(most)
    columns: list[Any] = [EntryRow.code, EntryRow.name, EntryRow.created_utc]
    query = select().select_from(entry.join(table, table.c.id == entry.c.id))
    for name in kind.refs:
        target = aliased(EntryRow)
        query = query.outerjoin(target, target.id == table.c[f"{name}_id"])
        columns += [target.name.label(name), target.code.label(f"{name}_code")]
    columns += [table.c[name] for name in kind.fields if name not in _HIDDEN]
    query = query.add_columns(*columns, EntryRow.note).where(EntryRow.id.in_(chosen))
    return query.order_by(EntryRow.created_utc.desc(), EntryRow.uuid.desc())


def list_entries(
    connection: Connection,
    kind: str | None,
    *,
    refs: Mapping[str, int],
    text: str,
    corrected: bool,
    most: int,
) -> pd.DataFrame:
    """Return a table of entries, the newest first.

    Parameters
    ----------
    connection : Connection
    kind : str or None
        All kinds if None.
    refs : mapping of str to int
        Keep entries that point to these (any version of them): name of the reference and row number.
    text : str
        Keep entries whose name or note holds this.
    corrected : bool
        Whether entries that were corrected later are shown too.
    most : int
        Largest number of rows.
    """
    import pandas as pd

    conditions: list[ColumnElement[bool]] = [] if corrected else [is_newest()]
    if text:
        escaped = text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
        pattern = f"%{escaped}%"
        conditions.append(or_(EntryRow.name.ilike(pattern, escape="\\"), EntryRow.note.ilike(pattern, escape="\\")))
    if kind is None:
        if refs:
            raise RecordError(f"list: say of which kind the entries are that point to a {next(iter(refs))}.")
        query = _all_kinds(conditions=conditions, most=most)
    else:
        spec = kind_named(kind)
        for name, key in refs.items():
            if name not in spec.refs:
                raise RecordError(f"list: a {kind} does not point to a {name}; it may point to {', '.join(spec.refs)}.")
            keys = [row.id for row in chain_of(connection, key)]
            conditions.append(spec.row.__table__.c[f"{name}_id"].in_(keys))
        query = _one_kind(spec, conditions=conditions, by_target=bool(refs), most=most)
    result = connection.execute(query)
    table = pd.DataFrame(result.all(), columns=list(result.keys()))
    for column in table.columns:
        if column.endswith("_code") and (stem := column.removesuffix("_code")) in table.columns:
            table[stem] = table[stem].where(table[stem].fillna("") != "", table[column])
            table = table.drop(columns=column)
    return table
