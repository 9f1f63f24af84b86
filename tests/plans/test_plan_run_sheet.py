"""The run sheet: everything on it, the same bytes each time, fonts inside."""

from __future__ import annotations

import re

import pytest

from sharpset.errors import PlanError
from sharpset.plans import CAUTIONS, factors_from_dict, load_factors, make_plan, write_run_sheet


@pytest.fixture
def plan(filament_file):
    return make_plan(load_factors(filament_file), design="d-optimal", model="linear", starts=3, blocks=2)


def drawn(monkeypatch):
    """Collect every text that is drawn."""
    from reportlab.pdfgen.canvas import Canvas

    texts = []
    original = Canvas.drawString

    def note(self, x, y, text, *more, **others):
        texts.append((round(x, 1), round(y, 1), text))
        return original(self, x, y, text, *more, **others)

    monkeypatch.setattr(Canvas, "drawString", note)
    return texts


def test_every_run_and_setting_is_on_the_sheet(plan, tmp_path, monkeypatch):
    texts = drawn(monkeypatch)
    write_run_sheet(
        plan, tmp_path / "sheet.pdf", process="filament", piece="stencil.3mf", hours_per_print=2, grams_per_print=5
    )
    words = [t for _, _, t in texts]
    for _, run in plan.runs.iterrows():
        assert words.count(run["run_id"]) == 1
        assert f"print {run['print_order']} of {plan.n_runs}" in words
        assert f"run code {run['run_id']}" in words
        assert f"{run['layer_height']:g} mm" in words
    assert words.count("stencil.3mf") == plan.n_runs
    assert words.count("oddities") == words.count("scanned") == words.count("material lot") == plan.n_runs
    everything = " ".join(words)
    for text in CAUTIONS["filament"]:
        assert text.split(":")[0] in everything
    assert "skin sensitiser" not in everything
    assert f"about {2 * plan.n_runs} hours of printing and about {5 * plan.n_runs} g" in everything
    assert sum("set anew nozzle" in w for w in words) == plan.runs["whole_plot"].nunique()
    assert sum(w.startswith("Block ") for w in words) == 2


@pytest.mark.parametrize("page", ["A4", "letter"])
def test_nothing_is_drawn_outside_the_page(tmp_path, monkeypatch, page):
    from reportlab.pdfbase import pdfmetrics

    factors = factors_from_dict(
        {
            "factor": [
                *[
                    {"name": f"a_rather_long_name_of_a_factor_{i}", "unit": "mm/min", "low": 0, "high": 1}
                    for i in range(9)
                ],
                {"name": "resin", "levels": ["grey standard, bottle one of the new delivery", "clear"]},
            ]
        }
    )
    texts = drawn(monkeypatch)
    plan = make_plan(factors, design="plackett-burman")
    write_run_sheet(plan, tmp_path / "sheet.pdf", page=page, title="A very long title " * 12)
    width, height = {"A4": (595, 842), "letter": (612, 792)}[page]
    assert min(y for _, y, _ in texts) > 20 and max(y for _, y, _ in texts) < height - 20
    for x, _, text in texts:
        # Smallest size in use is 3 points; whatever is wider than the page at 7 points would be cut.
        assert x > 20 and x + pdfmetrics.stringWidth(text, "Sheet", 7) < width - 15, text
    # A setting is never cut.
    assert "grey standard, bottle one of the new delivery" in [t for _, _, t in texts]


def test_same_plan_same_bytes_with_fonts_inside(plan, tmp_path):
    one, two = (write_run_sheet(plan, tmp_path / name).read_bytes() for name in ("one.pdf", "two.pdf"))
    assert one == two
    assert one.startswith(b"%PDF")
    assert b"DejaVuSans" in one and b"FontFile2" in one
    assert b"Helvetica" not in one


def test_both_cautions_without_a_process(plan, tmp_path, monkeypatch):
    texts = drawn(monkeypatch)
    write_run_sheet(plan, tmp_path / "sheet.pdf")
    everything = " ".join(t for _, _, t in texts)
    assert "skin sensitiser" in everything and "hot enough to burn" in everything
    assert everything.count("safety data sheets") == 1


def test_wrong_wishes_are_explained(plan, tmp_path):
    with pytest.raises(PlanError, match="page must be one of A4, letter, got 'A5'"):
        write_run_sheet(plan, tmp_path / "s.pdf", page="A5")
    with pytest.raises(PlanError, match="process must be one of filament, resin, got 'clay'"):
        write_run_sheet(plan, tmp_path / "s.pdf", process="clay")
    (tmp_path / "taken").mkdir()
    with pytest.raises(PlanError, match="cannot be written"):
        write_run_sheet(plan, tmp_path / "taken")


def test_pages_can_be_unpacked(plan, tmp_path):
    data = write_run_sheet(plan, tmp_path / "sheet.pdf").read_bytes()
    pages = int(re.search(rb"/Count (\d+)", data).group(1))
    assert 3 <= pages <= plan.n_runs


def test_cautions_stand_under_the_process_they_belong_to():
    from sharpset.plans.run_sheet import cautions_by_heading

    assert cautions_by_heading("resin") == {"Cautions": list(CAUTIONS["resin"])}
    unknown = cautions_by_heading(None)
    assert list(unknown) == ["Cautions for filament printing", "Cautions for resin printing", "Cautions for both"]
    assert not any("resin" in text for text in unknown["Cautions for filament printing"])
    assert set().union(*unknown.values()) == set().union(*CAUTIONS.values())
    # Nothing is said twice.
    assert sum(map(len, unknown.values())) == len(set().union(*CAUTIONS.values()))
