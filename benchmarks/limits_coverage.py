"""Whether the intervals of limits (a90) hold what they promise, on simulated pairs of printers.

Run with ``python benchmarks/limits_coverage.py [--pairs 200] [--prints 2 3 4 6 8 12] [--seed 1]``. Counts of formed
features are drawn directly: each printer has a forming curve in the logarithm of the size, and its limit moves from
print job to print job, so that the features of one job share their luck. The true a90 is that of the mean curve over
all print jobs, by Gauss-Hermite quadrature. For every number of print jobs it is printed how often

- the 95 % interval of the difference of both limits held the true difference,
- the one-sided 95 % bounds of a single limit held it, below and above (the upper one is the a90/95),

with the 95 % interval of the share itself (Wilson), and how wide the intervals were.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import optimize
from tqdm import tqdm

from sharpset.comparison.cells import PrintTable
from sharpset.comparison.limits import limits_by_kind

SIZES_MM = (0.10, 0.125, 0.16, 0.20, 0.25, 0.315, 0.40, 0.50)
N_BOOT = 1000


@dataclass(frozen=True, kw_only=True)
class Forming:
    """Hidden truth of how a printer forms one kind: middle of the curve in mm, its slope, and spread over print jobs.

    ``slope`` is per unit of the logarithm of the size, ``sd_limit`` the standard deviation of the logarithm of the
    middle from print job to print job.
    """

    middle_mm: float
    slope: float
    sd_limit: float

    @property
    def a90_mm(self) -> float:
        """The size that forms 90 % of the time, over all print jobs."""
        nodes, weights = np.polynomial.hermite_e.hermegauss(40)
        shifts, weights = self.sd_limit * nodes, weights / weights.sum()

        def short(x: float) -> float:
            return float(weights @ (1 / (1 + np.exp(-self.slope * (x - shifts))))) - 0.9

        return self.middle_mm * math.exp(optimize.brentq(short, -5, 5))

    def draw(self, rng: np.random.Generator, *, n_prints: int, n_each: int) -> np.ndarray:
        """Draw what formed, shape (n_prints, n_sizes * n_each), 1 or 0."""
        size = np.repeat(SIZES_MM, n_each)
        middle = math.log(self.middle_mm) + rng.normal(0, self.sd_limit, n_prints)
        chance = 1 / (1 + np.exp(-self.slope * (np.log(size) - middle[:, None])))
        return (rng.random(chance.shape) < chance).astype(float)


def draw_pair(rng: np.random.Generator) -> tuple[Forming, Forming]:
    """Draw two printers that are alike in the steepness and in the spread of their curves."""
    slope, sd = float(rng.choice([6.0, 9.0, 15.0])), float(rng.choice([0.0, 0.05, 0.12, 0.20]))
    middle = float(rng.uniform(0.14, 0.28))
    ratio = float(rng.choice([1.0, 1.25]))
    return tuple(Forming(middle_mm=middle * r, slope=slope, sd_limit=sd) for r in (1.0, ratio))  # type: ignore[return-value]


def pretend_table(a: np.ndarray, b: np.ndarray, *, n_each: int) -> PrintTable:
    """Return what formed as a table of print jobs without widths."""
    features = pd.DataFrame({"kind": "bar", "nominal_mm": np.repeat(SIZES_MM, n_each)})
    features["feature_id"] = [f"F{i:03d}" for i in range(len(features))]
    formed = np.vstack([a, b])
    nothing = np.full(formed.shape, np.nan)
    return PrintTable(
        n_a=len(a),
        n_b=len(b),
        features=features,
        deviation_mm=nothing,
        roughness_mm=nothing,
        formed=formed,
        u_private_mm=nothing,
        u_common_mm=nothing,
    )


def one_pair(seed: int, n_prints: int) -> dict[str, float]:
    """Simulate one pair; return what its intervals held."""
    rng = np.random.default_rng((seed, n_prints))
    a, b = draw_pair(rng)
    n_each = int(rng.choice([4, 6, 12]))
    drawn = [p.draw(rng, n_prints=n_prints, n_each=n_each) for p in (a, b)]
    row = limits_by_kind(pretend_table(*drawn, n_each=n_each), n_boot=N_BOOT, seed=seed).iloc[0]
    true = a.a90_mm - b.a90_mm
    found = {"sd_limit": a.sd_limit, "known": float(math.isfinite(row["low_mm"])), "n_prints": float(n_prints)}
    found["difference"] = float(row["low_mm"] <= true <= row["high_mm"])
    found["width_mm"] = row["high_mm"] - row["low_mm"]
    for p, printer in (("a", a), ("b", b)):
        found[f"below_{p}"] = float(row[f"a90_{p}_low_mm"] <= printer.a90_mm)
        found[f"above_{p}"] = float(row[f"a90_{p}_high_mm"] >= printer.a90_mm)
        found[f"high_{p}"] = row[f"a90_{p}_high_mm"] / printer.a90_mm
    return found


def share(values: pd.Series) -> str:
    """Return a share with its 95 % interval (Wilson)."""
    n, p, z = len(values), float(values.mean()), 1.96
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n)) / (1 + z * z / n)
    return f"{100 * p:5.1f} % ({100 * (middle - half):.1f} to {100 * (middle + half):.1f})"


def report(title: str, part: pd.DataFrame) -> None:
    """Print one line of results."""
    below, above = (pd.concat([part[f"{side}_a"], part[f"{side}_b"]]) for side in ("below", "above"))
    high = pd.concat([part["high_a"], part["high_b"]]).median()
    print(
        f"{title}  difference {share(part['difference'])}  lower bound {share(below)}  a90/95 {share(above)}  "
        f"median width {part['width_mm'].median():.3f} mm, a90/95 over a90 {high:.2f}"
    )


def main() -> None:
    """Run the benchmark and print its figures."""
    parser = argparse.ArgumentParser(description="coverage of the intervals of limits")
    parser.add_argument("--pairs", type=int, default=200, help="pairs for each number of print jobs")
    parser.add_argument("--prints", type=int, nargs="+", default=[2, 3, 4, 6, 8, 12])
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    todo = [(args.seed * 1_000_000 + i, n) for n in args.prints for i in range(args.pairs)]
    found = pd.DataFrame([one_pair(*one) for one in tqdm(todo, desc="pairs", disable=None)])
    print(f"{args.pairs} pairs for each number of print jobs; 95 % is promised everywhere")
    for n, part in found.groupby("n_prints"):
        report(f"{n:2.0f} print jobs of each:", part)
    for sd, part in found.groupby("sd_limit"):
        report(f"limit moves by {100 * sd:2.0f} %:  ", part)


if __name__ == "__main__":
    main()
