"""What edges say of a file that does not tell how it is encoded: sRGB, linear light, or another power of light?

Blur in linear light makes an edge rise as it fell, whatever its shape. So what the mean edge keeps of a residual is
split: the part that is alike on both sides of the edge comes from a wrong curve (or from what is lopsided: shade,
sharpening of stored values), the part that is opposite from a blur of another shape than the one fitted. Small changes
of the curve add up, so that two decodings tell what every power between them and a little beyond would leave.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from sharpset.readings.edges.spread import (
    WIDE_PX,
    WideEdges,
    edge_residual,
    edge_sides,
    measure_edge_spread,
    wide_strips,
)
from sharpset.readings.edges.strips import Light
from sharpset.readings.features.line_blur import LineBlur, compare_lines
from sharpset.readings.features.piece_samples import OtherDecoding, PieceSamples
from sharpset.scans.encoding import SRGB, TransferCurve, gamma_curve

__all__ = [
    "DEFAULT_GAMMA",
    "BothWays",
    "CurveChance",
    "EdgeLean",
    "beforehand",
    "both_ways",
    "lean_of",
    "off_by",
    "solid_by",
    "telling_edges",
]

_ENOUGH = 24
_NARROWER_PX, _BLURS = 4.0, 6.0
"""From what width on, in pixels and in blurs, strips count too where fewer than `_ENOUGH` are wider: sharp pictures of
few pixels have most of their edges there."""
_OF_NOISE, _OF_SHAPE = 0.2, 0.1
"""Shares by which noise and rough edges (as halves of the edges differ), and a blur of another shape than the one
fitted, count as what may be alike on both sides: both mostly look otherwise. What no power and no noise explains counts
wholly. Variance and share of 43 rendered scans in sRGB and linear light (likelihood of where their edges lie on the way
from one to the other: half of them within 0.6 of the scatter, a twentieth beyond two)."""
_PULL_PER_STEP, _MOST_PULL, _N_PULLS = 8.0, 0.8, 20
"""How far at most JPEG pulls edges towards what is even in stored values, as linear light is, per mean step to which it
rounds one to four half waves, and at all: more is the rarer (56 rendered scans of qualities of 60 to 95 in sRGB: 0 to
0.8 of the way, mostly 0.2 to 0.5; edges of those in linear light lay within 0.15 of it)."""
DEFAULT_GAMMA = 2.2
"""The power that sRGB is nearest to."""
_GAMMAS = (1.0, 1.4, 1.8, DEFAULT_GAMMA, 2.6)
"""Powers that are weighed: linear light, the older convention of 1.8, sRGB, and scanners' own curves on either side."""
_BEFOREHAND_8, _BEFOREHAND_MORE = (0.008, 0.004, 0.032, 0.952, 0.004), (0.30, 0.02, 0.05, 0.62, 0.01)
_BEFOREHAND_JPEG, _BEFOREHAND_FLOAT = (0.008, 0.001, 0.006, 0.984, 0.001), (0.88, 0.01, 0.01, 0.09, 0.01)
"""Their chances before edges are looked at, in files of 8 bits, of more, in JPEG files and in floats (assumed). Files
of 8 bits without a word are sRGB by convention (IEC 61966-2-1): all other powers together stay below the twentieth that
95 % intervals leave out, so that edges which say nothing do not widen them; edges that speak for another power do. JPEG
pulls edges towards those of powers somewhat smaller than the right one, which hardly any program writes it by."""
_LEANING, _LEANING_DARK, _TAILS = 0.00015, 0.0003, 4.0
"""Residual, as a share of the contrast, that is left alike on both sides of clean edges with the right curve, and the
degrees of freedom of Student's t by which it scatters: a few scans, by lamps and walls, have far more than most. Walls
of dark pieces shade the ground beside them, which looks like linear light (twice as much is assumed)."""
_BY_LINES = 1.5
"""Power by which the blur of narrow lines goes with the way: a gamma of 1.8 lies at a fifth of it (0.16 and 0.19 on two
rendered scans), not at a third."""
_EVEN = 0.0005
"""Residual alike on both sides above which something else than the curve is amiss."""
_STORED, _SHARES = 4097, 33
_REACH, _PLACES, _EDGE_STEPS = 5.0, 201, 8
"""Blurs about an edge, places and steps by which an edge bent by a wrong curve is fitted."""


@dataclass(frozen=True, kw_only=True, slots=True)
class CurveChance:
    """A power of light by which a file may be decoded, and how likely it is."""

    gamma: float
    chance: float


def beforehand(n_bits: int, *, is_jpeg: bool = False) -> tuple[CurveChance, ...]:
    """Return how likely a file that says nothing is encoded by each power, before edges are looked at."""
    if is_jpeg:
        chances = _BEFOREHAND_JPEG
    else:
        chances = _BEFOREHAND_8 if n_bits <= 8 else _BEFOREHAND_MORE if n_bits <= 16 else _BEFOREHAND_FLOAT
    return tuple(CurveChance(gamma=gamma, chance=chance) for gamma, chance in zip(_GAMMAS, chances, strict=True))


def off_by(gamma: float, taken: TransferCurve, light: Light) -> float:
    """Return by what relative error of the exponent edges are off, decoded by one curve where another is right.

    Parameters
    ----------
    gamma : float
        Power that is right; `DEFAULT_GAMMA` stands for sRGB.
    taken : TransferCurve
        By which the picture was decoded.
    light : Light
        Of plate and background, decoded so.

    Notes
    -----
    An edge that is right by the one curve is bent to what the other shows, and a blurred edge fitted to that, as
    features are. Its place is compared with where small errors of the exponent move it. Large ones make edges
    narrower or broader too: between sRGB and linear light, extrapolating from small ones gave up to a sixth less.
    """
    share = np.linspace(0.0, 1.0, _SHARES)
    place = np.linspace(-_REACH, _REACH, _PLACES)
    seen = np.interp(ndtr(place), solid_by(gamma, taken, light), share)
    moved, blur = _edge_place(place, seen)
    # In blurs, of an edge that moves by what its share solid changes over how steep it is (least squares).
    per_error = 2 * np.sqrt(np.pi) * float(np.trapezoid(light.bend(share), share))
    return float(-moved / blur / per_error)


def _edge_place(place: NDArray[np.float64], seen: NDArray[np.float64]) -> tuple[float, float]:
    """Return place and blur of a blurred edge fitted to a profile that rises about 0 over about 1."""
    moved, blur = 0.0, 1.0
    for _ in range(_EDGE_STEPS):
        away = (place - moved) / blur
        steep = np.exp(-(away**2) / 2) / np.sqrt(2 * np.pi) / blur
        rises = ndtr(away)
        design = np.column_stack((-steep, -steep * away, rises, np.ones(len(place))))
        step = np.linalg.lstsq(design, seen - rises, rcond=None)[0]
        moved, blur = moved + float(step[0]), blur + float(step[1])
    return moved, blur


def solid_by(gamma: float, taken: TransferCurve, light: Light) -> NDArray[np.float64]:
    """Return what shares solid of 33 even steps from 0 to 1, decoded by one curve, are where another is right.

    Parameters
    ----------
    gamma, taken, light
        As for `off_by`.
    """
    stored = np.linspace(0.0, 1.0, _STORED)
    seen = taken.decode(stored)
    right = SRGB.decode(stored) if gamma == DEFAULT_GAMMA else gamma_curve(gamma).decode(stored)
    levels = light.background + np.linspace(0.0, 1.0, _SHARES) * (light.plate - light.background)
    levels = np.interp(np.interp(levels, seen, stored), stored, right)
    return np.asarray((levels - levels[0]) / (levels[-1] - levels[0]))


@dataclass(frozen=True, kw_only=True, slots=True)
class BothWays:
    """Residuals of the mean edge, shares of the contrast, decoded as sRGB (`before`) and as linear light (`other`).

    Attributes
    ----------
    before, other : float
        Root mean squares.
    uneven_before, uneven_other : float
        The same of the part that is alike on both sides of the edge.
    uneven_both : float
        Mean product of the two parts.
    is_dark : bool
        Whether the plate is darker than what lies behind it.
    noise_before, noise_other : float
        What of that part is noise, as the two halves of the edges differ.
    step : float
        Mean step to which a JPEG file rounds one to four half waves, as a share of the contrast of stored values.
    lines : LineBlur, optional
        Blur of narrow bars and slots, where the piece has such that are narrow enough.
    """

    before: float
    other: float
    uneven_before: float
    uneven_other: float
    uneven_both: float
    is_dark: bool = False
    noise_before: float = 0.0
    noise_other: float = 0.0
    step: float = 0.0
    lines: LineBlur | None = None

    @property
    def share(self) -> float:
        """What is left with the other decoding, over what is left before."""
        return self.other / self.before

    @property
    def is_even(self) -> bool:
        """Whether the other decoding leaves hardly more alike on both sides than noise."""
        return self.uneven_other**2 - self.noise_other**2 < _EVEN**2

    @property
    def least(self) -> float:
        """What of the part alike on both sides the best power from linear light to 2.6 leaves, noise included."""
        apart = max(self.uneven_before**2 + self.uneven_other**2 - 2 * self.uneven_both, 1e-12)
        to_sides = self.uneven_before**2 - self.uneven_both
        way = min(max(to_sides / apart, (DEFAULT_GAMMA - _GAMMAS[-1]) / (DEFAULT_GAMMA - 1.0)), 1.0)
        return float(np.sqrt(max(self.uneven_before**2 - 2 * way * to_sides + way**2 * apart, 0.0)))

    @property
    def least_beyond_noise(self) -> float:
        """The same without what is noise."""
        return float(np.sqrt(max(self.least**2 - self.noise_before**2, 0.0)))

    def chances(self, *, n_bits: int) -> tuple[CurveChance, ...]:
        """Return how likely the file is encoded by each of several powers.

        Powers lie on the straight way from one decoding to the other. Where on it the part alike on both sides is least
        is the estimate; what is left there, and whatever else makes edges lean, says how far it scatters.
        """
        apart = max(self.uneven_before**2 + self.uneven_other**2 - 2 * self.uneven_both, 1e-12)
        place = (self.uneven_before**2 - self.uneven_both) / apart
        left = max(self.uneven_before**2 - place**2 * apart, 0.0)
        shape = min(max(self.before**2 - self.uneven_before**2, 0.0), max(self.other**2 - self.uneven_other**2, 0.0))
        leaning = _LEANING_DARK if self.is_dark else _LEANING
        way = min(max(place, 0.0), 1.0)
        noise = ((1 - way) * self.noise_before + way * self.noise_other) ** 2
        left = max(left - noise, 0.0) + _OF_NOISE * noise + _OF_SHAPE**2 * shape
        scatter = np.sqrt((leaning**2 + left) / apart)
        gammas = np.array(_GAMMAS)
        # From sRGB (0) to linear light (1).
        lies = ((DEFAULT_GAMMA - gammas) / (DEFAULT_GAMMA - 1.0))[:, None]
        pulls = (np.arange(_N_PULLS) + 0.5) / _N_PULLS
        pulled = pulls * min(_PULL_PER_STEP * self.step, _MOST_PULL)
        off = (place - lies - pulled * (1 - lies)) / scatter
        likely = np.average((1 + off**2 / _TAILS) ** (-(_TAILS + 1) / 2), axis=1, weights=1 - pulls)
        likely = likely * self._by_lines(lies[:, 0])
        chance = np.array([one.chance for one in beforehand(n_bits, is_jpeg=self.step > 0)]) * likely
        return tuple(
            CurveChance(gamma=float(g), chance=float(c)) for g, c in zip(gammas, chance / chance.sum(), strict=True)
        )

    def _by_lines(self, lies: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how likely powers are by the blur of narrow lines; what none of them explains makes it say less."""
        if self.lines is None:
            return np.ones(len(lies))
        place, u_place = self.lines.place, self.lines.u_place
        beyond = max(-place, place - 1.0, 0.0)
        off = (place - np.sign(lies) * np.abs(lies) ** _BY_LINES) / np.hypot(u_place, beyond)
        return np.asarray((1 + off**2 / _TAILS) ** (-(_TAILS + 1) / 2))


def both_ways(ways: OtherDecoding) -> BothWays:
    """Compare what symmetric blur leaves unexplained of the mean edge with two decodings of the picture."""
    edges = telling_edges(ways.strips)
    before, other = (lean_of(each) for each in (edges, ways.edges(edges)))
    return BothWays(
        before=before.residual,
        other=other.residual,
        uneven_before=before.rms,
        uneven_other=other.rms,
        uneven_both=float(np.mean(before.sides * other.sides)),
        noise_before=before.noise,
        noise_other=other.noise,
        is_dark=ways.light.contrast < 0,
        step=float(np.mean(ways.light.steps[1:5])) if len(ways.light.steps) else 0.0,
        lines=compare_lines(ways),
    )


def telling_edges(strips: PieceSamples) -> WideEdges:
    """Return the wide edges that tell the curve: rough ones hide it, the less the more of them are averaged."""
    if len(strips.wide.samples.strips) >= _ENOUGH:
        return strips.wide
    least = max(_NARROWER_PX, _BLURS * strips.spread.mean_sigma_mm / strips.samples.pixel_mm)
    return wide_strips(strips.samples, strips.profiles, least_px=min(least, WIDE_PX))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class EdgeLean:
    """What a decoding leaves of the mean edge, shares of the contrast.

    Attributes
    ----------
    sides : ndarray of float, shape (n,)
        The part alike on both sides, by distance from the edge.
    noise : float
        What of it is noise, as the two halves of the edges differ (root mean square).
    residual : float
        Root mean square of all that is left.
    """

    sides: NDArray[np.float64]
    noise: float
    residual: float

    @property
    def rms(self) -> float:
        """Root mean square of the part alike on both sides."""
        return float(np.sqrt(np.mean(self.sides**2)))

    @property
    def shape(self) -> float:
        """Root mean square of the part opposite on both sides."""
        return float(np.sqrt(max(self.residual**2 - self.rms**2, 0.0)))

    @property
    def beyond_noise(self) -> float:
        """The same without what is noise."""
        return float(np.sqrt(max(self.rms**2 - self.noise**2, 0.0)))


def lean_of(edges: WideEdges) -> EdgeLean:
    """Return what a blur that rises as it fell leaves of wide edges, as they were decoded."""
    spread = measure_edge_spread(edges)
    sides = edge_sides(edges, spread)
    numbers = np.arange(len(edges.samples.strips))
    one, other = (edge_sides(edges.some(numbers[first::2]), spread) for first in (0, 1))
    noise = float(np.sqrt(np.mean((one - other) ** 2))) / 2
    return EdgeLean(sides=sides, noise=noise, residual=edge_residual(edges, spread))
