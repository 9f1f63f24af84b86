"""The scale on which a response scatters alike everywhere."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import FitError
from sharpset.fits.regression import fit_response
from sharpset.fits.surface import ResponseFit

__all__ = ["least_scatter", "misfit_only", "on_its_scale", "unseen_bend"]

Floats = NDArray[np.float64]

HARDLY = 0.001
"""Lack of fit as sure as this means that equal prints differ far less than the model misses by."""


def on_its_scale(
    response: ResponseFit, runs: pd.DataFrame, *, formula: str | None = None, select: bool | None = None
) -> ResponseFit:
    """Return the model that predicts a response: on logarithms where Box and Cox's method asks for a power below 1.

    Parameters
    ----------
    response : ResponseFit
    runs : pandas.DataFrame
        That it was fitted to.
    formula : str, optional
    select : bool, optional
        As the response was fitted with.

    Returns
    -------
    ResponseFit
        The same one where another scale is of no use.

    Notes
    -----
    Roughness and time scatter in proportion to their size. One scatter for all settings is then too
    large where they are small, which is where settings are recommended and prints are confirmed. Other
    powers than the logarithm straighten the surface rather than even out the scatter, and promise too
    much at one end of it. Growth is a difference of sizes and has no zero to be in proportion to.
    """
    box = response.box_cox
    if box is None or not box.suggestion < 1.0 or response.mixed is not None or response.power != 1.0:
        return response
    if response.name.startswith("growth_"):
        return response
    try:
        other = fit_response(
            runs,
            response.name,
            space=response.space,
            formula=None if formula is None else formula.split("~", 1)[-1],
            power=0.0,
            select=select,
            detail=False,
        )
    except FitError:
        return response
    return other if other.predictor.df_resid > 0 else response


def least_scatter(response: ResponseFit, runs: pd.DataFrame, settings: pd.DataFrame | None = None) -> Any:
    """Return what a new print scatters by at least about its prediction, on the scale of the model.

    Parameters
    ----------
    response : ResponseFit
    runs : pandas.DataFrame
        With ``u_<response>``, where the readings' uncertainty is known.
    settings : pandas.DataFrame, m rows, optional
        Of the new prints, natural units.

    Returns
    -------
    float, or ndarray of float of shape (m,) with ``settings``
        The uncertainty of one reading, for a model of few prints can fit them closer than they were read,
        by chance. Where equal prints hardly differ (a print time), the root mean square of what each print
        is missed by when it is left out: all scatter is then the model's misfit, which is larger between
        the prints than at them. With ``settings`` also what the plan cannot see between its levels
        (:func:`unseen_bend`). 0 where nothing is known.
    """
    use = response.predictor
    least = 0.0
    if f"u_{response.name}" in runs:
        u = runs[f"u_{response.name}"] / (runs[response.name] if response.power == 0.0 else 1.0)
        least = float(u.median()) if u.notna().any() else 0.0
    bend = np.zeros(0 if settings is None else len(settings))
    if misfit_only(use):
        left_out = use.data["residual"] / np.maximum(1.0 - use.data["leverage"], 0.05)
        least = max(least, float(np.sqrt(np.mean(left_out**2))))
        bend = bend if settings is None else unseen_bend(use, settings)
    return least if settings is None else np.hypot(least, bend)


def misfit_only(response: ResponseFit) -> bool:
    """Tell whether equal prints differ far less than the model misses by, or not at all (no p value)."""
    use = response.predictor
    return use.lack_of_fit is not None and not use.lack_of_fit["p"].iloc[0] >= HARDLY


def unseen_bend(use: ResponseFit, settings: pd.DataFrame) -> Floats:
    """Return by how much the response may differ between the levels from the model's squares, shape (m,).

    Parameters
    ----------
    use : ResponseFit
        With squares in coded units; their coefficients are b.
    settings : pandas.DataFrame, m rows

    Returns
    -------
    ndarray of float, shape (m,)
        Root of the sum of ``(b (|x| - x^2))^2`` over the squares. At three levels (-1, 0, 1) the columns of
        ``x^2`` and ``|x|`` are the same, so that the prints cannot tell a bend from a kink, such as a least time
        per layer makes; leaving prints out cannot show it either. The two are aliased as effects of a
        fraction are, and their difference is taken as one standard deviation.
    """
    total = np.zeros(len(settings))
    if use.units != "coded":
        return total
    _, columns = use.model.columns(use.data.head(1), units="coded")
    for position, b in zip(use.kept, use.coef, strict=True):
        term = columns[position].term
        if len(term.powers) == 1 and term.order == 2 and not term.functions and term.powers[0][0] in settings:
            name = term.powers[0][0]
            x = np.abs(use.model.ranges[name].code(settings[name]))
            total += (b * (x - x**2)) ** 2
    return np.asarray(np.sqrt(total))
