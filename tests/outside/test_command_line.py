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


SIGNS = "low = -1\nhigh = 1"


def words(*levels, hard=False):
    """Return the keys of a categorical factor."""
    listed = ", ".join(f'"{level}"' for level in levels)
    return f'kind = "categorical"\nlevels = [{listed}]' + ("\nhard_to_change = true" if hard else "")


def squares(response, kind="III"):
    return {row["term"]: row for row in response["anova"][kind]}


def test_plasma_etch_replicated_with_a_report(tmp_path):
    # Montgomery, Design and Analysis of Experiments, example 6.1 (from memory): effects of gap -101.625, power 306.125,
    # gap by power -153.625; error sum of squares 18020.5 on 8 degrees of freedom.
    rates = ((550, 604), (669, 650), (633, 601), (642, 635), (1037, 1052), (749, 868), (1075, 1063), (729, 860))
    lines = ["Gap,Flow,Power,Replicate,Etch rate (A/min)"]
    for i, pair in enumerate(rates):
        signs = ",".join("-+"[i >> bit & 1] for bit in range(3))
        lines += [f"{signs},{k + 1},{rate}" for k, rate in enumerate(pair)]
    factors = {"Gap": "low = 0.8\nhigh = 1.2", "Flow": "low = 125\nhigh = 200", "Power": "low = 275\nhigh = 325"}
    found = fitted(tmp_path, factors, "\n".join(lines))
    assert list(found) == ["Etch rate (A/min)"]
    terms = coded(found["Etch rate (A/min)"])
    wanted = {"Gap": -101.625, "Power": 306.125, "Gap:Power": -153.625}
    assert {t: 2 * terms[t] for t in wanted} == pytest.approx(wanted, abs=1e-9)
    assert 8 * found["Etch rate (A/min)"]["residual_sd"] ** 2 == pytest.approx(18020.5, rel=1e-9)
    out = tmp_path / "again"
    assert main(["fit", "--plan", str(tmp_path / "plan"), "--out", str(out)]) == 0
    assert (out / "figures" / "effects_Etch rate (A-min).png").is_file()


def test_circuit_yield_half_fraction(tmp_path):
    # Montgomery, example 8.2, a 2^(5-1) with E = ABCD (from memory): A 11.125, B 33.875, C 10.875, AB 6.875; the next
    # largest is below 1.2.
    made = {
        "e": 8, "a": 9, "b": 34, "abe": 52, "c": 16, "ace": 22, "bce": 45, "abc": 60, "d": 6, "ade": 10, "bde": 30,
        "abd": 50, "cde": 15, "acd": 21, "bcd": 44, "abcde": 63,
    }  # fmt: skip
    lines = ["A,B,C,D,E,yield"] + [
        ",".join("1" if x in run else "-1" for x in "abcde") + f",{y}" for run, y in made.items()
    ]
    found = fitted(tmp_path, dict.fromkeys("ABCDE", SIGNS), "\n".join(lines))["yield"]
    effects = {row["term"]: row["effect"] for row in found["lenth"]["effects"]}
    large = {t: e for t, e in effects.items() if abs(e) > found["lenth"]["SME"]}
    assert large == pytest.approx({"A": 11.125, "B": 33.875, "C": 10.875, "A:B": 6.875}, abs=1e-9)
    assert max(abs(e) for t, e in effects.items() if t not in large) < 2
    assert found["predictions_from"] == "selected"


def test_rocket_propellant_latin_square(tmp_path):
    # Montgomery, example 4.3, a Latin square of five (from memory): sums of squares 330 for formulations, 68 for
    # batches, 150 for operators, 128 for error on 12 degrees of freedom; F = 7.73.
    square = ("ABCDE", "BCDEA", "CDEAB", "DEABC", "EABCD")
    burnt = (
        (24, 20, 19, 24, 24),
        (17, 24, 30, 27, 36),
        (18, 38, 26, 27, 21),
        (26, 31, 26, 23, 22),
        (22, 30, 20, 29, 31),
    )
    lines = ["Batch,Operator,Formulation,Burning rate"]
    lines += [f"{i + 1},{j + 1},{square[i][j]},{burnt[i][j]}" for i in range(5) for j in range(5)]
    fives = words(*"12345")
    factors = {"batch": fives, "operator": fives, "formulation": words(*"ABCDE")}
    found = fitted(tmp_path, factors, "\n".join(lines))["Burning rate"]
    rows = squares(found)
    got = {name: rows[name]["ss"] for name in factors}
    assert got == pytest.approx({"batch": 68.0, "operator": 150.0, "formulation": 330.0}, rel=1e-9)
    assert rows["formulation"]["F"] == pytest.approx(7.73, abs=0.006)
    assert found["df_resid"] == 12 and 12 * found["residual_sd"] ** 2 == pytest.approx(128.0, rel=1e-9)


def test_paper_strength_in_split_plots(tmp_path):
    # Montgomery, example 14.3, pulp methods on whole plots and temperatures within, three replicates as blocks (from
    # memory): F = 7.08 for methods on 2 and 4 degrees of freedom; the error within plots is 3.97 on 18.
    strength = {
        200: ((30, 34, 29), (28, 31, 31), (31, 35, 32)),
        225: ((35, 41, 26), (32, 36, 30), (37, 40, 34)),
        250: ((37, 38, 33), (40, 42, 32), (41, 39, 39)),
        275: ((36, 42, 36), (41, 40, 40), (40, 44, 45)),
    }
    lines = ["Block;Method;Temp;Strength"]
    lines += [f"{r + 1};{m + 1};{t};{strength[t][r][m]}" for r in range(3) for m in range(3) for t in strength]
    factors = {"method": words(*"123", hard=True), "temp": words("200", "225", "250", "275")}
    rows = squares(fitted(tmp_path, factors, "\n".join(lines))["Strength"])
    assert rows["method"]["F"] == pytest.approx(7.08, abs=0.006)
    assert rows["method"]["df_denominator"] == pytest.approx(4.0, abs=0.01)
    # Printed: mean squares 144.69 (temperatures) and 12.53 (joint) over 3.97.
    assert rows["temp"]["F"] == pytest.approx(36.43, abs=0.1)


def test_heats_are_the_whole_plots_of_corrosion(tmp_path, capsys):
    # Box, Hunter and Hunter (2005), ch. 9: six heats, two of them running at one temperature (see the data file).
    table = published("box_corrosion_splitplot")
    factors = {
        "temp": 'kind = "levels"\nlevels = [360, 370, 380]\nhard_to_change = true',
        "coating": words(*sorted(set(table["coating"]))),
    }
    found = fitted(tmp_path, factors, table.to_csv(index=False))
    assert list(found) == ["corrosion"]
    said = capsys.readouterr().out
    assert "heat numbers the settings of temp and is taken as whole_plot" in said and "6 whole plots" in said


def test_weld_repaired_castings_on_twelve_runs(tmp_path):
    # Hunter, Hodi and Eager (1982); Box and Meyer (1993) find F and the joint effect of F and G, not D alone.
    table = published("bm93_e2_pb12_weld_repaired_castings").rename(columns={"y": "log life"})
    found = fitted(tmp_path, dict.fromkeys("ABCDEFG", SIGNS), table.to_csv(index=False, sep=";"))["log life"]
    kept = {row["term"] for row in found["selected"]["terms"]["coded"]}
    assert kept == {"Intercept", "F", "G", "F:G"}
    assert 2 * coded(found)["F"] == pytest.approx(0.916, abs=0.01)
