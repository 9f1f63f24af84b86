"""The verb ``sharpset rehearse``: print and scan on virtual machines."""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from pathlib import Path

from sharpset.arguments import named_values, seed_number
from sharpset.errors import RehearsalError

__all__ = ["configure"]


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the rehearsals and their arguments."""
    parser.description = "Print and scan on a virtual printer and scanner with known truth. The data are INVENTED."
    verbs = parser.add_subparsers(title="rehearsals", metavar="WHAT", required=True)
    one = verbs.add_parser(
        "piece",
        help="print one piece once and scan it",
        description="Print one piece on a virtual printer and scan it. The data are INVENTED.",
    )
    _add_common(one)
    one.add_argument("--run-id", metavar="ID", help="run to put on the piece (default: the one on it)")
    one.add_argument("--angle", type=float, metavar="DEG", help="turn on the glass (default: laid by hand)")
    one.add_argument("--mirror", action="store_true", help="underside on the glass")
    one.set_defaults(run=_rehearse_piece)
    many = verbs.add_parser(
        "plan",
        help="print and scan every run of a plan",
        description="Print every run of a plan on a virtual printer and scan it. The data are INVENTED.",
    )
    _add_common(many)
    many.add_argument("--plan", type=Path, required=True, metavar="DIR", help="plan folder")
    many.add_argument("--per-scan", type=int, default=1, metavar="N", help="pieces on the glass together (default: 1)")
    many.set_defaults(run=_rehearse_plan)
    whole = verbs.add_parser(
        "experiment",
        help="run a whole plan several times, from prints to settings",
        description="Rehearse a whole plan several times without pictures: which effects are found, how good the "
        "recommended settings are. The data are INVENTED.",
    )
    whole.add_argument("--plan", type=Path, required=True, metavar="DIR", help="plan folder")
    whole.add_argument("--brief", type=Path, required=True, metavar="FILE", help="brief.toml")
    whole.add_argument("--repeats", type=int, default=10, metavar="N", help="how often (default: 10)")
    whole.add_argument("--save", type=Path, metavar="FILE", help="also write the table of effects to this CSV file")
    _add_machine(whole)
    whole.set_defaults(run=_rehearse_experiment)


def _add_common(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--piece", type=Path, required=True, metavar="DIR", help="piece folder")
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to write")
    _add_machine(parser)
    parser.add_argument("--dpi", type=float, default=1200.0, metavar="N", help="scanning resolution (default: 1200)")
    parser.add_argument("--format", choices=("png", "jpg", "tif"), default="png", help="kind of picture (default: png)")


def _add_machine(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--set", nargs="+", action="extend", default=[], metavar="NAME=VALUE", help="settings of the printer"
    )
    parser.add_argument(
        "--printer", type=int, metavar="N", help="number of the virtual printer (default: a middling one)"
    )
    parser.add_argument(
        "--seed", type=seed_number, default=0, metavar="N", help="draws scatter, dust and noise (default: 0)"
    )


def parse_settings(texts: Sequence[str]) -> dict[str, float]:
    """Return settings given as NAME=VALUE.

    Raises
    ------
    SharpsetError
        If one is no NAME=VALUE, no number, or given twice.
    """
    settings: dict[str, float] = {}
    for name, value in named_values(texts).items():
        try:
            settings[name] = float(value)
        except ValueError as error:
            raise RehearsalError(f"--set {name}={value}: {value!r} is no number.") from error
    return settings


def _seed(args: argparse.Namespace) -> int:
    if args.printer is not None and args.printer < 0:
        raise RehearsalError("--printer takes a whole number from 0 up.")
    return int(args.seed)


def _refuse_own_work(out: Path, *names: str) -> None:
    """Refuse a folder in which invented files would take the place of real ones; an earlier rehearsal's may."""
    there = [name for name in names if (out / name).exists()]
    if there and not (out / "truth" / "INVENTED.txt").is_file():
        raise RehearsalError(
            f"{out}: holds {there[0]} already, which no rehearsal is known to have written. Choose another --out."
        )


def _rehearse_piece(args: argparse.Namespace) -> int:
    import pandas as pd

    from sharpset.pieces import load_piece
    from sharpset.rehearsal.files import write_scan
    from sharpset.rehearsal.printers import virtual_printer
    from sharpset.rehearsal.runs import everyday_scan, with_run_id, write_truth
    from sharpset.rehearsal.scanner import Scanner
    from sharpset.rehearsal.scanning import scan_pieces

    seed = _seed(args)
    piece = load_piece(args.piece)
    piece = with_run_id(piece, args.run_id) if args.run_id else piece
    if args.angle is not None and not math.isfinite(args.angle):
        raise RehearsalError(f"--angle {args.angle:g}: a number of degrees is needed.")
    _refuse_own_work(args.out, f"{piece.run_id}.{args.format}")
    printed = virtual_printer(piece.process, args.printer).print_piece(piece, parse_settings(args.set), seed=seed)
    scanner = Scanner(dpi=args.dpi)
    if args.angle is None and not args.mirror:
        scan = everyday_scan(printed, scanner=scanner, seed=seed)
    else:
        scan = scan_pieces(printed, scanner=scanner, angle_deg=args.angle, mirror=args.mirror, seed=seed)
    path = write_scan(scan, args.out / f"{piece.run_id}.{args.format}")
    write_truth(args.out / "truth", truth=scan.truth(), runs=pd.DataFrame([printed.whole_row()]))
    print(printed.summary())
    print(f"{scan.summary()}: {path}; truth in {args.out / 'truth'}")
    return 0


def _rehearse_plan(args: argparse.Namespace) -> int:
    from sharpset.pieces import load_piece
    from sharpset.plans import load_plan
    from sharpset.rehearsal.printers import virtual_printer
    from sharpset.rehearsal.runs import rehearse_plan
    from sharpset.rehearsal.scanner import Scanner

    seed = _seed(args)
    if args.per_scan < 1:
        raise RehearsalError(f"--per-scan {args.per_scan}: at least one piece lies on the glass.")
    piece = load_piece(args.piece)
    plan = load_plan(args.plan)
    _refuse_own_work(args.out, "scans", "results.csv")
    columns = [c for c in plan.runs.columns if c not in plan.extra_columns]
    done = rehearse_plan(
        plan.runs[columns],
        piece,
        virtual_printer(piece.process, args.printer),
        out=args.out,
        fixed=parse_settings(args.set),
        scanner=Scanner(dpi=args.dpi),
        per_scan=args.per_scan,
        suffix=f".{args.format}",
        seed=seed,
        progress=True,
    )
    print(done.summary())
    print(f"Truth in {args.out / 'truth'}, times and weights in {args.out / 'results.csv'}.")
    return 0


def _rehearse_experiment(args: argparse.Namespace) -> int:
    from sharpset.brief import load_brief
    from sharpset.dress_rehearsal import dress_rehearsal
    from sharpset.plans import load_plan

    seed = _seed(args)
    done = dress_rehearsal(
        load_plan(args.plan),
        load_brief(args.brief),
        printer=args.printer,
        fixed=parse_settings(args.set),
        n_repeats=args.repeats,
        seed=seed,
        progress=True,
    )
    print(f"{done.summary()}.")
    effects = done.effects[done.effects["real"]].drop(columns="real")
    print(effects.to_string(index=False, float_format=lambda value: f"{value:.3g}"))
    print(done.settings.to_string(index=False, float_format=lambda value: f"{value:.3g}"))
    for repeat, why in done.failed.items():
        print(f"note: repeat {repeat} gave no settings: {why}")
    if args.save is not None:
        try:
            done.effects.to_csv(args.save, index=False, lineterminator="\n")
        except OSError as error:
            raise RehearsalError(
                f"{args.save}: cannot be written ({error.strerror}). Choose another --save."
            ) from error
        print(f"Effects: {args.save}")
    return 0
