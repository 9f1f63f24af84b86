"""Requirements of a brief, each with the chance that a print at given settings meets it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.brief import Brief
from sharpset.fits.formed import FormedFit
from sharpset.fits.responses import OPENINGS
from sharpset.fits.surface import ResponseFit

__all__ = ["Chances", "Forecast"]

Floats = NDArray[np.float64]
N_DRAWS = 1000


@dataclass(frozen=True, kw_only=True, slots=True)
class Chances:
    """Chances at several settings.

    Attributes
    ----------
    met : ndarray of float, shape (m,)
        Chance that every requirement is met at once, growth allowed for in CAD.
    as_drawn : ndarray of float, shape (m,)
        The same with every detail drawn at its wanted size.
    parts : pandas.DataFrame
        One column per requirement, growth allowed for.
    """

    met: Floats
    as_drawn: Floats
    parts: pd.DataFrame


@dataclass(frozen=True, kw_only=True, slots=True)
class _Numbers:
    """Random numbers that are the same for every setting, so that settings compare fairly."""

    normal: dict[str, Floats] = field(default_factory=dict)
    uniform: dict[str, Floats] = field(default_factory=dict)
    chi2: dict[str, Floats] = field(default_factory=dict)


class Forecast:
    """Chance of meeting a brief from the fitted models' own uncertainty.

    Parameters
    ----------
    brief : Brief
    responses : dict of str to ResponseFit
        Those named ``growth_<kind>_mm``, ``edge_roughness_mm`` and ``print_time_h`` are used.
    formed : dict of str to FormedFit
        By kind.
    feature_sd_mm : dict of str to float
        Spread of the width deviation between details of one job, by kind.
    near_mm : dict of str to float, optional
        Sizes for which ``growth_<kind>_at_brief_mm`` was taken; it is used for sizes within a third of
        them, ``growth_<kind>_mm`` elsewhere and where too few prints had such features.
    seed : int
    n_draws : int
    least_sd : callable, optional
        Takes a response's name and settings and returns what a print scatters by at least
        (:func:`sharpset.fits.scales.least_scatter`), for :meth:`predicted` and for what must stay below a limit.

    Notes
    -----
    Each draw takes every model's coefficients and scatter from what the prints leave possible; given
    the draw, the chance of each requirement on a new print follows from its distribution, and the
    product over requirements is averaged over the draws. Responses are taken as independent given
    their models.
    """

    def __init__(
        self,
        brief: Brief,
        *,
        responses: dict[str, ResponseFit],
        formed: dict[str, FormedFit],
        feature_sd_mm: dict[str, float],
        near_mm: dict[str, float] | None = None,
        seed: int = 0,
        n_draws: int = N_DRAWS,
        least_sd: Callable[[str, pd.DataFrame], Any] | None = None,
    ) -> None:
        self.least_sd = least_sd
        self.brief = brief
        self.responses = responses
        self.formed = formed
        self.feature_sd_mm = feature_sd_mm
        self.near_mm = near_mm or {}
        self.n_draws = n_draws
        self._numbers = self._draw(seed)

    def _draw(self, seed: int) -> _Numbers:
        from scipy.stats import qmc

        rng = np.random.default_rng(seed)
        out = _Numbers()
        for name, fit in self._used().items():
            df = fit.predictor.df_resid
            out.normal[name] = rng.standard_normal((self.n_draws, len(fit.predictor.coef)))
            out.chi2[name] = rng.chisquare(df, self.n_draws) / df
        for kind, formed in self.formed.items():
            width = len(formed.coef) + 2
            free = max(formed.n_prints - len(formed.coef), 1)
            out.normal[f"formed_{kind}"] = rng.standard_normal((self.n_draws, width))
            out.chi2[f"formed_{kind}"] = rng.chisquare(free, self.n_draws) / free
            out.uniform[kind] = rng.permutation(qmc.Halton(d=1, rng=rng).random(self.n_draws)[:, 0])
        return out

    def _used(self) -> dict[str, ResponseFit]:
        return {name: fit for name, fit in self.responses.items() if fit.predictor.df_resid > 0}

    @property
    def kinds(self) -> list[str]:
        """Kinds that the brief asks for."""
        return list(self.brief.smallest_mm)

    @property
    def untested(self) -> list[str]:
        """Requirements of the brief that nothing was measured for."""
        missing = [f"smallest {k}" for k in self.kinds if k not in self.formed]
        missing += [f"width of {k}" for k in self.kinds if self.growth_name(k) is None]
        if self.brief.tolerance_mm.edge_roughness is not None and "edge_roughness_mm" not in self._used():
            missing.append("edge roughness")
        if self.brief.limits.print_time_h is not None and "print_time_h" not in self._used():
            missing.append("print time")
        return missing

    def growth_name(self, kind: str) -> str | None:
        """Return the response that tells the growth of a kind at the brief's size; None without one."""
        used = self._used()
        near, wide = f"growth_{kind}_at_brief_mm", f"growth_{kind}_mm"
        size = self.near_mm.get(kind)
        fits = size is not None and 0.75 <= self.brief.smallest_mm[kind] / size <= 1.34
        if near in used and fits and (wide not in used or used[near].n >= 0.75 * used[wide].n):
            return near
        return wide if wide in used else None

    def growth(self, kind: str, settings: pd.DataFrame) -> Floats:
        """Return predicted growth per side of a kind, mm, shape (m,); 0 where nothing was measured."""
        name = self.growth_name(kind)
        if name is None:
            return np.zeros(len(settings))
        fit = self._used()[name]
        return np.asarray(fit.predict(settings)["predicted"], dtype=float)

    def drawn_mm(self, kind: str, settings: pd.DataFrame) -> Floats:
        """Return the size to draw so that the brief's size comes out, mm, shape (m,)."""
        wanted = self.brief.smallest_mm[kind]
        sign = -1.0 if kind in OPENINGS else 1.0
        return np.maximum(wanted - 2.0 * sign * self.growth(kind, settings), 0.05 * wanted)

    def chances(self, settings: pd.DataFrame) -> Chances:
        """Return the chance that the brief is met at each setting.

        Parameters
        ----------
        settings : pandas.DataFrame, m rows
            Natural units.

        Returns
        -------
        Chances
            A size that was neither tried nor reached by a model counts as chance 0.
        """
        both = np.ones((len(settings), self.n_draws))
        raw = both.copy()
        parts: dict[str, Floats] = {}
        for label, allowed_for, as_drawn in self._requirements(settings):
            parts[label] = allowed_for.mean(axis=1)
            both *= allowed_for
            raw *= as_drawn
        return Chances(
            met=both.mean(axis=1), as_drawn=raw.mean(axis=1), parts=pd.DataFrame(parts, index=settings.index)
        )

    def draw_chances(self, settings: pd.DataFrame) -> Floats:
        """Return the chance of meeting the brief in every draw of the models, shape (m, n_draws)."""
        both = np.ones((len(settings), self.n_draws))
        for _, allowed_for, _ in self._requirements(settings):
            both *= allowed_for
        return both

    def _requirements(self, settings: pd.DataFrame) -> Iterator[tuple[str, Floats, Floats]]:
        """Yield each requirement: its name, its chance with growth allowed for, and as drawn."""
        for kind in self.kinds:
            if kind in self.formed:
                wanted = np.full(len(settings), self.brief.smallest_mm[kind])
                drawn = self.drawn_mm(kind, settings)
                yield f"{kind} forms", self._forms(kind, drawn, settings), self._forms(kind, wanted, settings)
            width = self._width(kind, settings)
            if width is not None:
                yield f"{kind} width", width.compensated, width.as_drawn
        for name, top, label in (
            ("edge_roughness_mm", self.brief.tolerance_mm.edge_roughness, "edge roughness"),
            ("print_time_h", self.brief.limits.print_time_h, "print time"),
        ):
            if top is not None and name in self._used():
                below = self._below(name, top, settings)
                yield label, below, below

    def _forms(self, kind: str, sizes: Floats, settings: pd.DataFrame) -> Floats:
        return self.formed[kind].draw_chance(
            sizes,
            settings,
            z=self._numbers.normal[f"formed_{kind}"],
            uniform=self._numbers.uniform[kind],
            spread=1.0 / np.sqrt(self._numbers.chi2[f"formed_{kind}"]),
        )

    def _width(self, kind: str, settings: pd.DataFrame) -> _Width | None:
        from scipy.special import ndtr

        name = self.growth_name(kind)
        if name is None:
            return None
        fit = self._used()[name]
        means, sds = fit.draws(settings, z=self._numbers.normal[name], chi2=self._numbers.chi2[name])
        tolerance = self.brief.tolerance_mm.width
        key = name.removeprefix("growth_").removesuffix("_mm")
        single = self.feature_sd_mm.get(key, 0.0)
        scatter = np.sqrt((2.0 * sds) ** 2 + (single if np.isfinite(single) else 0.0) ** 2)[None, :]
        scatter = np.maximum(scatter, 1e-9)
        offset = self.growth(kind, settings)[:, None]

        def inside(deviation: Floats) -> Floats:
            return np.asarray(ndtr((tolerance - deviation) / scatter) - ndtr((-tolerance - deviation) / scatter))

        return _Width(compensated=inside(2.0 * (means - offset)), as_drawn=inside(2.0 * means))

    def _below(self, name: str, top: float, settings: pd.DataFrame) -> Floats:
        from scipy.special import ndtr

        fit = self._used()[name]
        means, sds = fit.draws(settings, z=self._numbers.normal[name], chi2=self._numbers.chi2[name])
        level = top
        power = fit.predictor.power
        if power != 1.0:
            from scipy.special import boxcox

            level = float(boxcox(top, power))
        scatter = np.maximum(sds[None, :], self._least(name, settings)[:, None])
        return np.asarray(ndtr((level - means) / np.maximum(scatter, 1e-12)))

    def _least(self, name: str, settings: pd.DataFrame) -> Floats:
        """Return what a print scatters by at least about its prediction, shape (m,)."""
        least = 0.0 if self.least_sd is None else self.least_sd(name, settings)
        return np.broadcast_to(np.asarray(least, dtype=float), (len(settings),))

    def predicted(self, settings: pd.DataFrame, *, only: Sequence[str] | None = None) -> pd.DataFrame:
        """Return predicted responses of one setting with 95 % intervals for a new print.

        Returns
        -------
        pandas.DataFrame
            ``response, predicted, low, high, u_mean``.
        """
        rows = []
        for name, fit in self._used().items():
            if only is not None and name not in only:
                continue
            row = fit.predict(settings.iloc[:1], least_sd=self._least(name, settings.iloc[:1])).iloc[0]
            numbers = {c: float(row[c]) for c in ("predicted", "low", "high", "u_mean")}
            if name.startswith("smallest_") or name in ("edge_roughness_mm", "print_time_h"):
                numbers["low"] = max(numbers["low"], 0.0)  # none of them can be negative
            rows.append({"response": name, **numbers})
        table = pd.DataFrame(rows, columns=["response", "predicted", "low", "high", "u_mean"])
        # A table without rows would hold objects, which nothing can calculate with.
        return table.astype(dict.fromkeys(table.columns[1:], float))


@dataclass(frozen=True, kw_only=True, slots=True)
class _Width:
    compensated: Floats
    as_drawn: Floats
