"""A wire or blade of known size beside the piece, read like a feature: it checks the readings and corrects nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.profiles import robust_profiles
from sharpset.readings.edges.sampling import Samples, Strip, sample_strips
from sharpset.readings.edges.strips import Priors, StripFits, fit_strips
from sharpset.readings.picture.light import LightMap, PieceLight
from sharpset.scans import LocalScale, Pose, Scan, ScanScale

__all__ = ["CheckReading", "read_check_wire"]

FloatArray = NDArray[np.float64]

_SHORTEST_MM, _END_MM = 8.0, 1.0
_REACH_MM = 0.4
_LEAST_CONTRAST = 0.04
_LIKELY = (0.4, 2.5)
"""Width over nominal width that may still be the wire; anything else is a fibre or an edge."""
_OWN = Priors(contrast=0.3, level=0.2, slope_per_mm=0.3, blur=0.08)
_U_EDGE_PX = 0.02
_MOST_CANDIDATES = 8
_LEAST_SIGMAS = 4.0


@dataclass(frozen=True, kw_only=True, slots=True)
class CheckReading:
    """What a scan says about a wire of known size; NaN where it says nothing.

    Attributes
    ----------
    nominal_mm : float
    measured_mm, U95_mm, deviation_mm : float
    verdict : {'agrees', 'deviates', 'too narrow to tell', 'not found'}
    column_px, row_px : float
        Its middle in the picture.
    """

    nominal_mm: float
    measured_mm: float = np.nan
    U95_mm: float = np.nan
    deviation_mm: float = np.nan
    verdict: str = "not found"
    column_px: float = np.nan
    row_px: float = np.nan

    def summary(self) -> str:
        """Return the check in one line."""
        start = f"check wire of {self.nominal_mm:g} mm"
        if self.verdict == "not found":
            return f"{start}: not found beside the pieces; lay it straight, {_SHORTEST_MM:g} mm of it or more in view"
        return (
            f"{start}: reads {self.measured_mm:.4f} +- {self.U95_mm:.4f} mm, deviation {1000 * self.deviation_mm:+.1f} "
            f"um: {self.verdict}"
        )

    def to_frame(self) -> pd.DataFrame:
        """Return the check as one row."""
        names = ("nominal_mm", "measured_mm", "U95_mm", "deviation_mm", "verdict", "column_px", "row_px")
        return pd.DataFrame([{name: getattr(self, name) for name in names}])


@dataclass(frozen=True, kw_only=True, slots=True)
class _Candidate:
    """A thin straight thing on the thumbnail, in native pixels."""

    centre: tuple[float, float]
    angle_deg: float
    length_mm: float
    is_bright: bool


def read_check_wire(
    scan: Scan,
    nominal_mm: float,
    *,
    spread: EdgeSpread,
    scale: ScanScale,
    exclude_px: Sequence[FloatArray] = (),
    channel: int | None = None,
) -> CheckReading:
    """Find a wire or blade that lies beside the pieces and measure its width.

    Parameters
    ----------
    scan : Scan
    nominal_mm : float
        Its size.
    spread : EdgeSpread
        Edge spread of the scan, from a piece in it.
    scale : ScanScale
    exclude_px : sequence of ndarray, shape (n, 2)
        Outlines (column, row) of the pieces.
    channel : int, optional

    Returns
    -------
    CheckReading
        Its U95 covers noise, blur, scale and the place of the edge. It leaves out the wire's own error, and that
        the flanks of a round wire curve away from the glass: a blade or a flat strip is the better check.
    """
    # The longest straight strip of a likely width is the wire: fibres are short or bent.
    for candidate in _candidates(scan, nominal_mm, exclude_px, channel):
        reading = _measure(scan, candidate, nominal_mm, spread, scale, channel)
        if reading is not None:
            return reading
    return CheckReading(nominal_mm=nominal_mm)


def _candidates(
    scan: Scan, nominal_mm: float, exclude_px: Sequence[FloatArray], channel: int | None
) -> list[_Candidate]:
    pixel = float(np.mean(scan.pixel_mm))
    factor = max(1, min(int(min(nominal_mm / 2, 0.12) / pixel), scan.n_rows, scan.n_columns))
    light = scan.decode(scan.reduced(factor, channel))
    step = factor * pixel
    size = 2 * max(1, round(2.0 * nominal_mm / step)) + 1
    kernel = np.ones((size, size), np.uint8)
    found = []
    for is_bright in (True, False):
        operation = cv2.MORPH_TOPHAT if is_bright else cv2.MORPH_BLACKHAT
        ridge = cv2.morphologyEx(light, operation, kernel)
        mask = (ridge > max(_LEAST_CONTRAST, 6.0 * float(np.median(ridge)))).astype(np.uint8)
        for outline in exclude_px:
            cv2.fillPoly(mask, [np.round((outline + 0.5) / factor - 0.5).astype(np.int32)], 0)
        found += _straight_ones(mask, nominal_mm, step, factor, is_bright)
    return sorted(found, key=lambda candidate: -candidate.length_mm)[:_MOST_CANDIDATES]


def _straight_ones(
    mask: NDArray[np.uint8], nominal_mm: float, step: float, factor: int, is_bright: bool
) -> list[_Candidate]:
    found = []
    n, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    for k in range(1, n):
        left, top, width, height, area = stats[k]
        if max(width, height) * step < _SHORTEST_MM * 0.7 or area * step**2 > 6 * nominal_mm * np.hypot(width, height):
            continue
        rows, columns = np.nonzero(labels[top : top + height, left : left + width] == k)
        (x, y), (w, h), _ = cv2.minAreaRect(np.column_stack((columns, rows)).astype(np.float32))
        long, short = max(w, h) + 1, min(w, h) + 1
        if long * step < _SHORTEST_MM or short * step > 2 * nominal_mm + 3 * step or area < 0.4 * long * short:
            continue
        points = np.column_stack((columns, rows)) - [x, y]
        _, _, axes = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)
        found.append(
            _Candidate(
                centre=(float((x + left + 0.5) * factor - 0.5), float((y + top + 0.5) * factor - 0.5)),
                angle_deg=float(np.degrees(np.arctan2(-axes[0, 1], axes[0, 0]))),
                length_mm=float(long * step),
                is_bright=is_bright,
            )
        )
    return found


def _measure(
    scan: Scan, candidate: _Candidate, nominal_mm: float, spread: EdgeSpread, scale: ScanScale, channel: int | None
) -> CheckReading | None:
    column, row = candidate.centre
    reach = candidate.length_mm / 2
    turn = np.radians(candidate.angle_deg)
    span = np.array([abs(np.cos(turn)), abs(np.sin(turn))]) * reach / np.array(scan.pixel_mm) + 1.0
    local = scale.over((column - span[0], row - span[1]), (column + span[0], row + span[1]))
    pixel = np.array(local.pixel_mm)
    pose = Pose(matrix=np.array([[1 / pixel[0], 0, 0], [0, -1 / pixel[1], 0]]), pixel_mm=local.pixel_mm)
    light = _light(scan, candidate, span, nominal_mm, channel)
    if light is None:
        return None
    strip = Strip(
        name="check wire",
        solid=True,
        width_mm=nominal_mm,
        length_mm=candidate.length_mm,
        x_mm=column * pixel[0],
        y_mm=-row * pixel[1],
        angle_deg=candidate.angle_deg,
        reach_mm=_REACH_MM + nominal_mm,
    )
    for _ in range(2):
        samples = sample_strips(light, pose, [strip], end_mm=_END_MM)
        strip = _turned(strip, samples)
    samples = sample_strips(light, pose, [replace(strip, reach_mm=_REACH_MM)], end_mm=_END_MM)
    fits = fit_strips(samples, robust_profiles(samples), spread, replace(_OWN, blur=max(spread.u_relative, _OWN.blur)))
    return _judged(fits, samples, candidate, nominal_mm, local)


def _light(
    scan: Scan, candidate: _Candidate, span: FloatArray, nominal_mm: float, channel: int | None
) -> PieceLight | None:
    """Light of a wire and of what lies beside it, from the pixels round it."""
    margin = (2.0 * nominal_mm + 2.0 * _REACH_MM) / np.array(scan.pixel_mm)
    centre, size = np.array(candidate.centre), np.array([scan.n_columns, scan.n_rows])
    low = np.maximum(np.floor(centre - span - margin).astype(int), 0)
    high = np.minimum(np.ceil(centre + span + margin).astype(int), size - 1)
    if np.any(high - low < 4):
        return None
    stored = scan.channel(channel)[low[1] : high[1] + 1, low[0] : high[0] + 1]
    rows, columns = np.mgrid[low[1] : high[1] + 1, low[0] : high[0] + 1]
    turn = np.radians(candidate.angle_deg)
    x, y = ((columns - centre[0]) * scan.pixel_mm.x, (rows - centre[1]) * scan.pixel_mm.y)
    along, across = x * np.cos(turn) - y * np.sin(turn), np.abs(x * np.sin(turn) + y * np.cos(turn))
    light = scan.decode(stored).astype(float)
    inside = np.abs(along) < candidate.length_mm / 2 - _END_MM
    beside = light[inside & (across > nominal_mm + 0.1) & (across < nominal_mm + 0.1 + _REACH_MM)]
    middle = light[inside & (across < max(nominal_mm / 4, 0.6 * max(scan.pixel_mm)))]
    if len(beside) < 50 or len(middle) < 20:
        return None
    ground, wire = float(np.median(beside)), float(np.median(middle))
    if abs(wire - ground) < _LEAST_CONTRAST or (wire > ground) != candidate.is_bright:
        return None
    return PieceLight(
        stored=stored,
        decode=scan.decode,
        origin=(int(low[0]), int(low[1])),
        plate=_flat(wire),
        background=_flat(ground),
        noise=1.4826 * float(np.median(np.abs(beside - ground))),
        contrast=wire - ground,
        clipped=0.0,
        noise_inflation=1.0,
    )


def _flat(light: float) -> LightMap:
    return LightMap(coefficients=np.array([light]), centre_px=np.zeros(2), span_px=np.ones(2), order=0)


def _turned(strip: Strip, samples: Samples) -> Strip:
    """The strip laid along the middle line of its light."""
    edges = np.linspace(-samples.half_length_mm[0], samples.half_length_mm[0], 13)
    part = np.clip(np.digitize(samples.t_mm, edges) - 1, 0, 11)
    weight = np.clip(samples.solid - 0.3, 0.0, 1.0)
    total = np.bincount(part, weight, 12)
    centre = np.bincount(part, weight * samples.d_mm, 12) / np.maximum(total, 1e-9)
    clear = total > 0.5 * np.median(total)
    if clear.sum() < 4:
        return strip
    middle = ((edges[1:] + edges[:-1]) / 2)[clear]
    slope, shift = np.polyfit(middle, centre[clear], 1)
    angle = np.radians(strip.angle_deg)
    return replace(
        strip,
        x_mm=strip.x_mm - shift * np.sin(angle),
        y_mm=strip.y_mm + shift * np.cos(angle),
        angle_deg=strip.angle_deg + float(np.degrees(np.arctan(slope))),
    )


def _judged(
    fits: StripFits, samples: Samples, candidate: _Candidate, nominal_mm: float, local: LocalScale
) -> CheckReading | None:
    width = float(fits.width_mm[0])
    if not _LIKELY[0] < width / nominal_mm < _LIKELY[1] or fits.misfit[0] > 30:
        return None
    u_scale = float(local.u_along(samples.normal)[0])
    u = float(np.sqrt(fits.u_width_mm[0] ** 2 + (u_scale * width) ** 2 + (_U_EDGE_PX * samples.pixel_mm) ** 2))
    deviation = width - nominal_mm
    verdict = "agrees" if abs(deviation) <= 1.96 * u else "deviates"
    if width < _LEAST_SIGMAS * fits.sigma_mm[0]:
        verdict = "too narrow to tell"
    return CheckReading(
        nominal_mm=nominal_mm,
        measured_mm=width,
        U95_mm=1.96 * u,
        deviation_mm=deviation,
        verdict=verdict,
        column_px=candidate.centre[0],
        row_px=candidate.centre[1],
    )
