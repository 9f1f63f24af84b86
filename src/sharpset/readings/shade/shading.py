"""The shade of walls: a lamp on one side dims bands beside edges that face away from it, or lights walls that face it.

A band of width b in which a share h of the contrast is missing moves an edge towards its bright side
by h b, and widens its spread by the variance h (1 - h) b^2. Edges that face the lamp keep theirs. Lit walls that
are seen beside edges move those the other way. So the difference of the edge spread between edges that face opposite
ways, and which way the broader ones lean, tell the size and the sense of the shift (`bands`); which edges are
broader tells its direction on the glass. A lamp may lie along the columns or along the rows of the picture (the
carriage runs along one of them), so both are looked at.

The median of what all bands that agree with a scan shift edges by, no band at all included, is taken off, as a known
error is to be (GUM, 3.2.4): nothing where no band is the likelier, and little on weak evidence. How far the others are
from it stays in the uncertainty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.faces import Faces
from sharpset.readings.edges.profiles import Profiles
from sharpset.readings.edges.sampling import Samples
from sharpset.readings.edges.strips import StripFits
from sharpset.readings.shade.bands import WIDEST_MM, Seen, Shift, likely_shift, likely_shifts
from sharpset.readings.shade.edge_shapes import edge_differences

__all__ = [
    "Shade",
    "common_shift_mm",
    "diameter_effect",
    "measure_shade",
    "of_one_lamp",
    "seen_at_slant",
    "width_effect",
]

FloatArray = NDArray[np.float64]
_U_TAKEN = 0.15
"""Least relative standard uncertainty of a shift that is taken off: no band is quite what it is thought to be."""
_EVIDENT, _SURE, _AGAINST = 4.0, 5.0, 2.0
"""Uncertainties from which on an excess is worth a remark, is sure, and is evidence against what other scans say.
Without any shade the largest of 70 excesses was three (rendered scans)."""
_UNLIKE, _OF_TURN = 3.0, 0.15
"""Uncertainties from which on two scans' excesses are not by one lamp, and what an excess may change by, relative, as
other edges come to face the lamp. Of 56 pairs by one lamp none differed by more than 1.5 (rendered scans)."""
_EVENLY_LIT = (0.9, 0.5)
"""Chance that no lamp shades edges along columns and along rows, before the scan is looked at: most scanners have a
lamp on one side, which need not shade; rows are where most pictures have the carriage's direction (common practice, no
source)."""
_U_FACTOR = 1.5
"""By how much the scatter between edges understates the error of the excess (scans without shade, benchmarks)."""
_ASLANT, _LEAST_TURN_DEG = 5.0, 8.0
"""Gain in the logarithm of the likelihood from which on a lamp is taken to lie aslant, and its smallest angle."""
_ALONG = 0.35
"""Component of the lamp's direction along an axis from which on its side counts there."""
_FAR_APART, _MOSTLY = 9.0, (0.85, 0.6)
"""Blur widths between edges whose lean hardly depends on the blur's shape, and the component of their direction along
an axis from which on they count to it; the lesser one where there are too few."""
_BY_RELIEF = 2.0, 4.0
"""What relief of a face does to differences of variance and of lean, in squares and cubes of the blur, over what it
makes opposite sides differ by further out: triangles of light beside edges, 2 to 9 blurs wide, their peaks 0 to 2 blurs
away, do up to 2.5 and 4.5 times their height."""
_OPEN = 0.2
"""Chance of a lit wall, or of shade, from which on a remark speaks of both."""
_APART = 3.0
"""Strips narrower than this many blur widths do not tell the spreads of their two edges apart. Strips of 3 to 7 blurs
tell them less well, which their weight holds, but are more than the wider ones where pixels are coarse."""
_FEWEST = 6
_K95 = 1.96


@dataclass(frozen=True, kw_only=True, slots=True)
class Shade:
    """What a scan tells of its shade; x along columns, y along rows.

    Attributes
    ----------
    excess_x_mm2, excess_y_mm2 : float
        Variance by which the spread of edges facing +x (+y, downwards in the picture) exceeds that of edges
        facing the other way; negative where those are shaded.
    u_excess_x_mm2, u_excess_y_mm2 : float
        Standard uncertainties, from the scatter between edges.
    shift_x_mm, shift_y_mm : float
        Shift of edges on one side that 95 % of those stay below which agree with the scan; of unknown sign in one scan.
    n : int
        Strips that were used.
    lamp : (float, float)
        On which side the lamp seems to lie along x and y, by the ground round the piece; 0 if nothing tells.
    turn_deg : float
        By how much the lamp's own x and y are turned from columns and rows, clockwise in the picture; 0 but for
        pictures that were turned after they were scanned.
    lean_x_mm3, lean_y_mm3, u_lean_x_mm3, u_lean_y_mm3 : float
        The same as the excess, of the third moment of the spread: positive where edges that face +x (+y) lean towards
        their bright side more than the others.
    both_x_mm3, both_y_mm3, u_both_x_mm3, u_both_y_mm3 : float
        Mean lean towards the bright side of edges that face either way along x and y; uncertainties are infinite where
        too few strips are wide enough, or where the picture was sharpened.
    found : (Shift, Shift), optional
        What bands that agree with the scan shift edges by, along x and y.
    alike : Shift, optional
        What walls that are lit, or dark, beside all edges alike shift every edge by.
    spread : EdgeSpread, optional
        Of the scan.
    u_of_file_mm3 : float
        Standard uncertainty that the mean leans along x and y have alike, from how the picture was stored.
    plate_is_bright : bool
        Which side shade takes light from.
    at_slant : bool
        Whether the picture was seen at a slant: walls then show beside the edges too, and nothing can be taken off.
    """

    excess_x_mm2: float
    excess_y_mm2: float
    u_excess_x_mm2: float
    u_excess_y_mm2: float
    shift_x_mm: float
    shift_y_mm: float
    n: int
    plate_is_bright: bool = True
    at_slant: bool = False
    lamp: tuple[float, float] = (0.0, 0.0)
    turn_deg: float = 0.0
    lean_x_mm3: float = np.nan
    lean_y_mm3: float = np.nan
    u_lean_x_mm3: float = np.nan
    u_lean_y_mm3: float = np.nan
    both_x_mm3: float = 0.0
    both_y_mm3: float = 0.0
    u_both_x_mm3: float = np.inf
    u_both_y_mm3: float = np.inf
    found: tuple[Shift, Shift] | None = None
    alike: Shift | None = None
    spread: EdgeSpread | None = None
    u_of_file_mm3: float = 0.0

    @property
    def facing(self) -> tuple[int, int]:
        """Which edges are shaded along x and y: 1 or -1 where the evidence is four uncertainties strong, else 0."""
        x, y = (int(np.sign(value)) if abs(value) > _EVIDENT * u else 0 for value, u in self._excess())
        return x, y

    @property
    def is_sure(self) -> tuple[bool, bool]:
        """Whether the evidence along x and y leaves no doubt of a shift."""
        x, y = (bool(abs(value) > _SURE * u) and not self.at_slant for value, u in self._excess())
        return x, y

    def _excess(self) -> tuple[tuple[float, float], tuple[float, float]]:
        return (self.excess_x_mm2, self.u_excess_x_mm2), (self.excess_y_mm2, self.u_excess_y_mm2)

    def likely_shift_mm(self, axis: int) -> float:
        """Return the likely shift along columns (0) or rows (1): positive by shade, negative by lit walls."""
        return 0.0 if self.found is None else self.found[axis].middle_mm

    def seen(self, axis: int) -> Seen:
        """Return by what edges differ along columns (0) or rows (1)."""
        one = "xy"[axis]
        return Seen(
            variance_mm2=getattr(self, f"excess_{one}_mm2"),
            u_variance_mm2=getattr(self, f"u_excess_{one}_mm2"),
            lean_mm3=getattr(self, f"lean_{one}_mm3"),
            u_lean_mm3=getattr(self, f"u_lean_{one}_mm3"),
            both_mm3=getattr(self, f"both_{one}_mm3"),
            u_both_mm3=getattr(self, f"u_both_{one}_mm3"),
        )

    def taken_mm(self, axis: int) -> float:
        """Return the shift along columns (0) or rows (1) that sizes are corrected for.

        Positive where openings read too wide and solids too narrow, as shade makes them on a bright plate.
        """
        if self.at_slant:
            return 0.0
        return self.likely_shift_mm(axis) if self.plate_is_bright else -self.likely_shift_mm(axis)

    @property
    def taken_all_mm(self) -> float:
        """Shift of every edge that sizes are corrected for, positive where openings read too wide."""
        if self.at_slant or self.alike is None:
            return 0.0
        return self.alike.middle_mm if self.plate_is_bright else -self.alike.middle_mm

    @property
    def u_all_mm(self) -> float:
        """Standard uncertainty of every edge's place from walls beside all edges alike."""
        if self.at_slant or self.alike is None:
            return 0.0
        return max(self.alike.u_mm, _U_TAKEN * abs(self.alike.middle_mm))

    def summary_of_all(self) -> str:
        """Return what walls beside all edges alike do, in one line; empty where nothing is taken off."""
        if self.taken_all_mm == 0.0 or self.alike is None:
            return ""
        kind = "lit walls show" if self.alike.middle_mm < 0 else "the bright side is dim"
        return (
            f"all edges lean alike: {kind} beside them, or the picture was sharpened. All sizes are corrected by "
            f"{2000 * abs(self.taken_all_mm):.1f} um, good to {2000 * _K95 * self.u_all_mm:.1f} um"
        )

    def u_shift_mm(self, axis: int) -> float:
        """Return the standard uncertainty of the shift, after correction where there is one."""
        if not self.at_slant and self.found is not None:
            return max(self.found[axis].u_mm, _U_TAKEN * abs(self.found[axis].middle_mm))
        return (self.shift_x_mm, self.shift_y_mm)[axis] / _K95

    def summary(self) -> str:
        """Return the shade in one line."""
        axes = [axis for axis, facing in enumerate(self.facing) if facing]
        if not axes or self.found is None:
            x_um, y_um = 1000 * self.shift_x_mm, 1000 * self.shift_y_mm
            return f"no shade seen; it may still move edges by {x_um:.1f} um along columns and {y_um:.1f} um along rows"
        where = " and ".join(("columns", "rows")[axis] for axis in axes)
        found = [self.found[axis] for axis in axes]
        shift, lit = 1000 * float(np.hypot.reduce([one.middle_mm for one in found])), max(one.lit for one in found)
        off = f"those edges are off by about {shift:.1f} um"
        if lit < _OPEN:
            return f"walls shade one side along {where}: {off}"
        if lit > 1 - _OPEN:
            return f"lit walls show beside edges on one side along {where}: {off}"
        most = 1000 * max(one.most_mm for one in found)
        return f"walls on one side along {where} shade edges or shine beside them, off by up to {most:.1f} um"


def width_effect(normal: FloatArray, turn_deg: float = 0.0) -> FloatArray:
    """Return the change of widths across unit normals per unit of shift along x and y of a lamp, shape (n, 2).

    One edge of every strip faces away from the lamp.
    """
    return np.asarray(np.abs(np.atleast_2d(normal) @ _axes(turn_deg).T))


def _axes(turn_deg: float) -> FloatArray:
    """Return the directions of x and y that are turned from columns and rows, one a row."""
    cos, sin = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return np.array([[cos, sin], [-sin, cos]]) if turn_deg else np.eye(2)


def diameter_effect() -> float:
    """Return the change of a hole's diameter per unit of shift: averaged round the edge, 2 / pi of it."""
    return 2 / np.pi


def measure_shade(
    samples: Samples,
    profiles: Profiles,
    fits: StripFits,
    spread: EdgeSpread,
    *,
    plate_is_bright: bool = True,
    lamp: FloatArray | None = None,
    lean_of_file: float = 0.0,
    curves: Sequence[tuple[float, float]] = (),
) -> Shade:
    """Compare the spread of edges that face opposite ways.

    Parameters
    ----------
    samples, profiles, fits : all strips of a piece
    spread : EdgeSpread
    plate_is_bright : bool
    lamp : ndarray of float, shape (2,), optional
        Direction (column, row) in which the lamp lies, zeros if nothing tells.
    lean_of_file : float
        Standard uncertainty of edges' lean from how the picture was stored, in cubes of the blur.
    curves : sequence of (float, float)
        Leans of all edges towards the plate, mm^3, if the file is encoded otherwise than it was read, and the chances,
        of a file that does not say so.

    Returns
    -------
    Shade
        Of a piece with too few wide strips the largest shift that is thought possible.

    Notes
    -----
    A band that is wholly dark widens no edge and cannot be seen in one scan; two scans turned by half a
    turn tell it. Before the scan is looked at, every other one counts as evenly
    lit and the others as shifting edges by anything up to 12.5 um.
    """
    usable = (fits.contrast > 0.8) & (fits.contrast < 1.25) & (fits.width_mm > _APART * fits.sigma_mm)
    chosen = np.flatnonzero(usable)
    if len(chosen) < _FEWEST:
        return Shade(
            excess_x_mm2=np.nan,
            excess_y_mm2=np.nan,
            u_excess_x_mm2=np.nan,
            u_excess_y_mm2=np.nan,
            shift_x_mm=WIDEST_MM,
            shift_y_mm=WIDEST_MM,
            n=len(chosen),
            plate_is_bright=plate_is_bright,
        )
    differ = edge_differences(samples, profiles, fits, spread)
    normal, bright = samples.normal[chosen], 1.0 if plate_is_bright else -1.0
    # A band is as wide as the edge faces the lamp; variance goes by its square, and the third moment by its cube.
    turn = _turn_deg(normal, differ.variance_mm2[chosen], 1 / differ.u_variance_mm2[chosen] ** 2)
    faces = normal @ _axes(turn).T
    parts = [
        _robust_parts(np.sign(faces) * np.abs(faces) ** power, values[chosen], 1 / u[chosen] ** 2)
        for power, values, u in (
            (2, differ.variance_mm2, differ.u_variance_mm2),
            (3, bright * differ.lean_mm3, differ.u_lean_mm3),
        )
    ]
    (excess, u_excess), (lean, u_lean) = parts
    far = fits.width_mm[chosen] > _FAR_APART * fits.sigma_mm[chosen]
    # Sharpening works on stored values and makes all edges lean: then lean tells nothing of walls.
    least = np.inf if spread.halo < 0 else 0.0
    both = [_middle(differ.both_lean_mm3[chosen][far], np.abs(faces[far, axis]), least) for axis in (0, 1)]
    lies = np.zeros(2) if lamp is None else _axes(turn) @ lamp
    lies = np.where(np.abs(lies) > _ALONG, lies, 0.0)
    u_excess, u_lean, u_both = _with_relief(
        fits.faces, spread, u_excess, u_lean, np.array([u for _, u in both]), plate_is_bright=plate_is_bright
    )
    shade = Shade(
        excess_x_mm2=excess[0],
        excess_y_mm2=excess[1],
        u_excess_x_mm2=u_excess[0],
        u_excess_y_mm2=u_excess[1],
        shift_x_mm=WIDEST_MM,
        shift_y_mm=WIDEST_MM,
        n=len(chosen),
        plate_is_bright=plate_is_bright,
        lamp=(float(lies[0]), float(lies[1])),
        turn_deg=turn,
        lean_x_mm3=lean[0],
        lean_y_mm3=lean[1],
        u_lean_x_mm3=u_lean[0],
        u_lean_y_mm3=u_lean[1],
        spread=spread,
        both_x_mm3=bright * both[0][0],
        both_y_mm3=bright * both[1][0],
        u_both_x_mm3=u_both[0],
        u_both_y_mm3=u_both[1],
        u_of_file_mm3=lean_of_file * spread.mean_sigma_mm**3,
    )
    found = likely_shifts(
        (shade.seen(0), shade.seen(1)),
        spread,
        evenly_lit=_EVENLY_LIT,
        lamp=shade.lamp,
        on_ground=not plate_is_bright,
        u_of_file_mm3=shade.u_of_file_mm3,
        curves=[(bright * lean, chance) for lean, chance in curves],
    )
    x, y = found.x, found.y
    return replace(shade, shift_x_mm=x.most_mm, shift_y_mm=y.most_mm, found=(x, y), alike=found.all)


def seen_at_slant(shade: Shade, most_mm: float) -> Shade:
    """Return the shade of a picture seen at a slant, where walls show beside edges and widen them (see `slant`).

    The spread of edges then tells nothing of a lamp. What shade may do is what was thought possible before the
    picture was looked at, and at most `most_mm`.
    """
    x, y = (min(value, WIDEST_MM, most_mm) for value in (shade.shift_x_mm, shade.shift_y_mm))
    return replace(shade, shift_x_mm=x, shift_y_mm=y, at_slant=True)


def of_one_lamp(shades: Sequence[Shade], axis: int) -> bool:
    """Judge whether one lamp may have made what several scans show along columns (0) or rows (1).

    Clear shade on opposite sides is left to `common_shift_mm`: a lamp that changes sides with the piece is none.
    """
    seen = [shade.seen(axis) for shade in shades]
    for a, b in combinations([one for one in seen if np.isfinite(one.variance_mm2)], 2):
        sizes = np.abs([a.variance_mm2, b.variance_mm2])
        u = np.array([a.u_variance_mm2, b.u_variance_mm2])
        if a.variance_mm2 * b.variance_mm2 < 0 and (sizes > _AGAINST * u).all():
            continue
        if abs(a.variance_mm2 - b.variance_mm2) > _UNLIKE * np.hypot(np.hypot(*u), _OF_TURN * sizes.max()):
            return False
    return True


def common_shift_mm(shades: Sequence[Shade], axis: int) -> tuple[float, float]:
    """Return the shift of shaded edges along an axis that several scans by one lamp tell, and its standard uncertainty.

    The shift is away from the bright side. A lamp stays where it is when the piece is
    turned; where clearly shaded edges turn with the piece its walls slant, and nothing is taken off.
    """
    excess = np.array([(shade.excess_x_mm2, shade.excess_y_mm2)[axis] for shade in shades])
    u = np.array([(shade.u_excess_x_mm2, shade.u_excess_y_mm2)[axis] for shade in shades])
    widest = np.array([(shade.shift_x_mm, shade.shift_y_mm)[axis] for shade in shades])
    seen = np.isfinite(excess) & (u > 0)
    weight = np.where(seen, 1 / np.where(seen, u, 1.0) ** 2, 0.0)
    mean = float(np.sum(weight * np.where(seen, excess, 0.0)) / max(weight.sum(), 1e-300))
    against = seen & (excess * mean < 0) & (np.abs(excess) > _AGAINST * u)
    spread = next((shade.spread for shade in shades if shade.spread is not None), None)
    aslant = max(abs(shade.turn_deg - shades[0].turn_deg) for shade in shades) > _LEAST_TURN_DEG
    if spread is None or aslant or against.any() or not seen.any() or any(shade.at_slant for shade in shades):
        return 0.0, float(np.sqrt(np.mean(widest**2))) / _K95
    lean = np.array([(shade.lean_x_mm3, shade.lean_y_mm3)[axis] for shade in shades])
    u_lean = np.array([(shade.u_lean_x_mm3, shade.u_lean_y_mm3)[axis] for shade in shades])
    share = np.where(seen & (u_lean > 0), 1 / np.where(u_lean > 0, u_lean, 1.0) ** 2, 0.0)
    together = Seen(
        variance_mm2=mean,
        u_variance_mm2=1 / float(np.sqrt(weight.sum())),
        lean_mm3=float(share @ np.where(share > 0, lean, 0.0)) / float(share.sum()),
        u_lean_mm3=1 / float(np.sqrt(share.sum())),
    )
    lamp = float(np.mean([shade.lamp[axis] for shade in shades]))
    dark = not any(shade.plate_is_bright for shade in shades)
    found = likely_shift(together, spread, evenly_lit=_EVENLY_LIT[axis], lamp=lamp, on_ground=dark)
    return found.middle_mm, max(found.u_mm, _U_TAKEN * abs(found.middle_mm))


def _with_relief(
    faces: Faces,
    spread: EdgeSpread,
    u_excess: FloatArray,
    u_lean: FloatArray,
    u_both: FloatArray,
    *,
    plate_is_bright: bool,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return uncertainties with what the relief of a plate's face does to edges, as far as it shows further out.

    Lines of filament that run along edges are arched. Where they slope to a lamp they are bright, on the other side of
    a strip as dim, over several blurs: that makes edges broader and lean, but hardly moves them.
    """
    if not plate_is_bright or faces.are_even:
        return u_excess, u_lean, u_both
    sigma = spread.mean_sigma_mm
    varies = float(np.sqrt(faces.plate.max()))
    return (
        np.hypot(u_excess, _BY_RELIEF[0] * faces.differ * sigma**2),
        np.hypot(u_lean, _BY_RELIEF[1] * faces.differ * sigma**3),
        np.hypot(u_both, _BY_RELIEF[1] / 2 * varies * sigma**3),
    )


def _middle(values: FloatArray, along: FloatArray, u: float) -> tuple[float, float]:
    """Return the median of edges that face along an axis and its standard uncertainty, at least `u`.

    `along` is the component of their directions. Of too few edges the uncertainty is infinite.
    """
    enough = [part for part in _MOSTLY if np.count_nonzero(along > part) >= _FEWEST]
    if not enough:
        return 0.0, np.inf
    values = values[along > enough[0]]
    middle = float(np.median(values))
    # The median of n normal values scatters by 1.25 / sqrt(n) of one.
    own = 1.25 * 1.4826 * float(np.median(np.abs(values - middle))) / np.sqrt(len(values))
    return middle, float(np.hypot(own, u))


def _turn_deg(normal: FloatArray, variance: FloatArray, weight: FloatArray) -> float:
    """Return by how much a lamp lies aslant of columns and rows, 0 unless that explains the edges clearly better.

    One lamp in any direction has as many unknowns as one along columns and one along rows.
    """
    base = np.minimum(weight, 4 * np.median(weight))

    def left(design: FloatArray) -> float:
        root = np.sqrt(base)
        parts, *_ = np.linalg.lstsq(design * root[:, None], variance * root, rcond=None)
        return float(np.sum(base * np.abs(variance - design @ parts)))

    angles = np.arange(0.0, 180.0, 5.0)
    towards = np.radians(angles)
    faces = normal @ np.stack((np.cos(towards), np.sin(towards)))
    aslant = np.array([left((np.sign(face) * face**2)[:, None]) for face in faces.T])
    along = left(np.sign(normal) * normal**2)
    best = int(np.argmin(aslant))
    turn = float((angles[best] + 45.0) % 90.0 - 45.0)
    # Absolute residuals of a double exponential scatter: their sum goes into the likelihood by its logarithm.
    better = len(normal) * np.log(along / max(aslant[best], 1e-300))
    return turn if better > _ASLANT and abs(turn) >= _LEAST_TURN_DEG else 0.0


def _robust_parts(design: FloatArray, values: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the two coefficients by weighted least squares with Tukey's biweight, and their uncertainties."""
    # Rough edges scatter alike whatever their length: no strip counts more than four times the median one.
    weight = np.minimum(weight, 4 * np.median(weight))
    base, robust = weight / weight.mean(), np.ones(len(values))
    small = 1e-3 * np.eye(2)
    for _ in range(10):
        w = base * robust
        normal = (design * w[:, None]).T @ design + small
        parts = np.linalg.solve(normal, (design * w[:, None]).T @ values)
        residual = (values - design @ parts) * np.sqrt(base)
        scale = max(1.4826 * float(np.median(np.abs(residual))), 1e-12)
        robust = np.clip(1 - (residual / (5 * scale)) ** 2, 0, None) ** 2
    return parts, _U_FACTOR * scale * np.sqrt(np.diag(np.linalg.inv(normal)))
