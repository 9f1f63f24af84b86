"""Figures of masters and moulds show every kind and detail once."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sharpset.comparison import budget_details, check_cure
from sharpset.plots import draw_budget, draw_cure


def _masters(shift: float) -> pd.DataFrame:
    rng = np.random.default_rng(1)
    rows = [
        (f"M{n}", "plate", f"{kind}{size}", kind, size, "yes", size + shift + rng.normal(0, 0.002))
        for n in range(4)
        for kind in ("bar", "slot")
        for size in (0.25, 0.4, 0.63)
    ]
    names = ["run_id", "piece_id", "feature_id", "kind", "nominal_mm", "formed", "measured_mm"]
    return pd.DataFrame(rows, columns=names).assign(scan_id=f"s{shift}")


def test_a_changed_kind_stands_where_it_went():
    figure = draw_cure(check_cure(_masters(0.0), _masters(-0.03), tolerance_mm=0.02))
    (axes,) = figure.axes
    assert [label.get_text() for label in axes.get_yticklabels()] == ["bars", "slots"]
    points = [line.get_xdata()[0] for line in axes.lines if line.get_marker() == "o"]
    # 12 differences with a scatter of 0.003: 0.005 is five standard errors.
    assert np.allclose(points, -0.03, atol=0.005)


def test_details_that_do_not_form_are_hollow_and_joined_to_what_is_printed():
    details = pd.DataFrame([("stay", "bar", 4.0), ("deck", "bar", 24.0)], columns=["name", "kind", "full_size_mm"])
    budget = budget_details(details, limits_mm={"bar": 0.3}, scale=24)
    (axes,) = draw_budget(budget).axes
    assert [label.get_text() for label in axes.get_yticklabels()] == ["stay (bar)", "deck (bar)"]
    hollow = axes.collections[2].get_offsets()
    assert hollow.tolist() == [[4.0 / 24, 0.0]]
