"""The scale of one axis of the glass: a slow map from nominal to true position, with its uncertainty.

The map is a natural cubic spline through a few nodes, straight beyond them. Two nodes make a plain
scale; how many there are is decided by the graduations themselves (Akaike's information criterion).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["U_UNCALIBRATED", "AxisScale", "GraduationData", "fit_axis"]

FloatArray = NDArray[np.float64]

U_UNCALIBRATED = 0.002
"""Relative standard uncertainty of a scale that nothing but a dpi tag or argument vouches for: uncalibrated
flatbeds differ from their nominal pitch by 0.1 to 0.6 % (tests of five A4 scanners, ACRS 1997; a consumer
scanner's two halves of one axis differed by 0.6 %, common practice)."""

_NODE_COUNTS = (2, 3, 4, 5, 6, 7, 8, 10, 12, 14, 17, 20, 24, 29, 35, 42)
_LEAST_NODE_MM, _LEAST_NODE_PITCHES = 3.0, 5
_GRID = 201
_PATIENCE = 5
_OF_WEIGHTED = 1.065
"""Standard deviation of normal residuals over their root mean square under biweights that end at six of them."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class AxisScale:
    """Scale of one axis.

    Attributes
    ----------
    nodes_mm : ndarray of float, shape (k,)
        Nominal positions along the axis (pixel number times nominal pixel size); empty where nothing was measured.
    offsets_mm : ndarray of float, shape (k,)
        True minus nominal position there, up to a constant.
    covariance_mm2 : ndarray of float, shape (k, k)
        Of the offsets, from the scatter of the graduations.
    u_relative : float
        Standard uncertainty common to all lengths: tolerance and temperature of the reference, its turn.
    u_repeat_mm : float
        Standard uncertainty of a length when another scan is made; 0 for a reference in the scan itself.
    residual_mm : float
        Standard deviation of one graduation about the map.
    n : int
        Graduations used.
    source : str
        Where it comes from, as a phrase.
    """

    nodes_mm: FloatArray = field(default_factory=lambda: np.empty(0))
    offsets_mm: FloatArray = field(default_factory=lambda: np.empty(0))
    covariance_mm2: FloatArray = field(default_factory=lambda: np.empty((0, 0)))
    u_relative: float = U_UNCALIBRATED
    u_repeat_mm: float = 0.0
    residual_mm: float = math.nan
    n: int = 0
    source: str = "nominal"

    @property
    def is_measured(self) -> bool:
        """Whether graduations vouch for it."""
        return len(self.nodes_mm) > 0

    @property
    def correction(self) -> float:
        """True over nominal length, minus 1, averaged over the nodes' range; 0 where nothing was measured."""
        return self.slope(self.nodes_mm[0], self.nodes_mm[-1]) if self.is_measured else 0.0

    @property
    def bend_mm(self) -> float:
        """Largest distance of the map from a plain scale."""
        if not self.is_measured:
            return 0.0
        grid = np.linspace(self.nodes_mm[0], self.nodes_mm[-1], _GRID)
        offsets = self.offsets(grid)
        return float(np.abs(offsets - np.polyval(np.polyfit(grid, offsets, 1), grid)).max())

    def offsets(self, positions_mm: ArrayLike) -> FloatArray:
        """True minus nominal position, mm, at nominal positions; up to a constant."""
        positions = np.asarray(positions_mm, dtype=float)
        if not self.is_measured:
            return np.zeros_like(positions)
        return np.asarray(cardinal(self.nodes_mm, positions) @ self.offsets_mm)

    def slope(self, low_mm: float, high_mm: float) -> float:
        """True over nominal length, minus 1, over a range (least squares, so that its ends do not rule)."""
        if not self.is_measured:
            return 0.0
        return float(self._slope_row(low_mm, high_mm) @ self.offsets_mm)

    def u_slope(self, low_mm: float, high_mm: float) -> float:
        """Relative standard uncertainty of lengths in a range; where no graduation lay the nominal scale's counts."""
        if not self.is_measured:
            return self.u_relative
        row = self._slope_row(low_mm, high_mm)
        scatter = float(row @ self.covariance_mm2 @ row)
        length = max(high_mm - low_mm, 1e-6)
        covered = max(0.0, min(high_mm, self.nodes_mm[-1]) - max(low_mm, self.nodes_mm[0])) / length
        unknown = (1.0 - min(covered, 1.0)) * U_UNCALIBRATED
        return math.sqrt(scatter + self.u_relative**2 + unknown**2 + (self.u_repeat_mm / length) ** 2)

    def straight(self) -> AxisScale:
        """The same scale without its bends: what is known where the place on the glass is not."""
        if len(self.nodes_mm) <= 2:
            return self
        low, high = float(self.nodes_mm[0]), float(self.nodes_mm[-1])
        row = self._slope_row(low, high)
        variance = float(row @ self.covariance_mm2 @ row) * (high - low) ** 2
        grid = np.linspace(low, high, _GRID)
        # A short piece sees the slope of one place: the slopes' own spread is what is not known.
        unknown = float(np.std(np.gradient(self.offsets(grid), grid)))
        return AxisScale(
            nodes_mm=np.array([low, high]),
            offsets_mm=np.array([0.0, self.correction * (high - low)]),
            covariance_mm2=np.diag([0.0, variance]),
            u_relative=math.hypot(self.u_relative, unknown),
            u_repeat_mm=self.u_repeat_mm,
            residual_mm=self.residual_mm,
            n=self.n,
            source=self.source,
        )

    def summary(self) -> str:
        """The scale as a phrase."""
        if not self.is_measured:
            return f"{self.source}, good to {200 * self.u_relative:.2g} %"
        u = self.u_slope(self.nodes_mm[0], self.nodes_mm[-1])
        bend = f", bends by {1000 * self.bend_mm:.0f} um" if len(self.nodes_mm) > 2 else ""
        return (
            f"{self.source}, {self.n} graduations over {self.nodes_mm[-1] - self.nodes_mm[0]:.0f} mm: "
            f"{100 * self.correction:+.3f} +- {200 * u:.3f} %{bend}"
        )

    def _slope_row(self, low_mm: float, high_mm: float) -> FloatArray:
        grid = np.linspace(low_mm, high_mm, _GRID)
        weights = grid - grid.mean()
        weights /= max(float(weights @ weights), 1e-12)
        return np.asarray(weights @ cardinal(self.nodes_mm, grid))


def cardinal(nodes: FloatArray, positions: FloatArray) -> FloatArray:
    """The natural cubic splines that are 1 at one node and 0 at the others; shape (*positions.shape, n_nodes).

    Beyond the nodes they go on with the mean slope of all nodes, not with the last one's.
    """
    from scipy.interpolate import CubicSpline

    inside = np.clip(positions, nodes[0], nodes[-1])
    if len(nodes) == 2:
        share = (inside - nodes[0]) / (nodes[1] - nodes[0])
        values = np.stack([1.0 - share, share], axis=-1)
    else:
        values = CubicSpline(nodes, np.eye(len(nodes)), bc_type="natural")(inside)
    weights = nodes - nodes.mean()
    mean_slope = weights / float(weights @ weights)
    return np.asarray(values + (positions - inside)[..., None] * mean_slope)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class GraduationData:
    """Graduations along one axis.

    Attributes
    ----------
    position_mm : ndarray of float, shape (n,)
        Nominal position along the axis.
    excess_mm : ndarray of float, shape (n,)
        True minus nominal position, up to a constant for every track.
    track : ndarray of int, shape (n,)
        Row of graduations that each belongs to.
    parity : ndarray of float, shape (n,)
        +1 and -1 for the two kinds of edges of a checkerboard, which bloom apart; 0 for lines.
    pitch_mm : float
    """

    position_mm: FloatArray
    excess_mm: FloatArray
    track: NDArray[np.intp]
    parity: FloatArray
    pitch_mm: float


def fit_axis(data: GraduationData, *, least_node_mm: float = _LEAST_NODE_MM) -> AxisScale:
    """Fit the slow map to graduations; robust, the number of nodes by Akaike's information criterion.

    Parameters
    ----------
    data : GraduationData
    least_node_mm : float
        Shortest distance of nodes.

    Returns
    -------
    AxisScale
        Without the uncertainty of the reference itself.

    Notes
    -----
    Neighbouring residuals that go together (lag-one correlation r) count as fewer independent ones: the
    covariance is widened by (1 + r) / (1 - r).

    References
    ----------
    C. M. Hurvich and C.-L. Tsai, Regression and time series model selection in small samples, Biometrika 76 (1989)
    297-307.
    """
    low, high = float(data.position_mm.min()), float(data.position_mm.max())
    span = high - low
    apart = max(least_node_mm, _LEAST_NODE_PITCHES * data.pitch_mm)
    n = len(data.position_mm)
    trials: list[_Trial] = []
    best = 0
    for count in _NODE_COUNTS:
        if count > 2 and (span / (count - 1) < apart or n < 4 * count):
            break
        trials.append(_try(data, np.linspace(low, high, count)))
        best = min(best, len(trials) - 1, key=lambda k: trials[k].criterion)
        if len(trials) - best > _PATIENCE:
            break
    # The criterion trades bias for scatter; an interval that holds the truth wants less bias, so one step more.
    chosen = trials[min(best + 1, len(trials) - 1)] if best > 0 else trials[0]
    return AxisScale(
        nodes_mm=chosen.nodes,
        offsets_mm=chosen.offsets - chosen.offsets.mean(),
        covariance_mm2=chosen.covariance,
        u_relative=0.0,
        residual_mm=chosen.sigma,
        n=n,
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Trial:
    nodes: FloatArray
    offsets: FloatArray
    covariance: FloatArray
    sigma: float
    criterion: float


def _try(data: GraduationData, nodes: FloatArray) -> _Trial:
    n_tracks = int(data.track.max()) + 1
    own = np.equal.outer(data.track, np.arange(n_tracks)).astype(float)
    blooms = [data.parity] if np.any(data.parity) else []
    # The constants of the tracks take up the map's own constant, so that its first node may stand at zero.
    design = np.column_stack([cardinal(nodes, data.position_mm)[:, 1:], own, *blooms])
    weights = np.ones(len(data.position_mm))
    sigma = 1e-9
    for _ in range(8):
        root = np.sqrt(weights)
        solution, *_ = np.linalg.lstsq(design * root[:, None], data.excess_mm * root, rcond=None)
        residual = data.excess_mm - design @ solution
        sigma = max(1.4826 * float(np.median(np.abs(residual))), 1e-5)
        weights = np.clip(1.0 - (residual / (6.0 * sigma)) ** 2, 0.0, None) ** 2
    n, k = design.shape
    spread = _OF_WEIGHTED * math.sqrt(float(np.sum(weights * residual**2) / max(weights.sum() - k, 1.0)))
    normal = (design * weights[:, None]).T @ design
    covariance = np.zeros((len(nodes), len(nodes)))
    inflation = _inflation(residual * np.sqrt(weights), data.track)
    covariance[1:, 1:] = np.linalg.pinv(normal)[: len(nodes) - 1, : len(nodes) - 1] * spread**2 * inflation
    bounded = np.minimum(np.abs(residual), 4.0 * sigma)
    criterion = _criterion(n, k, float(np.mean(bounded**2)) + 1e-14)
    offsets = np.concatenate([[0.0], solution[: len(nodes) - 1]])
    return _Trial(nodes=nodes, offsets=offsets, covariance=covariance, sigma=spread, criterion=criterion)


def _criterion(n: int, k: int, mean_square: float) -> float:
    """Akaike's criterion, corrected for few data."""
    return n * math.log(mean_square) + 2.0 * k + 2.0 * k * (k + 1) / max(n - k - 1, 1)


def _inflation(residual: FloatArray, track: NDArray[np.intp]) -> float:
    same = track[1:] == track[:-1]
    product = float(np.sum((residual[1:] * residual[:-1])[same]))
    r = product / max(float(np.sum(residual[1:][same] ** 2)), 1e-18)
    r = min(max(r, 0.0), 0.9)
    return (1.0 + r) / (1.0 - r)
