"""What runs and groups of runs differ by from a fit with random groups, and how odd that is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.fits.mixed import MixedFit, relative_covariance

__all__ = ["MixedResiduals", "mixed_residuals"]

Floats = NDArray[np.float64]

_HARDLY = 1e-9
"""Share of a run's (or group's) own scatter that the model must leave, for the run to be judged."""


@dataclass(frozen=True, kw_only=True, slots=True)
class MixedResiduals:
    """Residuals of a fit with random groups.

    Attributes
    ----------
    runs : pandas.DataFrame
        ``fitted`` (by the settings alone), ``residual`` (with the group's own share in it), ``within`` (without),
        ``leverage``, ``studentised`` and ``cook``, a row a run.
    groups : pandas.DataFrame
        ``grouping, group`` (number from 0 up), ``shift`` (predicted, unit of the response), ``studentised``, ``df`` of
        Student's t that it follows, and ``rows`` (positions of its runs), a row a group.
    """

    runs: pd.DataFrame
    groups: pd.DataFrame


def mixed_residuals(
    mixed: MixedFit, matrix: Floats, response: Floats, *, groups: dict[str, NDArray[np.int64]]
) -> MixedResiduals:
    """Return residuals of a fit with random groups, studentised from outside.

    Parameters
    ----------
    mixed : MixedFit
    matrix : ndarray of float, shape (n, p)
        Fixed effects as they were fitted.
    response : ndarray of float, shape (n,)
    groups : dict of str to ndarray of int, shape (n,)
        Group number of each run, as they were fitted.

    Returns
    -------
    MixedResiduals
        Not a number where the model passes through a run or a group whatever it is.

    Notes
    -----
    A run (or a whole group) that is shifted by an unknown amount is one more column of the model. With the ratios of
    the variances taken as known, how that column's coefficient compares with its standard error is the studentised
    residual, and what its removal does to the coefficients is Cook's distance. Without groups both are the usual ones
    of least squares.

    References
    ----------
    Haslett, J. and Haslett, S. J. (2007), Int. Stat. Rev. 75:1-24; Christensen, R., Pearson, L. M. and Johnson, W.
    (1992), Technometrics 34:38-45.
    """
    n, p = matrix.shape
    free = n - p
    sigma2 = float(mixed.variances[-1])
    ratios = mixed.variances[:-1] / sigma2
    marks = [(labels[:, None] == np.unique(labels)[None, :]).astype(float) for labels in groups.values()]
    inverse = np.linalg.inv(relative_covariance(ratios, [mark @ mark.T for mark in marks], n))
    gram = matrix.T @ inverse @ matrix
    bread = np.linalg.inv(gram) @ matrix.T @ inverse
    projector = inverse - inverse @ matrix @ bread
    weighed = projector @ response
    fitted = matrix @ mixed.coef
    rss = free * sigma2

    left = np.diag(projector)
    shift = weighed / np.where(left > _HARDLY, left, np.nan)
    moved = bread * shift
    runs = pd.DataFrame(
        {
            "fitted": fitted,
            "residual": response - fitted,
            "within": weighed,
            "leverage": 1.0 - left,
            "studentised": _studentised(weighed, left, rss, free),
            "cook": np.einsum("ir,ij,jr->r", moved, gram, moved) / (p * sigma2),
        }
    )
    tables = []
    for name, ratio, mark in zip(groups, ratios, marks, strict=True):
        own = mark.T @ weighed
        between = mark.T @ projector @ mark
        n_free = int(np.linalg.matrix_rank(between, tol=_HARDLY * float(np.trace(between))))
        # Scatter of groups is compared with that of the other groups, not with that of runs within them.
        among = float(own @ np.linalg.pinv(between, rcond=_HARDLY, hermitian=True) @ own)
        tables.append(
            pd.DataFrame(
                {
                    "grouping": name,
                    "group": np.arange(mark.shape[1]),
                    "shift": ratio * own,
                    "studentised": _studentised(own, np.diag(between), among, n_free),
                    "df": n_free - 1,
                    "rows": [tuple(np.flatnonzero(column).tolist()) for column in mark.T],
                }
            )
        )
    return MixedResiduals(runs=runs, groups=pd.concat(tables, ignore_index=True))


def _studentised(weighed: Floats, left: Floats, rss: float, free: int) -> Floats:
    """Return shifts over their standard errors, the variance being that of the others."""
    judged = left > _HARDLY
    left = np.where(judged, left, np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        others = np.maximum(rss - weighed**2 / left, 0.0) / (free - 1) if free > 1 else np.full(len(left), np.nan)
        return np.asarray(weighed / np.sqrt(others * left))
