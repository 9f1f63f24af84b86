"""A fit in plain text, for the terminal."""

from __future__ import annotations

import numpy as np

from sharpset.fits import Fit
from sharpset.fits.diagnostics import drift_of, outliers
from sharpset.plots.style import label_of

__all__ = ["fit_text"]


def fit_text(fit: Fit, *, models: bool = True) -> str:
    """Return models, settings, expectations and what to draw, in lines of text.

    Parameters
    ----------
    fit : Fit
    models : bool
        Whether to say every model first.
    """
    lines: list[str] = []
    if models:
        lines += [response.summary() for response in fit.responses.values()]
        lines += [formed.summary() for formed in fit.formed.values()]
        lines += [share.summary() for share in fit.shares.values()]
    lines += [f"{label_of(name)}: no model: {why}" for name, why in fit.failed.items()]
    if fit.best is not None:
        lines += ["", *_settings(fit), "", *_expected(fit), "", *_drawing(fit)]
    if models:
        lines += [f"note: {said}" for said in _odd_prints(fit)]
    own = fit.best.remarks if fit.best is not None else ()
    lines += [f"note: {remark}" for remark in dict.fromkeys((*own, *fit.remarks))]
    return "\n".join(lines).strip("\n")


def _odd_prints(fit: Fit) -> list[str]:
    """Return what the residuals say of single prints and of drift, allowing for the number of responses.

    Smallest sizes go by the steps of their ladder, so that their residuals are no measure of a print.
    """
    judged = {name: f.predictor for name, f in fit.responses.items() if not name.startswith("smallest_")}
    order = fit.runs.set_index("run_id")["print_order"] if {"run_id", "print_order"} <= set(fit.runs) else None
    said = []
    for name, model in judged.items():
        odd = outliers(model.data, df_resid=model.df_resid)
        for row in odd[(odd["p"] * len(judged) < 0.05) & np.isfinite(odd["studentised"])].itertuples():
            said.append(
                f"{label_of(name)}: run {row.run_id} is an outlier (studentised residual {row.studentised:+.1f}): look "
                "at the print and its notes before trusting it"
            )
        turn = None if order is None else order.reindex(model.data["run_id"]).to_numpy(dtype=float)
        drift = drift_of(model.data["residual"].to_numpy(dtype=float), turn)
        if model.df_resid >= 3 and drift is not None and drift[1] * len(judged) < 0.05:
            said.append(
                f"{label_of(name)}: the residuals drift with print order (rank correlation {drift[0]:+.2f}): something "
                "changed while printing"
            )
    return said


def _settings(fit: Fit) -> list[str]:
    best = fit.best
    assert best is not None
    units = best.units or {}
    lines = ["Recommended settings"]
    for name, value in best.settings.items():
        text = value if isinstance(value, str) else f"{value:.4g}"
        lines.append(f"  {name.replace('_', ' '):<26} {text:>9} {units.get(name, '')}".rstrip())
    lines.append(f"  {'chance to meet the brief':<26} {100 * best.chance:>8.0f} %  (growth allowed for in CAD)")
    lines.append(f"  {'':<26} {100 * best.chance_as_drawn:>8.0f} %  (details drawn at their wanted size)")
    return lines


def _expected(fit: Fit) -> list[str]:
    assert fit.best is not None
    lines = ["Expected of one new print", f"  {'':<26} {'predicted':>9}   95 % interval"]
    for row in fit.best.predicted.itertuples():
        lines.append(f"  {label_of(str(row.response)):<26} {row.predicted:>9.4g}   {row.low:.4g} to {row.high:.4g}")
    return lines


def _drawing(fit: Fit) -> list[str]:
    assert fit.best is not None
    heads = ("kind", "wanted", "growth/side", "limit", "draw", "comes out")
    lines = [
        "What to draw in CAD (mm; limit: forms 90 % of the time with 95 % confidence)",
        "  {:<8} {:>8} {:>12} {:>8} {:>8} {:>10}".format(*heads),
    ]
    for row in fit.best.thicken.itertuples():
        numbers = (row.wanted_mm, row.growth_mm, row.limit_mm, row.draw_mm, row.comes_out_mm)
        lines.append(
            "  {:<8} {:>8.3f} {:>+12.3f} {:>8.3f} {:>8.3f} {:>10.3f}  {}".format(row.kind, *numbers, row.verdict)
        )
    return lines
