"""The plan: factors and runs in the order in which they are printed."""

from __future__ import annotations

import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import PlanError
from sharpset.plans.factors import RESERVED, Factors
from sharpset.plans.formulas import Term, expand_model
from sharpset.plans.models import model_matrix

__all__ = ["Plan", "run_ids"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Plan:
    """A designed experiment. One run is one print job.

    Attributes
    ----------
    factors : Factors
    design : str
        Name of the design, ``imported`` for an experiment that was planned elsewhere.
    model : str
        The model that the plan is made for, as :func:`sharpset.plans.expand_model` takes it.
    seed : int
        Seed of the random order.
    runs : DataFrame
        ``run_id, print_order, whole_plot, block``, one column per factor in natural units, then whatever
        else stood in an imported file; sorted by ``print_order``.
    about : dict
        What identifies the design: generators, resolution, axial distance, ...
    remarks : tuple of str
        What the maker should know before printing.
    """

    factors: Factors
    design: str
    model: str
    seed: int
    runs: pd.DataFrame
    about: Mapping[str, Any] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        missing = [c for c in (*RESERVED, *self.factors.names) if c not in self.runs.columns]
        if missing:
            raise PlanError(
                f"the runs lack the column {missing[0]!r}; needed are {', '.join((*RESERVED, *self.factors.names))}."
            )
        if self.runs.empty:
            raise PlanError("the plan has no runs.")
        twice = self.runs["run_id"][self.runs["run_id"].duplicated()]
        if len(twice):
            raise PlanError(f"the run {twice.iloc[0]!r} stands in the plan twice; every print needs its own run_id.")

    @property
    def n_runs(self) -> int:
        """Number of prints."""
        return len(self.runs)

    @property
    def terms(self) -> list[Term]:
        """Terms of the plan's model, the constant first."""
        return expand_model(self.factors, self.model)

    @property
    def coded(self) -> pd.DataFrame:
        """Settings in coded units, indexed by run_id; categorical columns keep their labels."""
        return self.factors.code(self.runs.set_index("run_id"))

    @property
    def extra_columns(self) -> tuple[str, ...]:
        """Columns that are neither of the plan nor factors: responses of an imported file."""
        known = {*RESERVED, *self.factors.names}
        return tuple(str(c) for c in self.runs.columns if c not in known)

    @property
    def is_split_plot(self) -> bool:
        """Whether several runs share a whole plot."""
        return bool(self.runs["whole_plot"].nunique() < len(self.runs))

    @property
    def n_blocks(self) -> int:
        """Number of blocks."""
        return int(self.runs["block"].nunique())

    @property
    def n_changes(self) -> dict[str, int]:
        """How often each hard-to-change factor is changed between two prints."""
        changes = {}
        for factor in self.factors.hard:
            values = self.runs[factor.name].to_numpy()
            changes[factor.name] = int(np.sum(values[1:] != values[:-1]))
        return changes

    def matrix(self, model: str | Sequence[str | Term] | None = None) -> pd.DataFrame:
        """Return the model matrix in coded units, indexed by run_id.

        Parameters
        ----------
        model : str or sequence of str or Term, optional
            The plan's own model by default.
        """
        return model_matrix(self.factors, self.runs.set_index("run_id"), model if model is not None else self.model)

    def summary(self) -> str:
        """Return the plan in one line."""
        prints, factors = (
            f"{n} {word}{'s' * (n != 1)}" for n, word in ((self.n_runs, "print"), (len(self.factors), "factor"))
        )
        text = f"{self.design}: {prints} of {factors} ({', '.join(self.factors.names)})"
        if self.n_blocks > 1:
            text += f" in {self.n_blocks} blocks"
        if self.factors.hard:
            changes = ", ".join(f"{n} of {name}" for name, n in self.n_changes.items())
            n_plots = self.runs["whole_plot"].nunique()
            text += f", {n_plots} whole plot{'s' * (n_plots != 1)}, changes: {changes}"
        return f"{text}; model {self.model}"

    def to_frame(self) -> pd.DataFrame:
        """Return a copy of the runs."""
        return self.runs.copy()

    def _repr_html_(self) -> str:
        remarks = "".join(f"<li>{html.escape(r)}</li>" for r in self.remarks)
        table = self.runs.to_html(index=False)
        return f"<p>{html.escape(self.summary())}</p>{f'<ul>{remarks}</ul>' if remarks else ''}{table}"


def run_ids(n: int, *, first: int = 1) -> list[str]:
    """Return the run ids R01, R02, ...; three digits from a hundred runs on."""
    digits = max(2, len(str(first + n - 1)))
    return [f"R{i:0{digits}d}" for i in range(first, first + n)]


def ordered_runs(
    factors: Factors,
    settings: pd.DataFrame,
    *,
    blocks: NDArray[np.int64],
    seed: int,
    plots: NDArray[np.int64] | None = None,
) -> pd.DataFrame:
    """Put runs into a random print order that keeps blocks and whole plots together.

    Parameters
    ----------
    factors : Factors
    settings : DataFrame
        Natural settings, one column per factor.
    blocks : ndarray of int, shape (n_runs,)
        1, 2, ...
    seed : int
    plots : ndarray of int, shape (n_runs,), optional
        Whole plot of each run. Without it every run is its own whole plot.

    Returns
    -------
    DataFrame
        The runs table of a plan.
    """
    rng = np.random.default_rng(seed)
    order: list[int] = []
    numbers: list[int] = []
    own = np.arange(len(settings)) if plots is None else plots
    for block in np.unique(blocks):
        inside = np.unique(own[blocks == block])
        for plot in rng.permutation(inside):
            members = np.flatnonzero((own == plot) & (blocks == block))
            numbers += [numbers[-1] + 1 if numbers else 1] * len(members)
            order += rng.permutation(members).tolist()
    frame = pd.DataFrame(
        {
            "run_id": run_ids(len(settings)),
            "print_order": np.arange(1, len(settings) + 1),
            "whole_plot": numbers,
            "block": np.asarray(blocks)[order],
        }
    )
    return pd.concat([frame, settings[list(factors.names)].iloc[order].reset_index(drop=True)], axis=1)
