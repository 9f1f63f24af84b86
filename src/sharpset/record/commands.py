"""The verb ``sharpset record``: its arguments, and what each action does."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sharpset.record.entries import Entry
    from sharpset.record.store import Record

__all__ = ["KIND_NAMES", "configure"]

KIND_NAMES = ("printer", "head", "material", "lot", "piece", "print", "scan", "readings", "fit", "recipe")
_WHICH = "the entry, by its code, name or UUID"
STATUS_NAMES = ("trial", "good", "retired")
_POINTED_TO = ("printer", "material", "head", "lot", "piece", "print", "scan", "recipe")
_FORMS = """\
A value is set by --set key=value; parts of a table by a dot, entries by name or code:
  sharpset record add printer --set name=Heron process=filament
  sharpset record add material --set name="grey PLA" process=filament
  sharpset record add print --set printer=Heron material="grey PLA" settings.layer_height_mm=0.06
  sharpset record add scan --set path=winch.tif print=K7FQ2X dpi=1200
  sharpset record add readings --readings readings.csv
  sharpset record add recipe --set name="fine bars" printer=Heron settings.layer_height_mm=0.06 --limit bar=0.25
  sharpset record add --fit fit_folder --readings readings.csv --printer Heron --material "grey PLA"
"""


def _place() -> argparse.ArgumentParser:
    place = argparse.ArgumentParser(add_help=False)
    place.add_argument(
        "--db",
        metavar="PATH|URL",
        help="the record: a SQLite file or postgresql://user@host/name "
        "(default: $SHARPSET_RECORD, else sharpset-record.sqlite here)",
    )
    return place


def _writer() -> argparse.ArgumentParser:
    writer = argparse.ArgumentParser(add_help=False)
    writer.add_argument(
        "--set", dest="pairs", metavar="KEY=VALUE", nargs="+", action="extend", default=[], help="set fields"
    )
    writer.add_argument("--json", type=Path, metavar="FILE", help="take fields from a JSON file; --set wins")
    writer.add_argument(
        "--limit",
        dest="limits",
        metavar="KIND=MM",
        nargs="+",
        action="extend",
        default=[],
        help="smallest size that forms",
    )
    writer.add_argument(
        "--evidence", metavar="CODE", nargs="+", action="extend", default=[], help="entries on which it rests"
    )
    writer.add_argument(
        "--file",
        dest="files",
        metavar="ROLE=PATH",
        nargs="+",
        action="extend",
        default=[],
        help="model=..., profile=...",
    )
    writer.add_argument("--not-kept", action="store_true", help="note the files' hashes and places only")
    writer.add_argument("--readings", type=Path, metavar="FILE", help="a table of readings, CSV or Parquet")
    writer.add_argument("--note", default="", metavar="TEXT", help="a remark; for a correction, why")
    writer.add_argument("--by", default="", metavar="NAME", help="who makes the entry")
    return writer


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of ``sharpset record``; parsing sets ``run``."""
    place, writer = _place(), _writer()
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)

    def action(name: str, run: Callable[[argparse.Namespace], int], text: str, *parents: Any, **more: Any) -> Any:
        sub = actions.add_parser(
            name, help=text, description=f"{text[0].upper()}{text[1:]}.", parents=[place, *parents], **more
        )
        sub.set_defaults(run=run)
        return sub

    raw = argparse.RawDescriptionHelpFormatter
    _add_options(action("add", _add, "add an entry", writer, epilog=_FORMS, formatter_class=raw))
    _list_options(action("list", _list, "list entries, the newest first"))
    _show_options(action("show", _show, "show one entry; corrections are followed to the newest"))
    _search_options(action("search", _search, "search by what forms, the finest first"))
    _match_options(action("match", _match, "find the recipe, and so the printer, that forms a part's details"))
    _series_options(action("series", _series, "write the prints of a printer over time for 'compare --drift'"))
    correct = action("correct", _correct, "correct an entry by a new one that points to it", writer)
    correct.add_argument("code", metavar="CODE|NAME|UUID", help=_WHICH)
    correct.add_argument("--kind", choices=KIND_NAMES, help="where a name is used by several kinds")
    for name, run, text in (
        ("card", _card, "write the card of a recipe, PDF and HTML"),
        ("reprint", _reprint, "write everything that is needed to print a master again, PDF and HTML"),
    ):
        sheet = action(name, run, text)
        sheet.add_argument("code", metavar="CODE|NAME|UUID", help=_WHICH)
        sheet.add_argument("--out", type=Path, default=Path(), metavar="DIR", help="folder (default: this one)")
    action("export", _export, "export the record to a new folder").add_argument(
        "folder", type=Path, metavar="DIR", help="folder to make"
    )
    action("import", _import, "import an export; nothing comes in twice").add_argument(
        "folder", type=Path, metavar="DIR", help="folder that 'record export' made"
    )
    action("backup", _backup, "copy the record to a new file").add_argument(
        "file", type=Path, metavar="FILE", help="file to make"
    )
    action("restore", _restore, "put a backup in the record's place").add_argument(
        "file", type=Path, metavar="FILE", help="backup; the record from before is kept beside"
    )
    check = action("check", _check, "check that the record is sound")
    check.add_argument("--no-files", action="store_true", help="do not look at scans and other files where they lie")


def _kind_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("kind", nargs="?", choices=KIND_NAMES, metavar="KIND", help=f"one of {', '.join(KIND_NAMES)}")


def _most_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--most", type=_count, default=50, metavar="N", help="largest number of rows (default: 50)")


def _count(text: str) -> int:
    try:
        value = int(text)
    except ValueError:
        value = 0
    if value < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of rows; give 1 or more")
    return value


def _add_options(parser: argparse.ArgumentParser) -> None:
    _kind_argument(parser)
    parser.add_argument("--fit", type=Path, metavar="DIR", help="take the recipe of a fit folder")
    parser.add_argument("--piece", type=Path, metavar="DIR", help="take a piece folder (for kind piece)")
    parser.add_argument(
        "--name", default="", metavar="TEXT", help="name of the entry (with --fit: default the brief's)"
    )
    parser.add_argument("--printer", metavar="NAME|CODE", help="printer, by name or code")
    parser.add_argument("--material", metavar="NAME|CODE", help="material, by name or code")
    parser.add_argument("--head", metavar="NAME|CODE", help="nozzle or light engine, by name or code")
    parser.add_argument("--status", choices=STATUS_NAMES, help="status of a recipe (default: trial)")
    parser.add_argument("--create", action="store_true", help="with --fit: add printer and material if they are new")


def _list_options(parser: argparse.ArgumentParser) -> None:
    _kind_argument(parser)
    for name in _POINTED_TO:
        parser.add_argument(f"--{name}", metavar="NAME|CODE", help=f"only entries that point to this {name}")
    parser.add_argument("--text", default="", metavar="TEXT", help="only entries whose name or note holds this")
    parser.add_argument("--corrected", action="store_true", help="show entries that were corrected later too")
    _most_argument(parser)


def _show_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("code", metavar="CODE|NAME|UUID", help=_WHICH)
    parser.add_argument("--kind", choices=KIND_NAMES, help="where a name is used by several kinds")
    parser.add_argument("--as-entered", action="store_true", help="show this very entry, even if it was corrected")
    parser.add_argument("--table", type=Path, metavar="FILE", help="write the table of a readings entry to a CSV file")
    parser.add_argument(
        "--files", type=Path, metavar="DIR", help="write the files that the record keeps to this folder"
    )


def _search_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "what",
        nargs="?",
        default="recipe",
        choices=("recipe", "fit", "print"),
        help="what is searched (default: recipe)",
    )
    parser.add_argument("--printer", metavar="NAME|CODE", help="only on this printer")
    parser.add_argument("--material", metavar="NAME|CODE", help="only of this material")
    parser.add_argument("--kind", metavar="KIND", help="kind of detail: bar, slot, hole ...")
    parser.add_argument("--limit", type=float, metavar="MM", help="it must form details this small")
    parser.add_argument("--status", choices=STATUS_NAMES, help="only recipes of this status")
    _most_argument(parser)


def _match_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--details", type=Path, required=True, metavar="FILE", help="CSV: name, kind, full_size_mm")
    parser.add_argument("--scale", type=float, metavar="N", help="modelling scale, 24 for 1:24")
    parser.add_argument("--brief", type=Path, metavar="FILE", help="brief.toml with the modelling scale instead")
    parser.add_argument(
        "--factor", type=float, default=1.0, metavar="N", help="master over model size, of a scale chain (default: 1)"
    )
    parser.add_argument("--printer", metavar="NAME|CODE", help="only recipes for this printer")
    parser.add_argument("--material", metavar="NAME|CODE", help="only recipes of this material")
    parser.add_argument("--status", choices=STATUS_NAMES, help="only recipes of this status (default: all but retired)")
    parser.add_argument("--out", type=Path, metavar="FILE", help="also write every recipe's details to this CSV file")


def _series_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--printer", required=True, metavar="NAME|CODE", help="which printer")
    parser.add_argument("--material", metavar="NAME|CODE", help="only prints of this material")
    parser.add_argument("--piece", metavar="NAME|CODE", help="only prints of this piece")
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder for readings.csv and prints.csv")


def _open(args: argparse.Namespace, *, create: bool = False) -> Record:
    from sharpset.record.store import open_record

    record = open_record(args.db, create=create)
    if record.notice:
        print(record.notice, file=sys.stderr)
    return record


def _add(args: argparse.Namespace) -> int:
    from sharpset.record import entering

    _try_on_new(args, lambda record: entering.add_typed(record, args))
    with _open(args, create=True) as record:
        for entry in entering.add_typed(record, args):
            print(entry.summary())
    return 0


def _try_on_new(args: argparse.Namespace, add: Callable[[Record], object]) -> None:
    """Try on an empty record what would be a new record's first entry, so that a refused one leaves none behind."""
    from tempfile import TemporaryDirectory

    from sharpset.record.engine import locate_record, sqlite_path
    from sharpset.record.store import open_record

    path = sqlite_path(locate_record(args.db))
    if path is None or path.exists() or not path.parent.is_dir():
        return
    with TemporaryDirectory() as folder, open_record(Path(folder) / path.name) as record:
        add(record)


def _correct(args: argparse.Namespace) -> int:
    from sharpset.record import entering

    with _open(args) as record:
        entry = entering.correct_typed(record, args)
    print(entry.summary())
    return 0


def _list(args: argparse.Namespace) -> int:
    from sharpset.record.showing import as_text

    refs = {name: getattr(args, name) for name in _POINTED_TO if getattr(args, name)}
    with _open(args) as record:
        table = record.list(args.kind, text=args.text, corrected=args.corrected, most=args.most, **refs)
    print(as_text(table, nothing="nothing is entered that fits"))
    return 0


def _search(args: argparse.Namespace) -> int:
    from sharpset.record.showing import as_text

    with _open(args) as record:
        table = record.search(
            args.what,
            kind=args.kind,
            limit_mm=args.limit,
            printer=args.printer,
            material=args.material,
            status=args.status,
            most=args.most,
        )
    print(as_text(table, nothing=f"no {args.what} is known to do this"))
    return 0


def _match(args: argparse.Namespace) -> int:
    from sharpset.brief import load_brief
    from sharpset.comparison.recipes import KnownRecipe, match_recipes
    from sharpset.comparison.tables import load_table
    from sharpset.errors import RecordError
    from sharpset.record.series import recipes_in_use
    from sharpset.record.showing import as_text, write_table

    scale = args.scale if args.scale is not None or args.brief is None else load_brief(args.brief).scale
    if scale is None:
        raise RecordError("no modelling scale is known. Give --scale 24 for 1:24, or a --brief with a scale.")
    details = load_table(args.details, what="table of details")
    with _open(args) as record:
        entries = recipes_in_use(record, printer=args.printer, material=args.material, status=args.status)
    known = [
        KnownRecipe(
            name=entry.name,
            limits_mm={limit.kind: limit.limit_mm for limit in entry.limits},
            growth_mm={
                name.removesuffix("_mm"): float(value)
                for name, value in (entry.fields.get("growth") or {}).items()
                if isinstance(value, int | float)
            },
        )
        for entry in entries
    ]
    found = match_recipes(details, known, scale=scale, factor=args.factor)
    by_name = {entry.name: entry for entry in entries}
    shown = found.recipes.assign(
        code=[by_name[name].code for name in found.recipes["name"]],
        printer=[_named(by_name[name], "printer") for name in found.recipes["name"]],
        material=[_named(by_name[name], "material") for name in found.recipes["name"]],
        status=[by_name[name].fields["status"] for name in found.recipes["name"]],
        forms=[f"{n} of {len(details)}" for n in found.recipes["forms"]],
        enlarge=[f"up to {t:.2f} times" if t > 1 else "" for t in found.recipes["most_times"]],
    ).rename(columns={"name": "recipe", "lacking": "not as drawn"})
    columns = ["recipe", "code", "printer", "material", "status", "forms", "enlarge", "not as drawn"]
    print(as_text(shown[columns], nothing=""))
    print(found.summary())
    if args.out is not None:
        print(f"Details by recipe: {write_table(found.details, args.out)}")
    return 0


def _named(entry: Entry, ref: str) -> str:
    return entry.refs[ref].name if ref in entry.refs else ""


def _series(args: argparse.Namespace) -> int:
    from sharpset.arguments import typed_path
    from sharpset.errors import RecordError
    from sharpset.record.series import series_of_prints
    from sharpset.record.showing import write_table

    with _open(args) as record:
        found = series_of_prints(record, printer=args.printer, material=args.material, piece=args.piece)
    try:
        args.out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RecordError(f"{args.out}: cannot be made ({error.strerror}). Choose another --out.") from error
    readings, prints = (args.out / name for name in ("readings.csv", "prints.csv"))
    write_table(found.readings, readings)
    write_table(found.prints, prints)
    print(found.summary())
    for remark in found.remarks:
        print(f"note: {remark}")
    tables = f"--drift {typed_path(readings)} --prints {typed_path(prints)}"
    print(f"Next: sharpset compare {tables} --tolerance MM --out DIR")
    return 0


def _show(args: argparse.Namespace) -> int:
    from sharpset.errors import RecordError
    from sharpset.record.showing import entry_text, write_table

    with _open(args) as record:
        entry = record.show(args.code, kind=args.kind, follow=not args.as_entered)
        print(entry_text(entry))
        if args.table is not None and entry.kind != "readings":
            raise RecordError(f"{entry.summary()}: has no table; --table writes that of a readings entry.")
        if args.table is not None:
            print(f"table written to {write_table(record.readings(entry, follow=False), args.table)}")
        if args.files is not None:
            for path in record.write_files(entry, args.files):
                print(f"written: {path}")
    return 0


def _sheets(args: argparse.Namespace, stem: str, write: Callable[[Path], Path]) -> int:
    for end in ("pdf", "html"):
        print(write(args.out / f"{stem}.{end}"))
    return 0


def _card(args: argparse.Namespace) -> int:
    from sharpset.record.cards import recipe_card
    from sharpset.reports.card import write_recipe_card

    with _open(args) as record:
        card = recipe_card(record, args.code)
    return _sheets(args, f"recipe-{card.code}", lambda path: write_recipe_card(card, path))


def _reprint(args: argparse.Namespace) -> int:
    from sharpset.record.cards import reprint_sheet
    from sharpset.reports.card import write_reprint_sheet

    with _open(args) as record:
        sheet = reprint_sheet(record, args.code)
    return _sheets(args, f"reprint-{sheet.code}", lambda path: write_reprint_sheet(sheet, path))


def _export(args: argparse.Namespace) -> int:
    with _open(args) as record:
        print(record.export(args.folder).summary())
    return 0


def _import(args: argparse.Namespace) -> int:
    _try_on_new(args, lambda record: record.import_(args.folder))
    with _open(args, create=True) as record:
        print(record.import_(args.folder).summary())
    return 0


def _backup(args: argparse.Namespace) -> int:
    with _open(args) as record:
        n_bytes = record.backup(args.file)
        print(f"{args.file}: backup of {record.where}, {n_bytes / 2**20:.1f} MB")
    return 0


def _restore(args: argparse.Namespace) -> int:
    from sharpset.record.safety import restore_record

    print(restore_record(args.file, args.db))
    return 0


def _check(args: argparse.Namespace) -> int:
    from sharpset.errors import RecordError

    with _open(args) as record:
        report = record.check(files=not args.no_files)
    for finding in report.findings:
        print(finding.summary())
    if not report.ok:
        raise RecordError(report.summary())
    print(report.summary())
    return 0
