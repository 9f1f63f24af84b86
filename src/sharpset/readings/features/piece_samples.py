"""Straight features of a piece with their pixels, and what the widest of them show of the scan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.pieces import Piece
from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.profiles import Profiles, robust_profiles
from sharpset.readings.edges.sampling import Samples, Strip, sample_strips
from sharpset.readings.edges.spread import WideEdges, measure_edge_spread, wide_strips
from sharpset.readings.edges.strips import Light
from sharpset.readings.picture.light import PieceLight
from sharpset.scans import Pose

__all__ = ["END_MM", "LIGHT_REACH_MM", "OtherDecoding", "PieceSamples", "levels_of", "sample_piece", "sampled_anew"]

END_MM = 0.3
"""What is left out of a strip at either end."""
LIGHT_REACH_MM = 0.42
"""How far beside a feature the plate's light still belongs to it alone."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PieceSamples:
    """Straight features of a piece with their pixels; a square counts as two crossed slots.

    Attributes
    ----------
    rows : ndarray of int
        Row of the feature table that each strip belongs to.
    samples : Samples
    profiles : Profiles
    wide : WideEdges
        Those that show the scan's blur.
    edges : WideEdges
        As many of them as are enough.
    spread : EdgeSpread
    noise_inflation : float
        How much neighbouring pixels' common noise (print texture) widens the error of a mean.
    """

    rows: NDArray[np.intp]
    samples: Samples
    profiles: Profiles
    wide: WideEdges
    edges: WideEdges
    spread: EdgeSpread
    noise_inflation: float


def _strips_of(features: pd.DataFrame, light_reach_mm: float) -> tuple[list[int], list[Strip]]:
    rows, strips = [], []
    for index, r in enumerate(features.itertuples()):
        if r.kind not in ("slot", "bar", "square"):
            continue
        for angle in (90.0, 0.0) if r.kind == "square" else (r.angle_deg,):
            length = r.nominal_mm if r.kind == "square" else r.length_mm
            rows.append(index)
            strips.append(
                Strip(
                    name=r.feature_id,
                    solid=r.kind == "bar",
                    width_mm=r.nominal_mm,
                    length_mm=length,
                    x_mm=r.x_mm,
                    y_mm=r.y_mm,
                    angle_deg=angle,
                    reach_mm=light_reach_mm,
                )
            )
    return rows, strips


def sample_piece(light: PieceLight, pose: Pose, piece: Piece) -> PieceSamples:
    """Collect the pixels of all straight features and measure the scan's edge spread on them."""
    rows, strips = _strips_of(piece.features, LIGHT_REACH_MM)
    samples = sample_strips(light, pose, strips, end_mm=END_MM)
    profiles = robust_profiles(samples, least_noise=light.noise / max(abs(light.contrast), 1e-6))
    wide = wide_strips(samples, profiles)
    edges = wide.thinned()
    return PieceSamples(
        rows=np.array(rows),
        samples=samples,
        profiles=profiles,
        wide=wide,
        edges=edges,
        spread=measure_edge_spread(edges),
        noise_inflation=light.noise_inflation,
    )


def sampled_anew(light: PieceLight, pose: Pose, edges: WideEdges) -> WideEdges:
    """Return the same wide edges as another light shows them."""
    samples = sample_strips(light, pose, edges.samples.strips, end_mm=END_MM)
    return replace(edges, profiles=robust_profiles(samples))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class OtherDecoding:
    """A piece as it was decoded, and the light of another decoding of the same pixels.

    Attributes
    ----------
    light : PieceLight
        Of the other decoding.
    pose : Pose
    strips : PieceSamples
        As decoded before.
    """

    light: PieceLight
    pose: Pose
    strips: PieceSamples

    def samples(self, strips: Sequence[Strip]) -> Samples:
        """Return strips with their pixels as the other decoding shows them."""
        return sample_strips(self.light, self.pose, strips, end_mm=END_MM)

    def edges(self, edges: WideEdges) -> WideEdges:
        """Return the same wide edges as the other decoding shows them."""
        return sampled_anew(self.light, self.pose, edges)


def levels_of(light: PieceLight, pose: Pose, piece: Piece) -> Light:
    """Return the linear light of plate and background in the middle of the piece."""
    middle = pose.to_pixels([[piece.width_mm / 2, piece.height_mm / 2]])[0]
    return Light(plate=float(light.plate(*middle)), background=float(light.background(*middle)))
