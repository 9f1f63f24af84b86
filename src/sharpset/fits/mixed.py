"""Restricted maximum likelihood for whole plots and blocks, with Satterthwaite degrees of freedom."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import FitError
from sharpset.fits.algebra import independent_columns
from sharpset.plans.remarks import FEW_DF_WITHIN

__all__ = ["MixedFit", "few_within", "fit_mixed", "group_labels", "relative_covariance"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class MixedFit:
    """A linear model with random groups.

    Attributes
    ----------
    coef : ndarray of float, shape (p,)
    covariance : ndarray of float, shape (p, p)
        Of the coefficients, variance components taken as known.
    variances : ndarray of float, shape (k + 1,)
        One per random grouping, the residual last.
    groups : tuple of str
    variance_covariance : ndarray of float, shape (k + 1, k + 1)
        Asymptotic covariance of the variance components; zero rows where one is at zero.
    gradients : ndarray of float, shape (k + 1, p, p)
        Derivative of ``covariance`` by each variance component.
    log_likelihood : float
        Restricted (or full) log-likelihood.
    """

    coef: Floats
    covariance: Floats
    variances: Floats
    groups: tuple[str, ...]
    variance_covariance: Floats
    gradients: Floats
    log_likelihood: float

    @property
    def standard_deviations(self) -> dict[str, float]:
        """Standard deviation of each grouping and of the residual."""
        return {name: float(np.sqrt(v)) for name, v in zip([*self.groups, "Residual"], self.variances, strict=True)}

    def df(self, contrast: Floats) -> float:
        """Return Satterthwaite degrees of freedom of one contrast, shape (p,)."""
        variance = float(contrast @ self.covariance @ contrast)
        slope = np.einsum("i,kij,j->k", contrast, self.gradients, contrast)
        spread = float(slope @ self.variance_covariance @ slope)
        return 2.0 * variance**2 / spread if spread > 0 else float("inf")

    def f_test(self, contrasts: Floats) -> dict[str, float]:
        """Test several contrasts at once, shape (q, p): ``F, df, df_denominator, p``.

        References
        ----------
        Fai, A. H.-T. and Cornelius, P. L. (1996), J. Stat. Comput. Simul. 54:363-378.
        """
        from scipy import stats

        values, vectors = np.linalg.eigh(contrasts @ self.covariance @ contrasts.T)
        rotated = vectors.T @ contrasts
        keep = values > 1e-12 * max(float(values.max(initial=0.0)), 1e-300)
        q = int(keep.sum())
        t2 = (rotated[keep] @ self.coef) ** 2 / values[keep]
        f = float(t2.mean())
        dfs = np.array([self.df(row) for row in rotated[keep]])
        if q == 1:
            den = float(dfs[0])
        else:
            ok = dfs > 2
            e = float(np.sum(dfs[ok] / (dfs[ok] - 2.0))) if not np.isinf(dfs[ok]).any() else float(ok.sum())
            den = 2.0 * e / (e - q) if e > q + 1e-9 else float("inf") if np.isinf(dfs).all() else float(dfs.min())
        return {"F": f, "df": float(q), "df_denominator": den, "p": float(stats.f.sf(f, q, den))}

    def summary(self) -> str:
        """Return the standard deviations in one line."""
        return "; ".join(f"sd {name} {sd:.4g}" for name, sd in self.standard_deviations.items())


def group_labels(runs: pd.DataFrame, name: str) -> NDArray[np.int64]:
    """Return group numbers of a grouping such as ``block`` or ``block:variety``."""
    columns = name.split(":")
    missing = [c for c in columns if c not in runs]
    if missing:
        raise FitError(
            f"There is no column {missing[0]!r} to group by. Columns are {', '.join(map(str, runs.columns))}."
        )
    return np.asarray(runs.groupby(columns, sort=True).ngroup(), dtype=np.int64)


def few_within(matrix: Floats, groups: dict[str, NDArray[np.int64]]) -> tuple[str, ...]:
    """Say it where the scatter between the prints of one group is hardly known, as too few are left to tell it.

    Parameters
    ----------
    matrix : ndarray of float, shape (n, p)
        Fixed effects, independent columns.
    groups : dict of str to ndarray of int, shape (n,)
        Group number of each run, from 0 up, one entry per random grouping.

    Returns
    -------
    tuple of str
        One remark, or none.
    """
    every = np.hstack([matrix, *(np.eye(len(np.unique(labels)))[labels] for labels in groups.values())])
    left = len(matrix) - len(independent_columns(every))
    if left >= FEW_DF_WITHIN:
        return ()
    names = " and ".join(name.replace("_", " ") for name in groups)
    return (
        f"{left} degree{'s' * (left != 1)} of freedom within each {names} judge the settings that change there: their "
        "scatter is hardly known, and effects come out clear or not by chance. Print more runs, or fit fewer terms "
        "(--formula)",
    )


def fit_mixed(matrix: Floats, response: Floats, *, groups: dict[str, NDArray[np.int64]], reml: bool = True) -> MixedFit:
    """Fit a linear model whose runs share random group effects.

    Parameters
    ----------
    matrix : ndarray of float, shape (n, p)
        Fixed effects, independent columns.
    response : ndarray of float, shape (n,)
    groups : dict of str to ndarray of int, shape (n,)
        Group number of each run, one entry per random grouping (nested or crossed).
    reml : bool
        Restricted rather than full maximum likelihood.

    Returns
    -------
    MixedFit

    Raises
    ------
    FitError
        If a grouping has one group only or as many groups as runs.

    References
    ----------
    Patterson, H. D. and Thompson, R. (1971), Biometrika 58:545-554; Giesbrecht, F. G. and
    Burns, J. C. (1985), Biometrics 41:477-486 (degrees of freedom).
    """
    from scipy.optimize import minimize

    n, p = matrix.shape
    kernels = []
    for name, label in groups.items():
        count = len(np.unique(label))
        if count < 2 or count >= n:
            raise FitError(
                f"The random grouping {name!r} has {count} groups in {n} runs; it needs at least two groups "
                "with more than one run each. Leave it out or give its column."
            )
        kernels.append((label[:, None] == label[None, :]).astype(float))
    if n <= p:
        raise FitError(f"A mixed model needs more runs than terms, got {n} runs and {p} terms.")

    dummies = [(label[:, None] == np.unique(label)[None, :]).astype(float) for label in groups.values()]
    everything = np.hstack([matrix, *dummies])
    within = response - everything @ np.linalg.lstsq(everything, response, rcond=None)[0]
    if np.abs(within).max() <= 1e-9 * np.ptp(response):
        raise FitError(
            f"The response is the same, or follows the model exactly, within every {' and '.join(groups)}, so nothing "
            "tells the scatter between its runs. If it is a label and no measurement, leave its column out."
        )

    def profile(theta: Floats) -> float:
        return _criterion(theta**2, kernels, matrix, response, reml)

    starts = [np.full(len(kernels), s) for s in (0.3, 1.0, 2.5)]
    best = min(
        (minimize(profile, s, method="Nelder-Mead", options=_TIGHT | {"maxiter": 4000}) for s in starts),
        key=lambda r: float(r.fun),
    )
    ratios = best.x**2
    for k in range(len(ratios)):  # a component that gains nothing belongs at zero exactly
        flat = ratios.copy()
        flat[k] = 0.0
        if (
            _criterion(flat, kernels, matrix, response, reml)
            <= _criterion(ratios, kernels, matrix, response, reml) + 1e-9
        ):
            ratios = flat
    ratios = _polish(ratios, kernels, matrix, response, reml)
    return _finish(ratios, kernels, matrix, response, tuple(groups), reml)


_TIGHT = {"xatol": 1e-10, "fatol": 1e-12}


def relative_covariance(ratios: Floats, kernels: list[Floats], n: int) -> Floats:
    """Return the covariance of n runs over the residual variance, by the ratios of the groupings' variances to it.

    Parameters
    ----------
    ratios : ndarray of float, shape (k,)
    kernels : list of ndarray of float, shape (n, n)
        1 where two runs share a group, one entry a grouping.
    n : int
    """
    shape = np.eye(n)
    for ratio, kernel in zip(ratios, kernels, strict=True):
        shape = shape + ratio * kernel
    return shape


def _criterion(ratios: Floats, kernels: list[Floats], x: Floats, y: Floats, reml: bool) -> float:
    """Return minus two log-likelihood with the residual variance profiled out."""
    n, p = x.shape
    chol = np.linalg.cholesky(relative_covariance(ratios, kernels, n))
    xs, ys = np.linalg.solve(chol, x), np.linalg.solve(chol, y)
    q, r = np.linalg.qr(xs)
    rest = ys - q @ (q.T @ ys)
    m = n - p if reml else n
    value = m * np.log(2 * np.pi * float(rest @ rest) / m) + m + 2 * float(np.sum(np.log(np.diag(chol))))
    return float(value + (2 * np.sum(np.log(np.abs(np.diag(r)))) if reml else 0.0))


def _pieces(variances: Floats, kernels: list[Floats], x: Floats) -> tuple[Floats, Floats]:
    n = len(x)
    v = variances[-1] * np.eye(n)
    for variance, kernel in zip(variances[:-1], kernels, strict=True):
        v = v + variance * kernel
    inverse = np.linalg.inv(v)
    phi = np.linalg.inv(x.T @ inverse @ x)
    return np.asarray(inverse), np.asarray(phi)


def _polish(ratios: Floats, kernels: list[Floats], x: Floats, y: Floats, reml: bool) -> Floats:
    """Sharpen the optimum with Newton steps on the free ratios (numerical derivatives suffice)."""
    free = np.flatnonzero(ratios > 0)
    for _ in range(4):
        for k in free:
            h = 1e-4 * ratios[k]
            up, down = ratios.copy(), ratios.copy()
            up[k] += h
            down[k] -= h
            f0 = _criterion(ratios, kernels, x, y, reml)
            fu, fd = _criterion(up, kernels, x, y, reml), _criterion(down, kernels, x, y, reml)
            curve = (fu - 2 * f0 + fd) / h**2
            step = -(fu - fd) / (2 * h) / curve if curve > 0 else 0.0
            if abs(step) < 0.1 * ratios[k]:
                ratios = ratios.copy()
                ratios[k] += step
    return ratios


def _finish(
    ratios: Floats, kernels: list[Floats], x: Floats, y: Floats, names: tuple[str, ...], reml: bool
) -> MixedFit:
    n, p = x.shape
    chol = np.linalg.cholesky(relative_covariance(ratios, kernels, n))
    xs, ys = np.linalg.solve(chol, x), np.linalg.solve(chol, y)
    coef = np.linalg.lstsq(xs, ys, rcond=None)[0]
    rest = ys - xs @ coef
    sigma2 = float(rest @ rest) / (n - p if reml else n)
    variances = np.append(ratios * sigma2, sigma2)
    inverse, phi = _pieces(variances, kernels, x)
    projector = inverse - inverse @ x @ phi @ x.T @ inverse
    derivatives = [*kernels, np.eye(n)]
    free = [k for k in range(len(variances)) if variances[k] > 0]
    hessian = np.zeros((len(free), len(free)))
    py = projector @ y
    left = projector if reml else inverse
    for a, i in enumerate(free):
        for b, j in enumerate(free):
            trace = float(np.sum((left @ derivatives[i]) * (left @ derivatives[j]).T))
            quad = float(py @ derivatives[i] @ projector @ derivatives[j] @ py)
            hessian[a, b] = quad - 0.5 * trace
    spread = np.zeros((len(variances), len(variances)))
    spread[np.ix_(free, free)] = np.linalg.inv(hessian)
    bread = phi @ x.T @ inverse
    gradients = np.array([bread @ d @ bread.T for d in derivatives])
    gradients[[k for k in range(len(variances)) if k not in free]] = 0.0
    return MixedFit(
        coef=coef,
        covariance=phi,
        variances=variances,
        groups=names,
        variance_covariance=spread,
        gradients=gradients,
        log_likelihood=-0.5 * _criterion(ratios, kernels, x, y, reml),
    )
