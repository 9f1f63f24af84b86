"""False alarms and finds of the comparison of two printers, on simulated tables of readings.

Run with ``python benchmarks/false_alarms.py [--pairs 1000] [--workers 2] [--seed 1]``. Tables are drawn directly,
without pictures: print-to-print shifts shared by all features of a print job, shifts shared by a kind within a print
job, feature scatter that grows for small features, a forming curve whose limit moves from print to print, edge
roughness.

Three figures are printed:

1. equal printers, 2 to 8 print jobs of each: how many of the pairs the whole verdict calls different in anything at
all; 2. pairs that differ by the tolerance in width, printed as often as the tool recommended after a pilot: how many
are found; 3. the same with limits that differ by a third, for information.
"""

from __future__ import annotations

import argparse
import math
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
import pandas as pd
from tqdm import tqdm

from sharpset.brief import Brief
from sharpset.comparison import compare_readings

TOLERANCE_MM = 0.05
SIZES_MM = (0.10, 0.125, 0.16, 0.20, 0.25, 0.315, 0.40, 0.50)
KINDS = ("bar", "slot", "hole")


@dataclass(frozen=True, kw_only=True)
class Printer:
    """Hidden truth of a simulated printer; lengths in mm."""

    bias_mm: float
    sd_print_mm: float
    sd_kind_mm: float
    sd_feature_mm: float
    limit_mm: float
    sd_limit: float
    roughness_mm: float


def draw_printer(rng: np.random.Generator) -> Printer:
    """Draw a plausible printer."""
    return Printer(
        bias_mm=rng.normal(0.0, 0.03),
        sd_print_mm=rng.choice([0.003, 0.006, 0.012, 0.02]),
        sd_kind_mm=rng.choice([0.0, 0.003, 0.008]),
        sd_feature_mm=rng.choice([0.004, 0.008, 0.015]),
        limit_mm=rng.choice([0.12, 0.18, 0.25]),
        sd_limit=rng.choice([0.0, 0.05, 0.12]),
        roughness_mm=rng.choice([0.006, 0.012]),
    )


def piece() -> pd.DataFrame:
    """Return the features of the simulated piece: three kinds, eight sizes, three directions, two of each."""
    rows = [(k, s, a, r) for k in KINDS for s in SIZES_MM for a in (0, 45, 90) for r in range(2)]
    frame = pd.DataFrame(rows, columns=["kind", "nominal_mm", "angle_deg", "copy"])
    frame["feature_id"] = [f"{r.kind}-{r.nominal_mm:g}-{r.angle_deg}-{r.copy}" for r in frame.itertuples()]
    return frame.drop(columns="copy")


def print_and_read(
    printer: Printer, *, n_prints: int, name: str, offsets: np.ndarray, rng: np.random.Generator
) -> pd.DataFrame:
    """Draw the readings of some print jobs; ``offsets`` are errors that every print of a feature shares."""
    out, features = [], piece()
    size = features["nominal_mm"].to_numpy()
    kind = features["kind"].map({k: i for i, k in enumerate(KINDS)}).to_numpy()
    for i in range(n_prints):
        limit = math.log(printer.limit_mm) + rng.normal(0, printer.sd_limit)
        chance = 1 / (1 + np.exp(-9 * (np.log(size) - limit)))
        formed = rng.random(len(size)) < chance
        shift = rng.normal(0, printer.sd_print_mm) + rng.normal(0, printer.sd_kind_mm, len(KINDS))[kind]
        scatter = rng.normal(0, printer.sd_feature_mm, len(size)) * (1 + 0.15 / size)
        width = size + printer.bias_mm + offsets + shift + scatter
        rough = printer.roughness_mm * np.exp(rng.normal(0, 0.1) + rng.normal(0, 0.25, len(size)))
        out.append(
            features.assign(
                scan_id=f"{name}-scan{i}",
                piece_id="stencil-1",
                run_id=f"{name}{i}",
                formed=np.where(formed, "yes", np.where(rng.random(len(size)) < 0.3, "partly", "no")),
                measured_mm=np.where(formed, width, np.nan),
                U95_mm=0.004,
                edge_roughness_mm=np.where(formed, rough, np.nan),
            )
        )
    return pd.concat(out, ignore_index=True)


def brief() -> Brief:
    """Return the brief that sets the tolerance."""
    return Brief.model_validate(
        {"name": "benchmark", "process": "resin", "smallest_mm": {"bar": 0.2}, "tolerance_mm": {"width": TOLERANCE_MM}}
    )


def one_pair(seed: int) -> dict[str, float]:
    """Simulate one pair of equal printers and one that differs, and compare each."""
    rng = np.random.default_rng(seed)
    printer = draw_printer(rng)
    offsets = rng.normal(0, 0.006, len(piece()))

    def compare(n: int, *, of: Printer, against: Printer) -> object:
        a = print_and_read(of, n_prints=n, name="a", offsets=offsets, rng=rng)
        b = print_and_read(against, n_prints=n, name="b", offsets=offsets, rng=rng)
        return compare_readings(a, b, brief=brief(), n_boot=300, seed=seed)

    n_equal = int(rng.integers(2, 9))
    equal = compare(n_equal, of=printer, against=printer)
    named = equal.verdict["truer"].isin(["A", "B"]) | equal.verdict["forms"].str.contains("only|smaller")
    pilot = compare(3, of=printer, against=printer)
    out = {
        "n_equal": n_equal,
        "false_alarm": float(equal.different),
        "false_winner": float(named.any()),
        "called_equal": float((equal.verdict["truer"] == "equal within the tolerance").mean()),
        "recommended": pilot.recommended_prints,
        "recommended_by_size": pilot.recommended_prints_by_size,
    }
    sign = rng.choice([-1, 1])
    other = Printer(**{**printer.__dict__, "bias_mm": printer.bias_mm + sign * TOLERANCE_MM})
    n = int(min(pilot.recommended_prints, 40)) if math.isfinite(pilot.recommended_prints) else 40
    found = compare(n, of=printer, against=other).verdict
    whole = found["nominal_mm"].isna()
    out["found_pair"] = float((found["p_adjusted"] < 0.05).any())
    out["found_kinds"] = float((found.loc[whole, "p_adjusted"] < 0.05).mean())
    out["wrongly_equal"] = float((found["truer"] == "equal within the tolerance").any())
    n = int(min(pilot.recommended_prints_by_size, 40)) if math.isfinite(pilot.recommended_prints_by_size) else 40
    found = compare(n, of=printer, against=other).verdict
    measured = found["nominal_mm"].notna() & (found["formed_a"] > 0.8) & (found["formed_b"] > 0.8)
    out["found_sizes"] = float((found.loc[measured, "p_adjusted"] < 0.05).mean())
    finer = Printer(**{**printer.__dict__, "limit_mm": printer.limit_mm / 1.33})
    by_kind = compare(n, of=printer, against=finer).by_kind
    forming = by_kind[by_kind["measure"] == "size that half form"]
    out["found_limits"] = float((forming["p_adjusted"] < 0.05).any())
    return out


def main() -> None:
    """Run the benchmark and print its figures."""
    parser = argparse.ArgumentParser(description="false alarms and finds of the comparison of two printers")
    parser.add_argument("--pairs", type=int, default=1000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    seeds = [args.seed * 1_000_000 + i for i in range(args.pairs)]
    with ProcessPoolExecutor(args.workers) as pool:
        rows = list(tqdm(pool.map(one_pair, seeds, chunksize=5), total=len(seeds), desc="pairs"))
    table = pd.DataFrame(rows)
    n = len(table)
    print(f"{n} pairs of equal printers, 2 to 8 prints of each")
    print(f"  called different in anything: {table['false_alarm'].sum():.0f} ({table['false_alarm'].mean():.1%})")
    print(f"  a winner named in any row:    {table['false_winner'].sum():.0f} ({table['false_winner'].mean():.1%})")
    print(
        "  by number of prints: "
        + ", ".join(f"{k}: {v:.1%}" for k, v in table.groupby("n_equal")["false_alarm"].mean().items())
    )
    print(f"  rows called equal within the tolerance: {table['called_equal'].mean():.1%}")
    print(f"{n} pairs that differ by the tolerance ({TOLERANCE_MM} mm), printed as recommended after a pilot of 3 each")
    print(
        f"  recommended, median {table['recommended'].median():.0f}, by size "
        f"{table['recommended_by_size'].median():.0f}; above 40: {(table['recommended'] > 40).sum()} and "
        f"{(table['recommended_by_size'] > 40).sum()}"
    )
    print(
        f"  pairs found different: {table['found_pair'].mean():.1%}; single kinds found: "
        f"{table['found_kinds'].mean():.1%}"
    )
    print(f"  single sizes found with the number by size: {table['found_sizes'].mean():.1%}")
    print(f"  pairs with any row wrongly called equal: {table['wrongly_equal'].mean():.1%}")
    print(f"  limits a third apart found: {table['found_limits'].mean():.1%}")


if __name__ == "__main__":
    main()
