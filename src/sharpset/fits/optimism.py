"""By how much the chance of recommended settings is overstated because they were chosen for it.

Of many settings the one is recommended whose estimated chance is largest, and the largest of many estimates is large
partly by luck. How much is found by letting the whole experiment happen again in a world that is known: the fitted
models are taken as the truth, estimates are drawn as that truth would have given them with the same plan, settings
are chosen by these estimates, and the chance stated for them is compared with the true one.

References
----------
Efron, B. & Tibshirani, R. J. (1993), An Introduction to the Bootstrap, ch. 17 (optimism of a chosen model).
Smith, J. E. & Winkler, R. L. (2006), The optimizer's curse, Management Science 52:311-322.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.fits.formed import FormedFit
from sharpset.fits.requirements import Forecast
from sharpset.fits.surface import ResponseFit, root_of

__all__ = ["Optimism", "chance_optimism"]

Floats = NDArray[np.float64]
N_WORLDS, N_DRAWS = 24, 160


@dataclass(frozen=True, kw_only=True, slots=True)
class Optimism:
    """Stated and true chances of settings chosen again and again in a known world.

    Attributes
    ----------
    stated, true : ndarray of float, shape (n_worlds,)
    """

    stated: Floats
    true: Floats

    @property
    def mean(self) -> float:
        """By how much the stated chance is too large on average; negative where it is too small."""
        return float(np.mean(self.stated - self.true))

    def corrected(self, chance: float) -> float:
        """Return a chance without its mean optimism, which is taken off its log odds."""
        from scipy.special import expit, logit

        if not 0.0 < chance < 1.0:
            return chance
        stated, true = np.clip([self.stated.mean(), self.true.mean()], 1e-4, 1.0 - 1e-4)
        return float(expit(logit(chance) - max(logit(stated) - logit(true), 0.0)))


class _Known(Forecast):
    """A forecast in which the models are the truth, and growth is allowed for as others estimated it."""

    def __init__(self, truth: Forecast, estimated: Forecast) -> None:
        super().__init__(
            truth.brief,
            responses={name: _certain(fit) for name, fit in truth.responses.items()},
            formed={kind: _certain_formed(fit) for kind, fit in truth.formed.items()},
            feature_sd_mm=truth.feature_sd_mm,
            near_mm=truth.near_mm,
            n_draws=1,
        )
        for chi2 in self._numbers.chi2.values():
            chi2[:] = 1.0
        for uniform in self._numbers.uniform.values():
            uniform[:] = 0.5
        self._estimated = estimated

    def growth(self, kind: str, settings: pd.DataFrame) -> Floats:
        return self._estimated.growth(kind, settings)


def chance_optimism(
    forecast: Forecast, candidates: pd.DataFrame, *, seed: int = 0, n_worlds: int = N_WORLDS
) -> Optimism:
    """Return by how much stated chances of chosen settings exceed true ones where the models are the truth.

    Parameters
    ----------
    forecast : Forecast
    candidates : pandas.DataFrame
        Settings among which a choice is made.
    seed : int
    n_worlds : int
    """
    rng = np.random.default_rng(seed)
    stated, true = np.zeros((2, n_worlds))
    for world in range(n_worlds):
        estimated = Forecast(
            forecast.brief,
            responses={name: _drawn(fit, rng) for name, fit in forecast.responses.items()},
            formed={kind: _drawn_formed(fit, rng) for kind, fit in forecast.formed.items()},
            feature_sd_mm=forecast.feature_sd_mm,
            near_mm=forecast.near_mm,
            seed=int(rng.integers(2**31)),
            n_draws=N_DRAWS,
        )
        chances = estimated.chances(candidates).met
        chosen = int(np.argmax(chances))
        stated[world] = chances[chosen]
        true[world] = _Known(forecast, estimated).chances(candidates.iloc[[chosen]]).met[0]
    return Optimism(stated=stated, true=true)


def _with_predictor(fit: ResponseFit, new: ResponseFit) -> ResponseFit:
    return replace(fit, reduced=new) if fit.predictor is not fit else new


def _drawn(fit: ResponseFit, rng: np.random.Generator) -> ResponseFit:
    """Return a fit as another run of the same plan would have given it, were this one the truth."""
    use = fit.predictor
    if not use.df_resid > 0:
        return fit
    coef = use.coef + root_of(use.covariance) @ rng.standard_normal(len(use.coef))
    share = float(rng.chisquare(use.df_resid) / use.df_resid)
    mixed = None if use.mixed is None else replace(use.mixed, variances=use.mixed.variances * share)
    sd = use.residual_sd * float(np.sqrt(share))
    return _with_predictor(fit, replace(use, coef=coef, covariance=use.covariance * share, residual_sd=sd, mixed=mixed))


def _certain(fit: ResponseFit) -> ResponseFit:
    use = fit.predictor
    return _with_predictor(fit, replace(use, covariance=np.zeros_like(use.covariance)))


def _drawn_formed(fit: FormedFit, rng: np.random.Generator) -> FormedFit:
    if not fit.has_model:
        return fit
    step = root_of(fit.covariance) @ rng.standard_normal(len(fit.covariance))
    p = len(fit.coef)
    s, sd = np.exp(np.clip(step[p:], -1.5, 1.5)) * np.array([fit.s, fit.print_sd])
    return replace(fit, coef=fit.coef + step[:p], s=float(s), print_sd=float(sd))


def _certain_formed(fit: FormedFit) -> FormedFit:
    return replace(fit, covariance=np.zeros_like(fit.covariance))
