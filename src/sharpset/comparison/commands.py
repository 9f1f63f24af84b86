"""The verb ``sharpset compare``: two printers, a gauge study, drift, a mould cure, a scale chain, a detail budget."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sharpset.arguments import seed_number
from sharpset.errors import ComparisonError

if TYPE_CHECKING:
    import pandas as pd

    from sharpset.comparison.details import DetailBudget

__all__ = ["configure"]

_LARGEST_TOLERANCE_MM = 10.0
_EPILOG = """\
modes, one at a time:
  --readings A B --brief FILE          two printers, materials or settings on the same test piece
  --gauge FILE...                      repeated scans of the same pieces: how far the readings can be trusted
  --drift FILE... --prints FILE        a check piece over time: does the printer drift
  --cure BEFORE AFTER                  masters before and after the mould cure
  --chain FILE [--target MM...]        scale from master to casting, the factor to print with
  --details FILE --fit DIR             which full-size details form at a fit's settings, and what to draw
  --details FILE --limits FILE         the same by limits that you know
--chain and --details may be given together.

Mould work means hot presses, molten metal and chemicals that can hurt: the safety data sheets, the machine's manual
and local codes come first.
"""


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of the verb."""
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    modes = parser.add_argument_group("modes")
    modes.add_argument(
        "--readings", nargs="+", type=Path, metavar="FILE", help="readings of printer A and of printer B"
    )
    modes.add_argument("--gauge", nargs="+", type=Path, metavar="FILE", help="readings of repeated scans")
    modes.add_argument("--drift", nargs="+", type=Path, metavar="FILE", help="readings of a check piece over time")
    modes.add_argument("--cure", nargs=2, type=Path, metavar=("BEFORE", "AFTER"), help="readings around a mould cure")
    modes.add_argument("--chain", type=Path, metavar="FILE", help="CSV: stage, shrinkage_percent, U95_percent")
    modes.add_argument("--details", type=Path, metavar="FILE", help="CSV: name, kind, full_size_mm, perhaps angle_deg")
    more = parser.add_argument_group("what they need")
    more.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder for tables and report")
    more.add_argument("--brief", type=Path, metavar="FILE", help="brief.toml: tolerance and modelling scale")
    more.add_argument("--tolerance", type=float, metavar="MM", help="largest error either way, instead of the brief's")
    more.add_argument("--labels", nargs=2, metavar=("A", "B"), help="names of the two printers (default: A B)")
    more.add_argument("--jobs", type=Path, metavar="FILE", help="CSV: run_id, print_time_h, cost, n_parts, printer")
    more.add_argument(
        "--common-u95", type=float, metavar="MM", help="scan-wide uncertainty of a width, 95 %% half-width"
    )
    more.add_argument("--two-scanners", action="store_true", help="A and B were scanned by two scanners, not by one")
    more.add_argument("--operators", type=Path, metavar="FILE", help="CSV: scan_id, operator (or position, or day)")
    more.add_argument(
        "--prints", type=Path, metavar="FILE", help="CSV: run_id, printed_at, printer, material, changed, proven"
    )
    more.add_argument("--baseline", type=int, metavar="N", help="prints that set the limits of a chart (default: 12)")
    more.add_argument("--prove-after-prints", type=int, metavar="N", help="prove a recipe again after N check pieces")
    more.add_argument("--prove-after-days", type=float, metavar="N", help="prove a recipe again after N days")
    more.add_argument("--target", nargs="+", type=float, default=[], metavar="MM", help="sizes wanted on the casting")
    more.add_argument("--limits", type=Path, metavar="FILE", help="CSV: kind, limit_mm (or a90_95_mm)")
    more.add_argument("--fit", type=Path, metavar="DIR", help="fit folder: limits and growth at its settings")
    more.add_argument("--scale", type=float, metavar="N", help="modelling scale, 24 for 1:24, instead of a brief")
    more.add_argument("--seed", type=seed_number, default=1, metavar="N", help="seed of resamples (default: 1)")
    parser.set_defaults(run=lambda args: _run(args, parser))


def _run(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    chosen = [name for name in ("readings", "gauge", "drift", "cure") if getattr(args, name)]
    if args.chain or args.details:
        chosen.append("moulds")
    if len(chosen) != 1:
        got = "none" if not chosen else " and ".join(chosen)
        parser.error(f"give one mode of --readings, --gauge, --drift, --cure, --chain/--details; got {got}")
    if args.readings and len(args.readings) != 2:
        parser.error(f"--readings takes two files, one for each printer; got {len(args.readings)}")
    modes = {"readings": _compare, "gauge": _gauge, "drift": _drift, "cure": _cure, "moulds": _moulds}
    return modes[chosen[0]](args)


def _tolerance(args: argparse.Namespace, *, needed: bool = True) -> float | None:
    if args.tolerance is not None:
        if not 0 < args.tolerance <= _LARGEST_TOLERANCE_MM:
            raise ComparisonError(
                f"--tolerance {args.tolerance:g}: give the largest error in mm, above 0 and up to "
                f"{_LARGEST_TOLERANCE_MM:g}."
            )
        return float(args.tolerance)
    if args.brief is not None:
        from sharpset.brief import load_brief

        return load_brief(args.brief).tolerance_mm.width
    if needed:
        raise ComparisonError("no tolerance is known. Give --brief FILE or --tolerance MM.")
    return None


def _together(paths: list[Path]) -> pd.DataFrame:
    import pandas as pd

    from sharpset.comparison.tables import check_readings, load_readings

    if len(paths) == 1:
        return load_readings(paths[0])
    names = ", ".join(path.name for path in paths)
    return check_readings(pd.concat([load_readings(path) for path in paths], ignore_index=True), name=names)


def _said(summary: str, out: Path, *, remarks: tuple[str, ...] = ()) -> None:
    print(summary)
    for remark in remarks:
        print(f"note: {remark}")
    print(f"Written to {out}: report.html, report.pdf and tables.")


def _compare(args: argparse.Namespace) -> int:
    from sharpset.brief import load_brief
    from sharpset.comparison.files import save_tables
    from sharpset.comparison.printers import compare_readings
    from sharpset.comparison.tables import load_readings, load_table
    from sharpset.reports.compare import write_comparison_report

    if args.brief is None:
        raise ComparisonError("the comparison needs the maker's tolerance. Give --brief brief.toml.")
    brief = load_brief(args.brief)
    width = brief.tolerance_mm.model_copy(update={"width": _tolerance(args)})
    brief = brief.model_copy(update={"tolerance_mm": width})
    a, b = (load_readings(path) for path in args.readings)
    jobs = load_table(args.jobs, what="table of jobs") if args.jobs else None
    labels = tuple(args.labels) if args.labels else ("A", "B")
    scanned = {"common_U95_mm": args.common_u95, "two_scanners": args.two_scanners}
    found = compare_readings(a, b, brief=brief, labels=labels, jobs=jobs, seed=args.seed, **scanned)
    tables = {n: getattr(found, n) for n in ("verdict", "by_kind", "limits", "agreement", "jobs")}
    names = ("label_a", "label_b", "n_prints_a", "n_prints_b", "tolerance_mm", "alpha", "n_tests", "decidable")
    numbers: dict[str, Any] = {n: getattr(found, n) for n in names}
    numbers |= {n: getattr(found, n) for n in ("recommended_prints", "recommended_prints_by_size", "remarks")}
    save_tables(args.out, tables=tables, numbers=numbers | {"summary": found.summary()}, name="comparison")
    write_comparison_report(found, brief=brief, out=args.out)
    if not found.decidable:
        raise ComparisonError(f"{found.remarks[0]} It is in {args.out}.")
    _print_verdict(found.verdict)
    _said(found.summary(), args.out, remarks=found.remarks)
    return 0


def _print_verdict(verdict: pd.DataFrame) -> None:
    width = max(len(str(kind)) for kind in verdict["kind"])
    for row in verdict.itertuples():
        size = "all sizes" if row.nominal_mm != row.nominal_mm else f"{row.nominal_mm:.3g} mm"
        print(f"{row.kind:<{width}}  {size:>9}  {row.verdict}")


def _gauge(args: argparse.Namespace) -> int:
    from sharpset.comparison.files import save_tables
    from sharpset.comparison.gauge import gauge_study
    from sharpset.comparison.tables import load_table
    from sharpset.reports.compare import write_gauge_report

    readings = _together(args.gauge)
    operators = load_table(args.operators, what="table of operators") if args.operators else None
    tolerance = _tolerance(args, needed=False)
    by_name = "operator" if operators is None and "operator" in readings else None
    both = [
        gauge_study(
            readings, tolerance_mm=tolerance, operator=by_name, operators=operators, method=method, seed=args.seed
        )
        for method in ("anova", "range")
    ]
    names = ["method", "n_parts", "n_operators", "n_trials", "n_dropped", "gauge", "part", "total", "n_categories"]
    names += ["n_categories_low", "n_categories_high"]
    tables = {f"components_{s.method}": s.components for s in both} | {f"detail_{s.method}": s.table for s in both}
    numbers = {f"{s.method}_{n}": getattr(s, n) for s in both for n in names}
    save_tables(args.out, tables=tables, numbers=numbers | {"verdict": both[0].verdict}, name="gauge")
    write_gauge_report(both, out=args.out)
    _said(f"{both[0].summary()}\n{both[0].verdict}", args.out)
    return 0


def _drift(args: argparse.Namespace) -> int:
    import pandas as pd

    from sharpset.comparison.drift import study_drift
    from sharpset.comparison.files import save_tables
    from sharpset.comparison.tables import load_table
    from sharpset.reports.compare import write_drift_report

    if args.prints is None:
        raise ComparisonError("drift needs the order of the prints. Give --prints FILE with run_id and printed_at.")
    study = study_drift(
        _together(args.drift),
        prints=load_table(args.prints, what="table of prints"),
        tolerance_mm=float(_tolerance(args) or 0.0),
        n_baseline=args.baseline,
        prove_after_prints=args.prove_after_prints,
        prove_after_days=args.prove_after_days,
    )
    points = pd.concat([c.to_frame() for c in study.charts]) if study.charts else pd.DataFrame()
    numbers = {"summary": study.summary(), "skipped": study.skipped}
    save_tables(args.out, tables={"verdict": study.verdict, "points": points}, numbers=numbers, name="drift")
    write_drift_report(study, out=args.out)
    _said(study.summary(), args.out, remarks=study.skipped)
    return 0


def _cure(args: argparse.Namespace) -> int:
    from sharpset.comparison.cure import check_cure
    from sharpset.comparison.files import save_tables
    from sharpset.comparison.tables import load_readings
    from sharpset.reports.masters import write_cure_report

    before, after = (load_readings(path) for path in args.cure)
    check = check_cure(before, after, tolerance_mm=float(_tolerance(args) or 0.0))
    numbers: dict[str, Any] = {"summary": check.summary(), "n_masters": check.n_masters, "remarks": check.remarks}
    if check.scale is not None:
        numbers |= {"scale_x": check.scale.scale_x, "scale_y": check.scale.scale_y}
    save_tables(args.out, tables={"changes": check.changes, "lost": check.lost}, numbers=numbers, name="cure")
    write_cure_report(check, out=args.out)
    _said(check.summary(), args.out, remarks=check.remarks)
    return 0


def _moulds(args: argparse.Namespace) -> int:
    from sharpset.comparison.files import save_tables
    from sharpset.comparison.shrinkage import plan_scale_chain, read_stages
    from sharpset.comparison.tables import load_table
    from sharpset.reports.masters import write_mould_report

    chain = budget = None
    tables: dict[str, pd.DataFrame] = {}
    numbers: dict[str, Any] = {}
    if args.chain:
        stages = read_stages(load_table(args.chain, what="table of stages"), name=str(args.chain))
        chain = plan_scale_chain(stages, targets_mm=args.target)
        tables |= {"stages": chain.stages, "targets": chain.targets}
        numbers |= {"factor": chain.factor, "U95_factor": chain.U95_factor, "remarks": chain.remarks}
    if args.details:
        budget = _budget(args, factor=chain.factor if chain is not None else 1.0)
        tables["details"] = budget.details
        _print_details(budget.details)
    said = [part.summary() for part in (chain, budget) if part is not None]
    save_tables(args.out, tables=tables, numbers=numbers | {"summary": "; ".join(said)}, name="moulds")
    write_mould_report(chain=chain, budget=budget, out=args.out)
    _said("\n".join(said), args.out, remarks=chain.remarks if chain is not None else ())
    return 0


def _budget(args: argparse.Namespace, *, factor: float) -> DetailBudget:
    from sharpset.comparison.details import budget_details, budget_for_fit
    from sharpset.comparison.tables import load_table

    details = load_table(args.details, what="table of details")
    if args.fit is None:
        return budget_details(details, limits_mm=_limits(args), scale=_scale(args), factor=factor)
    if args.limits is not None:
        raise ComparisonError("--fit brings its own limits. Leave --limits out, or --fit.")
    from sharpset.fits import load_fit

    fit = load_fit(args.fit)
    scale = fit.brief.scale if fit.brief is not None and args.scale is None and args.brief is None else None
    return budget_for_fit(details, fit, scale=_scale(args) if scale is None else scale, factor=factor)


def _print_details(table: pd.DataFrame) -> None:
    wide = max(len(str(name)) for name in table["name"])
    print(f"{'mm on the print':<{wide}}  kind    wanted   limit    draw  forms")
    for row in table.itertuples():
        numbers = "  ".join(f"{v:6.3f}" if v == v else "     ?" for v in (row.master_mm, row.limit_mm, row.draw_mm))
        print(f"{row.name:<{wide}}  {row.kind:<6}  {numbers}  {row.forms}".rstrip())


def _scale(args: argparse.Namespace) -> float:
    if args.scale is not None:
        return float(args.scale)
    if args.brief is not None:
        from sharpset.brief import load_brief

        scale = load_brief(args.brief).scale
        if scale is not None:
            return scale
    raise ComparisonError("no modelling scale is known. Give --scale 24 for 1:24, or a --brief with a scale.")


def _limits(args: argparse.Namespace) -> dict[str, float]:
    from sharpset.comparison.tables import load_table

    if args.limits is None:
        raise ComparisonError(
            "no limits are known. Give --fit DIR, or --limits FILE with the columns kind and limit_mm."
        )
    table = load_table(args.limits, what="table of limits")
    column = next((c for c in ("limit_mm", "a90_95_mm") if c in table), None)
    if column is None or "kind" not in table:
        raise ComparisonError(f"{args.limits}: the columns kind and limit_mm (or a90_95_mm) are needed. Add them.")
    kinds = table["kind"].astype(str).str.strip()
    if kinds.duplicated().any():
        raise ComparisonError(f"{args.limits}: {kinds[kinds.duplicated()].iloc[0]} has two limits. Keep one.")
    try:
        return {kind: float(limit) for kind, limit in zip(kinds, table[column], strict=True)}
    except ValueError as error:
        raise ComparisonError(f"{args.limits}: {column} holds something that is no number. Mend the row.") from error
