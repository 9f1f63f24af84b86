"""Make a piece of a scan ready to be read: settle its pose and its encoding, and sample its pixels."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import ReadingError
from sharpset.pieces import Piece
from sharpset.readings.assembling import places_of
from sharpset.readings.checks.gates import check_backing, check_ground, check_light
from sharpset.readings.edges.bleed_fit import measure_bleed
from sharpset.readings.edges.spread import edge_residual, measure_edge_spread
from sharpset.readings.features.curve_evidence import (
    DEFAULT_GAMMA,
    CurveChance,
    beforehand,
    both_ways,
    off_by,
    solid_by,
)
from sharpset.readings.features.fitting import read_features
from sharpset.readings.features.piece_samples import PieceSamples, levels_of, sample_piece, sampled_anew
from sharpset.readings.picture.light import PieceLight, light_of
from sharpset.readings.picture.stored_values import more_bits
from sharpset.readings.picture.unlit import check_openings_lit
from sharpset.readings.placing.registration import pose_from_marks, register
from sharpset.readings.placing.traces import check_values
from sharpset.scans import LocatedPiece, Pose, Scan
from sharpset.scans.encoding import LINEAR, TransferCurve, gamma_curve

__all__ = ["Prepared", "is_undeclared", "prepare_piece"]

_SURE_MATCH, _SURE_LEAD = 0.75, 0.2
"""From what correlation with its drawing, and lead over other turns, a piece whose marks are lost is still read."""
_SUSPECT_RESIDUAL, _LESS, _CLEARLY_LESS = 0.0004, 0.55, 0.375
"""Residual of the mean edge from which on sRGB is doubted in files of 8 bits, and the shares of it that linear light
must leave to be likely and to be clear. Pictures in sRGB that were sharpened, resampled or turned afterwards left 0.39
to 0.61 on rendered scans, linear ones 0.13 to 0.36, and 0.41 with a blur that is no normal one."""
_LIKELIER = 0.5
_EITHER = (CurveChance(gamma=1.0, chance=0.5), CurveChance(gamma=DEFAULT_GAMMA, chance=0.5))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Prepared:
    """A piece ready to be read: encoding and pose settled, pixels sampled.

    `doubtful` says that its edges do not suit the encoding that its file is read with, `curves` how likely a file that
    does not say so is encoded by which power.
    """

    scan: Scan
    light: PieceLight
    located: LocatedPiece
    strips: PieceSamples
    doubtful: bool = False
    curves: tuple[CurveChance, ...] = ()

    @property
    def other_curves(self) -> list[CurveChance]:
        """How likely powers are that it is not read with."""
        taken = self.scan.curve.gamma if np.isfinite(self.scan.curve.gamma) else DEFAULT_GAMMA
        return [one for one in self.curves if one.gamma != taken]

    @property
    def chance_of_others(self) -> float:
        """Chance that another power than the one it is read with is the right one."""
        return float(sum(one.chance for one in self.other_curves))

    def off_by(self, piece: Piece) -> list[tuple[float, float]]:
        """Return by what relative error of the exponent edges are off if another power is right, and its chance."""
        light = levels_of(self.light, self.located.pose, piece)
        return [(off_by(one.gamma, self.scan.curve, light), one.chance) for one in self.other_curves]

    def solid_beforehand(self, piece: Piece) -> list[tuple[NDArray[np.float64], float]]:
        """Return what shares solid are by all powers, with their chances before edges were looked at (`solid_by`)."""
        if not (self.curves or self.doubtful) or self.light.bleed is not None:
            return []
        light = levels_of(self.light, self.located.pose, piece)
        every = beforehand(self.scan.bit_depth, is_jpeg=self.scan.kind == "JPEG")
        return [(solid_by(one.gamma, self.scan.curve, light), one.chance) for one in every]

    @property
    def residual(self) -> float:
        """What symmetric blur leaves unexplained of the wide edges."""
        return edge_residual(self.strips.edges, self.strips.spread)


def prepare_piece(scan: Scan, located: LocatedPiece, piece: Piece) -> Prepared:
    """Settle the pose and the encoding, and sample the piece."""
    check_openings_lit(scan, located, piece)
    light = light_of(scan, located, piece)
    check_values(scan, light)
    check_light(scan, light)
    check_backing(scan, light, located.pose, piece)
    check_ground(scan, light, located.pose, piece)
    located = replace(located, pose=_settle_pose(light, located, piece))
    strips = sample_piece(light, located.pose, piece)
    as_default = edge_residual(strips.edges, strips.spread)
    # Mixed brightness of colours has a curve of its own, and what cameras do to tones is allowed for anyway.
    is_open = scan.encoding_source == "default" and scan.curve.name == "sRGB"
    is_open &= scan.kind != "JPEG" or scan.viewing is None
    default = Prepared(scan=scan, light=light, located=located, strips=strips)
    default, as_default, either = _by_bits(default, as_default, piece)
    scan, light, strips = default.scan, default.light, default.strips
    _check_positive(default, as_default, piece)
    if either:
        return replace(_freed(default, piece), doubtful=True)
    if not is_open or (as_default <= _SUSPECT_RESIDUAL and not is_undeclared(scan)):
        return _freed(replace(default, curves=_EITHER if is_undeclared(scan) else ()), piece)
    other = replace(scan, curve=LINEAR, encoding_source="judged by its edges")
    other_light = light_of(other, located, piece)
    ways = both_ways(other_light, located.pose, strips)
    if is_undeclared(scan):
        return _likelier(default, other, other_light, piece, ways.chances(n_bits=scan.bit_depth))
    # Files of 8 bits are sRGB by convention, which yields only to clear evidence.
    curves = ways.chances(n_bits=scan.bit_depth)
    as_linear = scan.viewing is None and max(curves, key=lambda one: one.chance).gamma == 1.0
    clear = ways.share < _CLEARLY_LESS and ways.is_even
    doubtful = _CLEARLY_LESS <= ways.share < _LESS
    if not (clear or as_linear):
        freed = _freed(default, piece)
        doubtful = doubtful and freed.residual > _SUSPECT_RESIDUAL
        # Light that bleeds to one side looks like a wrong curve, and what cameras do to tones is allowed for anyway.
        if doubtful or freed.light.bleed is not None or scan.viewing is not None:
            return replace(freed, doubtful=doubtful)
        return _by_the_likeliest(freed, piece, curves)
    linear = _as_linear(default, other, other_light, piece)
    if not clear:
        linear = replace(linear, curves=curves)
    if linear.light.bleed is None:
        return linear
    # Light that bleeds to one side looks like a wrong curve: both ways are freed of it before they are compared.
    default = _freed(default, piece)
    return linear if linear.residual < _CLEARLY_LESS * default.residual else replace(default, curves=linear.curves)


def _by_bits(ready: Prepared, residual: float, piece: Piece) -> tuple[Prepared, float, bool]:
    """Return a piece by the number of bits that its edges suit, with their residual, and whether they suit either."""
    other = more_bits(ready.scan, ready.light.stored)
    if other is None:
        return ready, residual, False
    light = light_of(other, ready.located, piece)
    strips = sample_piece(light, ready.located.pose, piece)
    left = edge_residual(strips.edges, strips.spread)
    if residual < _LESS * left:
        return ready, residual, False
    return replace(ready, scan=other, light=light, strips=strips), left, left >= _LESS * residual


def _check_positive(ready: Prepared, residual: float, piece: Piece) -> None:
    """Refuse negatives: dark pieces whose edges suit the curve upside down far better than any other."""
    scan = ready.scan
    if ready.located.plate_is_bright or scan.encoding_source == "argument" or scan.viewing is not None:
        return
    if scan.curve == LINEAR or residual <= _SUSPECT_RESIDUAL:
        return

    def left_by(curve: TransferCurve) -> float:
        try:
            light = light_of(replace(scan, curve=curve), ready.located, piece)
        except ReadingError:  # by this curve plate and ground are too much alike
            return float("inf")
        strips = sample_piece(light, ready.located.pose, piece)
        return edge_residual(strips.edges, strips.spread)

    left = left_by(scan.curve.negative())
    if left < _CLEARLY_LESS * residual and left < _CLEARLY_LESS * left_by(LINEAR):
        name = "sRGB" if scan.encoding == "curve" else scan.encoding
        raise ReadingError(
            f"{scan.path}: the edges are those of a negative: light and dark were exchanged after the scan. Scan as a "
            f"positive, or turn the picture back. If it is none, name its encoding (--encoding '{name}')."
        )


def _likelier(
    default: Prepared, other: Scan, light: PieceLight, piece: Piece, curves: tuple[CurveChance, ...]
) -> Prepared:
    """Return a piece of a file that may hold either sRGB or linear light, the likelier way."""
    if max(curves, key=lambda one: one.chance).gamma != 1.0:
        freed = _freed(default, piece)
        if freed.light.bleed is None:
            return _by_the_likeliest(freed, piece, curves)
        # Light that bleeds to one side looks like a wrong curve.
        return replace(freed, curves=_EITHER)
    linear = replace(_as_linear(default, other, light, piece), curves=curves)
    if linear.light.bleed is None:
        return linear
    freed = _freed(default, piece)
    return linear if linear.residual < _LESS * freed.residual else replace(freed, curves=_EITHER)


def _by_the_likeliest(ready: Prepared, piece: Piece, curves: tuple[CurveChance, ...]) -> Prepared:
    """Return a piece that was read as sRGB, without light that bleeds, by the likeliest of the powers."""
    best = max(curves, key=lambda one: one.chance)
    if best.gamma in (1.0, DEFAULT_GAMMA) or best.chance < _LIKELIER:
        return replace(ready, curves=curves)
    scan = replace(ready.scan, curve=gamma_curve(best.gamma), encoding_source="judged by its edges")
    light = light_of(scan, ready.located, piece)
    strips = sample_piece(light, ready.located.pose, piece)
    return replace(ready, scan=scan, light=light, strips=strips, curves=curves)


def _as_linear(default: Prepared, other: Scan, light: PieceLight, piece: Piece) -> Prepared:
    check_light(other, light)
    strips = sample_piece(light, default.located.pose, piece)
    return _freed(replace(default, scan=other, light=light, strips=strips), piece)


def _freed(ready: Prepared, piece: Piece) -> Prepared:
    """Return a piece with light that bleeds to one side of its edges taken out."""
    light, strips, pose = ready.light, ready.strips, ready.located.pose
    # Walls that are seen at a slant lie beside edges too (`slant`).
    bleed = None if ready.scan.viewing is not None else measure_bleed(light, pose, strips.edges, strips.spread)
    if bleed is None:
        return ready
    # Bled light had widened the blur; the blur that is left without it takes its place.
    freed = measure_edge_spread(sampled_anew(replace(light, bleed=bleed), pose, strips.edges))
    light = replace(light, bleed=replace(bleed, blur_mm=min(bleed.blur_mm, freed.mean_sigma_mm)))
    return replace(ready, light=light, strips=sample_piece(light, pose, piece))


def _settle_pose(light: PieceLight, located: LocatedPiece, piece: Piece) -> Pose:
    """Return the pose by the marks or, where a bad print has lost them and the pattern is sure, by the features."""
    try:
        return pose_from_marks(light, located.pose, piece)
    except ReadingError:
        if located.match < _SURE_MATCH or located.lead < _SURE_LEAD:
            raise
        fits = read_features(light, located.pose, piece, sample_piece(light, located.pose, piece))
        return register(places_of(fits, piece, located.pose), located.pose).pose


def is_undeclared(scan: Scan) -> bool:
    """Whether a file may as well hold linear light as sRGB; 8-bit files without a word are sRGB by convention."""
    return scan.encoding_source == "default" and scan.bit_depth > 8
