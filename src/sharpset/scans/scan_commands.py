"""The verb ``sharpset scan``: calibrations of scanners."""

from __future__ import annotations

import argparse
import re
from pathlib import Path

from sharpset.arguments import add_action

__all__ = ["configure"]


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of ``sharpset scan``."""
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    calibrate = add_action(
        actions, "calibrate", "measure a scanner's scale on a scan of a rule, a glass scale or a checkerboard"
    )
    calibrate.add_argument("image", type=Path, metavar="IMAGE", help="scan of the reference: TIFF, PNG or JPEG")
    calibrate.add_argument(
        "--reference", type=Path, required=True, metavar="FILE", help="what lies on the glass (TOML, see calib/)"
    )
    calibrate.add_argument("--scanner", metavar="ID", help="name of the scanner (default: what the file says)")
    calibrate.add_argument("--out", type=Path, metavar="FILE", help="file to write (default: SCANNER-DPI.json)")
    calibrate.add_argument(
        "--expires-days", type=int, default=90, metavar="N", help="days that it may be used (default: 90)"
    )
    calibrate.add_argument(
        "--dpi", type=float, metavar="N", help="resolution of the scan where the file does not say it"
    )
    calibrate.add_argument(
        "--encoding", default="auto", metavar="NAME", help="auto, sRGB, linear or 'gamma 2.2' (default: auto)"
    )
    calibrate.set_defaults(run=_run_calibrate)
    show = add_action(actions, "show", "show a calibration")
    show.add_argument("file", type=Path, metavar="FILE", help="a calibration's .json")
    show.set_defaults(run=_run_show)


def _run_calibrate(args: argparse.Namespace) -> int:
    from sharpset.scans.calibration import calibrate_scanner
    from sharpset.scans.opening import open_scan
    from sharpset.scans.references import load_reference

    reference = load_reference(args.reference)
    scan = open_scan(args.image, dpi=args.dpi, encoding=args.encoding)
    calibration = calibrate_scanner(scan, reference, scanner_id=args.scanner, valid_days=args.expires_days)
    name = re.sub(r"[^A-Za-z0-9]+", "-", calibration.scanner_id).strip("-").lower() or "scanner"
    out = args.out or Path(f"{name}-{calibration.dpi.x:.0f}dpi.json")
    calibration.write(out)
    print(calibration.summary())
    for remark in (*scan.remarks, *calibration.scale.remarks):
        print(f"  note: {remark}")
    if not calibration.scanner_id:
        print("  note: the file does not name its scanner; without --scanner it is used only where it is named")
    print(f"wrote {out}")
    return 0


def _run_show(args: argparse.Namespace) -> int:
    import datetime

    from sharpset.scans.calibration import load_calibration

    calibration = load_calibration(args.file)
    print(calibration.summary())
    for remark in calibration.scale.remarks:
        print(f"  note: {remark}")
    if datetime.date.today() > calibration.expires:
        print("  note: it has expired and is not used any more; calibrate again")
    return 0
