"""The virtual camera: a piece on a printed card, photographed from a stand. INVENTED DATA.

A pinhole with two terms of radial distortion looks down on the card. Borders are cut into short
stretches, projected one by one and then covered exactly, as in the scanner.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, box
from shapely.geometry.base import BaseGeometry

from sharpset.errors import RehearsalError
from sharpset.rehearsal import optics
from sharpset.rehearsal.coverage import Sides, area_coverage, sides_of
from sharpset.rehearsal.printed import PrintedPiece

__all__ = ["Camera", "CardPlace", "Photo", "marker_card", "photograph"]

Floats = NDArray[np.float64]
Image = NDArray[np.float32]
Card = Sequence[tuple[BaseGeometry, float]]

_STRETCH_MM = 0.4
_SLICE_PX = 1.5
_BAND_PX = 256


@dataclass(frozen=True, kw_only=True)
class Camera:
    """A camera on a stand above the card.

    Attributes
    ----------
    columns, rows : int
        Size of the picture in pixels.
    focal_px : float
        Focal length in pixels.
    distance_mm : float
        From the lens to the point that it looks at.
    look_at_mm : (x_mm, y_mm)
        That point, in the frame of the card.
    tilt_deg, towards_deg : float
        How far off the vertical the camera stands, and to which side (from +x of the card, counter-clockwise).
    roll_deg : float
        Turn of the camera about its own axis.
    k1, k2 : float
        Radial distortion: a direction at tangent r is seen at ``r (1 + k1 r^2 + k2 r^4)``.
    blur_px : float
        Standard deviation of the blur.
    vignette : float
        Loss of light in the corners of the picture.
    lamp_slope : float
        Rise of the light from left to right.
    electrons, read_noise : float
        See `Scanner`.
    """

    columns: int = 4000
    rows: int = 3000
    focal_px: float = 4200.0
    distance_mm: float = 180.0
    look_at_mm: tuple[float, float] = (40.0, 30.0)
    tilt_deg: float = 2.0
    towards_deg: float = 250.0
    roll_deg: float = 1.0
    k1: float = -0.06
    k2: float = 0.02
    blur_px: float = 0.9
    vignette: float = 0.12
    lamp_slope: float = 0.06
    electrons: float = 6000.0
    read_noise: float = 0.002

    def __post_init__(self) -> None:
        if self.columns < 16 or self.rows < 16:
            raise RehearsalError(f"virtual camera: {self.columns} x {self.rows} pixels; 16 or more are needed.")
        if not 0 <= self.tilt_deg <= 60:
            raise RehearsalError(f"virtual camera: tilt_deg must be 0 to 60, got {self.tilt_deg:g}.")
        if not (self.distance_mm > 0 and self.focal_px > 0):
            raise RehearsalError("virtual camera: distance_mm and focal_px must be positive.")

    def project(self, points_mm: Floats) -> Floats:
        """Return (column, row) of places above the card; whole numbers are pixel centres.

        Parameters
        ----------
        points_mm : ndarray of float, shape (n, 3)
            x right, y up on the card, z towards the camera.

        Returns
        -------
        ndarray of float, shape (n, 2)
        """
        seen = (points_mm - self._lens_mm()) @ self._turn().T
        flat = seen[:, :2] / seen[:, 2:]
        r2 = np.sum(flat**2, axis=1, keepdims=True)
        flat = flat * (1 + self.k1 * r2 + self.k2 * r2**2)
        middle = np.array([(self.columns - 1) / 2, (self.rows - 1) / 2])
        return np.asarray(flat * self.focal_px + middle, dtype=np.float64)

    def _lens_mm(self) -> Floats:
        tilt, side = math.radians(self.tilt_deg), math.radians(self.towards_deg)
        away = np.array([math.sin(tilt) * math.cos(side), math.sin(tilt) * math.sin(side), math.cos(tilt)])
        return np.array([*self.look_at_mm, 0.0]) + self.distance_mm * away

    def _turn(self) -> Floats:
        """Return the rotation from the card's axes to the camera's: x right, y down, z forward."""
        forward = np.array([*self.look_at_mm, 0.0]) - self._lens_mm()
        forward /= np.linalg.norm(forward)
        up = np.array([0.0, 1.0, 0.0])
        right = np.cross(forward, up)
        right /= np.linalg.norm(right)
        down = np.cross(forward, right)
        roll = math.radians(self.roll_deg)
        return np.array(
            [math.cos(roll) * right + math.sin(roll) * down, -math.sin(roll) * right + math.cos(roll) * down, forward]
        )


@dataclass(frozen=True, kw_only=True)
class CardPlace:
    """Where the piece lies on the card: its middle, its turn counter-clockwise, its upper face.

    Attributes
    ----------
    x_mm, y_mm : float
        In the frame of the card, y up.
    angle_deg : float
    mirror : bool
        The piece lies on its face: its underside is seen, mirrored.
    """

    x_mm: float
    y_mm: float
    angle_deg: float = 0.0
    mirror: bool = False

    def matrix(self, printed: PrintedPiece) -> Floats:
        """Return the affine map (2 x 3) from the piece frame to the card, both in mm."""
        turn = math.radians(self.angle_deg)
        cos, sin = math.cos(turn), math.sin(turn)
        flip = -1.0 if self.mirror else 1.0
        linear = np.array([[cos * flip, -sin], [sin * flip, cos]])
        middle = np.array([printed.piece.width_mm / 2, printed.piece.height_mm / 2])
        return np.column_stack((linear, np.array([self.x_mm, self.y_mm]) - linear @ middle))


@dataclass(frozen=True, kw_only=True)
class Photo:
    """One virtual photograph with its truth. INVENTED DATA.

    Attributes
    ----------
    image : ndarray of uint8, shape (rows, columns, 3)
        sRGB.
    camera : Camera
    printed : PrintedPiece
    place : CardPlace
    """

    image: NDArray[np.uint8]
    camera: Camera
    printed: PrintedPiece
    place: CardPlace

    def places_px(self, piece_mm: Floats, *, z_mm: float | None = None) -> Floats:
        """Return (column, row) of places in the piece frame, on its upper face or at another height."""
        m = self.place.matrix(self.printed)
        height = self.printed.piece.thickness_mm if z_mm is None else z_mm
        card = piece_mm @ m[:, :2].T + m[:, 2]
        return self.camera.project(np.column_stack((card, np.full(len(card), height))))

    def summary(self) -> str:
        """Return the photograph in one line."""
        rows, columns = self.image.shape[:2]
        return f"INVENTED photograph, {columns} x {rows} px, tilt {self.camera.tilt_deg:g} degrees"

    def write(self, path: Path | str, *, quality: int = 92) -> Path:
        """Write a JPEG as cameras do, with the note that it is invented.

        Raises
        ------
        RehearsalError
            For another suffix than .jpg or .jpeg.
        """
        from PIL import Image as Pictures

        path = Path(path)
        if path.suffix.lower() not in (".jpg", ".jpeg"):
            raise RehearsalError(f"{path}: a photograph is written as .jpg, got {path.suffix or 'no suffix'!r}.")
        path.parent.mkdir(parents=True, exist_ok=True)
        exif = Pictures.Exif()
        exif[270] = "INVENTED DATA: rendered by sharpset's rehearsal, no camera was involved"
        # A 35 mm picture is 43.27 mm across its diagonal (CIPA DC-004 definition, from memory).
        across = math.hypot(self.camera.columns, self.camera.rows)
        exif[0x8769] = {0xA001: 1, 0xA405: round(self.camera.focal_px * 43.27 / across)}
        Pictures.fromarray(self.image).save(path, quality=quality, exif=exif)
        return path


def marker_card(
    markers: Sequence[tuple[int, float, float]],
    *,
    marker_mm: float,
    window_mm: tuple[float, float],
    ground: float = 0.03,
    dictionary: str = "DICT_4X4_250",
) -> list[tuple[BaseGeometry, float]]:
    """Return the flat shapes of a card with square markers round a window, lowest first.

    Parameters
    ----------
    markers : sequence of (number, x_mm, y_mm)
        Centres; the window's lower-left corner is (0, 0).
    marker_mm : float
        Outer size.
    window_mm : (x_mm, y_mm)
    ground : float
        Reflectance inside the window.
    dictionary : str
        Of OpenCV's aruco module.
    """
    import cv2

    book = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary))
    modules = book.markerSize + 2
    side = marker_mm / modules
    black = []
    for number, x, y in markers:
        bits = cv2.aruco.generateImageMarker(book, number, modules, borderBits=1) < 128
        for r, c in np.argwhere(bits):
            left, top = x - marker_mm / 2 + c * side, y + marker_mm / 2 - r * side
            black.append(box(left, top - side, left + side, top))
    far = 4 * marker_mm
    paper = box(-far, -far, window_mm[0] + far, window_mm[1] + far)
    return [(paper, 0.82), (box(0, 0, *window_mm), ground), (MultiPolygon(black), 0.04)]


def photograph(
    printed: PrintedPiece,
    *,
    card: Card,
    place: CardPlace,
    camera: Camera | None = None,
    plastic: float = 0.5,
    seed: int = 0,
) -> Photo:
    """Photograph a piece on a card.

    Parameters
    ----------
    printed : PrintedPiece
    card : sequence of (polygons, reflectance)
        Lowest first, mm, x right, y up.
    place : CardPlace
    camera : Camera, optional
    plastic : float
        Reflectance of the upper face; walls are seen at six tenths of it.
    seed : int
        Draws the noise.

    Returns
    -------
    Photo
    """
    camera = camera or Camera()
    layers = [(_projected(sides_of(shape), camera, 0.0), reflectance) for shape, reflectance in card]
    m = place.matrix(printed)
    outline = printed.sides().map(m)
    heights = np.linspace(0.0, printed.piece.thickness_mm, _n_slices(outline, printed.piece.thickness_mm, camera))
    slices = [_projected(outline, camera, float(z)) for z in heights]
    light = _painted(layers, slices, camera=camera, plastic=plastic)
    rng = np.random.default_rng([seed, 30])
    x = np.linspace(-1, 1, camera.columns, dtype=np.float32)[None, :]
    y = np.linspace(-1, 1, camera.rows, dtype=np.float32)[:, None]
    light *= (1 - camera.vignette * (x**2 + y**2) / 2) * (1 + camera.lamp_slope * x / 2)
    channels = []
    for tint in (1.0, 0.99, 0.96):
        sd = np.sqrt(np.maximum(tint * light, 0) / camera.electrons + camera.read_noise**2)
        noisy = tint * light + sd * rng.standard_normal(light.shape, dtype=np.float32)
        channels.append(optics.encode(np.asarray(noisy, dtype=np.float32), bits=8, encoding="srgb"))
    image: NDArray[Any] = np.dstack(channels)
    return Photo(image=image, camera=camera, printed=printed, place=place)


def _n_slices(outline: Sides, thickness_mm: float, camera: Camera) -> int:
    """Return how many slices of the body make its walls whole: two neighbours lie `_SLICE_PX` apart at most."""
    flat = outline.ends[:, :2]
    low, high = (camera.project(np.column_stack((flat, np.full(len(flat), z)))) for z in (0.0, thickness_mm))
    return 1 + max(1, math.ceil(float(np.hypot(*(high - low).T).max()) / _SLICE_PX))


def _projected(sides: Sides, camera: Camera, z_mm: float) -> Sides:
    """Return sides on the card as pixel borders, long ones cut so that they may bend."""
    ends = sides.ends
    length = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
    n = np.maximum(np.ceil(length / _STRETCH_MM), 1).astype(np.intp)
    owner = np.repeat(np.arange(len(ends)), n)
    step = np.arange(len(owner)) - np.repeat(np.cumsum(n) - n, n)
    t0, t1 = (step / n[owner])[:, None], ((step + 1) / n[owner])[:, None]
    start, stop = ends[owner, :2], ends[owner, 2:]
    both = []
    for t in (t0, t1):
        flat = start + t * (stop - start)
        both.append(camera.project(np.column_stack((flat, np.full(len(flat), z_mm)))) + 0.5)
    # Rows count downwards, which turns every ring round.
    return Sides(np.hstack((both[1], both[0])))


def _painted(
    layers: Sequence[tuple[Sides, float]], slices: Sequence[Sides], *, camera: Camera, plastic: float
) -> Image:
    """Return linear light, blurred and sampled, band by band."""
    factor = int(np.clip(math.ceil(1.5 / max(camera.blur_px, 1e-6)), 1, 4))
    kernel = optics.blur_kernel(camera.blur_px * factor)
    margin = math.ceil(len(kernel) // 2 / factor) * factor
    fine_layers = [(Sides(sides.ends * factor), reflectance) for sides, reflectance in layers]
    fine_slices = [Sides(sides.ends * factor) for sides in slices]
    bands = []
    for top in range(0, camera.rows, _BAND_PX):
        rows = min(_BAND_PX, camera.rows - top)
        shape = (rows * factor + 2 * margin, camera.columns * factor)
        first = top * factor - margin
        light = np.full(shape, 0.25, dtype=np.float32)
        for sides, reflectance in fine_layers:
            window, cover = _cover(sides, shape, first)
            light[window] += cover * (np.float32(reflectance) - light[window])
        # The body is the union of its slices, the topmost is its face.
        body, face = np.zeros(shape, dtype=np.float32), np.zeros(shape, dtype=np.float32)
        for sides in fine_slices:
            window, cover = _cover(sides, shape, first)
            np.maximum(body[window], cover, out=body[window])
        face[window] = cover
        light *= 1 - body
        light += plastic * (face + 0.6 * (body - face))
        bands.append(optics.blur_and_reduce(light, across=kernel, along=kernel, factor=factor, rows=rows))
    return np.vstack(bands)


def _cover(sides: Sides, shape: tuple[int, int], first_row: int) -> tuple[tuple[slice, slice], Image]:
    """Return the covered shares, 0 to 1, in the smallest window of a band that holds the sides."""
    points = sides.ends.reshape(-1, 2)
    left, low = np.floor(points.min(axis=0)).astype(int)
    right, high = np.ceil(points.max(axis=0)).astype(int)
    left, right = int(np.clip(left, 0, shape[1])), int(np.clip(right, 0, shape[1]))
    low, high = (int(np.clip(edge - first_row, 0, shape[0])) for edge in (low, high))
    window = (slice(low, high), slice(left, right))
    if low >= high or left >= right:
        return window, np.zeros((max(high - low, 0), max(right - left, 0)), dtype=np.float32)
    moved = Sides(sides.ends - np.array([left, 0.0, left, 0.0]))
    cover = area_coverage(moved, shape=(high - low, right - left), first_row=first_row + low)
    return window, np.clip(cover, 0, 1).astype(np.float32)
