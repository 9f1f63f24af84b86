"""A fit in plain text, for the terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping

import numpy as np

from sharpset.fits import Fit, ResponseFit
from sharpset.fits.diagnostics import drift_of, outliers, outlying_groups, unexplained
from sharpset.plots.style import label_of, term_label

__all__ = ["fit_text", "odd_prints"]

_WIDTH = 110
_HELD = "\u00a0"


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
        lines += _models(fit.responses)
        lines += [formed.summary() for formed in fit.formed.values()]
        lines += [share.summary() for share in fit.shares.values()]
    lines += [f"{label_of(name)}: no model: {why}" for name, why in fit.failed.items()]
    if fit.best is not None:
        lines += ["", *_settings(fit), "", *_expected(fit), "", *_drawing(fit)]
    if models:
        lines += [f"note: {said}" for said in odd_prints(fit)]
    own = fit.best.remarks if fit.best is not None else ()
    lines += [f"note: {remark}" for remark in dict.fromkeys((*own, *fit.remarks))]
    return "\n".join(lines).strip("\n")


def _models(responses: Mapping[str, ResponseFit]) -> list[str]:
    """Return the models, those of several responses with the same terms as one table under these terms."""
    alike: dict[str, list[str]] = {}
    for name, response in responses.items():
        right = response.formula.split("~", 1)[-1].strip()
        apart = response.lenth is not None or (response.mixed is not None and len(response.mixed.groups) > 1)
        alike.setdefault(name if apart else right, []).append(name)
    lines: list[str] = []
    for right, names in alike.items():
        if len(names) == 1:
            lines.append(responses[names[0]].summary())
        else:
            text = f"Terms of {len(names)} responses: {_terms(right)}"
            lines += [*textwrap.wrap(text, width=_WIDTH, subsequent_indent="  "), *_table(responses, names)]
    return [line.replace(_HELD, " ") for line in lines]


def _terms(right: str) -> str:
    return ", ".join(_unbroken(part.strip()) for part in right.split(" + ") if part.strip() != "1")


def _unbroken(term: str) -> str:
    return term_label(term).replace(" ", _HELD)


def _table(responses: Mapping[str, ResponseFit], names: list[str]) -> list[str]:
    labels = {name: label_of(name) for name in names}
    wide = max(len(label) for label in labels.values())
    mixed = responses[names[0]].mixed
    group = None if mixed is None else mixed.groups[0]
    last_head = "lack-of-fit p" if group is None else f"{group.replace('_', ' ')} sd"
    heads = ("prints", "R2", "pred. R2", "print sd", "df", last_head)
    lines = [f"  {'response':<{wide}} {{:>6}} {{:>6}} {{:>9}} {{:>9}} {{:>5}} {{:>13}}  clear effects".format(*heads)]
    smaller = False
    for name in names:
        own, use = responses[name], responses[name].predictor
        shown = own if own.df_resid > 0 else use
        clear = use.terms[(use.terms["p"] < 0.05) & (use.terms["term"] != "Intercept")]["term"].tolist()
        last = float("nan") if use.lack_of_fit is None else float(use.lack_of_fit["p"].iloc[0])
        if own.mixed is not None and group is not None:
            last = own.mixed.standard_deviations[group]
        cells = (
            f"{own.n:>6}",
            f"{max(shown.r2, 0.0):>6.3f}",
            f"{shown.r2_predicted:>9.3f}" if np.isfinite(shown.r2_predicted) else f"{'':>9}",
            f"{shown.residual_sd:>9.3g}",
            f"{shown.df_resid:>5.3g}",
            f"{last:>13.2g}" if np.isfinite(last) else f"{'':>13}",
        )
        star = "*" if use is not own else ""
        smaller |= use is not own
        head = f"  {labels[name]:<{wide}} " + " ".join(cells) + "  "
        effects = ", ".join(map(_unbroken, clear)) or "none"
        first, *others = textwrap.wrap(f"{effects}{star}", width=max(_WIDTH - len(head), 24), break_long_words=False)
        lines += [head + first, *(" " * len(head) + other for other in others)]
    if smaller:
        lines.append("  * of the smaller model that predicts; the report has its terms")
    return lines


def odd_prints(fit: Fit) -> list[str]:
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
        if model.groups is not None:
            whole = outlying_groups(model.groups, model.data, df_resid=model.df_resid)
            said += [
                f"{label_of(name)}: {row.group[:1].lower()}{row.group[1:]} lies off the model as a whole (studentised "
                f"{row.studentised:+.1f}): look at what was different there before trusting it"
                for row in whole[whole["p"] * len(judged) < 0.05].itertuples()
            ]
        turn = None if order is None else order.reindex(model.data["run_id"]).to_numpy(dtype=float)
        drift = drift_of(unexplained(model.data), turn)
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
    if fit.best.predicted["response"].astype(str).str.startswith("scale_").any():
        lines.append("  scales as the scanner shows them: without a reference in the scans they are open by 0.4 % more")
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
        lines += _directions(fit, str(row.kind))
    return lines


def _directions(fit: Fit, kind: str) -> list[str]:
    """Return a line for each direction of a kind whose directions are clearly apart, or one that says they are not."""
    if fit.directions.empty:
        return []
    own = fit.directions[fit.directions["kind"] == kind]
    if own.empty:
        return []
    if (own["clear"] == "none").all():
        angles = ", ".join(f"{angle:g}" for angle in own["angle_deg"])
        return [f"    {kind}s along {angles} degrees: no clear difference"]
    lines = []
    for row in own.itertuples():
        numbers = (row.growth_mm, row.limit_mm, row.draw_mm, row.comes_out_mm)
        head = f"    along {row.angle_deg:g} deg"
        cells = "{:>+12.3f} {:>8.3f} {:>8.3f} {:>10.3f}".format(*numbers)
        lines.append(f"{head:<19} {cells}  {row.verdict} ({row.clear} differ{'' if ' and ' in row.clear else 's'})")
    return lines
