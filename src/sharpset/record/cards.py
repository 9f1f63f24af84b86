"""What a recipe card and a reprint sheet say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from sharpset.errors import RecordError
from sharpset.record.entries import DetailLimit, Entry, Ref
from sharpset.record.files import FileRef
from sharpset.record.wording import in_words, interval_text, plain_name, setting_text

if TYPE_CHECKING:
    import pandas as pd

    from sharpset.record.making import Target
    from sharpset.record.store import Record

__all__ = ["CAUTIONS", "RecipeCard", "ReprintSheet", "recipe_card", "reprint_sheet"]

_DEFER = (
    "The material's safety data sheet, the machine's manual and local rules come first; "
    "this sheet does not replace them."
)
CAUTIONS: dict[str, tuple[str, ...]] = {
    "filament": (
        "Nozzle, plate and chamber burn: let them cool before you reach in.",
        "Heated plastic gives off fumes and fine particles: ventilate, and do not sit beside the printer.",
        "Loosen prints away from the hand: scrapers and knives slip.",
        _DEFER,
    ),
    "resin": (
        "Uncured resin is a skin sensitiser: nitrile gloves and eye protection, no bare hands in the vat.",
        "Ultraviolet light harms the eyes: keep covers shut while it is on.",
        "Wash solvent burns: no flames, good ventilation, closed containers.",
        "Resin and used solvent never go down the drain: cure residues and hand them in as the local rules say.",
        _DEFER,
    ),
}
"""Usual cautions by process."""

_BOTH = tuple(dict.fromkeys((*CAUTIONS["filament"], *CAUTIONS["resin"])))


def _pairs(table: Any) -> tuple[tuple[str, str], ...]:
    return tuple((str(name), in_words(value)) for name, value in sorted((table or {}).items()))


def _units_of(fields: Mapping[str, Any]) -> dict[str, str]:
    units = (fields.get("details") or {}).get("units")
    return {str(name): str(unit or "") for name, unit in units.items()} if isinstance(units, Mapping) else {}


def _with_units(fields: Mapping[str, Any], units: Mapping[str, str]) -> tuple[tuple[str, str], ...]:
    """Return settings as text, with units where their names hold none."""
    return tuple(
        (name.replace("_", " ") if name in units else name, setting_text(name, value, unit=units.get(name, "")))
        for name, value in sorted(fields["settings"].items())
    )


def _millimetres(table: Mapping[str, Any] | None, *, sign: bool) -> tuple[tuple[str, str], ...]:
    """Return lengths by name as text: ``bar_mm`` 0.03 becomes bar, +0.030 mm."""
    rows = []
    for name, value in sorted((table or {}).items()):
        number = isinstance(value, int | float) and not isinstance(value, bool)
        text = f"{value:{'+' if sign else ''}.3f} mm" if number and name.endswith("_mm") else in_words(value)
        rows.append((name.removesuffix("_mm").replace("_", " "), text))
    return tuple(rows)


def _predicted(table: Mapping[str, Any] | None) -> tuple[tuple[str, str], ...]:
    """Return predicted readings as text; growth over all sizes is left out where that at the brief's sizes is known."""
    rows = []
    for name, value in sorted((table or {}).items()):
        if f"{name.removesuffix('_mm')}_at_brief_mm" in (table or {}):
            continue
        title, unit = plain_name(name)
        rows.append((title, interval_text(value, unit=unit)) if isinstance(value, Mapping) else (name, in_words(value)))
    return tuple(rows)


def _cautions(process: str, own: str) -> tuple[str, ...]:
    lines = tuple(line.strip() for line in own.splitlines() if line.strip())
    return lines + CAUTIONS.get(process, _BOTH)


@dataclass(frozen=True, kw_only=True, slots=True)
class RecipeCard:
    """A recipe on one page.

    Attributes
    ----------
    code : str
        Finds the entry again.
    made_of : tuple of (str, str)
        Printer, head, material, by what they are.
    settings, growth, thicken, predicted : tuple of (str, str)
        Names and values with units.
    limits : tuple of DetailLimit
        What it was proven to form.
    evidence : tuple of Ref
        The entries on which it rests.
    cautions : tuple of str
    corrections : tuple of Ref
        Earlier versions of this recipe.
    """

    code: str
    uuid: str
    name: str
    status: str
    process: str
    entered_utc: str
    by: str
    note: str
    made_of: tuple[tuple[str, str], ...]
    settings: tuple[tuple[str, str], ...]
    limits: tuple[DetailLimit, ...]
    growth: tuple[tuple[str, str], ...]
    thicken: tuple[tuple[str, str], ...]
    predicted: tuple[tuple[str, str], ...]
    evidence: tuple[Ref, ...]
    cautions: tuple[str, ...]
    corrections: tuple[Ref, ...]
    where: str

    def summary(self) -> str:
        """Return the recipe in one line."""
        forms = ", ".join(f"{limit.kind} {limit.limit_mm:.3g} mm" for limit in self.limits) or "no limits proven yet"
        return f"recipe {self.code} {self.name!r} ({self.status}): {forms}"

    def to_frame(self) -> pd.DataFrame:
        """Return the limits as a table."""
        import pandas as pd

        columns = list(DetailLimit.__slots__)
        return pd.DataFrame([[getattr(limit, n) for n in columns] for limit in self.limits], columns=columns)

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>{self.to_frame().to_html(index=False)}"


@dataclass(frozen=True, kw_only=True, slots=True)
class ReprintSheet:
    """Everything that the record knows to print a lost master again.

    Attributes
    ----------
    made_of : tuple of (str, str)
        Printer, head, material, lot, piece and recipe.
    settings : tuple of (str, str)
    files : tuple of FileRef
        Models and profiles, where they lay, and whether the record keeps them.
    readings : tuple of Ref
        Scans and readings of the lost print, to compare the new one with.
    gaps : tuple of str
        What the record does not know, and what to do about it.
    """

    code: str
    uuid: str
    name: str
    process: str
    printed_utc: str
    duration_h: float | None
    outcome: str
    run: str
    by: str
    note: str
    made_of: tuple[tuple[str, str], ...]
    settings: tuple[tuple[str, str], ...]
    details: tuple[tuple[str, str], ...]
    files: tuple[FileRef, ...]
    readings: tuple[Ref, ...]
    recipe: RecipeCard | None
    gaps: tuple[str, ...]
    cautions: tuple[str, ...]
    where: str

    def summary(self) -> str:
        """Return the sheet in one line."""
        gaps = f"; {len(self.gaps)} things are not known" if self.gaps else "; complete"
        return f"print {self.code} {self.name!r}: {len(self.settings)} settings, {len(self.files)} files{gaps}"

    def to_frame(self) -> pd.DataFrame:
        """Return the settings as a table with the columns name and value."""
        import pandas as pd

        return pd.DataFrame(list(self.settings), columns=["name", "value"])

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>{self.to_frame().to_html(index=False)}"


def _describe(record: Record, ref: Ref, *, printed_utc: str = "") -> str:
    """Return an entry that is pointed to with what matters of it at the bench, and how old it was when it was used."""
    entry = record.show(ref.uuid, follow=False)
    said = [entry.name or entry.code]
    if entry.kind == "head" and "size_mm" in entry.fields:
        said.append(f"{entry.fields['type']} {entry.fields['size_mm']:g} mm")
    for name in ("supplier", "version"):
        if name in entry.fields:
            said.append(str(entry.fields[name]))
    if "opened_utc" in entry.fields:
        said.append(f"opened {entry.fields['opened_utc'][:10]}{_before(entry.fields['opened_utc'], printed_utc)}")
    if entry.kind in ("head", "lot"):
        said += [f"{name.replace('_', ' ')} {value}" for name, value in _pairs(entry.fields.get("details"))]
    return f"{', '.join(said)} [{entry.code}]"


def _before(opened_utc: str, printed_utc: str) -> str:
    """Say how many days a lot had been open when it was printed from; nothing where that is not known."""
    if not printed_utc:
        return ""
    days = (date.fromisoformat(printed_utc[:10]) - date.fromisoformat(opened_utc[:10])).days
    return f" ({days} day{'' if days == 1 else 's'} before this print)" if days >= 0 else ""


def _process(record: Record, entry: Entry) -> str:
    if entry.fields.get("process"):
        return str(entry.fields["process"])
    printer = entry.refs.get("printer")
    return "" if printer is None else str(record.show(printer.uuid, follow=False).fields.get("process", ""))


def recipe_card(record: Record, code: Target) -> RecipeCard:
    """Return what the card of a recipe says.

    Parameters
    ----------
    record : Record
    code : str or Entry
        Code, UUID or name of a recipe; the newest version is taken.
    """
    entry = record.show(code, kind="recipe")
    process = _process(record, entry)
    fields = entry.fields
    return RecipeCard(
        code=entry.code,
        uuid=entry.uuid,
        name=entry.name,
        status=str(fields["status"]),
        process=process,
        entered_utc=entry.created_utc,
        by=entry.by,
        note=entry.note,
        made_of=tuple((name, _describe(record, ref)) for name, ref in entry.refs.items() if name != "fit"),
        settings=_with_units(fields, _units_of(fields)),
        limits=entry.limits,
        growth=_millimetres(fields.get("growth"), sign=True),
        thicken=_millimetres(fields.get("thicken"), sign=False),
        predicted=_predicted(fields.get("predicted")),
        evidence=entry.evidence,
        cautions=_cautions(process, str(fields.get("cautions", ""))),
        corrections=tuple(ref for ref in entry.history if ref.uuid != entry.uuid),
        where=record.where,
    )


def _gaps(entry: Entry, files: tuple[FileRef, ...]) -> tuple[str, ...]:
    gaps = []
    for name in ("head", "material", "lot"):
        if name not in entry.refs:
            gaps.append(f"The {name} is not recorded: look at the bench before you print.")
    if not entry.fields["settings"]:
        gaps.append("No settings are recorded.")
    models = [file for file in files if file.role.startswith("model")]
    if not models:
        gaps.append("No model file is recorded: find the file that was printed.")
    gaps += [
        f"{file.path} is not kept in the record: it must have sha256 {file.file_sha256[:16]}... to be the same file."
        for file in files
        if not file.kept
    ]
    if not any(file.role.startswith("profile") for file in files):
        gaps.append("No slicer profile is recorded: settings that are not listed here are not known.")
        noted = " ".join([*entry.fields["settings"], *(entry.fields.get("details") or {})]).lower()
        lacking = [
            words for key, words in (("orient", "how it lay on the plate"), ("support", "supports")) if key not in noted
        ]
        if lacking:
            gaps.append(f"Not recorded: {' and '.join(lacking)} (settings.orientation, settings.supports).")
    return tuple(gaps)


def _seen_of(record: Record, entry: Entry) -> tuple[Ref, ...]:
    """Return scans and readings of a print."""
    seen = []
    for kind in ("scan", "readings"):
        for code in record.list(kind, print=entry.uuid)["code"]:
            found = record.show(str(code), kind=kind)
            seen.append(
                Ref(code=found.code, uuid=found.uuid, kind=kind, name=found.name, created_utc=found.created_utc)
            )
            if kind == "scan":
                for own in record.list("readings", scan=found.uuid)["code"]:
                    table = record.show(str(own), kind="readings")
                    seen.append(
                        Ref(
                            code=table.code,
                            uuid=table.uuid,
                            kind="readings",
                            name=table.name,
                            created_utc=table.created_utc,
                        )
                    )
    return tuple({ref.uuid: ref for ref in seen}.values())


def reprint_sheet(record: Record, code: Target) -> ReprintSheet:
    """Return everything that is needed to print a lost master again, and what is not known.

    Parameters
    ----------
    record : Record
    code : str or Entry
        Code, UUID or name of a print; the newest version is taken.
    """
    entry = record.show(code, kind="print")
    if entry.kind != "print":
        raise RecordError(f"{entry.summary()}: a reprint needs the code of a print.")
    fields = entry.fields
    process = _process(record, entry)
    recipe = entry.refs.get("recipe")
    units = {} if recipe is None else _units_of(record.show(recipe.uuid).fields)
    files = entry.files
    if "piece" in entry.refs:
        files = (*files, *record.show(entry.refs["piece"].uuid, follow=False).files)
    run = ", ".join(f"{word} {fields[n]}" for word, n in (("plan", "plan_id"), ("run", "run_id")) if n in fields)
    return ReprintSheet(
        code=entry.code,
        uuid=entry.uuid,
        name=entry.name,
        process=process,
        printed_utc=str(fields.get("printed_utc", "")),
        duration_h=fields.get("duration_h"),
        outcome=str(fields.get("outcome", "")),
        run=run,
        by=entry.by,
        note=entry.note,
        made_of=tuple(
            (name, _describe(record, ref, printed_utc=str(fields.get("printed_utc", ""))))
            for name, ref in entry.refs.items()
        ),
        settings=_with_units(fields, units | _units_of(fields)),
        details=_pairs({n: v for n, v in (fields.get("details") or {}).items() if n != "units"}),
        files=files,
        readings=_seen_of(record, entry),
        recipe=None if recipe is None else recipe_card(record, recipe.uuid),
        gaps=_gaps(entry, files),
        cautions=_cautions(process, ""),
        where=record.where,
    )
