"""Directions of strips compared within prints: found where they differ by construction, not where they are alike."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from sharpset.brief import Brief
from sharpset.comparison import budget_for_fit
from sharpset.fits import fit_plan, load_fit
from sharpset.reports import fit_text

BRIEF = Brief.model_validate(
    {"name": "davit", "process": "filament", "smallest_mm": {"slot": 0.2}, "tolerance_mm": {"width": 0.05}}
)
SIZES = (0.08, 0.1, 0.125, 0.16, 0.2, 0.25, 0.315, 0.4, 0.5)


def prints(*, ratio: float, apart_mm: float, seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Ten prints whose slots at 45 degrees have a limit ``ratio`` times and growth ``apart_mm`` above the others'."""
    rng = np.random.default_rng(seed)
    runs = pd.DataFrame({"run_id": [f"R{k:02d}" for k in range(10)], "layer_height": np.linspace(0.04, 0.12, 10)})
    rows = []
    for run in runs.itertuples():
        limit = np.log(0.15) + 3.0 * (run.layer_height - 0.08) + rng.normal(0, 0.04)
        growth = 0.02 + rng.normal(0, 0.002)
        for angle in (0, 45, 90):
            off = angle == 45
            for size in SIZES:
                for k in (1, 2):
                    chance = 1 / (1 + np.exp(-(np.log(size) - limit - off * np.log(ratio)) / 0.05))
                    formed = rng.uniform() < chance
                    deviation = -2 * (growth + off * apart_mm) + rng.normal(0, 0.002)
                    rows.append(
                        {
                            "run_id": run.run_id,
                            "feature_id": f"slots-{angle}-{size}-{k}",
                            "kind": "slot",
                            "nominal_mm": size,
                            "angle_deg": angle,
                            "formed": "yes" if formed else "no",
                            "measured_mm": size + deviation if formed else np.nan,
                            "U95_mm": 0.004 if formed else np.nan,
                            "deviation_mm": deviation if formed else np.nan,
                        }
                    )
    return runs, pd.DataFrame(rows)


def test_directions_that_differ_get_their_own_limit_and_growth_and_are_kept(tmp_path: Path) -> None:
    runs, readings = prints(ratio=1.3, apart_mm=0.012, seed=3)
    fit = fit_plan(runs, readings=readings, brief=BRIEF)
    table = fit.directions.set_index("angle_deg")
    assert (table["clear"] == "limit and growth").all()
    # Apart from the mean of three directions: 2/3 of what one differs by, -1/3 for the others.
    assert table.loc[45, "low_ratio"] < 1.3 ** (2 / 3) < table.loc[45, "high_ratio"]
    assert abs(table.loc[45, "growth_apart_mm"] - 0.008) < table.loc[45, "U95_growth_apart_mm"]
    assert table.loc[45, "limit_mm"] > 1.15 * table.loc[0, "limit_mm"]
    # A slot that closes by 0.012 mm more per side has to be drawn 0.024 mm wider.
    assert abs(table.loc[45, "drawn_mm"] - table.loc[0, "drawn_mm"] - 0.024) < 0.005
    assert "along 45 deg" in fit_text(fit)
    # Details that run at 45 degrees, or any way, take the limit of 45 degrees; 225 degrees is the same direction.
    parts = pd.DataFrame({"name": list("abc"), "kind": "slot", "full_size_mm": [0.2] * 3, "angle_deg": [0, 225, None]})
    found = budget_for_fit(parts, fit, scale=1).details
    assert found["limit_mm"].tolist() == [table.loc[angle, "limit_mm"] for angle in (0, 45, 45)]
    assert abs(found["draw_mm"].iloc[1] - table.loc[45, "draw_mm"]) < 1e-9
    again = load_fit(fit.save(tmp_path / "fit"))
    pd.testing.assert_frame_equal(again.directions, fit.directions, check_dtype=False)


def test_directions_that_are_alike_share_the_limit_of_their_kind() -> None:
    runs, readings = prints(ratio=1.0, apart_mm=0.0, seed=4)
    fit = fit_plan(runs, readings=readings, brief=BRIEF)
    assert (fit.directions["clear"] == "none").all()
    assert np.allclose(fit.directions["draw_mm"], fit.best.thicken["draw_mm"].iloc[0])
    assert "slots along 0, 45, 90 degrees: no clear difference" in fit_text(fit)
    # Two prints cannot tell.
    few = fit_plan(runs.head(2), readings=readings, brief=BRIEF)
    assert few.directions.empty or (few.directions["clear"] == "none").all()
