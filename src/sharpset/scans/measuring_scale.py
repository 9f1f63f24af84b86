"""Measure the scale of a scan on a rule, a glass scale or a checkerboard that lies in it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.scans.axis_scale import U_UNCALIBRATED, AxisScale, GraduationData, fit_axis
from sharpset.scans.graduations import Graduations, fit_graduations
from sharpset.scans.references import ScaleReference
from sharpset.scans.scale import ScanScale, nominal_scale
from sharpset.scans.scan import Scan
from sharpset.scans.tracks import Thumbnail, Track, find_tracks, thumbnail_for

__all__ = ["measure_scale"]

FloatArray = NDArray[np.float64]

_FEWEST, _FEWEST_SQUARES = 20, 8
_SHORTEST_MM, _FEWEST_PIXELS = 8.0, 5.0
_LEAST_PRESENT = 0.7
_MOST_CORRECTION = 0.012
_MOST_SCATTER_MM, _MOST_SCATTER_PX = 0.010, 0.10
_U_SQUARE = 5e-4
"""Angle between sensor and carriage beside 90 degrees, radians, standard uncertainty (assumed from the errors of
a few tenths of a millimetre over a page in the tests that `U_UNCALIBRATED` comes from)."""
_U_PLACES_MM = 0.0002
"""What lines and edges at the two ends of a row may be off by: the most that pictures of known truth showed."""
_AXES = ("x", "y")
_NO_ROW = "no row of graduations of its pitch lies along it"


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Measured:
    """Rows of graduations that passed every test, along one axis; why there are none, and whether it is the pitch."""

    rows: list[Graduations]
    reason: str
    is_another_pitch: bool = False


def measure_scale(
    scan: Scan,
    reference: ScaleReference,
    *,
    exclude_px: Sequence[FloatArray] = (),
    channel: int | None = None,
    least_node_mm: float = 3.0,
) -> ScanScale:
    """Find a reference in a scan and measure the scale of each axis that it lies along.

    Parameters
    ----------
    scan : Scan
    reference : ScaleReference
    exclude_px : sequence of ndarray, shape (n, 2)
        Outlines (column, row) of the pieces, which are not looked at.
    channel : int, optional
        Colour channel; green without it.
    least_node_mm : float
        How closely the slow map may follow the graduations.

    Returns
    -------
    ScanScale
        An axis along which no reference was found, or one that does not fit, keeps its nominal scale; a remark
        says why. The uncertainty covers the scatter of the graduations, the reference's own tolerance and
        temperature and the turn of the reference. It leaves out a reference that lies higher above the glass
        than the piece.

    Notes
    -----
    Graduations must be at least twenty, eight edges of squares, over 8 mm or more. Seven in ten of those within the
    row must be there, and one in each pitch. Their scatter about a smooth map must stay below 10 um and a tenth of a
    pixel together (woven and printed stripes wander more), and the scale must come out within 1.2 % of the nominal
    one, since no flatbed is further off. A turn of a few degrees is allowed for; at more than ten nothing is found.
    """
    nominal = nominal_scale(scan)
    thumbnail = thumbnail_for(scan, reference, channel=channel)
    measured = [
        _measure(scan, thumbnail, reference, axis=axis, exclude_px=exclude_px, channel=channel) for axis in (0, 1)
    ]
    axes = [nominal.x, nominal.y]
    remarks = []
    # Where the reference lies turned the scale along one axis depends a little on the other's: plain scales first.
    for closest in (math.inf, least_node_mm):
        for axis, found in enumerate(measured):
            if found.rows:
                axes[axis] = _axis_scale(scan, reference, found.rows, axis, axes, closest)
    for axis in (0, 1):
        found = measured[axis]
        wrong = _wrong(axes[axis], reference, scan.pixel_mm[axis]) if found.rows else found.reason
        if found.is_another_pitch and measured[1 - axis].rows:
            # The pitch is right along the other axis: what repeats along this one is something else.
            wrong = _NO_ROW
        if wrong:
            axes[axis] = (nominal.x, nominal.y)[axis]
            remarks.append(f"{reference.name} was not used along {_AXES[axis]}: {wrong}")
    if not any(axis.is_measured for axis in axes):
        short = " and ".join(dict.fromkeys(remark.partition(": ")[2] for remark in remarks))
        remarks = [f"{reference.name} was not used: {short}"]
    source = "reference" if any(axis.is_measured for axis in axes) else "nominal"
    return ScanScale(pixel_mm=scan.pixel_mm, x=axes[0], y=axes[1], source=source, remarks=tuple(remarks))


def _measure(
    scan: Scan,
    thumbnail: Thumbnail,
    reference: ScaleReference,
    *,
    axis: int,
    exclude_px: Sequence[FloatArray],
    channel: int | None,
) -> _Measured:
    n_pixels = reference.pitch_mm / max(scan.pixel_mm)
    if n_pixels < _FEWEST_PIXELS:
        return _Measured(
            rows=[], reason=f"its pitch is {n_pixels:.1f} pixels, {_FEWEST_PIXELS:g} are needed; scan at a finer dpi"
        )
    reason, is_another_pitch = _NO_ROW, False
    rows: list[Graduations] = []
    for track in find_tracks(thumbnail, reference, axis=axis, exclude_px=exclude_px):
        row = fit_graduations(scan, track, channel=channel)
        if row is None:
            continue
        row, fault = _trimmed(row), ""
        fault = _fault(row, track, reference, scan)
        if fault:
            if not rows:
                reason, is_another_pitch = fault, row.n_in_pitch != 1
            continue
        rows.append(row)
        if reference.kind != "checkerboard":
            break
    return _Measured(rows=rows, reason=reason, is_another_pitch=is_another_pitch)


def _trimmed(row: Graduations) -> Graduations:
    """Cut a row to the stretch in which graduations are there, and to those that are good."""
    good = np.flatnonzero(row.good)
    dense = np.convolve(row.good, np.ones(5), mode="same") >= 4
    ends = np.flatnonzero(dense & row.good)
    if len(ends) == 0:
        return row
    keep = np.zeros(len(row.good), bool)
    keep[max(ends[0] - 2, 0) : ends[-1] + 3] = True
    keep &= (np.arange(len(keep)) >= good[0]) & (np.arange(len(keep)) <= good[-1])
    # What lies beyond the dense stretch may be anything: only what touches it stays.
    return replace(
        row,
        number=row.number[keep],
        along_px=row.along_px[keep],
        across_px=row.across_px[keep],
        u_px=row.u_px[keep],
        good=row.good[keep],
        rising=None if row.rising is None else row.rising[keep],
    )


def _fault(row: Graduations, track: Track, reference: ScaleReference, scan: Scan) -> str:
    """Why a row cannot be the reference's, or nothing."""
    n, squares = int(row.good.sum()), row.rising is not None
    fewest = _FEWEST_SQUARES if squares else _FEWEST
    if row.n_in_pitch != 1:
        return f"{row.n_in_pitch} lines show within one pitch of {reference.pitch_mm:g} mm; is the pitch right?"
    if n < fewest:
        return f"only {n} graduations can be made out, {fewest} are needed"
    pixel = scan.pixel_mm[track.axis]
    span = float(np.ptp(row.along_px[row.good])) * pixel
    if span < _SHORTEST_MM:
        return f"graduations show over {span:.1f} mm only, {_SHORTEST_MM:g} are needed"
    if row.good.mean() < _LEAST_PRESENT:
        return (
            f"only {row.good.mean():.0%} of the graduations are there at a pitch of {reference.pitch_mm:g} mm; "
            "is it dirty, or another pitch?"
        )
    if reference.count is not None and np.ptp(row.number[row.good]) + 1 > reference.count + 1:
        return f"{np.ptp(row.number[row.good]) + 1} graduations are in line, it has {reference.count}"
    return ""


def _axis_scale(
    scan: Scan,
    reference: ScaleReference,
    rows: Sequence[Graduations],
    axis: int,
    axes: Sequence[AxisScale],
    least_node_mm: float,
) -> AxisScale:
    own, other = 1.0 + axes[axis].correction, 1.0 + axes[1 - axis].correction
    along_mm, across_mm = scan.pixel_mm[axis], scan.pixel_mm[1 - axis]
    pitch = reference.pitch_now_mm
    # Numbers rise along the wave: the turn is that of the wave in true millimetres.
    turn = [math.atan2(row.wave[1] / (across_mm * other), row.wave[0] / (along_mm * own)) for row in rows]
    turned = float(np.median(turn))
    position, excess, track, parity = [], [], [], []
    for k, row in enumerate(rows):
        good = row.good
        p = row.along_px[good] * along_mm
        across = row.across_px[good] * across_mm * other
        true = (row.number[good] * pitch - math.sin(turned) * across) / math.cos(turned)
        position.append(p)
        excess.append(true - true[0] - (p - p[0]))
        track.append(np.full(len(p), k))
        parity.append(np.zeros(len(p)) if row.rising is None else np.where(row.rising[good], 1.0, -1.0))
    data = GraduationData(
        position_mm=np.concatenate(position),
        excess_mm=np.concatenate(excess),
        track=np.concatenate(track),
        parity=np.concatenate(parity),
        pitch_mm=pitch,
    )
    fitted = fit_axis(data, least_node_mm=least_node_mm)
    span = float(np.ptp(data.position_mm))
    u_turn = math.hypot(_U_SQUARE, float(np.mean([row.u_turn for row in rows])))
    u_other = 0.0 if axes[1 - axis].is_measured else U_UNCALIBRATED
    u = math.hypot(
        reference.u_length(span),
        math.tan(abs(turned)) * u_turn,
        math.tan(turned) ** 2 * u_other,
        u_turn**2 / 2,
        _U_PLACES_MM / span,
    )
    return replace(fitted, u_relative=u, source=f"from the {reference.kind} {reference.name}")


def _wrong(axis: AxisScale, reference: ScaleReference, pixel_mm: float) -> str:
    """Why a fitted scale cannot be believed, or nothing."""
    if abs(axis.correction) > _MOST_CORRECTION:
        return (
            f"its pitch of {reference.pitch_mm:g} mm would put the scan {100 * axis.correction:+.1f} % off, "
            "which no flatbed is; check the pitch and the dpi"
        )
    if axis.residual_mm > _MOST_SCATTER_MM + _MOST_SCATTER_PX * pixel_mm:
        return (
            f"its graduations scatter by {1000 * axis.residual_mm:.0f} um about a smooth line; "
            "it is dirty, or something else of about its pitch"
        )
    return ""
