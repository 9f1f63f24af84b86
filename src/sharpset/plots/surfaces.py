"""Response surfaces and maps of the chance that a brief is met, over pairs of factors."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patheffects import withStroke
from numpy.typing import NDArray

from sharpset.errors import ReportError
from sharpset.plots.style import INK, label_of, new_figure, styled

if TYPE_CHECKING:
    from sharpset.fits.space import Space
    from sharpset.fits.surface import ResponseFit

__all__ = ["draw_chance_map", "draw_response_surface", "factor_pairs"]

_N_GRID = 41
_N_CHANCE = 41


def factor_pairs(space: Space, strength: Mapping[str, float], *, n_pairs: int = 3) -> list[tuple[str, str]]:
    """Return pairs of numeric factors, the ones that matter most first.

    Parameters
    ----------
    space : Space
    strength : mapping of factor to float
        How much each factor changes what is drawn.
    n_pairs : int
        How many at most.
    """
    numeric = [factor.name for factor in space.factors if factor.kind != "categorical"]
    ranked = sorted(numeric, key=lambda name: (-strength.get(name, 0.0), numeric.index(name)))
    pairs = sorted(combinations(ranked, 2), key=lambda pair: ranked.index(pair[0]) + ranked.index(pair[1]))
    return pairs[:n_pairs]


def draw_response_surface(
    fit: ResponseFit,
    runs: pd.DataFrame,
    *,
    at: Mapping[str, Any],
    pairs: Sequence[tuple[str, str]] | None = None,
    wanted: tuple[float, float] | None = None,
    marked: str = "recommended",
) -> Figure:
    """Draw contours of a fitted response over pairs of factors, with the settings that were tried.

    Parameters
    ----------
    fit : ResponseFit
    runs : pandas.DataFrame
        Tried settings in natural units.
    at : mapping of factor to setting
        Where the other factors are held and what is marked by a star: the recommended settings.
    pairs : sequence of (x factor, y factor), optional
        By default the factors with the largest effects.
    wanted : (low, high), optional
        What the brief accepts; its border is drawn thick.
    marked : str
        What the settings `at` are, for the legend.

    Raises
    ------
    ReportError
        If the plan has fewer than two numeric factors, or the model that predicts holds none of its factors.
    """
    if all(term == "Intercept" for term in fit.predictor.terms["term"]):
        raise ReportError(f"{fit.name}: the model that predicts is the mean of the prints, the same everywhere.")
    shown = list(pairs) if pairs is not None else factor_pairs(fit.space, _strength(fit, at))

    def surface(settings: pd.DataFrame) -> NDArray[np.float64]:
        model = fit.predictor
        values = model.matrix(settings) @ model.coef
        return np.asarray(model._back(values) if model.power != 1.0 else values)

    return _draw_grid(
        surface,
        fit.space,
        runs,
        at,
        shown,
        cmap="cividis",
        wanted=wanted,
        label=label_of(fit.name),
        limits=None,
        title=f"{label_of(fit.name)}: fitted to {fit.n} prints; other factors as at the star",
        marked=marked,
    )


def _strength(fit: ResponseFit, at: Mapping[str, Any]) -> dict[str, float]:
    """Return the span of the fitted response along each numeric factor from `at`."""
    model = fit.predictor
    spans = {}
    for factor in fit.space.factors:
        if factor.kind != "categorical":
            line = pd.DataFrame([{**at, factor.name: value} for value in factor.decode(np.linspace(-1, 1, 9))])
            spans[factor.name] = float(np.ptp(model.matrix(line) @ model.coef))
    return spans


def draw_chance_map(
    chance: Callable[[pd.DataFrame], NDArray[np.float64]],
    space: Space,
    runs: pd.DataFrame,
    *,
    at: Mapping[str, Any],
    pairs: Sequence[tuple[str, str]] | None = None,
) -> Figure:
    """Draw the chance that the whole brief is met over pairs of factors.

    Parameters
    ----------
    chance : callable
        Takes a table of settings (natural units) and returns the chance of each, shape (m,).
    space : Space
    runs : pandas.DataFrame
        Tried settings.
    at : mapping of factor to setting
        The recommended settings; other factors are held there.
    pairs : sequence of (x factor, y factor), optional
    """
    if pairs is None:
        spans = {}
        for factor in space.factors:
            if factor.kind != "categorical":
                line = pd.DataFrame([{**at, factor.name: value} for value in factor.decode(np.linspace(-1, 1, 9))])
                spans[factor.name] = float(np.ptp(chance(line)))
        pairs = factor_pairs(space, spans)
    return _draw_grid(
        chance,
        space,
        runs,
        at,
        list(pairs),
        cmap="YlGnBu",
        wanted=None,
        label="chance",
        limits=(0.0, 1.0),
        title="Chance that every requirement of the brief is met; other factors as recommended",
        n_grid=_N_CHANCE,
    )


def _draw_grid(
    surface: Callable[[pd.DataFrame], NDArray[np.float64]],
    space: Space,
    runs: pd.DataFrame,
    at: Mapping[str, Any],
    pairs: list[tuple[str, str]],
    *,
    cmap: str,
    wanted: tuple[float, float] | None,
    label: str,
    limits: tuple[float, float] | None,
    title: str,
    marked: str = "recommended",
    n_grid: int = _N_GRID,
) -> Figure:
    if not pairs:
        raise ReportError("a surface needs two factors with numbers; this plan has fewer. Draw the effects instead.")
    grids = [_grid(surface, space, at, pair, n_grid) for pair in pairs]
    low, high = limits or (min(np.nanmin(g[2]) for g in grids), max(np.nanmax(g[2]) for g in grids))
    levels = np.linspace(low, high if high > low else low + 1e-9, 11)
    with styled():
        figure = new_figure(3.5 * len(pairs) + 0.9, 3.6)
        panels = figure.subplots(1, len(pairs), squeeze=False)[0]
        filled: Any = None
        for axes, pair, (x, y, z) in zip(panels, pairs, grids, strict=True):
            filled = axes.contourf(x, y, z, levels=levels, cmap=cmap, extend="neither" if limits else "both")
            lines = axes.contour(x, y, z, levels=levels[1:-1:2], colors="white", linewidths=0.6)
            for text in axes.clabel(lines, fontsize=6.5, fmt="%.3g"):
                # White lines show on every shade; figures need dark ink where the shade is light, and a halo.
                text.set_color(INK)
                text.set_path_effects([withStroke(linewidth=2.0, foreground="white", alpha=0.75)])
            if wanted is not None:
                edges = sorted(edge for edge in wanted if np.nanmin(z) < edge < np.nanmax(z))
                if edges:
                    axes.contour(x, y, z, levels=edges, colors=INK, linewidths=1.8)
            _points(axes, space, runs, at, pair, marked)
        figure.colorbar(filled, ax=list(panels), label=label, shrink=0.9, format="%.3g")
        figure.suptitle(title, x=0.01, ha="left", wrap=True)
        handles, names = panels[0].get_legend_handles_labels()
        figure.legend(handles, names, loc="outside lower left", ncols=3, fontsize=7.5)
    return figure


def _grid(
    surface: Callable[[pd.DataFrame], NDArray[np.float64]],
    space: Space,
    at: Mapping[str, Any],
    pair: tuple[str, str],
    n_grid: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return x, y and the surface over a pair, NaN where a rule forbids the settings."""
    coded = np.linspace(-1, 1, n_grid)
    x, y = np.meshgrid(space[pair[0]].decode(coded), space[pair[1]].decode(coded))
    settings = pd.DataFrame({name: [value] * x.size for name, value in at.items()})
    settings[pair[0]], settings[pair[1]] = x.ravel(), y.ravel()
    values = np.asarray(surface(settings), dtype=float)
    values = np.where(space.allows(settings), values, np.nan)
    if not np.isfinite(values).any():
        raise ReportError(
            f"no settings of {pair[0]} and {pair[1]} are allowed beside the ones held. Draw another pair."
        )
    return x, y, values.reshape(x.shape)


def _points(
    axes: Axes, space: Space, runs: pd.DataFrame, at: Mapping[str, Any], pair: tuple[str, str], marked: str
) -> None:
    counts = runs.groupby(list(pair)).size().reset_index(name="n")
    axes.scatter(
        counts[pair[0]],
        counts[pair[1]],
        s=14 + 10 * counts["n"],
        facecolors="none",
        edgecolors=INK,
        linewidths=1.0,
        label="tried (larger: more prints)",
        path_effects=[withStroke(linewidth=2.6, foreground="white")],
        clip_on=False,
        zorder=4,
    )
    axes.plot(
        at[pair[0]],
        at[pair[1]],
        marker="*",
        markersize=14,
        color="#e4572e",
        markeredgecolor="white",
        linestyle="none",
        label=marked,
        clip_on=False,
        zorder=5,
    )
    axes.set_facecolor("#d5d9dc")
    axes.set_xlabel(label_of(pair[0], unit=space[pair[0]].unit))
    axes.set_ylabel(label_of(pair[1], unit=space[pair[1]].unit))
    for setter, name in ((axes.set_xscale, pair[0]), (axes.set_yscale, pair[1])):
        if space[name].scale == "log":
            setter("log")
