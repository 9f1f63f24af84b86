"""Sizes from several scans of one piece: each scan's private errors average, shared errors are fitted.

The model of feature i in scan k is m_ik = w_i + sum_j z_j a_ikj + e_ik: the size on the plate, errors z_j
that a scan or a scanner shares with the known effects a_ikj (the signed lines of the budgets), and private
errors. Effects that change with the turn of the piece on the glass (the scale of each axis, the shade of a
lamp) are told apart by scans with different turns; the others keep their prior uncertainty. Best linear
unbiased prediction with normal priors on z_j.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["JointFit", "fit_jointly"]

FloatArray = NDArray[np.float64]
_APART = 3.5
"""Standard uncertainties between scans from which on they disagree about a feature."""
_N_STEPS = 6


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class JointFit:
    """Sizes of n features from m scans with j shared errors.

    Attributes
    ----------
    size_mm : ndarray of float, shape (n,)
    weight : ndarray of float, shape (n, m)
        Of each scan in each feature's mean; rows sum to 1, NaN rows where no scan has a size.
    common_mm : ndarray of float, shape (n, j)
        Independent signed parts of what is left of the shared errors; their squares sum to the common variance.
    shared : ndarray of float, shape (j,)
        Estimates of the shared errors, in their prior standard uncertainties.
    excess_mm : ndarray of float, shape (n,)
        Extra standard uncertainty where scans disagree and none can be left out, or agree less than they should.
    left_out, disagree : ndarray of bool, shape (n,)
    """

    size_mm: FloatArray
    weight: FloatArray
    common_mm: FloatArray
    shared: FloatArray
    excess_mm: FloatArray
    left_out: NDArray[np.bool_]
    disagree: NDArray[np.bool_]


def fit_jointly(
    measured_mm: FloatArray,
    u_private_mm: FloatArray,
    effects_mm: FloatArray,
    *,
    prior_mean: FloatArray,
    prior_sd: FloatArray,
    doubt: FloatArray,
) -> JointFit:
    """Fit sizes and shared errors.

    Parameters
    ----------
    measured_mm, u_private_mm : ndarray of float, shape (n, m)
        NaN where a scan has no size of a feature.
    effects_mm : ndarray of float, shape (n, m, j)
        Change of each reading per prior standard uncertainty of each shared error.
    prior_mean, prior_sd : ndarray of float, shape (j,)
        Of the shared errors, in those units.
    doubt : ndarray of float, shape (n, m)
        Which of two readings that disagree is to be left out: the one with more doubt, if it is clearly more.
    """
    use = np.isfinite(measured_mm) & np.isfinite(u_private_mm)
    value = np.where(use, measured_mm, 0.0)
    effects = np.where(use[..., None], effects_mm, 0.0)
    precision = np.where(use, 1 / np.where(use, np.maximum(u_private_mm, 1e-6), 1.0) ** 2, 0.0)
    left_out = np.zeros(len(value), dtype=bool)
    for _ in range(max(1, value.shape[1] - 1) + 2):
        z, spread = _shared_errors(value, effects, precision, prior_mean, prior_sd)
        dropped = _outliers(value - effects @ z, precision, doubt)
        if not dropped.any():
            break
        precision = np.where(dropped, 0.0, precision)
        left_out |= dropped.any(axis=1)
    total = precision.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        weight = precision / total[:, None]
    mean_effect = np.einsum("nm,nmj->nj", np.nan_to_num(weight), effects)
    corrected = value - effects @ z
    size = np.where(total > 0, np.sum(np.nan_to_num(weight) * corrected, axis=1), np.nan)
    away = np.where(precision > 0, np.abs(corrected - size[:, None]) * np.sqrt(precision), 0.0)
    disagree = away.max(axis=1) > _APART / np.sqrt(2)
    beyond = _scatter(away, precision)
    private = np.where(total > 0, 1 / np.sqrt(np.maximum(total, 1e-300)), 0.0)
    excess = np.where(disagree, np.max(np.where(precision > 0, np.abs(corrected - size[:, None]), 0.0), axis=1), 0.0)
    return JointFit(
        size_mm=size,
        weight=weight,
        common_mm=mean_effect @ np.linalg.cholesky(beyond**2 * spread),
        shared=z,
        excess_mm=np.hypot(excess, private * np.sqrt(beyond**2 - 1)),
        left_out=left_out,
        disagree=disagree,
    )


def _scatter(away: FloatArray, precision: FloatArray) -> float:
    """Return how much more scans scatter about the fit than their private uncertainties say, at least 1 (robust)."""
    several = (precision > 0).sum(axis=1) > 1
    if several.sum() < 8:
        return 1.0
    count = (precision[several] > 0).sum(axis=1)
    # The largest of two or three deviations from their own mean; of two it is a normal one over the root of two.
    typical = float(np.median(away[several].max(axis=1) / np.sqrt(1 - 1 / count)))
    return max(1.0, typical / (0.6745 if np.median(count) <= 2 else 1.0))


def _shared_errors(
    value: FloatArray, effects: FloatArray, precision: FloatArray, prior_mean: FloatArray, prior_sd: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the shared errors' posterior mean and covariance, the sizes being free."""
    total = np.maximum(precision.sum(axis=1), 1e-300)
    mean_value = np.sum(precision * value, axis=1) / total
    mean_effect = np.einsum("nm,nmj->nj", precision, effects) / total[:, None]
    off_value, off_effect = value - mean_value[:, None], effects - mean_effect[:, None, :]
    bounded = precision
    for _ in range(_N_STEPS):
        information = np.einsum("nmj,nm,nmk->jk", off_effect, bounded, off_effect) + np.diag(prior_sd**-2.0)
        target = np.einsum("nmj,nm,nm->j", off_effect, bounded, off_value) + prior_mean / prior_sd**2
        spread = np.linalg.inv(information)
        z = spread @ target
        # Disagreements beyond five uncertainties say little of the shared errors: Huber weights.
        away = np.abs(off_value - off_effect @ z) * np.sqrt(precision)
        bounded = precision * np.minimum(1.0, 5.0 / np.maximum(away, 5.0))
    return z, spread


def _outliers(corrected: FloatArray, precision: FloatArray, doubt: FloatArray) -> NDArray[np.bool_]:
    """Return which reading to leave out, at most one a feature.

    Of three and more scans it is the one furthest from the others; of two it is the doubtful one.
    """
    usable = precision > 0
    count = usable.sum(axis=1)
    total = np.maximum(precision.sum(axis=1), 1e-300)
    rest = total[:, None] - precision
    others = (np.sum(precision * corrected, axis=1)[:, None] - precision * corrected) / np.maximum(rest, 1e-300)
    with np.errstate(divide="ignore", invalid="ignore"):
        apart = np.abs(corrected - others) / np.sqrt(1 / precision + 1 / rest)
    apart = np.where(usable & (count[:, None] > 1), apart, 0.0)
    far = apart > _APART
    by_doubt = np.where(usable, doubt, -np.inf)
    worst = np.where(
        (count >= 3)[:, None],
        apart == apart.max(axis=1, keepdims=True),
        by_doubt > 2.0 * np.min(np.where(usable, doubt, np.inf), axis=1, keepdims=True) + 1e-9,
    )
    return np.asarray(far & worst & (count[:, None] > 1))
