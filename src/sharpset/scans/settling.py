"""Which scale a scan gets: a reference in it, a calibration of its scanner, else what its file says."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import ScanError
from sharpset.scans.calibration import Calibration, load_calibration, matching_calibration
from sharpset.scans.measuring_scale import measure_scale
from sharpset.scans.references import ScaleReference
from sharpset.scans.scale import ScanScale, nominal_scale, with_remarks
from sharpset.scans.scan import Scan

__all__ = ["ScaleSources", "settle_scale"]


@dataclass(frozen=True, kw_only=True, slots=True)
class ScaleSources:
    """Where the scale of scans may come from.

    Attributes
    ----------
    reference : ScaleReference, optional
        Lies in every scan.
    calibration : Calibration, str or Path, optional
        To be used for every scan; one that does not fit is an error.
    calibrations : str or Path, optional
        Folder in which one that fits the scan's scanner is looked for.
    scanner_id : str, optional
        Instead of what the files name.
    """

    reference: ScaleReference | None = None
    calibration: Calibration | str | Path | None = None
    calibrations: str | Path | None = None
    scanner_id: str | None = None


def settle_scale(
    scan: Scan,
    sources: ScaleSources | None = None,
    *,
    exclude_px: Sequence[NDArray[np.float64]] = (),
    channel: int | None = None,
    today: datetime.date | None = None,
) -> ScanScale:
    """Return the scale of a scan from the best source there is, axis by axis.

    Parameters
    ----------
    scan : Scan
    sources : ScaleSources, optional
    exclude_px : sequence of ndarray, shape (n, 2)
        Outlines (column, row) of the pieces, where no reference is looked for.
    channel : int, optional
    today : datetime.date, optional

    Raises
    ------
    ScanError
        If a calibration that was named is damaged, expired, or made at another resolution.
    """
    sources = sources or ScaleSources()
    scale = nominal_scale(scan)
    remarks: tuple[str, ...] = ()
    calibration = _named(scan, sources, today)
    if calibration is None and sources.calibrations is not None:
        calibration, remarks = matching_calibration(
            sources.calibrations, scan, scanner_id=sources.scanner_id, today=today
        )
    if calibration is not None:
        scale = calibration.applied(scan)
    if sources.reference is None:
        return with_remarks(scale, remarks)
    found = measure_scale(scan, sources.reference, exclude_px=exclude_px, channel=channel)
    if found.source == "nominal":
        return with_remarks(scale, (*remarks, *found.remarks))
    axes = [own if own.is_measured else kept for own, kept in ((found.x, scale.x), (found.y, scale.y))]
    mixed = calibration is not None and not (found.x.is_measured and found.y.is_measured)
    return ScanScale(
        pixel_mm=scan.pixel_mm,
        x=axes[0],
        y=axes[1],
        source="reference and calibration" if mixed else "reference",
        remarks=(*remarks, *found.remarks, *(scale.remarks if mixed else ())),
    )


def _named(scan: Scan, sources: ScaleSources, today: datetime.date | None) -> Calibration | None:
    named = sources.calibration
    if named is None:
        return None
    calibration = named if isinstance(named, Calibration) else load_calibration(named)
    fault = calibration.fault(scan, today=today)
    wanted = sources.scanner_id if sources.scanner_id is not None else scan.scanner_id
    if not fault and wanted and calibration.scanner_id and wanted.split() != calibration.scanner_id.split():
        fault = f"it is of scanner '{calibration.scanner_id}', the scan is from '{wanted}'"
    if fault:
        where = calibration.path or "calibration"
        raise ScanError(f"{where}: cannot be used for {scan.path.name}: {fault}.")
    return calibration
