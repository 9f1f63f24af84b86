"""Light that a wide blur carries over from other edges, taken out of a sampled piece."""

from __future__ import annotations

import numpy as np

from sharpset.pieces import Piece
from sharpset.readings.edges.strips import LOOSE, fit_strips
from sharpset.readings.features.piece_samples import PieceSamples, sample_piece
from sharpset.readings.picture.light import PieceLight, light_of
from sharpset.readings.picture.spill import spill_of
from sharpset.scans import LocatedPiece, Scan

__all__ = ["without_spill"]

_FROM_MM = 0.09
"""Blur from which on a ten-thousandth of the contrast reaches where plate and ground are looked at (`light`): 3.7 blurs
beside an edge."""


def without_spill(
    scan: Scan, light: PieceLight, located: LocatedPiece, piece: Piece, strips: PieceSamples
) -> tuple[PieceLight, PieceSamples]:
    """Return light and samples of a piece, freed of what other edges add where the blur is wide.

    Parameters
    ----------
    scan : Scan
    light : PieceLight
    located : LocatedPiece
    piece : Piece
    strips : PieceSamples
        They tell the blur and by how much the plate has grown.

    Returns
    -------
    light : PieceLight
    strips : PieceSamples
        As they were where the blur is narrow, or where light bleeds by more than blur.
    """
    blur_mm = strips.spread.mean_sigma_mm
    if blur_mm < _FROM_MM or light.bleed is not None:
        return light, strips
    edges = strips.edges
    fits = fit_strips(edges.samples, edges.profiles, strips.spread, LOOSE)
    drawn = np.array([strip.width_mm for strip in edges.samples.strips])
    wider = fits.width_mm / edges.samples.length_scale - drawn
    growth_mm = float(np.median(np.where(edges.samples.is_bar, wider, -wider))) / 2
    spill = spill_of(piece, blur_mm=blur_mm, growth_mm=growth_mm)
    light = light_of(scan, located, piece, spill=spill)
    return light, sample_piece(light, located.pose, piece)
