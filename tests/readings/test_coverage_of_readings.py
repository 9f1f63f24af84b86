"""Stated 95 % intervals over drawn faults: a small version of benchmarks/coverage.py."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from faulty_scenes import draw_print, draw_scan, draw_scanner, write_scan

from sharpset.pieces import make_stencil
from sharpset.readings import read_scan

N_SCANS = 8


def test_intervals_hold_the_truth_as_often_as_they_say(tmp_path):
    piece = make_stencil(process="resin")
    found = []
    for k in range(N_SCANS):
        rng = np.random.default_rng([20, k])
        printed = draw_print(piece, rng)
        scan = draw_scan(rng)
        # Coarse scans are quick to render; every other fault is drawn.
        scanner = replace(draw_scanner(rng, dpi=600.0), blur_px=rng.uniform(0.6, 1.2))
        reading = read_scan(write_scan(printed, scanner, scan, tmp_path / f"s{k}"), piece=piece)
        table = reading.to_frame().merge(printed.truth[["feature_id", "true_mm"]], on="feature_id")
        found.append(table[(table["formed"] == "yes") & (table["true_mm"] >= 0.1)].assign(scan=k))
    table = pd.concat(found)
    error = table["measured_mm"] - table["true_mm"]
    inside = error.abs() <= table["U95_mm"]
    assert len(table) > 700
    # Features of one scan share errors: by scans, coverage scatters by about 4 % for eight of them; 95 % - 3 x 4 %.
    assert inside.mean() > 0.83
    # Honest, not timid: half-widths of a normal error are 1.96 times its root mean square.
    assert 1.2 < table["U95_mm"].mean() / np.sqrt((error**2).mean()) < 3.5
    assert inside.groupby(table["kind"]).mean().min() > 0.75
