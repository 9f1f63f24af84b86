"""The verb ``sharpset fit``: models, settings and a report; then the next runs and the confirmation print."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from sharpset.arguments import named_values, seed_number, typed_path
from sharpset.errors import FitError
from sharpset.files import read_table, whole_file

if TYPE_CHECKING:
    import pandas as pd

    from sharpset.fits import Fit, Prediction

__all__ = ["configure"]


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("--plan", type=Path, metavar="DIR", help="plan folder")
    parser.add_argument(
        "--readings",
        type=Path,
        nargs="+",
        metavar="FILE",
        help="readings that 'sharpset read' wrote, in one table or more",
    )
    parser.add_argument("--results", type=Path, metavar="FILE", help="results typed in by hand: run_id and responses")
    parser.add_argument("--brief", type=Path, metavar="FILE", help="brief.toml; needed for settings to be recommended")
    parser.add_argument("--response", metavar="NAME", help="fit this response only")
    parser.add_argument("--formula", metavar="TEXT", help='model, such as "layer_height + speed + layer_height:speed"')
    parser.add_argument("--out", type=Path, metavar="DIR", help="fit folder to write")
    parser.add_argument("--replace", action="store_true", help="replace a fit of another plan or model that is there")
    parser.add_argument(
        "--seed", type=seed_number, default=0, metavar="N", help="seed of the simulated chances (default: 0)"
    )
    parser.add_argument("--no-report", action="store_true", help="write the tables only, no report and no figures")
    parser.set_defaults(run=_fit, usage_error=parser.error)
    actions = parser.add_subparsers(title="then", metavar="ACTION")
    _configure_next(actions.add_parser("next", help="what to print next", description="Say what to print next."))
    text = "write down what a confirmation print should give, or judge one"
    _configure_confirm(actions.add_parser("confirm", help=text, description=f"{text[0].upper()}{text[1:]}."))


def _configure_next(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--fit", type=Path, required=True, metavar="DIR", help="fit folder")
    parser.add_argument("--runs", type=int, default=3, metavar="N", help="how many (default: 3)")
    parser.add_argument(
        "--aim",
        choices=("brief", "chance", "effect"),
        default="chance",
        help="print until one print meets the brief, raise the chance (default), or settle the most doubtful effect",
    )
    parser.add_argument("--save", type=Path, metavar="FILE", help="also write the runs to this CSV file")
    parser.set_defaults(run=_next)


def _configure_confirm(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--fit", type=Path, metavar="DIR", help="fit folder; writes the prediction")
    parser.add_argument("--prints", type=int, default=1, metavar="N", help="prints that will be made (default: 1)")
    parser.add_argument(
        "--set",
        nargs="+",
        action="extend",
        default=[],
        metavar="NAME=VALUE",
        help="settings of your own to confirm instead of the recommended ones, all factors",
    )
    parser.add_argument(
        "--prediction", type=Path, required=True, metavar="FILE", help="prediction to write or to judge by"
    )
    parser.add_argument(
        "--readings", type=Path, nargs="+", metavar="FILE", help="readings of the confirmation prints only"
    )
    parser.add_argument(
        "--results", type=Path, metavar="FILE", help="their results typed in by hand: run_id and responses"
    )
    parser.set_defaults(run=_confirm)


def _fit(args: argparse.Namespace) -> int:
    if args.plan is None or args.out is None:
        args.usage_error("--plan and --out are required")
    from tqdm import tqdm

    from sharpset.brief import load_brief
    from sharpset.fits.files import holds_another_fit
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
    if not args.replace and holds_another_fit(fit, args.out):
        raise FitError(
            f"{args.out}: a fit of another plan, response or formula is there already. Choose another --out, or give "
            "--replace to lose it."
        )
    fit.save(args.out)
    print(fit_text(fit))
    if not args.no_report:
        from sharpset.reports import fit_page, write_fit_report

        path = write_fit_report(fit_page(fit, readings=readings), args.out)
        print(f"Report: {path}")
    print(f"Fit: {args.out / 'fit.json'}, settings: {args.out / 'settings.json'}, tables: {args.out / 'tables'}")
    return 0


def _readings(paths: Sequence[Path]) -> pd.DataFrame:
    """Return the readings of the kinds of detail that a brief can ask for; artefacts are left out."""
    import pandas as pd

    from sharpset.brief import KINDS
    from sharpset.readings import load_readings

    tables = [load_readings(path) for path in paths]
    _refuse_twice(paths, tables)
    table = pd.concat(tables, ignore_index=True) if len(tables) > 1 else tables[0]
    details = table[table["kind"].isin(KINDS)]
    if details.empty:
        names = ", ".join(map(str, paths))
        raise FitError(f"{names}: no reading of a detail ({', '.join(KINDS)}). Read the scans of the runs first.")
    return details.reset_index(drop=True)


def _refuse_twice(paths: Sequence[Path], tables: Sequence[pd.DataFrame]) -> None:
    """Refuse tables that hold the same scan: it would count twice."""
    seen: dict[str, Path] = {}
    for path, table in zip(paths, tables, strict=True):
        scans = [str(name) for name in table["scan_id"].dropna().unique()] if "scan_id" in table else []
        twice = [name for name in scans if name in seen]
        if twice:
            raise FitError(
                f"{path}: holds scan {twice[0]}, which {seen[twice[0]]} holds too. Leave one of the tables out."
            )
        seen |= dict.fromkeys(scans, path)


def _next(args: argparse.Namespace) -> int:
    from sharpset.fits.files import load_fit
    from sharpset.fits.sequential import next_runs

    found = next_runs(load_fit(args.fit), n_runs=args.runs, aim=args.aim)
    print(found.summary())
    print(found.runs.to_string(index=False, float_format=lambda value: f"{value:.4g}"))
    if args.save is not None:
        try:
            with whole_file(args.save) as place:
                found.runs.to_csv(place, index=False, float_format="%.6g", lineterminator="\n")
        except OSError as error:
            raise FitError(f"{args.save}: cannot be written ({error.strerror}). Choose another --save.") from error
        print(
            f"Runs: {args.save}. "
            f"'sharpset plan augment PLAN --how given --table {typed_path(args.save)} --same-block --out LARGER'"
        )
        print("adds them to the plan; without --same-block if something changed meanwhile: a block costs a run.")
    return 0


def _confirm(args: argparse.Namespace) -> int:
    from sharpset.fits.confirm import judge_confirmation, load_prediction, write_prediction
    from sharpset.fits.files import load_fit

    if args.fit is not None:
        fit = load_fit(args.fit)
        prediction = write_prediction(fit, settings=_typed_settings(args.set, fit), n_prints=args.prints)
        prediction.save(args.prediction)
        _tell_prediction(prediction, fit)
        print(f"Prediction: {args.prediction}. Print at these settings, each print with a run code of its own")
        print(
            "('sharpset piece stencil --run-id C01 ...'), read, then judge with --prediction, --readings and --results."
        )
        return 0
    if args.readings is None and args.results is None:
        raise FitError("Nothing to judge by: give --readings or --results, or --fit to write a prediction first.")
    readings = _readings(args.readings) if args.readings is not None else None
    judged = judge_confirmation(load_prediction(args.prediction), readings=readings, results=_typed(args.results))
    print(judged.statement)
    print(judged.table.to_string(index=False, float_format=lambda value: f"{value:.4g}"))
    return 0


def _tell_prediction(prediction: Prediction, fit: Fit) -> None:
    """Print the settings to print at, and what is expected there."""
    units = {factor.name: factor.unit for factor in fit.space.factors}
    for name, value in prediction.settings.items():
        text = value if isinstance(value, str) else f"{value:.4g}"
        print(f"  {name.replace('_', ' '):<26} {text:>9} {units[name]}".rstrip())
    prints = "one print" if prediction.n_prints == 1 else f"the mean of {prediction.n_prints} prints"
    print(f"Expected of {prints}, {100 * prediction.level:.0f} % intervals:")
    for row in prediction.expected.itertuples():
        print(f"  {row.response:<26} {row.low:>9.4g} to {row.high:.4g}")


def _typed_settings(pairs: Sequence[str], fit: Fit) -> dict[str, str | float] | None:
    """Return settings given as NAME=VALUE, None where none are given."""
    factors = {factor.name: factor for factor in fit.space.factors}
    settings: dict[str, str | float] = {}
    for name, text in named_values(pairs).items():
        factor = factors.get(name)
        if factor is None:
            raise FitError(f"--set {name}={text}: NAME is one of {', '.join(factors)}.")
        if factor.kind == "categorical":
            if text not in map(str, factor.levels):
                raise FitError(f"--set {name}={text}: {factor.name} is one of {', '.join(map(str, factor.levels))}.")
            settings[factor.name] = text
            continue
        try:
            settings[factor.name] = float(text.replace(",", "."))
        except ValueError as error:
            raise FitError(f"--set {name}={text}: {text!r} is no number.") from error
    return settings or None


def _typed(path: Path | None) -> pd.DataFrame | None:
    """Return results of prints that stand in no plan."""
    if path is None:
        return None
    try:
        return read_table(path, texts=("run_id",))
    except (OSError, ValueError) as error:
        raise FitError(
            f"{path}: not a table of results ({error}). It needs run_id and one column per response."
        ) from error
