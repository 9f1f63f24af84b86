"""Scans: open, locate, rectify, calibrate.

Heavy modules are imported when one of their names is first used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sharpset.rooms import opened_when_asked

if TYPE_CHECKING:
    from sharpset.scans.axis_scale import AxisScale
    from sharpset.scans.calibration import Calibration, calibrate_scanner, load_calibration
    from sharpset.scans.frame import PhotoFrame, load_frame, write_frame
    from sharpset.scans.locate import LocatedPiece, find_pieces, locate_pieces
    from sharpset.scans.measuring_scale import measure_scale
    from sharpset.scans.opening import open_scan
    from sharpset.scans.photo import RectifiedPhoto, rectify_photos
    from sharpset.scans.pose import Pose, RigidFit, fit_affine, fit_rigid
    from sharpset.scans.references import ScaleReference, load_reference
    from sharpset.scans.scale import LocalScale, ScanScale
    from sharpset.scans.scan import PixelSize, Scan, scan_from_pixels
    from sharpset.scans.settling import ScaleSources, settle_scale
    from sharpset.scans.viewing import Viewing, Viewpoint

_HOME = {
    "AxisScale": "axis_scale",
    "Calibration": "calibration",
    "LocalScale": "scale",
    "LocatedPiece": "locate",
    "PhotoFrame": "frame",
    "PixelSize": "scan",
    "Pose": "pose",
    "RectifiedPhoto": "photo",
    "RigidFit": "pose",
    "ScaleReference": "references",
    "ScaleSources": "settling",
    "Scan": "scan",
    "ScanScale": "scale",
    "Viewing": "viewing",
    "Viewpoint": "viewing",
    "calibrate_scanner": "calibration",
    "find_pieces": "locate",
    "fit_affine": "pose",
    "fit_rigid": "pose",
    "load_calibration": "calibration",
    "load_frame": "frame",
    "load_reference": "references",
    "locate_pieces": "locate",
    "measure_scale": "measuring_scale",
    "open_scan": "opening",
    "rectify_photos": "photo",
    "scan_from_pixels": "scan",
    "settle_scale": "settling",
    "write_frame": "frame",
}

__all__ = [
    "AxisScale",
    "Calibration",
    "LocalScale",
    "LocatedPiece",
    "PhotoFrame",
    "PixelSize",
    "Pose",
    "RectifiedPhoto",
    "RigidFit",
    "ScaleReference",
    "ScaleSources",
    "Scan",
    "ScanScale",
    "Viewing",
    "Viewpoint",
    "calibrate_scanner",
    "find_pieces",
    "fit_affine",
    "fit_rigid",
    "load_calibration",
    "load_frame",
    "load_reference",
    "locate_pieces",
    "measure_scale",
    "open_scan",
    "rectify_photos",
    "scan_from_pixels",
    "settle_scale",
    "write_frame",
]

__getattr__, __dir__ = opened_when_asked(__name__, _HOME)
