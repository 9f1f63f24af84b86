"""Make ``sample_scans/``: an invented experiment of the fictitious Brackwater Works.

Run ``python -m sharpset.rehearsal.samples --out sample_scans`` to make the folder again. The same
version of sharpset and its libraries gives the same pictures.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pandas as pd

from sharpset.rehearsal.scanner import Scanner

__all__ = ["main", "make_samples"]

BRIEF = """\
# Brackwater Works (fictitious): masters of a quay winch and its davits, for a filament printer.
name = "winch and davit masters, Brackwater Works"
process = "filament"
scale = 24

[smallest_mm]                 # the smallest detail of each kind that must form, mm on the print
bar = 0.25                    # 6.0 mm railings at full size
slot = 0.20                   # 4.8 mm gaps between planks
hole = 0.40                   # 9.6 mm bolt holes

[tolerance_mm]
width = 0.05
edge_roughness = 0.015

[limits]
print_time_h = 1.3            # one test piece
"""
FACTORS = """\
# What is varied. Nozzle 0.25 mm, flow 100 %, least layer time 10 s stay as they are.
[[factor]]
name = "layer_height"
unit = "mm"
kind = "continuous"
low = 0.04
high = 0.12

[[factor]]
name = "speed"
unit = "mm/s"
kind = "continuous"
low = 15
high = 60

[[factor]]
name = "fan"
unit = "%"
kind = "continuous"
low = 20
high = 100

[[constraint]]
rule = "layer_height <= 0.1875"   # three quarters of the 0.25 mm nozzle
"""
RESIN_BRIEF = """\
# Brackwater Works (fictitious): canal-boat fittings, for a resin printer.
name = "canal-boat fittings, Brackwater Works"
process = "resin"
scale = 48

[smallest_mm]
bar = 0.15
slot = 0.15
hole = 0.25

[tolerance_mm]
width = 0.03
edge_roughness = 0.012
"""
README = """\
# sample_scans: INVENTED DATA

Nothing here was printed or scanned. Every picture and every table was made by sharpset's rehearsal,
a virtual printer and a virtual scanner that work by formulas and random numbers, with

    python -m sharpset.rehearsal.samples --out sample_scans

Brackwater Works is fictitious. Use the folder to learn and to test, never as evidence for a machine,
a material or a setting.

## The experiment with a filament printer

| file | what it is |
|---|---|
| `brief.toml` | what the workshop needs: bars of 0.25 mm, slots of 0.20 mm, holes of 0.40 mm |
| `factors.toml` | layer height, speed and fan, each with the range that was tried |
| `plan/` | {n_runs} prints: a face-centred central composite plan with {n_centre} centre points |
| `piece/` | the stencil that was printed (each print carries the code of its own run) |
| `scans/R01.jpg` ... | one scan per print: light grey plastic on black card, 1200 dpi, 8 bit grey, sRGB, JPEG 92 |
| `results.csv` | time and weight of each print, as noted beside the printer |
| `truth/features.csv` | what was really there: `true_width_mm`, `formed`, place, roughness of every feature |
| `truth/runs.csv` | true growth, scale and corner radius of every print |

The pieces were laid on the glass by hand: turned by any quarter and a few degrees, about a third of them
with the underside down (they show mirrored), with dust, fibres and scratches. Closed slots leave a faint
seam. Blur, lamp and noise change a little from scan to scan.

## Two resin printers

`resin/` holds a stencil printed three times on each of two virtual resin printers with the same
settings: `scans/A-R01.jpg` to `A-R03.jpg` and `scans/B-R11.jpg` to `B-R13.jpg`, with `brief.toml`, `piece/`,
`results.csv` and `truth/` as above. `truth/runs.csv` says which printer made which.

## Truth

`true_width_mm` is the mean width over the middle 80 % of a slot's or bar's length where it is there, the
diameter of a hole, the mean width of the square; empty where nothing formed. `x_mm, y_mm` are true
places in the piece frame, `column_px, row_px` in the picture (whole numbers are pixel centres).
`formed` is yes from 90 % of the middle length on (holes: of the area), no up to 10 %, else partly;
`chance_formed` is the chance that the feature had. No measuring code of sharpset reads these tables.
"""
_FILAMENT_PRINTER, _RESIN_PRINTERS = 40, {"A": 3, "B": 8}
_FIXED = {"nozzle": 0.25, "flow": 100.0, "min_layer_time": 10.0}
_RESIN_SETTINGS = {"exposure": 2.2, "layer_height": 0.05, "lift_speed": 60.0, "rest_time": 1.5}


def make_samples(out: Path | str, *, progress: bool = True) -> Path:
    """Write the whole of ``sample_scans/``.

    Parameters
    ----------
    out : path
        Existing files of the same names are replaced.
    progress : bool
        Show progress bars.

    Returns
    -------
    Path
        The folder.
    """
    out = Path(out)
    out.mkdir(parents=True, exist_ok=True)
    n_runs, n_centre = _filament_experiment(out, progress=progress)
    _resin_pair(out / "resin", progress=progress)
    _write(out / "README.md", README.format(n_runs=n_runs, n_centre=n_centre))
    return out


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8", newline="\n")


def _filament_experiment(out: Path, *, progress: bool) -> tuple[int, int]:
    from sharpset.brief import load_brief
    from sharpset.pieces import stencil_from_brief, write_piece
    from sharpset.plans import load_factors, make_plan, save_plan
    from sharpset.rehearsal.printers import virtual_printer
    from sharpset.rehearsal.runs import rehearse_plan

    _write(out / "brief.toml", BRIEF)
    _write(out / "factors.toml", FACTORS)
    piece = stencil_from_brief(load_brief(out / "brief.toml"))
    write_piece(piece, out / "piece")
    n_centre = 4
    plan = make_plan(
        load_factors(out / "factors.toml"),
        design="central-composite",
        axial="face-centred",
        centre_points=n_centre,
        seed=1862,
    )
    save_plan(plan, out / "plan")
    rehearse_plan(
        plan.runs,
        piece,
        replace(virtual_printer("filament", _FILAMENT_PRINTER), name="virtual filament printer, Brackwater Works"),
        out=out,
        fixed=_FIXED,
        scanner=Scanner(),
        suffix=".jpg",
        seed=1862,
        progress=progress,
    )
    return plan.n_runs, n_centre


def _resin_pair(out: Path, *, progress: bool) -> None:
    from tqdm import tqdm

    from sharpset.brief import load_brief
    from sharpset.pieces import stencil_from_brief, write_piece
    from sharpset.rehearsal.files import write_scan
    from sharpset.rehearsal.printers import virtual_printer
    from sharpset.rehearsal.runs import everyday_scan, noted_results, with_run_id, write_truth

    _write(out / "brief.toml", RESIN_BRIEF)
    piece = stencil_from_brief(load_brief(out / "brief.toml"))
    write_piece(piece, out / "piece")
    jobs = [(name, 10 * k + n) for k, name in enumerate(_RESIN_PRINTERS) for n in (1, 2, 3)]
    tables, rows = [], []
    for name, number in tqdm(jobs, desc="Rehearsing", unit="scan", disable=None if progress else True):
        printer = virtual_printer("resin", _RESIN_PRINTERS[name])
        printed = printer.print_piece(with_run_id(piece, f"R{number:02d}"), _RESIN_SETTINGS, seed=1900 + number)
        scan = everyday_scan(printed, scanner=Scanner(), seed=1900 + number)
        path = write_scan(scan, out / "scans" / f"{name}-R{number:02d}.jpg")
        table = scan.truth()
        table.insert(0, "scan_id", path.stem)
        tables.append(table)
        rows.append({"printer": name, **printed.whole_row()})
    runs = pd.DataFrame(rows)
    write_truth(out / "truth", truth=pd.concat(tables, ignore_index=True), runs=runs)
    noted_results(runs).to_csv(out / "results.csv", index=False, float_format="%.4g", lineterminator="\n")


def main(argv: Sequence[str] | None = None) -> int:
    """Run as a program."""
    parser = argparse.ArgumentParser(
        prog="python -m sharpset.rehearsal.samples", description="Make the sample scans again. The data are INVENTED."
    )
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to write")
    args = parser.parse_args(argv)
    folder = make_samples(args.out)
    size = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
    print(f"INVENTED sample scans in {folder}: {size / 1e6:.1f} MB")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
