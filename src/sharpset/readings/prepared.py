"""A piece of a scan that is ready to be read, by one encoding of its file and at one pose."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.pieces import Piece
from sharpset.readings.edges.bleed_fit import measure_bleed
from sharpset.readings.edges.spread import edge_residual, measure_edge_spread
from sharpset.readings.features.curve_evidence import DEFAULT_GAMMA, CurveChance, beforehand, off_by, solid_by
from sharpset.readings.features.piece_samples import PieceSamples, levels_of, sample_piece, sampled_anew
from sharpset.readings.picture.light import PieceLight, light_of
from sharpset.scans import LocatedPiece, Scan

__all__ = ["Prepared", "is_undeclared"]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Prepared:
    """A piece ready to be read: encoding and pose settled, pixels sampled.

    `doubtful` says that its edges do not suit the encoding that its file is read with, `curves` how likely a file that
    does not say so is encoded by which power, `sharpened` that its noise or edges show a mask, `retouched` that its
    values went through another curve after the scan, by the power of `curves` that its edges tell.
    """

    scan: Scan
    light: PieceLight
    located: LocatedPiece
    strips: PieceSamples
    doubtful: bool = False
    curves: tuple[CurveChance, ...] = ()
    sharpened: bool = False
    retouched: bool = False

    @property
    def other_curves(self) -> list[CurveChance]:
        """How likely powers are that it is not read with."""
        taken = self.scan.curve.gamma if np.isfinite(self.scan.curve.gamma) else DEFAULT_GAMMA
        return [one for one in self.curves if one.gamma != taken]

    @property
    def likely_powers(self) -> tuple[float, float]:
        """Powers between which the right one lies at a chance of 95 %, by `curves`."""
        powers = sorted(self.curves, key=lambda one: one.gamma)
        below = np.cumsum([one.chance for one in powers])
        first, last = np.searchsorted(below, (0.025, 0.975 - 1e-9))
        return powers[first].gamma, powers[min(int(last), len(powers) - 1)].gamma

    @property
    def chance_of_others(self) -> float:
        """Chance that another power than the one it is read with is the right one."""
        return float(sum(one.chance for one in self.other_curves))

    @property
    def residual(self) -> float:
        """What symmetric blur leaves unexplained of the wide edges."""
        return edge_residual(self.strips.edges, self.strips.spread)

    def off_by(self, piece: Piece) -> list[tuple[float, float]]:
        """Return by what relative error of the exponent edges are off if another power is right, and its chance."""
        light = levels_of(self.light, self.located.pose, piece)
        return [(off_by(one.gamma, self.scan.curve, light), one.chance) for one in self.other_curves]

    def solid_beforehand(self, piece: Piece) -> list[tuple[NDArray[np.float64], float]]:
        """Return what shares solid are by all powers, with their chances before edges were looked at (`solid_by`)."""
        if not (self.curves or self.doubtful) or self.light.bleed is not None:
            return []
        light = levels_of(self.light, self.located.pose, piece)
        every = self.curves
        if not self.retouched:
            every = beforehand(self.scan.bit_depth, is_jpeg=self.scan.kind == "JPEG")
        return [(solid_by(one.gamma, self.scan.curve, light), one.chance) for one in every]

    def decoded_by(self, scan: Scan, piece: Piece) -> Prepared:
        """Return the piece with another decoding of its file."""
        light = light_of(scan, self.located, piece)
        return replace(self, scan=scan, light=light, strips=sample_piece(light, self.located.pose, piece))

    def freed(self, piece: Piece) -> Prepared:
        """Return the piece with light that bleeds to one side of its edges taken out."""
        light, strips, pose = self.light, self.strips, self.located.pose
        # Walls that are seen at a slant lie beside edges too (`slant`).
        bleed = None if self.scan.viewing is not None else measure_bleed(light, pose, strips.edges, strips.spread)
        if bleed is None:
            return self
        # Bled light had widened the blur; the blur that is left without it takes its place.
        freed = measure_edge_spread(sampled_anew(replace(light, bleed=bleed), pose, strips.edges))
        light = replace(light, bleed=replace(bleed, blur_mm=min(bleed.blur_mm, freed.mean_sigma_mm)))
        return replace(self, light=light, strips=sample_piece(light, pose, piece))


def is_undeclared(scan: Scan) -> bool:
    """Whether a file may as well hold linear light as sRGB; 8-bit files without a word are sRGB by convention."""
    return scan.encoding_source == "default" and scan.bit_depth > 8
