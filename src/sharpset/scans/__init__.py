"""Scans: open, locate, rectify, calibrate."""

from __future__ import annotations

from sharpset.scans.locate import LocatedPiece, locate_pieces
from sharpset.scans.opening import open_scan
from sharpset.scans.pose import Pose, RigidFit, fit_affine, fit_rigid
from sharpset.scans.scan import PixelSize, Scan, scan_from_pixels

__all__ = [
    "LocatedPiece",
    "PixelSize",
    "Pose",
    "RigidFit",
    "Scan",
    "fit_affine",
    "fit_rigid",
    "locate_pieces",
    "open_scan",
    "scan_from_pixels",
]
