"""The verb ``sharpset read``."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sharpset.arguments import number_of_jobs
from sharpset.rooms import loading

if TYPE_CHECKING:
    from sharpset.pieces import Piece
    from sharpset.readings.results import ScanReading
    from sharpset.scans import ScaleSources

__all__ = ["configure"]


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of ``sharpset read``."""
    parser.add_argument(
        "images", nargs="+", type=Path, metavar="IMAGE", help="scans: TIFF, PNG or JPEG, or a folder of them"
    )
    parser.add_argument("--piece", type=Path, required=True, metavar="DIR", help="folder of the test piece")
    parser.add_argument(
        "--out", type=Path, required=True, metavar="FILE", help="table to write, for example readings.csv"
    )
    parser.add_argument(
        "--append",
        action="store_true",
        help="add to the table of --out; pictures that stand there already are replaced",
    )
    parser.add_argument("--dpi", type=float, metavar="N", help="resolution of the scans where the files do not say it")
    parser.add_argument(
        "--mirror",
        choices=("auto", "yes", "no"),
        default="auto",
        help="whether the piece is seen from below (default: auto)",
    )
    parser.add_argument(
        "--encoding",
        default="auto",
        metavar="NAME",
        help="auto, sRGB, linear or 'gamma 2.2'; auto believes the file, else its edges (default: auto)",
    )
    parser.add_argument("--plan", type=Path, metavar="DIR", help="plan whose run ids the codes may name")
    parser.add_argument(
        "--combine",
        choices=("auto", "yes", "no"),
        default="auto",
        help="put scans of one piece together: auto does where the piece was turned by 45 degrees or more between "
        "scans of one run, yes takes all scans of one run and unread codes too (default: auto)",
    )
    parser.add_argument(
        "--separate", action="store_true", help="keep the readings of each scan beside the combined ones"
    )
    parser.add_argument(
        "--budget", action="store_true", help="also write NAME_budget.csv, what every uncertainty is made of"
    )
    parser.add_argument(
        "--look",
        action="append",
        default=[],
        metavar="FEATURE_ID",
        help="also draw this feature, its fit and its budget into the folder of --out; may be given several times",
    )
    parser.add_argument(
        "--reference",
        type=Path,
        metavar="FILE",
        help="rule, glass scale or board that lies in the scans (TOML, calib/)",
    )
    parser.add_argument("--calibration", type=Path, metavar="FILE", help="calibration of the scanner to be used")
    parser.add_argument(
        "--calibrations", type=Path, metavar="DIR", help="folder in which the scanner's calibration is looked for"
    )
    parser.add_argument("--scanner", metavar="ID", help="name of the scanner, where the files do not say it")
    parser.add_argument(
        "--check-wire", type=float, metavar="MM", help="size of a wire or blade in the scans, read as a check only"
    )
    parser.add_argument(
        "--pitch",
        action="append",
        default=[],
        metavar="NAME=MM",
        help="a length that a ripple of the edges may come from, such as 'pixel pitch=0.035'; several times if need be",
    )
    parser.add_argument(
        "--overlay",
        type=Path,
        metavar="DIR",
        help="also draw what was found into this folder, and a page to point into",
    )
    parser.add_argument(
        "--jobs",
        type=number_of_jobs,
        metavar="N",
        help="pictures read at the same time (default: from four pictures on one a processor, at most four)",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Read the scans and write the table."""
    from sharpset.readings.pictures import pictures_named, usual_jobs
    from sharpset.scans.opening import begin_opening

    args.images = pictures_named(args.images)
    args.jobs = args.jobs or usual_jobs(len(args.images))
    if args.jobs == 1:
        # The first picture is decoded while all that reads it is loaded.
        begin_opening(args.images[0], dpi=args.dpi, encoding=args.encoding)

    with loading():
        from sharpset.pieces import load_piece
        from sharpset.readings.batches import read_scans
        from sharpset.readings.combining import combine_readings
        from sharpset.readings.tables import table_path, write_readings

    args.out = table_path(args.out)
    piece = _with_pitches(load_piece(args.piece), args.pitch)
    _check_wishes(args, piece)
    known: tuple[str, ...] = ()
    if args.plan is not None:
        known = _run_ids(args.plan)
    unread: list[Any] = []
    readings = read_scans(
        args.images,
        piece=piece,
        dpi=args.dpi,
        mirror=args.mirror,
        encoding=args.encoding,
        known_run_ids=known,
        scale_sources=_scale_sources(args),
        check_wire_mm=args.check_wire,
        unread=unread,
        jobs=args.jobs,
    )
    apart = readings
    readings = combine_readings(apart, combine=args.combine, separate=args.separate)
    aside = _keep_earlier(args, [reading.scan_id for reading in readings])
    files = write_readings(readings, args.out, budget=args.budget, append=args.append)
    _tell(readings)
    print("wrote " + ", ".join(str(file) for file in files) + aside)
    if args.overlay is not None:
        args.draw_overlays(apart, piece, args.overlay)
    for feature_id in args.look:
        _look(args, feature_id, piece, apart)
    if unread:
        _tell_unread(unread, len(apart))
    return 0


def _tell(readings: Sequence[ScanReading]) -> None:
    """Print what was read, and what is to be said of it; what holds for every scan alike is said once."""
    said = [[*(remark for one in reading.pieces for remark in one.remarks), *reading.remarks] for reading in readings]
    of_all = [remark for remark in dict.fromkeys(said[0]) if all(remark in own for own in said)] if said[1:] else []
    for reading in readings:
        for one in reading.pieces:
            print(one.summary())
            for remark in one.remarks:
                if remark not in of_all:
                    print(f"  note: {remark}")
        for remark in reading.remarks:
            if remark not in of_all:
                print(f"  note: {remark}")
    for remark in of_all:
        print(f"note on all {len(readings)} scans: {remark}")


def _check_wishes(args: argparse.Namespace, piece: Piece) -> None:
    """Refuse before the long reading what could only be told after it: a table that is none, an unknown feature, a
    folder that cannot be made.
    """
    from tempfile import TemporaryFile

    from sharpset.errors import ReadingError
    from sharpset.readings.earlier import earlier_table

    earlier_table(args.out)
    try:
        args.out.parent.mkdir(parents=True, exist_ok=True)
        with TemporaryFile(dir=args.out.parent):
            pass
        if args.out.is_file():
            # Windows lets nothing take the place of a table that a spreadsheet holds open.
            with args.out.open("r+b"):
                pass
    except PermissionError as error:
        raise ReadingError(
            f"{args.out}: the readings could not be written here ({error.strerror}). Close the program that holds the "
            "table open, or choose another --out."
        ) from error
    except OSError as error:
        raise ReadingError(
            f"{args.out}: the readings could not be written here ({error.strerror}). Choose another --out."
        ) from error
    names = piece.features["feature_id"].tolist()
    for feature_id in args.look:
        if feature_id not in names:
            raise ReadingError(
                f"--look {feature_id}: piece {piece.piece_id} has no such feature. Its features are "
                f"{', '.join(names[:3])} and so on; features.csv lists them."
            )
    if args.overlay is not None:
        try:
            args.overlay.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise ReadingError(
                f"{args.overlay}: cannot be made a folder for overlays ({error.strerror}). Choose another --overlay."
            ) from error


def _tell_unread(unread: list[Any], n_read: int) -> None:
    from sharpset.errors import ReadingError

    for error in unread[1:]:
        print(f"not read: {error}")
    others = "the other picture was" if n_read == 1 else f"the {n_read} other pictures were"
    more = f" {len(unread) - 1} more were left out, see above." if len(unread) > 1 else ""
    raise ReadingError(f"{unread[0]} It was left out; {others} read and written.{more}")


def _keep_earlier(args: argparse.Namespace, scan_ids: list[str]) -> str:
    """Rename a table that holds readings of other pictures, which would be lost; return what became of it."""
    from sharpset.errors import ReadingError
    from sharpset.readings.earlier import earlier_table, lost_scans, set_aside, without_pictures

    table = earlier_table(args.out)
    if table is None:
        return ""
    kept = list(without_pictures(table, scan_ids)["scan_id"]) if args.append else []
    lost = lost_scans(table, [*scan_ids, *kept])
    if not lost:
        return ""
    try:
        aside = set_aside(args.out, copy=args.append)
    except OSError as error:
        raise ReadingError(
            f"{args.out}: holds readings of {lost[0]} and cannot be renamed ({error.strerror}). Choose another --out."
        ) from error
    hint = "" if args.append else "; --append adds to a table"
    return f"\n  note: the earlier table held {', '.join(lost[:3])}{' ...' * (len(lost) > 3)}: kept in {aside}{hint}"


def _look(args: argparse.Namespace, feature_id: str, piece: Piece, readings: list[ScanReading]) -> None:
    """Draw one feature of every scan beside the table."""
    from sharpset.plots import save_figure, show_feature
    from sharpset.readings.looking import look_at

    how = {"dpi": args.dpi, "mirror": args.mirror, "encoding": args.encoding}
    for reading in readings:
        views = look_at(reading.path, piece=piece, feature_id=feature_id, reading=reading, **how)
        if not views:
            print(f"look: {feature_id} is not seen in {reading.path.name}")
        for number, view in enumerate(views, start=1):
            several = f"-{number}" if len(views) > 1 else ""
            file = args.out.parent / f"{view.scan_id}{several}_{feature_id}.png"
            print(f"look: {save_figure(show_feature(view), file)}")


def _scale_sources(args: argparse.Namespace) -> ScaleSources:
    from sharpset.errors import ReadingError
    from sharpset.scans import ScaleSources, load_calibration, load_reference

    if args.check_wire is not None and not 0.02 <= args.check_wire <= 5.0:
        raise ReadingError(f"--check-wire: {args.check_wire:g} mm is outside 0.02 to 5. Give the wire's size in mm.")
    return ScaleSources(
        reference=None if args.reference is None else load_reference(args.reference),
        calibration=None if args.calibration is None else load_calibration(args.calibration),
        calibrations=args.calibrations,
        scanner_id=args.scanner,
    )


def _with_pitches(piece: Piece, pitches: list[str]) -> Piece:
    """Return the piece with lengths that a ripple of its edges may come from."""
    from dataclasses import replace

    from sharpset.errors import ReadingError

    found = {}
    for text in pitches:
        name, _, length = text.rpartition("=")
        try:
            found[name.strip()] = float(length)
        except ValueError:
            found[name.strip()] = 0.0
        if not name.strip() or not 0.001 <= found[name.strip()] <= 5.0:
            raise ReadingError(
                f"--pitch {text!r}: give a name and a length of 0.001 to 5 mm, for example 'pixel pitch=0.035'."
            )
    if not found:
        return piece
    return replace(piece, parameters={**piece.parameters, "pitches_mm": found})


def _run_ids(folder: Path) -> tuple[str, ...]:
    from sharpset.errors import ReadingError
    from sharpset.files import read_table

    path = folder / "runs.csv"
    try:
        return tuple(read_table(path, texts=("run_id",))["run_id"].dropna())
    except (OSError, KeyError, ValueError) as error:
        raise ReadingError(f"{path}: no run ids can be read from it. Give the folder of a plan.") from error
