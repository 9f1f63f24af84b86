"""How closely a piece is placed: any turn, mirrored or not, from noisy and dirty scans, and twenty pieces in one scan.

    python benchmarks/registration.py [--dpi 600 1200] [--turns 12] [--seed 1] [--twenty]

Pictures of a printed resin stencil (grown by 0.03 mm, 0.2 and 0.3 % too small, a tenth of its details missing) are
drawn with exact areas by tests/readings/reading_scenes.py, in linear light, blurred by 1 px (1200 dpi: 1.6 px), with
white noise that the contrast is 10, 30 and 100 times of, and stored as sRGB of 8 bits. Turns go round in odd steps,
every other one mirrored, with those of 0, 45, 90 and 180 degrees and close to them among them. Dirty pictures carry
150 marks of 0.1 to 0.4 mm too, lighter or darker, and are saved as JPEG of quality 85.

The error is how far the pose that a reading states puts the corners of a piece from where they were drawn; the drawing
is mapped with the print's own scale, which the pose may take up. `corners` is its root mean square, `worst` that of the
worst corner; `turn` and `scale` are root mean squares of what that is made of, and `single` is the scatter of single
features about the pose that readings state (`registration_px`). Beside it stands how many were placed the right way up.

With `--twenty`, twenty such pieces, each of its own turn, with run codes R01 to R20, in one picture.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from PIL import Image
from tqdm import tqdm

from sharpset.errors import SharpsetError
from sharpset.pieces import make_stencil
from sharpset.readings import read_scan

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "readings"))
from reading_scenes import SCALE_X, SCALE_Y, Scene, make_scene

PLATE, GROUND = 0.75, 0.25
CNRS = (10, 30, 100)
_ODD_TURNS = (0.0, 0.4, 44.8, 45.0, 89.7, 90.0, 179.8, 180.0)
_N_MARKS = 150


def errors_of(pose, scene: Scene, angle_deg: float) -> dict[str, float]:
    """Return how far off a pose is: pixels, seconds of arc, parts in a million."""
    width, height = scene.piece.width_mm, scene.piece.height_mm
    corners = np.array([[0, 0], [width, 0], [0, height], [width, height]])
    truth = (corners * [SCALE_X, SCALE_Y]) @ scene.matrix[:, :2].T + scene.matrix[:, 2]
    away = np.hypot(*(pose.to_pixels(corners) - truth).T)
    true_x = scene.matrix[:, 0]
    true_angle = np.degrees(np.arctan2(-true_x[1], true_x[0]))
    turn = (pose.angle_deg - true_angle + 180) % 360 - 180
    scales = np.array([pose.scale_x / SCALE_X, pose.scale_y / SCALE_Y]) - 1
    return {
        "angle_deg": angle_deg,
        "corners_px": float(np.sqrt(np.mean(away**2))),
        "worst_px": float(away.max()),
        "turn_arcsec": 3600 * float(turn),
        "scale_ppm": 1e6 * float(np.sqrt(np.mean(scales**2))),
        "right_way_up": pose.mirrored == (np.linalg.det(scene.matrix[:, :2]) > 0),
    }


def with_noise(clean: np.ndarray, sd: float, rng: np.random.Generator) -> np.ndarray:
    """Return stored values with noise that is white in linear light."""
    stored = clean / 255.0
    light = np.where(stored <= 0.04045, stored / 12.92, ((stored + 0.055) / 1.055) ** 2.4)
    light = np.clip(light + rng.normal(0, sd, light.shape), 0, 1)
    return np.round(255 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)).astype(
        np.uint8
    )


def with_marks(pixels: np.ndarray, dpi: float, rng: np.random.Generator) -> np.ndarray:
    """Return stored values with round marks whose rims are soft by a pixel."""
    marked = pixels.astype(float)
    rows, columns = pixels.shape
    for _ in range(_N_MARKS):
        radius = rng.uniform(0.05, 0.2) * dpi / 25.4
        x, y, value = rng.uniform(0, columns), rng.uniform(0, rows), rng.uniform(60, 250)
        reach = int(radius) + 3
        part = np.s_[max(0, int(y) - reach) : int(y) + reach + 1, max(0, int(x) - reach) : int(x) + reach + 1]
        down, across = np.indices(marked[part].shape)
        away = np.hypot(across + part[1].start - x, down + part[0].start - y)
        share = np.clip(radius + 0.5 - away, 0, 1)
        marked[part] += share * (value - marked[part])
    return np.round(marked).astype(np.uint8)


def write(pixels: np.ndarray, folder: Path, dpi: float, *, jpeg: bool = False) -> Path:
    """Write a picture with its resolution."""
    path = folder / ("s.jpg" if jpeg else "s.png")
    options = {"quality": 85} if jpeg else {"compress_level": 1}
    Image.fromarray(pixels).save(path, dpi=(dpi, dpi), **options)
    return path


def measure(dpi: float, turns: int, seed: int, folder: Path) -> pd.DataFrame:
    """Return a row a picture."""
    rng = np.random.default_rng([seed, int(dpi)])
    angles = [*_ODD_TURNS, *((rng.uniform(0, 360) + 360.0 * k / max(turns, 1) + 0.37 * k) % 360 for k in range(turns))]
    rows = []
    for k, angle in enumerate(tqdm(angles, desc=f"{dpi:g} dpi", leave=False, disable=None)):
        scene = make_scene(
            dpi=dpi, angle_deg=angle, mirror=bool((k + seed) % 2), plate=PLATE, background=GROUND, noise=0.0,
            blur_px=1.0 if dpi <= 600 else 1.6, seed=1000 * seed + k,
        )  # fmt: skip
        for kind in (*(f"noise {cnr}" for cnr in CNRS), "dirty 30"):
            pixels = with_noise(scene.pixels, (PLATE - GROUND) / float(kind.split()[1]), rng)
            dirty = kind.startswith("dirty")
            path = write(with_marks(pixels, dpi, rng) if dirty else pixels, folder, dpi, jpeg=dirty)
            try:
                (one,) = read_scan(path, piece=scene.piece).pieces
            except (SharpsetError, ValueError) as error:
                print(f"{dpi:g} dpi, {kind}, {angle:.1f} degrees: {error}")
                continue
            rows.append({"kind": kind, "single_px": one.registration_px, **errors_of(one.pose, scene, angle)})
    return pd.DataFrame(rows)


def tell(table: pd.DataFrame, dpi: float) -> None:
    """Print a line a kind of picture."""
    print(f"{dpi:g} dpi        n  corners px  worst px  turn arcsec  scale ppm  single px  right way up")
    for kind, part in table.groupby("kind", sort=False):
        rms = {name: float(np.sqrt(np.mean(part[name] ** 2))) for name in ("corners_px", "turn_arcsec", "scale_ppm")}
        print(
            f"{kind:10s} {len(part):4d} {rms['corners_px']:11.4f} {part['worst_px'].max():9.4f} "
            f"{rms['turn_arcsec']:12.2f} {rms['scale_ppm']:10.1f} {part['single_px'].median():10.3f} "
            f"{part['right_way_up'].sum():9d} of {len(part)}"
        )


def twenty(dpi: float, seed: int, folder: Path) -> None:
    """Read twenty pieces in one scan and print what was found."""
    rng = np.random.default_rng(seed)
    scenes = []
    for k in tqdm(range(20), desc="twenty", leave=False, disable=None):
        piece = make_stencil(process="resin", run_id=f"R{k + 1:02d}")
        scenes.append(
            make_scene(
                piece=piece, dpi=dpi, angle_deg=rng.uniform(0, 360), mirror=k % 3 == 0, plate=PLATE, background=GROUND,
                noise=(PLATE - GROUND) / 30, blur_px=1.0, seed=seed + k,
            )
        )  # fmt: skip
    side = max(max(scene.pixels.shape) for scene in scenes)
    tiles = [np.pad(scene.pixels, [(0, side - n) for n in scene.pixels.shape], mode="edge") for scene in scenes]
    whole = np.vstack([np.hstack(tiles[5 * row : 5 * row + 5]) for row in range(4)])
    path = write(whole, folder, dpi)
    start = time.process_time()
    pieces = read_scan(path, piece=scenes[0].piece).pieces
    seconds = time.process_time() - start
    worst, right = 0.0, 0
    for one in pieces:
        middle = one.pose.to_pixels([[20.0, 18.0]])[0] // side
        number = int(5 * middle[1] + middle[0])
        pose = one.pose
        moved = type(pose)(
            matrix=pose.matrix - np.column_stack((np.zeros((2, 2)), middle * side)), pixel_mm=pose.pixel_mm
        )
        found = errors_of(moved, scenes[number], 0.0)
        worst = max(worst, found["worst_px"])
        right += one.run_id == f"R{number + 1:02d}" and bool(found["right_way_up"])
    print(
        f"twenty pieces, {dpi:g} dpi, {whole.size / 1e6:.0f} megapixels: {len(pieces)} found, {right} with the right "
        f"run and the right way up, worst corner {worst:.3f} px, {seconds:.1f} s of processor time"
    )


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--dpi", type=float, nargs="+", default=[600.0, 1200.0])
    parser.add_argument("--turns", type=int, default=12, help="beside the odd ones (default: 12)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--twenty", action="store_true", help="only twenty pieces in one scan, at the first resolution")
    args = parser.parse_args()
    with TemporaryDirectory() as name:
        if args.twenty:
            twenty(args.dpi[0], args.seed, Path(name))
            return
        for dpi in args.dpi:
            tell(measure(dpi, args.turns, args.seed, Path(name)), dpi)


if __name__ == "__main__":
    main()
