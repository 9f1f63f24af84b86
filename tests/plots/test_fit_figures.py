"""Figures of fits say what the tables say; nothing is compared pixel by pixel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from sharpset.errors import ReportError
from sharpset.fits import fit_responses
from sharpset.plans import Factor, Factors, make_plan
from sharpset.plots import (
    draw_chance_map,
    draw_effects,
    draw_formed_chart,
    draw_formed_curves,
    draw_half_normal,
    draw_main_effects,
    draw_recommendation,
    draw_residuals,
    draw_response_surface,
    save_figure,
)
from sharpset.plots.style import term_label

AT = {"layer_height": 0.06, "speed": 30.0}


def texts(figure):
    """Return every text of a figure."""
    figure.draw_without_rendering()
    found = [text.get_text() for axes in figure.axes for text in axes.texts]
    found += [axes.get_title(loc) for axes in figure.axes for loc in ("left", "center")]
    found += [axes.get_xlabel() for axes in figure.axes] + [axes.get_ylabel() for axes in figure.axes]
    return [text for text in found if text]


def test_formed_chart_counts_what_formed(readings):
    figure = draw_formed_chart(readings, wanted_mm={"slot": 0.2}, by="run_id")
    slots = next(axes for axes in figure.axes if axes.get_title("left") == "slots")
    cells = {(round(t.get_position()[0]), round(t.get_position()[1])): t.get_text() for t in slots.texts}
    rows = [label.get_text() for label in figure.axes[0].get_yticklabels()]
    sizes = [float(label.get_text()) for label in slots.get_xticklabels()]
    for (column, row), text in cells.items():
        part = readings[
            (readings["kind"] == "slot") & (readings["run_id"] == rows[row]) & (readings["nominal_mm"] == sizes[column])
        ]
        assert text == f"{(part['formed'] == 'yes').sum()}/{len(part)}"
    assert len(cells) == len(rows) * len(sizes)


def test_formed_chart_orders_runs_as_a_reader_would(readings):
    some = readings[readings["run_id"].isin(["R01", "R02", "R03"])].replace({"run_id": {"R02": "R10", "R03": "R2"}})
    figure = draw_formed_chart(some)
    assert [label.get_text() for label in figure.axes[0].get_yticklabels()] == ["R01", "R2", "R10"]


def test_formed_chart_marks_the_wanted_size_to_its_left(readings):
    figure = draw_formed_chart(readings, wanted_mm={"bar": 0.16})
    bars = next(axes for axes in figure.axes if axes.get_title("left") == "bars")
    (line,) = bars.lines
    # 0.16 is the third size of the ladder, index 2; the line stands between it and its smaller neighbour.
    assert line.get_xdata()[0] == pytest.approx(1.5)


def test_formed_chart_leaves_marks_and_artefacts_out(readings):
    marks = readings[readings["kind"] == "hole"].head(3).assign(nominal_mm=2.0, group="marks")
    table = pd.concat([readings.assign(group="holes"), marks])
    holes = next(axes for axes in draw_formed_chart(table).axes if axes.get_title("left") == "holes")
    assert "2" not in [label.get_text() for label in holes.get_xticklabels()]


def test_formed_chart_of_nothing_is_refused(readings):
    with pytest.raises(ReportError, match="nothing to chart"):
        draw_formed_chart(readings[readings["kind"] == "square"])


def test_formed_curves_say_the_limits(fit):
    limits = {str(row.kind): row for row in fit.best.limits.itertuples()}
    figure = draw_formed_curves(fit.formed, limits, pd.DataFrame([fit.best.settings]), wanted_mm=fit.brief.smallest_mm)
    said = "\n".join(texts(figure))
    for limit in limits.values():
        assert f"a90 {limit.a90_mm:.3g}, a90/95 {limit.a90_95_mm:.3g} mm" in said
    curve = figure.axes[0].lines[0]
    chance = np.asarray(curve.get_ydata())
    assert (np.diff(chance) >= -1e-12).all()
    # The curve passes 90 % at a90; the line between two drawn points is straight to well under 1 %.
    kind = next(iter(fit.formed))
    assert np.interp(np.log(limits[kind].a90_mm), np.log(curve.get_xdata()), chance) == pytest.approx(0.9, abs=0.01)


def test_formed_curves_without_a_kind_are_refused():
    with pytest.raises(ReportError, match="no kind"):
        draw_formed_curves({}, {}, pd.DataFrame([AT]))


def test_main_effects_draw_the_model_and_every_run(fit):
    response = fit.responses["growth_slot_mm"]
    figure = draw_main_effects(response, fit.runs, at=AT, wanted=(0.0, 0.02))
    assert [axes.get_xlabel() for axes in figure.axes] == ["layer height / mm", "speed / mm/s"]
    assert figure.axes[0].get_ylabel() == "growth slot / mm"
    for axes, factor in zip(figure.axes, ("layer_height", "speed"), strict=True):
        points = axes.collections[0].get_offsets()
        assert len(points) == len(fit.runs)
        line = axes.lines[0]
        middle = line.get_xydata()[20]
        told = response.predict(pd.DataFrame([{**AT, factor: middle[0]}]))["predicted"].iloc[0]
        assert middle[1] == pytest.approx(told)


def test_main_effects_of_a_categorical_factor_are_points_with_intervals():
    factors = Factors(
        factors=(
            Factor(name="material", kind="categorical", levels=("grey", "white")),
            Factor(name="speed", low=10, high=30, unit="mm/s"),
        )
    )
    plan = make_plan(factors, design="full", replicates=3)
    runs = plan.runs
    draw = np.random.default_rng(1)
    table = pd.DataFrame(
        {
            "run_id": runs["run_id"],
            "gap_mm": 0.1 + 0.02 * (runs["material"] == "white") + draw.normal(0, 0.002, len(runs)),
        }
    )
    response = fit_responses(plan, table)["gap_mm"]
    figure = draw_main_effects(response, runs.merge(table, on="run_id"))
    assert [label.get_text() for label in figure.axes[0].get_xticklabels()] == ["grey", "white"]
    assert len(figure.axes[0].containers) == 1


def filtration():
    """Return a saturated 2^3 with one large effect, a plan that leaves no residual."""
    factors = Factors(factors=tuple(Factor(name=name, low=-1, high=1) for name in "ABC"))
    plan = make_plan(factors, design="full")
    draw = np.random.default_rng(8)
    rate = 60 + 8 * plan.runs["A"] + draw.normal(0, 0.5, plan.n_runs)
    return plan, pd.DataFrame({"run_id": plan.runs["run_id"], "rate": rate})


def test_half_normal_names_the_real_effect_only():
    plan, table = filtration()
    response = fit_responses(plan, table)["rate"]
    figure = draw_half_normal(response)
    named = [text for text in texts(figure) if text.startswith("A")]
    assert named
    assert named[0].startswith("A (+")
    assert not [text for text in figure.axes[0].texts if text.get_text().startswith(("B", "C"))]


def test_half_normal_needs_an_unreplicated_plan(fit):
    with pytest.raises(ReportError, match="judged by its own error"):
        draw_half_normal(fit.responses["growth_slot_mm"])


def test_effects_are_sorted_by_size(fit):
    figure = draw_effects(fit.responses["growth_slot_mm"])
    terms = [label.get_text() for label in figure.axes[0].get_yticklabels()]
    assert terms[-1] == "layer height"
    estimates = fit.responses["growth_slot_mm"].predictor.terms.set_index("term")["estimate"].abs()
    estimates = estimates.rename(term_label)
    assert list(estimates[terms]) == sorted(estimates[terms])


def test_surface_shows_the_fitted_response_and_the_tried_points(fit):
    figure = draw_response_surface(fit.responses["growth_slot_mm"], fit.runs, at=AT)
    axes = figure.axes[0]
    assert {axes.get_xlabel(), axes.get_ylabel()} == {"layer height / mm", "speed / mm/s"}
    tried = next(c for c in axes.collections if c.get_label().startswith("tried"))
    distinct = fit.runs[["layer_height", "speed"]].drop_duplicates()
    assert len(tried.get_offsets()) == len(distinct)


def test_surface_of_one_factor_is_refused():
    factors = Factors(factors=(Factor(name="speed", low=10, high=30),))
    plan = make_plan(factors, design="full", replicates=4)
    table = pd.DataFrame(
        {"run_id": plan.runs["run_id"], "gap_mm": np.random.default_rng(2).normal(0.1, 0.01, plan.n_runs)}
    )
    response = fit_responses(plan, table)["gap_mm"]
    with pytest.raises(ReportError, match="needs two factors"):
        draw_response_surface(response, plan.runs, at={"speed": 20.0})


def test_chance_map_hides_what_was_not_tried(fit):
    calls = []

    def chance(settings):
        calls.append(settings)
        return np.where(settings["speed"] > 30, np.nan, 0.5)

    figure = draw_chance_map(chance, fit.space, fit.runs, at=AT, pairs=[("speed", "layer_height")])
    (settings,) = calls
    # Decoding -1 and +1 rounds in the last digit.
    assert settings["speed"].between(15 - 1e-9, 45 + 1e-9).all()
    assert settings["layer_height"].between(0.04 - 1e-9, 0.08 + 1e-9).all()
    assert figure.axes[0].get_xlabel() == "speed / mm/s"


def test_residuals_are_those_of_the_fit(fit):
    response = fit.responses["growth_slot_mm"]
    figure = draw_residuals(response, fit.runs)
    by_fit, by_order, normal = figure.axes[:3]
    data = response.predictor.data
    np.testing.assert_allclose(np.sort(by_fit.collections[0].get_offsets()[:, 1]), np.sort(data["residual"]))
    np.testing.assert_allclose(np.sort(by_order.collections[0].get_offsets()[:, 0]), np.sort(fit.runs["print_order"]))
    ordered = np.asarray(normal.collections[0].get_offsets()[:, 1])
    assert (np.diff(ordered) >= 0).all()


def test_residuals_of_a_full_model_are_refused():
    plan, table = filtration()
    response = replace(fit_responses(plan, table)["rate"], predicts_with_reduced=False)
    assert response.df_resid == 0
    with pytest.raises(ReportError, match="as many terms as runs"):
        draw_residuals(response)


@pytest.mark.parametrize(("high", "inside"), [(0.02, True), (0.012, False)])
def test_recommendation_tells_an_interval_inside_from_one_outside(high, inside):
    from matplotlib.colors import to_hex

    row = {"response": "edge_roughness_mm", "predicted": 0.01, "low": 0.005, "high": 0.015}
    table = pd.DataFrame([{**row, "wanted_low": np.nan, "wanted_high": high}])
    line = draw_recommendation(table).axes[0].lines[0]
    assert (to_hex(line.get_color()) == "#2b7bba") is inside


def test_recommendation_of_nothing_is_refused():
    table = pd.DataFrame(columns=["response", "predicted", "low", "high", "wanted_low", "wanted_high"], dtype=float)
    with pytest.raises(ReportError, match="nothing to draw"):
        draw_recommendation(table)


def test_same_figure_gives_the_same_bytes(tmp_path, readings):
    paths = [save_figure(draw_formed_chart(readings), tmp_path / f"{name}.png") for name in ("a", "b")]
    first, second = (path.read_bytes() for path in paths)
    assert first == second
    assert first.startswith(b"\x89PNG")


def test_figure_that_cannot_be_written_is_one_clear_error(tmp_path, readings):
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(ReportError, match="cannot be written"):
        save_figure(draw_formed_chart(readings), tmp_path / "file" / "chart.png")


def test_drawing_leaves_the_callers_settings_alone(readings):
    import matplotlib

    before = dict(matplotlib.rcParams)
    draw_formed_chart(readings)
    assert dict(matplotlib.rcParams) == before


def test_labels_carry_units():
    from sharpset.plots.style import label_of

    for name, expected in (
        ("growth_solid_mm", "growth solid / mm"),
        ("skew_deg", "skew / °"),
        ("scale_x", "scale x"),
        ("print_time_h", "print time / h"),
        ("rate", "rate"),
    ):
        assert label_of(name) == expected
    assert label_of("speed", unit="mm/s") == "speed / mm/s"


@pytest.mark.parametrize(
    ("term", "label"),
    [
        ("layer_height", "layer height"),
        ("I(fan ** 2)", "fan²"),
        ("I(layer_height ** 3)", "layer height³"),
        ("layer_height:fan", "layer height × fan"),
        ("C(nozzle)[T.0.25]", "nozzle 0.25"),
        ("material[T.grey]:fan", "material grey × fan"),
        ("fan^2", "fan²"),
    ],
)
def test_terms_are_written_as_people_write_them(term, label):
    assert term_label(term) == label
