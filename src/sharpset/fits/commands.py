"""The verb ``sharpset fit``: from readings and results to models, settings and a report."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from sharpset.errors import FitError

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["configure"]


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("--plan", type=Path, required=True, metavar="DIR", help="plan folder")
    parser.add_argument("--readings", type=Path, metavar="FILE", help="readings that 'sharpset read' wrote")
    parser.add_argument("--results", type=Path, metavar="FILE", help="results typed in by hand: run_id and responses")
    parser.add_argument("--brief", type=Path, metavar="FILE", help="brief.toml; needed for settings to be recommended")
    parser.add_argument("--response", metavar="NAME", help="fit this response only")
    parser.add_argument("--formula", metavar="TEXT", help='model, such as "layer_height + speed + layer_height:speed"')
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="fit folder to write")
    parser.add_argument("--seed", type=int, default=0, metavar="N", help="seed of the simulated chances (default: 0)")
    parser.add_argument("--no-report", action="store_true", help="write the tables only, no report and no figures")
    parser.set_defaults(run=_fit)


def _fit(args: argparse.Namespace) -> int:
    from tqdm import tqdm

    from sharpset.brief import load_brief
    from sharpset.fits.fit import fit_plan
    from sharpset.plans import load_plan, load_results
    from sharpset.reports import fit_text

    plan = load_plan(args.plan)
    brief = load_brief(args.brief) if args.brief is not None else None
    readings = _readings(args.readings) if args.readings is not None else None
    results = load_results(args.results, plan) if args.results is not None else None
    if readings is None and results is None and not plan.extra_columns:
        raise FitError(f"{args.plan}: the plan's runs hold no results. Give --readings or --results, or both.")
    with tqdm(desc="Fitting", unit="model", leave=False, disable=None) as bar:

        def progress(step: str) -> None:
            bar.set_postfix_str(step)
            bar.update()

        fit = fit_plan(
            plan,
            readings=readings,
            results=results,
            brief=brief,
            response=args.response,
            formula=args.formula,
            seed=args.seed,
            progress=progress,
        )
    fit.save(args.out)
    print(fit_text(fit))
    if not args.no_report:
        from sharpset.reports import fit_page, write_fit_report

        path = write_fit_report(fit_page(fit, readings=readings), args.out)
        print(f"Report: {path}")
    print(f"Fit: {args.out / 'fit.json'}, settings: {args.out / 'settings.json'}, tables: {args.out / 'tables'}")
    return 0


def _readings(path: Path) -> pd.DataFrame:
    """Return the readings of the kinds of detail that a brief can ask for; artefacts are left out."""
    from sharpset.brief import KINDS
    from sharpset.readings import load_readings

    table = load_readings(path)
    details = table[table["kind"].isin(KINDS)]
    if details.empty:
        raise FitError(f"{path}: no reading of a detail ({', '.join(KINDS)}). Read the scans of the runs first.")
    return details.reset_index(drop=True)
