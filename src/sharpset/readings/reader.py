"""Read a scan: from a picture file to tables of readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

from sharpset.errors import ReadingError
from sharpset.pieces import Piece
from sharpset.readings.assembling import assemble, bent_places, places_of, square_of
from sharpset.readings.checks.check_wire import CheckReading, read_check_wire
from sharpset.readings.checks.drawing import check_places
from sharpset.readings.checks.gates import (
    PlateState,
    check_blur,
    check_pixels,
    check_plate,
    check_shade,
    refuse_features,
)
from sharpset.readings.checks.photographed import without_walls
from sharpset.readings.checks.unlike import find_unlike
from sharpset.readings.edge_quality.quality import measure_quality
from sharpset.readings.features.fitting import FeatureFits, read_features
from sharpset.readings.features.piece_samples import PieceSamples
from sharpset.readings.features.seen_walls import see_walls
from sharpset.readings.features.slant import WallLight, without_slant
from sharpset.readings.features.wide_blur import without_spill
from sharpset.readings.picture.in_view import part_in_view, with_the_unseen
from sharpset.readings.picture.light import PieceLight
from sharpset.readings.picture.runcode import read_run_code
from sharpset.readings.placing.piece_scale import check_scale, scale_as_the_piece_says
from sharpset.readings.placing.registration import register
from sharpset.readings.placing.seams import across_seams, find_seams
from sharpset.readings.placing.traces import Levels
from sharpset.readings.placing.true_places import (
    as_edges_are,
    at_true_places,
    local_scale,
    outline_px,
    with_exponent,
    without_shade,
)
from sharpset.readings.placing.unfiltered import without_median
from sharpset.readings.prepared import Prepared
from sharpset.readings.preparing import decoded_and_scaled, prepare_piece
from sharpset.readings.quantity import Quantity
from sharpset.readings.remarks import remarks_on, remarks_on_travel, remarks_on_whole
from sharpset.readings.results import READING_COLUMNS, PieceReading, ScanReading
from sharpset.readings.telling_apart import of_other_pieces, told_apart, where_it_lies
from sharpset.readings.uncertainty.contributions import (
    U_PHOTOGRAPHED,
    U_SHARPENED,
    U_STRETCHED,
    U_TRANSFER,
    U_UNDECLARED,
    Unsure,
    u_of_curve,
)
from sharpset.readings.uncertainty.travel import measure_travel
from sharpset.readings.uncertainty.values import corner_radius, growths, scales
from sharpset.scans import (
    LocalScale,
    LocatedPiece,
    ScaleSources,
    Scan,
    ScanScale,
    find_pieces,
    open_scan,
    settle_scale,
)
from sharpset.scans.axis_scale import U_UNCALIBRATED
from sharpset.scans.locate import Mirror

__all__ = ["U_SCALE", "read_scan"]

U_SCALE = U_UNCALIBRATED
"""Relative standard uncertainty of a scale that nothing but a dpi tag or argument vouches for."""
_CLEAR_OF_PIECES_MM = 0.5
_NEAR_CURVE = 0.3
"""Relative error of the exponent up to which other curves pull sizes towards theirs, each by its chance: a mean over
linear light and sRGB would be true of neither."""
_SAME_FACE_MM = 0.15
_WALL_ROUNDS, _WALLS_OF, _WALLS_SETTLED_MM = 2, 0.8, 0.01
"""Walls are drawn anew where more than a fifth of the sizes moved by more."""
_U_LOCATED = 0.005
"""What the scale of a piece may be off by as it was found: a third of a pixel of the reduced picture over 10 mm."""


def read_scan(
    path: Path | str,
    *,
    piece: Piece,
    dpi: float | None = None,
    mirror: Mirror = "auto",
    encoding: str = "auto",
    known_run_ids: Sequence[str] = (),
    scale_sources: ScaleSources | None = None,
    check_wire_mm: float | None = None,
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
    scale_sources : ScaleSources, optional
        A reference that lies in the scan, or a calibration of its scanner; without them the file's resolution counts.
    check_wire_mm : float, optional
        Size of a wire or blade beside the piece, which is read as a check; that of the reference's file by default.

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
    there = find_pieces(scan, piece, mirror=mirror)
    located = there.pieces
    outlines = [outline_px(one, piece, margin_mm=_CLEAR_OF_PIECES_MM) for one in located]
    scale = settle_scale(scan, scale_sources, exclude_px=outlines, channel=located[0].channel)
    readings, faults = [], []
    for one in located:
        try:
            readings.append(_read_piece(scan, one, piece, known_run_ids, scale, located))
        except ReadingError as error:
            faults.append((one, str(error)))
    if not readings:
        fault = faults[0][1]
        raise ReadingError(fault if fault.startswith(str(path)) else f"{path}: {fault}")
    told, of_codes = told_apart(readings, piece)
    unread = [f"the piece {where_it_lies(one.pose, piece)} was not read: {fault}" for one, fault in faults]
    check = None
    if check_wire_mm is None and scale_sources is not None and scale_sources.reference is not None:
        check_wire_mm = scale_sources.reference.check_wire_mm
    if check_wire_mm is not None:
        check = read_check_wire(
            scan,
            check_wire_mm,
            spread=readings[0].edge_spread,
            scale=scale,
            exclude_px=outlines,
            channel=located[0].channel,
        )
    return ScanReading(
        scan_id=scan.scan_id,
        path=Path(path),
        pieces=told,
        remarks=_scan_remarks(scan, scale, check, [*of_codes, *unread, *of_other_pieces(there.others_mm)]),
        scale=scale,
        check=check,
    )


def _scan_remarks(
    scan: Scan, scale: ScanScale, check: CheckReading | None, of_pieces: Sequence[str]
) -> tuple[str, ...]:
    checked = () if check is None else (check.summary(),)
    return (*scan.remarks, scale.summary(), *scale.remarks, *checked, *of_pieces)


def _read_piece(
    scan: Scan,
    located: LocatedPiece,
    piece: Piece,
    known: Sequence[str],
    scale: ScanScale,
    every: Sequence[LocatedPiece],
) -> PieceReading:
    local = local_scale(scale, located, piece)
    others = [other for other in every if other is not located]
    stated = scan.pixel_mm
    scan, located = decoded_and_scaled(scan, located, piece, local)
    check_scale(scan, located.pose, slack=_U_LOCATED)
    local, face = _at_its_height(scan, piece, local)
    check_pixels(scan, piece)
    whole, part = piece, part_in_view(scan, located, piece, others)
    piece = part.piece
    ready = prepare_piece(scan, located, piece)
    scan, located, pose = ready.scan, ready.located, ready.located.pose
    check_blur(scan, ready.strips.spread, piece)
    light, strips = without_spill(scan, ready.light, located, piece, ready.strips)
    state = check_plate(scan, light, pose, piece, strips)
    levels = Levels.of(scan, light)
    u_exponent = _u_exponent(ready, levels)
    light, strips, state, seen, fits = _fitted(ready, light, strips, state, piece, local, u_exponent)
    fits = without_shade(fits)
    places = places_of(fits, piece, pose)
    registration = register(places, pose)
    check_scale(scan, registration.pose)
    sized: tuple[str, ...] = ()
    if scale.source == "nominal":
        local, sized = scale_as_the_piece_says(scan, registration.pose, local)
    seams = find_seams(places, registration.pose)
    if not seams:
        check_places(scan, places, registration, bent=bent_places(fits))
    code = read_run_code(light, registration.pose, piece, known=known)
    fits, u_transfer, off = _with_the_curve(ready, fits, piece, u_exponent)
    travels = measure_travel(seen, pose, local)
    unsure = replace(Unsure.of(scan, stated, (local.u_x, local.u_y), u_transfer, off), travels=travels)
    assembled = assemble(fits, piece, pose, registration.pose, unsure=unsure)
    table = assembled.table.assign(scan_id=scan.scan_id, piece_id=piece.piece_id, run_id=code.run_id)
    across = across_seams(seams, piece.features, registration.pose)
    unlike = None
    if not seams:
        has_rows = scan.viewing is None
        unlike = find_unlike(fits, piece, pose, registration, table["U95_mm"].to_numpy(float), by_carriage=has_rows)
    table = refuse_features(table[list(READING_COLUMNS)], piece, fits, state, across, unlike)
    quality = measure_quality(light, pose, piece, seen)
    remarks = (
        *face,
        *sized,
        *remarks_on(ready, code, fits, state, table),
        *(() if unlike is None else unlike.remarks()),
        *remarks_on_whole(ready, levels, seams, part, quality.roughness),
        *remarks_on_travel(scan, assembled.contributions, table),
        *(() if scale.source == "nominal" else (local.summary(),)),
    )
    quantities: dict[str, Quantity] = growths(table, assembled.stretch)
    quantities |= scales(registration, local)
    radius = corner_radius(light, pose, piece, strips.spread, square_of(seen, piece))
    quantities[radius.name] = radius
    quantities |= quality.quantities()
    return PieceReading(
        scan_id=scan.scan_id,
        piece_id=piece.piece_id,
        run_id=code.run_id,
        pose=registration.pose,
        table=with_the_unseen(table, whole, part.unseen),
        quantities=quantities,
        edge_spread=strips.spread,
        contrast_to_noise=light.contrast_to_noise,
        registration_px=2 * registration.spread_mm / (scan.pixel_mm.x + scan.pixel_mm.y),
        remarks=remarks,
        contributions=assembled.contributions,
        shade=fits.shade,
        quality=quality,
    )


class _Fitted(NamedTuple):
    """A piece's features as they are seen and as they are, and the light, strips and state that they were fitted by."""

    light: PieceLight
    strips: PieceSamples
    state: PlateState
    seen: FeatureFits
    fits: FeatureFits


def _fitted(
    ready: Prepared,
    light: PieceLight,
    strips: PieceSamples,
    state: PlateState,
    piece: Piece,
    local: LocalScale,
    u_exponent: float,
) -> _Fitted:
    """Return the features, in photographs of light plates fitted anew until the walls that they show are taken off."""
    scan, pose = ready.scan, ready.located.pose
    seen, fits = _features(ready, light, strips, piece, local, u_exponent)
    for _ in range(_WALL_ROUNDS):
        # Walls of a dark plate are as dark as it is: what they hide is told by sizes alone (`slant`).
        if scan.viewing is None or light.contrast < 0 or light.bleed is not None:
            break
        everywhere = register(places_of(fits, piece, pose), pose).pose
        walls = see_walls(fits, light, pose, everywhere, piece, scan.viewing)
        if walls is None:
            break
        state = without_walls(state, scan, pose, piece, walls.strips)
        light, strips, before = walls.light, walls.strips, fits.strip_fits.width_mm
        seen, fits = _features(ready, light, strips, piece, local, u_exponent, walls=walls.share)
        if np.quantile(np.abs(fits.strip_fits.width_mm - before), _WALLS_OF) < _WALLS_SETTLED_MM:
            break
    return _Fitted(light, strips, state, seen, fits)


def _features(
    ready: Prepared,
    light: PieceLight,
    strips: PieceSamples,
    piece: Piece,
    local: LocalScale,
    u_exponent: float,
    *,
    walls: WallLight | None = None,
) -> tuple[FeatureFits, FeatureFits]:
    """Return the features as they are seen, and with what scale, filters and walls do to them taken off."""
    scan, pose = ready.scan, ready.located.pose
    seen = read_features(light, pose, piece, strips, curves=ready.solid_beforehand(piece), u_exponent=u_exponent)
    if scan.viewing is None:
        check_shade(scan, seen.shade)
    # What is left of light that bled does not add up from edge to edge.
    fits = at_true_places(as_edges_are(seen) if light.bleed is None else seen, piece, pose, local)
    fits = without_median(fits, scan, light) if scan.viewing is None else fits
    ground_share = light.ground_share(pose, piece)
    return seen, without_slant(fits, piece, pose, scan.viewing, ground_share=ground_share, taken=walls)


def _u_exponent(ready: Prepared, levels: Levels) -> float:
    """Return the relative standard uncertainty of the exponent of a file whose curve is the right one."""
    viewing = ready.scan.viewing
    developed = viewing is None or viewing.is_linear
    u_tones = U_PHOTOGRAPHED if viewing is None or viewing.u_tones is None else viewing.u_tones
    if (levels.stretched or levels.filled) and not ready.retouched:
        return U_STRETCHED
    return U_SHARPENED if ready.sharpened or ready.retouched else U_TRANSFER if developed else u_tones


def _with_the_curve(
    ready: Prepared, fits: FeatureFits, piece: Piece, u_transfer: float
) -> tuple[FeatureFits, float, float]:
    """Return the fits pulled towards what other likely powers say, how far the file's may be off, and the pull."""
    # Lit walls and light that bleeds make edges lean as a wrong curve does; taken off for it they double its error.
    twice = 2.0 if ready.light.bleed is not None or fits.shade.taken_all_mm != 0 else 1.0
    off_by_others = ready.off_by(piece)
    near = twice * sum(off * chance for off, chance in off_by_others if abs(off) < _NEAR_CURVE)
    known_off = [(twice * off, chance) for off, chance in off_by_others]
    u_of_others = u_of_curve(u_transfer, known_off, taken_off=near)
    return with_exponent(fits, near), max(U_UNDECLARED, u_of_others) if ready.doubtful else u_of_others, near


def _at_its_height(scan: Scan, piece: Piece, local: LocalScale) -> tuple[LocalScale, tuple[str, ...]]:
    """Return the scale with what a photograph made true at another height than the piece's face adds, and a remark."""
    if scan.viewing is None or abs(scan.viewing.face_mm - piece.thickness_mm) < _SAME_FACE_MM:
        return local, ()
    above = abs(scan.viewing.face_mm - piece.thickness_mm)
    off = max(above / point.height_mm for point in scan.viewing.points)
    # Both axes err alike, which the lines of two axes that add as squares understate by the root of two.
    u = off * np.sqrt(2 / 3)
    remark = (
        f"the photographs were made true for a face {scan.viewing.face_mm:g} mm above the card, this piece is "
        f"{piece.thickness_mm:g} mm thick: sizes may be off by {off:.1%}. Make them true again with --piece"
    )
    return replace(local, u_x=float(np.hypot(local.u_x, u)), u_y=float(np.hypot(local.u_y, u))), (remark,)
