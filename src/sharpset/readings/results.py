"""What was read from a scan: one table a piece, and the values that hold for the whole piece."""

from __future__ import annotations

import html
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.readings.checks.check_wire import CheckReading
from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.quantity import Quantity
from sharpset.readings.shade.shading import Shade
from sharpset.readings.uncertainty.feature_budget import FeatureBudget, budget_of
from sharpset.scans import Pose, ScanScale
from sharpset.scans.scan import file_sha256

if TYPE_CHECKING:
    from sharpset.readings.edge_quality.quality import EdgeQuality

__all__ = ["READING_COLUMNS", "PieceReading", "ScanReading", "count_found", "is_refused"]

READING_COLUMNS = (
    *("scan_id", "piece_id", "run_id", "feature_id", "kind", "nominal_mm", "angle_deg", "formed"),
    *("measured_mm", "U95_mm", "deviation_mm", "x_dev_mm", "y_dev_mm", "edge_roughness_mm", "flags"),
    *("confidence", "share", "x_mm", "y_mm", "length_mm", "group"),
    *("u_private_mm", "u_common_mm"),
)
"""Columns of a table of readings: those of the file contract first, then additions."""


def is_refused(table: pd.DataFrame) -> NDArray[np.bool_]:
    """Return which rows of a table of readings were refused: they have no size, and `refusals` tells what they say.

    Parameters
    ----------
    table : pandas.DataFrame
        A row a feature; a table without ``flags`` refuses nothing.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    if "flags" not in table.columns:
        return np.zeros(len(table), dtype=bool)
    return np.asarray(table["flags"].fillna("").astype(str).str.contains("refused").to_numpy(dtype=bool))


def count_found(table: pd.DataFrame) -> dict[str, int]:
    """Return how many features were found 'yes', 'partly' and 'no', and how many were 'refused'."""
    refused = is_refused(table)
    words = table["formed"].to_numpy()[~refused]
    return {**{word: int((words == word).sum()) for word in ("yes", "partly", "no")}, "refused": int(refused.sum())}


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PieceReading:
    """Everything that was read from one piece in one scan.

    Attributes
    ----------
    scan_id, piece_id, run_id : str
    pose : Pose
        Maps the piece frame (mm) to the picture.
    table : pandas.DataFrame
        Columns `READING_COLUMNS`, a row a feature.
    quantities : dict of str to Quantity
        growth_solid_mm, growth_slot_mm, growth_hole_mm (per side; positive where material has
        grown), scale_x, scale_y, skew_deg, corner_radius_mm, roughness_sd_mm, roughness_correlation_mm,
        roughness_peak_period_mm, mtf50_x, mtf50_y, mtf10_x, mtf10_y (cycles per mm).
    edge_spread : EdgeSpread
    contrast_to_noise : float
    registration_px : float
        Spread of the features' places about the pose, pixels.
    remarks : tuple of str
    contributions : pandas.DataFrame
        The lines of every reading's budget: ``feature_id, line, u_mm, shared, sign``.
    shade : Shade or None
        What the scan tells of shade at walls.
    quality : EdgeQuality or None
        Roughness of the edges with its spectrum, frequency response of the scan.
    """

    scan_id: str
    piece_id: str
    run_id: str
    pose: Pose
    table: pd.DataFrame
    quantities: dict[str, Quantity]
    edge_spread: EdgeSpread
    contrast_to_noise: float
    registration_px: float
    remarks: tuple[str, ...]
    contributions: pd.DataFrame
    shade: Shade | None = None
    quality: EdgeQuality | None = None

    def budget(self, feature_id: str) -> FeatureBudget:
        """Return the uncertainty of one reading by its causes.

        Raises
        ------
        ReadingError
            If the piece has no such feature, or nothing formed there.
        """
        return budget_of(self.table, self.contributions, feature_id)

    def value(self, name: str) -> float:
        """Return a quantity's value by name."""
        return self.quantities[name].value

    def summary(self) -> str:
        """Return the reading in one line."""
        counts = count_found(self.table)
        refused = counts.pop("refused")
        formed = ", ".join([f"{n} {word}" for word, n in counts.items()] + [f"{refused} refused"] * (refused > 0))
        return f"{self.scan_id}, run {self.run_id or '?'}: formed {formed}; {self.edge_spread.summary()}"

    def to_frame(self) -> pd.DataFrame:
        """Return the table of features."""
        return self.table

    def to_row(self) -> dict[str, Any]:
        """Return the values of the whole piece as one flat row."""
        row: dict[str, Any] = {"scan_id": self.scan_id, "piece_id": self.piece_id, "run_id": self.run_id}
        for name, quantity in self.quantities.items():
            row[name] = quantity.value
            row[f"U95_{name}"] = quantity.U95
        row["mirrored"] = self.pose.mirrored
        row["angle_deg"] = self.pose.angle_deg
        row["edge_spread_x_mm"] = self.edge_spread.sigma_x_mm
        row["edge_spread_y_mm"] = self.edge_spread.sigma_y_mm
        row["contrast_to_noise"] = self.contrast_to_noise
        row["registration_px"] = self.registration_px
        row["remarks"] = "; ".join(self.remarks)
        return row

    def _repr_html_(self) -> str:
        lines = [self.summary(), *(q.summary() for q in self.quantities.values()), *self.remarks]
        return "<br>".join(html.escape(line) for line in lines)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class ScanReading:
    """All pieces read from one scan.

    Attributes
    ----------
    scan_id : str
    path : Path
        Of the first one where several scans were put together.
    pieces : tuple of PieceReading
    remarks : tuple of str
        Where the scale comes from, among others.
    scale : ScanScale or None
        None where several scans were put together.
    check : CheckReading or None
        What a wire of known size read, where one was asked for.
    """

    scan_id: str
    path: Path
    pieces: tuple[PieceReading, ...]
    remarks: tuple[str, ...]
    scale: ScanScale | None = None
    check: CheckReading | None = None

    @property
    def sha256(self) -> str:
        """SHA-256 of the file, hexadecimal; taken when asked for, as it reads the whole file.

        Raises
        ------
        ScanError
            If the file is not there any more.
        """
        return file_sha256(self.path)

    def summary(self) -> str:
        """Return the scan in one line."""
        runs = ", ".join(piece.run_id or "?" for piece in self.pieces)
        return f"{self.path.name}: {len(self.pieces)} piece(s), run {runs}"

    def to_frame(self) -> pd.DataFrame:
        """Return the readings of all pieces in one table."""
        return pd.concat([piece.table for piece in self.pieces], ignore_index=True)

    def _repr_html_(self) -> str:
        return "<br>".join(html.escape(piece.summary()) for piece in self.pieces)
