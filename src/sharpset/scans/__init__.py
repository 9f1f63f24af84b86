"""Scans: open, locate, rectify, calibrate."""

from __future__ import annotations

from sharpset.scans.axis_scale import AxisScale
from sharpset.scans.calibration import Calibration, calibrate_scanner, load_calibration
from sharpset.scans.frame import PhotoFrame, load_frame, write_frame
from sharpset.scans.locate import LocatedPiece, locate_pieces
from sharpset.scans.measuring_scale import measure_scale
from sharpset.scans.opening import open_scan
from sharpset.scans.photo import RectifiedPhoto, rectify_photos
from sharpset.scans.pose import Pose, RigidFit, fit_affine, fit_rigid
from sharpset.scans.references import ScaleReference, load_reference
from sharpset.scans.scale import LocalScale, ScanScale
from sharpset.scans.scan import PixelSize, Scan, scan_from_pixels
from sharpset.scans.settling import ScaleSources, settle_scale
from sharpset.scans.viewing import Viewing, Viewpoint

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
