"""The form that results are typed into."""

from __future__ import annotations

import pandas as pd
import pytest

from sharpset.cli import main
from sharpset.errors import PlanError
from sharpset.plans import factors_from_dict, load_plan, load_results, make_plan, save_plan, write_results_form

FACTORS = {
    "factor": [
        {"name": "speed_mm_s", "low": 20, "high": 60},
        {"name": "cooling", "kind": "categorical", "levels": ["low", "high"]},
    ]
}


@pytest.fixture
def plan():
    return make_plan(factors_from_dict(FACTORS), design="full", replicates=2, seed=4)


def test_a_filled_form_is_read_as_results(plan, tmp_path):
    save_plan(plan, tmp_path)
    path = write_results_form(plan, tmp_path)
    form = pd.read_csv(path)
    assert list(form["run_id"]) == list(plan.runs["run_id"])
    form["print_time_h"] = [1.5 + 0.1 * i for i in range(len(form))]
    form["note"] = "a hair under it"
    form.assign(sag_mm=0.2).to_csv(path, index=False)
    results = load_results(path, load_plan(tmp_path))
    assert results["print_time_h"].tolist() == pytest.approx(form["print_time_h"].tolist())
    assert set(results.columns) == {"run_id", "print_time_h", "sag_mm"}


def test_what_was_typed_is_kept_and_a_blank_form_follows_the_plan(plan, tmp_path, capsys):
    other = make_plan(factors_from_dict(FACTORS), design="full", replicates=3, seed=4)
    write_results_form(plan, tmp_path)
    path = write_results_form(other, tmp_path)
    assert len(pd.read_csv(path)) == other.n_runs
    filled = path.read_text(encoding="utf-8").replace(",,\n", ",1.2,\n", 1)
    path.write_text(filled, encoding="utf-8")
    assert write_results_form(plan, tmp_path) is None
    added = pd.read_csv(path).assign(print_time_h="", sag_mm=0.1)
    added.to_csv(path, index=False)
    assert write_results_form(plan, tmp_path) is None
    save_plan(plan, tmp_path)
    assert main(["plan", "sheet", str(tmp_path)]) == 0
    assert "has been filled in and was left as it is" in capsys.readouterr().out
    assert "sag_mm" in path.read_text(encoding="utf-8")


def test_a_form_that_cannot_be_written_is_one_clear_error(plan, tmp_path):
    (tmp_path / "results_form.csv").mkdir()
    with pytest.raises(PlanError, match=r"results_form\.csv: cannot be (read|written)"):
        write_results_form(plan, tmp_path)
