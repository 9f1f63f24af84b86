"""Effects of a plan without replicates: Lenth's margin of error and half-normal scores."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import FitError

__all__ = ["Lenth", "lenth"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Lenth:
    """Lenth's pseudo standard error and what follows from it.

    Attributes
    ----------
    labels : tuple of str
    effects : ndarray of float, shape (m,)
    s0, pse, me, sme : float
        First estimate, pseudo standard error, margin of error (95 %, one effect) and simultaneous
        margin of error (95 %, all m effects), in the unit of the effects.
    df : float
        Degrees of freedom m / 3.
    """

    labels: tuple[str, ...]
    effects: NDArray[np.float64]
    s0: float
    pse: float
    me: float
    sme: float
    df: float

    def summary(self) -> str:
        """Return the outcome in one line."""
        big = [f"{n} ({e:+.4g})" for n, e in zip(self.labels, self.effects, strict=True) if abs(e) > self.sme]
        doubtful = [
            f"{n} ({e:+.4g})" for n, e in zip(self.labels, self.effects, strict=True) if self.me < abs(e) <= self.sme
        ]
        return (
            f"Lenth: PSE {self.pse:.4g}, ME {self.me:.4g}, SME {self.sme:.4g}; beyond SME: "
            f"{', '.join(big) or 'none'}; between ME and SME: {', '.join(doubtful) or 'none'}"
        )

    def to_frame(self) -> pd.DataFrame:
        """Return effects in rising size with half-normal quantiles, pseudo t and p."""
        from scipy import stats

        size = np.abs(self.effects)
        order = np.argsort(size, kind="stable")
        m = len(size)
        quantile = stats.norm.ppf(0.5 + 0.5 * (np.arange(1, m + 1) - 0.5) / m)
        ratio = size[order] / self.pse if self.pse > 0 else np.full(m, np.inf)
        verdict = np.where(size[order] > self.sme, "active", np.where(size[order] > self.me, "doubtful", ""))
        return pd.DataFrame(
            {
                "term": [self.labels[i] for i in order],
                "effect": self.effects[order],
                "size": size[order],
                "half_normal": quantile,
                "t": ratio,
                "p": 2.0 * stats.t.sf(ratio, self.df),
                "verdict": verdict,
            }
        )

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>{self.to_frame().to_html(index=False)}"


def lenth(effects: Sequence[float] | NDArray[np.float64], *, labels: Sequence[str] | None = None) -> Lenth:
    """Judge the effects of an unreplicated plan by their own spread.

    Parameters
    ----------
    effects : sequence of float, shape (m,)
        Estimates with equal standard error, the mean not among them.
    labels : sequence of str, optional

    Returns
    -------
    Lenth
        Assumes that few of the effects are real; with more than about half of them real the
        pseudo standard error is too large and real effects are missed.

    Raises
    ------
    FitError
        If there are fewer than three effects or one is not a finite number.

    References
    ----------
    Lenth, R. V. (1989), Quick and easy analysis of unreplicated factorials, Technometrics 31:469-473.
    """
    from scipy import stats

    values = np.asarray(effects, dtype=float)
    if values.size < 3 or not np.isfinite(values).all():
        raise FitError(f"Lenth's method needs three or more finite effects, got {values.size}. Replicate some runs.")
    size = np.abs(values)
    m = values.size
    s0 = 1.5 * float(np.median(size))
    inner = size[size < 2.5 * s0]
    pse = 1.5 * float(np.median(inner)) if inner.size else 0.0
    df = m / 3.0
    gamma = 0.5 * (1.0 + 0.95 ** (1.0 / m))
    return Lenth(
        labels=tuple(labels) if labels is not None else tuple(str(i + 1) for i in range(m)),
        effects=values,
        s0=s0,
        pse=pse,
        me=float(stats.t.ppf(0.975, df)) * pse,
        sme=float(stats.t.ppf(gamma, df)) * pse,
        df=df,
    )
