"""Add entries to the record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from sharpset.record.base import RecordBase
from sharpset.record.documents import Document, insert_document
from sharpset.record.entries import Entry
from sharpset.record.files import HashedFile, hash_file, hash_files, keep_content
from sharpset.record.lookup import to_entries
from sharpset.record.making import Target, new_document

if TYPE_CHECKING:
    pass

__all__ = ["AddingRecord", "insert_entry"]

Table = Mapping[str, Any]
Files = Mapping[str, "Path | str"]


def insert_entry(
    connection: Connection, document: Document, hashed: Sequence[HashedFile] = (), packed: bytes | None = None
) -> Entry:
    """Insert a document and the files that are kept with it; return the entry."""
    for file in hashed:
        if file.content is not None:
            keep_content(connection, file.content)
    return to_entries(connection, [insert_document(connection, document, packed)])[0]


class AddingRecord(RecordBase):
    """The part of a record that takes entries; tables of readings are taken by `AddingReadings`."""

    def add(
        self,
        kind: str,
        name: str = "",
        *,
        fields: Table | None = None,
        refs: Mapping[str, Target | None] | None = None,
        limits: Any = None,
        evidence: Sequence[Target] = (),
        files: Files | None = None,
        keep_files: bool = True,
        by: str = "",
        note: str = "",
    ) -> Entry:
        """Add an entry of any kind; the methods below do the same with named arguments.

        Parameters
        ----------
        kind : str
        name : str
        fields : mapping, optional
            Fields of the kind.
        refs : mapping, optional
            Entries it points to: a code, a UUID, a name or an Entry.
        limits : mapping, sequence of mapping or DataFrame, optional
            For fits and recipes: kind of detail to the smallest size that forms, mm; or rows with kind,
            limit_mm and, where known, a90_mm, basis, n_features, n_prints, shown_utc.
        evidence : sequence of str or Entry
            Entries on which this one rests.
        files : mapping of str to path, optional
            Files that belong to it, by role (model, profile, report).
        keep_files : bool
            Whether their content is kept inside the record, or only hash and place.
        by, note : str
            Who makes the entry, and a remark.

        Raises
        ------
        RecordError
            If it does not fit; nothing is added then.
        """
        hashed = hash_files(files or {}, keep=keep_files)
        with self._writing() as connection:
            document = new_document(
                connection,
                kind,
                name,
                fields=fields or {},
                refs=refs or {},
                limits=limits,
                evidence=evidence,
                files=hashed,
                by=by,
                note=note,
            )
            return insert_entry(connection, document, hashed)

    def add_printer(
        self, name: str, *, process: str, details: Table | None = None, by: str = "", note: str = ""
    ) -> Entry:
        """Add a printer; `process` is filament or resin."""
        return self.add("printer", name, fields={"process": process, "details": details}, by=by, note=note)

    def add_head(
        self,
        name: str,
        *,
        type: str,
        size_mm: float | None = None,
        printer: Target | None = None,
        details: Table | None = None,
        by: str = "",
        note: str = "",
    ) -> Entry:
        """Add a nozzle (`size_mm` is its diameter) or a light engine (`size_mm` is its pixel pitch)."""
        fields = {"type": type, "size_mm": size_mm, "details": details}
        return self.add("head", name, fields=fields, refs={"printer": printer}, by=by, note=note)

    def add_material(
        self,
        name: str,
        *,
        process: str | None = None,
        supplier: str = "",
        details: Table | None = None,
        by: str = "",
        note: str = "",
    ) -> Entry:
        """Add a material."""
        fields = {"process": process, "supplier": supplier, "details": details}
        return self.add("material", name, fields=fields, by=by, note=note)

    def add_lot(
        self,
        name: str,
        *,
        material: Target,
        opened_utc: str = "",
        details: Table | None = None,
        by: str = "",
        note: str = "",
    ) -> Entry:
        """Add a lot of a material: one spool, bottle or delivery."""
        fields = {"opened_utc": opened_utc, "details": details}
        return self.add("lot", name, fields=fields, refs={"material": material}, by=by, note=note)

    def add_piece(
        self,
        name: str,
        *,
        type: str = "",
        version: str = "",
        definition: Table | None = None,
        files: Files | None = None,
        keep_files: bool = True,
        by: str = "",
        note: str = "",
    ) -> Entry:
        """Add a test piece or the model of a master; `definition` is what its piece.json holds."""
        fields = {"type": type, "version": version, "definition": definition}
        return self.add("piece", name, fields=fields, files=files, keep_files=keep_files, by=by, note=note)

    def add_print(
        self,
        settings: Table,
        *,
        printer: Target,
        head: Target | None = None,
        material: Target | None = None,
        lot: Target | None = None,
        piece: Target | None = None,
        recipe: Target | None = None,
        name: str = "",
        run_id: str = "",
        plan_id: str = "",
        printed_utc: str = "",
        duration_h: float | None = None,
        outcome: str = "",
        details: Table | None = None,
        files: Files | None = None,
        keep_files: bool = True,
        by: str = "",
        note: str = "",
    ) -> Entry:
        """Add a print job.

        Parameters
        ----------
        settings : mapping of str to object
            Every setting by name, units in the names (``layer_height_mm``).
        printer, head, material, lot, piece, recipe : str or Entry
            Name, code or entry; the material may be left to the lot.
        name : str
            What was printed.
        run_id, plan_id : str
            The run of a plan that it was.
        printed_utc : str
            ISO 8601 date or time.
        duration_h : float
            Print time, h.
        outcome : str
            How it came out, in words.
        files : mapping of str to path
            What a reprint needs: ``{"model": "winch.3mf", "profile": "fine.ini"}``.
        """
        fields = {
            "settings": settings,
            "run_id": run_id,
            "plan_id": plan_id,
            "printed_utc": printed_utc,
            "duration_h": duration_h,
            "outcome": outcome,
            "details": details,
        }
        refs = {"printer": printer, "head": head, "material": material, "lot": lot, "piece": piece, "recipe": recipe}
        return self.add("print", name, fields=fields, refs=refs, files=files, keep_files=keep_files, by=by, note=note)

    def add_scan(
        self,
        path: Path | str,
        *,
        print: Target | None = None,
        piece: Target | None = None,
        name: str = "",
        dpi: float | None = None,
        scanner: str = "",
        scanned_utc: str = "",
        details: Table | None = None,
        by: str = "",
        note: str = "",
    ) -> Entry:
        """Add a scan: its file is hashed and stays where it lies; its name is the file's unless given."""
        file_sha256, n_bytes = hash_file(path)
        fields = {
            "path": str(path),
            "file_sha256": file_sha256,
            "n_bytes": n_bytes,
            "dpi": dpi,
            "scanner": scanner,
            "scanned_utc": scanned_utc,
            "details": details,
        }
        refs = {"print": print, "piece": piece}
        return self.add("scan", name or Path(path).stem, fields=fields, refs=refs, by=by, note=note)

    def add_fit(
        self,
        name: str = "",
        *,
        settings: Table | None = None,
        results: Table | None = None,
        model: Table | None = None,
        brief: Table | None = None,
        plan_id: str = "",
        limits: Any = None,
        evidence: Sequence[Target] = (),
        printer: Target | None = None,
        head: Target | None = None,
        material: Target | None = None,
        files: Files | None = None,
        keep_files: bool = True,
        by: str = "",
        note: str = "",
    ) -> Entry:
        """Add what an experiment came to.

        Parameters
        ----------
        settings : mapping
            The settings it recommends.
        results, model : mapping
            What settings.json and fit.json of the fit folder hold.
        brief : mapping
            The brief it was made for.
        limits, evidence, files
            See `add`; the evidence are the readings it was made from.
        """
        fields = {"plan_id": plan_id, "settings": settings, "results": results, "model": model, "brief": brief}
        return self.add(
            "fit",
            name,
            fields=fields,
            refs={"printer": printer, "head": head, "material": material},
            limits=limits,
            evidence=evidence,
            files=files,
            keep_files=keep_files,
            by=by,
            note=note,
        )

    def add_recipe(
        self,
        name: str,
        settings: Table,
        *,
        status: str = "trial",
        limits: Any = None,
        evidence: Sequence[Target] = (),
        growth: Table | None = None,
        thicken: Table | None = None,
        predicted: Table | None = None,
        cautions: str = "",
        process: str | None = None,
        printer: Target | None = None,
        head: Target | None = None,
        material: Target | None = None,
        fit: Target | None = None,
        details: Table | None = None,
        files: Files | None = None,
        keep_files: bool = True,
        by: str = "",
        note: str = "",
    ) -> Entry:
        """Add a recipe: settings that worked, and what they were proven to form.

        Parameters
        ----------
        name : str
        settings : mapping of str to object
        status : {'trial', 'good', 'retired'}
        limits, evidence, files
            See `add`.
        growth : mapping
            Growth to allow for in CAD, mm: ``{"outline_mm": 0.03, "hole_mm": -0.02}``, per side.
        thicken : mapping
            Kind of detail to the size it must be thickened to, mm.
        predicted : mapping
            Readings that were predicted for these settings.
        cautions : str
            What to be careful of, a line each.
        """
        fields = {
            "status": status,
            "settings": settings,
            "process": process,
            "growth": growth,
            "thicken": thicken,
            "predicted": predicted,
            "cautions": cautions,
            "details": details,
        }
        return self.add(
            "recipe",
            name,
            fields=fields,
            refs={"printer": printer, "head": head, "material": material, "fit": fit},
            limits=limits,
            evidence=evidence,
            files=files,
            keep_files=keep_files,
            by=by,
            note=note,
        )
