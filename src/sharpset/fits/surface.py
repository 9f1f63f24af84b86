"""The fitted model of one response: what it says and what it predicts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import FitError
from sharpset.fits.boxcox import BoxCox, power_inverse
from sharpset.fits.mixed import MixedFit
from sharpset.fits.space import Space
from sharpset.fits.terms import Model, Term
from sharpset.fits.unreplicated import Lenth

__all__ = ["ResponseFit", "root_of"]

Floats = NDArray[np.float64]
Method = Literal["OLS", "WLS", "Lenth", "REML"]


@dataclass(frozen=True, kw_only=True, slots=True)
class ResponseFit:
    """A response surface fitted to one response of a plan.

    Attributes
    ----------
    name : str
        Name of the response; its unit is the suffix of the name.
    formula : str
        As patsy writes it, left-hand side included.
    method : {'OLS', 'WLS', 'Lenth', 'REML'}
    n : int
        Number of runs (print jobs) used.
    df_resid : float
    residual_sd : float
        Print-to-print standard deviation about the model, unit of the (transformed) response; NaN
        for a saturated plan.
    r2, r2_adjusted, r2_predicted : float
        The last from leave-one-out residuals (PRESS).
    terms, terms_natural : pandas.DataFrame
        ``term, estimate, se, df, t, p, low, high`` (95 %) in coded and in natural units; the second
        is empty where the model is not the same in both.
    anova : dict of str to pandas.DataFrame
        Types I, II and III.
    lack_of_fit : pandas.DataFrame or None
    lenth : Lenth or None
        Judged on full effects (twice the coded coefficient).
    box_cox : BoxCox or None
    mixed : MixedFit or None
    power : float
        Power transformation applied to the response; 1 for none.
    data : pandas.DataFrame
        ``run_id, observed, fitted, residual, leverage, studentised, cook``, the settings, ``weight``
        where the fit is weighted, and ``within`` where runs come in groups: the residual without the
        share of its group.
    groups : pandas.DataFrame or None
        ``grouping, group`` (in words), ``shift, studentised, df, rows``, a row a group, of a mixed model.
    diagnostics, remarks : tuple of str
    reduced : ResponseFit or None
        Smaller model after selection with hierarchy.
    predicts_with_reduced : bool
        Whether predictions come from ``reduced``.
    model : Model
    space : Space
    coef, covariance : ndarray of float
        In the units in which ``model`` is used (``units``).
    kept : tuple of int
        Columns of the model matrix that could be estimated.
    units : {'coded', 'natural'}
    """

    name: str
    formula: str
    method: Method
    n: int
    df_resid: float
    residual_sd: float
    r2: float
    r2_adjusted: float
    r2_predicted: float
    terms: pd.DataFrame
    terms_natural: pd.DataFrame
    anova: dict[str, pd.DataFrame]
    lack_of_fit: pd.DataFrame | None
    lenth: Lenth | None
    box_cox: BoxCox | None
    mixed: MixedFit | None
    power: float
    data: pd.DataFrame
    groups: pd.DataFrame | None
    diagnostics: tuple[str, ...]
    remarks: tuple[str, ...]
    model: Model
    space: Space
    coef: Floats
    covariance: Floats
    kept: tuple[int, ...]
    units: Literal["coded", "natural"] = "coded"
    reduced: ResponseFit | None = None
    predicts_with_reduced: bool = False

    @property
    def predictor(self) -> ResponseFit:
        """The fit that predictions come from."""
        return self.reduced if self.predicts_with_reduced and self.reduced is not None else self

    def matrix(self, settings: pd.DataFrame) -> Floats:
        """Return the model matrix at settings (natural units), shape (m, p).

        What stands in the model beside the factors (a block, a covariate) and the settings do not name is
        averaged over: the mean of the labels' effects, the mean of a number.
        """
        frame = settings
        known_names = set(self.data.columns) - set(frame.columns) - set(self.space.names)
        beside = [name for name in self.model.ranges if name in known_names]
        labels = {name for name in beside if self.model.ranges[name].kind == "categorical"}
        if beside:
            known = {n: self.model.ranges[n].levels[0] if n in labels else self.data[n].mean() for n in beside}
            frame = frame.assign(**known)
        matrix, names = self.model.columns(frame, units=self.units)
        for position, column in enumerate(names):
            if labels & set(column.term.categories):
                matrix[:, position] = 0.0
        return matrix[:, list(self.kept)]

    def predict(
        self, settings: pd.DataFrame, *, level: float = 0.95, n_prints: int = 1, least_sd: float | Floats = 0.0
    ) -> pd.DataFrame:
        """Predict the response of new print jobs.

        Parameters
        ----------
        settings : pandas.DataFrame
            One row per setting, natural units; other columns are ignored.
        level : float
            Of both intervals.
        n_prints : int
            Mean of how many prints the prediction interval is for.
        least_sd : float or ndarray of float, shape (m,)
            Scatter of one print is taken as this at least, in units of the (transformed) response.

        Returns
        -------
        pandas.DataFrame
            ``predicted, u_mean`` (standard error of the mean, of a transformed response to first order),
            ``low, high`` (interval for a new print, print-to-print scatter included), ``mean_low,
            mean_high`` (for the mean).

        Raises
        ------
        FitError
            If the model has no residual degrees of freedom, so that nothing is known of the scatter.
        """
        from scipy import stats

        use = self.predictor
        if use is not self:
            return use.predict(settings, level=level, n_prints=n_prints, least_sd=least_sd)
        if not self.df_resid > 0:
            raise FitError(
                f"{self.name}: as many terms as runs, so the scatter between prints is unknown and no interval can "
                "be given. Replicate some runs or give a smaller --formula."
            )
        x = self.matrix(settings)
        mean = x @ self.coef
        variance = np.einsum("ij,jk,ik->i", x, self.covariance, x)
        u_mean = np.sqrt(np.maximum(variance, 0.0))
        scatter = np.sqrt(variance + np.maximum(self.print_variance, np.square(least_sd)) / n_prints)
        k = float(stats.t.ppf(0.5 + level / 2.0, self.df_resid))
        columns = {
            "predicted": mean,
            "low": mean - k * scatter,
            "high": mean + k * scatter,
            "mean_low": mean - k * u_mean,
            "mean_high": mean + k * u_mean,
        }
        table = pd.DataFrame({name: self._back(values) for name, values in columns.items()}, index=settings.index)
        # Of a transformed response the half-width of the mean's interval, over the same factor, stands for it.
        table.insert(1, "u_mean", (table["mean_high"] - table["mean_low"]).abs() / (2.0 * k))
        return table

    @property
    def print_variance(self) -> float:
        """Variance of one new print about the mean, all random groups included."""
        return float(self.mixed.variances.sum()) if self.mixed is not None else self.residual_sd**2

    def _back(self, values: Floats) -> Floats:
        if self.power == 1.0:
            return values
        back = power_inverse(values, self.power)
        return back

    def draws(self, settings: pd.DataFrame, *, z: Floats, chi2: Floats) -> tuple[Floats, Floats]:
        """Return simulated means, shape (m, n_draws), and residual standard deviations, (n_draws,).

        Parameters
        ----------
        settings : pandas.DataFrame, m rows
        z : ndarray of float, shape (n_draws, >= p)
            Standard normal numbers.
        chi2 : ndarray of float, shape (n_draws,)
            Chi-square numbers divided by their degrees of freedom.
        """
        use = self.predictor
        x = use.matrix(settings)
        root = root_of(use.covariance)
        spread = 1.0 / np.sqrt(chi2)
        means = (x @ use.coef)[:, None] + (x @ root) @ (z[:, : root.shape[1]].T * spread[None, :])
        return means, np.sqrt(use.print_variance) * spread

    def summary(self) -> str:
        """Return the fit in one line."""
        use = self.predictor
        head = f"{self.formula} ({self.method}, {self.n} prints"
        if self.lenth is not None:
            return f"{head}): {self.lenth.summary()}"
        strong = use.terms[(use.terms["p"] < 0.05) & (use.terms["term"] != "Intercept")]["term"].tolist()
        lack = ""
        if use.lack_of_fit is not None and np.isfinite(use.lack_of_fit["p"].iloc[0]):
            lack = f"; lack of fit p = {use.lack_of_fit['p'].iloc[0]:.2g}"
        shown = self if self.df_resid > 0 else use  # of a model with as many terms as prints nothing is known
        predicted = f", predicted R2 {shown.r2_predicted:.3f}" if np.isfinite(shown.r2_predicted) else ""
        clear = f"clear effects {', '.join(strong) or 'none'}"
        if use is not self:
            kept = " + ".join("1" if t == "Intercept" else t for t in use.terms["term"])
            clear += f" (of the model that predicts, {kept})"
        r2 = max(shown.r2, 0.0) if abs(shown.r2) < 5e-4 else shown.r2
        return f"{head}, R2 {r2:.3f}{predicted}, print-to-print sd {shown._scatter()}{lack}): {clear}"

    def _scatter(self) -> str:
        if self.mixed is None:
            return f"{self.residual_sd:.3g} on {self.df_resid:.3g} df"
        parts = self.mixed.standard_deviations
        between = " and ".join(f"{parts[name]:.3g} between {name.replace('_', ' ')}s" for name in self.mixed.groups)
        return f"{parts['Residual']:.3g}, {between}"

    def to_frame(self, *, units: Literal["coded", "natural"] = "coded") -> pd.DataFrame:
        """Return the table of terms."""
        return (self.terms if units == "coded" else self.terms_natural).copy()

    def to_statsmodels(self) -> Any:
        """Return the same model fitted by statsmodels, for what that library offers beyond this one.

        Returns
        -------
        statsmodels RegressionResults
            OLS, or WLS with this fit's weights, in the units of ``model``.

        Raises
        ------
        FitError
            If the model has random groups, or uses columns that are neither factors nor blocks.
        """
        import statsmodels.api as sm

        if self.mixed is not None:
            raise FitError(f"{self.name}: a model with random groups has no counterpart in plain least squares.")
        try:
            matrix = self.matrix(self.data)
        except KeyError as error:
            raise FitError(f"{self.name}: the model uses the column {error}, which the fit does not keep.") from error
        table = self.terms if self.units == "coded" else self.terms_natural
        exog = pd.DataFrame(matrix, columns=table["term"].tolist(), index=self.data["run_id"])
        observed = pd.Series(self.data["observed"].to_numpy(), index=self.data["run_id"], name=self.name)
        if "weight" in self.data:
            weights = self.data["weight"].to_numpy(dtype=float)
            return sm.WLS(observed, exog, weights=weights).fit(method="qr")
        return sm.OLS(observed, exog).fit(method="qr")

    def stationary_point(self) -> dict[str, Any]:
        """Return where the fitted quadratic is level, and what it is there.

        Returns
        -------
        dict
            ``coded`` and ``natural`` (setting by factor), ``predicted``, ``eigenvalues`` (ascending)
            and ``nature``: maximum, minimum, saddle or ridge.

        Raises
        ------
        FitError
            If the model has no second-order part in its numeric factors.
        """
        use = self.predictor
        if use.units != "coded" or not use.model.polynomial:
            raise FitError(f"{self.name}: a stationary point needs a polynomial in the factors. Leave functions out.")
        used = {n for t in use.model.terms for n, _ in t.powers}
        if used - set(use.space.names):
            beside = ", ".join(sorted(used - set(use.space.names)))
            raise FitError(f"{self.name}: {beside} is no factor, and a stationary point is one of settings.")
        names = sorted(used, key=use.space.names.index)
        linear = np.zeros(len(names))
        square = np.zeros((len(names), len(names)))
        _, columns = use.model.columns(use.data.head(1), units="coded")
        for position, b in zip(use.kept, use.coef, strict=True):
            term: Term = columns[position].term
            if term.categories:
                continue
            spread = [n for n, power in term.powers for _ in range(power)]
            if len(spread) > 2:
                raise FitError(f"{self.name}: {term.label} is of third order; a stationary point needs second order.")
            if len(spread) == 1:
                linear[names.index(spread[0])] += b
            elif len(spread) == 2:
                i, j = names.index(spread[0]), names.index(spread[1])
                square[i, j] += b / 2.0
                square[j, i] += b / 2.0
        values = np.linalg.eigvalsh(square) if names else np.zeros(0)
        if not names or np.max(np.abs(values)) < 1e-12 or np.min(np.abs(values)) < 1e-9 * np.max(np.abs(values)):
            raise FitError(f"{self.name}: the model has no curvature in some direction, so no stationary point.")
        coded = np.linalg.solve(-2.0 * square, linear)
        nature = "maximum" if values.max() < 0 else "minimum" if values.min() > 0 else "saddle"
        natural = {n: float(use.space[n].decode([c])[0]) for n, c in zip(names, coded, strict=True)}
        return {
            "coded": dict(zip(names, map(float, coded), strict=True)),
            "natural": natural,
            "eigenvalues": [float(v) for v in values],
            "nature": nature,
        }

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>{self.terms.to_html(index=False)}"


def root_of(covariance: Floats) -> Floats:
    """Return a matrix whose product with its transpose is a covariance, shape (p, p)."""
    values, vectors = np.linalg.eigh(0.5 * (covariance + covariance.T))
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))
