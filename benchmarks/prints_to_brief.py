"""How many prints it takes until a brief is met: planned prints and fits against one factor at a time.

    python benchmarks/prints_to_brief.py [--printers 200] [--process both] [--share 0.001] [--first 5000] [--jobs 2]

Each virtual printer has its own hidden response (INVENTED). A brief is made for each that is hard and can be
met: all its sizes and its roughness are scaled until only a small share of the settings in the region (--share,
0.1 % by default) give a print that meets it with a chance of 80 %. Both ways print the stencil made for that brief,
get the same kind of readings (drawn from the printer's behaviour with reading errors), judge prints by the same
margins (sharpset.fits.brief_margins), and stop at the first print whose settings truly meet the brief with a chance
of 80 % and whose readings show it. Settings that meet it with 75 % do not count, which no reading could tell from 80 %;
so the first print that shows the brief met where its true chance is 50 % or more is noted as well. Growth is allowed
for in CAD in both. A way that has not got there after 120 prints counts as 120; to save time the planned way gives up
after 40 already, and counts as 120 then.

- One factor at a time: five levels of each factor in turn, the best kept (by the number of requirements met,
  then by how far the worst one is missed), round after round; from the second round on the levels lie closer,
  around the best so far.
- Planned: untold, the middle and then each factor once at one of its ends, chosen at random (design "simplex", the
  fewest prints that can show every main effect); told, one print to start with (design "start"). Then one print at a
  time where the search (sharpset.fits.BriefSearch) expects most, all prints used.

Both ways are run twice. Untold they begin in the middle of the region, and any end of a factor is as good as the other.
Told they know what common practice (no source) says of where fine details usually come out best: thin layers, slow
lifting or printing, long rests or layer times, much fan, exposure in the middle. Both then begin two thirds of the way
towards these ends; one factor at a time tries the levels of each factor that should be finer first, and the search
leans that way (the key "finer" of a factors file) until prints say otherwise.

Printed last (2026-11-26, --process both --first 130000, two shared cores, fresh printers; share 0.1 %; medians,
quartiles in brackets):

- 200 printers, 100 of each process. Untold: planned 10 (8 to 15), one factor 120 (17 to 120), ratio 0.08, interval 0.07
  to 0.08, quicker on 85 %; not met by 22 and 128. Told: planned 8 (4 to 11), one factor 120 (9 to 120), ratio 0.07,
  interval 0.06 to 0.07, quicker on 88 %; not met by 9 and 124. The third that was aimed at is kept over all printers.
- resin, 100 of them. Untold: planned 10 (7 to 25), one factor 18.5 (14 to 120), ratio 0.54, interval 0.37 to 0.67; not
  met by 20 and 34. Told: planned 4 (3 to 7), one factor 9 (6 to 120), ratio 0.44, interval 0.27 to 0.56; not met by 7
  and 26. On resin alone the third is missed.
- filament, 100 of them. Untold: planned 9 (8 to 13), one factor 120 (not met by 94). Told: planned 10 (8 to 13), one
  factor 120 (not met by 98); not met by 2 either way.
- Counting a true chance of 50 %: resin 7 against 10 and, told, 3 against 5.5; filament 3 against 6 and 6 against 7.
- A search from the first print on without being told took 13 on 124 resin printers and 12 on 83 filament printers (9
  after the moves).
"""

from __future__ import annotations

import argparse
import os
import platform
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
from scipy.special import ndtr  # noqa: E402
from tqdm import tqdm  # noqa: E402

from sharpset.brief import Brief  # noqa: E402
from sharpset.fits import BriefSearch, Margins, Space, brief_margins, formed_counts, responses_from_readings  # noqa: E402
from sharpset.fits.ladder import probability  # noqa: E402
from sharpset.fits.responses import OPENINGS  # noqa: E402
from sharpset.pieces import stencil_from_brief  # noqa: E402
from sharpset.plans import Factors, factors_from_dict  # noqa: E402
from sharpset.plans.starting import start_settings  # noqa: E402
from sharpset.rehearsal import Printer, virtual_printer  # noqa: E402
from sharpset.rehearsal.printers import job_of  # noqa: E402

MOST = 120
GIVE_UP = 40
WANTED_CHANCE = 0.8
WIDTH_MM = 0.03
ROUGHNESS_SCATTER = 0.06
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
# Common practice, no source: where in each range fine details usually come out best.
USUALLY_FINER = {
    "resin": {"exposure": "middle", "layer_height": "low", "lift_speed": "low", "rest_time": "high"},
    "filament": {"layer_height": "low", "speed": "low", "fan": "high", "min_layer_time": "high"},
}
SIZES = {"resin": {"bar": 0.15, "slot": 0.15, "hole": 0.25}, "filament": {"bar": 0.25, "slot": 0.20, "hole": 0.40}}


def factors_of(process: str, *, told: bool) -> Factors:
    """Return the factors, with what common practice knows of them where the maker is told."""
    known = USUALLY_FINER[process] if told else {}
    return factors_from_dict(
        {"factor": [entry | {"finer": known.get(entry["name"], "")} for entry in FACTORS[process]]}
    )


def brief_of(process: str, size: float, rough_mm: float, time_h: float | None = None) -> Brief:
    """Return a brief with all its sizes scaled."""
    return Brief.model_validate(
        {
            "name": "lock gate fittings",
            "process": process,
            "smallest_mm": {k: v * size for k, v in SIZES[process].items()},
            "tolerance_mm": {"width": WIDTH_MM, "edge_roughness": rough_mm},
            "limits": {} if time_h is None else {"print_time_h": time_h},
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
        time_h = brief.limits.print_time_h
        if time_h is not None and b.print_time_h > time_h:
            return 0.0
        chance = float(ndtr(np.log(brief.tolerance_mm.edge_roughness / b.roughness_mm) / ROUGHNESS_SCATTER))
        scatter = np.hypot(2 * b.run_growth_scatter_mm, b.width_scatter_mm)
        for kind, wanted in brief.smallest_mm.items():
            if chance < 0.5 * WANTED_CHANCE:
                return chance
            drawn = float(np.clip(2 * wanted - b.mean_width_mm(kind, wanted), 0.05 * wanted, 3 * wanted))
            limits = np.array([b.limit_mm(kind, angle_deg=a) for a in (0.0, 45.0, 90.0)])
            forms = probability(np.log(drawn / limits), b.limit_spread, b.run_limit_scatter)
            missed = b.mean_width_mm(kind, drawn) - wanted
            inside = ndtr((WIDTH_MM - missed) / scatter) - ndtr((-WIDTH_MM - missed) / scatter)
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
            roughness_mm=mean.roughness_mm * np.exp(rng.normal(0, ROUGHNESS_SCATTER)),
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


class Ledger:
    """Counts the prints of one way and tells when it has got there."""

    def __init__(self, bench: Bench, brief: Brief, factors: Factors, seed: int) -> None:
        self.bench, self.brief, self.factors, self.seed = bench, brief, factors, seed
        self.n = 0
        self.done = False
        self.n_half = MOST
        self.responses: list[pd.DataFrame] = []
        self.counts: list[pd.DataFrame] = []
        self.runs: list[dict[str, Any]] = []

    def take(self, coded: np.ndarray) -> Margins:
        """Print once at coded settings; return the margins that its readings show."""
        settings = {k: float(v) for k, v in self.factors.from_matrix(coded[None, :]).iloc[0].items()}
        return self.print_at(settings)

    def print_at(self, settings: dict[str, float]) -> Margins:
        """Print once; return the margins that its readings show."""
        self.n += 1
        run_id = f"P{self.n:03d}"
        readings = self.bench.print_and_read(settings, run_id, self.seed * 1000 + self.n)
        row = responses_from_readings(readings, self.brief)
        self.responses.append(row.assign(print_time_h=self.bench.behaviour(settings).print_time_h))
        self.counts.append(formed_counts(readings))
        self.runs.append({"run_id": run_id, **settings})
        margins = brief_margins(self.responses[-1], self.counts[-1], self.brief)
        truly = self.bench.true_chance(self.bench.behaviour(settings), self.brief)
        if margins.shown and truly >= 0.5:
            self.n_half = min(self.n_half, self.n)
        self.done = self.done or (truly >= WANTED_CHANCE and bool(margins.shown))
        return margins

    def margins(self) -> Margins:
        """Return the margins of all prints so far."""
        return brief_margins(
            pd.concat(self.responses, ignore_index=True), pd.concat(self.counts, ignore_index=True), self.brief
        )


def make_bench(process: str, seed: int, *, wanted_share: float, in_time: bool = False) -> tuple[Bench, Brief] | None:
    """Return a printer and a brief that few of its settings meet; None where there is none."""
    n_settings = 2 ** int(np.ceil(np.log2(4 / wanted_share)))
    printer = virtual_printer(process, seed)
    piece = stencil_from_brief(brief_of(process, 1.0, 0.02))
    bench = Bench(printer=printer, features=piece.features, job=job_of(piece))
    factors = factors_from_dict({"factor": FACTORS[process]})
    settings = factors.from_matrix(factors.sample(n_settings, seed=seed)).to_dict(orient="records")
    known = [bench.behaviour(s) for s in settings]
    limit = float(np.quantile([b.roughness_mm for b in known], 0.5))
    time_h = float(np.quantile([b.print_time_h for b in known], 0.5)) if in_time else None

    def meeting(size: float, among: list[Any]) -> list[Any]:
        asked = brief_of(process, size, limit, time_h)
        return [b for b in among if bench.true_chance(b, asked) >= WANTED_CHANCE]

    # Whatever meets a brief of small sizes meets one of larger sizes, so that fewer and fewer need a look.
    low, high, alive = 0.3, 3.0, known
    for _ in range(12):
        middle = float(np.sqrt(low * high))
        found = meeting(middle, alive)
        if len(found) > wanted_share * len(known):
            high, alive = middle, found
        else:
            low = middle
    share = len(meeting(high, known)) / len(known)
    if not 0.3 * wanted_share <= share <= 3 * wanted_share:
        return None
    brief = brief_of(process, high, limit, time_h)
    piece = stencil_from_brief(brief)
    table = piece.features[piece.features["kind"].isin(SIZES[process])]
    widest = 4 * max(brief.smallest_mm.values())
    return Bench(printer=printer, features=table[table["nominal_mm"] < widest], job=job_of(piece)), brief


def levels_around(centre: float, reach: float, finer: str) -> list[float]:
    """Return four further levels of a factor, those first that are expected to be finer."""
    levels = np.unique(np.clip(centre + reach * np.array([-1.0, -0.5, 0.5, 1.0]), -1.0, 1.0))
    levels = levels[np.abs(levels - centre) > 1e-9]
    worth = {"low": -levels, "high": levels, "middle": -np.abs(levels)}.get(finer, np.zeros(len(levels)))
    return [float(v) for v in levels[np.argsort(-worth, kind="stable")]]


def one_factor_at_a_time(bench: Bench, brief: Brief, seed: int, *, told: bool = False) -> Ledger:
    """Return the prints of changing one factor at a time."""
    factors = factors_of(bench.printer.process, told=told)
    rng = np.random.default_rng(seed)
    ledger = Ledger(bench, brief, factors, seed + 1)
    best = start_settings(factors)

    def rank(margins: Margins) -> tuple[int, float]:
        missed = np.maximum(-margins.table[margins.requirements].to_numpy(dtype=float), 0.0)
        return int(np.sum(missed > 0)), float(np.nanmax(missed))

    score = rank(ledger.take(best))
    reach = 1.0
    while not ledger.done and ledger.n < MOST:
        for i in rng.permutation(len(factors)):
            for level in levels_around(best[i], reach, factors.factors[i].finer):
                if ledger.n >= MOST:
                    return ledger
                trial = best.copy()
                trial[i] = level
                got = rank(ledger.take(trial))
                if ledger.done:
                    return ledger
                if got < score:
                    best, score = trial, got
        reach = max(0.6 * reach, 0.1)
    return ledger


def planned(bench: Bench, brief: Brief, seed: int, *, told: bool = False) -> Ledger:
    """Return the prints of a small plan, where nothing is known beforehand, and of the search after it."""
    factors = factors_of(bench.printer.process, told=told)
    ledger = Ledger(bench, brief, factors, seed + 2)
    start = start_settings(factors)
    ledger.take(start)
    ends = () if told else np.random.default_rng(seed).choice([-1.0, 1.0], len(factors))
    for i, end in enumerate(ends):
        if ledger.done:
            return ledger
        ledger.take(np.where(np.arange(len(factors)) == i, end, start))
    space = Space.of_factors(factors)
    while not ledger.done and ledger.n < GIVE_UP:
        search = BriefSearch(ledger.margins(), pd.DataFrame(ledger.runs), space, seed=ledger.n)
        ledger.print_at(search.next_settings()[list(factors.names)].iloc[0].to_dict())
    return ledger


def one_printer(task: tuple[str, int, float, bool]) -> dict[str, Any] | None:
    """Return the prints that both ways take on one printer."""
    process, seed, share, in_time = task
    made = make_bench(process, seed, wanted_share=share, in_time=in_time)
    if made is None:
        return None
    row: dict[str, Any] = {"process": process, "printer": seed}
    for told, ending in ((False, ""), (True, "_told")):
        for name, way in (("planned", planned), ("one_factor", one_factor_at_a_time)):
            ledger = way(*made, seed, told=told)
            row[f"{name}{ending}"] = ledger.n if ledger.done else MOST
            row[f"{name}{ending}_half"] = ledger.n_half
    return row


def compared(table: pd.DataFrame, ours: str, other: str) -> str:
    """Return the ratio of two medians with its interval, and how often the first way is quicker."""
    draws = np.random.default_rng(0).integers(0, len(table), (2000, len(table)))
    medians = [np.median(table[way].to_numpy()[draws], axis=1) for way in (ours, other)]
    low, high = np.quantile(medians[0] / medians[1], [0.025, 0.975])
    ratio = table[ours].median() / table[other].median()
    wins = float((table[ours] < table[other]).mean() + 0.5 * (table[ours] == table[other]).mean())
    return (
        f"median {ours} / median {other}: {ratio:.2f} (95 % bootstrap interval {low:.2f} to {high:.2f}); "
        f"quicker on {100 * wins:.0f} % of the printers, draws counted half"
    )


def report(table: pd.DataFrame, words: str) -> None:
    """Print how many prints each way took, as a distribution and as a ratio of medians."""
    print(f"\n{len(table)} {words}")
    for ending, chance in (("", f"{WANTED_CHANCE:.0%}"), ("_half", "50 %")):
        ways = [f"{way}{told}{ending}" for told in ("", "_told") for way in ("planned", "one_factor")]
        print(f"prints until one shows the brief met at settings that truly meet it with a chance of {chance}:")
        print(table[ways].quantile([0.1, 0.25, 0.5, 0.75, 0.9]).to_string())
        print(f"not met after {MOST} prints: {(table[ways] >= MOST).sum().to_dict()}")
        for ours, other in (ways[:2], ways[2:]):
            print(compared(table, ours, other))


def main() -> None:
    """Run and print the distribution."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--printers", type=int, default=200)
    parser.add_argument("--process", choices=("both", "resin", "filament"), default="both", help="both: in turns")
    parser.add_argument("--share", type=float, default=0.001, help="share of settings that meet the brief")
    parser.add_argument("--in-time", action="store_true", help="the brief also limits the print time, to its median")
    parser.add_argument("--first", type=int, default=5000, help="seed of the first printer")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--minutes", type=float, default=1e9, help="start no further printer after this time")
    parser.add_argument("--out", type=Path, help="CSV of all printers")
    args = parser.parse_args()
    start = time.time()
    processes = ("resin", "filament") if args.process == "both" else (args.process,)
    rows: list[dict[str, Any]] = []
    tried = 0
    with ProcessPoolExecutor(args.jobs) as pool, tqdm(total=args.printers, unit="printer") as bar:
        while len(rows) < args.printers and time.time() - start <= 60 * args.minutes:
            batch = range(tried, tried + args.jobs)
            tasks = [(processes[i % len(processes)], args.first + i, args.share, args.in_time) for i in batch]
            rows += [row for row in pool.map(one_printer, tasks) if row is not None]
            tried += len(tasks)
            bar.update(len(rows) - bar.n)
            if args.out is not None:
                pd.DataFrame(rows).to_csv(args.out, index=False)
    table = pd.DataFrame(rows).head(args.printers)
    report(table, f"virtual printers with a brief that can be met ({tried} tried)")
    for process, part in table.groupby("process") if len(processes) > 1 else ():
        report(part, f"of them for {process}")
    print(f"{platform.platform()}, Python {platform.python_version()}, {time.time() - start:.0f} s")


if __name__ == "__main__":
    main()
