"""Truth tables of prints, checked on the silhouette by shapely's overlay."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from shapely import affinity
from shapely.geometry import Polygon, box

from sharpset.rehearsal import virtual_printer
from sharpset.rehearsal.edges import Roughness, make_strip


@pytest.fixture(params=["filament", "resin"])
def printed(request):
    return request.getfixturevalue(f"{request.param}_print")


def window_on(feature, printed, *, share):
    """Return a box around the middle part of a feature, carried along by the piece's shrinkage."""
    reach = feature.nominal_mm / 2 + 0.3
    half = share * feature.length_mm / 2
    shape = affinity.rotate(box(-half, -reach, half, reach), feature.angle_deg, origin=(0, 0))
    # The strip was drawn where the printer put it; its own scatter along its length is left in.
    shape = affinity.translate(shape, feature.x_mm, feature.y_mm)
    m = printed.matrix()
    return affinity.affine_transform(shape, [*m[:, :2].ravel(), *m[:, 2]])


def test_silhouette_is_one_valid_body_close_to_the_drawing(printed):
    silhouette = printed.silhouette()
    assert silhouette.is_valid
    assert silhouette.area == pytest.approx(printed.sides().signed_area(), abs=1e-6)
    assert silhouette.area == pytest.approx(printed.piece.silhouette().area, rel=0.03)


def test_true_widths_equal_areas_cut_from_the_silhouette(printed):
    silhouette = printed.silhouette()
    truth = printed.truth.set_index("feature_id")
    checked = 0
    for feature in printed.piece.features.itertuples():
        row = truth.loc[feature.feature_id]
        if feature.kind not in ("slot", "bar") or row.present_share < 1 or feature.group.startswith("scale"):
            continue
        window = window_on(feature, printed, share=0.8)
        length = 0.8 * feature.length_mm * along_scale(printed, feature.angle_deg)
        inside = silhouette.intersection(window)
        if feature.kind == "slot":
            got = (window.area - inside.area) / length
        else:
            # Neighbouring walls may reach into the window; the bar is the part around its middle line.
            middle = affinity.rotate(
                box(-feature.length_mm, -0.02, feature.length_mm, 0.02), feature.angle_deg, origin=(0, 0)
            )
            middle = affinity.translate(middle, row.x_mm, row.y_mm)
            parts = [part for part in getattr(inside, "geoms", [inside]) if part.intersects(middle)]
            got = sum(part.area for part in parts) / length
        # The window sits by the drawing, the strip by the printer: up to 0.02 mm along it may differ,
        # which exchanges two stretches of rough edge.
        assert got == pytest.approx(row.true_width_mm, abs=1.5e-3), feature.feature_id
        checked += 1
    assert checked > 40


def along_scale(printed, angle_deg):
    angle = math.radians(angle_deg)
    return float(np.linalg.norm(printed.matrix()[:, :2] @ (math.cos(angle), math.sin(angle))))


def test_true_hole_diameters_and_places_equal_those_of_the_voids(printed):
    truth = printed.truth[(printed.truth["kind"] == "hole") & (printed.truth["formed"] == "yes")]
    for row in truth.itertuples():
        void = min(printed.voids, key=lambda v: math.hypot(v.centroid.x - row.x_mm, v.centroid.y - row.y_mm))
        points = np.array(void.exterior.coords)[:-1]
        radius = np.hypot(points[:, 0] - row.x_mm, points[:, 1] - row.y_mm)
        # Points lie at equal angles before a shrinkage of a few tenths of a per cent.
        assert 2 * radius.mean() == pytest.approx(row.true_width_mm, abs=2e-5)
    assert len(truth) > 20


def test_the_square_is_as_wide_as_told(printed):
    row = printed.truth[printed.truth["kind"] == "square"].iloc[0]
    void = min(printed.voids, key=lambda v: math.hypot(v.centroid.x - row.x_mm, v.centroid.y - row.y_mm))
    middle = void.intersection(box(row.x_mm - 2, row.y_mm - 9, row.x_mm + 2, row.y_mm + 9)).area / 4
    across = void.intersection(box(row.x_mm - 9, row.y_mm - 2, row.x_mm + 9, row.y_mm + 2)).area / 4
    assert (middle + across) / 2 == pytest.approx(row.true_width_mm, abs=1e-3)


def test_what_did_not_form_is_not_in_the_silhouette(printed):
    silhouette = printed.silhouette()
    lost = printed.truth[(printed.truth["formed"] == "no")]
    features = printed.piece.features.set_index("feature_id")
    assert len(lost) > 10
    for row in lost.itertuples():
        feature = features.loc[row.feature_id]
        spot = Polygon([(-0.05, -0.02), (0.05, -0.02), (0.05, 0.02), (-0.05, 0.02)])
        spot = affinity.translate(spot, feature.x_mm, feature.y_mm)
        solid = silhouette.intersection(spot).area / spot.area
        assert solid == pytest.approx(0.0 if row.kind == "bar" else 1.0, abs=1e-9), row.feature_id
        assert math.isnan(row.true_width_mm)


def test_partly_formed_strips_are_there_for_the_told_share(printed):
    silhouette = printed.silhouette()
    features = printed.piece.features.set_index("feature_id")
    for row in printed.truth[(printed.truth["formed"] == "partly") & (printed.truth["kind"] != "hole")].itertuples():
        feature = features.loc[row.feature_id]
        along = np.linspace(-0.4, 0.4, 801) * feature.length_mm
        angle = math.radians(feature.angle_deg)
        m = printed.matrix()
        line = np.column_stack((feature.x_mm + along * math.cos(angle), feature.y_mm + along * math.sin(angle)))
        points = line @ m[:, :2].T + m[:, 2]
        solid = shapely.contains_xy(silhouette, points[:, 0], points[:, 1])
        share = np.mean(solid) if row.kind == "bar" else 1 - np.mean(solid)
        # The strip lies up to 0.02 mm away along itself: three breaks shift by a per cent of 2.4 mm at most.
        assert share == pytest.approx(row.present_share, abs=0.03), row.feature_id


def test_lengths_shrink_by_the_told_scale(printed):
    truth = printed.truth.set_index("feature_id")
    for line in printed.piece.scale_lines:
        ends = truth.loc[[line.from_feature, line.to_feature], f"{line.axis}_mm"].to_numpy()
        # Each end scatters by some 6 um.
        assert (ends[1] - ends[0]) / line.nominal_mm == pytest.approx(printed.whole[f"scale_{line.axis}"], abs=0.0012)


def test_outline_grows_as_told(printed):
    piece, b = printed.piece, printed.behaviour
    nominal = Polygon(piece.outline.exterior)
    grown = (printed.shell.area / (b.scale_x * b.scale_y) - nominal.area) / nominal.length
    # The mean growth over 150 mm of border, corners rounded by 0.2 mm cost 4 * 0.0086 mm2.
    assert grown == pytest.approx(b.growth_outline_mm, abs=1.5e-3)


def test_larger_features_form_more_often(filament_piece):
    piece = filament_piece
    printer = virtual_printer("filament")
    mean = printer.behaviour({}, piece)
    hits, chances = [], []
    for seed in range(12):
        truth = printer.print_piece(piece, {}, seed=seed, shapes=False).truth
        slots = truth[(truth["kind"] == "slot") & (truth["nominal_mm"] < 0.7)]
        hits += [(slots["formed"] == "yes").mean()]
        chances += [
            np.mean(
                [
                    mean.chance_formed("slot", n, angle_deg=a)
                    for n, a in zip(slots["nominal_mm"], slots["angle_deg"], strict=True)
                ]
            )
        ]
    # About 650 draws, most of them certain; flaws take about one per cent away.
    assert np.mean(hits) == pytest.approx(np.mean(chances) - 0.5 * mean.flaw_chance, abs=0.04)


def test_large_features_are_never_broken(filament_piece):
    printer = virtual_printer("filament", 40)
    for seed in range(10):
        truth = printer.print_piece(filament_piece, {"layer_height": 0.1, "speed": 60}, seed=seed, shapes=False).truth
        assert (truth[truth["nominal_mm"] >= 5]["formed"] == "yes").all()


def test_roughness_has_the_stated_spread_and_correlation():
    rough = Roughness(sd_mm=0.02, correlation_mm=0.08)
    noise = np.concatenate([rough.draw(20_000, np.random.default_rng(k), step_mm=0.01) for k in range(4)])
    # 800 mm over a correlation length of 0.08 mm: some 4,000 independent values, 1.1 % standard error of the sd.
    assert noise.std() == pytest.approx(0.02, rel=0.05)
    lag = 8
    # By the stated mixture of two Gaussian autocorrelations at a lag of one correlation length.
    want = 0.9 * math.exp(-0.5) + 0.1 * math.exp(-4.5)
    assert np.mean(noise[:-lag] * noise[lag:]) / noise.var() == pytest.approx(want, abs=0.05)


def test_ripple_has_its_pitch():
    edge = Roughness(sd_mm=0.0, correlation_mm=0.1, ripple_mm=0.01, pitch_mm=0.5).draw(
        5000, np.random.default_rng(0), step_mm=0.01
    )
    power = np.abs(np.fft.rfft(edge)) ** 2
    assert np.fft.rfftfreq(5000, 0.01)[power.argmax()] == pytest.approx(2.0, abs=0.02)
    assert edge.std() == pytest.approx(0.01 / math.sqrt(2), rel=0.01)


def test_a_strip_whose_edges_meet_is_closed_there():
    strip = make_strip(
        nominal_length_mm=3.0, length_mm=3.0, width_mm=0.05, shift_mm=0.0, corner_radius_mm=0.1,
        roughness=Roughness(sd_mm=0.03, correlation_mm=0.1), rng=np.random.default_rng(1),
    )  # fmt: skip
    assert 0 < strip.present_share() < 1
    assert len(strip.polygons().geoms) > 1
    assert strip.width_mm() > 0


def test_width_over_another_share_of_the_length(filament_print):
    row = filament_print.truth[
        (filament_print.truth["kind"] == "slot") & (filament_print.truth["formed"] == "yes")
    ].iloc[0]
    assert filament_print.width_mm(row.feature_id) == pytest.approx(row.true_width_mm, abs=1e-12)
    assert filament_print.width_mm(row.feature_id, share=0.5) != filament_print.width_mm(row.feature_id)


def test_says_that_it_is_invented(filament_print):
    assert "INVENTED" in filament_print.summary()
    assert "INVENTED" in virtual_printer("resin").summary()
