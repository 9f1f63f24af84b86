"""What a record holds for a study: prints of one machine over time, and the recipes in use."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sharpset.errors import RecordError
from sharpset.record.codes import to_json

if TYPE_CHECKING:
    import pandas as pd

    from sharpset.record.entries import Entry
    from sharpset.record.making import Target
    from sharpset.record.store import Record

__all__ = ["PrintSeries", "recipes_in_use", "series_of_prints"]

_ALL = 1_000_000


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PrintSeries:
    """Prints at the same settings in the order of time, with their readings.

    Attributes
    ----------
    prints : pandas.DataFrame
        ``run_id`` (the print's code), ``printed_at, printer, material, changed`` (lot, head or recipe that differ from
        the print before) and ``name``.
    readings : pandas.DataFrame
        Readings of all of them; ``run_id`` is the print's code.
    remarks : tuple of str
        What was left out.
    """

    prints: pd.DataFrame
    readings: pd.DataFrame
    remarks: tuple[str, ...]

    def summary(self) -> str:
        """Return the series in one line."""
        first, last = self.prints["printed_at"].iloc[[0, -1]].str[:10]
        return f"{len(self.prints)} prints from {first} to {last}, {self.readings['scan_id'].nunique()} scans"

    def to_frame(self) -> pd.DataFrame:
        """Return the prints."""
        return self.prints.copy()

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>{self.prints.to_html(index=False)}"


def series_of_prints(
    record: Record, *, printer: Target, material: Target | None = None, piece: Target | None = None
) -> PrintSeries:
    """Gather what a record holds of one printer over time.

    Parameters
    ----------
    record : Record
    printer : str or Entry
    material, piece : str or Entry, optional
        Only prints of these.

    Returns
    -------
    PrintSeries
        Of the prints with the settings and the piece of the newest one that has readings, since other settings would
        look like drift. A print without a date counts as printed when it was entered.

    Raises
    ------
    RecordError
        If no print of this printer has readings.
    """
    import pandas as pd

    asked: dict[str, Any] = {"printer": printer, "material": material, "piece": piece}
    listed = record.list("print", most=_ALL, **{name: what for name, what in asked.items() if what is not None})
    found: list[tuple[str, Entry, pd.DataFrame]] = []
    for code in listed["code"]:
        entry = record.show(code, kind="print")
        table = _readings_of(record, entry)
        if table is not None:
            found.append((str(entry.fields.get("printed_utc") or entry.created_utc), entry, table))
    if not found:
        raise RecordError(
            f"no print of {printer} has readings in the record. Add them: 'record add readings --set print=CODE "
            "--readings FILE'."
        )
    found.sort(key=lambda item: item[0])
    newest = _what(found[-1][1])
    same = [item for item in found if _what(item[1]) == newest]
    remarks = []
    if len(same) < len(found):
        remarks.append(
            f"left out, made at other settings or of another piece than the newest: {len(found) - len(same)} of "
            f"{len(found)} prints"
        )
    undated = sum("printed_utc" not in entry.fields for _, entry, _ in same)
    if undated:
        remarks.append(f"without a date, so that the day of entry counts: {undated} of {len(same)} prints")
    rows: list[dict[str, Any]] = []
    before: Entry | None = None
    for when, entry, _ in same:
        rows.append(
            {
                "run_id": entry.code,
                "printed_at": when,
                "printer": entry.refs["printer"].name,
                "material": _material_of(record, entry),
                "changed": "" if before is None else _changed(before, entry),
                "name": entry.name,
            }
        )
        before = entry
    tables = [table.assign(run_id=entry.code) for _, entry, table in same]
    return PrintSeries(prints=pd.DataFrame(rows), readings=pd.concat(tables, ignore_index=True), remarks=tuple(remarks))


def _what(entry: Entry) -> tuple[str, str]:
    """Return what must be alike in prints that are compared: settings and piece."""
    piece = entry.refs.get("piece")
    return to_json(dict(entry.fields["settings"])), "" if piece is None else piece.name or piece.code


def _readings_of(record: Record, entry: Entry) -> pd.DataFrame | None:
    import pandas as pd

    codes = list(record.list("readings", print=entry, most=_ALL)["code"])
    for scan in record.list("scan", print=entry, most=_ALL)["code"]:
        codes += list(record.list("readings", scan=scan, most=_ALL)["code"])
    tables = [record.readings(code) for code in dict.fromkeys(codes)]
    return pd.concat(tables, ignore_index=True) if tables else None


def _material_of(record: Record, entry: Entry) -> str:
    if "material" in entry.refs:
        return entry.refs["material"].name
    lot = entry.refs.get("lot")
    return record.show(lot.uuid, kind="lot").refs["material"].name if lot is not None else "material"


def _changed(before: Entry, entry: Entry) -> str:
    """Say which lot, head or recipe is another than that of the print before."""
    said = []
    for name in ("lot", "head", "recipe"):
        old, new = before.refs.get(name), entry.refs.get(name)
        if new is not None and (old is None or old.name != new.name):
            said.append(f"{name} {new.name or new.code}")
    return ", ".join(said)


def recipes_in_use(
    record: Record, *, printer: Target | None = None, material: Target | None = None, status: str | None = None
) -> tuple[Entry, ...]:
    """Return the recipes that say what they form, the newest first; retired ones only where they are asked for."""
    asked: dict[str, Any] = {"printer": printer, "material": material}
    asked = {name: what for name, what in asked.items() if what is not None}
    found = [record.show(code, kind="recipe") for code in record.list("recipe", most=_ALL, **asked)["code"]]
    return tuple(
        entry
        for entry in found
        if entry.limits and (entry.fields["status"] == status if status else entry.fields["status"] != "retired")
    )
