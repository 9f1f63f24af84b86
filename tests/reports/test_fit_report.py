"""The report of a fit: complete, in one file, with the fit's own numbers."""

from __future__ import annotations

import html
import re
from dataclasses import replace

import pandas as pd
import pytest

from sharpset.errors import ReportError
from sharpset.fits import fit_plan
from sharpset.reports import fit_page, fit_text, write_fit_report
from sharpset.reports.fit_figures import expected_table, key_responses, wanted_range
from sharpset.reports.fit_tables import sizes_table


@pytest.fixture(scope="module")
def page(fit, readings):
    return fit_page(fit, readings=readings, note="made up")


def plain(text: str) -> str:
    """Return the page as a reader sees it: no tags, no figures."""
    text = re.sub(r"<style>.*?</style>", "", text, flags=re.DOTALL)
    return html.unescape(re.sub(r"<[^>]+>", " ", text))


def test_page_needs_no_other_file(page):
    text = page.html()
    assert not re.findall(r"""(?:src|href)=["'](?!data:|#)""", text)
    assert "http" not in plain(text)
    assert text.count("data:image/png;base64,") == len(page.figures)


def test_page_says_settings_chance_and_what_to_draw(page, fit):
    said = plain(page.html())
    best = fit.best
    for value in best.settings.values():
        assert f"{value:.4g}" in said
    assert f"{100 * best.chance:.0f} %" in said
    for row in best.thicken.itertuples():
        assert f"{row.wanted_mm:.3f}" in said
        assert row.verdict in said
    assert "quay crane masters" in said
    assert "made up" in said


def test_page_carries_every_caution_of_the_process_and_defers(page):
    said = plain(page.html())
    for word in ("hot", "ventilate", "safety data sheets", "manual"):
        assert word in said


def test_page_has_figures_of_every_response_of_the_brief(page):
    for name in ("growth_slot_at_brief_mm", "growth_bar_at_brief_mm", "edge_roughness_mm", "print_time_h"):
        for kind in ("effects", "surface", "terms", "residuals"):
            assert f"{kind}_{name}" in page.figures
    for name in ("formed_chart", "formed_curves", "recommendation", "chance_map"):
        assert name in page.figures
    # The brief asks for no holes.
    assert "effects_growth_hole_mm" not in page.figures


def test_files_are_written_beside_the_page(tmp_path, page):
    (tmp_path / "fit" / "figures").mkdir(parents=True)
    for name in ("surface_gone_mm.png", "my own.png"):
        (tmp_path / "fit" / "figures" / name).write_bytes(b"of before")
    path = write_fit_report(page, tmp_path / "fit")
    assert path.read_text(encoding="utf-8") == page.html()
    names = {file.stem for file in (tmp_path / "fit" / "figures").glob("*.png")}
    # A response that is gone takes its figures with it; what somebody put there stays.
    assert names == {*page.figures, "my own"}


def test_folder_that_cannot_be_written_is_one_clear_error(tmp_path, page):
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(ReportError, match="cannot be written"):
        write_fit_report(page, tmp_path / "file")


def test_text_from_files_cannot_break_the_page(page):
    nasty = replace(page, title="<script>alert(1)</script>", subtitle="a & b < c")
    assert "<script>" not in nasty.html()
    assert "a & b < c" in plain(nasty.html())


def test_fit_without_a_brief_reports_the_models_only(plan, results):
    page = fit_page(fit_plan(plan, results=results))
    assert "chance_map" not in page.figures
    assert "effects_print_time_h" in page.figures
    said = plain(page.html())
    assert "once a brief says what is needed" in said
    # Without a process the cautions of both are there.
    assert "hot" in said
    assert "sensitiser" in said


def test_growth_is_accepted_around_its_prediction(fit):
    table = expected_table(fit).set_index("response")
    row = table.loc["growth_slot_at_brief_mm"]
    # A width may err by 0.04 mm either way: 0.02 mm a side.
    assert row["wanted_high"] - row["predicted"] == pytest.approx(0.02)
    assert row["predicted"] - row["wanted_low"] == pytest.approx(0.02)
    assert table.loc["edge_roughness_mm", "wanted_high"] == 0.012
    assert table.loc["print_time_h", "wanted_high"] == 2.0
    assert pd.isna(table.loc["growth_hole_mm", "wanted_high"])
    assert wanted_range(fit, "smallest_bar_mm")[1] == 0.16


def test_key_responses_are_those_of_the_brief(fit):
    assert key_responses(fit) == [
        "growth_slot_at_brief_mm",
        "growth_bar_at_brief_mm",
        "edge_roughness_mm",
        "print_time_h",
    ]


def test_sizes_are_summarised_over_formed_features_only(readings):
    table = sizes_table(readings).set_index(["kind", "nominal_mm"])
    part = readings[(readings["kind"] == "slot") & (readings["nominal_mm"] == 0.16)]
    formed = part[part["formed"] == "yes"]
    row = table.loc[("slot", 0.16)]
    assert row["n"] == len(part)
    assert row["n_formed"] == len(formed)
    assert row["deviation_mm"] == pytest.approx(formed["deviation_mm"].sum() / len(formed))


def test_terminal_text_has_the_numbers_of_the_fit(fit):
    text = fit_text(fit)
    assert f"{fit.best.settings['speed']:.4g} mm/s" in text
    for row in fit.best.predicted.itertuples():
        assert f"{row.low:.4g} to {row.high:.4g}" in text
    for row in fit.best.thicken.itertuples():
        assert row.verdict in text
    assert max(len(line) for line in fit_text(fit, models=False).splitlines() if not line.startswith("note")) <= 110
