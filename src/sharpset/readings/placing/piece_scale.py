"""What the piece's own size says about a scale that nothing else vouches for."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from sharpset.errors import ReadingError
from sharpset.readings.advice import advice_for
from sharpset.scans import LocalScale, Pose, Scan

__all__ = ["chance_of_wrong_scale", "check_scale", "scale_as_the_piece_says"]

_MOST_SCALE = 0.035
_U_PRINTER = 0.005
"""Common practice: plastics and resins shrink by 0.1 to 1 %, and slicing programs are set to make up for it."""
_WRONG = 0.02
"""How likely a resolution is one that the picture was not taken with, before the piece is looked at: assumed. Anything
from -10 to +10 % is then as likely."""
_WRONG_PRINT = 0.2
"""The same of a printed frame whose rulers nobody measured: viewers fit pages to the paper unless told not to, and
office printers feed paper by a per cent or two too far (common practice, no source)."""
_WRONG_UP_TO = 0.10
_WORTH_A_REMARK = 0.1


def check_scale(scan: Scan, pose: Pose, *, slack: float = 0.0) -> None:
    """Refuse a scan whose scale cannot be right.

    Parameters
    ----------
    scan, pose
    slack : float
        How far the pose's own scales may be off, relative.

    Raises
    ------
    ReadingError
    """
    for axis, scale in (("x", pose.scale_x), ("y", pose.scale_y)):
        if abs(scale - 1) > _MOST_SCALE + slack:
            raise ReadingError(
                f"{scan.path}: along {axis} the piece measures {scale:.3f} of its drawn size; no printer is "
                f"{abs(scale - 1):.1%} off. {_what_to_check(scan)}"
            )


def _what_to_check(scan: Scan) -> str:
    return advice_for(scan).scale.format(x=scan.dpi.x, y=scan.dpi.y, source=scan.scale_source)


def chance_of_wrong_scale(excess: float, u_scale: float, *, beforehand: float = _WRONG) -> float:
    """Return how likely the stated resolution is a wrong one.

    Parameters
    ----------
    excess : float
        Measured over drawn size of the whole piece, minus 1.
    u_scale : float
        Relative standard uncertainty of a scale that is not wrong.
    beforehand : float
        How likely it is before the piece is looked at.

    Notes
    -----
    By Bayes' theorem: a right scale leaves the printer's own error (normal, 0.5 %) and the scanner's, a wrong one
    leaves anything.
    """
    spread = math.hypot(_U_PRINTER, u_scale)
    right = (1.0 - beforehand) * math.exp(-0.5 * (excess / spread) ** 2) / (spread * math.sqrt(2.0 * math.pi))
    wrong = beforehand / (2.0 * _WRONG_UP_TO)
    return wrong / (wrong + right)


def scale_as_the_piece_says(scan: Scan, pose: Pose, local: LocalScale) -> tuple[LocalScale, tuple[str, ...]]:
    """Return the scale, less sure where the piece is larger or smaller than printers make it, and a remark.

    A piece that measures 2 % too large was rarely printed so; more often the resolution is wrong, and all its sizes
    with it. Which of the two it is the picture cannot tell, so nothing is corrected.

    Parameters
    ----------
    scan, pose
    local : LocalScale
        A scale by tag, argument or frame alone.
    """
    # Rows of the linear part: lengths along columns and along rows of the glass, whichever way the piece lies.
    excess = np.hypot(*pose.linear_mm.T) - 1.0
    # Resolutions are rarely wrong along one axis alone.
    by_print = scan.viewing is not None and not scan.viewing.has_rulers
    beforehand = _WRONG_PRINT if by_print else _WRONG
    chance = max(
        chance_of_wrong_scale(own, u, beforehand=beforehand)
        for own, u in zip(excess, (local.u_x, local.u_y), strict=True)
    )
    u_x, u_y = np.sqrt(np.square((local.u_x, local.u_y)) + chance * excess**2)
    remarks: tuple[str, ...] = ()
    if chance > _WORTH_A_REMARK:
        worst = float(excess[np.argmax(np.abs(excess))])
        remarks = (
            f"the piece measures {abs(worst):.1%} {'larger' if worst > 0 else 'smaller'} than drawn: few printers are "
            "so far off, so the scale may be wrong, and sizes are as unsure as that. "
            + _what_to_check(scan).rstrip("."),
        )
    return replace(local, u_x=float(u_x), u_y=float(u_y)), remarks
