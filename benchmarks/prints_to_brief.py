"""How many prints it takes until a brief is met: planned prints and fits against one factor at a time.

    python benchmarks/prints_to_brief.py [--printers 200] [--process resin] [--first 5000] [--jobs 2]

Each virtual printer has its own hidden response (INVENTED). A brief is made for each that is hard and can be
met: all its sizes and its roughness are scaled until only 0.5 % of the settings in the region give a print that
meets it with a chance of 80 %. Both ways start from the same print in the middle of the region, get the same
kind of readings (of a whole test piece, drawn from the printer's behaviour with reading errors), and stop at
the first print whose settings truly meet the brief with a chance of 80 % and whose readings show it. Growth is
allowed for in CAD in both. A way that has not got there after 120 prints counts as 120.

- One factor at a time: five levels of each factor in turn, the best kept (by the number of requirements met,
  then by how far the worst one is missed), round after round; from the second round on the levels lie closer,
  around the best so far.
- Planned: five more prints at the corners of a simplex about the middle (the smallest plan for main
  effects of four factors), then the print that the fits recommend next, one at a time; after every print all
  models are fitted again. Settings that were printed without success are not printed again.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import platform
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
from scipy.special import ndtr  # noqa: E402
from tqdm import tqdm  # noqa: E402

from sharpset.brief import Brief  # noqa: E402
from sharpset.errors import FitError  # noqa: E402
from sharpset.fits import (  # noqa: E402
    Forecast,
    Region,
    fit_formed,
    fit_response,
    formed_counts,
    responses_from_readings,
    space_of,
)
from sharpset.fits.ladder import probability  # noqa: E402
from sharpset.fits.region import maximise  # noqa: E402
from sharpset.fits.responses import OPENINGS  # noqa: E402
from sharpset.pieces import stencil_from_brief  # noqa: E402
from sharpset.plans import Plan, factors_from_dict  # noqa: E402
from sharpset.rehearsal import Printer, virtual_printer  # noqa: E402
from sharpset.rehearsal.printers import job_of  # noqa: E402

MOST = 120
SHARE = 0.005
WANTED_CHANCE = 0.8
FACTORS: dict[str, list[dict[str, Any]]] = {
    "resin": [
        {"name": "exposure", "unit": "s", "kind": "continuous", "low": 1.2, "high": 4.8, "scale": "log"},
        {"name": "layer_height", "unit": "mm", "kind": "continuous", "low": 0.02, "high": 0.1},
        {"name": "lift_speed", "unit": "mm/min", "kind": "continuous", "low": 30.0, "high": 180.0},
        {"name": "rest_time", "unit": "s", "kind": "continuous", "low": 0.0, "high": 4.0},
    ],
    "filament": [
        {"name": "layer_height", "unit": "mm", "kind": "continuous", "low": 0.03, "high": 0.14},
        {"name": "speed", "unit": "mm/s", "kind": "continuous", "low": 12.0, "high": 60.0},
        {"name": "fan", "unit": "%", "kind": "continuous", "low": 20.0, "high": 100.0},
        {"name": "min_layer_time", "unit": "s", "kind": "continuous", "low": 3.0, "high": 25.0},
    ],
}
SIZES = {"resin": {"bar": 0.15, "slot": 0.15, "hole": 0.25}, "filament": {"bar": 0.25, "slot": 0.20, "hole": 0.40}}


def brief_of(process: str, size: float, rough_mm: float) -> Brief:
    """Return a brief with all its sizes scaled."""
    return Brief.model_validate(
        {
            "name": "lock gate fittings",
            "process": process,
            "smallest_mm": {k: v * size for k, v in SIZES[process].items()},
            "tolerance_mm": {"width": 0.03, "edge_roughness": rough_mm},
        }
    )


@dataclass(frozen=True, kw_only=True)
class Bench:
    """One virtual printer and the piece that is printed on it."""

    printer: Printer
    features: pd.DataFrame
    job: Any

    def behaviour(self, settings: dict[str, float]) -> Any:
        return self.printer.behaviour(settings, self.job)

    def true_chance(self, b: Any, brief: Brief) -> float:
        """Return the chance that a print of this behaviour meets the brief, growth allowed for in CAD."""
        chance = float(ndtr(np.log(brief.tolerance_mm.edge_roughness / b.roughness_mm) / 0.06))
        scatter = np.hypot(2 * b.run_growth_scatter_mm, b.width_scatter_mm)
        for kind, wanted in brief.smallest_mm.items():
            drawn = np.clip(2 * wanted - b.mean_width_mm(kind, wanted), 0.05 * wanted, 3 * wanted)
            forms = [
                float(probability(np.log(drawn / b.limit_mm(kind, angle_deg=a)), b.limit_spread, b.run_limit_scatter))
                for a in (0.0, 45.0, 90.0)
            ]
            missed = b.mean_width_mm(kind, float(drawn)) - wanted
            inside = ndtr((0.03 - missed) / scatter) - ndtr((-0.03 - missed) / scatter)
            chance *= float(np.mean(forms)) * float(inside)
        return chance

    def print_and_read(self, settings: dict[str, float], run_id: str, seed: int) -> pd.DataFrame:
        """Return the readings of one print, drawn from the printer's behaviour."""
        rng = np.random.default_rng(seed)
        mean = self.behaviour(settings)
        shift = rng.normal(0, mean.run_growth_scatter_mm)
        b = replace(
            mean,
            growth_bar_mm=mean.growth_bar_mm + shift,
            growth_slot_mm=mean.growth_slot_mm + shift,
            growth_hole_mm=mean.growth_hole_mm + shift,
            limit_slot_mm=mean.limit_slot_mm * np.exp(rng.normal(0, mean.run_limit_scatter)),
            limit_bar_mm=mean.limit_bar_mm * np.exp(rng.normal(0, mean.run_limit_scatter)),
            limit_hole_mm=mean.limit_hole_mm * np.exp(rng.normal(0, mean.run_limit_scatter)),
            roughness_mm=mean.roughness_mm * np.exp(rng.normal(0, 0.06)),
        )
        common = rng.normal(0, 0.002)
        rows = []
        for f in self.features.itertuples():
            flawed = rng.random() < b.flaw_chance_of(f.kind, f.nominal_mm, angle_deg=f.angle_deg)
            formed = rng.random() < b.chance_formed(f.kind, f.nominal_mm, angle_deg=f.angle_deg) and not flawed
            sign = -1.0 if f.kind in OPENINGS else 1.0
            width = b.mean_width_mm(f.kind, f.nominal_mm) + rng.normal(0, b.width_scatter_mm)
            width += sign * common + rng.normal(0, 0.002)
            rows.append(
                {
                    "run_id": run_id,
                    "feature_id": f.feature_id,
                    "kind": f.kind,
                    "nominal_mm": f.nominal_mm,
                    "angle_deg": f.angle_deg,
                    "formed": "yes" if formed else "no",
                    "measured_mm": width if formed else np.nan,
                    "U95_mm": 1.96 * 0.0028,
                    "deviation_mm": width - f.nominal_mm if formed else np.nan,
                    "edge_roughness_mm": b.roughness_mm * np.exp(rng.normal(0, 0.1)),
                }
            )
        return pd.DataFrame(rows)


def shortfalls(readings: pd.DataFrame, brief: Brief) -> dict[str, float]:
    """Return by how much one print's readings miss each requirement; 0 where it is met."""
    row = responses_from_readings(readings, brief).iloc[0]
    out = {"rough": max(np.log(row["edge_roughness_mm"] / brief.tolerance_mm.edge_roughness), 0.0)}
    for kind, wanted in brief.smallest_mm.items():
        growth = row.get(f"growth_{kind}_at_brief_mm", np.nan)
        growth = row[f"growth_{kind}_mm"] if not np.isfinite(growth) else growth
        sign = -1.0 if kind in OPENINGS else 1.0
        drawn = max(wanted - 2 * sign * growth, 0.05 * wanted)
        smallest = row[f"smallest_{kind}_mm"]
        out[kind] = 1.0 if not np.isfinite(smallest) else max(np.log(smallest / drawn), 0.0)
    return out


class Ledger:
    """Counts the prints of one way and tells when it has got there."""

    def __init__(self, bench: Bench, brief: Brief, seed: int) -> None:
        self.bench, self.brief, self.seed = bench, brief, seed
        self.n = 0
        self.done = False
        self.tables: list[pd.DataFrame] = []
        self.runs: list[dict[str, Any]] = []

    def take(self, settings: dict[str, float]) -> dict[str, float]:
        """Print once; return the shortfalls that its readings show."""
        self.n += 1
        run_id = f"P{self.n:03d}"
        readings = self.bench.print_and_read(settings, run_id, self.seed * 1000 + self.n)
        self.tables.append(readings)
        self.runs.append({"run_id": run_id, **settings})
        missed = shortfalls(readings, self.brief)
        if (
            sum(missed.values()) == 0.0
            and self.bench.true_chance(self.bench.behaviour(settings), self.brief) >= WANTED_CHANCE
        ):
            self.done = True
        return missed


def make_bench(process: str, seed: int) -> tuple[Bench, Brief] | None:
    """Return a printer and a brief that few of its settings meet; None where there is none."""
    printer = virtual_printer(process, seed)
    piece = stencil_from_brief(brief_of(process, 1.0, 0.02))
    table = piece.features[piece.features["kind"].isin(SIZES[process]) & (piece.features["nominal_mm"] < 4)]
    bench = Bench(printer=printer, features=table, job=job_of(piece))
    factors = factors_from_dict({"factor": FACTORS[process]})
    settings = factors.from_matrix(factors.sample(1024, seed=seed)).to_dict(orient="records")
    known = [bench.behaviour(s) for s in settings]
    rough = np.array([b.roughness_mm for b in known])
    limit = float(np.quantile(rough, 0.5))
    low, high = 0.3, 3.0
    for _ in range(14):
        middle = float(np.sqrt(low * high))
        asked = brief_of(process, middle, limit)
        met = np.mean([bench.true_chance(b, asked) >= WANTED_CHANCE for b in known])
        low, high = (low, middle) if met > SHARE else (middle, high)
    brief = brief_of(process, high, limit)
    met = np.mean([bench.true_chance(b, brief) >= WANTED_CHANCE for b in known])
    return (bench, brief) if 0.001 <= met <= 0.02 else None


def one_factor_at_a_time(bench: Bench, brief: Brief, seed: int) -> int:
    """Return the number of prints that changing one factor at a time takes."""
    factors = factors_from_dict({"factor": FACTORS[bench.printer.process]})
    rng = np.random.default_rng(seed)
    ledger = Ledger(bench, brief, seed + 1)
    best = np.zeros(len(factors))

    def settings(coded: np.ndarray) -> dict[str, float]:
        return {k: float(v) for k, v in factors.from_matrix(coded[None, :]).iloc[0].items()}

    def rank(missed: dict[str, float]) -> tuple[int, float]:
        return sum(v > 0 for v in missed.values()), max(missed.values())

    score = rank(ledger.take(settings(best)))
    reach = 1.0
    while not ledger.done and ledger.n < MOST:
        for i in rng.permutation(len(factors)):
            centre = best[i]
            for level in np.clip(centre + reach * np.array([-1.0, -0.5, 0.5, 1.0]), -1.0, 1.0):
                if abs(level - centre) < 1e-9 or ledger.n >= MOST:
                    continue
                trial = best.copy()
                trial[i] = level
                got = rank(ledger.take(settings(trial)))
                if ledger.done:
                    return ledger.n
                if got < score:
                    best, score = trial, got
        reach = max(0.6 * reach, 0.1)
    return ledger.n if ledger.done else MOST


def simplex(n_factors: int, rng: np.random.Generator, *, reach: float = 0.75) -> np.ndarray:
    """Return the corners of a regular simplex, turned at random, within the stated reach; coded."""
    raw = np.eye(n_factors + 1) - 1.0 / (n_factors + 1)
    basis = np.linalg.svd(raw)[2][:n_factors].T
    turn, _ = np.linalg.qr(rng.standard_normal((n_factors, n_factors)))
    points = raw @ basis @ turn
    return points * reach / np.abs(points).max()


def planned(bench: Bench, brief: Brief, seed: int) -> int:
    """Return the number of prints that a small plan and the fits after it take."""
    factors = factors_from_dict({"factor": FACTORS[bench.printer.process]})
    ledger = Ledger(bench, brief, seed + 2)
    centre = {k: float(v) for k, v in factors.from_matrix(np.zeros((1, len(factors)))).iloc[0].items()}
    ledger.take(centre)
    first = factors.from_matrix(simplex(len(factors), np.random.default_rng(seed)))
    for _, run in first.iterrows():
        if ledger.done:
            return ledger.n
        ledger.take({n: float(run[n]) for n in factors.names})
    while not ledger.done and ledger.n < MOST:
        ledger.take(recommend(ledger, factors, seed))
    return ledger.n if ledger.done else MOST


def recommend(ledger: Ledger, factors: Any, seed: int) -> dict[str, float]:
    """Return the settings that the fits of all prints so far recommend."""
    runs = pd.DataFrame(ledger.runs)
    plan = Plan(
        factors=factors,
        design="sequential",
        model="linear",
        seed=seed,
        runs=runs.assign(print_order=np.arange(1, len(runs) + 1), whole_plot=np.arange(1, len(runs) + 1), block=1),
    )
    space = space_of(plan)
    readings = pd.concat(ledger.tables, ignore_index=True)
    table = responses_from_readings(readings, ledger.brief)
    runs = runs.merge(table, on="run_id")
    fits, formed = {}, {}
    for kind in ledger.brief.smallest_mm:
        for name in (f"growth_{kind}_at_brief_mm", f"growth_{kind}_mm", "edge_roughness_mm"):
            if name in fits or (f"growth_{kind}_at_brief_mm" in fits and name == f"growth_{kind}_mm"):
                continue
            with contextlib.suppress(FitError):
                fits[name] = fit_response(runs, name, space=space, detail=False)
        formed[kind] = fit_formed(formed_counts(readings), runs[["run_id", *space.names]], kind=kind, space=space)
    spread = dict.fromkeys([*ledger.brief.smallest_mm, *(f"{k}_at_brief" for k in ledger.brief.smallest_mm)], 0.004)
    forecast = Forecast(
        ledger.brief,
        responses=fits,
        formed=formed,
        feature_sd_mm=spread,
        near_mm=dict(ledger.brief.smallest_mm),
        seed=ledger.n,
        n_draws=200,
    )
    region = Region(space=space, runs=runs[space.names])
    tried = factors.to_matrix(runs)

    def worth(settings: pd.DataFrame) -> np.ndarray:
        coded = factors.to_matrix(settings)
        near = np.min(np.max(np.abs(coded[:, None, :] - tried[None, :, :]), axis=2), axis=1)
        got = forecast.chances(settings)
        hint = np.exp(np.mean(np.log(np.maximum(got.parts.to_numpy(), 1e-9)), axis=1))
        return np.where(near < 0.15, -1.0, got.met + 1e-3 * hint)

    best = maximise(worth, region, seed=ledger.n, n_candidates=256, n_starts=4)
    return {n: float(best[n].iloc[0]) for n in space.names}


def one_printer(task: tuple[str, int]) -> dict[str, Any] | None:
    """Return the prints that both ways take on one printer."""
    process, seed = task
    made = make_bench(process, seed)
    if made is None:
        return None
    bench, brief = made
    return {
        "printer": seed,
        "planned": planned(bench, brief, seed),
        "one_factor": one_factor_at_a_time(bench, brief, seed),
    }


def main() -> None:
    """Run and print the distribution."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--printers", type=int, default=200)
    parser.add_argument("--process", choices=("resin", "filament"), default="resin")
    parser.add_argument("--first", type=int, default=5000, help="seed of the first printer")
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    start = time.time()
    tasks = [(args.process, args.first + i) for i in range(args.printers)]
    with ProcessPoolExecutor(args.jobs) as pool:
        found = list(tqdm(pool.map(one_printer, tasks), total=len(tasks), unit="printer"))
    table = pd.DataFrame([row for row in found if row is not None])
    print(f"{len(table)} virtual {args.process} printers with a brief that can be met ({args.printers} tried)")
    quantiles = table[["planned", "one_factor"]].quantile([0.1, 0.25, 0.5, 0.75, 0.9])
    print(quantiles.to_string())
    print(f"not met after {MOST} prints: {(table[['planned', 'one_factor']] >= MOST).sum().to_dict()}")
    ratio = table["planned"].median() / table["one_factor"].median()
    print(f"median planned / median one factor at a time: {ratio:.2f}")
    wins = float((table["planned"] < table["one_factor"]).mean())
    print(f"planned was quicker on {100 * wins:.0f} % of the printers")
    print(f"{platform.platform()}, Python {platform.python_version()}, {time.time() - start:.0f} s")


if __name__ == "__main__":
    main()
