"""Wide holes that are not round: how far their rim lies from a circle, by its second and third harmonic.

An oval whose rim lies further from its circle than the blur is no circle with dust on it. The light that each sector
lacks tells how far its rim is; pixels are then drawn in or out by what the harmonics say, which leaves a round hole to
be fitted. Its diameter is that of the circle of the same area.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sharpset.readings.holes.disc_start import sectors_of
from sharpset.readings.holes.rim_chances import rim_evidence
from sharpset.readings.picture.medians import row_medians

__all__ = ["LEAST_CHANCE", "OutOfRound", "out_of_round"]

FloatArray = NDArray[np.float64]
_HARMONICS = (2, 3)
_LEAST_RADIUS, _WIDE = 4.0, 6.0
"""Radii in blurs: of narrower holes the blur swallows the shape; from the second on sectors tell it from dust."""
_SPECK_MM, _SPECK_PX = 0.4, 16.0
"""Dust is rarely larger (common practice, no source). On narrower holes (radius) it may show as the third harmonic:
only an oval is looked for there, which dust on one side is not. On rims of fewer pixels soft marks of three pixels and
more looked like the third harmonic in most of some dozen rendered holes."""
_LEAST_CHI2 = 9.0
_OVALS = 0.05
"""Chance of a hole to be out of round by more than its blur swallows, before it is seen (taken, no source)."""
_LEAST_BLURS = 0.25
"""Blurs from which on a rim is drawn to a circle; less than that the blur swallows."""
LEAST_CHANCE, _WORTH_TRYING = 0.03, 0.1
"""Chance of a hole's being round or not, below which it is left out of account; odds by sectors from which on pixels
are asked."""
_PIXELS_SAY = 3.0
"""Logarithm of odds, a factor of twenty (taken, no source)."""
_BESIDE, _PLATE, _N_BESIDE, _FEWEST = 2.5, 0.75, 16, 6
"""Beyond so many blurs from its rim, and a pixel, a hole has the plate all round: in each of so many sectors, of as
many pixels at least, this share is solid. Where it is not something lies across the rim, and no shape is told."""
_TURNS, _WILD, _AT_REST_MM = 8, 4.0, 1e-6


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class OutOfRound:
    """A rim that wanders about its circle.

    Attributes
    ----------
    centre_mm : ndarray of float, shape (2,)
        About which the harmonics were found.
    terms_mm : ndarray of float, shape (4,) or (2,)
        Cosine and sine of the second and of the third harmonic, or of the second.
    chance : float
        How likely the rim is so, and no circle with marks on it.
    """

    centre_mm: FloatArray
    terms_mm: FloatArray
    chance: float = 1.0

    @property
    def square_mm2(self) -> float:
        """Mean square of the rim's distance from its circle."""
        return float(self.terms_mm @ self.terms_mm) / 2

    def odds(self, gain: float, *, blur_px: float) -> float:
        """Return the odds that a hole is out of round, by its sectors and by what either way leaves unexplained.

        Pixels as far as a blur reaches err together and so tell once. What those cost that marks are said to hide is
        known roughly, so that they may not outweigh the sectors by more than a factor of twenty.
        """
        by_pixels = gain / 2 / max(4 * np.pi * blur_px**2, 1.0)
        return self.chance / (1 - self.chance + 1e-9) * float(np.exp(np.clip(by_pixels, -_PIXELS_SAY, _PIXELS_SAY)))

    def waves(self, angle: FloatArray) -> FloatArray:
        """Return cosine and sine of the shape's harmonics in some directions (radians), a column a term."""
        return _shape(angle, len(self.terms_mm) // 2)

    def drawn(self, x_mm: FloatArray, y_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return pixels drawn to where they would be if the rim were a circle."""
        x, y = x_mm - self.centre_mm[0], y_mm - self.centre_mm[1]
        away = np.maximum(np.hypot(x, y), 1e-9)
        keep = 1.0 - np.minimum(self.waves(np.arctan2(y, x)) @ self.terms_mm / away, 0.9)
        return self.centre_mm[0] + keep * x, self.centre_mm[1] + keep * y


def _shape(angle: FloatArray, n_harmonics: int) -> FloatArray:
    return np.column_stack([wave(k * angle) for k in _HARMONICS[:n_harmonics] for wave in (np.cos, np.sin)])


def out_of_round(
    holes: Sequence[tuple[FloatArray, FloatArray, FloatArray]],
    radii_mm: Sequence[float],
    *,
    pixel_area_mm2: float,
    sigma_mm: float,
) -> list[OutOfRound | None]:
    """Return how far holes' rims lie from circles, None where one is round as far as can be told or too narrow.

    Parameters
    ----------
    holes : sequence of (x, y, solid)
        Pixels from each hole's nominal centre, mm on the glass, and their share solid.
    radii_mm : sequence of float
        Nominal.
    pixel_area_mm2, sigma_mm : float
        Area of a pixel; blur.
    """
    shapes: list[OutOfRound | None] = [None] * len(holes)
    wide = [i for i, radius in enumerate(radii_mm) if radius >= _LEAST_RADIUS * sigma_mm]
    if not wide:
        return shapes
    pixel_mm = float(np.sqrt(pixel_area_mm2))
    third_from = max(_WIDE * sigma_mm, _SPECK_MM, _SPECK_PX * pixel_mm)
    tell = [sectors_of(holes[i], radius_mm=radii_mm[i], pixel_area_mm2=pixel_area_mm2) for i in wide]
    centres = np.zeros((len(wide), 2))
    own = [sectors(centre) for sectors, centre in zip(tell, centres, strict=True)]
    counts = np.array([len(one) for one in own])
    known = np.arange(counts.max()) < counts[:, None]
    design = _design(counts, known, np.array([radii_mm[i] >= third_from for i in wide]))
    for turn in range(3):
        if turn:
            own = [sectors(centre) for sectors, centre in zip(tell, centres, strict=True)]
        radius = np.zeros(known.shape)
        radius[known] = np.concatenate(own)
        found, weight = _robust(design, radius, known, 0.1 * pixel_mm)
        centres += found[:, 1:3]
    # Most holes are round enough, which spares them the rest.
    for k in np.flatnonzero(np.hypot.reduce(found[:, 3:], axis=1) > _LEAST_BLURS * sigma_mm):
        i, n, n_terms = wide[k], counts[k], 4 if radii_mm[wide[k]] >= third_from else 2
        rim = _Rim(
            own=own[k],
            design=design[k, : 3 + n_terms, :n].T,
            found=found[k, : 3 + n_terms],
            weight=weight[k, :n],
            centre=centres[k],
        )
        shapes[i] = _shape_of(rim, holes[i], radii_mm[i], pixel_mm, sigma_mm)
    return shapes


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Rim:
    """Radii of a hole's sectors about a centre, and the robust fit of a circle and its harmonics to them."""

    own: FloatArray
    design: FloatArray
    found: FloatArray
    weight: FloatArray
    centre: FloatArray


def _design(counts: NDArray[np.intp], known: NDArray[np.bool_], third: NDArray[np.bool_]) -> FloatArray:
    """Return the terms of each hole's rim in its sectors, shape (n_holes, 7, n_sectors), 0 where there is none."""
    angle = (np.arange(known.shape[1]) + 0.5) * 2 * np.pi / counts[:, None] - np.pi
    waves = [wave(k * angle) for k in (1, *_HARMONICS) for wave in (np.cos, np.sin)]
    design = np.stack((np.ones(known.shape), *waves), axis=1) * known[:, None]
    design[~third, 5:] = 0.0
    return np.asarray(design)


def _shape_of(
    rim: _Rim,
    hole: tuple[FloatArray, FloatArray, FloatArray],
    radius_mm: float,
    pixel_mm: float,
    sigma_mm: float,
) -> OutOfRound | None:
    """Return how far a rim lies from a circle, None where chance or marks may have made it look so."""
    design, own, weight, terms = rim.design, rim.own, rim.weight, rim.found[3:]
    kept = np.flatnonzero(weight > 0)
    if len(kept) < design.shape[1] + 3:
        return None
    left = own - design @ rim.found
    variance = float(left[kept] @ (weight[kept] * left[kept])) / (float(weight.sum()) - design.shape[1])
    covariance = np.linalg.inv((design.T * weight) @ design)[3:, 3:]
    # Less than this is outweighed by what the harmonics cost and by how seldom holes are out of round.
    if float(terms @ np.linalg.solve(covariance, terms)) < (_LEAST_CHI2 + len(terms)) * variance:
        return None
    every = np.ones((1, len(own)), dtype=bool)
    _, round_weight = _robust(design.T[None, :3], own[None], every, 0.1 * pixel_mm)
    evidence = rim_evidence(
        own, design, round_weight=round_weight[0], weight=weight, n_round=3, radius_mm=radius_mm, pixel_mm=pixel_mm
    )
    odds = _OVALS / (1 - _OVALS) * float(np.exp(np.clip(evidence, -50.0, 50.0)))
    if odds < _WORTH_TRYING:
        return None
    shape = OutOfRound(centre_mm=rim.centre, terms_mm=terms, chance=odds / (1 + odds))
    far_mm = float(rim.found[0]) + _BESIDE * sigma_mm + pixel_mm
    x, y, solid = hole
    return shape if _in_the_plate(*shape.drawn(x, y), solid, rim.centre, far_mm) else None


def _in_the_plate(x: FloatArray, y: FloatArray, solid: FloatArray, centre: FloatArray, far_mm: float) -> bool:
    """Return whether the plate shows all round a hole that was drawn to a circle."""
    x, y = x - centre[0], y - centre[1]
    beside = x * x + y * y > far_mm**2
    sector = np.floor((np.arctan2(y[beside], x[beside]) / (2 * np.pi) + 0.5) * _N_BESIDE).astype(int) % _N_BESIDE
    n = np.bincount(sector, minlength=_N_BESIDE)
    share = np.bincount(sector, solid[beside], minlength=_N_BESIDE) / np.maximum(n, 1)
    return bool(np.all(share[n >= _FEWEST] > _PLATE))


def _robust(
    design: FloatArray, own: FloatArray, known: NDArray[np.bool_], least_mm: float
) -> tuple[FloatArray, FloatArray]:
    """Return each hole's coefficients by Tukey's biweight, and its sectors' weights.

    `design` has shape (n_holes, n_terms, n_sectors); terms that are nought all over keep nothing.
    """
    weight = known.astype(float)
    found: FloatArray = np.zeros(design.shape[:2])
    least = 1e-9 * np.eye(design.shape[1])
    resting = np.zeros(len(own), dtype=bool)
    for _ in range(_TURNS):
        weighted = design * weight[:, None]
        normal = weighted @ design.transpose(0, 2, 1) + least
        new = np.linalg.solve(normal, weighted @ own[..., None])[..., 0]
        new[resting] = found[resting]
        before, found = found, np.asarray(new)
        away = np.abs(own - (found[:, None] @ design)[:, 0])
        scale = np.maximum(1.4826 * row_medians(away, known), least_mm)[:, None]
        weight = np.maximum(1 - (away / (_WILD * scale)) ** 2, 0.0) ** 2 * known
        resting |= np.abs(found - before).max(axis=1) < _AT_REST_MM
        if resting.all():
            break
    return found, weight
