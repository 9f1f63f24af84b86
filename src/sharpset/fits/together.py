"""Whether prints hold together at all: a cliff in the settings, learned from prints on either side of it.

Beyond some border layers part or a nozzle starves, and everything fails at once. What came apart says
nothing of how limits change with the settings, only on which side of the border it lies. The border is
taken as a surface of second order in the coded settings, its coefficients drawn from their posterior.

References
----------
Albert, J. H. & Chib, S. (1993), Bayesian analysis of binary and polychotomous response data, J. Am.
Stat. Assoc. 88:669-679 (the probit model).
Murray, I., Adams, R. P. & MacKay, D. J. C. (2010), Elliptical slice sampling, AISTATS, JMLR W&CP 9:541-548.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["HoldingFit", "fit_holding"]

Floats = NDArray[np.float64]
# Prior of the score whose normal integral is the chance of holding together: the middle of a range that somebody
# thought worth trying works with about 90 %, any one factor can undo that towards one of its ends, and bends and
# joint effects are smaller.
MIDDLE, MIDDLE_SD, SLOPE_SD, BEND_SD, JOINT_SD = 1.5, 1.0, 2.0, 0.5, 1.0
N_STEPS = 40


@dataclass(frozen=True, kw_only=True, slots=True)
class HoldingFit:
    """Draws of the border between prints that hold together and prints that do not.

    Attributes
    ----------
    coef : ndarray of float, shape (n_draws, p)
        Of :func:`second_order`.
    """

    coef: Floats

    def chances(self, settings: Floats) -> Floats:
        """Return the chance that a print holds together in every draw, shape (n_draws, m)."""
        from scipy.special import ndtr

        return np.asarray(ndtr(self.coef @ second_order(settings).T))


def second_order(points: Floats) -> Floats:
    """Return the columns of a model of second order: constant, factors, squares, products of two."""
    k = points.shape[1]
    left, right = np.triu_indices(k, 1)
    return np.column_stack([np.ones(len(points)), points, points**2, points[:, left] * points[:, right]])


def fit_holding(points: Floats, held: NDArray[np.bool_], *, n_draws: int, seed: int = 0) -> HoldingFit:
    """Draw the border from its posterior.

    Parameters
    ----------
    points : ndarray of float, shape (n, k)
        Coded settings of the prints.
    held : ndarray of bool, shape (n,)
    n_draws : int
    seed : int

    Returns
    -------
    HoldingFit

    Notes
    -----
    Every draw is the end of its own chain of elliptical slice sampling, all chains moving at once.
    """
    from scipy.special import log_ndtr

    rng = np.random.default_rng(seed)
    k = points.shape[1]
    x = second_order(points) * np.where(held, 1.0, -1.0)[:, None]
    centre = np.zeros(x.shape[1])
    centre[0] = MIDDLE
    sd = np.concatenate([[MIDDLE_SD], np.full(k, SLOPE_SD), np.full(k, BEND_SD), np.full(k * (k - 1) // 2, JOINT_SD)])

    def fits(offset: Floats) -> Floats:
        return np.asarray(log_ndtr((centre + offset) @ x.T).sum(axis=1))

    here = sd * rng.standard_normal((n_draws, len(sd)))
    value = fits(here)
    for _ in range(N_STEPS):
        ellipse = sd * rng.standard_normal(here.shape)
        floor = value - rng.exponential(size=n_draws)
        angle = rng.uniform(0.0, 2.0 * np.pi, n_draws)
        low, high = angle - 2.0 * np.pi, angle.copy()
        open_ = np.ones(n_draws, dtype=bool)
        while open_.any():
            trial = here[open_] * np.cos(angle[open_])[:, None] + ellipse[open_] * np.sin(angle[open_])[:, None]
            new = fits(trial)
            taken = new > floor[open_]
            at = np.flatnonzero(open_)
            here[at[taken]], value[at[taken]] = trial[taken], new[taken]
            # `here` of finished chains is not read again in this step; the others shrink their bracket.
            left = at[~taken]
            below = angle[left] < 0
            low[left[below]], high[left[~below]] = angle[left[below]], angle[left[~below]]
            angle[left] = rng.uniform(low[left], high[left])
            open_[at[taken]] = False
    return HoldingFit(coef=centre + here)
