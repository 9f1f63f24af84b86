"""Prints laid on the virtual scanner and scanned. INVENTED DATA."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from sharpset.errors import RehearsalError
from sharpset.rehearsal.printed import PrintedPiece
from sharpset.rehearsal.rendering import render
from sharpset.rehearsal.scanner import Placement, Scan, Scanner, Scene, place_side_by_side

__all__ = ["scan_pieces"]


def scan_pieces(
    prints: PrintedPiece | Sequence[PrintedPiece],
    *,
    dpi: float | None = None,
    scanner: Scanner | None = None,
    scene: Scene | None = None,
    placements: Sequence[Placement] | None = None,
    angle_deg: float | None = None,
    mirror: bool = False,
    seed: int = 0,
) -> Scan:
    """Scan one or more prints.

    Parameters
    ----------
    prints : PrintedPiece or sequence of PrintedPiece
    dpi : float, optional
        Instead of the scanner's own.
    scanner : Scanner, optional
    scene : Scene, optional
    placements : sequence of Placement, optional
        One per print. Without it the pieces lie side by side, turned by `angle_deg` or by a few
        degrees at random.
    angle_deg : float, optional
    mirror : bool
        Whether pieces without a placement of their own lie with the underside on the glass.
    seed : int
        Draws dirt, texture, noise and careless turns.

    Returns
    -------
    Scan

    Raises
    ------
    RehearsalError
        If there is nothing to scan or the numbers do not match.
    """
    pieces = (prints,) if isinstance(prints, PrintedPiece) else tuple(prints)
    if not pieces:
        raise RehearsalError("virtual scanner: no print was given; put at least one on the glass.")
    for printed in pieces:
        printed.require_shapes()
    scanner = scanner or Scanner()
    scanner = replace(scanner, dpi=dpi) if dpi is not None else scanner
    scene = scene or Scene()
    rng = np.random.default_rng([seed, 10])
    if placements is None:
        angles = [angle_deg if angle_deg is not None else float(rng.normal(0, 1.5)) for _ in pieces]
        placements = place_side_by_side(
            pieces, angles_deg=angles, mirrors=[mirror] * len(pieces), margin_mm=scene.margin_mm
        )
    if len(placements) != len(pieces):
        raise RehearsalError(f"virtual scanner: {len(pieces)} prints but {len(placements)} placements; give one each.")
    image = render(pieces, tuple(placements), scanner=scanner, scene=scene, seed=seed)
    return Scan(image=image, scanner=scanner, scene=scene, prints=pieces, placements=tuple(placements), seed=seed)
