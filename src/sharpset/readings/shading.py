"""The shade of walls: a lamp on one side dims a band beside the edges that face away from it.

A band of width b in which a share h of the contrast is missing moves an edge towards its bright side
by h b, and widens its spread by the variance h (1 - h) b^2. Edges that face the lamp keep theirs. So
the difference of the edge spread between edges that face opposite ways tells the size of the shift,
given h; which edges are shaded tells its direction on the glass. A lamp may lie along the columns or
along the rows of the picture (the carriage runs along one of them), so both are looked at.

Where the evidence is strong the shift is taken off, as a known error is to be (GUM, 3.2.4), and what is
not known of it, the share h above all, stays in the uncertainty. Shade only takes light, and a band of
the dark side that lacks light widens no edge: what is seen lies on the bright side.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.blur import EdgeSpread, edge_profile, line_profile
from sharpset.readings.profiles import Profiles
from sharpset.readings.sampling import Samples
from sharpset.readings.strips import StripFits

__all__ = ["Shade", "common_shift_mm", "diameter_effect", "measure_shade", "seen_at_slant", "width_effect"]

FloatArray = NDArray[np.float64]
_DEPTH, _U_DEPTH = 0.5, 0.1
"""Share of the contrast that the band lacks: half, as a lamp half hidden by the wall leaves."""
_U_TAKEN = 0.35
"""Relative standard uncertainty of a shift that is told by the spread of edges: sqrt(h / (1 - h)) of it for a share h
that may lie anywhere between a fifth and nearly two thirds, and doubt about the shape of the band."""
_EVIDENT, _SURE, _AGAINST = 4.0, 6.0, 2.0
"""Uncertainties from which on an excess is worth a remark, is taken off, and is evidence against what other scans say.
Without any shade one scan in forty had an excess of four, as its uncertainty is known by its own scatter only."""
_WIDEST_MM = 0.0125
"""Largest shift that is thought possible before the scan is looked at (a band of 25 um)."""
_EVENLY_LIT = (0.9, 0.6)
"""Chance that no lamp shades edges along columns and along rows, before the scan is looked at: every other scan has
a lamp on one side, and rows are where most pictures have the carriage's direction (common practice, no source)."""
_U_FACTOR = 1.5
"""By how much the scatter between edges understates the error of the excess (scans without shade, benchmarks)."""
_APART = 7.0
"""Strips narrower than this many blur widths do not tell the spreads of their two edges apart."""
_FEWEST = 6
_K95 = 1.96


@dataclass(frozen=True, kw_only=True, slots=True)
class Shade:
    """What a scan tells of its shade; x along columns, y along rows.

    Attributes
    ----------
    excess_x_mm2, excess_y_mm2 : float
        Variance by which the spread of edges facing +x (+y, downwards in the picture) exceeds that of edges
        facing the other way; negative where those are shaded.
    u_excess_x_mm2, u_excess_y_mm2 : float
        Standard uncertainties, from the scatter between edges.
    shift_x_mm, shift_y_mm : float
        Shift of a shaded edge that 95 % of those stay below which agree with the scan; of unknown sign in one scan.
    n : int
        Strips that were used.
    plate_is_bright : bool
        Which side shade takes light from.
    at_slant : bool
        Whether the picture was seen at a slant: walls then show beside the edges too, and nothing can be taken off.
    """

    excess_x_mm2: float
    excess_y_mm2: float
    u_excess_x_mm2: float
    u_excess_y_mm2: float
    shift_x_mm: float
    shift_y_mm: float
    n: int
    plate_is_bright: bool = True
    at_slant: bool = False

    @property
    def facing(self) -> tuple[int, int]:
        """Which edges are shaded along x and y: 1 or -1 where the evidence is four uncertainties strong, else 0."""
        x, y = (int(np.sign(value)) if abs(value) > _EVIDENT * u else 0 for value, u in self._excess())
        return x, y

    @property
    def is_sure(self) -> tuple[bool, bool]:
        """Whether the evidence along x and y is strong enough to take the shift off."""
        x, y = (bool(abs(value) > _SURE * u) and not self.at_slant for value, u in self._excess())
        return x, y

    def _excess(self) -> tuple[tuple[float, float], tuple[float, float]]:
        return (self.excess_x_mm2, self.u_excess_x_mm2), (self.excess_y_mm2, self.u_excess_y_mm2)

    def likely_shift_mm(self, axis: int) -> float:
        """Return the shift along columns (0) or rows (1) that the excess spread itself stands for."""
        excess = abs((self.excess_x_mm2, self.excess_y_mm2)[axis])
        return float(np.sqrt(excess * _DEPTH / (1 - _DEPTH)))

    def taken_mm(self, axis: int) -> float:
        """Return the shift along columns (0) or rows (1) that sizes are corrected for; 0 without strong evidence.

        Positive where openings read too wide and solids too narrow, which is so on a bright plate.
        """
        if not self.is_sure[axis]:
            return 0.0
        return self.likely_shift_mm(axis) if self.plate_is_bright else -self.likely_shift_mm(axis)

    def u_shift_mm(self, axis: int) -> float:
        """Return the standard uncertainty of the shift, after correction where there is one."""
        if self.is_sure[axis]:
            return _U_TAKEN * self.likely_shift_mm(axis)
        return (self.shift_x_mm, self.shift_y_mm)[axis] / _K95

    def summary(self) -> str:
        """Return the shade in one line."""
        x, y = self.facing
        if not (x or y):
            x_um, y_um = 1000 * self.shift_x_mm, 1000 * self.shift_y_mm
            return f"no shade seen; it may still move edges by {x_um:.1f} um along columns and {y_um:.1f} um along rows"
        shaded = [word for word, is_on in (("columns", x), ("rows", y)) if is_on]
        shift = 1000 * np.hypot(self.likely_shift_mm(0) * x, self.likely_shift_mm(1) * y)
        return f"walls shade one side along {' and '.join(shaded)}: those edges are off by about {shift:.1f} um"


def width_effect(normal: FloatArray) -> FloatArray:
    """Return the change of widths across unit normals per unit of shift along columns and rows, shape (n, 2).

    One edge of every strip faces away from the lamp.
    """
    return np.asarray(np.abs(np.atleast_2d(normal)))


def diameter_effect() -> float:
    """Return the change of a hole's diameter per unit of shift: averaged round the edge, 2 / pi of it."""
    return 2 / np.pi


def measure_shade(
    samples: Samples, profiles: Profiles, fits: StripFits, spread: EdgeSpread, *, plate_is_bright: bool = True
) -> Shade:
    """Compare the spread of edges that face opposite ways.

    Parameters
    ----------
    samples, profiles, fits : all strips of a piece
    spread : EdgeSpread
    plate_is_bright : bool

    Returns
    -------
    Shade
        Of a piece with too few wide strips the largest shift that is thought possible.

    Notes
    -----
    A band that is wholly dark widens no edge and cannot be seen in one scan; two scans turned by half a
    turn tell it. Before the scan is looked at, every other one counts as evenly
    lit and the others as shifting edges by anything up to 12.5 um.
    """
    usable = (fits.contrast > 0.8) & (fits.contrast < 1.25) & (fits.width_mm > _APART * fits.sigma_mm)
    difference, weight = _spread_difference(samples, profiles, fits, spread)
    chosen = np.flatnonzero(usable & (weight > 0))
    if len(chosen) < _FEWEST:
        return Shade(
            excess_x_mm2=np.nan,
            excess_y_mm2=np.nan,
            u_excess_x_mm2=np.nan,
            u_excess_y_mm2=np.nan,
            shift_x_mm=_WIDEST_MM,
            shift_y_mm=_WIDEST_MM,
            n=len(chosen),
            plate_is_bright=plate_is_bright,
        )
    normal = samples.normal[chosen]
    design = np.sign(normal) * normal**2
    excess, u = _robust_parts(design, difference[chosen], weight[chosen])
    shift = [_agreeing_shift(*three) for three in zip(excess, u, _EVENLY_LIT, strict=True)]
    return Shade(
        excess_x_mm2=excess[0],
        excess_y_mm2=excess[1],
        u_excess_x_mm2=u[0],
        u_excess_y_mm2=u[1],
        shift_x_mm=shift[0],
        shift_y_mm=shift[1],
        n=len(chosen),
        plate_is_bright=plate_is_bright,
    )


def seen_at_slant(shade: Shade, most_mm: float) -> Shade:
    """Return the shade of a picture seen at a slant, where walls show beside edges and widen them (see `slant`).

    The spread of edges then tells nothing of a lamp. What shade may do is what was thought possible before the
    picture was looked at, and at most `most_mm`.
    """
    x, y = (min(value, _WIDEST_MM, most_mm) for value in (shade.shift_x_mm, shade.shift_y_mm))
    return replace(shade, shift_x_mm=x, shift_y_mm=y, at_slant=True)


def common_shift_mm(shades: Sequence[Shade], axis: int) -> tuple[float, float]:
    """Return the shift of shaded edges along an axis that several scans by one lamp tell, and its standard uncertainty.

    The shift is away from the bright side, 0 without strong evidence. A lamp stays where it is when the piece is
    turned; where clearly shaded edges turn with the piece its walls slant, and nothing is taken off.
    """
    excess = np.array([(shade.excess_x_mm2, shade.excess_y_mm2)[axis] for shade in shades])
    u = np.array([(shade.u_excess_x_mm2, shade.u_excess_y_mm2)[axis] for shade in shades])
    widest = np.array([(shade.shift_x_mm, shade.shift_y_mm)[axis] for shade in shades])
    seen = np.isfinite(excess) & (u > 0)
    weight = np.where(seen, 1 / np.where(seen, u, 1.0) ** 2, 0.0)
    mean = float(np.sum(weight * np.where(seen, excess, 0.0)) / max(weight.sum(), 1e-300))
    against = seen & (excess * mean < 0) & (np.abs(excess) > _AGAINST * u)
    if against.any() or any(shade.at_slant for shade in shades) or abs(mean) * np.sqrt(weight.sum()) <= _SURE:
        return 0.0, float(np.sqrt(np.mean(widest**2))) / _K95
    shift = float(np.sqrt(abs(mean) * _DEPTH / (1 - _DEPTH)))
    return shift, _U_TAKEN * shift


def _spread_difference(
    samples: Samples, profiles: Profiles, fits: StripFits, spread: EdgeSpread
) -> tuple[FloatArray, FloatArray]:
    """Return, per strip, the variance of the edge that faces +normal minus that of the other, and its weight.

    One Gauss-Newton step of the fit with a blur of its own for each edge, all other parameters free.
    """
    solid = samples.is_bar
    sign = np.where(solid, 1.0, -1.0)[:, None]
    height, sigma = sign * fits.contrast[:, None], fits.sigma_mm[:, None]
    d = profiles.d_mm - fits.centre_mm[:, None]
    left, right = d + fits.width_mm[:, None] / 2, d - fits.width_mm[:, None] / 2
    kind = {"halo": spread.halo, "ratio": spread.halo_ratio}
    span = edge_profile(left, sigma, **kind) - edge_profile(right, sigma, **kind)
    at_left, at_right = line_profile(left, sigma, **kind), line_profile(right, sigma, **kind)
    model = fits.level[:, None] + fits.slope_per_mm[:, None] * profiles.d_mm + height * span
    columns = (
        height * at_left,
        height * at_right,
        np.ones_like(d),
        profiles.d_mm,
        span,
        -height * left * at_left,
        height * right * at_right,
    )
    jacobian = np.stack(columns, axis=-1)
    noise = np.maximum(profiles.noise, 2e-3)
    weighted = jacobian * (profiles.n_pixels / noise[:, None] ** 2)[..., None]
    normal = np.einsum("nmi,nmj->nij", weighted, jacobian) + 1e-9 * np.eye(7)
    step = np.linalg.solve(normal, np.einsum("nmi,nm->ni", weighted, profiles.solid - model)[..., None])[..., 0]
    covariance = np.linalg.inv(normal)
    # The left edge of a slot has the solid below it and faces +normal; of a bar it is the right one.
    more = np.where(solid, step[:, 6] - step[:, 5], step[:, 5] - step[:, 6])
    variance = covariance[:, 5, 5] + covariance[:, 6, 6] - 2 * covariance[:, 5, 6]
    scale = 2 * fits.sigma_mm**2
    with np.errstate(divide="ignore"):
        weight = np.where(variance > 0, 1 / (scale**2 * np.maximum(variance, 1e-12)), 0.0)
    return scale * more, np.where(np.isfinite(weight), weight, 0.0)


def _robust_parts(design: FloatArray, values: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the two coefficients by weighted least squares with Tukey's biweight, and their uncertainties."""
    # Rough edges scatter alike whatever their length: no strip counts more than four times the median one.
    weight = np.minimum(weight, 4 * np.median(weight))
    base, robust = weight / weight.mean(), np.ones(len(values))
    small = 1e-3 * np.eye(2)
    for _ in range(10):
        w = base * robust
        normal = (design * w[:, None]).T @ design + small
        parts = np.linalg.solve(normal, (design * w[:, None]).T @ values)
        residual = (values - design @ parts) * np.sqrt(base)
        scale = max(1.4826 * float(np.median(np.abs(residual))), 1e-12)
        robust = np.clip(1 - (residual / (5 * scale)) ** 2, 0, None) ** 2
    return parts, _U_FACTOR * scale * np.sqrt(np.diag(np.linalg.inv(normal)))


def _agreeing_shift(excess: float, u: float, evenly_lit: float) -> float:
    """Return the shift of shaded edges that 95 % of those stay below which agree with an excess variance.

    Before the scan is looked at there is no shade with the chance `evenly_lit`, and any shift up to `_WIDEST_MM` is
    as likely as another otherwise (more only where the excess itself says so), either way.
    """
    shift = np.linspace(0, 1, 400) * max(_WIDEST_MM, 1.5 * np.sqrt(abs(excess)))
    depth = np.array([_DEPTH - np.sqrt(3) * _U_DEPTH, _DEPTH, _DEPTH + np.sqrt(3) * _U_DEPTH])
    variance = shift[:, None] ** 2 * (1 - depth) / depth
    # Both signs of the excess agree; the strongest evidence is taken out so that nothing underflows.
    power = np.stack([-0.5 * ((abs(excess) - sign * variance) / u) ** 2 for sign in (1, -1)])
    chance = np.exp(power - power.max()).sum(axis=0).mean(axis=1)
    none = 2 * np.exp(-0.5 * (excess / u) ** 2 - power.max())
    below = evenly_lit * none + (1 - evenly_lit) * np.cumsum(chance) / len(shift)
    # Never nothing at all: scans of one lamp are compared by the ratio of what each allows.
    return float(shift[max(int(np.searchsorted(below, 0.95 * below[-1])), 1)])
