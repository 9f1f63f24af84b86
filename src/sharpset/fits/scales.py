"""The scale on which a response scatters alike everywhere."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sharpset.errors import FitError
from sharpset.fits.regression import fit_response
from sharpset.fits.surface import ResponseFit

__all__ = ["least_scatter", "on_its_scale"]

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


def least_scatter(response: ResponseFit, runs: pd.DataFrame) -> float:
    """Return what a new print scatters by at least about its prediction, on the scale of the model.

    Parameters
    ----------
    response : ResponseFit
    runs : pandas.DataFrame
        With ``u_<response>``, where the readings' uncertainty is known.

    Returns
    -------
    float
        The uncertainty of one reading, for a model of few prints can fit them closer than they were read,
        by chance. Where equal prints hardly differ (a print time), the root mean square of what each print
        is missed by when it is left out: all scatter is then the model's misfit, which is larger between
        the prints than at them. 0 where neither is known.
    """
    use = response.predictor
    least = 0.0
    if f"u_{response.name}" in runs:
        u = runs[f"u_{response.name}"] / (runs[response.name] if response.power == 0.0 else 1.0)
        least = float(u.median()) if u.notna().any() else 0.0
    # A p value that is not there comes from equal prints that do not differ at all.
    if use.lack_of_fit is not None and not use.lack_of_fit["p"].iloc[0] >= HARDLY:
        left_out = use.data["residual"] / np.maximum(1.0 - use.data["leverage"], 0.05)
        least = max(least, float(np.sqrt(np.mean(left_out**2))))
    return least
