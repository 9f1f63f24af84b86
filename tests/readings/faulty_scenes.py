"""Printed pieces scanned with every fault drawn at random, their truth known by construction.

Areas are exact, everything else (blur, halo, carriage smear, shade, texture, dust) is written for these pictures alone
and shares no code with the package, which only lends the drawing of the piece.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import shapely
from PIL import Image, PngImagePlugin
from shapely import affinity
from shapely.geometry import Point, Polygon
from shapely.ops import unary_union

from sharpset.pieces import Piece

FIXED = ("marks", "scale-x", "scale-y", "round", "square")
U_SCALE, MOST_GAMMA = 0.002, 0.1 / 2.2
"""Standard deviation of a scanner's scale (each axis) and largest relative error of its transfer exponent."""
_LIT_STEPS = 5


@dataclass(frozen=True, kw_only=True)
class Print:
    """A printed piece: its solid (mm) and the true size of every feature on the plate."""

    piece: Piece
    solid: shapely.Geometry
    truth: pd.DataFrame
    rough_mm: float


@dataclass(frozen=True, kw_only=True)
class Scanner:
    """A scanner's own faults, the same in all its scans."""

    dpi: float
    blur_px: float
    smear_px: float
    halo: float
    halo_ratio: float
    noise: float
    shot: float
    scale_x: float
    scale_y: float
    gamma: float
    shade_mm: float
    shade_depth: float
    shade_row: int
    illumination: float
    lit: float = 0.0
    lit_mm: float = 0.0
    defocus_px: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Scan:
    """What differs from scan to scan."""

    angle_deg: float
    mirror: bool
    plate: float
    background: float
    texture: float
    texture_px: float
    dust: int
    fibres: int
    encoding: str
    jpeg: int
    seed: int


def draw_print(piece: Piece, rng: np.random.Generator, *, missing: float = 0.03) -> Print:
    """Print a piece: growth, jitter, shrinkage and rough edges drawn at random."""
    growth, jitter = rng.uniform(-0.01, 0.035), 0.004
    scale = rng.uniform(0.992, 1.003, 2)
    rough = 0.0 if rng.random() < 0.4 else rng.uniform(0.001, 0.006)
    length = rng.uniform(0.02, 0.12)
    rows, voids, cleared, bars = [], [], [], []
    for f in piece.features.itertuples():
        sign = 1 if f.kind == "bar" else -1
        width = f.nominal_mm + sign * 2 * growth + rng.normal(0, jitter)
        gone = f.group not in FIXED and (rng.random() < missing or width < 0.05)
        shape, size = _shape(f, width, growth, rough, length, scale, rng)
        rows.append((f.feature_id, f.kind, np.nan if gone else size))
        if f.kind == "bar":
            room = _strip(f, np.full(2, (f.nominal_mm + 0.5) / 2), np.full(2, (f.nominal_mm + 0.5) / 2), -2 * growth)
            cleared.append(room)
        if not gone:
            (bars if f.kind == "bar" else voids).append(shape)
    gaps = [opening.buffer(-growth, join_style="mitre") for opening in piece.openings]
    cells = [Point(c).buffer(piece.code.cell_diameter_mm / 2 - growth) for c in piece.code.open_cells_mm()]
    windows = unary_union([*gaps, *cleared]).difference(unary_union(bars))
    solid = piece.outline.buffer(growth, join_style="mitre").difference(unary_union([windows, *voids, *cells]))
    solid = affinity.affine_transform(solid, [scale[0], 0, 0, scale[1], 0, 0])
    truth = pd.DataFrame(rows, columns=["feature_id", "kind", "true_mm"])
    return Print(piece=piece, solid=solid, truth=truth, rough_mm=rough)


def _shape(f, width, growth, rough, length_mm, scale, rng) -> tuple[Polygon, float]:
    """Return the outline of a printed feature and its true size on the plate."""
    if f.kind == "hole":
        n = 180
        radius = width / 2 + _wander(n, np.pi * f.nominal_mm / n, rough, length_mm, rng)
        angle = np.arange(n) / n * 2 * np.pi
        shape = Polygon(np.column_stack((f.x_mm + radius * np.cos(angle), f.y_mm + radius * np.sin(angle))))
        return shape, 2 * np.sqrt(shape.area / np.pi * scale.prod())
    if f.kind == "square":
        half = np.full(2, width / 2)
        return _strip(f, half, half, width - f.nominal_mm, long=f.nominal_mm), width * np.sqrt(scale.prod())
    n = max(int(f.length_mm / 0.008), 8)
    low, high = (width / 2 + _wander(n, f.length_mm / n, rough, length_mm, rng) for _ in range(2))
    size = float(np.mean(np.maximum(low + high, 0.0)))
    turn = np.radians(f.angle_deg)
    stretch = 1 / np.hypot(np.sin(turn) / scale[0], np.cos(turn) / scale[1])
    return _strip(f, low, high, 0.0 if f.kind == "bar" else -2 * growth), size * stretch


def _strip(f, low, high, longer: float, *, long: float | None = None) -> Polygon:
    """Return a rectangle whose two long sides lie at -low and +high from its middle line."""
    length = (f.length_mm if long is None else long) + longer
    along = np.linspace(-length / 2, length / 2, len(low))
    points = np.vstack((np.column_stack((along, -low)), np.column_stack((along, high))[::-1]))
    turn = np.radians(0.0 if f.kind == "square" else f.angle_deg)
    matrix = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    return Polygon(points @ matrix + [f.x_mm, f.y_mm])


def _wander(n: int, step_mm: float, rough: float, length_mm: float, rng: np.random.Generator) -> np.ndarray:
    """Return a normal process of given standard deviation and Gaussian correlation, periodic over n steps."""
    if rough == 0:
        return np.zeros(n)
    frequency = np.fft.rfftfreq(n, step_mm)
    white = np.fft.rfft(rng.normal(size=n)) * np.exp(-((np.pi * frequency * length_mm) ** 2) / 2)
    wave = np.fft.irfft(white, n)
    power = np.exp(-((np.pi * np.fft.fftfreq(n, step_mm) * length_mm) ** 2))
    return rough * wave / np.sqrt(power.mean())


def draw_scanner(rng: np.random.Generator, *, dpi: float | None = None, lit: float = 0.0) -> Scanner:
    """Draw a scanner; shares and ranges are the stated distributions of the faults, `lit` the chance of lit walls."""
    # Of a stream of its own, so that all other draws stay as they are.
    own = rng.spawn(1)[0]
    walls = {"lit": own.uniform(0.05, 0.4), "lit_mm": own.uniform(0.005, 0.03)} if own.random() < lit else {}
    halo_kind = rng.random()
    dpi = dpi or float(rng.choice([600.0, 1200.0, 2400.0], p=[0.35, 0.5, 0.15]))
    return Scanner(
        dpi=dpi,
        blur_px=rng.uniform(0.6, 1.8) if dpi < 2000 else rng.uniform(1.4, 2.6),
        smear_px=rng.uniform(0.0, 1.5) if rng.random() < 0.5 else 0.0,
        halo=rng.uniform(0.03, 0.15) if halo_kind < 0.3 else -rng.uniform(0.03, 0.15) if halo_kind > 0.85 else 0.0,
        halo_ratio=rng.uniform(2.0, 5.0),
        noise=rng.uniform(0.002, 0.012),
        shot=rng.uniform(0.0, 0.01),
        scale_x=1 + rng.normal(0, U_SCALE),
        scale_y=1 + rng.normal(0, U_SCALE),
        gamma=1 + rng.uniform(-MOST_GAMMA, MOST_GAMMA),
        shade_mm=rng.uniform(0.0, 0.025) if rng.random() < 0.5 else 0.0,
        shade_depth=rng.uniform(0.35, 0.65),
        shade_row=int(rng.choice([-1, 1])),
        illumination=rng.uniform(0.0, 0.25),
        **walls,
    )


def draw_scan(rng: np.random.Generator, *, angle_deg: float | None = None) -> Scan:
    """Draw a placement on the glass, the plastic's looks, dirt and the file's kind."""
    kind = rng.random()
    low = rng.random() < 0.25
    bright = rng.uniform(0.3, 0.85)
    dark = bright - rng.uniform(0.12, 0.25) if low else bright * rng.uniform(0.05, 0.5)
    plate, background = (bright, dark) if rng.random() < 0.7 else (dark, bright)
    return Scan(
        angle_deg=rng.uniform(0, 360) if angle_deg is None else angle_deg,
        mirror=bool(rng.random() < 0.5),
        plate=plate,
        background=background,
        texture=rng.uniform(0.002, 0.02) if rng.random() < 0.5 else 0.0,
        texture_px=rng.uniform(0.7, 2.5),
        dust=int(rng.integers(50, 500)) if rng.random() < 0.4 else 0,
        fibres=int(rng.integers(1, 8)) if rng.random() < 0.3 else 0,
        encoding="sRGB" if kind < 0.7 else "linear" if kind < 0.85 else "gamma 2.2",
        jpeg=int(rng.integers(60, 96)) if kind < 0.35 else 0,
        seed=int(rng.integers(2**31)),
    )


def srgb_stored(light: np.ndarray) -> np.ndarray:
    """Return what sRGB stores light as (IEC 61966-2-1), both from 0 to 1."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


def write_scan(printed: Print, scanner: Scanner, scan: Scan, stem: Path) -> Path:
    """Scan a print into a PNG, JPEG or TIFF file."""
    light = _light(printed, scanner, scan)
    return _write(light, scanner, scan, stem)


def _light(printed: Print, scanner: Scanner, scan: Scan) -> np.ndarray:
    rng = np.random.default_rng(scan.seed)
    turn = np.radians(scan.angle_deg)
    # The picture's rows run downwards; the scanner's true pitch differs from the one that its files state.
    matrix = np.array([[np.cos(turn), np.sin(turn)], [np.sin(turn), -np.cos(turn)]])
    if scan.mirror:
        matrix = matrix @ np.diag([-1, 1])
    # A blur of 1.4 pixels and more needs no finer grid: areas are exact.
    fine = 2 if scanner.blur_px < 1.4 else 1
    pitch = 25.4 / scanner.dpi / np.array([scanner.scale_x, scanner.scale_y]) / fine
    matrix = matrix / pitch[:, None]
    points = shapely.get_coordinates(printed.solid) @ matrix.T
    margin = 2.5 / pitch
    origin = margin - points.min(axis=0) + rng.random(2) * fine
    columns, rows = (np.ceil((np.ptp(points, axis=0) + 2 * margin) / fine) * fine).astype(int)
    solid = covered_share(printed.solid, matrix, origin, (rows, columns))
    light = scan.background + (scan.plate - scan.background) * solid
    if scanner.shade_mm > 0:
        step = np.array([0, scanner.shade_row * scanner.shade_mm / pitch[1]])
        moved = covered_share(printed.solid, matrix, origin + step, (rows, columns))
        # Light is lost where the bright side lies within the band of an edge that faces away from the lamp.
        band = np.maximum(moved - solid, 0) if scan.plate < scan.background else np.maximum(solid - moved, 0)
        light -= np.float32(scanner.shade_depth * abs(scan.plate - scan.background)) * band
    if scanner.lit > 0 and scan.plate > scan.background:
        # Walls of bright plastic show in openings beside all edges, the fainter the deeper they lie.
        for k in range(_LIT_STEPS):
            wider = printed.solid.buffer((k + 0.5) / _LIT_STEPS * scanner.lit_mm, quad_segs=2)
            seen = np.maximum(covered_share(wider, matrix, origin, (rows, columns)) - solid, 0)
            light += np.float32(scanner.lit * (scan.plate - scan.background) / _LIT_STEPS) * seen
    if scan.texture > 0:
        grain = cv2.GaussianBlur(
            rng.normal(size=(rows // fine, columns // fine)).astype(np.float32), (0, 0), scan.texture_px
        )
        grain *= np.float32(scan.texture / max(float(grain.std()), 1e-9))
        light += solid * np.repeat(np.repeat(grain, fine, 0), fine, 1)
    light = _blurred(light, scanner, fine)
    light = light.reshape(rows // fine, fine, columns // fine, fine).mean((1, 3))
    height, width = light.shape
    y, x = np.mgrid[0:height, 0:width].astype(np.float32) / max(height, width)
    slope, bend = rng.normal(size=2), rng.normal(size=2)
    fall = slope[0] * x + slope[1] * y + bend[0] * (x - 0.5) ** 2 + bend[1] * (y - 0.5) ** 2
    light *= np.float32(1) - np.float32(scanner.illumination) * (fall - fall.min()) / np.float32(np.ptp(fall))
    _dirt(light, scan, rng)
    level = max(scan.plate, scan.background)
    spread = np.hypot(scanner.noise, scanner.shot * np.sqrt(np.clip(light, 0, None) / level)).astype(np.float32)
    return light + spread * rng.normal(size=light.shape).astype(np.float32)


def _blurred(light: np.ndarray, scanner: Scanner, fine: int) -> np.ndarray:
    sigma = scanner.blur_px * fine
    core = cv2.GaussianBlur(light, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
    if scanner.halo:
        wide = cv2.GaussianBlur(light, (0, 0), sigma * scanner.halo_ratio, borderType=cv2.BORDER_REPLICATE)
        core = np.float32(1 - scanner.halo) * core + np.float32(scanner.halo) * wide
    if scanner.defocus_px:
        radius = scanner.defocus_px * fine
        at = (np.arange(-4 * int(radius + 2), 4 * int(radius + 2) + 1) + 0.5) / 4
        disc = (np.hypot(at[:-1, None], at[None, :-1]) < radius).astype(np.float32)
        disc = disc.reshape(len(disc) // 4, 4, -1, 4).mean((1, 3))
        core = cv2.filter2D(core, -1, disc / disc.sum(), borderType=cv2.BORDER_REPLICATE)
    length = scanner.smear_px * fine
    if length > 0:
        reach = int(np.ceil(length / 2 + 0.5))
        at = np.arange(-reach, reach + 1)
        kernel = np.clip(np.minimum(at + 0.5, length / 2) - np.maximum(at - 0.5, -length / 2), 0, None)
        core = cv2.filter2D(
            core, -1, (kernel / kernel.sum()).astype(np.float32)[:, None], borderType=cv2.BORDER_REPLICATE
        )
    return core


def _dirt(light: np.ndarray, scan: Scan, rng: np.random.Generator) -> None:
    height, width = light.shape
    for _ in range(scan.dust):
        x, y, radius = rng.random() * width, rng.random() * height, rng.uniform(0.5, 3.5)
        top, left = int(max(y - 12, 0)), int(max(x - 12, 0))
        part = light[top : int(y + 13), left : int(x + 13)]
        rows, columns = np.indices(part.shape)
        share = np.exp(-((columns + left - x) ** 2 + (rows + top - y) ** 2) / (2 * radius**2)) * rng.uniform(0.2, 1)
        part += (share * (rng.uniform(0, 1) - part)).astype(np.float32)
    if scan.fibres:
        mask = np.zeros(light.shape, np.uint8)
        for _ in range(scan.fibres):
            path = np.cumsum(rng.normal(0, 25, (8, 2)), axis=0) + rng.random(2) * [width, height]
            cv2.polylines(
                mask, [np.round(path * 8).astype(np.int32)], False, 255, int(rng.integers(1, 3)), cv2.LINE_AA, 3
            )
        share = cv2.GaussianBlur(mask, (0, 0), 1.0).astype(np.float32) / 255
        light += share * (np.float32(rng.uniform(0, 1)) - light)


def _write(light: np.ndarray, scanner: Scanner, scan: Scan, stem: Path) -> Path:
    light = np.clip(light, 0, 1) ** scanner.gamma
    dpi = (scanner.dpi, scanner.dpi)
    if scan.encoding == "linear":
        path = stem.with_suffix(".tif")
        Image.fromarray(np.round(light * 65535).astype(np.uint16)).save(path, dpi=dpi)
        return path
    if scan.encoding == "sRGB":
        stored = srgb_stored(light)
    else:
        stored = light ** (1 / 2.2)
    picture = Image.fromarray(np.round(stored * 255).astype(np.uint8))
    if scan.jpeg:
        path = stem.with_suffix(".jpg")
        picture.save(path, dpi=dpi, quality=scan.jpeg)
        return path
    path = stem.with_suffix(".png")
    information = PngImagePlugin.PngInfo()
    if scan.encoding != "sRGB":
        information.add(b"gAMA", round(100000 / 2.2).to_bytes(4, "big"))
    picture.save(path, dpi=dpi, pnginfo=information, compress_level=1)
    return path


def covered_share(solid, matrix, origin, shape) -> np.ndarray:
    """Return the exact share of every pixel that a polygon covers, by Green's theorem pixel by pixel.

    Every side is cut where it crosses a row or column of the grid; a cut piece takes its rise times the
    room to its right from its own pixel and its whole rise from all pixels further right.
    """
    parts = shapely.orient_polygons(shapely.get_parts(solid))
    rings = [ring for part in parts for ring in (part.exterior, *part.interiors)]
    starts, stops = [], []
    for ring in rings:
        points = shapely.get_coordinates(ring) @ matrix.T + origin
        starts.append(points[:-1])
        stops.append(points[1:])
    a, b = np.vstack(starts), np.vstack(stops)
    owner, cut = [np.arange(len(a))] * 2, [np.zeros(len(a)), np.ones(len(a))]
    for axis in (0, 1):
        low, high = np.minimum(a[:, axis], b[:, axis]), np.maximum(a[:, axis], b[:, axis])
        first, count = np.floor(low) + 1, np.maximum(np.ceil(high) - np.floor(low) - 1, 0).astype(int)
        who = np.repeat(np.arange(len(a)), count)
        line = first[who] + np.arange(len(who)) - np.repeat(np.cumsum(count) - count, count)
        owner.append(who)
        cut.append((line - a[who, axis]) / (b[who, axis] - a[who, axis]))
    who, t = np.concatenate(owner), np.concatenate(cut)
    order = np.lexsort((t, who))
    who, t = who[order], t[order]
    same = who[1:] == who[:-1]
    who, t0, t1 = who[1:][same], t[:-1][same], t[1:][same]
    p, q = a[who] + t0[:, None] * (b - a)[who], a[who] + t1[:, None] * (b - a)[who]
    middle, rise = (p + q) / 2, q[:, 1] - p[:, 1]
    column, row = np.floor(middle[:, 0]).astype(int), np.floor(middle[:, 1]).astype(int)
    keep = (row >= 0) & (row < shape[0]) & (column < shape[1]) & (rise != 0)
    column, row, rise, left = column[keep], row[keep], rise[keep], (middle[:, 0] - np.floor(middle[:, 0]))[keep]
    left, column = np.where(column < 0, 0.0, left), np.maximum(column, 0)
    place, size = row * (shape[1] + 1) + column, shape[0] * (shape[1] + 1)
    grid = np.bincount(place, rise * (1 - left), size) + np.bincount(place + 1, rise * left, size + 1)[:size]
    total = np.cumsum(grid.reshape(shape[0], shape[1] + 1), axis=1)[:, : shape[1]]
    return np.abs(total).astype(np.float32)


def turned(scan: Scan, *, seed: int, angle_deg: float) -> Scan:
    """Return the same piece laid on the glass again, with other noise and dirt in other places."""
    return replace(scan, seed=seed, angle_deg=angle_deg)
