"""Every table of a fit by name."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    from sharpset.fits.fit import Fit

__all__ = ["NAMES", "all_tables"]

NAMES = (
    *("terms_coded", "terms_natural", "terms_selected", "anova", "lack_of_fit", "lenth", "residuals", "formed_terms"),
    *("shares_terms", "responses", "formed_counts", "predicted", "thicken", "limits", "directions"),
)
"""Every table that a fit may have."""


def all_tables(fit: Fit) -> dict[str, pd.DataFrame]:
    """Return the tables: terms, ANOVA, lack of fit, Lenth, limits, predictions, residuals and more.

    Returns
    -------
    dict of str to pandas.DataFrame
        ``terms_coded, terms_natural, terms_selected, anova, lack_of_fit, lenth, residuals, formed_terms, shares_terms,
        limits, predicted, thicken, directions, responses, formed_counts``; empty ones are left out.
    """
    found = fit.responses.items()
    tables = {
        "terms_coded": _stack({n: f.terms for n, f in found}),
        "terms_natural": _stack({n: f.terms_natural for n, f in found}),
        "terms_selected": _stack({n: f.reduced.terms for n, f in found if f.reduced is not None}),
        "anova": _stack({(n, kind): table for n, f in found for kind, table in f.anova.items()}),
        "lack_of_fit": _stack({n: f.predictor.lack_of_fit for n, f in found if f.predictor.lack_of_fit is not None}),
        "lenth": _stack({n: f.lenth.to_frame() for n, f in found if f.lenth is not None}),
        "residuals": _stack({n: f.predictor.data for n, f in found}),
        "formed_terms": _stack({k: f.to_frame() for k, f in fit.formed.items()}, key="kind"),
        "shares_terms": _stack({n: f.terms for n, f in fit.shares.items()}),
        "responses": fit.runs,
        "formed_counts": fit.counts,
    }
    if fit.best is not None:
        tables["predicted"] = fit.best.predicted
        tables["thicken"] = fit.best.thicken
        tables["limits"] = fit.best.limits
        tables["directions"] = fit.directions
    return {name: table for name, table in tables.items() if len(table)}


def _stack(
    parts: dict[str, pd.DataFrame] | dict[tuple[str, str], pd.DataFrame], *, key: str = "response"
) -> pd.DataFrame:
    frames = []
    for name, table in parts.items():
        if not len(table):
            continue
        if isinstance(name, tuple):
            table = table.assign(type=name[1])
            name = name[0]
        frames.append(pd.concat([pd.Series([name] * len(table), name=key), table.reset_index(drop=True)], axis=1))
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()
