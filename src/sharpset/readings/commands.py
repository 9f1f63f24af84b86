"""The verb ``sharpset read``."""

from __future__ import annotations

import argparse
from pathlib import Path

__all__ = ["configure"]


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of ``sharpset read``."""
    parser.add_argument("images", nargs="+", type=Path, metavar="IMAGE", help="scans: TIFF, PNG or JPEG")
    parser.add_argument("--piece", type=Path, required=True, metavar="DIR", help="folder of the test piece")
    parser.add_argument(
        "--out", type=Path, required=True, metavar="FILE", help="table to write, for example readings.csv"
    )
    parser.add_argument("--dpi", type=float, help="resolution of the scans where the files do not say it")
    parser.add_argument(
        "--mirror", choices=("auto", "yes", "no"), default="auto", help="whether the piece is seen from below"
    )
    parser.add_argument(
        "--encoding", default="auto", help="auto, sRGB, linear or 'gamma 2.2'; auto believes the file, else its edges"
    )
    parser.add_argument("--plan", type=Path, metavar="DIR", help="plan whose run ids the codes may name")
    parser.add_argument("--overlay", type=Path, metavar="DIR", help="also draw what was found into this folder")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Read the scans and write the table."""
    from sharpset.pieces import load_piece
    from sharpset.readings.reader import read_scans
    from sharpset.readings.tables import write_readings

    piece = load_piece(args.piece)
    known: tuple[str, ...] = ()
    if args.plan is not None:
        known = _run_ids(args.plan)
    readings = read_scans(
        args.images,
        piece=piece,
        dpi=args.dpi,
        mirror=args.mirror,
        encoding=args.encoding,
        known_run_ids=known,
    )
    files = write_readings(readings, args.out)
    for reading in readings:
        for one in reading.pieces:
            print(one.summary())
            for remark in one.remarks:
                print(f"  note: {remark}")
        for remark in reading.remarks:
            print(f"  note: {remark}")
    print("wrote " + ", ".join(str(file) for file in files))
    if args.overlay is not None:
        args.draw_overlays(readings, piece, args.overlay)
    return 0


def _run_ids(folder: Path) -> tuple[str, ...]:
    import pandas as pd

    from sharpset.errors import ReadingError

    path = folder / "runs.csv"
    try:
        return tuple(pd.read_csv(path, dtype=str)["run_id"])
    except (OSError, KeyError, ValueError) as error:
        raise ReadingError(f"{path}: no run ids can be read from it. Give the folder of a plan.") from error
