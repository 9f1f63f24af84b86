"""Published experiments through the command line, written as people write them.

Data and sources stand in ``tests/outside/data``; the first line of each file names the source.
"""

from __future__ import annotations

import json

import pytest
from fits_published import published

from sharpset.cli import main


def fitted(tmp_path, factors, runs, *words, encoding="utf-8"):
    """Import and fit as a maker would; the responses of fit.json."""
    toml = "".join(f'[[factor]]\nname = "{name}"\n{keys}\n' for name, keys in factors.items())
    (tmp_path / "factors.toml").write_text(toml, encoding="utf-8")
    (tmp_path / "runs.csv").write_bytes(runs.encode(encoding))
    plan, out = tmp_path / "plan", tmp_path / "fit"
    given = ["--factors", str(tmp_path / "factors.toml"), "--runs", str(tmp_path / "runs.csv")]
    assert main(["plan", "import", *given, "--out", str(plan)]) == 0
    assert main(["fit", "--plan", str(plan), "--out", str(out), "--no-report", *words]) == 0
    return json.loads((out / "fit.json").read_text(encoding="utf-8"))["responses"]


def coded(response):
    return {row["term"]: row["estimate"] for row in response["terms"]["coded"]}


def test_filtration_in_signs_with_decimal_commas_and_run_order(tmp_path):
    # Montgomery, Design and Analysis of Experiments, example 6.2 (from memory): A 21.625, AC -18.125, AD 16.625.
    table = published("montgomery_filtration_2pow4")
    lines = ["Std;Run order;TEMP [C];Press;Conc;Stir;Rate (gal/h);"]
    for i, row in enumerate(table.itertuples(index=False)):
        signs = ";".join("-" if v < 0 else "+" for v in row[:4])
        lines.append(f"{i + 1};{(5 * i) % 16 + 1};{signs};{row[4]:.1f};".replace(".", ","))
    factors = {"temp": "low = 20\nhigh = 40"} | dict.fromkeys(("press", "conc", "stir"), "low = -1\nhigh = 1")
    found = fitted(tmp_path, factors, "\r\n".join(lines), encoding="cp1252")
    assert list(found) == ["Rate (gal/h)"]
    terms = coded(found["Rate (gal/h)"])
    assert 2 * terms["temp"] == pytest.approx(21.625, abs=1e-9)  # the data are whole numbers
    assert 2 * terms["temp:conc"] == pytest.approx(-18.125, abs=1e-9)
    assert 2 * terms["temp:stir"] == pytest.approx(16.625, abs=1e-9)


def test_ceramic_strength_with_both_orders_copied_along(tmp_path):
    # NIST/SEMATECH e-Handbook 5.4.7.1: mean 546.8959; sum of squares of X4 (direction) 315132.65.
    table = published("nist_ceramic_2pow5").rename(columns={"order": "Run Order"})
    factors = dict.fromkeys(("speed", "rate", "grit", "direction", "batch"), "low = -1\nhigh = 1")
    found = fitted(tmp_path, factors, table.to_csv(index=False, sep="\t"), encoding="utf-16")
    assert list(found) == ["strength"]
    terms = coded(found["strength"])
    assert terms["Intercept"] == pytest.approx(546.8959, abs=6e-5)  # printed digits
    assert 32 * terms["direction"] ** 2 == pytest.approx(315132.65, abs=0.006)


def test_chemical_reaction_in_named_blocks(tmp_path):
    # Myers, Montgomery and Anderson-Cook (2009) table 7.6, fitted in J. Stat. Softw. 32(7) (from memory, recomputed):
    # Time 0.9325, Temp 0.5777, Time:Temp 0.1250, squares -1.3086 and -0.9334 in units of 5 minutes and 5 degrees.
    table = published("myers_chemreact_ccd_blocked").rename(columns={"Block": "Blocks"})
    factors = {"Time": 'unit = "min"\nlow = 80\nhigh = 90', "Temp": 'unit = "C"\nlow = 170\nhigh = 180'}
    terms = coded(fitted(tmp_path, factors, table.to_csv(index=False))["Yield"])
    wanted = [0.9325, 0.5777, 0.1250, -1.3086, -0.9334]
    names = ["Time", "Temp", "Time:Temp", "I(Time ** 2)", "I(Temp ** 2)"]
    assert [terms[n] for n in names] == pytest.approx(wanted, abs=1e-4)


def test_menarche_as_counts_out_of_a_number(tmp_path):
    # Milicer and Szczotka (1966), as in MASS (menarche): logit -21.2264 + 1.6320 Age, standard errors 0.7707 and
    # 0.0590, deviance 26.703 on 23 degrees of freedom; half at 13.007 years (Venables and Ripley).
    table = published("pod_menarche")
    runs = table[["Age"]].assign(run_id=[f"G{i + 1}" for i in range(len(table))])
    table.assign(run_id=runs["run_id"])[["run_id", "Total", "Menarche"]].to_csv(tmp_path / "results.csv", index=False)
    words = ["--results", str(tmp_path / "results.csv")]
    found = fitted(tmp_path, {"Age": "low = 9\nhigh = 18"}, runs.to_csv(index=False), *words)
    assert found == {}
    share = json.loads((tmp_path / "fit" / "fit.json").read_text(encoding="utf-8"))["shares"]["Menarche"]
    terms = {row["term"]: row for row in share["terms"]["natural"]}
    assert [terms[t]["estimate"] for t in ("Intercept", "Age")] == pytest.approx([-21.22639, 1.63197], abs=6e-6)
    assert [terms[t]["se"] for t in ("Intercept", "Age")] == pytest.approx([0.77068, 0.05895], abs=2e-5)
    assert share["deviance"] == pytest.approx(26.703, abs=6e-4) and share["df_resid"] == 23
    assert share["half"] == pytest.approx(13.0066, abs=1e-4)


def test_beetles_written_as_7_of_20(tmp_path):
    # Bliss (1935), Ann. Appl. Biol. 22:134-167; numbers and the fit -60.717 (5.181) + 34.270 (2.912) dose, deviance
    # 11.23 as in Dobson, An Introduction to Generalized Linear Models (all from memory).
    dose = (1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839)
    killed, tried = (6, 13, 18, 28, 52, 53, 61, 60), (59, 60, 62, 56, 63, 59, 62, 60)
    rows = [f"{d};{k}/{n}" for d, k, n in zip(dose, killed, tried, strict=True)]
    runs = "\n".join(["dose;killed", *rows])
    assert fitted(tmp_path, {"dose": "low = 1.69\nhigh = 1.89"}, runs, "--formula", "dose") == {}
    share = json.loads((tmp_path / "fit" / "fit.json").read_text(encoding="utf-8"))["shares"]["killed"]
    terms = {row["term"]: row for row in share["terms"]["natural"]}
    assert [terms[t]["estimate"] for t in ("Intercept", "dose")] == pytest.approx([-60.717, 34.270], abs=6e-4)
    assert [terms[t]["se"] for t in ("Intercept", "dose")] == pytest.approx([5.181, 2.912], abs=6e-4)
    assert share["deviance"] == pytest.approx(11.23, abs=6e-3)
