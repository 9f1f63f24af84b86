"""Smooth regression that is of use from the first print on: a Gaussian process whose shape is averaged over.

Response surfaces need more prints than they have terms. While prints are few, a Gaussian process says
what little is known and how little: straight trends and gentle bends, each factor with an influence of
its own, and an uncertainty that grows away from what was printed.

References
----------
Rasmussen, C. E. & Williams, C. K. I. (2006), Gaussian Processes for Machine Learning, ch. 2 and 5.
Cappe, O., Guillin, A., Marin, J.-M. & Robert, C. P. (2004), Population Monte Carlo, J. Comput. Graph.
Stat. 13:907-929 (the averaging).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["SmoothFit", "fit_smooth"]

Floats = NDArray[np.float64]
LEVEL_SD = 1.0
# Log-normal priors (median, log sd) for a response in natural logarithms over coded factors: slope of each
# factor per half range, size and reach of the bends, scatter between prints. Wide on purpose: a factor may
# change a size by 3 % or double it.
SLOPE, BEND, REACH, SCATTER = (0.15, 0.8), (0.2, 0.7), (1.5, 0.4), (0.04, 0.5)
N_SHAPES, N_KEPT, N_ROUNDS = 400, 24, 2
FEW_SHAPES = 80
"""With many prints the shape is known well and every draw costs more: fewer draws from twenty prints on."""


@dataclass(frozen=True, kw_only=True, slots=True)
class SmoothFit:
    """A Gaussian process fitted to a few prints.

    Attributes
    ----------
    points : ndarray of float, shape (n, k)
        Coded settings.
    centre : float
        Mean of the response.
    lean, hump : ndarray of float, shape (k,)
        What is expected beforehand per coded unit and per square of it.
    shapes : ndarray of float, shape (h, 2 k + 2)
        Draws from the posterior of the shape parameters: ln of slopes, bend, reaches, scatter.
    inverse_root : ndarray of float, shape (h, n, n)
        Inverse of the Cholesky root of the covariance of the prints.
    weights : ndarray of float, shape (h, n)
    """

    points: Floats
    centre: float
    lean: Floats
    hump: Floats
    shapes: Floats
    inverse_root: Floats
    weights: Floats

    @property
    def scatter(self) -> Floats:
        """Scatter between prints in every draw, shape (h,)."""
        return np.asarray(np.exp(self.shapes[:, -1]))

    def predict(self, settings: Floats) -> tuple[Floats, Floats]:
        """Return mean and variance of the true response in every draw, each of shape (h, m)."""
        cross = _kernel(self.points, settings, self.shapes)
        mean = self._expected(settings) + np.matmul(self.weights[:, None, :], cross)[:, 0]
        root = np.matmul(self.inverse_root, cross)
        return mean, np.maximum(self._own(settings) - np.sum(root**2, axis=1), 1e-12)

    def _expected(self, settings: Floats) -> Floats:
        return np.asarray(self.centre + settings @ self.lean + settings**2 @ self.hump)

    def _own(self, settings: Floats) -> Floats:
        k = settings.shape[1]
        slope2, bend2 = np.exp(2.0 * self.shapes[:, :k]), np.exp(2.0 * self.shapes[:, k])
        return np.asarray(LEVEL_SD**2 + slope2 @ (settings**2).T + bend2[:, None])

    def predict_with(self, settings: Floats, reference: Floats) -> Joint:
        """Return true responses at settings together with that at one reference, shape (1, k)."""
        both = np.concatenate([reference, settings])
        cross = _kernel(self.points, both, self.shapes)
        mean = self._expected(both) + np.matmul(self.weights[:, None, :], cross)[:, 0]
        root = np.matmul(self.inverse_root, cross)
        variance = np.maximum(self._own(both) - np.sum(root**2, axis=1), 1e-12)
        shared = _kernel(reference, settings, self.shapes)[:, 0] - np.matmul(root[:, None, :, 0], root[:, :, 1:])[:, 0]
        return Joint(
            mean=mean[:, 1:],
            variance=variance[:, 1:],
            covariance=shared,
            reference=mean[:, 0],
            reference_variance=variance[:, 0],
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Joint:
    """True responses at settings and at one reference, shapes (h, m) and (h,)."""

    mean: Floats
    variance: Floats
    covariance: Floats
    reference: Floats
    reference_variance: Floats


def _prior(k: int) -> tuple[Floats, Floats]:
    parts = [SLOPE] * k + [BEND] + [REACH] * k + [SCATTER]
    return np.log([median for median, _ in parts]), np.array([sd for _, sd in parts])


def _kernel(a: Floats, b: Floats, shapes: Floats) -> Floats:
    """Return covariances of the response at two sets of settings, shape (h, len(a), len(b))."""
    k = a.shape[1]
    slope2, reach2 = np.exp(2.0 * shapes[:, :k]), np.exp(-2.0 * shapes[:, k + 1 : 2 * k + 1])
    products = (a[:, None, :] * b[None, :, :]).reshape(-1, k)
    apart = ((a[:, None, :] - b[None, :, :]) ** 2).reshape(-1, k)
    trend = slope2 @ products.T
    bend = np.exp(2.0 * shapes[:, k : k + 1] - 0.5 * (reach2 @ apart.T))
    return np.asarray((LEVEL_SD**2 + trend + bend).reshape(len(shapes), len(a), len(b)))


def _cholesky(points: Floats, variance: Floats, shapes: Floats) -> Floats:
    own = variance[None, :] + np.exp(2.0 * shapes[:, -1])[:, None]
    covariance = _kernel(points, points, shapes) + own[:, :, None] * np.eye(len(points))[None]
    return np.asarray(np.linalg.cholesky(covariance))


def _log_likelihood(points: Floats, y: Floats, variance: Floats, shapes: Floats) -> Floats:
    chol = _cholesky(points, variance, shapes)
    rest = np.linalg.solve(chol, np.broadcast_to(y[:, None], (len(shapes), len(y), 1)))[..., 0]
    log_det = np.log(np.diagonal(chol, axis1=1, axis2=2)).sum(axis=1)
    return np.asarray(-0.5 * np.sum(rest**2, axis=1) - log_det)


def fit_smooth(
    points: Floats,
    response: Floats,
    *,
    u: Floats | None = None,
    lean: Floats | None = None,
    hump: Floats | None = None,
    seed: int = 0,
) -> SmoothFit:
    """Fit a Gaussian process to the response of a few prints.

    Parameters
    ----------
    points : ndarray of float, shape (n, k)
        Coded settings, -1 to +1.
    response : ndarray of float, shape (n,)
        In natural logarithms (margins), for which the priors are made.
    u : ndarray of float, shape (n,), optional
        Standard uncertainty of each value, apart from the scatter between prints.
    lean, hump : ndarray of float, shape (k,), optional
        Slope and square of each factor that are expected beforehand; 0 where nothing is known. Prints
        overrule them.
    seed : int
        Of the importance sampling over shapes.

    Returns
    -------
    SmoothFit
    """
    rng = np.random.default_rng(seed)
    n, k = points.shape
    variance = np.zeros(n) if u is None else np.asarray(u, dtype=float) ** 2
    lean, hump = (np.zeros(k) if part is None else part for part in (lean, hump))
    usual = points @ lean + points**2 @ hump
    centre = float(np.mean(response - usual))
    y = response - usual - centre
    middle, sd = _prior(k)
    n_shapes = int(np.clip(N_SHAPES * 20 // n, FEW_SHAPES, N_SHAPES))
    shapes = middle + sd * rng.standard_normal((n_shapes, len(middle)))
    log_weight = _log_likelihood(points, y, variance, shapes)
    for _ in range(N_ROUNDS):
        weight = _normalised(log_weight)
        mean = weight @ shapes
        if 1.0 / np.sum(weight**2) < 1.5:  # one draw carries all: do not trust it alone
            mean = 0.5 * (mean + middle)
        reach = np.clip(1.2 * np.sqrt(weight @ (shapes - mean) ** 2), 0.3 * sd, sd)
        shapes = mean + reach * rng.standard_normal(shapes.shape)
        prior = -0.5 * np.sum(((shapes - middle) / sd) ** 2, axis=1)
        proposal = -0.5 * np.sum(((shapes - mean) / reach) ** 2, axis=1)
        log_weight = _log_likelihood(points, y, variance, shapes) + prior - proposal
    kept = shapes[rng.choice(n_shapes, N_KEPT, p=_normalised(log_weight))]
    chol = _cholesky(points, variance, kept)
    inverse_root: Floats = np.asarray(np.linalg.inv(chol), dtype=float)
    half = inverse_root @ y
    weights = np.matmul(half[:, None, :], inverse_root)[:, 0]
    return SmoothFit(
        points=points, centre=centre, lean=lean, hump=hump, shapes=kept, inverse_root=inverse_root, weights=weights
    )


def _normalised(log_weight: Floats) -> Floats:
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())
