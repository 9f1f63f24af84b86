"""Diameters of round holes: a blurred disc fitted to the native pixels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.faces import EVEN, LEAST_SHARE, Beside, Faces, faces_of
from sharpset.readings.edges.strips import LeftOver, Light, Priors
from sharpset.readings.holes.disc_cleaning import clean_discs, price_of, with_places
from sharpset.readings.holes.disc_fit import DiscProblem, DiscState, iterate_discs
from sharpset.readings.holes.disc_model import DiscTables, reach_mm
from sharpset.readings.holes.disc_patches import Disc, HolePixels, enough_mm, joined, pixels_around, rounded
from sharpset.readings.holes.disc_results import DiscFit, FitEnd, SharedByHoles, either, misfit_of, result_of, unsure
from sharpset.readings.holes.disc_start import start_discs
from sharpset.readings.holes.rim_arcs import weigh_arcs
from sharpset.readings.holes.shared_blur import share_blur
from sharpset.readings.holes.usual_sizes import price_of_sizes, usual_radii
from sharpset.readings.picture.light import PieceLight
from sharpset.scans import Pose

__all__ = ["Disc", "DiscFit", "OwnBlur", "fit_discs"]

FloatArray = NDArray[np.float64]
_FEWEST = 8
_MOVED_MM, _RING_PX = 0.08, 0.5
"""Rims that have moved further than so are fitted all the same, but more slowly; width of rings that pixels are sorted
into."""


@dataclass(frozen=True, kw_only=True, slots=True)
class OwnBlur:
    """How far what holes share may be from what straight edges say, relative standard uncertainties.

    Roughness of straight edges adds to their blur, that of rims to theirs: a quarter of the blur in one of them alone
    makes 3 %, a half 12 %.
    """

    contrast: float
    blur: float = 0.1


def fit_discs(
    light: PieceLight,
    pose: Pose,
    discs: Sequence[Disc],
    spread: EdgeSpread,
    priors: Priors | None = None,
    *,
    levels: Light | None = None,
    contrast: float = 1.0,
    left_over: LeftOver | None = None,
    noise_inflation: float | None = None,
    clean: bool = False,
    own_blur: OwnBlur | None = None,
    faces: Faces = EVEN,
) -> list[DiscFit]:
    """Fit a blurred disc to the pixels around every hole, all at once.

    Parameters
    ----------
    light : PieceLight
    pose : Pose
    discs : sequence of Disc
    spread : EdgeSpread
    priors : Priors, optional
        Contrast and surrounding level are held near the scan's values, as for strips.
    levels : Light, optional
        Needed for the share of the transfer curve in the uncertainty's parts, which is 0 without it.
    contrast : float
        What holes borrow, 1 for that of the maps of light.
    left_over : LeftOver, optional
        Needed for the share of the edge spread's shape in the uncertainty's parts.
    noise_inflation : float, optional
        How much neighbouring pixels' common noise (print texture) widens the error of a mean; by default as the plate's
        pixels say.
    clean : bool
        Look for dust and other foreign marks, and fit those holes again without their pixels.
    own_blur : OwnBlur, optional
        How far the blur and the contrast that holes share may be from those given; by default they are as given.
    faces : Faces
        How light varies away from edges, as straight ones show it; it counts as far as holes show it too.

    Returns
    -------
    list of DiscFit
    """
    if not discs:
        return []
    priors = priors or Priors()
    n_holes = len(discs)
    discs = [replace(disc, reach_mm=enough_mm(disc, pose, spread)) for disc in discs]
    ways = rounded([pixels_around(light, pose, disc) for disc in discs], discs, spread.mean_sigma_mm)
    # Holes that may be round as well as not are fitted both ways, as two holes.
    both = [i for i, way in enumerate(ways) if len(way) > 1]
    around = [way[0] for way in ways] + [ways[i][1] for i in both]
    discs = discs + [discs[i] for i in both]
    radii = _radii(discs, around, spread.mean_sigma_mm)
    problem = _problem(light, pose, discs, around, spread, priors, contrast=contrast)
    start = start_discs(
        [(one.x, one.y, one.solid) for one in around], radii.tolist(), pixel_area_mm2=around[0].area_mm2
    )
    found = iterate_discs(problem, start)
    problem, found = _by_their_faces(problem, found, faces)
    if clean:
        weighed = np.isin(np.arange(len(discs)), [*both, *range(n_holes, len(discs))])
        found = clean_discs(problem, found, radii, weighed=weighed)
        # What a mark leaves of a rim tells size and place only together.
        problem = with_places(problem, found, radii)
    inflation = max(light.noise_inflation if noise_inflation is None else noise_inflation, 1.0)
    u_common = float("nan")
    if own_blur is not None and len(discs) >= _FEWEST:
        own = share_blur(problem, found, u_blur=own_blur.blur, u_contrast=own_blur.contrast, inflation=inflation)
        problem, found, u_common = own.problem, own.found, own.u_blur
    whole_rims, arcs = found, weigh_arcs(problem, found)
    found = replace(found, p=arcs.p)
    ends = _ends(problem, found, u_blur=spread.u_relative)
    # The stated noise heeds the noisiest ring; where all holes scatter less than that it is less.
    usual = min(float(np.nanmedian([end.misfit for end in ends])) ** 2, 1.0) if len(ends) >= _FEWEST else 1.0
    shared = SharedByHoles(
        sigma=problem.sigma_mm,
        u_blur=spread.u_relative,
        u_common=u_common,
        precision=problem.precision,
        # Misfit and correlated noise each show part of the other: the larger one counts.
        common=usual * inflation**2,
        levels=levels,
        left_over=left_over,
    )
    results = [result_of(*one, shared) for one in zip(discs, around, found.p, ends, strict=True)]
    results = [_by_arcs(one, 2 * u) for one, u in zip(results, arcs.u_radius_mm.tolist(), strict=True)]
    if found.doubt_mm is not None:
        results = [unsure(one, 2 * doubt) for one, doubt in zip(results, found.doubt_mm.tolist(), strict=True)]
    return _round_or_not(results, both, around, problem, whole_rims, radii)


def _by_arcs(fit: DiscFit, u_mm: float) -> DiscFit:
    """Return a fit as unsure as the arcs of its rim leave it; pixels' noise and misfit are part of that."""
    known = np.hypot(fit.parts.noise_mm[0], fit.parts.misfit_mm[0])
    return unsure(fit, float(np.sqrt(max(u_mm**2 - known**2, 0.0))))


def _radii(discs: Sequence[Disc], around: Sequence[HolePixels], sigma: float) -> FloatArray:
    """Return radii to begin from, mm on the glass."""
    return np.array([max(d.diameter_mm * one.scale / 2, 0.3 * sigma) for d, one in zip(discs, around, strict=True)])


def _problem(
    light: PieceLight,
    pose: Pose,
    discs: Sequence[Disc],
    around: Sequence[HolePixels],
    spread: EdgeSpread,
    priors: Priors,
    *,
    contrast: float,
) -> DiscProblem:
    """Return the pixels around holes with what is known of them beforehand."""
    sigma, pixel_mm = spread.mean_sigma_mm, float(np.mean(pose.pixel_mm))
    far = _radii(discs, around, sigma) + reach_mm(sigma, spread) * (1 + spread.u_relative) + _MOVED_MM
    return DiscProblem(
        patches=joined(around, far, _RING_PX * pixel_mm),
        sigma_mm=sigma,
        spread=spread,
        noise=max(max(light.noise, 0.5 * light.quantum) / max(abs(light.contrast), 1e-6), 2e-3),
        precision=np.array([0.0, 0.0, 0.0, priors.level**-2, priors.contrast**-2]),
        mean=np.array([0.0, 0.0, 0.0, 1.0, contrast]),
        reach_mm=np.array([disc.reach_mm for disc in discs]),
        pixel_mm=pixel_mm,
    )


def _by_their_faces(problem: DiscProblem, found: DiscState, faces: Faces) -> tuple[DiscProblem, DiscState]:
    """Return the problem, and where it ends, with light counting for what it says of the levels at edges."""
    if faces.are_even:
        return problem, found
    patches, n = problem.patches, problem.patches.n_holes
    outwards = np.concatenate(
        [
            np.hypot(patches.x_mm[one] - x, patches.y_mm[one] - y) - radius
            for one, (x, y, radius) in zip(patches.slices(), found.p[:, :3], strict=True)
        ]
    )
    beside = Beside(
        group=2 * patches.owner + (outwards < 0),
        of_plate=np.tile([True, False], n),
        distance=np.abs(outwards) / problem.sigma_mm,
        residual=problem.residual(found.p),
        weight=found.weight,
    )
    counts = faces.where_also(faces_of(beside)).shares(beside)
    changed = np.flatnonzero(np.minimum.reduceat(counts, patches.start) < LEAST_SHARE)
    if len(changed) == 0:
        return problem, found
    problem = replace(problem, counts=counts)
    part, pixels = problem.some(changed)
    again = iterate_discs(part, found.p[changed])
    p, weight, noise = found.p.copy(), found.weight.copy(), found.noise.copy()
    p[changed], weight[pixels], noise[changed] = again.p, again.weight, again.noise
    return problem, DiscState(p=p, weight=weight, noise=noise)


def _ends(problem: DiscProblem, found: DiscState, *, u_blur: float) -> list[FitEnd]:
    """Return where fits ended; what the scatter of the shared blur does to diameters is a finite difference."""
    sigma, whole = problem.sigma_mm, problem.patches
    tables, wide_tables = (DiscTables.of(found.p[:, 2], blur, problem.spread) for blur in (sigma, sigma * (1 + u_blur)))
    ends = []
    for i, pixels in enumerate(whole.slices()):
        near = whole.n_within(i, found.p[i], wide_tables.reach)
        x, y, solid = (values[pixels] for values in (whole.x_mm, whole.y_mm, whole.solid))
        model, rows = tables.rows(i, x[:near], y[:near], found.p[i])
        residual = solid - found.p[i, 3]
        residual[:near] = solid[:near] - model
        weight, noise = found.weight[pixels], float(found.noise[i])
        ends.append(
            FitEnd(
                x=x,
                y=y,
                solid=solid,
                model=model,
                rows=rows,
                wider=wide_tables.light(i, x[:near], y[:near], found.p[i]),
                residual=residual,
                weight=weight,
                counts=problem.counted(found.weight, pixels),
                noise=noise,
                misfit=misfit_of(residual, weight, noise),
            )
        )
    return ends


def _round_or_not(
    results: list[DiscFit],
    both: Sequence[int],
    around: Sequence[HolePixels],
    problem: DiscProblem,
    found: DiscState,
    radii: FloatArray,
) -> list[DiscFit]:
    """Return one fit for each hole: those `both` are fitted a second time, out of round, after all others."""
    n_holes = len(results) - len(both)
    if both:
        placed = with_places(problem, found, radii)
        price = price_of(placed, found.p, found.weight <= 0, placed.residual(found.p))
        # A mark changes a hole's area, what makes it an oval hardly does: sizes tell as well.
        sizes = np.array([one.diameter_mm / 2 for one in results])
        usual = usual_radii(sizes[:n_holes], radii[:n_holes])
        for other, i in enumerate(both, start=n_holes):
            shape = around[other].shape
            if shape is not None:
                as_round, oval = price_of_sizes(sizes[[i, other]], usual[[i, i]]).tolist()
                odds = shape.odds(float(price[i] - price[other]), blur_px=problem.sigma_mm / problem.pixel_mm)
                results[i] = either(results[i], results[other], odds * float(np.exp((as_round - oval) / 2)))
    return results[:n_holes]
