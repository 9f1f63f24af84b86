"""A whole plan rehearsed: every run printed on the virtual printer and scanned. INVENTED DATA."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from sharpset.errors import RehearsalError
from sharpset.pieces import Piece, encode_run_id
from sharpset.rehearsal.files import write_scan
from sharpset.rehearsal.printed import PrintedPiece
from sharpset.rehearsal.printers import Printer
from sharpset.rehearsal.scanner import Placement, Scan, Scanner, Scene, place_side_by_side
from sharpset.rehearsal.scanning import scan_pieces

__all__ = [
    *("INVENTED", "Rehearsal", "everyday_scan", "noted_results", "print_runs", "rehearse_plan"),
    *("with_run_id", "write_truth"),
]

_PLAN_COLUMNS = ("run_id", "print_order", "whole_plot", "block")
INVENTED = (
    "INVENTED DATA. These prints and scans were made by sharpset's rehearsal from formulas and random\n"
    "numbers. No printer, no scanner and no material was involved. Use them for learning and testing only.\n"
)


@dataclass(frozen=True, kw_only=True)
class Rehearsal:
    """What a rehearsal of several prints wrote.

    Attributes
    ----------
    folder : Path
    scans : tuple of Path
    truth : pandas.DataFrame
        Truth of every feature of every scan.
    runs : pandas.DataFrame
        Settings, truth of the whole piece, time and material of every print.
    """

    folder: Path
    scans: tuple[Path, ...]
    truth: pd.DataFrame
    runs: pd.DataFrame

    def summary(self) -> str:
        """Return the rehearsal in one line."""
        return f"INVENTED: {len(self.runs)} print(s) on {len(self.scans)} scan(s) in {self.folder / 'scans'}"


def with_run_id(piece: Piece, run_id: str) -> Piece:
    """Return the same piece with the code of another run."""
    code = replace(piece.code, run_id=run_id, bits=encode_run_id(run_id))
    return replace(piece, run_id=run_id, code=code)


def print_runs(
    runs: pd.DataFrame,
    piece: Piece,
    printer: Printer,
    *,
    fixed: Mapping[str, object] | None = None,
    seed: int = 0,
    shapes: bool = True,
) -> Iterator[PrintedPiece]:
    """Print every run of a plan, one after the other.

    Parameters
    ----------
    runs : pandas.DataFrame
        `run_id`, and one column per factor; the plan's own columns are left aside.
    piece : Piece
        Gets the code of each run.
    printer : Printer
    fixed : mapping of str to number, optional
        Settings that no factor changes.
    seed : int
        The print of row k takes its scatter from (seed, k).
    shapes : bool
        Whether the silhouettes are drawn; without them prints are quicker and cannot be scanned.

    Yields
    ------
    PrintedPiece

    Raises
    ------
    RehearsalError
        If a factor is no setting of the printer, or a setting is both fixed and a factor.
    """
    known = printer.usual_settings
    factors = [str(name) for name in runs.columns if name not in _PLAN_COLUMNS and name in known]
    strange = [str(name) for name in runs.columns if name not in _PLAN_COLUMNS and name not in known]
    if strange:
        raise RehearsalError(
            f"{printer.name}: factor {strange[0]!r} is no setting of the virtual {printer.process} printer; "
            f"settings are {', '.join(known)}."
        )
    both = sorted(set(fixed or ()) & set(factors))
    if both:
        raise RehearsalError(
            f"{printer.name}: {both[0]} is fixed and a factor of the plan as well; leave one of them out."
        )
    for k, row in enumerate(runs.to_dict("records")):
        settings = {**(fixed or {}), **{name: row[name] for name in factors}}
        yield printer.print_piece(
            with_run_id(piece, str(row["run_id"])), settings, seed=seed * 10_000 + k, shapes=shapes
        )


def everyday_scan(
    prints: PrintedPiece | list[PrintedPiece], *, scanner: Scanner, seed: int, columns: int | None = None
) -> Scan:
    """Scan prints as a workshop does: laid down by hand, either face down, with some dust.

    Parameters
    ----------
    prints : PrintedPiece or list of PrintedPiece
    scanner : Scanner
        Blur, lamp and noise vary a little about it from scan to scan.
    seed : int
    columns : int, optional
        Pieces per row.

    Returns
    -------
    Scan
    """
    pieces = [prints] if isinstance(prints, PrintedPiece) else prints
    rng = np.random.default_rng([seed, 20])
    own = replace(
        scanner,
        blur_mm=scanner.blur_mm * math.exp(rng.normal(0, 0.06)),
        falloff=scanner.falloff * math.exp(rng.normal(0, 0.2)),
        tilt=float(rng.normal(0, 0.02)),
    )
    scene = Scene(
        plastic=float(np.clip(rng.normal(0.55, 0.02), 0.4, 0.7)),
        background=float(np.clip(rng.normal(0.028, 0.004), 0.015, 0.05)),
        dust_per_cm2=float(rng.gamma(3.0, 0.5)),
        fibres=int(rng.poisson(2.5)),
        scratches=int(rng.poisson(0.8)),
    )
    quarter = rng.choice([0.0, 0.0, 90.0, 180.0, 270.0], len(pieces))
    angles = [float(q + a) for q, a in zip(quarter, rng.normal(0, 2.0, len(pieces)), strict=True)]
    mirrors = [bool(m) for m in rng.uniform(size=len(pieces)) < 0.3]
    placements: list[Placement] = place_side_by_side(
        pieces, angles_deg=angles, mirrors=mirrors, margin_mm=scene.margin_mm, columns=columns
    )
    return scan_pieces(pieces, scanner=own, scene=scene, placements=placements, seed=seed)


def noted_results(runs: pd.DataFrame) -> pd.DataFrame:
    """Return what a maker notes beside the printer: time to the minute, weight to a tenth of a gram."""
    hours = (runs["print_time_h"] * 60).round() / 60
    return pd.DataFrame({"run_id": runs["run_id"], "print_time_h": hours, "material_g": runs["material_g"].round(1)})


def write_truth(folder: Path, *, truth: pd.DataFrame, runs: pd.DataFrame) -> None:
    """Write the truth of features and runs as CSV, with a note that all of it is invented."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "INVENTED.txt").write_text(INVENTED, encoding="utf-8")
    truth.to_csv(folder / "features.csv", index=False, float_format="%.6g", lineterminator="\n")
    runs.to_csv(folder / "runs.csv", index=False, float_format="%.6g", lineterminator="\n")


def rehearse_plan(
    runs: pd.DataFrame,
    piece: Piece,
    printer: Printer,
    *,
    out: Path | str,
    fixed: Mapping[str, object] | None = None,
    scanner: Scanner | None = None,
    per_scan: int = 1,
    suffix: str = ".png",
    quality: int = 92,
    seed: int = 0,
    progress: bool = False,
) -> Rehearsal:
    """Print and scan every run of a plan and write the pictures and the truth.

    Parameters
    ----------
    runs : pandas.DataFrame
        The plan's runs (`Plan.runs`).
    piece : Piece
    printer : Printer
    out : path
        Gets `scans/`, `truth/` and `results.csv` (time and material as read off the printer).
    fixed : mapping of str to number, optional
    scanner : Scanner, optional
    per_scan : int
        Pieces that lie on the glass together.
    suffix : str
        Kind of picture file.
    quality : int
        Of JPEG.
    seed : int
    progress : bool
        Show a progress bar.

    Returns
    -------
    Rehearsal

    Raises
    ------
    RehearsalError
        If the plan does not suit the printer.
    """
    from tqdm import tqdm

    out = Path(out)
    scanner = scanner or Scanner()
    prints = list(print_runs(runs, piece, printer, fixed=fixed, seed=seed))
    groups = [prints[k : k + per_scan] for k in range(0, len(prints), per_scan)]
    paths, tables = [], []
    for k, group in enumerate(tqdm(groups, desc="Rehearsing", unit="scan", disable=None if progress else True)):
        scan = everyday_scan(group, scanner=scanner, seed=seed * 10_000 + k)
        names = [p.piece.run_id for p in group]
        path = out / "scans" / f"{names[0] if len(names) == 1 else f'{names[0]}-{names[-1]}'}{suffix}"
        paths.append(write_scan(scan, path, quality=quality))
        table = scan.truth()
        table.insert(0, "scan_id", path.stem)
        tables.append(table)
    truth = pd.concat(tables, ignore_index=True)
    whole = pd.DataFrame([p.whole_row() for p in prints])
    write_truth(out / "truth", truth=truth, runs=whole)
    noted_results(whole).to_csv(out / "results.csv", index=False, float_format="%.4g", lineterminator="\n")
    return Rehearsal(folder=out, scans=tuple(paths), truth=truth, runs=whole)
