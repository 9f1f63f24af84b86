"""How often the stated 95 % intervals of readings hold the truth, over every fault of prints, scanners and files.

    python benchmarks/coverage.py [--prints 50] [--features 25] [--seed 1] [--keep FOLDER] [--pieces 0]

Each print is scanned twice: by one scanner with the piece turned by about 90 or 180 degrees, or by two scanners. Every
nuisance is drawn anew from the distributions stated in tests/readings/faulty_scenes.py, none sits at the value that the
readings assume: resolution, blur, carriage smear, halo or sharpening, read and shot noise, correlated texture,
illumination, dust, fibres, rough edges, contrast, dark or bright plates, turn, mirror, sRGB, linear and gamma files,
JPEG 60 to 95, a transfer exponent off by up to 0.1 of 2.2, a scale off by 0.2 % (standard deviation, each axis),
a half-shaded band of up to 25 um beside walls that face away from the lamp (every other scanner), lit walls that show
5 to 30 um wide beside all edges of bright plates (one scanner in ten).

Printed: for all readings and for each class of fault the number of readings and of scans, the share of intervals that
hold the truth with its 95 % binomial interval, its standard error and 95 % interval by a bootstrap of whole scans
(features of one scan share errors), bias, root mean square error, mean half-width, and two scores that judge width and
coverage together, means in micrometres, the smaller the better: the interval score (width plus 40 times what the truth
lies outside by) and the continuous ranked probability score of the normal distributions that readings state. Then the
same for differences of two scans of one print, and for two scans combined. `--pieces N` compares N pairs of printers
instead: two prints that differ as prints do, by one scanner in one session, of one material or of another shade of it.

References
----------
Gneiting, Raftery, Strictly proper scoring rules, prediction, and estimation, J. Am. Stat. Assoc. 102 (2007) 359-378:
equations 43 (interval score) and 21 with its closed form for normal distributions.
"""

from __future__ import annotations

import argparse
import sys
import warnings
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd
from scipy.stats import beta, norm
from tqdm import tqdm

from sharpset.errors import SharpsetError
from sharpset.pieces import make_stencil
from sharpset.readings import ScanReading, budgets_table, combine_readings, difference, read_scan

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "readings"))
from faulty_scenes import Print, Scan, Scanner, draw_print, draw_scan, draw_scanner, write_scan

LEAST_MM = 0.08
ERRORS = ("bias_um", "rms_um", "U95_um", "score_um", "crps_um")
_K95 = 1.96
_LIT = 0.1


def classes_of(printed: Print, scanner: Scanner, scan: Scan) -> dict[str, bool]:
    """Return which classes of fault a scan belongs to."""
    contrast = abs(scan.plate - scan.background)
    return {
        "600 dpi": scanner.dpi == 600,
        "1200 dpi": scanner.dpi == 1200,
        "2400 dpi": scanner.dpi == 2400,
        "blur above 1.3 px": scanner.blur_px > 1.3,
        "carriage smear": scanner.smear_px > 0,
        "halo": scanner.halo > 0,
        "sharpened": scanner.halo < 0,
        "texture": scan.texture > 0,
        "noise above 1.5 %": float(np.hypot(scanner.noise, scanner.shot)) / contrast > 0.015,
        "dust or fibres": scan.dust + scan.fibres > 0,
        "rough edges": printed.rough_mm > 0,
        "uneven light": scanner.illumination > 0.12,
        "low contrast": contrast < 0.26,
        "dark plate": scan.plate < scan.background,
        "sRGB": scan.encoding == "sRGB",
        "linear": scan.encoding == "linear",
        "gamma": scan.encoding.startswith("gamma"),
        "JPEG": scan.jpeg > 0 and scan.encoding == "sRGB",
        "mirrored": scan.mirror,
        "shaded": scanner.shade_mm > 0,
        "not shaded": scanner.shade_mm == 0,
        "shade above 10 um": scanner.shade_mm > 0.010,
        "lit walls": scanner.lit > 0 and scan.plate > scan.background,
    }


@dataclass(frozen=True)
class Found:
    """Tables with errors: readings, differences of two scans, combined readings."""

    readings: pd.DataFrame
    differences: pd.DataFrame
    combined: pd.DataFrame


def read_prints(n_prints: int, n_features: int, seed: int, folder: Path) -> Found:
    """Print, scan and read; return what was found with its errors."""
    piece = make_stencil(process="resin")
    readings, differences, combined, refused = [], [], [], 0
    for k in tqdm(range(n_prints), desc="prints", disable=None):
        rng = np.random.default_rng([seed, k])
        printed = draw_print(piece, rng)
        pairs, turn = draw_pair(rng)
        chosen = rng.permutation(piece.features["feature_id"].to_numpy())
        found: list[ScanReading] = []
        for number, (by, scan) in enumerate(pairs):
            stem = folder / f"{seed}-{k}-{number}"
            file = next(iter(sorted(folder.glob(stem.name + ".*"))), None) or write_scan(printed, by, scan, stem)
            # Half of the linear files are declared so; the others must be told by their edges.
            declared = "linear" if scan.encoding == "linear" and scan.seed % 2 else "auto"
            try:
                reading = read_scan(file, piece=piece, encoding=declared)
            except SharpsetError as error:
                refused += 1
                tqdm.write(f"{file.name}: {error}")
                continue
            table = _drawn(_with_truth(reading.to_frame(), printed), chosen, n_features)
            readings.append(table.assign(scan=stem.name, **classes_of(printed, by, scan)))
            found.append(reading)
        if len(found) == 2:
            kind = {"quarter turn": turn == 90, "half turn": turn == 180, "two scanners": turn == 0}
            kind["shaded, one scanner"] = turn > 0 and pairs[0][0].shade_mm > 0.010
            differences.append(_differences(found, printed, chosen, n_features, turn > 0).assign(scan=k, **kind))
            (both,) = combine_readings(found, combine="yes")
            table = _drawn(_with_truth(both.to_frame(), printed), chosen, n_features)
            combined.append(table.assign(scan=k, **kind))
    print(f"{len(readings)} scans read, {refused} refused")
    return Found(*(pd.concat(part, ignore_index=True) for part in (readings, differences, combined)))


def draw_pair(rng: np.random.Generator) -> tuple[list[tuple[Scanner, Scan]], int]:
    """Return two scans of one print with their scanners, and the turn between them (0 for two scanners)."""
    scanner, first = draw_scanner(rng, lit=_LIT), draw_scan(rng)
    turn = int(rng.choice([0, 0, 90, 180]))
    second = draw_scan(rng, angle_deg=first.angle_deg + turn + rng.normal(0, 2) if turn else None)
    if not turn:
        return [(scanner, first), (draw_scanner(rng, lit=_LIT), replace(second, mirror=first.mirror))], turn
    alike = {name: getattr(first, name) for name in ("mirror", "plate", "background", "texture", "texture_px")}
    return [(scanner, first), (scanner, replace(second, **alike, encoding=first.encoding, jpeg=first.jpeg))], turn


def compare_pieces(n_pairs: int, n_features: int, seed: int, folder: Path) -> pd.DataFrame:
    """Print two pieces, scan both by one scanner and return the errors of their differences."""
    piece = make_stencil(process="resin")
    found, refused = [], 0
    for k in tqdm(range(n_pairs), desc="pairs", disable=None):
        rng = np.random.default_rng([seed, k, 1])
        prints, scanner, first = [draw_print(piece, rng) for _ in range(2)], draw_scanner(rng, lit=_LIT), draw_scan(rng)
        second, same_material = draw_scan(rng), bool(rng.random() < 2 / 3)
        alike = {name: getattr(first, name) for name in ("mirror", "encoding", "jpeg", "background")}
        plate = first.plate if same_material else min(first.plate * rng.uniform(0.85, 1.15), 0.9)
        straight = bool(rng.random() < 0.6)
        turn = first.angle_deg + rng.normal(0, 2) if straight else second.angle_deg
        texture = {"texture": first.texture, "texture_px": first.texture_px} if same_material else {}
        second = replace(second, **alike, **texture, plate=plate, angle_deg=turn)
        chosen = rng.permutation(piece.features["feature_id"].to_numpy())
        readings = []
        for number, (printed, scan) in enumerate(zip(prints, (first, second), strict=True)):
            try:
                file = write_scan(printed, scanner, scan, folder / f"pieces-{seed}-{k}-{number}")
                readings.append(read_scan(file, piece=piece))
            except SharpsetError as error:
                refused += 1
                tqdm.write(f"{k}: {error}")
        if len(readings) < 2:
            continue
        a, b = (_with_truth(one.to_frame(), own) for one, own in zip(readings, prints, strict=True))
        pairs = difference(_drawn(a, chosen, n_features), b, lines=budgets_table(readings), same_scanner=True)
        true = [table.set_index("feature_id")["true_mm"].loc[pairs["feature_id"]].to_numpy() for table in (a, b)]
        kind = {"one material": same_material, "another shade": not same_material, "laid alike": straight}
        kind |= {"shaded": scanner.shade_mm > 0, "not shaded": scanner.shade_mm == 0}
        found.append(pairs.assign(error_mm=pairs["difference_mm"] - (true[0] - true[1]), scan=k, **kind))
    print(f"{len(found)} pairs read, {refused} scans refused")
    return pd.concat(found, ignore_index=True)


def _with_truth(table: pd.DataFrame, printed: Print) -> pd.DataFrame:
    both = table.merge(printed.truth[["feature_id", "true_mm"]], on="feature_id")
    both = both[(both["formed"] == "yes") & (both["true_mm"] >= LEAST_MM)]
    return both.assign(error_mm=both["measured_mm"] - both["true_mm"])


def _drawn(table: pd.DataFrame, order: np.ndarray, n: int) -> pd.DataFrame:
    """Return the first n features of a random order that are in the table."""
    return table.set_index("feature_id").reindex(order).dropna(subset=["true_mm"]).head(n).reset_index()


def _differences(
    found: list[ScanReading], printed: Print, order: np.ndarray, n: int, one_scanner: bool
) -> pd.DataFrame:
    a, b = (_with_truth(reading.to_frame(), printed) for reading in found)
    lines = budgets_table(found)
    pairs = difference(_drawn(a, order, n), b, lines=lines, same_scanner=one_scanner, same_piece=True)
    return pairs.rename(columns={"difference_mm": "error_mm"})


def summarised(table: pd.DataFrame, classes: list[str]) -> pd.DataFrame:
    """Return one row a class: counts, coverage with intervals, bias, root mean square, mean half-width."""
    rows = []
    for name in ["all", *classes]:
        part = table if name == "all" else table[table[name].astype(bool)]
        if part.empty:
            continue
        inside = (part["error_mm"].abs() <= part["U95_mm"]).to_numpy()
        hits, n = int(inside.sum()), len(part)
        low, high = (
            beta.ppf(0.025, hits, n - hits + 1) if hits else 0.0,
            beta.ppf(0.975, hits + 1, n - hits) if hits < n else 1.0,
        )
        by_scan = part.assign(inside=inside).groupby("scan")["inside"].agg(["sum", "size"]).to_numpy()
        rng = np.random.default_rng(1)
        drawn = by_scan[rng.integers(0, len(by_scan), (400, len(by_scan)))].sum(axis=1)
        shares = drawn[:, 0] / drawn[:, 1]
        e, half = (1000 * part[name].to_numpy(float) for name in ("error_mm", "U95_mm"))
        rows.append(
            (
                name,
                n,
                len(by_scan),
                hits / n,
                low,
                high,
                shares.std(),
                *np.quantile(shares, [0.025, 0.975]),
                e.mean(),
                np.sqrt((e**2).mean()),
                half.mean(),
                interval_score(e, half).mean(),
                ranked_probability_score(e, half / _K95).mean(),
            )
        )
    names = ("class", "n", "scans", "coverage", "binomial low", "high", "error by scans", "low", "high ", *ERRORS)
    return pd.DataFrame(rows, columns=names).round(3)


def interval_score(error: np.ndarray, half_width: np.ndarray) -> np.ndarray:
    """Return the score of 95 % intervals: their width, and 2 / 0.05 times what the truth lies outside by."""
    return 2 * half_width + 2 / 0.05 * np.maximum(np.abs(error) - half_width, 0)


def ranked_probability_score(error: np.ndarray, u: np.ndarray) -> np.ndarray:
    """Return the continuous ranked probability score of normal distributions with standard deviations u."""
    z = error / u
    return u * (z * (2 * norm.cdf(z) - 1) + 2 * norm.pdf(z) - 1 / np.sqrt(np.pi))


def main() -> None:
    """Run the benchmark and print its tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--prints", type=int, default=50)
    parser.add_argument("--features", type=int, default=25, help="features drawn from each scan")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--pieces", type=int, default=0, help="compare this many pairs of prints by one scanner instead"
    )
    parser.add_argument("--keep", type=Path, help="keep the pictures here and use them again")
    args = parser.parse_args()
    warnings.simplefilter("ignore")
    with TemporaryDirectory() as temporary:
        folder = args.keep or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        tables = {}
        if args.pieces:
            title = "differences of two prints by one scanner"
            tables[title] = compare_pieces(args.pieces, args.features, args.seed, folder)
        else:
            found = read_prints(args.prints, args.features, args.seed, folder)
            tables["readings of one scan"] = _with_sizes(found.readings)
            tables["differences of two scans of one print"] = found.differences
            tables["two scans combined"] = _with_sizes(found.combined)
    pd.set_option("display.width", 200)
    for title, table in tables.items():
        flags = [name for name in table if table[name].dtype == bool]
        print(f"\n{title}\n{summarised(table, flags).to_string(index=False)}")


def _with_sizes(table: pd.DataFrame) -> pd.DataFrame:
    kinds = {kind: table["kind"] == kind for kind in ("slot", "bar", "hole")}
    size = table["true_mm"]
    sizes = {"below 0.15 mm": size < 0.15, "0.15 to 0.5 mm": size.between(0.15, 0.5), "above 0.5 mm": size > 0.5}
    return table.assign(**kinds, **sizes)


if __name__ == "__main__":
    main()
