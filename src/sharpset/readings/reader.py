"""Read scans: from a picture file to tables of readings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import ReadingError, ScanError
from sharpset.pieces import Piece
from sharpset.readings.features import FeatureFits, PieceSamples, edge_shape, read_features, sample_piece
from sharpset.readings.gates import check_blur, check_light, check_scale
from sharpset.readings.light import PieceLight, light_of
from sharpset.readings.registration import PlaceData, Registration, pose_from_marks, register
from sharpset.readings.results import READING_COLUMNS, PieceReading, Quantity, ScanReading
from sharpset.readings.runcode import CodeReading, read_run_code
from sharpset.readings.spread import edge_lopsidedness, is_clearly_better
from sharpset.readings.values import corner_radius, growths, scales
from sharpset.scans import LocatedPiece, Scan, fit_rigid, locate_pieces, open_scan
from sharpset.scans.encoding import LINEAR
from sharpset.scans.locate import Mirror

__all__ = ["U_SCALE", "read_scan", "read_scans"]

FloatArray = NDArray[np.float64]
U_SCALE = 0.002
"""Relative standard uncertainty of a scale that comes from a dpi tag or argument: uncalibrated flatbeds
differ from their nominal pitch by 0.1 to 0.6 % (tests of five A4 scanners, ACRS 1997; a consumer
scanner's two halves of one axis differed by 0.6 %, common practice)."""
_LOPSIDED, _MISFIT = 3.0, 4.0
_U_EDGE_PX = 0.02
"""What the pair of edges may be off by for reasons no single scan shows (pixels, standard uncertainty)."""


def read_scan(
    path: Path | str,
    *,
    piece: Piece,
    dpi: float | None = None,
    mirror: Mirror = "auto",
    encoding: str = "auto",
    known_run_ids: Sequence[str] = (),
) -> ScanReading:
    """Read every copy of a piece in one picture.

    Parameters
    ----------
    path : path of a TIFF, PNG or JPEG
    piece : Piece
    dpi : float, optional
        Resolution in pixels per inch; overrules the file's.
    mirror : {'auto', 'yes', 'no'}
        Whether the piece is seen from below.
    encoding : str
        'auto', 'sRGB', 'linear' or 'gamma 2.2'. With 'auto' a file that does not say how it is
        encoded is read the way that makes its blurred edges symmetric.
    known_run_ids : sequence of str
        Run ids that the codes may name.

    Returns
    -------
    ScanReading

    Raises
    ------
    ScanError
        If the picture cannot be opened or no piece is found.
    ReadingError
        If the picture cannot support a number.
    """
    scan = open_scan(path, dpi=dpi, encoding=encoding)
    located = locate_pieces(scan, piece, mirror=mirror)
    readings, faults = [], []
    for one in located:
        try:
            readings.append(_read_piece(scan, one, piece, known_run_ids))
        except ReadingError as error:
            faults.append(str(error))
    if not readings:
        raise ReadingError(faults[0] if faults[0].startswith(str(path)) else f"{path}: {faults[0]}")
    return ScanReading(
        scan_id=scan.scan_id,
        path=Path(path),
        sha256=scan.sha256,
        pieces=tuple(readings),
        remarks=(*scan.remarks, *(f"one piece was not read: {fault}" for fault in faults)),
    )


def read_scans(
    paths: Iterable[Path | str],
    *,
    piece: Piece,
    dpi: float | None = None,
    mirror: Mirror = "auto",
    encoding: str = "auto",
    known_run_ids: Sequence[str] = (),
    progress: bool = True,
) -> list[ScanReading]:
    """Read several pictures one after the other, with a progress bar; see `read_scan`.

    Raises
    ------
    ScanError, ReadingError
        At the first picture that cannot be read.
    """
    from tqdm import tqdm

    paths = list(paths)
    if not paths:
        raise ScanError("no picture was named. Give one or more scans.")
    found = []
    for path in tqdm(paths, desc="reading scans", unit="scan", disable=not progress, leave=False):
        found.append(
            read_scan(path, piece=piece, dpi=dpi, mirror=mirror, encoding=encoding, known_run_ids=known_run_ids)
        )
    return found


def _read_piece(scan: Scan, located: LocatedPiece, piece: Piece, known: Sequence[str]) -> PieceReading:
    ready = _prepare(scan, located, piece)
    scan, light, located, strips = ready.scan, ready.light, ready.located, ready.strips
    pose = located.pose
    check_blur(scan, strips.spread, piece)
    fits = read_features(light, pose, piece, strips)
    registration = register(_places(fits, piece, located), pose)
    check_scale(scan, registration.pose)
    code = read_run_code(light, registration.pose, piece, known=known)
    table, stretch = _table(scan, piece, code, fits, located, registration)
    remarks = _remarks(scan, code, fits, strips)
    quantities: dict[str, Quantity] = growths(table, stretch)
    quantities |= scales(registration, U_SCALE)
    radius = corner_radius(light, pose, piece, strips.spread, _square(fits, piece))
    quantities[radius.name] = radius
    return PieceReading(
        scan_id=scan.scan_id,
        piece_id=piece.piece_id,
        run_id=code.run_id,
        pose=registration.pose,
        table=table,
        quantities=quantities,
        edge_spread=strips.spread,
        contrast_to_noise=light.contrast_to_noise,
        registration_px=registration.spread_mm / float(np.mean(scan.pixel_mm)),
        remarks=remarks,
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Prepared:
    """A piece ready to be read: encoding and pose settled, pixels sampled."""

    scan: Scan
    light: PieceLight
    located: LocatedPiece
    strips: PieceSamples


def _prepare(scan: Scan, located: LocatedPiece, piece: Piece) -> _Prepared:
    """Settle the pose and the encoding, and sample the piece."""
    light = light_of(scan, located, piece)
    check_light(scan, light)
    located = replace(located, pose=pose_from_marks(light, located.pose, piece))
    strips = sample_piece(light, located.pose, piece)
    if scan.encoding_source == "default" and scan.curve != LINEAR:
        as_default = edge_lopsidedness(strips.samples, strips.profiles, strips.spread)
        if as_default.lopsided > _LOPSIDED or as_default.misfit > _MISFIT:
            other = replace(scan, curve=LINEAR, encoding_source="judged by its edges")
            other_light = light_of(other, located, piece)
            if is_clearly_better(edge_shape(other_light, located.pose, piece), as_default):
                check_light(other, other_light)
                strips = sample_piece(other_light, located.pose, piece)
                return _Prepared(scan=other, light=other_light, located=located, strips=strips)
    return _Prepared(scan=scan, light=light, located=located, strips=strips)


def _places(fits: FeatureFits, piece: Piece, located: LocatedPiece) -> PlaceData:
    """Return the measured places of the formed features along their measured directions."""
    pixel = np.array(located.pose.pixel_mm)
    centres = piece.features[["x_mm", "y_mm"]].to_numpy(float)
    glass = located.pose.to_pixels(centres) * pixel
    points, directions, values, u = [], [], [], []
    strip_ok = np.array([word == "yes" for word in fits.strip_verdicts.formed])
    for i in np.flatnonzero(strip_ok):
        row, normal = fits.strips.rows[i], fits.strips.samples.normal[i]
        points.append(centres[row])
        directions.append(normal)
        values.append(glass[row] @ normal + fits.strip_fits.centre_mm[i])
        u.append(fits.strip_fits.u_centre_mm[i])
    for row, disc, word in zip(fits.disc_rows, fits.discs, fits.disc_verdicts.formed, strict=True):
        if word != "yes":
            continue
        for axis, shift in ((np.array([1.0, 0.0]), disc.shift_x_mm), (np.array([0.0, 1.0]), disc.shift_y_mm)):
            points.append(centres[row])
            directions.append(axis)
            values.append(glass[row] @ axis + shift)
            u.append(disc.u_shift_mm)
    return PlaceData(
        points_mm=np.array(points), directions=np.array(directions), glass_mm=np.array(values), u_mm=np.array(u)
    )


def _square(fits: FeatureFits, piece: Piece) -> tuple[FloatArray, FloatArray] | None:
    """Return width and shift of the square artefact along the piece's x and y, where it formed."""
    kinds = piece.features["kind"].to_numpy()
    index = [i for i, row in enumerate(fits.strips.rows) if kinds[row] == "square"]
    if len(index) < 2 or any(fits.strip_verdicts.formed[i] != "yes" for i in index[:2]):
        return None
    widths = fits.strip_fits.width_mm[index[:2]]
    # The first strip runs along y, so that its normal is the piece's x, up to sign.
    return widths, fits.strip_fits.centre_mm[index[:2]] * _signs(fits, index[:2])


def _signs(fits: FeatureFits, index: list[int]) -> FloatArray:
    """Return +1 where a strip's normal runs with the piece's axis on the glass, -1 where against it."""
    angles = np.radians([fits.strips.samples.strips[i].angle_deg for i in index])
    normal_piece = np.column_stack((-np.sin(angles), np.cos(angles)))
    return np.array([1.0 if n[a] > 0 else -1.0 for a, n in enumerate(normal_piece)])


def _table(
    scan: Scan,
    piece: Piece,
    code: CodeReading,
    fits: FeatureFits,
    located: LocatedPiece,
    registration: Registration,
) -> tuple[pd.DataFrame, FloatArray]:
    """Return the table of readings and, for every feature, the stretch of a nominal millimetre across it."""
    features = piece.features.reset_index(drop=True)
    n = len(features)
    table = features[["feature_id", "kind", "nominal_mm", "angle_deg", "x_mm", "y_mm", "length_mm", "group"]].copy()
    for name in ("measured_mm", "u_private_mm", "edge_roughness_mm", "confidence", "share", "x_dev_mm", "y_dev_mm"):
        table[name] = np.nan
    table["formed"] = "no"
    flags: list[list[str]] = [[] for _ in range(n)]
    stretch = np.full(n, np.sqrt(registration.pose.scale_x * registration.pose.scale_y))
    _fill_strips(table, flags, stretch, fits, located, registration)
    _fill_discs(table, flags, fits, located, registration)
    table["measured_mm"] = table["measured_mm"].where(table["formed"] != "no")
    pixel = float(np.mean(scan.pixel_mm))
    edge = _U_EDGE_PX * pixel
    table["u_private_mm"] = np.hypot(table["u_private_mm"], edge).where(table["measured_mm"].notna())
    table["u_common_mm"] = U_SCALE * table["measured_mm"]
    table["U95_mm"] = 1.96 * np.hypot(table["u_private_mm"], table["u_common_mm"])
    table["deviation_mm"] = table["measured_mm"] - table["nominal_mm"]
    table["flags"] = [";".join(words) for words in flags]
    table["scan_id"], table["piece_id"], table["run_id"] = scan.scan_id, piece.piece_id, code.run_id
    return table[list(READING_COLUMNS)], stretch


def _fill_strips(
    table: pd.DataFrame,
    flags: list[list[str]],
    stretch: FloatArray,
    fits: FeatureFits,
    located: LocatedPiece,
    registration: Registration,
) -> None:
    own, strip_fits, along = fits.strips, fits.strip_fits, fits.lengthwise
    rigid = fit_rigid(registration.pose, table[["x_mm", "y_mm"]].to_numpy(float))
    pixel = np.array(located.pose.pixel_mm)
    for row in np.unique(own.rows):
        index = np.flatnonzero(own.rows == row)
        words = [fits.strip_verdicts.formed[i] for i in index]
        table.loc[row, "formed"] = words[0] if len(set(words)) == 1 else "partly"
        # Of a slot that is open in part the width is that of its open part.
        part = along.share[index].mean() if table.loc[row, "formed"] == "partly" else 1.0
        table.loc[row, "measured_mm"] = strip_fits.width_mm[index].mean() / max(part, 0.1)
        u = np.hypot(strip_fits.u_width_mm[index], along.u_ends_mm[index])
        if part < 1:
            u = np.hypot(u / max(part, 0.1), 0.1 * strip_fits.width_mm[index] / max(part, 0.1))
            flags[row].append("width of the formed part")
        table.loc[row, "u_private_mm"] = np.sqrt(np.mean(u**2) / len(index))
        table.loc[row, "edge_roughness_mm"] = along.roughness_mm[index].mean() if words[0] != "no" else np.nan
        table.loc[row, "confidence"] = fits.strip_verdicts.confidence[index].min()
        table.loc[row, "share"] = along.share[index].mean()
        stretch[row] = own.samples.length_scale[index].mean()
        if fits.strip_verdicts.faint[index].any():
            flags[row].append("faint")
        if own.profiles.dirty[index].max() > 0.08:
            flags[row].append("dirty")
        if (strip_fits.width_mm[index] < 4 * strip_fits.sigma_mm[index]).any() and words[0] != "no":
            flags[row].append("contrast borrowed")
        if words[0] == "no":
            continue
        for i in index:
            place = located.pose.to_pixels(table.loc[[row], ["x_mm", "y_mm"]].to_numpy(float)) * pixel
            place = place + strip_fits.centre_mm[i] * own.samples.normal[i]
            dx, dy = rigid.deviations_mm(table.loc[[row], ["x_mm", "y_mm"]].to_numpy(float), place)[0]
            angle = np.radians(own.samples.strips[i].angle_deg)
            nx, ny = -np.sin(angle), np.cos(angle)
            off = dx * nx + dy * ny
            # Along the strip its place is not measured: only the part across it is reported.
            if abs(nx) > 1e-9:
                table.loc[row, "x_dev_mm"] = off * nx
            if abs(ny) > 1e-9:
                table.loc[row, "y_dev_mm"] = off * ny


def _fill_discs(
    table: pd.DataFrame,
    flags: list[list[str]],
    fits: FeatureFits,
    located: LocatedPiece,
    registration: Registration,
) -> None:
    rigid = fit_rigid(registration.pose, table[["x_mm", "y_mm"]].to_numpy(float))
    pixel = np.array(located.pose.pixel_mm)
    for k, row in enumerate(fits.disc_rows):
        disc, word = fits.discs[k], fits.disc_verdicts.formed[k]
        table.loc[row, "formed"] = word
        table.loc[row, "measured_mm"] = disc.diameter_mm
        table.loc[row, "u_private_mm"] = (
            max(fits.strips.noise_inflation / max(disc.misfit, 1.0), 1.0) * disc.u_diameter_mm
        )
        table.loc[row, "confidence"] = fits.disc_verdicts.confidence[k]
        table.loc[row, "share"] = disc.open_share
        if word == "no":
            continue
        table.loc[row, "edge_roughness_mm"] = disc.roundness_mm
        if disc.dirty > 0.08:
            flags[row].append("dirty")
        if disc.diameter_mm < 4 * fits.strips.spread.mean_sigma_mm:
            flags[row].append("contrast borrowed")
        point = table.loc[[row], ["x_mm", "y_mm"]].to_numpy(float)
        place = located.pose.to_pixels(point) * pixel + np.array([disc.shift_x_mm, disc.shift_y_mm])
        dx, dy = rigid.deviations_mm(point, place)[0]
        table.loc[row, "x_dev_mm"], table.loc[row, "y_dev_mm"] = dx, dy


def _remarks(scan: Scan, code: CodeReading, fits: FeatureFits, strips: PieceSamples) -> tuple[str, ...]:
    remarks = []
    if not code.run_id:
        remarks.append("the run code cannot be read (its check fails); the run is left open")
    elif code.mended:
        remarks.append("one doubtful cell of the run code was settled by its check")
    if scan.encoding_source == "judged by its edges":
        remarks.append("the file does not say how it is encoded; its edges say linear light")
    for kind, contrast in fits.kind_contrast.items():
        if abs(contrast - 1) > 0.05:
            remarks.append(f"narrow {kind}s show {contrast:.0%} of the contrast of the plate's wide openings")
    if strips.spread.halo < -0.07:
        remarks.append("edges overshoot: the scanner sharpens its pictures. Switch sharpening off for best results")
    return tuple(remarks)
