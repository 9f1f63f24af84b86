"""The figure of one feature: what stands in it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sharpset.plots import save_figure, show_feature
from sharpset.readings.looking import FeatureView
from sharpset.readings.uncertainty.feature_budget import FeatureBudget


def _view(*, formed: str = "yes") -> FeatureView:
    d = np.linspace(-0.5, 0.5, 60)
    model = 1.0 - (np.abs(d) < 0.1)
    lines = pd.DataFrame(
        {
            "line": ["shadow y", "noise", "contrast", "contrast", "pose"],
            "u_mm": [0.004, 0.003, 0.002, 0.001, 1e-7],
            "shared": ["scanner", "no", "no", "scan", "no"],
            "sign": [1, 1, 1, -1, 1],
        }
    )
    budget = FeatureBudget(
        scan_id="s",
        run_id="R07",
        feature_id="slots-0-0.2-1",
        measured_mm=0.2012,
        u_private_mm=float(np.hypot(0.003, 0.002)),
        u_common_mm=float(np.hypot(0.004, 0.001)),
        U95_mm=0.0107,
        lines=lines,
    )
    outline = np.array([[10.0, 10.0], [20.0, 10.0], [20.0, 30.0], [10.0, 30.0]])
    measured = formed != "no"
    return FeatureView(
        scan_id="s",
        run_id="R07",
        feature_id="slots-0-0.2-1",
        kind="slot",
        formed=formed,
        flags="dirty;contrast borrowed",
        nominal_mm=0.2,
        measured_mm=0.2012 if measured else float("nan"),
        picture=np.random.default_rng(1).uniform(0, 1, (40, 30)),
        left_px=5,
        top_px=3,
        nominal_px=outline,
        fitted_px=outline + 0.3 if measured else np.empty((0, 2)),
        profile=pd.DataFrame(
            {"distance_mm": d, "solid": model + 0.01, "n_pixels": 30.0, "model": model, "residual": 0.01}
        ),
        budget=budget if measured else None,
    )


def test_figure_shows_size_profile_and_the_lines_that_matter(tmp_path):
    figure = show_feature(_view())
    axes = {one.get_title(loc="left"): one for one in figure.axes}
    bars = axes["standard uncertainty / µm"]
    names = [label.get_text() for label in bars.get_yticklabels()]
    # The direction of the feature adds less than a fiftieth and is left out; all lines together come last.
    assert names == ["contrast", "noise", "shadow y", "all lines"]
    widths = [patch.get_width() for patch in bars.patches]
    np.testing.assert_allclose(widths[:4], [2.0, 3.0, 0.0, 1000 * np.hypot(0.003, 0.002)])
    np.testing.assert_allclose(widths[4:], [1.0, 0.0, 4.0, 1000 * np.hypot(0.004, 0.001)])
    assert "0.2012 mm ± 0.0107" in figure.get_suptitle()
    assert axes["pixels, share solid"].get_xlabel() == "dirty, contrast borrowed"
    # A picture of 40 rows from row 3 on, rows downwards.
    assert axes["pixels, share solid"].get_ylim() == (42.5, 2.5)
    assert save_figure(figure, tmp_path / "f.png").stat().st_size > 10_000


def test_figure_of_a_feature_that_did_not_form_says_so():
    figure = show_feature(_view(formed="no"))
    assert "not formed, no size" in figure.get_suptitle()
    texts = [text.get_text() for one in figure.axes for text in one.texts]
    assert texts == ["nothing was measured"]


def test_view_is_summed_up_in_one_line():
    assert _view().summary() == "slots-0-0.2-1 (slot 0.2 mm): formed yes, 0.2012 mm +- 0.0107"
    assert _view(formed="no").summary() == "slots-0-0.2-1 (slot 0.2 mm): formed no, no size"
