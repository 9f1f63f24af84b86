"""The verb ``sharpset demo``: the whole job on the sample scans, from readings to a recipe.

The samples are invented; the demo shows the way, not a result to print by.
"""

from __future__ import annotations

import argparse
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from sharpset.arguments import number_of_jobs
from sharpset.errors import ReportError

if TYPE_CHECKING:
    import pandas as pd

    from sharpset.brief import Brief
    from sharpset.fits import Fit
    from sharpset.pieces import Piece
    from sharpset.plans import Plan
    from sharpset.readings import ScanReading

__all__ = ["configure", "run_demo"]

_WORKSHOP = "Brackwater Works (fictitious)"
_MARK = "INVENTED.txt"
_WRITTEN = ("readings.csv", "fit", "record.sqlite", "recipe.pdf")
_NOTE = "INVENTED DATA: the scans were made by a virtual printer and a virtual scanner."


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument(
        "--samples", type=Path, metavar="DIR", help="sample scans (default: sample_scans of the project)"
    )
    parser.add_argument(
        "--out", type=Path, default=Path("demo_out"), metavar="DIR", help="folder to write (default: demo_out)"
    )
    parser.add_argument(
        "--jobs", type=number_of_jobs, metavar="N", help="scans read at the same time (default: one a processor)"
    )
    parser.set_defaults(run=lambda args: run_demo(args.samples, args.out, jobs=args.jobs))


@dataclass(frozen=True, kw_only=True, slots=True)
class _Samples:
    """What the sample folder holds."""

    piece: Piece
    plan: Plan
    brief: Brief
    results: pd.DataFrame
    scans: tuple[Path, ...]
    piece_folder: Path


def run_demo(samples: Path | None, out: Path, *, jobs: int | None = None) -> int:
    """Run the demo.

    Parameters
    ----------
    samples : Path, optional
        Folder of sample scans; by default the project's own.
    out : Path
        Gets readings, fit, report, overlays and a record.
    jobs : int, optional
        Processes that read scans.

    Returns
    -------
    int
        0.

    Raises
    ------
    ReportError
        If the samples are not there, or the folder cannot be made.
    """
    given = _load_samples(_sample_folder(samples))
    _refuse_own_work(out)
    try:
        out.mkdir(parents=True, exist_ok=True)
        (out / _MARK).write_text(f"{_NOTE}\n", encoding="utf-8")
    except OSError as error:
        raise ReportError(f"{out}: cannot be written ({error.strerror}). Choose another --out.") from error
    print(_NOTE)
    print(f"Brief: {given.brief.summary()}")
    print(f"Plan:  {given.plan.summary()}")
    print(f"Piece: {given.piece.summary()}\n")
    readings = _read(given, out, n_jobs=jobs or os.cpu_count() or 1)
    print(_run_table(given.plan, readings))
    fit, table = _fit(given, readings, out)
    report = _report(given, fit, table, readings, out)
    code, card = _record(given, fit, readings, out)
    print(f"\nReport:  {report}")
    print(f"Record:  {out / 'record.sqlite'}, recipe {code}; card {card}")
    print(f"Tables:  {out / 'readings.csv'}, {out / 'fit' / 'tables'}")
    print("\nBefore you print for real: the machine's manual, the safety data sheets and local rules come first.")
    return 0


def _refuse_own_work(out: Path) -> None:
    """Refuse a folder that holds what the demo would write over, unless an earlier demo wrote it."""
    there = [name for name in _WRITTEN if (out / name).exists()]
    if there and not (out / _MARK).is_file():
        raise ReportError(
            f"{out}: holds {there[0]} already, which no demo is known to have written. Choose another --out."
        )


def _sample_folder(samples: Path | None) -> Path:
    own = Path(__file__).resolve().parents[2] / "sample_scans"
    places = [samples] if samples is not None else [Path("sample_scans"), own]
    for place in places:
        if (place / "plan" / "plan.json").is_file() and (place / "scans").is_dir():
            return place
    raise ReportError(
        f"{places[0]}: no sample scans are there. Run the demo from the project's folder, or say --samples DIR; "
        "'python -m sharpset.rehearsal.samples --out sample_scans' makes them again."
    )


def _load_samples(folder: Path) -> _Samples:
    from sharpset.brief import load_brief
    from sharpset.pieces import load_piece
    from sharpset.plans import load_plan, load_results

    plan = load_plan(folder / "plan")
    return _Samples(
        piece=load_piece(folder / "piece"),
        plan=plan,
        brief=load_brief(folder / "brief.toml"),
        results=load_results(folder / "results.csv", plan),
        scans=tuple(sorted(path for path in (folder / "scans").iterdir() if path.suffix in (".jpg", ".png", ".tif"))),
        piece_folder=folder / "piece",
    )


def _read(given: _Samples, out: Path, *, n_jobs: int) -> list[ScanReading]:
    from sharpset.readings import read_scans, write_readings

    known = tuple(given.plan.runs["run_id"].astype(str))
    readings = read_scans(given.scans, piece=given.piece, known_run_ids=known, jobs=n_jobs)
    write_readings(readings, out / "readings.csv")
    return readings


def _run_table(plan: Plan, readings: list[ScanReading]) -> str:
    """Return one line per run: settings, what formed, growth and roughness."""
    import pandas as pd

    from sharpset.readings.results import count_found

    rows = []
    for piece in (piece for scan in readings for piece in scan.pieces):
        counts = count_found(piece.table)
        row = {"run_id": piece.run_id, "formed": counts["yes"], "partly": counts["partly"], "not": counts["no"]}
        for kind in ("solid", "slot", "hole"):
            row[f"{kind} um/side"] = 1000 * piece.value(f"growth_{kind}_mm")
        row["rough um"] = 1000 * piece.table["edge_roughness_mm"].median()
        rows.append(row)
    table = plan.runs[["run_id", *plan.factors.names]].merge(pd.DataFrame(rows), on="run_id", how="left")
    formats = {name: "{:+.0f}".format for name in table.columns if name.endswith("side")}
    text = table.to_string(index=False, formatters={**formats, "rough um": "{:.1f}".format})
    return f"What was read (growth and edge roughness in micrometres)\n{text}"


def _fit(given: _Samples, readings: list[ScanReading], out: Path) -> tuple[Fit, pd.DataFrame]:
    from tqdm import tqdm

    from sharpset.brief import KINDS
    from sharpset.fits import fit_plan
    from sharpset.readings import readings_table
    from sharpset.reports import fit_text

    table = readings_table(readings)
    table = table[table["kind"].isin(KINDS)].reset_index(drop=True)
    with tqdm(desc="Fitting", unit="model", leave=False, disable=None) as bar:

        def progress(step: str) -> None:
            bar.set_postfix_str(step)
            bar.update()

        fit = fit_plan(
            given.plan,
            readings=table,
            # Every stencil takes the same material, so its weight says nothing about the settings.
            results=given.results[["run_id", "print_time_h"]],
            brief=given.brief,
            progress=progress,
        )
    fit.save(out / "fit")
    print("\n" + fit_text(fit, models=False))
    return fit, table


def _report(given: _Samples, fit: Fit, table: pd.DataFrame, readings: list[ScanReading], out: Path) -> Path:
    from tqdm import tqdm

    from sharpset.plots import draw_scan_overlay
    from sharpset.reports import fit_page, write_fit_report
    from sharpset.scans import open_scan

    ranked = sorted(readings, key=lambda scan: (scan.pieces[0].table["formed"] == "yes").sum())
    scans = {}
    for scan in tqdm((ranked[-1], ranked[0]), desc="Drawing scans", unit="scan", leave=False, disable=None):
        found = scan.pieces[0]
        n_formed = (found.table["formed"] == "yes").sum()
        title = f"{scan.path.name}, run {found.run_id}: {n_formed} of {len(found.table)} features formed"
        scans[found.run_id] = draw_scan_overlay(open_scan(scan.path).pixels, found, given.piece, title=title)
    return write_fit_report(fit_page(fit, readings=table, scans=scans, note=_NOTE), out / "fit")


def _record(given: _Samples, fit: Fit, readings: list[ScanReading], out: Path) -> tuple[str, Path]:
    """Keep prints, scans, readings and the recipe in a record made anew."""
    from sharpset.record import add_fit_folder, open_record, recipe_card
    from sharpset.reports import write_recipe_card

    for end in ("", "-wal", "-shm"):
        (out / f"record.sqlite{end}").unlink(missing_ok=True)
    hours = given.results.set_index("run_id")["print_time_h"]
    with open_record(out / "record.sqlite") as record:
        with record.together():
            printer = record.add_printer(
                "filament printer 1", process="filament", details={"workshop": _WORKSHOP}, note=_NOTE
            )
            nozzle = record.add_head("brass head", type="nozzle", size_mm=0.25, printer=printer)
            material = record.add_material("light grey filament", process="filament", note=_NOTE)
            piece = record.add_piece(
                given.piece.piece_id, type="stencil", files={"description": given.piece_folder / "piece.json"}
            )
            settings = given.plan.runs.set_index("run_id")[list(given.plan.factors.names)]
            for scan in readings:
                run_id = scan.pieces[0].run_id
                job = record.add_print(
                    {name: float(value) for name, value in settings.loc[run_id].items()},
                    printer=printer,
                    head=nozzle,
                    material=material,
                    piece=piece,
                    name=f"stencil {run_id}",
                    run_id=run_id,
                    duration_h=float(hours[run_id]),
                    details={"units": {factor.name: factor.unit for factor in given.plan.factors}},
                )
                record.add_scan(scan.path.resolve(), print=job, piece=piece, name=scan.scan_id)
        recipe = add_fit_folder(
            record,
            out / "fit",
            readings=out / "readings.csv",
            printer=printer,
            material=material,
            head=nozzle,
            name=given.brief.name,
            note=_NOTE,
        )
        card = write_recipe_card(recipe_card(record, recipe), out / "recipe.pdf")
    return recipe.code, card
