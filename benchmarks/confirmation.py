"""Recommended settings printed and scanned again: do the readings lie inside their predicted intervals?

    python benchmarks/confirmation.py [--experiments 20] [--repeats 5] [--first 7000] [--jobs 1]

The whole way with real picture files, on virtual printers (INVENTED) that nothing was tuned on, filament and resin in
turn: a face-centred central composite plan of three factors with four centre points (18 prints) is printed and
scanned as a workshop does (laid down by hand, dust, fibres, scratches, JPEG), the scans are read, all models fitted,
and settings recommended for a brief. The prediction is written down; then the settings are printed and scanned again,
and each print is judged. Printed are, over all repeats:

- predictions that held: single responses inside their 95 % intervals, by response;
- repeats whose prediction is confirmed as a whole (no more misses than chance allows);
- repeats without any miss at all (with r responses chance alone allows about 0.95 ** r of them).
"""

from __future__ import annotations

import argparse
import os
import platform
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from tqdm import tqdm

from sharpset.brief import KINDS, Brief
from sharpset.errors import ReadingError
from sharpset.fits import fit_plan, judge_confirmation, write_prediction
from sharpset.pieces import Piece, stencil_from_brief
from sharpset.plans import factors_from_dict, make_plan
from sharpset.readings import read_scan, readings_table
from sharpset.rehearsal import Scanner, virtual_printer, write_scan
from sharpset.rehearsal.runs import everyday_scan, noted_results, print_runs

FACTORS: dict[str, list[dict[str, Any]]] = {
    "filament": [
        {"name": "layer_height", "unit": "mm", "kind": "continuous", "low": 0.04, "high": 0.12},
        {"name": "speed", "unit": "mm/s", "kind": "continuous", "low": 15.0, "high": 60.0},
        {"name": "fan", "unit": "%", "kind": "continuous", "low": 20.0, "high": 100.0},
    ],
    "resin": [
        {"name": "exposure", "unit": "s", "kind": "continuous", "low": 1.8, "high": 4.0, "scale": "log"},
        {"name": "layer_height", "unit": "mm", "kind": "continuous", "low": 0.025, "high": 0.1},
        {"name": "lift_speed", "unit": "mm/min", "kind": "continuous", "low": 40.0, "high": 160.0},
    ],
}
BRIEFS: dict[str, dict[str, Any]] = {
    "filament": {
        "name": "winch and davit masters",
        "process": "filament",
        "smallest_mm": {"bar": 0.25, "slot": 0.20, "hole": 0.40},
        "tolerance_mm": {"width": 0.05, "edge_roughness": 0.015},
        "limits": {"print_time_h": 1.3},
    },
    "resin": {
        "name": "canal-boat fittings",
        "process": "resin",
        "smallest_mm": {"bar": 0.15, "slot": 0.15, "hole": 0.25},
        "tolerance_mm": {"width": 0.03, "edge_roughness": 0.012},
    },
}


class Bench:
    """One virtual printer with its brief, piece and a folder for pictures."""

    def __init__(self, process: str, seed: int, folder: Path) -> None:
        self.seed, self.folder = seed, folder
        self.brief = Brief.model_validate(BRIEFS[process])
        self.piece: Piece = stencil_from_brief(self.brief)
        self.printer = virtual_printer(process, seed)
        self.n_refused = 0

    def readings(self, runs: pd.DataFrame, *, seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Print, scan and read runs; return readings and what is noted beside the printer."""
        tables, rows = [], []
        known = tuple(runs["run_id"].astype(str))
        for k, job in enumerate(print_runs(runs, self.piece, self.printer, seed=seed)):
            scan = everyday_scan(job, scanner=Scanner(), seed=seed * 10_000 + k)
            path = write_scan(scan, self.folder / f"{job.piece.run_id}.jpg", quality=92)
            try:
                tables.append(readings_table([read_scan(path, piece=self.piece, known_run_ids=known)]))
            except ReadingError:
                # A print that failed beyond reading: the maker throws it away, and the run stays empty.
                self.n_refused += 1
                continue
            rows.append(job.whole_row())
        table = pd.concat(tables, ignore_index=True)
        strange = set(table["run_id"]) - set(known)
        if strange:
            raise SystemExit(f"run codes were misread: {sorted(strange)}")
        return table[table["kind"].isin(KINDS)], noted_results(pd.DataFrame(rows))[["run_id", "print_time_h"]]


def one_experiment(task: tuple[str, int, int]) -> pd.DataFrame:
    """Return the judged responses of all repeats of one experiment, a row each."""
    process, seed, n_repeats = task
    with TemporaryDirectory() as folder:
        bench = Bench(process, seed, Path(folder))
        factors = factors_from_dict({"factor": FACTORS[process]})
        plan = make_plan(factors, design="central-composite", axial="face-centred", centre_points=4, seed=seed)
        readings, results = bench.readings(plan.runs, seed=seed)
        fit = fit_plan(plan, readings=readings, results=results, brief=bench.brief)
        prediction = write_prediction(fit)
        tables = []
        for repeat in range(n_repeats):
            run = pd.DataFrame([{"run_id": f"C{repeat + 1:02d}", **prediction.settings}])
            again, noted = bench.readings(run, seed=seed + 100_000 * (repeat + 1))
            judged = judge_confirmation(prediction, readings=again, results=noted)
            tables.append(judged.table.assign(repeat=repeat, confirmed=judged.confirmed))
    return pd.concat(tables, ignore_index=True).assign(process=process, printer=seed, refused=bench.n_refused)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--experiments", type=int, default=20)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--first", type=int, default=7000, help="seed of the first printer")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--out", type=Path, help="CSV of all judged responses")
    args = parser.parse_args()
    start = time.time()
    tasks = [(("filament", "resin")[k % 2], args.first + k, args.repeats) for k in range(args.experiments)]
    with ProcessPoolExecutor(args.jobs) as pool:
        found = list(tqdm(pool.map(one_experiment, tasks), total=len(tasks), unit="experiment"))
    table = pd.concat(found, ignore_index=True)
    if args.out is not None:
        table.to_csv(args.out, index=False)
    prints = table.groupby(["process", "printer", "repeat"]).agg(
        n=("inside", "size"), inside=("inside", "sum"), confirmed=("confirmed", "first")
    )
    n, k = len(table), int(table["inside"].sum())
    print(f"{len(prints)} repeats in {args.experiments} experiments, {n} predicted responses")
    refused = int(table.groupby("printer")["refused"].first().sum())
    print(f"prints of the plans that failed beyond reading and were left out: {refused}")
    print(f"inside their 95 % intervals: {k} of {n} = {k / n:.1%}")
    print(table.groupby("response")["inside"].agg(["mean", "size"]).round(3).to_string())
    print(table.groupby("process")["inside"].agg(["mean", "size"]).round(3).to_string())
    print(f"repeats confirmed as a whole: {int(prints['confirmed'].sum())} of {len(prints)}")
    clean = int((prints["inside"] == prints["n"]).sum())
    chance = float(np.mean(0.95 ** prints["n"]))
    print(f"repeats without a single miss: {clean} of {len(prints)} ({chance:.0%} if misses came one by one by chance)")
    print(f"{platform.platform(terse=True)}, Python {platform.python_version()}, {time.time() - start:.0f} s")


if __name__ == "__main__":
    main()
