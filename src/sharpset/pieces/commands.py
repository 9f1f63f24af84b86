"""The verb ``sharpset piece``: make test pieces ready to print."""

from __future__ import annotations

import argparse
import json
import math
from pathlib import Path
from typing import TYPE_CHECKING

from sharpset.errors import PieceError
from sharpset.files import read_table, unfit_name

if TYPE_CHECKING:
    from sharpset.pieces.model import Piece

__all__ = ["configure"]


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the pieces and their arguments."""
    pieces = parser.add_subparsers(title="pieces", metavar="PIECE", required=True)
    stencil = pieces.add_parser(
        "stencil",
        help="flat plate with graded slots, bars and holes through it",
        description="Make a stencil: a flat plate with graded slots, bars and holes through it, read as a silhouette.",
    )
    stencil.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to write")
    stencil.add_argument("--process", choices=("filament", "resin"), help="how it is printed (default: filament)")
    stencil.add_argument(
        "--smallest", type=float, metavar="MM", help="smallest bar, slot and hole that must form (overrides the brief)"
    )
    stencil.add_argument(
        "--size",
        type=float,
        metavar="MM",
        help="side of the square the piece fills (default: the smallest that holds it)",
    )
    stencil.add_argument("--brief", type=Path, metavar="FILE", help="brief.toml that names process and sizes")
    stencil.add_argument("--replace", action="store_true", help="replace another piece that is there")
    runs = stencil.add_mutually_exclusive_group()
    runs.add_argument("--run-id", metavar="ID", help="run that the code on the piece names (default: R01)")
    runs.add_argument(
        "--plan", type=Path, metavar="DIR", help="plan folder: one piece folder per run, each with its own run code"
    )
    stencil.set_defaults(run=_make_stencils)


def _make_stencils(args: argparse.Namespace) -> int:
    from tqdm import tqdm

    from sharpset.pieces.export import write_piece

    run_ids = _planned_runs(args.plan) if args.plan else ["R01" if args.run_id is None else args.run_id]
    pieces = [_stencil(args, run_id, size_mm=args.size) for run_id in run_ids]
    folders = [args.out] if args.plan is None else [args.out / run_id for run_id in run_ids]
    if not args.replace:
        for piece, folder in zip(pieces, folders, strict=True):
            _refuse_another(piece, folder)
    for piece, folder in tqdm(
        list(zip(pieces, folders, strict=True)), desc="Writing pieces", unit="piece", disable=args.plan is None or None
    ):
        write_piece(piece, folder)
    print(pieces[0].summary() if args.plan is None else f"{len(pieces)} pieces, the first: {pieces[0].summary()}")
    absent = _absent_kinds(args, pieces[0])
    if absent:
        print(f"note: the brief asks for {', '.join(absent)}, which this piece does not hold and nothing will measure.")
    if args.size is not None and args.size > (enough := _enough_mm(args)):
        print(f"note: {enough:g} mm would hold all of it; --size is the piece's own side, not the printer's bed.")
    where = args.out if args.plan is None else args.out / "<run>"
    print(f"Print {where / 'piece.3mf'} (or piece.stl) flat, at true size, one print job per run.")
    return 0


def _enough_mm(args: argparse.Namespace) -> float:
    """Return the smallest of the usual sides that would hold the piece; infinite where none does."""
    try:
        return _stencil(args, "R01", size_mm=None).width_mm
    except PieceError:
        return math.inf


def _absent_kinds(args: argparse.Namespace, piece: Piece) -> list[str]:
    """Return the kinds of detail that the brief asks for and the piece lacks."""
    from sharpset.brief import load_brief

    if args.brief is None:
        return []
    held = set(piece.features["kind"])
    return [kind for kind in load_brief(args.brief).smallest_mm if kind not in held]


def _refuse_another(piece: Piece, folder: Path) -> None:
    """Refuse to write over another piece: prints of it could no longer be read."""
    path = folder / "piece.json"
    if not path.is_file():
        return
    try:
        there = json.loads(path.read_text(encoding="utf-8"))
        found = (str(there["id"]), str(there["run_id"]))
    except (OSError, ValueError, KeyError, TypeError):
        found = ("a piece that cannot be read", "?")
    if found != (piece.piece_id, piece.run_id):
        raise PieceError(
            f"{folder}: holds another piece already, {found[0]}, run {found[1]}; this one is {piece.piece_id}, run "
            f"{piece.run_id}. Choose another --out, or replace it with --replace."
        )


def _stencil(args: argparse.Namespace, run_id: str, *, size_mm: float | None) -> Piece:
    from sharpset.brief import load_brief
    from sharpset.pieces.stencil import make_stencil, stencil_from_brief

    if args.brief is None:
        return make_stencil(
            process=args.process or "filament", smallest_mm=args.smallest, size_mm=size_mm, run_id=run_id
        )
    brief = load_brief(args.brief)
    if args.process and args.process != brief.process:
        raise PieceError(
            f"{args.brief}: the brief is for {brief.process}, --process says {args.process}. Leave one of them out."
        )
    if args.smallest is not None:
        return make_stencil(process=brief.process, smallest_mm=args.smallest, size_mm=size_mm, run_id=run_id)
    return stencil_from_brief(brief, size_mm=size_mm, run_id=run_id)


def _planned_runs(folder: Path) -> list[str]:
    """Return the run ids of a plan in the order of its table."""
    path = folder / "runs.csv"
    try:
        table = read_table(path, texts=("run_id",))
    except OSError as error:
        raise PieceError(
            f"{path}: cannot be read ({error.strerror}). --plan takes the folder that 'sharpset plan new' wrote."
        ) from error
    except ValueError as error:
        raise PieceError(f"{path}: not a table ({error}). --plan takes a folder that 'sharpset plan' wrote.") from error
    if "run_id" not in table:
        raise PieceError(
            f"{path}: has no column run_id but {', '.join(map(str, table.columns))}. --plan takes a folder that "
            "'sharpset plan' wrote."
        )
    run_ids = [str(run_id).strip() for run_id in table["run_id"].fillna("")]
    if not run_ids or not all(run_ids):
        raise PieceError(f"{path}: no run_id in row {run_ids.index('') + 2 if run_ids else 2}. Every run needs one.")
    for run_id in run_ids:
        if why := unfit_name(run_id):
            raise PieceError(f"{path}: run_id {run_id!r} cannot name a folder, it {why}. Use letters, digits, - and _.")
    # Windows and macOS take names that differ in capitals for one folder.
    folded = [run_id.casefold() for run_id in run_ids]
    twice = [run_id for run_id in run_ids if folded.count(run_id.casefold()) > 1]
    if twice:
        raise PieceError(
            f"{path}: run_id {twice[0]} stands twice (capitals do not count). One run is one print job with an id of "
            "its own."
        )
    return run_ids
