"""The scale of a scan: what vouches for it, how good it is, and what it does to places."""

from __future__ import annotations

import html
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.scans.axis_scale import U_UNCALIBRATED, AxisScale
from sharpset.scans.scan import PixelSize, Scan

__all__ = ["LocalScale", "ScanScale", "nominal_scale"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class ScanScale:
    """The scale of both axes of a scan.

    Attributes
    ----------
    pixel_mm : PixelSize
        Nominal pixel size, by tag, argument or frame.
    x, y : AxisScale
    source : str
        ``"nominal"``, ``"reference"``, ``"calibration"`` or ``"reference and calibration"``.
    remarks : tuple of str
        What was looked for and not used, and why.
    """

    pixel_mm: PixelSize
    x: AxisScale = field(default_factory=AxisScale)
    y: AxisScale = field(default_factory=AxisScale)
    source: str = "nominal"
    remarks: tuple[str, ...] = ()

    @property
    def correction(self) -> tuple[float, float]:
        """True over nominal length, minus 1, along x and y."""
        return self.x.correction, self.y.correction

    @property
    def u_relative(self) -> tuple[float, float]:
        """Relative standard uncertainty along x and y, over the range where it was measured."""
        return _own_u(self.x), _own_u(self.y)

    def over(self, low_px: Sequence[float], high_px: Sequence[float]) -> LocalScale:
        """Return the scale of a part of the picture.

        Parameters
        ----------
        low_px, high_px : (column, row)
            Its corners.
        """
        pixel, u, shift = [], [], []
        for k, axis in enumerate((self.x, self.y)):
            low, high = low_px[k] * self.pixel_mm[k], high_px[k] * self.pixel_mm[k]
            slope = axis.slope(low, high)
            grid = np.linspace(low, high, 201)
            shift.append(float(np.mean(axis.offsets(grid) - slope * grid)))
            pixel.append(self.pixel_mm[k] * (1.0 + slope))
            u.append(axis.u_slope(low, high))
        return LocalScale(scan_scale=self, pixel_mm=PixelSize(*pixel), u_x=u[0], u_y=u[1], shift_mm=np.array(shift))

    def summary(self) -> str:
        """One line for people."""
        if not (self.x.is_measured or self.y.is_measured) and self.x.source == self.y.source:
            return f"scale {self.x.summary()}"
        return f"scale along x {self.x.summary()}; along y {self.y.summary()}"

    def _repr_html_(self) -> str:
        return "<br>".join(html.escape(line) for line in (self.summary(), *self.remarks))


def _own_u(axis: AxisScale) -> float:
    return axis.u_slope(axis.nodes_mm[0], axis.nodes_mm[-1]) if axis.is_measured else axis.u_relative


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class LocalScale:
    """The scale of a part of a scan: a straight part in the pixel size, and what bends about it.

    Attributes
    ----------
    scan_scale : ScanScale
    pixel_mm : PixelSize
        True size of a pixel, averaged over the part.
    u_x, u_y : float
        Relative standard uncertainties of lengths in the part, along the columns and the rows.
    shift_mm : ndarray of float, shape (2,)
        Constants that leave the bends without mean.
    """

    scan_scale: ScanScale
    pixel_mm: PixelSize
    u_x: float
    u_y: float
    shift_mm: FloatArray

    @property
    def is_straight(self) -> bool:
        """Whether nothing bends."""
        return max(len(self.scan_scale.x.nodes_mm), len(self.scan_scale.y.nodes_mm)) <= 2

    def summary(self) -> str:
        """What it does to lengths, in one line."""
        shares = [own / nominal - 1.0 for own, nominal in zip(self.pixel_mm, self.scan_scale.pixel_mm, strict=True)]
        parts = (
            f"{100 * share:+.3f} +- {196 * u:.3f} % along {name}"
            for share, u, name in zip(shares, (self.u_x, self.u_y), "xy", strict=True)
        )
        return f"lengths are corrected by {' and '.join(parts)} of the glass"

    def u_along(self, directions: FloatArray) -> FloatArray:
        """Return the relative standard uncertainty of lengths along unit directions (column, row), shape (n,).

        The errors of the two axes count as going together, which understates no direction.
        """
        square = np.atleast_2d(np.asarray(directions, dtype=float)) ** 2
        return np.asarray(square @ np.array([self.u_x, self.u_y]))

    def bend_mm(self, points_px: FloatArray) -> FloatArray:
        """Return what is to be added to (column, row) times `pixel_mm` for true places, mm, shape (n, 2)."""
        return np.column_stack(
            [
                axis.offsets(points_px[:, k] * self.scan_scale.pixel_mm[k])
                - self.shift_mm[k]
                - points_px[:, k] * (self.pixel_mm[k] - self.scan_scale.pixel_mm[k])
                for k, axis in enumerate((self.scan_scale.x, self.scan_scale.y))
            ]
        )

    def stretch(self, points_px: FloatArray) -> FloatArray:
        """Return by how much lengths at places exceed those by `pixel_mm`, relative, along x and y, shape (n, 2)."""
        reach = 0.25 / np.array(self.scan_scale.pixel_mm)
        rise = self.bend_mm(points_px + reach) - self.bend_mm(points_px - reach)
        return np.asarray(rise / (2.0 * reach * np.array(self.pixel_mm)))


def nominal_scale(scan: Scan) -> ScanScale:
    """The scale of a scan by its tag, argument or frame alone."""
    u = U_UNCALIBRATED if math.isnan(scan.u_scale) else scan.u_scale
    words = {"argument": "from the dpi that was given", "frame": "from the photo frame"}
    axis = AxisScale(u_relative=u, source=words.get(scan.scale_source, f"from the file ({scan.scale_source})"))
    return ScanScale(pixel_mm=scan.pixel_mm, x=axis, y=axis)


def with_remarks(scale: ScanScale, remarks: Sequence[str]) -> ScanScale:
    """The same scale with more remarks."""
    return replace(scale, remarks=(*scale.remarks, *remarks))
