"""How close widths and diameters come to the Cramer-Rao bound, on pictures whose truth is known.

    python benchmarks/bound.py [--quick] [--seed 1] [--repeats 1] [--dpi 600 ...] [--out FILE]

Pictures of a plate with slots, bars and holes of 0.04 to 1 mm are rendered from closed forms
(tests/readings/edge_pictures.py, which shares no code with the package) for 600 to 4800 dpi, blur of 0.6 to 3.5 px
before the pixel's own box, and contrast of 10 to 100 times the noise of a pixel. They are read through the package's
own steps as in a piece: the maps of light, the edge spread and contrast from wide features of the same picture, then
every feature. Two kinds of picture:

- clean: white noise only;
- dirty: white noise, one blob of dust in each feature's surroundings, edges that wander by 0.3 px (correlation length
  6 px), light that falls by 20 % over the picture, 8-bit sRGB, JPEG of quality 90, all at once.

The truth of a strip is its mean width over the length that is read. The bound is that of the exact pixel-integrated
model with white noise; free are width (diameter), place, surrounding level and, for strips, its slope across; contrast
and blur count as known from the scan. In dirty pictures the noise of the bound is that of the decoded picture about
the noiseless one beside edges, away from dust (white noise, rounding, JPEG), as if it were white.

`ratio_hidden` is the ratio to the bound with what dirty pictures keep from every estimator: a wandering edge that
cannot be seen over some of its length cannot be known better than what is seen tells (kriging variance for the edges'
own autocovariance; hidden is where dust changes a pixel by more than its noise), and the error of JPEG is alike along
an edge (root mean square over the picture's features of what the true errors of the pixels do to the best linear
estimate, see bounds.py; narrow and wide ones apart). `typical` is the plain ratio by the median error. Holes with
six tenths and more of their edge under dust are left out, and sizes that the package would refuse to be made for at
that resolution and blur (gates of `sharpset read`).
"""

from __future__ import annotations

import argparse
import sys
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd
from shapely.geometry import box
from tqdm import tqdm

from sharpset.errors import ReadingError
from sharpset.pieces import Piece
from sharpset.pieces.code import RunCode
from sharpset.readings.features.fitting import read_features
from sharpset.readings.features.piece_samples import sample_piece
from sharpset.readings.features.wide_blur import without_spill
from sharpset.readings.picture.light import light_of
from sharpset.scans import LocatedPiece, Pose, Scan, scan_from_pixels
from sharpset.scans.encoding import LINEAR, SRGB
from sharpset.scans.scan import PixelSize

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "readings"))
from bounds import END_MM, INNER_MM, LENGTH_MM, REACH_MM, Window, bound_mm, hole_error, strip_error
from edge_pictures import (
    add_dust,
    decode_srgb,
    encode_srgb,
    hole,
    shade,
    strip,
    through_jpeg,
)

WIDTHS_MM = (0.04, 0.063, 0.1, 0.16, 0.25, 0.4, 0.63, 1.0)
DPI = (600, 1200, 2400, 4800)
BLURS_PX = (0.6, 1.0, 1.5, 2.5, 3.5)
CNRS = (10.0, 30.0, 100.0)
FAULTS = ("dust", "roughness", "shade", "stored")
GAP_MM, WEB_MM = 0.9, 0.95
PLATE, BACKGROUND = 0.70, 0.20
LEAST_PIXELS, MOST_BLUR = 1.2, 0.75
NARROW_MM = 0.2


@dataclass(frozen=True, kw_only=True)
class Case:
    """One picture."""

    dpi: int
    blur_px: float
    cnr: float
    faults: tuple[str, ...]
    seed: int

    @property
    def pixel_mm(self) -> float:
        """Pixel pitch."""
        return 25.4 / self.dpi

    def supported(self, size_mm: float) -> bool:
        """Whether the package would read a piece made for this size."""
        total = np.hypot(self.blur_px, np.sqrt(1 / 12)) * self.pixel_mm
        return LEAST_PIXELS * self.pixel_mm <= size_mm and total <= MOST_BLUR * size_mm


@lru_cache(maxsize=8)
def make_piece(copies: int) -> Piece:
    """Return a plate with `copies` sets of slots, bars and holes, in rows."""
    rows, openings, y = [], [], WEB_MM
    widest = 0.0
    for copy in range(copies):
        for kind in ("slot", "bar", "hole"):
            tall = LENGTH_MM if kind != "hole" else max(WIDTHS_MM)
            x = WEB_MM
            for width in WIDTHS_MM:
                room = width + 2 * GAP_MM if kind == "bar" else width
                centre = (x + room / 2, y + tall / 2)
                name = f"{kind}-{width:g}-{copy}"
                angle = 0.0 if kind == "hole" else 90.0
                rows.append((name, kind, width, LENGTH_MM if kind != "hole" else width, *centre, angle, 0.0, 1.0, kind))
                if kind == "bar":
                    for side in (-1, 1):
                        middle = centre[0] + side * (width + GAP_MM) / 2
                        openings.append(box(middle - GAP_MM / 2, y, middle + GAP_MM / 2, y + tall))
                x += room + WEB_MM
            widest = max(widest, x)
            y += tall + WEB_MM
    columns = ["feature_id", "kind", "nominal_mm", "length_mm", "x_mm", "y_mm", "angle_deg", "base_mm", "height_mm"]
    features = pd.DataFrame(rows, columns=[*columns, "group"])
    code = RunCode(run_id="R01", bits=(0,), cells_mm=((0.0, 0.0),), cell_diameter_mm=1.0)
    return Piece(
        piece_id="bound",
        kind="stencil",
        process="resin",
        run_id="R01",
        width_mm=widest,
        height_mm=y,
        thickness_mm=1.0,
        outline=box(0, 0, widest, y),
        openings=tuple(openings),
        features=features,
        code=code,
        marks=(),
        scale_lines=(),
        parameters={"smallest_mm": {"slot": min(WIDTHS_MM)}},
    )


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """A picture with its truth: sizes in the order of the piece's features (mm), and its noise over contrast.

    `hidden_mm` is what dust hides of each strip's mean width; `covered` the share of each hole's edge under dust;
    `noise_felt` the noise over contrast that, were it white, would do to each feature what that of the picture does.
    """

    scan: Scan
    located: LocatedPiece
    true_mm: np.ndarray
    noise: float
    hidden_mm: np.ndarray
    covered: np.ndarray
    noise_felt: np.ndarray


@dataclass(frozen=True, kw_only=True)
class Exposed:
    """A scan, its noise over contrast, how far dust covers each pixel, and (if stored) each pixel's error."""

    scan: Scan
    noise: float
    dust: np.ndarray
    error: np.ndarray | None


def draw(case: Case, piece: Piece) -> Drawn:
    """Render a piece whose features are a little wider or narrower than nominal, at random places."""
    rng = np.random.default_rng([case.seed, case.dpi, int(10 * case.blur_px), int(case.cnr), len(case.faults)])
    pixel, lean = case.pixel_mm, rng.uniform(1.0, 6.0)
    turn = np.radians(lean)
    linear = np.array([[np.cos(turn), np.sin(turn)], [np.sin(turn), -np.cos(turn)]]) / pixel
    corners = (
        np.array([[0, 0], [piece.width_mm, 0], [piece.width_mm, piece.height_mm], [0, piece.height_mm]]) @ linear.T
    )
    margin = 1.5 / pixel
    shift = margin - corners.min(axis=0) + rng.random(2)
    shape = tuple(int(n) for n in (np.ptp(corners, axis=0) + 2 * margin)[::-1])
    pose = Pose(matrix=np.column_stack((linear, shift)), pixel_mm=PixelSize(pixel, pixel))
    solid = np.ones(shape, dtype=np.float32)
    true = np.empty(len(piece.features))
    common = {"lean_deg": lean, "sigma": case.blur_px}
    rough = (0.3, 6.0) if "roughness" in case.faults else (0.0, 0.0)
    boxes, outlines, places = [], [], []
    for i, f in enumerate(piece.features.itertuples()):
        centre = pose.to_pixels([[f.x_mm, f.y_mm]])[0] + rng.uniform(-0.5, 0.5, 2)
        width = (f.nominal_mm + rng.uniform(-0.005, 0.005)) / pixel
        reach = (f.nominal_mm / 2 + REACH_MM) / pixel
        tall = (LENGTH_MM / 2 - END_MM) / pixel if f.kind != "hole" else reach
        boxes.append((centre[0] - reach, centre[1] - tall, centre[0] + reach, centre[1] + tall))
        outlines.append(_outline(f.kind, centre, width, case, lean))
        places.append((f.kind, centre, width))
        if f.kind == "hole":
            hole(solid, centre=tuple(centre), diameter=width, sigma=case.blur_px, height=-1.0)
            true[i] = width * pixel
            continue
        long = {"length": LENGTH_MM / pixel, "sampled": (LENGTH_MM - 2 * END_MM) / pixel}
        if f.kind == "bar":
            # The gap runs on behind the bar's ends by the blur, so that the bar's ends are free like a printed one's.
            strip(solid, centre=tuple(centre), width=(f.nominal_mm + 2 * GAP_MM) / pixel, height=-1.0, **long, **common)
        sign = 1.0 if f.kind == "bar" else -1.0
        found = strip(solid, centre=tuple(centre), width=width, height=sign, rough=rough, rng=rng, **long, **common)
        true[i] = found * pixel
    located = LocatedPiece(pose=pose, match=1.0, lead=1.0, plate_is_bright=True, channel=None)
    seen = _expose(solid, case, np.array(boxes), rng)
    felt = _felt(seen, places, case, lean)
    hidden, covered = np.zeros(len(true)), np.zeros(len(true))
    if "dust" in case.faults:
        for i, outline in enumerate(outlines):
            under = [_under(seen.dust, edge, seen.noise) for edge in outline]
            if len(outline) == 1:
                covered[i] = under[0].mean()
            elif "roughness" in case.faults:
                hidden[i] = pixel * np.sqrt(sum(_hidden_variance(u, rough, seen.noise, case.blur_px) for u in under))
    return Drawn(
        scan=seen.scan,
        located=located,
        true_mm=true,
        noise=seen.noise,
        hidden_mm=hidden,
        covered=covered,
        noise_felt=felt,
    )


def _felt(seen: Exposed, places: list[tuple[str, np.ndarray, float]], case: Case, lean_deg: float) -> np.ndarray:
    """Return the noise of each feature's best linear estimate over that for white noise of 1, by kind and width."""
    if seen.error is None:
        return np.full(len(places), seen.noise)
    pixel = case.pixel_mm
    reach, inner = REACH_MM / pixel, INNER_MM / pixel
    half = (LENGTH_MM / 2 - END_MM) / pixel
    felt = np.empty(len(places))
    groups = np.array([f"{kind} {width * pixel < NARROW_MM}" for kind, _, width in places])
    for i, (kind, centre, width) in enumerate(places):
        common = {"centre": centre, "sigma": case.blur_px}
        if kind == "hole":
            window = Window(reach=reach, inner=reach + 0.1 / pixel)
            moved = hole_error(seen.error, diameter=width, window=window, **common)
        else:
            window = Window(reach=reach, inner=inner, half_length=half)
            moved = strip_error(seen.error, width=width, lean_deg=lean_deg, window=window, **common)
        felt[i] = moved * pixel / bound_mm(kind, round(width * pixel, 3), pixel, case.blur_px)
    squares = pd.Series(felt**2).groupby(groups).transform("mean")
    # White noise is part of it; a few features may happen to feel less.
    return np.sqrt(np.maximum(squares.to_numpy(), case.cnr**-2.0))


def _outline(kind: str, centre: np.ndarray, width: float, case: Case, lean_deg: float) -> list[np.ndarray]:
    """Return points a pixel apart along a hole's edge, or along each edge of a strip over the length that is read."""
    if kind == "hole":
        angle = np.linspace(0, 2 * np.pi, max(8, int(np.pi * width)), endpoint=False)
        return [centre + width / 2 * np.column_stack((np.cos(angle), np.sin(angle)))]
    lean = np.radians(lean_deg)
    along, across = np.array([-np.sin(lean), np.cos(lean)]), np.array([np.cos(lean), np.sin(lean)])
    half = (LENGTH_MM / 2 - END_MM) / case.pixel_mm
    t = np.arange(-half, half)[:, None]
    return [centre + side * width / 2 * across + t * along for side in (-1, 1)]


def _under(dust: np.ndarray, points: np.ndarray, noise: float) -> np.ndarray:
    """Return which points lie under dust that changes a pixel by more than its noise."""
    column, row = np.round(points).astype(int).T
    return dust[np.clip(row, 0, dust.shape[0] - 1), np.clip(column, 0, dust.shape[1] - 1)] > noise


def _hidden_variance(hidden: np.ndarray, rough: tuple[float, float], noise: float, blur_px: float) -> float:
    """Return the variance (px squared) of an edge's mean place that its hidden part leaves, given the rest of it."""
    if not hidden.any():
        return 0.0
    sd, length = rough
    place = np.arange(len(hidden))
    near = np.min(np.abs(place[:, None] - place[hidden][None, :]), axis=1) < 4 * length
    seen, gone = place[near & ~hidden], place[hidden]

    def covariance(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        return sd**2 * np.exp(-(((a[:, None] - b[None, :]) / length) ** 2))

    own = covariance(gone, gone)
    if len(seen):
        step = 2 * np.sqrt(np.pi) * np.hypot(blur_px, np.sqrt(1 / 12)) * noise**2
        between = covariance(gone, seen)
        own = own - between @ np.linalg.solve(covariance(seen, seen) + step * np.eye(len(seen)), between.T)
    return float(max(own.sum(), 0.0)) / len(hidden) ** 2


def _expose(solid: np.ndarray, case: Case, boxes: np.ndarray, rng: np.random.Generator) -> Exposed:
    contrast = PLATE - BACKGROUND
    ideal = (BACKGROUND + contrast * solid).astype(np.float32)
    size = PixelSize(case.pixel_mm, case.pixel_mm)
    white = rng.standard_normal(ideal.shape, dtype=np.float32) * np.float32(contrast / case.cnr)
    if "shade" in case.faults:
        ideal = shade(ideal, fall=0.2)
    seen, dust = ideal.copy(), np.zeros(ideal.shape, dtype=np.float32)
    if "dust" in case.faults:
        dust = add_dust(seen, boxes, rng)
    if "stored" not in case.faults:
        scan = scan_from_pixels(seen + white, pixel_mm=size, encoding=LINEAR)
        return Exposed(scan=scan, noise=1 / case.cnr, dust=dust, error=None)
    stored = through_jpeg(encode_srgb(seen + white), 90)
    # The light over the picture's middle is what the contrast is a share of.
    error = (decode_srgb(stored) - seen) / (contrast * ideal / (BACKGROUND + contrast * solid))
    away = (dust < 0.01) & (solid > 0.05) & (solid < 0.95)
    scan = scan_from_pixels(stored, pixel_mm=size, encoding=SRGB)
    return Exposed(scan=scan, noise=float(np.std(error[away])), dust=dust, error=error)


def read(case: Case, piece: Piece) -> pd.DataFrame:
    """Draw and read one picture; a row a feature that the gates allow."""
    drawn = draw(case, piece)
    light = light_of(drawn.scan, drawn.located, piece)
    strips = sample_piece(light, drawn.located.pose, piece)
    light, strips = without_spill(drawn.scan, light, drawn.located, piece, strips)
    fits = read_features(light, drawn.located.pose, piece, strips)
    measured, formed = np.full(len(drawn.true_mm), np.nan), np.full(len(drawn.true_mm), "no", dtype=object)
    measured[fits.strips.rows] = fits.strip_fits.width_mm
    formed[fits.strips.rows] = fits.strip_verdicts.formed
    measured[fits.disc_rows] = [disc.diameter_mm for disc in fits.discs]
    formed[fits.disc_rows] = fits.disc_verdicts.formed
    table = piece.features[["feature_id", "kind", "nominal_mm"]].assign(
        dpi=case.dpi, blur_px=case.blur_px, cnr=case.cnr, dirty=bool(case.faults), formed=formed, noise=drawn.noise
    )
    table["error_mm"] = measured - drawn.true_mm
    bounds = [bound_mm(r.kind, r.nominal_mm, case.pixel_mm, case.blur_px) for r in table.itertuples()]
    table["bound_mm"] = np.array(bounds) * drawn.noise
    table["felt_mm"] = np.array(bounds) * drawn.noise_felt
    seen = np.sqrt(np.maximum(1 - drawn.covered, 0.05))
    table["bound_dusty_mm"] = np.hypot(table["felt_mm"] / seen, drawn.hidden_mm)
    table = table[drawn.covered < 0.6]
    return table[[case.supported(size) for size in table["nominal_mm"]]]


def cases(*, quick: bool, seed: int, repeats: int, only: list[int] | None) -> Iterator[tuple[Case, int]]:
    """Return every picture to draw and how many copies of each size it holds."""
    grid = (DPI, BLURS_PX, CNRS) if not quick else ((1200, 2400), (0.6, 1.5), (10.0, 30.0, 100.0))
    for dpi in only or grid[0]:
        for blur in grid[1]:
            for cnr in grid[2]:
                for faults in ((), FAULTS):
                    for k in range(repeats):
                        case = Case(dpi=dpi, blur_px=blur, cnr=cnr, faults=faults, seed=seed + k)
                        if case.supported(max(WIDTHS_MM)):
                            yield case, 2 if dpi == 4800 else 3


def summarise(table: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Return ratio of the RMS error to the bound, bias, share without a number, by groups."""
    read_ = table[table["formed"] == "yes"]
    z = read_["error_mm"] / read_["bound_mm"]
    dusty = (read_["error_mm"] / read_["bound_dusty_mm"]) ** 2
    groups = read_.assign(
        z=z, z2=z**2, y2=dusty, size=z.abs(), e2=read_["error_mm"] ** 2, b2=read_["bound_mm"] ** 2
    ).groupby(by)
    ratio = np.sqrt(groups["z2"].mean())
    rms_um = 1000 * np.sqrt(groups["e2"].mean())
    return pd.DataFrame(
        {
            "n": groups.size(),
            "bias_um": 1000 * groups["error_mm"].mean(),
            "rms_um": rms_um,
            "bound_um": 1000 * np.sqrt(groups["b2"].mean()),
            "ratio": ratio,
            "typical": 1.4826 * groups["size"].median(),
            "ratio_hidden": np.sqrt(groups["y2"].mean()),
            "bias/rms": groups["z"].mean() / ratio,
            "unread": 1 - groups.size() / table.groupby(by).size(),
        }
    ).round(3)


def main() -> None:
    """Draw, read, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="fewer resolutions and blurs")
    parser.add_argument("--dpi", type=int, nargs="+", choices=DPI, help="only these resolutions")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--repeats", type=int, default=1, help="pictures of each kind")
    parser.add_argument("--out", type=Path, help="write every feature's error to this CSV file")
    args = parser.parse_args()
    warnings.simplefilter("ignore")
    tables = []
    todo = list(cases(quick=args.quick, seed=args.seed, repeats=args.repeats, only=args.dpi))
    for case, copies in tqdm(todo, unit="picture"):
        try:
            tables.append(read(case, make_piece(copies)))
        except ReadingError as error:
            tqdm.write(f"{case}: {error}")
    table = pd.concat(tables, ignore_index=True)
    if args.out:
        table.to_csv(args.out, index=False)
    for by in (
        ["dirty", "kind", "dpi", "nominal_mm"],
        ["dirty", "kind", "blur_px"],
        ["dirty", "kind", "cnr"],
        ["dirty", "kind"],
    ):
        print(summarise(table, by).to_string(), "\n")


if __name__ == "__main__":
    main()
