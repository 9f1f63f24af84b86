"""Two-level factorials against published effects.

Sources stand beside each check and in the first line of each data file.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
from fits_published import fit_published, published

from sharpset.fits import lenth


def effects(fit, name):
    """Full effects by label, from the saved half-effects."""
    table = fit.responses[name].terms.set_index("term")["estimate"]
    return {label: 2 * value for label, value in table.items() if label != "Intercept"}


MONTGOMERY = {
    # Montgomery, Design and Analysis of Experiments, example 6.2 (from memory; recomputed by hand from the data)
    "A": 21.625, "B": 3.125, "C": 9.875, "D": 14.625, "AB": 0.125, "AC": -18.125, "AD": 16.625, "BC": 2.375,
    "BD": -0.375, "CD": -1.125, "ABC": 1.875, "ABD": 4.125, "ACD": -1.625, "BCD": -2.625, "ABCD": 1.375,
}  # fmt: skip


def test_montgomery_filtration_effects(tmp_path):
    table = published("montgomery_filtration_2pow4")
    names = list(table.columns[:4])
    fit = fit_published(table, factors=names, responses=["rate_gal_per_h"], folder=tmp_path)
    got = effects(fit, "rate_gal_per_h")
    letters = {"".join(part[0] for part in label.split(":")): value for label, value in got.items()}
    assert letters.keys() == MONTGOMERY.keys()
    for label, value in MONTGOMERY.items():
        assert letters[label] == pytest.approx(value, abs=1e-9)  # the data are whole numbers
    response = fit.responses["rate_gal_per_h"]
    assert response.terms["estimate"].iloc[0] == pytest.approx(70.0625, abs=1e-9)
    total = response.anova["III"].set_index("term").loc["Total", "ss"]
    assert total == pytest.approx(5730.9375, abs=1e-6)
    # The example goes on with A, C, D, AC and AD.
    terms = {"".join(p[0] for p in t.split(":")) for t in response.reduced.terms["term"] if t != "Intercept"}
    assert terms == {"A", "C", "D", "AC", "AD"}


def test_montgomery_filtration_saved_file(tmp_path):
    table = published("montgomery_filtration_2pow4")
    fit = fit_published(table, factors=list(table.columns[:4]), responses=["rate_gal_per_h"], folder=tmp_path)
    fit.save(tmp_path / "out")
    saved = json.loads((tmp_path / "out" / "fit.json").read_text(encoding="utf-8"))["responses"]["rate_gal_per_h"]
    coded = {row["term"]: row["estimate"] for row in saved["terms"]["coded"]}
    assert 2 * coded["A_temp"] == pytest.approx(21.625, abs=1e-9)
    # Lenth (1989) on the 15 effects, computed by hand from the definition.
    assert saved["lenth"]["PSE"] == pytest.approx(2.625, abs=1e-9)
    assert saved["lenth"]["ME"] == pytest.approx(6.74778, rel=1e-4)


def test_nist_eddy_current(tmp_path):
    # NIST/SEMATECH e-Handbook 5.6.1 (SPLETT3.DAT); the handbook prints half-effects.
    table = published("nist_eddy_2pow3").rename(columns={"x1_turns": "x1", "x2_winding": "x2", "x3_gauge": "x3"})
    fit = fit_published(table, factors=["x1", "x2", "x3"], responses=["sensitivity"], folder=tmp_path)
    half = fit.responses["sensitivity"].terms.set_index("term")["estimate"]
    expected = {
        "Intercept": 2.65875, "x1": 1.55125, "x2": -0.43375, "x3": 0.10625, "x1:x2": 0.06375, "x1:x3": 0.12375,
        "x2:x3": 0.14875, "x1:x2:x3": 0.07125,
    }  # fmt: skip
    assert half.to_dict() == pytest.approx(expected, abs=1e-9)


def test_nist_eddy_current_two_factor_model(tmp_path):
    # NIST/SEMATECH e-Handbook 5.6.1.9: residual sd .3043 on 5 df, R2 .9782, F 112.1, p 7.031e-5, fit 1.54125 at (-, -).
    table = published("nist_eddy_2pow3").rename(columns={"x1_turns": "x1", "x2_winding": "x2", "x3_gauge": "x3"})
    fit = fit_published(
        table, factors=["x1", "x2", "x3"], responses=["sensitivity"], folder=tmp_path, formula="sensitivity ~ x1 + x2"
    )
    response = fit.responses["sensitivity"]
    assert response.residual_sd == pytest.approx(0.3043, abs=5e-5)  # printed digits
    assert response.df_resid == 5
    assert response.r2 == pytest.approx(0.9782, abs=5e-5)
    anova = response.anova["I"].set_index("term")
    f = (anova.loc[["x1", "x2"], "ss"].sum() / 2) / anova.loc["Residual", "ms"]
    assert f == pytest.approx(112.1, abs=0.05)
    low = response.predict(table[["x1", "x2", "x3"]].iloc[:1] * 0 - 1)["predicted"].iloc[0]
    assert low == pytest.approx(1.54125, abs=1e-9)


SONO = {
    # NIST/SEMATECH e-Handbook 5.6.2 (INN.DAT), half-effects
    "x2": -39.30625, "x7": -39.05625, "x1:x3": 35.00625, "x1": 33.10625, "x3": 31.90625, "x1:x7": -31.73125,
    "x1:x2": -29.78125, "x1:x6": -8.16875, "x1:x4": -5.24375, "x6": -4.51875, "x5": 3.74375, "x1:x2:x4": 2.91875,
    "x4": 1.85625, "x2:x4": 0.84375, "x1:x5": -0.28125, "Intercept": 110.60625,
}  # fmt: skip


def test_nist_sonoluminescence_with_alias_chains(tmp_path):
    table = published("nist_sonoluminescence_2pow7-3")
    fit = fit_published(table, factors=[f"x{i}" for i in range(1, 8)], responses=["y"], folder=tmp_path)
    response = fit.responses["y"]
    assert response.terms.set_index("term")["estimate"].to_dict() == pytest.approx(SONO, abs=1e-9)
    said = " ".join(response.remarks)
    # From the generators 5=234, 6=134, 7=123: 13=27=46, 12=37=56, 17=23=45.
    for chain in ("x2:x7 = x1:x3", "x4:x6 = x1:x3", "x3:x7 = x1:x2", "x5:x6 = x1:x2", "x2:x3 = x1:x7", "x4:x5 = x1:x7"):
        assert chain in said
    # The handbook's best setting (+,-,+,+,+,-,-): signs of the main effects.
    signs = [np.sign(SONO[f"x{i}"]) for i in range(1, 8)]
    assert signs == [1, -1, 1, 1, 1, -1, -1]


CERAMIC_SS = {
    # NIST/SEMATECH e-Handbook 5.4.7.1 (CERAMIC.DAT); 1 speed, 2 rate, 3 grit, 4 direction, 5 batch
    "1": 894.33, "2": 3497.2, "12": 4872.57, "3": 12663.96, "13": 1838.76, "23": 307.46, "123": 357.05, "4": 315132.65,
    "14": 1637.21, "24": 1972.71, "124": 5895.62, "34": 3158.34, "134": 2.12, "234": 44.49, "5": 33653.91,
    "15": 465.05, "25": 199.15, "125": 144.71, "35": 29.36, "135": 30.36, "235": 25.58, "45": 1328.83, "145": 544.58,
    "245": 167.31, "345": 32.46,
}  # fmt: skip
NUMBER = {"speed": "1", "rate": "2", "grit": "3", "direction": "4", "batch": "5"}
FACTORS = list(NUMBER)
TWELVE = "speed + rate + grit + direction + batch + speed:rate + speed:grit + speed:direction + rate:direction + "
TWELVE += "grit:direction + direction:batch + speed:rate:direction"


def digits(label):
    return "".join(NUMBER[part] for part in label.split(":"))


def test_nist_ceramic_sums_of_squares(tmp_path):
    table = published("nist_ceramic_2pow5")
    formula = "(speed + rate + grit + direction + batch) ** 3"
    fit = fit_published(table, factors=FACTORS, responses=["strength"], folder=tmp_path, formula=formula)
    response = fit.responses["strength"]
    for kind in ("I", "II", "III"):
        anova = response.anova[kind].set_index("term")["ss"]
        got = {digits(t): ss for t, ss in anova.items() if t not in ("Residual", "Total")}
        assert got == pytest.approx(CERAMIC_SS, abs=0.006)  # printed to two decimals
    assert response.residual_sd == pytest.approx(17.81632, abs=1e-5)
    assert response.r2 == pytest.approx(0.995127, abs=1e-6)
    assert response.terms["estimate"].iloc[0] == pytest.approx(546.8959, abs=5e-5)


def test_nist_ceramic_twelve_terms(tmp_path):
    table = published("nist_ceramic_2pow5")
    fit = fit_published(table, factors=FACTORS, responses=["strength"], folder=tmp_path, formula=TWELVE)
    response = fit.responses["strength"]
    assert response.residual_sd == pytest.approx(14.96346, abs=1e-5)
    assert response.r2 == pytest.approx(0.989114, abs=1e-6)
    assert response.r2_adjusted == pytest.approx(0.982239, abs=1e-6)
    f = response.anova["III"].set_index("term")["F"]
    assert f["direction"] == pytest.approx(1407.4390, rel=1e-5)
    assert f["batch"] == pytest.approx(150.3044, rel=1e-5)
    assert f["grit"] == pytest.approx(56.5595, rel=1e-5)
    assert f["rate"] == pytest.approx(15.6191, rel=1e-5)
    # Printed 0.2 is a rounded choice; the profile's maximum is within .15 of it.
    assert response.box_cox.best == pytest.approx(0.2, abs=0.15)
    assert response.box_cox.low < 0.2 < response.box_cox.high


def test_nist_ceramic_transformed(tmp_path):
    # The handbook's scaled Box-Cox response with lambda 0.2. Its printed signs of the two-factor interactions are
    # opposite to -1/+1 coding, so those are compared in size.
    from sharpset.fits import power_transform

    table = published("nist_ceramic_2pow5")
    table["z"] = power_transform(table["strength"].to_numpy(), 0.2, scaled=True)
    formula = TWELVE.replace("direction:batch + ", "")
    fit = fit_published(table, factors=FACTORS, responses=["z"], folder=tmp_path, formula=formula)
    response = fit.responses["z"]
    half = response.terms.set_index("term")["estimate"]
    assert half["Intercept"] == pytest.approx(1917.115, abs=6e-4)
    assert response.residual_sd == pytest.approx(13.81065, abs=1e-5)
    assert response.r2 == pytest.approx(0.99041, abs=1e-5)
    printed = {
        "1": 5.777, "2": 11.691, "12": 14.467, "3": 21.649, "13": 7.339, "4": 99.272, "14": 7.188, "24": 9.160,
        "124": 15.325, "34": 12.965, "5": 31.871,
    }  # fmt: skip
    sizes = {digits(t): abs(v) for t, v in half.items() if t != "Intercept"}
    assert sizes == pytest.approx(printed, abs=6e-4)
    for name, sign in (("direction", -1), ("batch", -1), ("grit", -1), ("rate", 1), ("speed", 1)):
        assert np.sign(half[name]) == sign


def test_bhh_process_development(tmp_path):
    # Box, Hunter & Hunter 1978 table 10.6 = 2005 table 5.11, effects printed exactly.
    table = published("bhh_process_development_2pow4")
    names = {"Catal": "C", "Temp": "T", "Press": "P", "Conc": "c"}
    for column in names:
        table[column] = table[column].map({"-": -1, "+": 1})
    fit = fit_published(table, factors=list(names), responses=["Conv"], folder=tmp_path)
    got = {frozenset(names[p] for p in label.split(":")): v for label, v in effects(fit, "Conv").items()}
    printed = published("bhh_process_development_effects")
    assert len(printed) == 15
    for _, row in printed.iterrows():
        assert got[frozenset(row["effect"])] == pytest.approx(row["value"], abs=1e-9)
    assert fit.responses["Conv"].lenth.pse == pytest.approx(1.125, abs=1e-9)


LENTH = [
    # (set, PSE, ME, SME, beyond SME, between ME and SME). Lenth (1989) Technometrics 31:469-473, on the data of Box &
    # Meyer (1986); figures computed from the paper's formulas, which effects are active is in the BsMD vignette.
    ("y1", 0.02812, 0.0723, 0.14677, {2, 4}, {8}),
    ("y2", 0.225, 0.57838, 1.1742, {14, 15}, set()),
    ("y3", 0.75, 1.92794, 3.91399, {4, 12}, {13}),
    ("y4", 0.11438, 0.29401, 0.59688, set(), set()),
]


@pytest.mark.parametrize(("name", "pse", "me", "sme", "active", "doubtful"), LENTH)
def test_lenth_four_examples(name, pse, me, sme, active, doubtful):
    table = published("bm86_four_examples")
    columns = table[[f"X{i}" for i in range(1, 16)]].to_numpy()
    found = lenth(columns.T @ table[name].to_numpy() / 8)
    assert found.pse == pytest.approx(pse, rel=2e-4)  # printed to four or five digits
    assert found.me == pytest.approx(me, rel=2e-4)
    assert found.sme == pytest.approx(sme, rel=2e-4)
    size = np.abs(found.effects)
    assert {i + 1 for i in np.flatnonzero(size > found.sme)} == active
    assert {i + 1 for i in np.flatnonzero((size > found.me) & (size <= found.sme))} == doubtful


def test_lenth_bike():
    # Box, Hunter & Hunter 2005 table 6.5 (unrepx bikeEff); margins computed from the paper's formulas.
    table = published("bhh_bike_effects")
    found = lenth(table["value"], labels=table["effect"])
    assert found.pse == pytest.approx(1.5, abs=1e-9)
    assert found.me == pytest.approx(5.64618, rel=1e-5)
    assert found.sme == pytest.approx(13.51246, rel=1e-5)
    verdict = found.to_frame().set_index("term")["verdict"]
    assert verdict["Gear"] == "active"
    assert verdict["Dyn"] == "doubtful"


def test_reactor_full_and_plackett_burman_subset(tmp_path):
    # Box, Hunter & Hunter 1978, reactor 2^5: main findings B, D, E, BD, DE (section 12.2); Box & Meyer 1993 find the
    # same in 12 of the 32 runs.
    full = published("bhh_reactor_2pow5")
    fit = fit_published(full, factors=list("ABCDE"), responses=["y"], folder=tmp_path)
    found = effects(fit, "y")
    # Printed effects: B 19.5, D 10.75, E -6.25, BD 13.25, DE -11.0 (from memory, recomputed from the data).
    for label, value in {"B": 19.5, "D": 10.75, "E": -6.25, "B:D": 13.25, "D:E": -11.0}.items():
        assert found[label] == pytest.approx(value, abs=1e-9)
    assert set(fit.responses["y"].reduced.terms["term"]) == {"Intercept", "B", "D", "E", "B:D", "D:E"}
    part = published("bm93_e1_pb12_from_reactor")
    small = fit_published(part, factors=list("ABCDE"), responses=["y"], folder=tmp_path)
    assert set(small.responses["y"].reduced.terms["term"]) == {"Intercept", "B", "D", "E", "B:D", "D:E"}


def test_cast_fatigue_plackett_burman(tmp_path):
    # Hunter, Hodi & Eager 1982, cast fatigue, 12 runs; Box & Meyer 1993 find F and FG (from memory).
    table = published("bm93_e2_pb12_weld_repaired_castings")
    fit = fit_published(table, factors=list("ABCDEFG"), responses=["y"], folder=tmp_path)
    chosen = set(fit.responses["y"].reduced.terms["term"])
    assert {"F", "F:G"} <= chosen
    size = fit.responses["y"].reduced.terms.set_index("term")["estimate"].abs().drop("Intercept").sort_values()
    assert set(size.index[-2:]) == {"F", "F:G"}


def test_battery_life(tmp_path):
    # Montgomery, ch. 5, from memory: F material 7.91, temperature 28.97, interaction 3.56, error mean square 675.21 on
    # 27 degrees of freedom.
    table = published("montgomery_battery_3pow2")
    table["temp"] = "t" + table["temp"].astype(str)
    fit = fit_published(table, factors=["material", "temp"], responses=["life"], folder=tmp_path).responses["life"]
    for kind in ("I", "II", "III"):
        anova = fit.anova[kind].set_index("term")
        assert anova["F"].iloc[:3].tolist() == pytest.approx([7.91, 28.97, 3.56], abs=0.006)
        assert anova["ms"]["Residual"] == pytest.approx(675.21, abs=0.006)
    assert fit.df_resid == 27
