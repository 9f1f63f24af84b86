"""Settle by which curve and number of bits a piece's file is read, where the file does not say so.

Edges and narrow lines tell (`curve_evidence`); light that bleeds to one side of edges looks like a wrong curve, so that
both ways are freed of it before they are compared.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from sharpset.errors import ReadingError
from sharpset.pieces import Piece
from sharpset.readings.checks.gates import check_light
from sharpset.readings.checks.plate import measure_overshoot
from sharpset.readings.edges.spread import WideEdges
from sharpset.readings.features.curve_evidence import (
    DEFAULT_GAMMA,
    BothWays,
    CurveChance,
    both_ways,
    lean_of,
    telling_edges,
)
from sharpset.readings.features.piece_samples import OtherDecoding
from sharpset.readings.features.retouched_curve import DECODINGS, powers_told
from sharpset.readings.picture.light import light_of
from sharpset.readings.picture.sharpened_noise import noise_rises
from sharpset.readings.picture.stored_values import more_bits
from sharpset.readings.placing.traces import Levels
from sharpset.readings.prepared import Prepared, is_undeclared
from sharpset.scans import Scan
from sharpset.scans.encoding import LINEAR, TransferCurve, gamma_curve

__all__ = ["settle_curve"]

_SUSPECT_RESIDUAL, _LESS, _CLEARLY_LESS = 0.0004, 0.55, 0.375
"""Residual of the mean edge from which on sRGB is doubted in files of 8 bits, and the shares of it that linear light
must leave to be likely and to be clear. Pictures in sRGB that were sharpened, resampled or turned afterwards left 0.39
to 0.61 on rendered scans, linear ones 0.13 to 0.36, and 0.41 with a blur that is no normal one."""
_FAR_LESS = 0.5
"""Share of what usual powers make edges lean that a negative, or an unusual power, must leave to be the right one. On
50 rendered scans encoded by usual ones a negative left 1.8 times as much and more, powers of 3.3 and 5 0.9 and more."""
_SUSPECT_LEAN = 0.0008
"""What usual powers must leave of the mean edge alike on both sides, beyond noise, for unusual ones to be tried."""
_LIKELIER = 0.5
_OTHER = 0.3
_FEW_BITS = 12
_SOME_OVERSHOOT, _OVERSHOOT = 0.001, 0.010
"""Beyond three times its standard uncertainty: where noise tells of a mask too or edges of a power between sRGB and
linear light, and where they tell of linear light, which a weak mask does not look like."""
_SHARPENED_HALO = -0.05
"""Light of a halo at most of edges that a mask sharpened: optics spread light, and what ends sooner than a normal blur
for a lens out of focus was tried before."""
_EITHER = (CurveChance(gamma=1.0, chance=0.5), CurveChance(gamma=DEFAULT_GAMMA, chance=0.5))


def settle_curve(ready: Prepared, piece: Piece) -> Prepared:
    """Return a piece decoded by the curve that its file states or its edges suit, without light that bleeds.

    Parameters
    ----------
    ready : Prepared
        As the file was opened.
    piece : Piece

    Returns
    -------
    Prepared

    Raises
    ------
    ReadingError
        If the picture is a negative, or cannot be read by the curve that its edges tell.
    """
    ready, suits_either = _by_bits(ready, piece)
    _check_positive(ready, piece)
    ready = replace(ready, sharpened=_was_sharpened(ready, piece))
    if suits_either:
        return replace(ready.freed(piece), doubtful=True)
    undeclared = is_undeclared(ready.scan)
    if not _is_open(ready.scan):
        return replace(ready, curves=_EITHER if undeclared else ()).freed(piece)
    if not undeclared and ready.residual <= _SUSPECT_RESIDUAL:
        return ready.freed(piece)
    other = replace(ready.scan, curve=LINEAR, encoding_source="judged by its edges")
    light = light_of(other, ready.located, piece)
    ways = both_ways(OtherDecoding(light=light, pose=ready.located.pose, strips=ready.strips))
    powers = _retouched(ready, piece, ways)
    if powers and (freed := ready.freed(piece)).light.bleed is None:
        return _by_powers(freed, piece, powers)
    if undeclared:
        return _of_either(ready, other, piece, ways)
    return _of_8_bits(ready, other, piece, ways)


def _was_sharpened(ready: Prepared, piece: Piece) -> bool:
    """Whether edges, or both noise and edges, show a mask that sharpened the picture as it was stored."""
    scan, light = ready.scan, ready.light
    if scan.kind == "JPEG" or scan.viewing is not None:
        return False
    if ready.strips.spread.halo <= _SHARPENED_HALO:
        return True
    if not noise_rises(light.stored, light.origin, ready.located.pose, piece):
        return False
    return measure_overshoot(ready.strips).largest > _SOME_OVERSHOOT


def _is_open(scan: Scan) -> bool:
    """Whether edges may tell the curve.

    Mixed brightness of colours has a curve of its own, and what cameras do to tones is allowed for anyway.
    """
    of_its_own = scan.kind == "JPEG" and scan.viewing is not None
    return scan.encoding_source == "default" and scan.curve.name == "sRGB" and not of_its_own


def _by_bits(ready: Prepared, piece: Piece) -> tuple[Prepared, bool]:
    """Return a piece by the number of bits that its edges suit better, and whether they suit another as well.

    That a dark picture of 16 bits fits into 14 is as likely beforehand as that a converter of 14 bits wrote it. Values
    that fit into 12 are those of 12 unless edges say otherwise: it takes a dark picture and an odd converter for more.
    """
    more = more_bits(ready.scan, ready.light.stored)
    if more is None:
        return ready, False
    other = ready.decoded_by(more, piece)
    if ready.residual < _LESS * other.residual:
        return ready, False
    if other.residual < _LESS * ready.residual:
        return other, False
    if ready.scan.bit_depth <= _FEW_BITS:
        return ready, False
    return (ready if ready.residual < other.residual else other), True


def _check_positive(ready: Prepared, piece: Piece) -> None:
    """Refuse negatives: dark pieces whose edges suit the curve upside down far better than any other."""
    scan = ready.scan
    if ready.located.plate_is_bright or scan.encoding_source == "argument" or scan.viewing is not None:
        return
    if scan.curve == LINEAR or ready.residual <= _SUSPECT_RESIDUAL:
        return

    edges = telling_edges(ready.strips)
    _refuse_negatives(ready, piece, edges, min(lean_of(edges).rms, _lean_by(LINEAR, ready, piece, edges)))


def _refuse_negatives(ready: Prepared, piece: Piece, edges: WideEdges, usual: float) -> None:
    """Refuse a picture whose curve upside down makes edges lean far less than usual ones do."""
    scan = ready.scan
    if _lean_by(scan.curve.negative(), ready, piece, edges) < _FAR_LESS * usual:
        name = "sRGB" if scan.encoding == "curve" else scan.encoding
        raise ReadingError(
            f"{scan.path}: the edges are those of a negative: light and dark were exchanged after the scan. Scan as a "
            f"positive, or turn the picture back. If it is none, name its encoding (--encoding '{name}')."
        )


def _decoded(curve: TransferCurve, ready: Prepared, piece: Piece) -> OtherDecoding:
    light = light_of(replace(ready.scan, curve=curve), ready.located, piece)
    return OtherDecoding(light=light, pose=ready.located.pose, strips=ready.strips)


def _lean_by(curve: TransferCurve, ready: Prepared, piece: Piece, edges: WideEdges) -> float:
    """Return how much another curve makes edges lean, infinite where plate and ground are too much alike by it."""
    try:
        return lean_of(_decoded(curve, ready, piece).edges(edges)).rms
    except ReadingError:
        return float("inf")


def _retouched(ready: Prepared, piece: Piece, ways: BothWays) -> tuple[CurveChance, ...]:
    """Return by which powers a picture may stand for light that went through another curve after the scan, if it did.

    Values that are missing or doubled tell that it did, or edges that suit an unusual power far better than usual ones.
    """
    if ready.scan.viewing is not None:
        return ()
    levels = Levels.of(ready.scan, ready.light)
    stretched = levels.stretched and not levels.few
    suspect = ways.least_beyond_noise > _SUSPECT_LEAN
    if not (stretched or suspect):
        return ()
    edges = telling_edges(ready.strips)
    if suspect and ready.located.plate_is_bright:
        _refuse_negatives(ready, piece, edges, ways.least)
    leans = {DEFAULT_GAMMA: lean_of(edges)}

    def look_by(powers: Iterable[float]) -> None:
        for power in powers:
            leans[power] = lean_of(_decoded(gamma_curve(power), ready, piece).edges(edges))

    try:
        look_by(power for power in DECODINGS if power > DEFAULT_GAMMA)
        unusual = min(leans[power].rms for power in leans if power > DEFAULT_GAMMA) < _FAR_LESS * ways.least
        if not (unusual or (stretched and not ready.sharpened)):
            return ()
        look_by(power for power in DECODINGS if power < DEFAULT_GAMMA)
    except ReadingError:  # by such powers plate and ground are too much alike
        return ()
    return powers_told(leans)


def _by_powers(ready: Prepared, piece: Piece, curves: tuple[CurveChance, ...]) -> Prepared:
    """Return a piece decoded by the middle one of several powers, as they are likely."""
    total = np.cumsum([one.chance for one in curves])
    power = float(np.interp(0.5, total - np.diff(total, prepend=0.0) / 2, [one.gamma for one in curves]))
    scan = replace(ready.scan, curve=gamma_curve(power), encoding_source="judged by its edges")
    return replace(ready.decoded_by(scan, piece), curves=curves, retouched=True)


def _of_8_bits(ready: Prepared, other: Scan, piece: Piece, ways: BothWays) -> Prepared:
    """Return a piece of a file of 8 bits, which is sRGB by convention; that yields only to clear evidence."""
    curves = ways.chances(n_bits=ready.scan.bit_depth)
    as_linear = ready.scan.viewing is None and _likeliest(curves).gamma == 1.0
    clear = ways.share < _CLEARLY_LESS and ways.is_even
    if _is_hidden(ready, 1.0 if clear else _likeliest(curves).gamma):
        return _either(ready, other, 1.0 if clear else _likeliest(curves).gamma, piece)
    if not (clear or as_linear):
        freed = ready.freed(piece)
        doubtful = _CLEARLY_LESS <= ways.share < _LESS and freed.residual > _SUSPECT_RESIDUAL
        # Light that bleeds to one side looks like a wrong curve, and what cameras do to tones is allowed for anyway.
        if doubtful or freed.light.bleed is not None or ready.scan.viewing is not None:
            return replace(freed, doubtful=doubtful)
        return _by_the_likeliest(freed, piece, curves)
    linear = _as_linear(ready, other, piece)
    if not clear:
        linear = replace(linear, curves=curves)
    if linear.light.bleed is None:
        return linear
    freed = ready.freed(piece)
    return linear if linear.residual < _CLEARLY_LESS * freed.residual else replace(freed, curves=linear.curves)


def _of_either(ready: Prepared, other: Scan, piece: Piece, ways: BothWays) -> Prepared:
    """Return a piece of a file that may hold either sRGB or linear light, the likelier way."""
    curves = ways.chances(n_bits=ready.scan.bit_depth)
    if _is_hidden(ready, _likeliest(curves).gamma):
        return _either(ready, other, _likeliest(curves).gamma, piece)
    if _likeliest(curves).gamma != 1.0:
        freed = ready.freed(piece)
        if freed.light.bleed is None:
            return _by_the_likeliest(freed, piece, curves)
        return replace(freed, curves=_EITHER)
    linear = replace(_as_linear(ready, other, piece), curves=curves)
    if linear.light.bleed is None:
        return linear
    freed = ready.freed(piece)
    return linear if linear.residual < _LESS * freed.residual else replace(freed, curves=_EITHER)


def _is_hidden(ready: Prepared, gamma: float) -> bool:
    """Whether a mask, or rims beside edges, may make them lean as another power than sRGB's would.

    Masks bend edges towards lower powers, wide strong ones all the way to linear light; never from there towards sRGB.
    """
    if gamma == DEFAULT_GAMMA or ready.sharpened:
        return gamma != DEFAULT_GAMMA
    return measure_overshoot(ready.strips).largest > (_OVERSHOOT if gamma == 1.0 else _SOME_OVERSHOOT)


def _either(ready: Prepared, other: Scan, gamma: float, piece: Piece) -> Prepared:
    """Return a piece by the likelier of sRGB and a power that its edges may or may not tell, the interval for both."""
    if gamma == 1.0 and is_undeclared(ready.scan):
        taken, left = _as_linear(ready, other, piece), DEFAULT_GAMMA
    else:
        taken, left = ready.freed(piece), gamma
    likelier = 1.0 if left == DEFAULT_GAMMA else DEFAULT_GAMMA
    curves = (CurveChance(gamma=left, chance=_OTHER), CurveChance(gamma=likelier, chance=1 - _OTHER))
    sharpened = ready.sharpened or measure_overshoot(ready.strips).largest > _OVERSHOOT
    return replace(taken, curves=curves, sharpened=sharpened)


def _likeliest(curves: tuple[CurveChance, ...]) -> CurveChance:
    return max(curves, key=lambda one: one.chance)


def _by_the_likeliest(ready: Prepared, piece: Piece, curves: tuple[CurveChance, ...]) -> Prepared:
    """Return a piece that was read as sRGB, without light that bleeds, by the likeliest of the powers."""
    best = _likeliest(curves)
    if best.gamma in (1.0, DEFAULT_GAMMA) or best.chance < _LIKELIER:
        return replace(ready, curves=curves)
    scan = replace(ready.scan, curve=gamma_curve(best.gamma), encoding_source="judged by its edges")
    return replace(ready.decoded_by(scan, piece), curves=curves)


def _as_linear(ready: Prepared, other: Scan, piece: Piece) -> Prepared:
    linear = ready.decoded_by(other, piece)
    check_light(other, linear.light)
    return linear.freed(piece)
