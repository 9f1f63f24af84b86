"""Entries from the command line: typed, from a piece folder, a fit folder, or a table of readings."""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sharpset.errors import RecordError
from sharpset.record.codes import now_utc
from sharpset.record.entries import Entry
from sharpset.record.fitfolder import add_fit_folder, read_fit_folder, read_table
from sharpset.record.kinds import Kind, kind_named
from sharpset.record.typed import Typed, parse_pairs, read_typed

if TYPE_CHECKING:
    from sharpset.record.store import Record

__all__ = ["add_typed", "correct_typed"]

_PIECE_FILES = {"features": "features.csv", "model": "piece.3mf", "model-stl": "piece.stl", "preview": "preview.png"}


def _limits(args: argparse.Namespace, typed: Typed) -> Any:
    pairs = parse_pairs(args.limits, what="--limit")
    if not pairs:
        return typed.rest.get("limits")
    try:
        return {kind: float(text) for kind, text in pairs.items()}
    except ValueError as error:
        raise RecordError(f"--limit: {error}. Write the kind and a size in mm, for example bar=0.25.") from error


def _files(args: argparse.Namespace) -> dict[str, str]:
    return parse_pairs(args.files, what="--file")


def _merge_options(args: argparse.Namespace, kind: Kind, typed: Typed) -> Typed:
    """Take --name, --printer, --material, --head and --status into what was typed."""
    refs = dict(typed.refs)
    for name in ("printer", "material", "head"):
        value = getattr(args, name)
        if value and name not in kind.refs:
            raise RecordError(f"{kind.name}: it does not point to a {name}; leave --{name} out.")
        if value:
            refs[name] = value
    fields = dict(typed.fields)
    if args.status:
        fields["status"] = args.status
    elif kind.name == "recipe":
        fields.setdefault("status", "trial")
    return Typed(name=args.name or typed.name, fields=fields, refs=refs, rest=typed.rest)


def add_typed(record: Record, args: argparse.Namespace) -> Sequence[Entry]:
    """Add what ``sharpset record add`` asks for; return the new entries."""
    if args.fit is not None:
        return [_add_fit(record, args)]
    if args.kind is None:
        raise RecordError("add: say what to add, a kind such as printer or print, or --fit DIR.")
    kind = kind_named(args.kind)
    if kind.name == "piece" and args.piece is not None:
        return [_add_piece(record, args)]
    typed = _merge_options(args, kind, read_typed(kind, args.pairs, args.json))
    if kind.name == "readings":
        if args.readings is None:
            raise RecordError("readings: --readings is missing: the table that 'sharpset read' wrote.")
        return _add_readings(record, args, typed)
    if kind.name == "scan":
        return [_add_scan(record, args, typed)]
    if args.readings is not None:
        raise RecordError(f"{kind.name}: --readings goes with --fit, or with the kind readings.")
    entry = record.add(
        kind.name,
        typed.name,
        fields=typed.fields,
        refs=typed.refs,
        limits=_limits(args, typed),
        evidence=[*args.evidence, *typed.rest.get("evidence", [])],
        files=_files(args),
        keep_files=not args.not_kept,
        by=args.by,
        note=args.note,
    )
    return [entry]


def _add_readings(record: Record, args: argparse.Namespace, typed: Typed) -> Sequence[Entry]:
    """Enter the scans of a table that the record does not hold yet, number for number."""
    start = now_utc()
    entries = record.add_readings(read_table(args.readings), again=False, **typed.refs, by=args.by, note=args.note)
    fresh = [entry for entry in entries if entry.created_utc >= start]
    if not fresh:
        codes = ", ".join(entry.code for entry in entries[:3]) + " ..." * (len(entries) > 3)
        raise RecordError(
            f"{args.readings}: these readings are in the record already, as {codes}; nothing was added. "
            "What they point to is changed with 'sharpset record correct CODE --set ...'."
        )
    return fresh


def _add_scan(record: Record, args: argparse.Namespace, typed: Typed) -> Entry:
    fields = {n: v for n, v in typed.fields.items() if n not in ("file_sha256", "n_bytes")}
    path = fields.pop("path", None)
    if not path:
        raise RecordError("scan: path is missing: where the file lies. Add --set path=FILE.")
    if known := record.scan_of_file(path):
        raise RecordError(
            f"{path}: this very picture is in the record already, as {known.summary()}; nothing was added. "
            f"What it points to is changed with 'sharpset record correct {known.code} --set ...'."
        )
    return record.add_scan(path, name=typed.name, **fields, **typed.refs, by=args.by, note=args.note)


def _add_piece(record: Record, args: argparse.Namespace) -> Entry:
    folder: Path = args.piece
    try:
        definition = json.loads((folder / "piece.json").read_text(encoding="utf-8"))
        name = str(args.name or definition["id"])
    except OSError as error:
        raise RecordError(
            f"{folder}: no piece.json can be read here ({error.strerror}). Give a piece folder."
        ) from error
    except (ValueError, KeyError, TypeError) as error:
        raise RecordError(
            f"{folder / 'piece.json'}: is no description of a piece ({error}). Make the piece again."
        ) from error
    files = {role: folder / file for role, file in _PIECE_FILES.items() if (folder / file).is_file()}
    return record.add_piece(
        name,
        type=str(definition.get("kind") or ""),
        version=str(definition.get("version") or ""),
        definition=definition,
        files=files,
        keep_files=not args.not_kept,
        by=args.by,
        note=args.note,
    )


def _add_fit(record: Record, args: argparse.Namespace) -> Entry:
    if args.kind not in (None, "fit", "recipe"):
        raise RecordError(f"add: --fit takes a recipe from a fit folder, so it does not go with the kind {args.kind}.")
    with record.together():
        if args.create:
            _create_missing(record, args)
        return add_fit_folder(
            record,
            args.fit,
            readings=args.readings,
            printer=args.printer,
            material=args.material,
            head=args.head,
            name=args.name,
            status=args.status or "trial",
            by=args.by,
            note=args.note,
        )


def _create_missing(record: Record, args: argparse.Namespace) -> None:
    process = parse_pairs(args.pairs, what="--set").get("process") or read_fit_folder(args.fit).brief.get("process")
    for kind in ("printer", "material"):
        name = getattr(args, kind)
        if not name or name in set(record.list(kind, most=100_000)["name"]):
            continue
        if kind == "printer" and process is None:
            raise RecordError(f"printer {name!r} is new: say how it prints, --set process=filament or process=resin.")
        record.add(kind, name, fields={"process": process}, by=args.by)


def correct_typed(record: Record, args: argparse.Namespace) -> Entry:
    """Correct an entry as ``sharpset record correct`` asks for; return the new entry."""
    old = record.show(args.code, kind=args.kind)
    kind = kind_named(old.kind)
    typed = read_typed(kind, args.pairs, args.json)
    changes = typed.changes()
    for name, spec in kind.fields.items():
        # parts of a table are changed one by one, the others stay
        if spec.type == "json" and isinstance(changes.get(name), dict) and args.json is None:
            changes[name] = dict(old.fields.get(name, {})) | changes[name]
    limits = _limits(args, typed)
    if limits is not None:
        changes["limits"] = limits
    if args.evidence:
        changes["evidence"] = [ref.uuid for ref in old.evidence] + list(args.evidence)
    table = None if args.readings is None else read_table(args.readings)
    files = _files(args)
    if not changes and table is None and not files:
        raise RecordError(f"correct {args.code}: nothing to change. Add --set key=value.")
    return record.correct(
        old, changes, note=args.note, readings=table, files=files, keep_files=not args.not_kept, by=args.by
    )
