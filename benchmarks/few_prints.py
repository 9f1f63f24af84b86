"""With six prints or fewer: how often does pure noise show an effect, and do predictions hold? Tables drawn by formula.

    python benchmarks/few_prints.py [--repeats 400] [--seed 1]

For each small plan: noise alone (share of experiments in which any effect passes), and one factor or two of 3, 10 and
30 standard deviations from end to end (share in which the first is found, share with a term too many, and how often
the 95 % interval of a new print at a random place in the tried region holds).

Printed last: see benchmarks/README.md.
"""

from __future__ import annotations

import argparse
import os
import time
from itertools import product

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from tqdm import tqdm

from sharpset.fits import fit_responses
from sharpset.fits.space import space_of

CORNERS = pd.DataFrame(list(product((-1.0, 1.0), repeat=2)), columns=["a", "b"])
HALF = CORNERS.assign(c=CORNERS["a"] * CORNERS["b"])


def centre(table: pd.DataFrame, count: int) -> pd.DataFrame:
    """Return the runs with centre points."""
    middle = pd.DataFrame(0.0, index=range(count), columns=table.columns)
    return pd.concat([table, middle], ignore_index=True)


PLANS = {
    "1 factor, 4 levels": pd.DataFrame({"a": [-1.0, -1 / 3, 1 / 3, 1.0]}),
    "1 factor, 5 levels": pd.DataFrame({"a": [-1.0, -0.5, 0.0, 0.5, 1.0]}),
    "1 factor, 3 levels twice": pd.DataFrame({"a": [-1.0, 0.0, 1.0] * 2}),
    "2x2": CORNERS,
    "2x2, 1 centre": centre(CORNERS, 1),
    "2x2, 2 centres": centre(CORNERS, 2),
    "2^(3-1)": HALF,
    "2^(3-1), 2 centres": centre(HALF, 2),
    "5 factors, 6 at random": pd.DataFrame(np.random.default_rng(1).uniform(-1, 1, (6, 5)), columns=list("abcde")),
}


def experiments(plan: pd.DataFrame, effects: tuple[float, ...], repeats: int, rng: np.random.Generator) -> pd.Series:
    """Return the share of experiments with the first effect, with a term too many, and of predictions that hold."""
    runs = plan.assign(run_id=[f"R{i + 1}" for i in range(len(plan))])
    names = list(plan.columns)[: len(effects)]
    found, more, holds = 0, 0, 0
    for _ in range(repeats):
        y = runs[names].to_numpy() @ np.array(effects) / 2.0 + rng.standard_normal(len(runs))
        use = fit_responses(runs, pd.DataFrame({"run_id": runs["run_id"], "y": y}))["y"].predictor
        terms = {t.label for t in use.model.terms if t.order}
        found += names[0] in terms if names else bool(terms)
        more += bool(terms - set(names))
        place = space_of(runs).sample(1, seed=int(rng.integers(2**31)))
        new = float(place[names].to_numpy()[0] @ np.array(effects) / 2.0 + rng.standard_normal())
        got = use.predict(place).iloc[0]
        holds += bool(got["low"] <= new <= got["high"])
    return pd.Series({"first found": found, "term too many": more, "prediction holds": holds}) / repeats


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeats", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    start, rows = time.time(), {}
    rng = np.random.default_rng(args.seed)
    for name, plan in tqdm(PLANS.items(), disable=None):
        for effects in ((), (3.0,), (10.0,), (30.0,), (30.0, 20.0)):
            if len(effects) <= plan.shape[1]:
                rows[name, ", ".join(f"{e:g}" for e in effects) or "noise"] = experiments(
                    plan, effects, args.repeats, rng
                )
    table = pd.DataFrame(rows).T
    print(table.round(3).to_string())
    noise = table[table.index.get_level_values(1) == "noise"]
    print(f"noise shows an effect in {noise['term too many'].mean():.1%} of {args.repeats * len(noise)}")
    print(f"predictions hold in {table['prediction holds'].mean():.1%}; {time.time() - start:.0f} s")


if __name__ == "__main__":
    main()
