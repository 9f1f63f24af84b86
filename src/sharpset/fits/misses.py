"""How many responses of one print miss their intervals together by chance."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.fits.surface import ResponseFit

__all__ = ["chance_of_misses", "residual_correlation"]

Floats = NDArray[np.float64]

DRAWS = 100_000


def residual_correlation(responses: Sequence[ResponseFit]) -> pd.DataFrame:
    """Return how the scatter of responses goes together from print to print.

    Parameters
    ----------
    responses : sequence of ResponseFit, length r
        On the scales they are predicted on.

    Returns
    -------
    pandas.DataFrame, shape (r, r)
        Correlations of residuals of the same runs, with what chance adds to their squares taken off (as an
        adjusted coefficient of determination has it). 0 where runs shared are too few to tell.
    """
    names = [response.name for response in responses]
    table = pd.DataFrame(np.eye(len(names)), index=names, columns=names)
    rest = {r.name: r.data.drop_duplicates("run_id").set_index("run_id")["residual"] for r in responses}
    for one, other in combinations(responses, 2):
        both = pd.concat([rest[one.name], rest[other.name]], axis=1, join="inner").dropna().to_numpy(dtype=float)
        lost = max(len(r.data) - float(r.predictor.df_resid) for r in (one, other))
        free = len(both) - lost
        size = np.sqrt(np.sum(both**2, axis=0))
        if free < 2 or not np.all(size > 0):
            continue
        r = float(np.clip(both[:, 0] @ both[:, 1] / np.prod(size), -1.0, 1.0))
        squared = max(1.0 - (1.0 - r**2) * free / (free - 1.0), 0.0)
        table.loc[one.name, other.name] = table.loc[other.name, one.name] = float(np.sign(r) * np.sqrt(squared))
    return table


def chance_of_misses(k: int, correlation: Floats, level: float) -> float:
    """Return the chance that at least k of r responses lie outside their intervals, all predictions being right.

    Parameters
    ----------
    k : int
    correlation : ndarray of float, shape (r, r)
    level : float
        Of each interval.

    Notes
    -----
    Responses of one print share its luck: with correlated errors misses come together. Jointly normal errors are
    drawn with a fixed seed; the chance is known to about 0.001.
    """
    from scipy.stats import norm

    if k <= 0:
        return 1.0
    values, vectors = np.linalg.eigh((correlation + correlation.T) / 2.0)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    root /= np.sqrt(np.sum(root**2, axis=1, keepdims=True))
    errors = np.random.default_rng(1).standard_normal((DRAWS, len(root))) @ root.T
    misses = np.sum(np.abs(errors) > norm.ppf(0.5 + level / 2.0), axis=1)
    return float(np.mean(misses >= k))
