"""The verb ``sharpset photo``: a frame to print, and photographs made true to size."""

from __future__ import annotations

import argparse
from pathlib import Path

from sharpset.arguments import add_action

__all__ = ["configure"]


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of ``sharpset photo``."""
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    _configure_frame(add_action(actions, "frame", "write the frame to print and lay the piece in"))
    _configure_rectify(add_action(actions, "rectify", "make photographs of a piece in the frame true to size"))


def _configure_frame(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--out", type=Path, required=True, metavar="FILE", help="PDF to write; a .json goes beside it")
    parser.add_argument(
        "--window", type=float, nargs=2, default=(80.0, 60.0), metavar=("X", "Y"), help="window in mm (default: 80 60)"
    )
    parser.add_argument("--marker", type=float, default=8.0, metavar="MM", help="size of a marker (default: 8)")
    parser.add_argument("--gap", type=float, default=4.0, metavar="MM", help="white round a marker (default: 4)")
    parser.add_argument(
        "--ground",
        choices=("white", "grey", "black"),
        default="white",
        help="what contrasts with the piece (default: white)",
    )
    parser.add_argument("--paper", choices=("A5", "A4", "letter", "A3"), default="A4", help="paper (default: A4)")
    parser.set_defaults(run=_run_frame)


def _configure_rectify(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("images", nargs="+", type=Path, metavar="IMAGE", help="photographs of one piece, not moved")
    parser.add_argument("--frame", type=Path, required=True, metavar="FILE", help="the .json beside the frame's PDF")
    parser.add_argument("--out", type=Path, required=True, metavar="FILE", help="TIFF to write, for sharpset read")
    height = parser.add_mutually_exclusive_group()
    height.add_argument("--piece", type=Path, metavar="DIR", help="folder of the piece, which tells its thickness")
    height.add_argument(
        "--thickness",
        type=float,
        default=0.0,
        metavar="MM",
        help="height of the piece's upper face above the card (default: 0)",
    )
    parser.add_argument(
        "--rulers", type=float, nargs=2, metavar=("X", "Y"), help="measured lengths of the printed rulers in mm"
    )
    parser.add_argument(
        "--pixel", type=float, metavar="MM", help="pixel size of the result (default: that of the photographs)"
    )
    parser.add_argument(
        "--encoding", default="auto", metavar="NAME", help="auto, sRGB, linear or 'gamma 2.2' (default: auto)"
    )
    parser.set_defaults(run=_run_rectify)


def _run_frame(args: argparse.Namespace) -> int:
    from sharpset.scans.frame import PhotoFrame, write_frame

    design = PhotoFrame(
        window_x_mm=args.window[0],
        window_y_mm=args.window[1],
        marker_mm=args.marker,
        gap_mm=args.gap,
        ground=args.ground,
    )
    print(write_frame(args.out, frame=design, paper=args.paper).summary())
    print(f"wrote {args.out}, {args.out.with_suffix('.json')}")
    print(f"print at 100 %; the rulers must be {design.ruler_x_mm:g} and {design.ruler_y_mm:g} mm long")
    return 0


def _run_rectify(args: argparse.Namespace) -> int:
    from sharpset.errors import ScanError
    from sharpset.pieces import load_piece
    from sharpset.scans.frame import load_frame
    from sharpset.scans.photo import as_tiff, rectify_photos

    if args.out.exists() and any(image.exists() and image.samefile(args.out) for image in args.images):
        raise ScanError(f"{args.out}: --out names one of the photographs. Choose another --out.")
    out = as_tiff(args.out)
    frame = load_frame(args.frame)
    if args.rulers is not None:
        frame = frame.with_rulers(x_mm=args.rulers[0], y_mm=args.rulers[1])
    thickness_mm = args.thickness if args.piece is None else load_piece(args.piece).thickness_mm
    result = rectify_photos(args.images, frame, thickness_mm=thickness_mm, pixel_mm=args.pixel, encoding=args.encoding)
    written = result.write(out)
    print(result.summary())
    for row in result.to_frame().itertuples():
        print(
            f"  photograph {row.photo}: {row.n_markers} markers, {row.tilt_deg:.1f} degrees from the vertical, "
            f"{row.distance_mm:.0f} mm away, residual {1000 * row.residual_rms_mm:.1f} um"
        )
    if args.rulers is None:
        print("  note: the printed rulers were not measured; the scale counts as good to 0.3 %")
    for remark in result.remarks:
        print(f"  note: {remark}")
    print(f"wrote {written}")
    return 0
