"""The virtual flatbed scanner.

INVENTED DATA: pictures are rendered from virtual prints. Areas are exact, light is blurred before it
is sampled, and everything that a maker cannot control (dust, fall-off, noise) is drawn at random.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import RehearsalError
from sharpset.rehearsal.coverage import Sides
from sharpset.rehearsal.printed import PrintedPiece
from sharpset.rehearsal.references import Reference

__all__ = ["CLEAN", "Placement", "Scan", "Scanner", "Scene", "place_side_by_side"]

Floats = NDArray[np.float64]
MM_PER_INCH = 25.4


@dataclass(frozen=True, kw_only=True)
class Scanner:
    """The instrument and how its file is written.

    Attributes
    ----------
    dpi : float
        Pixels per inch that the file states.
    blur_mm : float
        Standard deviation of the optical blur, before the pixels average.
    motion_mm : float
        Length over which the carriage smears along the rows' travel (down the picture).
    halo_share, halo_mm : float
        Share of light that strays and how far.
    falloff, tilt : float
        Loss of light at the left and right border; rise from top to bottom.
    shadow_mm, shadow_depth : float
        Width of the band beside walls that the one-sided lamp leaves half dark (below an edge, down
        the picture), and how much of the light is missing there. It only shows on a light background.
    electrons : float
        Electrons that make white, per pixel; they give the shot noise.
    read_noise : float
        Noise without light, as a share of white.
    scale_x, scale_y : float
        True pixels per stated pixel across and along; 1 for a perfect scanner.
    wobble_mm, wobble_period_mm : float
        Periodic error of the carriage: amplitude and period.
    channel_shift_px : float
        Shift of red up and blue down against green along the travel (RGB only).
    bits : {8, 16}
    colour : {'grey', 'rgb'}
    encoding : {'srgb', 'linear'}
    """

    dpi: float = 1200.0
    blur_mm: float = 0.013
    motion_mm: float = 0.0
    halo_share: float = 0.012
    halo_mm: float = 0.8
    falloff: float = 0.05
    tilt: float = 0.02
    shadow_mm: float = 0.0
    shadow_depth: float = 0.5
    electrons: float = 12000.0
    read_noise: float = 0.0015
    scale_x: float = 1.0
    scale_y: float = 1.0
    wobble_mm: float = 0.0
    wobble_period_mm: float = 12.0
    channel_shift_px: float = 0.0
    bits: Literal[8, 16] = 8
    colour: Literal["grey", "rgb"] = "grey"
    encoding: Literal["srgb", "linear"] = "srgb"

    def __post_init__(self) -> None:
        if not 50 <= self.dpi <= 9600:
            raise RehearsalError(f"virtual scanner: dpi must be 50 to 9600, got {self.dpi:g}.")
        _choice("bits", self.bits, (8, 16))
        _choice("colour", self.colour, ("grey", "rgb"))
        _choice("encoding", self.encoding, ("srgb", "linear"))

    @property
    def px_mm(self) -> float:
        """Side of a pixel by the stated resolution."""
        return MM_PER_INCH / self.dpi


def _choice(name: str, value: object, known: Sequence[object]) -> None:
    if value not in known:
        raise RehearsalError(f"virtual scanner: {name} must be one of {', '.join(map(str, known))}, got {value!r}.")


@dataclass(frozen=True, kw_only=True)
class Scene:
    """What lies on the glass.

    Attributes
    ----------
    plastic, background : float
        Reflectance, 0 to 1: light grey plastic on black card unless said otherwise.
    tint : (red, green, blue)
        Colour of the plastic relative to grey (RGB only).
    texture : float
        Depth of bead lines or grain on the printed face.
    seam_depth : float
        How much darker the seam of a closed slot is.
    dust_per_cm2 : float
    fibres, scratches : int
        How many on the whole picture.
    margin_mm : float
        Glass around the pieces.
    references : tuple of Reference
        Things of known size beside the pieces.
    """

    plastic: float = 0.55
    background: float = 0.025
    tint: tuple[float, float, float] = (1.0, 0.97, 0.90)
    texture: float = 0.05
    seam_depth: float = 0.16
    dust_per_cm2: float = 1.5
    fibres: int = 3
    scratches: int = 1
    margin_mm: float = 4.0
    references: tuple[Reference, ...] = ()


CLEAN = Scene(texture=0.0, seam_depth=0.0, dust_per_cm2=0.0, fibres=0, scratches=0)
"""A spotless glass and a smooth print."""


@dataclass(frozen=True, kw_only=True)
class Placement:
    """Where a piece lies: middle of the piece in mm from the picture's upper-left corner, y down.

    Attributes
    ----------
    x_mm, y_mm : float
    angle_deg : float
        Turn of the piece, counter-clockwise as seen in the picture.
    mirror : bool
        The piece lies with its underside on the glass and shows mirrored.
    """

    x_mm: float
    y_mm: float
    angle_deg: float = 0.0
    mirror: bool = False

    def matrix(self, printed: PrintedPiece) -> Floats:
        """Return the affine map (2 x 3) from the piece frame to the glass, both in mm."""
        turn = math.radians(self.angle_deg)
        cos, sin = math.cos(turn), math.sin(turn)
        flip = -1.0 if self.mirror else 1.0
        linear = np.array([[cos * flip, -sin], [-sin * flip, -cos]])
        middle = np.array([printed.piece.width_mm / 2, printed.piece.height_mm / 2])
        return np.column_stack((linear, np.array([self.x_mm, self.y_mm]) - linear @ middle))


@dataclass(frozen=True, kw_only=True)
class Scan:
    """One virtual scan with its truth. INVENTED DATA.

    Attributes
    ----------
    image : ndarray of uint8 or uint16, shape (rows, columns) or (rows, columns, 3)
    scanner : Scanner
    scene : Scene
    prints : tuple of PrintedPiece
    placements : tuple of Placement
    seed : int
    """

    image: NDArray[Any]
    scanner: Scanner
    scene: Scene
    prints: tuple[PrintedPiece, ...]
    placements: tuple[Placement, ...]
    seed: int

    def pose(self, k: int = 0) -> Floats:
        """Return the affine map (2 x 3) from the frame of piece `k` (mm) to (column, row) in pixels.

        Whole numbers are pixel centres. The periodic error of the carriage is not in it.
        """
        glass = np.vstack((self.placements[k].matrix(self.prints[k]), [0, 0, 1]))
        return np.asarray(self._to_pixels() @ glass, dtype=np.float64)

    def places_px(self, glass_mm: Floats) -> Floats:
        """Return (column, row) of places on the glass, the carriage's periodic error included.

        Parameters
        ----------
        glass_mm : ndarray of float, shape (n, 2)
            mm from the picture's upper-left corner, x right, y down.
        """
        ends = np.hstack((glass_mm, glass_mm))
        return to_pixel_borders(Sides(ends), self.scanner).ends[:, :2] - 0.5

    def _to_pixels(self) -> Floats:
        px = self.scanner.px_mm
        return np.array([[self.scanner.scale_x / px, 0, -0.5], [0, self.scanner.scale_y / px, -0.5]])

    def truth(self) -> pd.DataFrame:
        """Return the truth of every piece in the scan, with the place of each feature in the picture.

        Returns
        -------
        pandas.DataFrame
            Columns of `TRUTH_COLUMNS` and `piece_in_scan, column_px, row_px, scan_angle_deg, mirror`.
        """
        tables = []
        for k, (printed, placement) in enumerate(zip(self.prints, self.placements, strict=True)):
            table = printed.truth.copy()
            features = printed.piece.features
            # A feature that never formed has its place by the drawing.
            x = table["x_mm"].fillna(features["x_mm"].reset_index(drop=True))
            y = table["y_mm"].fillna(features["y_mm"].reset_index(drop=True))
            table["piece_in_scan"] = k
            matrix = placement.matrix(printed)
            glass = np.column_stack((x, y)) @ matrix[:, :2].T + matrix[:, 2]
            table["column_px"], table["row_px"] = self.places_px(glass).T
            table["scan_angle_deg"] = placement.angle_deg
            table["mirror"] = placement.mirror
            tables.append(table)
        return pd.concat(tables, ignore_index=True)

    def summary(self) -> str:
        """Return the scan in one line."""
        rows, columns = self.image.shape[:2]
        return (
            f"INVENTED scan of {len(self.prints)} piece(s): {columns} x {rows} px at {self.scanner.dpi:g} dpi, "
            f"{self.scanner.bits} bit {self.scanner.colour}, {self.scanner.encoding}"
        )


def place_side_by_side(
    prints: Sequence[PrintedPiece],
    *,
    angles_deg: Sequence[float],
    mirrors: Sequence[bool],
    margin_mm: float = 4.0,
    columns: int | None = None,
) -> list[Placement]:
    """Lay pieces in rows on the glass without touching.

    Parameters
    ----------
    prints : sequence of PrintedPiece
    angles_deg, mirrors : sequences, one each per print
    margin_mm : float
        Between pieces and to the border.
    columns : int, optional
        Pieces per row; about a square without it.
    """
    n = len(prints)
    columns = columns or math.ceil(math.sqrt(n))
    sizes = []
    for printed, angle in zip(prints, angles_deg, strict=True):
        cos, sin = abs(math.cos(math.radians(angle))), abs(math.sin(math.radians(angle)))
        w, h = printed.piece.width_mm + 0.2, printed.piece.height_mm + 0.2
        sizes.append((w * cos + h * sin, w * sin + h * cos))
    out = []
    y = margin_mm
    for start in range(0, n, columns):
        row = sizes[start : start + columns]
        height = max(h for _, h in row)
        x = margin_mm
        for k, (w, _) in enumerate(row, start):
            out.append(Placement(x_mm=x + w / 2, y_mm=y + height / 2, angle_deg=angles_deg[k], mirror=bool(mirrors[k])))
            x += w + margin_mm
        y += height + margin_mm
    return out


def glass_sides(printed: PrintedPiece, placement: Placement, scanner: Scanner) -> Sides:
    """Return the borders of a print on the glass in pixel-border coordinates of the true picture."""
    sides = printed.sides().map(placement.matrix(printed))
    return to_pixel_borders(sides, scanner)


def to_pixel_borders(sides: Sides, scanner: Scanner) -> Sides:
    """Turn millimetres on the glass into pixel borders, the carriage's errors included."""
    ends = sides.ends.copy()
    if scanner.wobble_mm:
        turn = 2 * math.pi / scanner.wobble_period_mm
        ends[:, [1, 3]] += scanner.wobble_mm * np.sin(turn * ends[:, [1, 3]])
    ends[:, [0, 2]] *= scanner.scale_x / scanner.px_mm
    ends[:, [1, 3]] *= scanner.scale_y / scanner.px_mm
    return Sides(ends)
