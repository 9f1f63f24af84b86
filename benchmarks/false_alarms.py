"""False alarms and finds of the comparison of two printers, on simulated tables of readings.

Run with ``python benchmarks/false_alarms.py [--pairs 1000] [--finds 400] [--workers 2] [--seed 1]``. Tables are drawn
directly, without pictures: print-to-print shifts shared by all features of a print job, shifts shared by a kind within
a print job, feature scatter that grows for small features, a forming curve whose limit moves from print to print, edge
roughness. Printed are:

- equal printers, 2 to 8 print jobs of each: how many of the pairs the whole verdict calls different in anything;
- pairs that differ by the tolerance in width, printed as often as the tool recommended after a pilot: how many it
  finds;
- pairs whose limits differ by a third, for information.
"""

from __future__ import annotations

import argparse
import math
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from tqdm import tqdm

from sharpset.brief import Brief
from sharpset.comparison import Comparison, compare_readings

TOLERANCE_MM = 0.05
MOST_PRINTS = 40
SIZES_MM = (0.10, 0.125, 0.16, 0.20, 0.25, 0.315, 0.40, 0.50)
KINDS = ("bar", "slot", "hole")
LEAST_MM = 0.01


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
        formed &= width > LEAST_MM  # what has closed but for less than this has not formed
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


def compare(n: int, *, of: Printer, against: Printer, rng: np.random.Generator, offsets: np.ndarray) -> Comparison:
    """Print, read and compare two printers, `n` print jobs of each."""
    a = print_and_read(of, n_prints=n, name="a", offsets=offsets, rng=rng)
    b = print_and_read(against, n_prints=n, name="b", offsets=offsets, rng=rng)
    return compare_readings(a, b, brief=brief(), n_boot=300, seed=int(rng.integers(2**31)))


def equal_pair(seed: int) -> dict[str, float]:
    """Simulate one pair of equal printers and compare them."""
    rng = np.random.default_rng(seed)
    printer = draw_printer(rng)
    offsets = rng.normal(0, 0.006, len(piece()))
    n = int(rng.integers(2, 9))
    found = compare(n, of=printer, against=printer, rng=rng, offsets=offsets)
    named = found.verdict["truer"].isin(["A", "B"]) | found.verdict["forms"].str.contains("only|smaller")
    return {
        "n_prints": n,
        "false_alarm": float(found.different),
        "false_winner": float(named.any()),
        "called_equal": float((found.verdict["truer"] == "equal within the tolerance").mean()),
    }


def unequal_pair(seed: int) -> dict[str, float]:
    """Plan with a pilot of 3 equal prints each, print a pair that differs as often as recommended, and compare it."""
    rng = np.random.default_rng(seed)
    printer = draw_printer(rng)
    offsets = rng.normal(0, 0.006, len(piece()))
    pilot = compare(3, of=printer, against=printer, rng=rng, offsets=offsets)
    shift = rng.choice([-1, 1]) * TOLERANCE_MM
    other = replace(printer, bias_mm=printer.bias_mm + shift)
    by_kind, by_size = (int(min(n, MOST_PRINTS)) for n in (pilot.recommended_prints, pilot.recommended_prints_by_size))
    first = compare(by_kind, of=printer, against=other, rng=rng, offsets=offsets).verdict
    whole = first["nominal_mm"].isna()
    second = compare(by_size, of=printer, against=other, rng=rng, offsets=offsets).verdict
    measured = second["nominal_mm"].notna() & (second["formed_a"] > 0.8) & (second["formed_b"] > 0.8)
    finer = replace(printer, limit_mm=printer.limit_mm / 1.33)
    kinds = compare(by_size, of=printer, against=finer, rng=rng, offsets=offsets).by_kind
    forming = kinds[kinds["measure"] == "size that half form"]
    return {
        "by_kind": pilot.recommended_prints,
        "by_size": pilot.recommended_prints_by_size,
        "found_pair": float((first["p_adjusted"] < 0.05).any()),
        "found_kinds": float((first.loc[whole, "p_adjusted"] < 0.05).mean()),
        "found_sizes": float((second.loc[measured, "p_adjusted"] < 0.05).mean()),
        "wrongly_equal": float((first["truer"] == "equal within the tolerance").any()),
        "found_limits": float((forming["p_adjusted"] < 0.05).any()),
    }


def main() -> None:
    """Run the benchmark and print its figures."""
    parser = argparse.ArgumentParser(description="false alarms and finds of the comparison of two printers")
    parser.add_argument("--pairs", type=int, default=1000)
    parser.add_argument("--finds", type=int, default=400)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    with ProcessPoolExecutor(args.workers) as pool:
        seeds = [args.seed * 1_000_000 + i for i in range(args.pairs)]
        equal = pd.DataFrame(tqdm(pool.map(equal_pair, seeds, chunksize=5), total=len(seeds), desc="equal pairs"))
        seeds = [args.seed * 2_000_000 + i for i in range(args.finds)]
        unequal = pd.DataFrame(tqdm(pool.map(unequal_pair, seeds, chunksize=5), total=len(seeds), desc="unequal pairs"))
    alarms = ", ".join(f"{k}: {v:.1%}" for k, v in equal.groupby("n_prints")["false_alarm"].mean().items())
    above = (unequal[["by_kind", "by_size"]] > MOST_PRINTS).sum()
    print(f"{len(equal)} pairs of equal printers, 2 to 8 prints of each")
    print(f"  called different in anything: {equal['false_alarm'].sum():.0f} ({equal['false_alarm'].mean():.1%})")
    print(f"  a winner named in any row: {equal['false_winner'].sum():.0f} ({equal['false_winner'].mean():.1%})")
    print(f"  by number of prints: {alarms}")
    print(f"  rows called equal within the tolerance: {equal['called_equal'].mean():.1%}")
    print(f"{len(unequal)} pairs that differ by the tolerance, {TOLERANCE_MM} mm; prints as recommended after a pilot")
    middle = unequal[["by_kind", "by_size"]].median()
    print(f"  recommended by kind: median {middle['by_kind']:.0f}, by size: median {middle['by_size']:.0f}")
    print(f"  cut to {MOST_PRINTS} prints: {above['by_kind']} and {above['by_size']}")
    print(f"  pairs found, number by kind: {unequal['found_pair'].mean():.1%}")
    print(f"  kinds found, number by kind: {unequal['found_kinds'].mean():.1%}")
    print(f"  sizes found, number by size: {unequal['found_sizes'].mean():.1%}")
    print(f"  pairs with any row wrongly called equal: {unequal['wrongly_equal'].mean():.1%}")
    print(f"  limits a third apart found, number by size: {unequal['found_limits'].mean():.1%}")


if __name__ == "__main__":
    main()
