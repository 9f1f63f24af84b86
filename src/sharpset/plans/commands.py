"""The verb ``sharpset plan``: make a plan, take one over, look at it, add runs, print its sheet."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from sharpset.arguments import seed_number
from sharpset.errors import PlanError
from sharpset.plans.names import AUGMENTS, DESIGNS, OPTIONS_OF_AUGMENTS, OPTIONS_OF_DESIGNS

if TYPE_CHECKING:
    import pandas as pd

    from sharpset.plans.plan import Plan

__all__ = ["configure"]


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the actions and their arguments."""
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    _configure_new(actions.add_parser("new", help="plan an experiment", description="Plan an experiment."))
    text = "take over an experiment that was planned elsewhere"
    taken = actions.add_parser("import", help=text, description=f"{text[0].upper()}{text[1:]}.")
    taken.add_argument("--factors", type=Path, required=True, metavar="FILE", help="factors.toml")
    taken.add_argument("--runs", type=Path, required=True, metavar="FILE", help="CSV with one row per print")
    taken.add_argument(
        "--model", metavar="TEXT", help="model that the plan is for (default: the richest that the runs can tell)"
    )
    _add_output(taken)
    taken.set_defaults(run=_import)
    show = actions.add_parser("show", help="show a plan and what it can tell", description="Show a plan.")
    show.add_argument("plan", type=Path, metavar="DIR", help="plan folder")
    show.add_argument("--aliases", action="store_true", help="also list which effects cannot be told apart")
    show.set_defaults(run=_show)
    power = actions.add_parser(
        "power", help="which effects would be seen", description="Say which effects would be seen with this plan."
    )
    power.add_argument("plan", type=Path, metavar="DIR", help="plan folder")
    noise = power.add_mutually_exclusive_group(required=True)
    noise.add_argument(
        "--noise", type=float, metavar="SD", help="standard deviation between prints of the same settings"
    )
    noise.add_argument("--fit", type=Path, metavar="DIR", help="take the noise from an earlier fit of --response")
    power.add_argument("--response", metavar="NAME", help="response of the earlier fit")
    power.add_argument(
        "--whole-plot-noise",
        type=float,
        metavar="SD",
        help="further scatter when a hard-to-change factor is set anew (default: of the fit, else 0)",
    )
    power.add_argument("--effect", type=float, metavar="SIZE", help="effect to be seen (default: twice the noise)")
    power.add_argument(
        "--replicates", type=int, default=1, metavar="N", help="times the whole plan is printed (default: 1)"
    )
    power.set_defaults(run=_power)
    _configure_augment(actions)
    sheet = actions.add_parser("sheet", help="write the run sheet again", description="Write the run sheet of a plan.")
    sheet.add_argument("plan", type=Path, metavar="DIR", help="plan folder")
    _add_sheet(sheet)
    sheet.set_defaults(run=_sheet)


def _configure_new(new: argparse.ArgumentParser) -> None:
    new.add_argument("--factors", type=Path, required=True, metavar="FILE", help="factors.toml")
    new.add_argument("--design", required=True, metavar="NAME", help=", ".join(DESIGNS))
    new.add_argument(
        "--model",
        metavar="TEXT",
        help="linear, interactions, quadratic or a list of terms (default: what the design is for)",
    )
    new.add_argument("--runs", type=int, metavar="N", help="number of prints of an optimal design or a fraction")
    new.add_argument(
        "--replicates", type=int, default=1, metavar="N", help="times the whole design is printed (default: 1)"
    )
    new.add_argument("--centre-points", type=int, metavar="N", help="centre points per replicate")
    new.add_argument(
        "--blocks", type=int, default=1, metavar="N", help="groups between which something may drift (default: 1)"
    )
    new.add_argument("--resolution", type=int, metavar="N", help="resolution of a fraction")
    new.add_argument("--generators", metavar="TEXT", help='generators of a fraction, such as "E=ABC"')
    new.add_argument(
        "--axial",
        metavar="NAME",
        help="rotatable, face-centred, inscribed, orthogonal or a distance (default: inside the limits: face-centred, "
        "in blocks inscribed)",
    )
    new.add_argument("--levels", type=int, metavar="N", help="levels of a full factorial (default: 2)")
    new.add_argument("--whole-plots", type=int, metavar="N", help="how often hard-to-change factors are set anew")
    new.add_argument("--seed", type=seed_number, default=1, metavar="N", help="seed of the random order (default: 1)")
    _add_output(new)
    new.set_defaults(run=_new)


def _configure_augment(actions: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    augment = actions.add_parser("augment", help="add runs to a plan", description="Add runs to a plan.")
    augment.add_argument("plan", type=Path, metavar="DIR", help="plan folder")
    augment.add_argument(
        "--how",
        required=True,
        choices=AUGMENTS,
        help="the mirrored plan, more centres, star points, runs chosen by computer, runs of --table",
    )
    augment.add_argument("--runs", type=int, metavar="N", help="how many (centre, optimal)")
    augment.add_argument(
        "--table", type=Path, metavar="FILE", help="runs to add, as 'sharpset fit next --save' writes them (given)"
    )
    augment.add_argument("--model", metavar="TEXT", help="model for which optimal runs are chosen")
    augment.add_argument("--factor", metavar="NAME", help="fold over this factor only")
    augment.add_argument(
        "--same-block",
        action="store_true",
        help="the new runs belong to the block of the old ones; a new one costs a run",
    )
    augment.add_argument(
        "--seed", type=seed_number, default=1, metavar="N", help="seed of the random order (default: 1)"
    )
    _add_output(augment)
    augment.set_defaults(run=_augment)


def _add_output(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="plan folder to write")
    parser.add_argument("--replace", action="store_true", help="replace another plan that is there")
    _add_sheet(parser)


def _add_sheet(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--process",
        choices=("filament", "resin"),
        help="for the cautions of the run sheet (default: what the plan was made for)",
    )
    parser.add_argument("--page", choices=("A4", "letter"), default="A4", help="paper of the run sheet (default: A4)")
    parser.add_argument("--title", default="", metavar="TEXT", help="title of the run sheet")


def _new(args: argparse.Namespace) -> int:
    from sharpset.plans import load_factors, make_plan

    _refuse_idle(args, f"the design {args.design}", args.design, OPTIONS_OF_DESIGNS)
    plan = make_plan(
        load_factors(args.factors),
        design=args.design,
        model=args.model,
        runs=args.runs,
        replicates=args.replicates,
        centre_points=args.centre_points,
        blocks=args.blocks,
        seed=args.seed,
        resolution=args.resolution,
        generators=args.generators,
        axial=_axial(args.axial),
        levels=2 if args.levels is None else args.levels,
        whole_plots=args.whole_plots,
        progress=sys.stderr.isatty(),
    )
    return _write(plan, args)


def _refuse_idle(args: argparse.Namespace, what: str, name: str, served: Mapping[str, Sequence[str]]) -> None:
    """Refuse an option that would change nothing, instead of leaving it out unsaid."""
    for option, names in served.items():
        if getattr(args, option) is not None and name in DESIGNS + AUGMENTS and name not in names:
            raise PlanError(f"--{option.replace('_', '-')} does nothing for {what}; it serves {', '.join(names)}.")


def _axial(text: str | None) -> str | float | None:
    if text is None:
        return None
    try:
        return float(text)
    except ValueError:
        return text


def _import(args: argparse.Namespace) -> int:
    from sharpset.plans import import_plan, load_factors

    return _write(import_plan(load_factors(args.factors), args.runs, model=args.model), args)


def _augment(args: argparse.Namespace) -> int:
    from sharpset.plans import augment_plan, import_plan, load_plan
    from sharpset.plans.tables import read_table

    _refuse_idle(args, f"--how {args.how}", args.how, OPTIONS_OF_AUGMENTS)
    if (args.how == "given") != (args.table is not None):
        raise PlanError("--how given goes with --table FILE, the runs to add. Give both or neither.")
    old = load_plan(args.plan)
    given = None
    if args.table is not None:
        named = read_table(args.table, what="the table of runs").find("run_id") is not None
        given = import_plan(old.factors, args.table, model="linear").runs
        given = given if named else given.drop(columns="run_id")
    plan = augment_plan(
        old,
        how=args.how,
        runs=args.runs,
        given=given,
        model=args.model,
        factor=args.factor,
        new_block=not args.same_block,
        seed=args.seed,
        progress=sys.stderr.isatty(),
    )
    return _write(plan, args)


def _write(plan: Plan, args: argparse.Namespace) -> int:
    """Write the plan folder, unless another plan stands there already."""
    from sharpset.plans import save_plan

    if not args.replace and (args.out / "runs.csv").exists() and not _is_there(plan, args.out):
        raise PlanError(
            f"{args.out}: another plan is there already. Choose another --out, or give --replace to lose it."
        )
    if args.process:
        plan = replace(plan, about={**plan.about, "process": args.process})
    save_plan(plan, args.out)
    print(plan.summary())
    _print_table(plan.runs)
    for remark in plan.remarks:
        print(f"note: {remark}")
    return _write_sheet(plan, args.out, args)


def _is_there(plan: Plan, folder: Path) -> bool:
    text = plan.runs.to_csv(index=False, lineterminator="\n")
    return bool((folder / "runs.csv").read_bytes() == text.encode("utf-8"))


def _write_sheet(plan: Plan, folder: Path, args: argparse.Namespace) -> int:
    from sharpset.plans.results_form import FORM, write_results_form
    from sharpset.plans.run_sheet import cautions_by_heading, write_run_sheet

    process = args.process or plan.about.get("process")
    path = write_run_sheet(plan, folder / "run_sheet.pdf", title=args.title, process=process, page=args.page)
    print(f"Run sheet: {path}. Print the runs in its order, one print job each; write down what is odd.")
    form = write_results_form(plan, folder)
    if form is None:
        print(f"Results form: {folder / FORM} has been filled in and was left as it is.")
    else:
        print(
            f"Results form: {form}. Type print times and what you measure by hand into it, a column for each, and give "
            "it to 'sharpset fit' with --results."
        )
    for title, texts in cautions_by_heading(process).items():
        print(f"{title}:")
        for text in texts:
            print(f"  {text}")
    return 0


def _sheet(args: argparse.Namespace) -> int:
    from sharpset.plans import load_plan

    return _write_sheet(load_plan(args.plan), args.plan, args)


def _show(args: argparse.Namespace) -> int:
    from sharpset.plans import load_plan, plan_properties

    plan = load_plan(args.plan)
    print(plan.summary())
    for factor in plan.factors:
        print(f"  {factor.summary()}")
    _print_table(plan.runs)
    print(plan_properties(plan).summary())
    if args.aliases:
        _print_aliases(plan)
    for remark in plan.remarks:
        print(f"note: {remark}")
    return 0


def _print_aliases(plan: Plan) -> None:
    from sharpset.plans import alias_matrix, alias_table

    try:
        _print_table(alias_table(plan))
        return
    except PlanError:  # more than two settings of a factor
        bias = alias_matrix(plan, plan.model)
    bias = bias.loc[:, (bias.abs() > 1e-6).any()]
    if bias.empty:
        print(f"aliases: no effect of the model {plan.model} is mixed up with one of second order outside it")
        return
    print("aliases: by how much effects that are left out (columns) would bias those of the model, in coded units")
    _print_table(bias.rename_axis("effect").reset_index())


def _power(args: argparse.Namespace) -> int:
    from sharpset.plans import load_plan, power_table

    plan = load_plan(args.plan)
    noise, between = (args.noise, 0.0) if args.fit is None else _recorded_noise(args.fit, args.response)
    between = between if args.whole_plot_noise is None else args.whole_plot_noise
    table = power_table(plan, noise_sd=noise, effect=args.effect, replicates=args.replicates, whole_plot_sd=between)
    print(f"{plan.summary()}; 95 % intervals, effects in the unit of the response:")
    _print_table(table)
    if args.fit is not None:
        print(f"noise from {args.fit}: {noise:.4g} between prints, {between:.4g} more between whole plots")
    if plan.is_split_plot and args.fit is None and args.whole_plot_noise is None:
        names = ", ".join(f.name for f in plan.factors.hard)
        print(
            f"note: no scatter is assumed of setting {names} anew, so these are the best that can be; give yours with "
            "--whole-plot-noise, or an earlier fit with --fit"
        )
    blind = table.loc[table["df_error"] < 1, "term"].tolist()
    if blind:
        print(
            f"note: nothing is left to judge {', '.join(blind)} by. Print the plan twice (--replicates 2), add centre "
            "points, or judge effects by Lenth's method afterwards."
        )
    return 0


def _recorded_noise(folder: Path, response: str | None) -> tuple[float, float]:
    """Return the scatter between prints and between whole plots that an earlier fit found."""
    from sharpset.fits import load_fit

    fits = {n: f for n, f in load_fit(folder).responses.items() if f.predictor.df_resid > 0}
    if response not in fits:
        asked = "--response is missing" if response is None else f"there is no scatter of {response!r}"
        raise PlanError(f"{folder}: {asked}; responses with a known scatter are {', '.join(fits) or 'none'}.")
    use = fits[response].predictor
    if use.mixed is None:
        return use.residual_sd, 0.0
    return float(use.mixed.variances[-1] ** 0.5), float(use.mixed.variances[:-1].sum() ** 0.5)


def _print_table(table: pd.DataFrame) -> None:
    print(table.to_string(index=False, float_format=lambda value: f"{value:.4g}"))
