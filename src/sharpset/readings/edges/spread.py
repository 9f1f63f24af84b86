"""The scan's own edge spread, measured on the long edges of its wide slots and bars."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import ReadingError
from sharpset.readings.edges.blur import EdgeSpread, edge_profile
from sharpset.readings.edges.faces import EVEN
from sharpset.readings.edges.profiles import Profiles
from sharpset.readings.edges.sampling import Samples
from sharpset.readings.edges.strips import LOOSE, LeftOver, StripFits, fit_strips, strip_misfits

__all__ = [
    "WIDE_PX",
    "WideEdges",
    "edge_left_over",
    "edge_residual",
    "edge_sides",
    "measure_edge_spread",
    "select_samples",
    "wide_edges",
    "wide_strips",
    "without_pixels",
]

FloatArray = NDArray[np.float64]
_HALO_RATIOS = (1.8, 2.5, 3.5, 5.0, 8.0)
_TRIED_HALO, _LEAST_HALO, _MOST_HALO = 0.1, -0.2, 0.3
_DEFOCUS, _TRIED_DEFOCUS = (0.35, 0.5, 0.7, 0.85, 0.95), 0.5
_TRIAL_STEPS = 1
_EXPLAINS = 0.97
"""What more parameters must leave of the misfit at most: they always fit a little better."""
_GUESSES = 3
_RESIDUAL_STEP, _AREAS = 0.25, 3.0
_NEAR, _FAR = 3.0, 6.0
"""Blurs within which an edge is judged, and as far as which what its spread does not describe is looked at."""
WIDE_PX = 9.0
"""From what width on strips show the blur, in pixels."""
_FEWEST = 4
_MOST, _MOST_TRIED = 24, 48


def select_samples(samples: Samples, chosen: NDArray[np.intp]) -> Samples:
    """Return the strips with the given indices, in rising order (pixels of the others are dropped)."""
    if len(chosen) == len(samples.strips):
        return samples
    slices = samples.slices()
    parts = [slices[i] for i in chosen]

    def some(values: FloatArray) -> FloatArray:
        return np.concatenate([values[one] for one in parts]) if parts else values[:0]

    return replace(
        without_pixels(samples, chosen),
        owner=np.repeat(np.arange(len(parts)), [one.stop - one.start for one in parts]),
        d_mm=some(samples.d_mm),
        t_mm=some(samples.t_mm),
        solid=some(samples.solid),
    )


def without_pixels(samples: Samples, chosen: NDArray[np.intp]) -> Samples:
    """Return the strips with the given indices without any pixels, as fits of their profiles need no more."""
    nothing = np.zeros(0)
    return replace(
        samples,
        strips=tuple(samples.strips[i] for i in chosen),
        owner=np.zeros(0, dtype=np.intp),
        d_mm=nothing,
        t_mm=nothing,
        solid=nothing,
        normal=samples.normal[chosen],
        length_scale=samples.length_scale[chosen],
        half_length_mm=samples.half_length_mm[chosen],
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class WideEdges:
    """The long edges that show a scan's blur: clearly formed wide strips, their profiles, fits with a guessed blur."""

    samples: Samples
    profiles: Profiles
    fits: StripFits
    _fitted: dict[EdgeSpread, StripFits] = field(init=False, repr=False, default_factory=dict)

    def fitted(self, spread: EdgeSpread) -> StripFits:
        """Return fits with an edge spread, which the strips may stray from as wide strips do."""
        if spread not in self._fitted:
            self._fitted[spread] = fit_strips(self.samples, self.profiles, spread, LOOSE, start=self.fits)
        return self._fitted[spread]

    def some(self, chosen: NDArray[np.intp]) -> WideEdges:
        """Return some of them."""
        return WideEdges(
            samples=without_pixels(self.samples, chosen),
            profiles=self.profiles.some(chosen),
            fits=self.fits.some(chosen),
        )

    def thinned(self, most: int = _MOST) -> WideEdges:
        """Return at most so many of them, their directions as evenly as they come."""
        return self.some(_thinned(np.arange(len(self.samples.strips)), self.samples, most))


def wide_strips(samples: Samples, profiles: Profiles, *, least_px: float = WIDE_PX) -> WideEdges:
    """Choose the clearly formed strips that are wide enough to show the blur.

    Parameters
    ----------
    samples, profiles : strips and their profiles
    least_px : float
        Pixels from which on strips count; less than six blur widths never do.

    Returns
    -------
    WideEdges
        48 at most, the directions of their edges as evenly as they come.

    Raises
    ------
    ReadingError
        If fewer than four strips are wide enough and clearly formed; the text says at what
        resolution they would be.
    """
    width = np.array([strip.width_mm for strip in samples.strips])
    wide = np.flatnonzero(width >= least_px * samples.pixel_mm)
    wide = _thinned(wide, samples, _MOST_TRIED)
    if len(wide) >= _FEWEST:
        bare, outlines = without_pixels(samples, wide), profiles.some(wide)
        fits = fit_strips(bare, outlines, _guess(samples), LOOSE, faces=EVEN)
        formed = (fits.contrast > 0.7) & (fits.contrast < 1.3) & (fits.width_mm > 6 * fits.sigma_mm)
        clear = np.flatnonzero(formed)
        if len(clear) >= _FEWEST:
            return WideEdges(samples=bare, profiles=outlines, fits=fits).some(clear)
        wide = wide[clear]
    need = 25.4 * WIDE_PX / max(width.max(), 1e-3)
    raise ReadingError(
        f"only {len(wide)} slots and bars are wide enough in this picture to show its blur; {_FEWEST} are needed. "
        f"Take it at {max(600, 100 * int(np.ceil(need / 50))):d} dpi or finer, in focus, the piece lying flat."
    )


def wide_edges(samples: Samples, profiles: Profiles) -> WideEdges:
    """Choose at most 24 strips that show the blur (see `wide_strips`)."""
    return wide_strips(samples, profiles).thinned()


def measure_edge_spread(edges: WideEdges) -> EdgeSpread:
    """Fit the edge spread to the edges of wide strips.

    Parameters
    ----------
    edges : WideEdges

    Returns
    -------
    EdgeSpread

    Notes
    -----
    Roughness of the printed edges adds to the core's width; features of the same print share it, so
    that mean widths stay right.
    """
    start = edges.fits
    guess = _guess(edges.samples)
    # Fits stay within a factor of e of the blur that they begin with.
    for _ in range(_GUESSES):
        found, start = _fit(edges, guess, start)
        if found.mean_sigma_mm < 1.7 * guess.mean_sigma_mm:
            break
        guess = replace(guess, sigma_x_mm=found.sigma_x_mm, sigma_y_mm=found.sigma_y_mm)
    else:
        found, start = _fit(edges, guess, start)
    return _out_of_focus(edges, guess, _with_halo(edges, guess, found, start), start)


def _guess(samples: Samples) -> EdgeSpread:
    return EdgeSpread(sigma_x_mm=1.2 * samples.pixel_mm, sigma_y_mm=1.2 * samples.pixel_mm)


def _thinned(wide: NDArray[np.intp], samples: Samples, most: int) -> NDArray[np.intp]:
    """Keep at most so many strips, the directions of their edges as evenly as they come."""
    direction = np.round(np.degrees(np.arctan2(*samples.normal[wide].T)) % 180 / 15).astype(int) % 12
    rank = np.zeros(len(wide))
    for value in np.unique(direction):
        rank[direction == value] = np.arange(np.sum(direction == value))
    return np.sort(wide[np.argsort(rank, kind="stable")[:most]])


def _with_halo(edges: WideEdges, start: EdgeSpread, best: EdgeSpread, fits: StripFits) -> EdgeSpread:
    """Return the edge spread with the halo that explains most, or `best` without one where none explains enough."""

    def trial(**changes: float) -> EdgeSpread:
        tried = replace(start, **changes)
        return replace(tried, misfit=_first_misfit(edges, tried, fits))

    by_ratio = [trial(halo=_TRIED_HALO, halo_ratio=ratio) for ratio in _HALO_RATIOS]
    ratio = min(by_ratio, key=lambda f: f.misfit).halo_ratio
    by_halo = {one.halo: one for one in (best, *by_ratio) if one.halo_ratio == ratio or one is best}
    for reach in (0.1, 0.05):
        middle = min(by_halo.values(), key=lambda f: f.misfit).halo
        for halo in (round(middle - reach, 3), round(middle + reach, 3)):
            if halo not in by_halo and _LEAST_HALO <= halo <= _MOST_HALO:
                by_halo[halo] = trial(halo=halo, halo_ratio=ratio)
    challengers = [min([*by_ratio, *by_halo.values()], key=lambda f: f.misfit)]
    challengers.append(replace(challengers[0], halo=_lowest(list(by_halo.values()))))
    challenger, with_halo = min((_fit(edges, one, fits) for one in challengers), key=lambda fitted: fitted[0].misfit)
    explains = challenger.misfit < _EXPLAINS * best.misfit and _as_often_better(with_halo, fits)
    return challenger if explains else best


def _first_misfit(edges: WideEdges, tried: EdgeSpread, fits: StripFits) -> float:
    """Return what an edge spread leaves of the edges after a first step towards them."""
    left = strip_misfits(edges.samples, edges.profiles, tried, LOOSE, start=fits, most_steps=_TRIAL_STEPS)
    return float(np.median(left**2))


def _out_of_focus(edges: WideEdges, start: EdgeSpread, best: EdgeSpread, fits: StripFits) -> EdgeSpread:
    """Return the edge spread of a lens out of focus where that explains more than `best`, or `best`.

    Such a lens spreads light over a disc, whose edges end sooner than those of a normal blur, as sharpening makes them
    do too.
    """
    if best.halo > 0:
        return best
    if best.halo == 0:
        # No step goes all the way: both are judged by the first one.
        with_disc, without = (
            _first_misfit(edges, one, fits) for one in (replace(start, defocus=_TRIED_DEFOCUS), start)
        )
        if with_disc > without:
            return best
    now = fit_strips(edges.samples, edges.profiles, best, LOOSE, start=fits, faces=EVEN)
    shares = (_fit(edges, replace(start, defocus=share), fits) for share in _DEFOCUS)
    found, again = min(shares, key=lambda fitted: fitted[0].misfit)
    explains = found.misfit < _EXPLAINS * best.misfit and _as_often_better(again, now)
    return found if explains else best


def _as_often_better(now: StripFits, before: StripFits) -> bool:
    """Return whether no more strips are described worse than better.

    Every edge of a scan has its halo. The middle one of a few strips' misfits also falls where they change places.
    """
    return 2 * int(np.count_nonzero(now.misfit < before.misfit)) >= len(now.misfit)


def _lowest(trials: list[EdgeSpread]) -> float:
    """Return the halo at the bottom of a parabola through the three trials about the best one."""
    ordered = sorted(trials, key=lambda f: f.halo)
    k = int(np.clip(np.argmin([f.misfit for f in ordered]), 1, len(ordered) - 2))
    three = ordered[k - 1 : k + 2]
    bend, slope, _ = np.polyfit([f.halo for f in three], [f.misfit for f in three], 2)
    bottom = -slope / (2 * bend) if bend > 0 else ordered[k].halo
    return float(np.clip(bottom, three[0].halo, three[-1].halo))


def edge_residual(edges: WideEdges, spread: EdgeSpread) -> float:
    """Return what a symmetric blur leaves unexplained of the scan's mean edge, as a share of the contrast.

    Blur in linear light makes an edge rise as it fell. A wrong transfer curve breaks that, whatever
    the shape of the blur, so that the mean edge keeps a residual.

    Returns
    -------
    float
        Root mean square, over distances within three blur widths, of the mean residual of all wide
        edges.

    Notes
    -----
    On smooth edges the right curve left less than half of what the wrong one did, at contrasts of
    0.3 of full light and more. Edges as rough as the blur is wide hide the difference.
    """
    return float(np.sqrt(np.mean(_mean_residual(edges, spread)[0] ** 2)))


def edge_sides(edges: WideEdges, spread: EdgeSpread) -> FloatArray:
    """Return the part of the mean edge's residual that is alike on both sides, by distance from the edge in steps."""
    residual, _ = _mean_residual(edges, spread)
    both = (residual + residual[::-1]) / 2
    return np.asarray(both[len(both) // 2 :])


def edge_asymmetry_mm(edges: WideEdges, spread: EdgeSpread) -> float:
    """Return how far an edge may be misplaced because its two sides differ: shade, glow or sharpening beside it.

    Returns
    -------
    float
        Standard uncertainty of each edge, mm, common to all edges of a scan.

    Notes
    -----
    A symmetric blur fitted to a mean edge whose sides differ moves it until little of the residual's area is left.
    On edges with shade on their dark side, glow on their bright one, and sharpening, of which the true place was
    known, they were off by one to five and a half times the area left, mostly three.
    """
    residual, sigma_mm = _mean_residual(edges, spread)
    return abs(float(residual.sum())) * _RESIDUAL_STEP * sigma_mm * _AREAS


def edge_left_over(edges: WideEdges, spread: EdgeSpread) -> LeftOver:
    """Return what the edge spread does not describe of the scan's mean edge."""
    residual, _ = _mean_residual(edges, spread, _FAR)
    place = np.asarray((np.arange(len(residual)) + 0.5) * _RESIDUAL_STEP - _FAR, dtype=np.float64)
    return LeftOver(place=place, residual=residual)


def _mean_residual(edges: WideEdges, spread: EdgeSpread, reach: float = _NEAR) -> tuple[FloatArray, float]:
    """Return the mean residual of all wide edges by the distance towards the plate in steps, and the typical blur."""
    chosen, outlines = edges.samples, edges.profiles
    fits = edges.fitted(spread)
    sign = np.where(chosen.is_bar, 1.0, -1.0)[:, None]
    d = outlines.d_mm - fits.centre_mm[:, None]
    half, sigma = fits.width_mm[:, None] / 2, fits.sigma_mm[:, None]
    kind = spread.shape
    span = edge_profile(d + half, sigma, kind) - edge_profile(d - half, sigma, kind)
    level = fits.level[:, None] + fits.slope_per_mm[:, None] * outlines.d_mm
    residual = outlines.solid - level - sign * fits.contrast[:, None] * span
    n_bins = round(2 * reach / _RESIDUAL_STEP)
    towards_plate = sign * (half - np.abs(d)) / sigma
    bins = np.floor((towards_plate + reach) / _RESIDUAL_STEP).astype(int)
    near = (bins >= 0) & (bins < n_bins) & (outlines.n_pixels > 0)
    weight = np.bincount(bins[near], outlines.n_pixels[near], n_bins)
    total = np.bincount(bins[near], (outlines.n_pixels * residual)[near], n_bins)
    return np.asarray(total / np.maximum(weight, 1e-9)), float(np.median(fits.sigma_mm))


def _fit(edges: WideEdges, spread: EdgeSpread, near: StripFits) -> tuple[EdgeSpread, StripFits]:
    fits = fit_strips(edges.samples, edges.profiles, spread, LOOSE, start=near, faces=EVEN)
    return replace(_by_direction(edges.samples, fits, spread), misfit=float(np.median(fits.misfit**2))), fits


def _by_direction(samples: Samples, fits: StripFits, spread: EdgeSpread) -> EdgeSpread:
    """Split the blur into its parts along columns and rows by robust least squares on the variances."""
    share = samples.normal**2
    variance = fits.sigma_mm**2
    weights = np.ones(len(variance))
    mean = np.median(variance)
    for _ in range(8):
        # A weak pull towards equal parts settles the split where all edges lie one way.
        weighted = (share * weights[:, None] ** 2).T
        parts = np.linalg.solve(weighted @ share + 0.05**2 * np.eye(2), weighted @ variance + 0.05**2 * mean)
        parts = np.maximum(parts, 0.05 * mean)
        relative = (variance - share @ parts) / (2 * variance)
        scale = max(1.4826 * float(np.median(np.abs(relative))), 1e-3)
        weights = np.clip(1 - (relative / (4 * scale)) ** 2, 0, None)
    beyond = max(scale**2 - float(np.median(fits.u_log_blur)) ** 2, 0.0)
    return replace(
        spread,
        sigma_x_mm=float(np.sqrt(parts[0])),
        sigma_y_mm=float(np.sqrt(parts[1])),
        u_relative=float(np.clip(scale, 0.01, 0.3)),
        u_evident=float(np.clip(np.sqrt(beyond + scale**2 / len(variance)), 0.01, 0.3)),
    )
