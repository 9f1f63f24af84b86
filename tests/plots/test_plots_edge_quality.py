"""The figure of edge roughness and frequency response."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sharpset.errors import ReportError
from sharpset.plots import draw_edge_quality, save_figure
from sharpset.readings.edge_quality.frequency_response import FrequencyResponse
from sharpset.readings.edge_quality.quality import EdgeQuality
from sharpset.readings.edge_quality.roughness import EdgeTracks, measure_roughness
from sharpset.readings.quantity import Quantity


def _tracks(n_edges: int) -> EdgeTracks:
    rng = np.random.default_rng(1)
    place = np.arange(100)
    wave = np.cos(2 * np.pi * place / 10.0 + rng.uniform(0, 6, (n_edges, 1)))
    return EdgeTracks(
        feature_ids=[f"bar-{i}" for i in range(n_edges)],
        shift_mm=0.002 * rng.normal(size=(n_edges, 100)) + 0.003 * wave,
        noise_mm=np.full(n_edges, 0.002),
        step_mm=0.02,
        sigma_mm=0.02,
    )


def _response(with_curves: bool) -> FrequencyResponse:
    f = np.linspace(0, 1, 51)
    curve = pd.DataFrame(
        {"direction": "x", "frequency_per_mm": 50 * f, "frequency_per_px": f, "response": np.exp(-8 * f), "n_edges": 2}
    )
    value = Quantity(name="mtf50_x", unit="cycles/mm", value=4.33, U95=0.05, n=4)
    nothing = Quantity(name="mtf50_y", unit="cycles/mm", value=np.nan, U95=np.nan, n=0)
    return FrequencyResponse(
        mtf50_x=value, mtf50_y=nothing, mtf10_x=value, mtf10_y=nothing, curves=curve if with_curves else curve.iloc[:0]
    )


def test_figure_names_the_ripple_and_the_frequencies(tmp_path):
    quality = EdgeQuality(roughness=measure_roughness(_tracks(20)), response=_response(True))
    figure = draw_edge_quality(quality, title="stencil")
    texts = [text.get_text() for axes in figure.axes for text in axes.texts]
    assert "period 0.2 mm" in texts
    legend = [text.get_text() for text in figure.axes[1].get_legend().get_texts()]
    assert legend == ["along x: 50 % at 4.33 ± 0.05 cycles/mm"]
    assert save_figure(figure, tmp_path / "q.png").stat().st_size > 10_000


def test_figure_says_what_is_missing():
    one = EdgeQuality(roughness=measure_roughness(_tracks(1)), response=_response(True))
    assert "too few long edges" in [text.get_text() for text in draw_edge_quality(one).axes[0].texts]
    with pytest.raises(ReportError, match="neither roughness nor"):
        draw_edge_quality(EdgeQuality(roughness=measure_roughness(_tracks(1)), response=_response(False)))
