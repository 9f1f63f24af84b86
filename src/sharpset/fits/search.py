"""The next print of a search: the settings most likely to meet the brief, after one print or many."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import FitError
from sharpset.fits.margins import Margins
from sharpset.fits.region import Region, maximise
from sharpset.fits.smooth import SmoothFit, fit_smooth
from sharpset.fits.space import Space
from sharpset.fits.together import fit_holding

__all__ = ["BriefSearch"]

Floats = NDArray[np.float64]
LOGISTIC = 1.702
"""Factor by which a normal curve is wider than the logistic one that it resembles."""
N_DRAWS = 96
FAR = 0.5
"""Margin at which a requirement is met or missed by far: beyond it the size of the miss tells little more."""
CAME_APART = -0.6
"""A print whose middle margin is below this came apart: it lies beyond a cliff, not at the end of a trend."""
USUAL = 0.15
"""Change of ln(size) per half range that is expected of a factor whose finer end the maker knows; see smooth.SLOPE."""
GREED = 1e-3
"""Weight of the chance itself beside the expected gain, which decides where nothing is expected to be gained."""


class BriefSearch:
    """Where a brief is likely to be met, as far as the prints so far tell.

    Parameters
    ----------
    margins : Margins
        Of the prints so far, one or more.
    runs : pandas.DataFrame
        ``run_id`` and settings in natural units.
    space : Space
        Factors; the search keeps to their limits and rules, not to the span of the prints.
    seed : int

    Raises
    ------
    FitError
        If no print has margins and settings.

    Notes
    -----
    Every requirement's margin is a smooth function of the coded settings (:mod:`sharpset.fits.smooth`); where
    a factor says at which end details usually come out finer, the function leans that way until prints say
    otherwise. Prints that came apart (layers that parted, a starved nozzle) miss everything at once; they
    are kept out of the trends and tell where prints hold together (:mod:`sharpset.fits.together`). The chance
    that a new print meets the brief is the chance that it holds together times the product over
    requirements of the chance that the margin, with the scatter between prints and within them, is positive.

    What a setting is worth is the expected gain over the best print so far, over what the prints leave open.
    Setting and best print are drawn together, so that another print close to the best one is worth
    nothing, however uncertain both are, and the search looks around as long as there is something to gain.

    References
    ----------
    Jones, D. R., Schonlau, M. & Welch, W. J. (1998), Efficient global optimization of expensive black-box
    functions, J. Global Optim. 13:455-492 (expected improvement).
    """

    def __init__(self, margins: Margins, runs: pd.DataFrame, space: Space, *, seed: int = 0) -> None:
        self.space, self.margins, self.seed = space, margins, seed
        keyed = runs.assign(run_id=runs["run_id"].astype(str))
        table = margins.table.merge(keyed[["run_id", *space.names]], on="run_id", how="inner")
        table = table.dropna(subset=margins.requirements, how="all").reset_index(drop=True)
        if table.empty:
            raise FitError(
                "A search needs a print with readings and settings, got none. Print one first, such as the design "
                "'start' of 'sharpset plan new'."
            )
        self.table = table
        self.points = self._coded(table)
        middle = table[margins.requirements].median(axis=1).to_numpy(dtype=float)
        # Where no print held together there is no trend to keep them out of.
        self.apart = middle < CAME_APART if (middle >= CAME_APART).any() else np.zeros(len(table), dtype=bool)
        self.fits = {name: self._fit(name) for name in margins.requirements}
        self.together = fit_holding(self.points, ~self.apart, n_draws=N_DRAWS, seed=seed)
        rng = np.random.default_rng(seed)
        self._normal, self._at_best = rng.standard_normal((2, len(self.fits), N_DRAWS))
        known = self.chances(self.table[space.names])
        self.best = int(np.argmax(known))

    def _fit(self, name: str) -> SmoothFit:
        known = self.table[name].notna().to_numpy() & ~self.apart
        if not known.any():  # nothing measured yet: as good as no print at all
            return fit_smooth(self.points[:1], np.zeros(1), u=np.ones(1), seed=self.seed)
        y, u = self.table[name].to_numpy(dtype=float)[known], self.table[f"u_{name}"].to_numpy(dtype=float)[known]
        share = np.tanh(y / FAR)
        loose = np.hypot(u * (1.0 - share**2), 0.3 * FAR * share**4)
        lean, hump = self._usual() if name != "print time" else (None, None)
        return fit_smooth(self.points[known], FAR * share, u=loose, lean=lean, hump=hump, seed=self.seed)

    def _usual(self) -> tuple[Floats, Floats]:
        """Return slope and square of each coded column by what the maker knew beforehand."""
        lean: list[float] = []
        hump: list[float] = []
        for factor in self.space.factors:
            width = len(factor.levels) if factor.kind == "categorical" else 1
            lean += [{"low": -USUAL, "high": USUAL}.get(factor.finer, 0.0)] * width
            hump += [-USUAL if factor.finer == "middle" else 0.0] * width
        return np.array(lean), np.array(hump)

    def _holds(self, coded: Floats) -> Floats:
        """Return the chance that a print holds together, shape (m,)."""
        return np.asarray(self.together.chances(coded).mean(axis=0))

    def _coded(self, settings: pd.DataFrame) -> Floats:
        """Return settings as numbers: coded, and one column of 0 and 1 for every category."""
        columns: list[Floats] = []
        for factor in self.space.factors:
            if factor.kind == "categorical":
                labels = settings[factor.name].astype(str).to_numpy()
                columns += [(labels == str(level)).astype(float) for level in factor.levels]
            else:
                columns.append(factor.code(settings[factor.name].astype(float)))
        return np.column_stack(columns)

    def _widths(self, name: str) -> Floats:
        """Return the scatter of a margin on a new print, between and within prints, in every draw, shape (h, 1)."""
        wide = LOGISTIC * self.margins.spread[name]
        return np.asarray(np.hypot(self.fits[name].scatter, wide)[:, None])

    def parts(self, settings: pd.DataFrame) -> pd.DataFrame:
        """Return the chance of each requirement on a new print, one row per setting."""
        from scipy.special import ndtr

        coded = self._coded(settings)
        out: dict[str, Floats] = {}
        for name, fit in self.fits.items():
            mean, variance = fit.predict(coded)
            out[name] = ndtr(mean / np.sqrt(variance + self._widths(name) ** 2)).mean(axis=0)
        return pd.DataFrame(out, index=settings.index)

    def chances(self, settings: pd.DataFrame) -> Floats:
        """Return the chance that a new print meets every requirement, shape (m,)."""
        return np.asarray(self.parts(settings).prod(axis=1), dtype=float) * self._holds(self._coded(settings))

    def _drawn_chances(self, coded: Floats) -> tuple[Floats, Floats]:
        """Return the chance at settings and at the best print, in draws of what is open, both (n_draws, m)."""
        from scipy.special import ndtr

        here, there = np.ones((2, N_DRAWS, len(coded)))
        best = self.points[self.best : self.best + 1]
        for (name, fit), z, z0 in zip(self.fits.items(), self._normal, self._at_best, strict=True):
            which = np.arange(N_DRAWS) % len(fit.shapes)
            joint = fit.predict_with(coded, best)
            width = self._widths(name)[which]
            sd0 = np.sqrt(joint.reference_variance)[which]
            there *= ndtr((joint.reference[which] + sd0 * z0)[:, None] / width)
            lever = joint.covariance / np.sqrt(joint.reference_variance)[:, None]
            own = np.sqrt(np.maximum(joint.variance - lever**2, 0.0))
            here *= ndtr((joint.mean[which] + lever[which] * z0[:, None] + own[which] * z[:, None]) / width)
        return here * self.together.chances(coded), there * self.together.chances(best)

    def worth(self, settings: pd.DataFrame) -> Floats:
        """Return by how much a print at each setting is expected to raise the best chance known, shape (m,)."""
        here, there = self._drawn_chances(self._coded(settings))
        return np.asarray(np.maximum(here - there, 0.0).mean(axis=0) + GREED * here.mean(axis=0))

    def next_settings(self, n_prints: int = 1, *, n_candidates: int = 256) -> pd.DataFrame:
        """Return the settings of the next prints, most worth first, and the ``chance`` of each.

        Each further print is chosen as if those above it had come out as expected. No print moves more than
        one factor that has never been moved before, so that what it shows can be told apart.
        """
        search, rows = self, []
        for number in range(n_prints):
            found = search._next(self.seed + number, n_candidates)
            rows.append(found.assign(chance=float(self.chances(found)[0])))
            if number + 1 < n_prints:
                search = search._with(found, f"next{number + 1}")
        return pd.concat(rows, ignore_index=True)

    def _next(self, seed: int, n_candidates: int) -> pd.DataFrame:
        printed = self.table[self.space.names]
        fresh = {n: printed[n].iloc[0] for n in self.space.names if (printed[n] == printed[n].iloc[0]).all()}

        def few_new(settings: pd.DataFrame) -> NDArray[np.bool_]:
            moved = sum((settings[n] != value).to_numpy().astype(int) for n, value in fresh.items())
            return np.asarray(self.space.allows(settings) & (moved <= 1))

        spread = self.space.sample(n_candidates, seed=seed)
        held, turn = spread.copy(), np.arange(len(spread)) % (len(fresh) + 1)
        for position, (name, value) in enumerate(fresh.items()):
            held.loc[turn != position, name] = value
        held = held[few_new(held)]
        # Rules that tie factors together may leave no way to move one alone.
        space, table = (replace(self.space, allows=few_new), held) if len(held) else (self.space, spread)
        region = Region(space=space, runs=printed)
        return maximise(self.worth, region, candidates=pd.concat([printed, table], ignore_index=True), n_starts=6)

    def _with(self, settings: pd.DataFrame, run_id: str) -> BriefSearch:
        """Return the search as it would stand after a print that came out as expected."""
        coded = self._coded(settings)
        row: dict[str, Any] = {"run_id": run_id}
        for name, fit in self.fits.items():
            row[name] = float(fit.predict(coded)[0].mean())
            known = self.table[f"u_{name}"].dropna()
            row[f"u_{name}"] = float(known.median()) if len(known) else 0.0
        table = pd.concat([self.margins.table, pd.DataFrame([row])], ignore_index=True)
        runs = pd.concat(
            [self.table[["run_id", *self.space.names]], settings[self.space.names].assign(run_id=run_id)],
            ignore_index=True,
        )
        margins = Margins(brief=self.margins.brief, table=table, spread=self.margins.spread)
        return BriefSearch(margins, runs, self.space, seed=self.seed)
