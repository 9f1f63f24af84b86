"""Calibrations of scanners: the scale measured once, kept in a file with its date, uncertainty and expiry."""

from __future__ import annotations

import datetime
import html
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from sharpset.errors import ScanError
from sharpset.files import whole_file
from sharpset.scans.axis_scale import AxisScale
from sharpset.scans.measuring_scale import measure_scale
from sharpset.scans.references import ScaleReference
from sharpset.scans.scale import ScanScale, nominal_scale
from sharpset.scans.scan import PixelSize, Scan

__all__ = ["Calibration", "calibrate_scanner", "load_calibration", "matching_calibration"]

_KIND, _VERSION = "sharpset scanner calibration", 1
_REPEAT_MM = (0.003, 0.007)
"""What places move by from scan to scan after a stable map is taken out, along sensor and carriage (tests of a
1200 dpi desktop scanner, ISPRS Congress XVIII Part B1, 1996)."""
_STABLE_NODE_MM = 12.0
"""Bends shorter than this belong to one scan (a gear's phase), not to the scanner."""
_DPI_SLACK = 0.002


@dataclass(frozen=True, kw_only=True, eq=False)
class Calibration:
    """The scale of a scanner.

    Attributes
    ----------
    scanner_id : str
        As the scan files name it, or as it was named.
    date, expires : datetime.date
        When it was made; the last day on which it is used.
    scale : ScanScale
    size_px : (columns, rows)
        Of the picture: the slow map holds for the same part of the glass only.
    orientation : int
        Orientation tag of the picture.
    reference : ScaleReference
    image, sha256 : str
        Name and digest of the picture.
    path : Path or None
        Where it was read from.
    """

    scanner_id: str
    date: datetime.date
    expires: datetime.date
    scale: ScanScale
    size_px: tuple[int, int]
    orientation: int
    reference: ScaleReference
    image: str
    sha256: str
    path: Path | None = field(default=None)

    @property
    def dpi(self) -> PixelSize:
        """Nominal resolution."""
        return PixelSize(25.4 / self.scale.pixel_mm.x, 25.4 / self.scale.pixel_mm.y)

    def fault(self, scan: Scan, *, today: datetime.date | None = None) -> str:
        """Say why it cannot be used for a scan, or nothing."""
        today = today or datetime.date.today()
        if today > self.expires:
            return f"it expired on {self.expires.isoformat()}; calibrate again"
        if today < self.date:
            return f"it is dated {self.date.isoformat()}, after today; check the clock"
        if any(abs(a / b - 1.0) > _DPI_SLACK for a, b in zip(self.scale.pixel_mm, scan.pixel_mm, strict=True)):
            return (
                f"it was made at {self.dpi.x:.0f} x {self.dpi.y:.0f} dpi, the scan has "
                f"{scan.dpi.x:.0f} x {scan.dpi.y:.0f}; scan at the same resolution or calibrate at this one"
            )
        if scan.orientation != self.orientation:
            return "the scan is stored turned another way than the calibration's picture; scan both the same way"
        return ""

    def applied(self, scan: Scan) -> ScanScale:
        """Return the scale that it gives a scan; see `fault` first."""
        remarks = list(self.scale.remarks)
        axes = [self.scale.x, self.scale.y]
        if (scan.n_columns, scan.n_rows) != self.size_px and any(len(axis.nodes_mm) > 2 for axis in axes):
            remarks.append(
                "the scan covers another area than the calibration's picture: its slow error was not taken out "
                "and counts as uncertainty"
            )
            axes = [_anywhere(axis, n * size) for axis, n, size in zip(axes, self.size_px, scan.pixel_mm, strict=True)]
        nominal = nominal_scale(scan)
        named = f"from the calibration of {self.date.isoformat()}"
        x, y = (
            replace(axis, source=named) if axis.is_measured else plain
            for axis, plain in zip(axes, (nominal.x, nominal.y), strict=True)
        )
        # The calibration's own pixel size and the scan's may differ in the last digits of a tag.
        return ScanScale(pixel_mm=scan.pixel_mm, x=x, y=y, source="calibration", remarks=tuple(remarks))

    def write(self, path: str | Path) -> Path:
        """Write it as JSON.

        Raises
        ------
        ScanError
            If the file cannot be written.
        """
        place = Path(path)
        data = {
            "kind": _KIND,
            "version": _VERSION,
            "units": "mm",
            "scanner_id": self.scanner_id,
            "date": self.date.isoformat(),
            "expires": self.expires.isoformat(),
            "dpi": [self.dpi.x, self.dpi.y],
            "size_px": list(self.size_px),
            "orientation": self.orientation,
            "x": _axis_to_dict(self.scale.x),
            "y": _axis_to_dict(self.scale.y),
            "reference": self.reference.to_dict(),
            "image": self.image,
            "sha256": self.sha256,
            "remarks": list(self.scale.remarks),
        }
        try:
            place.parent.mkdir(parents=True, exist_ok=True)
            with whole_file(place) as beside:
                beside.write_text(json.dumps(data, indent=2) + "\n", encoding="utf-8")
        except OSError as error:
            raise ScanError(f"{place}: cannot be written ({error.strerror or error}).") from error
        return place

    def summary(self) -> str:
        """A few lines for people."""
        x, y = self.scale.x.summary(), self.scale.y.summary()
        return (
            f"scanner {self.scanner_id or '(not named)'} at {self.dpi.x:.0f} x {self.dpi.y:.0f} dpi, "
            f"calibrated {self.date.isoformat()}, good until {self.expires.isoformat()}\n"
            f"  along x: {x}\n  along y: {y}\n  with {self.reference.summary()}\n  on {self.image}"
        )

    def _repr_html_(self) -> str:
        return "<br>".join(html.escape(line) for line in (*self.summary().splitlines(), *self.scale.remarks))


def _anywhere(axis: AxisScale, size_mm: float) -> AxisScale:
    """A plain scale that holds over the whole glass, as far as it is known."""
    straight = axis.straight()
    if not straight.is_measured:
        return straight
    low, high = straight.nodes_mm
    reach = np.array([min(low, 0.0), max(high, size_mm)])
    slope = straight.correction
    return replace(
        straight,
        nodes_mm=reach,
        offsets_mm=slope * reach,
        covariance_mm2=straight.covariance_mm2 * (float(reach[1] - reach[0]) / float(high - low)) ** 2,
    )


def calibrate_scanner(
    scan: Scan,
    reference: ScaleReference,
    *,
    scanner_id: str | None = None,
    valid_days: int = 90,
    today: datetime.date | None = None,
) -> Calibration:
    """Measure a scanner's scale on a scan of a reference, to be kept.

    Parameters
    ----------
    scan : Scan
    reference : ScaleReference
    scanner_id : str, optional
        Name of the scanner; what the file says without it.
    valid_days : int
        How long it may be used.
    today : datetime.date, optional

    Raises
    ------
    ScanError
        If no reference is found in the scan, or none that fits.
    """
    if not 1 <= valid_days <= 3650:
        raise ScanError(f"calibration: {valid_days} days of use are not 1 to 3650.")
    scale = measure_scale(scan, reference, least_node_mm=_STABLE_NODE_MM)
    if scale.source == "nominal":
        raise ScanError(f"{scan.path}: {'; '.join(scale.remarks)}. Lay it straight along an edge of the glass, clean.")
    date = today or datetime.date.today()
    x, y = (
        replace(axis, u_repeat_mm=repeat) if axis.is_measured else axis
        for axis, repeat in zip((scale.x, scale.y), _REPEAT_MM, strict=True)
    )
    return Calibration(
        scanner_id=(scan.scanner_id if scanner_id is None else " ".join(scanner_id.split())),
        date=date,
        expires=date + datetime.timedelta(days=valid_days),
        scale=replace(scale, x=x, y=y),
        size_px=(scan.n_columns, scan.n_rows),
        orientation=scan.orientation,
        reference=reference,
        image=scan.path.name,
        sha256=scan.sha256,
    )


def load_calibration(path: str | Path) -> Calibration:
    """Read a calibration.

    Raises
    ------
    ScanError
        If the file is missing, damaged or of another kind.
    """
    place = Path(path)
    try:
        data = json.loads(place.read_text(encoding="utf-8"))
    except OSError as error:
        raise ScanError(f"{place}: cannot be read ({error.strerror or error}). Name a calibration's file.") from error
    except ValueError as error:
        raise ScanError(f"{place}: is damaged or no calibration ({error}). Calibrate again.") from error
    if not isinstance(data, dict) or data.get("kind") != _KIND:
        raise ScanError(f"{place}: is no calibration of a scanner. 'sharpset scan calibrate' makes one.")
    if data.get("version") != _VERSION:
        raise ScanError(f"{place}: is of version {data.get('version')!r}, this program knows {_VERSION}. Update it.")
    try:
        return _from_dict(data, place)
    except (KeyError, TypeError, ValueError) as error:
        what = f"{error} is missing" if isinstance(error, KeyError) else str(error)
        raise ScanError(f"{place}: the calibration is damaged ({what}). Calibrate again.") from error


def matching_calibration(
    folder: str | Path, scan: Scan, *, scanner_id: str | None = None, today: datetime.date | None = None
) -> tuple[Calibration | None, tuple[str, ...]]:
    """Look in a folder for the newest calibration that fits a scan.

    Parameters
    ----------
    folder : str or Path
        Its ``.json`` files are looked at, none elsewhere.
    scan : Scan
    scanner_id : str, optional
        Instead of what the scan's file names.
    today : datetime.date, optional

    Returns
    -------
    calibration : Calibration or None
    remarks : tuple of str
        Why others, or none, were used.

    Raises
    ------
    ScanError
        If there is no such folder.
    """
    place = Path(folder)
    if not place.is_dir():
        raise ScanError(f"{place}: there is no such folder. Name the folder of the calibrations.")
    wanted = _folded(scan.scanner_id if scanner_id is None else scanner_id)
    if not wanted:
        return None, ("no calibration was used: the file does not name its scanner; name it with --scanner",)
    remarks, fitting = [], []
    for path in sorted(place.glob("*.json")):
        try:
            one = load_calibration(path)
        except ScanError as error:
            if "is no calibration" not in str(error):
                remarks.append(f"not used: {error}")
            continue
        if _folded(one.scanner_id) != wanted:
            continue
        fault = one.fault(scan, today=today)
        if fault:
            remarks.append(f"calibration {path.name} was not used: {fault}")
        else:
            fitting.append(one)
    if fitting:
        return max(fitting, key=lambda one: one.date), ()
    if not remarks:
        remarks.append(f"no calibration of this scanner is in {place}")
    return None, tuple(remarks)


def _folded(text: str) -> str:
    return " ".join(text.split()).casefold()


def _axis_to_dict(axis: AxisScale) -> dict[str, Any] | None:
    if not axis.is_measured:
        return None
    return {
        "correction": axis.correction,
        "u_relative": axis.u_slope(float(axis.nodes_mm[0]), float(axis.nodes_mm[-1])),
        "u_common": axis.u_relative,
        "u_repeat_mm": axis.u_repeat_mm,
        "residual_mm": axis.residual_mm,
        "n": axis.n,
        "nodes_mm": axis.nodes_mm.tolist(),
        "offsets_mm": axis.offsets_mm.tolist(),
        "covariance_mm2": axis.covariance_mm2.tolist(),
        "source": axis.source,
    }


def _axis_from_dict(data: dict[str, Any] | None, name: str) -> AxisScale:
    if data is None:
        return AxisScale(source="not calibrated")
    axis = AxisScale(
        nodes_mm=np.array(data["nodes_mm"], dtype=float),
        offsets_mm=np.array(data["offsets_mm"], dtype=float),
        covariance_mm2=np.array(data["covariance_mm2"], dtype=float),
        u_relative=float(data["u_common"]),
        u_repeat_mm=float(data["u_repeat_mm"]),
        residual_mm=float(data["residual_mm"]),
        n=int(data["n"]),
        source=str(data["source"]),
    )
    k = len(axis.nodes_mm)
    numbers = np.concatenate([axis.nodes_mm, axis.offsets_mm.ravel(), axis.covariance_mm2.ravel()])
    if (
        k < 2
        or axis.offsets_mm.shape != (k,)
        or axis.covariance_mm2.shape != (k, k)
        or np.any(np.diff(axis.nodes_mm) <= 0)
    ):
        raise ValueError(f"the map along {name} is not whole")
    if not np.all(np.isfinite(numbers)) or not 0 <= axis.u_relative < 0.1 or not 0 <= axis.u_repeat_mm < 1:
        raise ValueError(f"the map along {name} has impossible numbers")
    if not math.isclose(float(data["correction"]), axis.correction, abs_tol=1e-7):
        raise ValueError(f"correction and map along {name} do not agree")
    return axis


def _from_dict(data: dict[str, Any], path: Path) -> Calibration:
    from sharpset.scans.references import reference_from

    dpi, size = (_pair(data[key], key) for key in ("dpi", "size_px"))
    scale = ScanScale(
        pixel_mm=PixelSize(25.4 / dpi[0], 25.4 / dpi[1]),
        x=_axis_from_dict(data["x"], "x"),
        y=_axis_from_dict(data["y"], "y"),
        source="calibration",
        remarks=tuple(str(remark) for remark in data.get("remarks", ())),
    )
    if not (scale.x.is_measured or scale.y.is_measured):
        raise ValueError("neither axis is calibrated")
    return Calibration(
        scanner_id=str(data["scanner_id"]),
        date=datetime.date.fromisoformat(data["date"]),
        expires=datetime.date.fromisoformat(data["expires"]),
        scale=scale,
        size_px=(int(size[0]), int(size[1])),
        orientation=int(data["orientation"]),
        reference=reference_from(data["reference"], where=str(path), name="reference"),
        image=str(data["image"]),
        sha256=str(data["sha256"]),
        path=path,
    )


def _pair(value: Any, name: str) -> Sequence[float]:
    if not isinstance(value, list) or len(value) != 2 or not all(float(part) > 0 for part in value):
        raise ValueError(f"{name} must be two numbers above 0")
    return [float(part) for part in value]
