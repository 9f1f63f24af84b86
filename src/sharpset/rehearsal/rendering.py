"""Rendering of a virtual scan, band by band."""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from sharpset.rehearsal import optics
from sharpset.rehearsal.coverage import Sides, area_coverage, sides_of
from sharpset.rehearsal.printed import PrintedPiece
from sharpset.rehearsal.scanner import Placement, Scanner, Scene, glass_sides, to_pixel_borders
from sharpset.rehearsal.surfaces import Speck, draw_dirt, face_texture

__all__ = ["render", "render_linear"]

Image = NDArray[np.float32]

_BAND_PX = 256
_FINE_SIGMA_PX = 1.5
"""Least blur on the fine grid, in its pixels. Next to an edge along the grid single pixels are then wrong by up to
0.9 % of the contrast, either way by its place between pixels; sums, and so widths, are right to 1e-5 px."""


def render(
    prints: Sequence[PrintedPiece],
    placements: Sequence[Placement],
    *,
    scanner: Scanner,
    scene: Scene,
    seed: int,
) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Return the picture as the scanner writes it."""
    linear = render_linear(prints, placements, scanner=scanner, scene=scene, seed=seed)
    return optics.encode(linear, bits=scanner.bits, encoding=scanner.encoding)


def picture_shape(
    prints: Sequence[PrintedPiece], placements: Sequence[Placement], scanner: Scanner, scene: Scene
) -> tuple[int, int]:
    """Return rows and columns of a picture that holds all pieces and the margin."""
    right = bottom = 0.0
    for printed, placement in zip(prints, placements, strict=True):
        corners = np.array(shapely.box(*printed.shell.bounds).exterior.coords)
        matrix = placement.matrix(printed)
        glass = corners @ matrix[:, :2].T + matrix[:, 2]
        right, bottom = max(right, glass[:, 0].max()), max(bottom, glass[:, 1].max())
    for reference in scene.references:
        x, y = reference.bounds_mm()
        right, bottom = max(right, x), max(bottom, y)
    px = scanner.px_mm
    return (
        math.ceil((bottom + scene.margin_mm) * scanner.scale_y / px),
        math.ceil((right + scene.margin_mm) * scanner.scale_x / px),
    )


def render_linear(
    prints: Sequence[PrintedPiece],
    placements: Sequence[Placement],
    *,
    scanner: Scanner,
    scene: Scene,
    seed: int,
    noise: bool = True,
) -> Image:
    """Return linear light, shape (rows, columns) or (rows, columns, 3), before it is encoded."""
    shape = picture_shape(prints, placements, scanner, scene)
    rng = np.random.default_rng([seed, 11])
    dirt = draw_dirt(
        shape[1] * scanner.px_mm,
        shape[0] * scanner.px_mm,
        dust_per_cm2=scene.dust_per_cm2,
        fibres=scene.fibres,
        scratches=scene.scratches,
        rng=rng,
    )
    # Dirt is on the glass, so it lies over the references.
    dirt = [shape for reference in scene.references for shape in reference.shapes()] + dirt
    solids = [glass_sides(p, q, scanner) for p, q in zip(prints, placements, strict=True)]
    texture = _texture(prints, placements, solids, shape, scanner=scanner, scene=scene, rng=rng)
    channels = (0.0,) if scanner.colour == "grey" else (-scanner.channel_shift_px, 0.0, scanner.channel_shift_px)
    tints = (1.0,) if scanner.colour == "grey" else scene.tint
    rendered: dict[float, tuple[Image, Image]] = {}
    out = []
    lamp = optics.illumination(shape, falloff=scanner.falloff, tilt=scanner.tilt)
    for shift, tint in zip(channels, tints, strict=True):
        if shift not in rendered:
            rendered[shift] = _blurred(solids, dirt, texture, shape, scanner=scanner, scene=scene, shift_px=shift)
        solid, other = rendered[shift]
        light = optics.halo(tint * solid + other, share=scanner.halo_share, sigma_px=scanner.halo_mm / scanner.px_mm)
        light *= lamp
        if noise:
            light += _noise(light, scanner, rng)
        out.append(light)
    return out[0] if len(out) == 1 else np.dstack(out)


def _noise(light: Image, scanner: Scanner, rng: np.random.Generator) -> Image:
    sd = np.sqrt(np.maximum(light, 0) / scanner.electrons + scanner.read_noise**2)
    return np.asarray(sd * rng.standard_normal(light.shape, dtype=np.float32), dtype=np.float32)


def _texture(
    prints: Sequence[PrintedPiece],
    placements: Sequence[Placement],
    solids: Sequence[Sides],
    shape: tuple[int, int],
    *,
    scanner: Scanner,
    scene: Scene,
    rng: np.random.Generator,
) -> Image:
    """Return reflectance of the plastic at every pixel, faces and seams included."""
    out = np.full(shape, scene.plastic, dtype=np.float32)
    for printed, placement, sides in zip(prints, placements, solids, strict=True):
        corners = sides.ends.reshape(-1, 2)
        low = np.maximum(np.floor(corners.min(axis=0)).astype(int) - 8, 0)
        high = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 8, (shape[1], shape[0]))
        size = (int(high[1] - low[1]), int(high[0] - low[0]))
        window = (slice(low[1], high[1]), slice(low[0], high[0]))
        if scene.texture > 0:
            x_mm, y_mm = _piece_places(printed, placement, low=low, size=size, scanner=scanner)
            b = printed.behaviour
            out[window] *= face_texture(
                area_coverage(Sides(sides.ends - np.tile(low, 2)), shape=size).astype(np.float32),
                process=printed.piece.process,
                x_mm=x_mm,
                y_mm=y_mm,
                px_mm=scanner.px_mm,
                line_mm=b.pixel_mm if b.pixel_mm > 0 else b.least_bar_mm / 0.8,
                strength=scene.texture,
                rng=rng,
            )
        if printed.seams and scene.seam_depth > 0:
            seams = to_pixel_borders(sides_of(printed.seams).map(placement.matrix(printed)), scanner)
            groove = area_coverage(Sides(seams.ends - np.tile(low, 2)), shape=size).astype(np.float32)
            groove = cv2.GaussianBlur(groove, (0, 0), max(0.015 / scanner.px_mm, 0.3))
            out[window] *= 1 - scene.seam_depth * np.clip(groove, 0, 1)
    return out


def _piece_places(
    printed: PrintedPiece, placement: Placement, *, low: NDArray[np.int_], size: tuple[int, int], scanner: Scanner
) -> tuple[Image, Image]:
    """Return x and y in the piece frame, mm, of every pixel of a window."""
    inverse = np.linalg.inv(np.vstack((placement.matrix(printed), [0, 0, 1])))
    column, row = np.meshgrid(np.arange(size[1]) + low[0] + 0.5, np.arange(size[0]) + low[1] + 0.5)
    gx, gy = column * scanner.px_mm / scanner.scale_x, row * scanner.px_mm / scanner.scale_y
    x_mm, y_mm = (inverse[k, 0] * gx + inverse[k, 1] * gy + inverse[k, 2] for k in (0, 1))
    return x_mm.astype(np.float32), y_mm.astype(np.float32)


def _blurred(
    solids: Sequence[Sides],
    dirt: Sequence[Speck],
    texture: Image,
    shape: tuple[int, int],
    *,
    scanner: Scanner,
    scene: Scene,
    shift_px: float,
) -> tuple[Image, Image]:
    """Return the light of the plastic and all other light, blurred and sampled."""
    sigma = scanner.blur_mm / scanner.px_mm
    factor = int(np.clip(math.ceil(_FINE_SIGMA_PX / max(sigma, 1e-6)), 1, 4))
    across = optics.blur_kernel(sigma * factor)
    along = optics.blur_kernel(sigma * factor, box_px=scanner.motion_mm / scanner.px_mm * factor)
    shade = round(scanner.shadow_mm / scanner.px_mm * factor)
    margin = math.ceil((len(along) // 2 + shade) / factor) * factor
    down = np.array([0.0, shift_px, 0.0, shift_px])
    fine_solids = [Sides((s.ends + down) * factor) for s in solids]
    specks = [(Sides((to_pixel_borders(sides_of(s.shape), scanner).ends + down) * factor), s) for s in dirt]
    first_out, second_out = [], []
    for top in range(0, shape[0], _BAND_PX):
        rows = min(_BAND_PX, shape[0] - top)
        fine_shape = (rows * factor + 2 * margin, shape[1] * factor)
        first_row = top * factor - margin
        solid = np.zeros(fine_shape, dtype=np.float32)
        for sides in fine_solids:
            solid += area_coverage(sides, shape=fine_shape, first_row=first_row).astype(np.float32)
        np.clip(solid, 0, 1, out=solid)
        reflect = _band_of(texture, top, rows, margin, factor)
        other = scene.background * (1 - solid)
        if shade > 0 and scanner.shadow_depth > 0:
            other *= 1 - scanner.shadow_depth * _shade(solid, shade)
        solid *= reflect
        for sides, speck in specks:
            _stamp(solid, other, sides, speck, first_row)
        first_out.append(optics.blur_and_reduce(solid, across=across, along=along, factor=factor, rows=rows))
        second_out.append(optics.blur_and_reduce(other, across=across, along=along, factor=factor, rows=rows))
    return np.vstack(first_out), np.vstack(second_out)


def _band_of(texture: Image, top: int, rows: int, margin: int, factor: int) -> Image:
    """Return the band of the texture on the fine grid, borders repeated beyond the picture."""
    extra = margin // factor
    index = np.clip(np.arange(top - extra, top + rows + extra), 0, texture.shape[0] - 1)
    band = texture[index]
    size = (band.shape[1] * factor, band.shape[0] * factor)
    return np.asarray(cv2.resize(band, size, interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def _shade(solid: Image, shade: int) -> Image:
    """Return the open share that lies within `shade` fine rows below a solid."""
    reach = solid.copy()
    for step in range(1, shade + 1):
        reach[step:] = np.maximum(reach[step:], solid[:-step])
    return np.asarray(np.clip(reach - solid, 0, 1) / np.maximum(1 - solid, 1e-6), dtype=np.float32)


def _stamp(solid: Image, other: Image, sides: Sides, speck: Speck, first_row: int) -> None:
    """Lay a speck over the band, in place."""
    points = sides.ends.reshape(-1, 2)
    left, low = np.floor(points.min(axis=0)).astype(int)
    right, high = np.ceil(points.max(axis=0)).astype(int)
    left, right = max(left, 0), min(right, solid.shape[1])
    low, high = max(low, first_row), min(high, first_row + solid.shape[0])
    if left >= right or low >= high:
        return
    moved = Sides(sides.ends - [left, low, left, low])
    cover = speck.opacity * area_coverage(moved, shape=(high - low, right - left)).astype(np.float32)
    window = (slice(low - first_row, high - first_row), slice(left, right))
    solid[window] *= 1 - cover
    other[window] = other[window] * (1 - cover) + speck.reflectance * cover
