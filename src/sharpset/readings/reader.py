"""Read a scan: from a picture file to tables of readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from sharpset.errors import ReadingError
from sharpset.pieces import Piece
from sharpset.readings.advice import advice_for
from sharpset.readings.assembling import assemble, places_of, square_of
from sharpset.readings.checks.check_wire import CheckReading, read_check_wire
from sharpset.readings.checks.gates import (
    PlateState,
    check_backing,
    check_blur,
    check_ground,
    check_light,
    check_pixels,
    check_plate,
    check_shade,
    refuse_features,
)
from sharpset.readings.edge_quality.quality import measure_quality
from sharpset.readings.edges.bleed_fit import measure_bleed
from sharpset.readings.edges.spread import edge_residual, measure_edge_spread
from sharpset.readings.features.curve_evidence import DEFAULT_GAMMA, CurveChance, both_ways, off_by
from sharpset.readings.features.fitting import (
    FeatureFits,
    PieceSamples,
    levels_of,
    read_features,
    sample_piece,
    sampled_anew,
)
from sharpset.readings.features.slant import without_slant
from sharpset.readings.picture.in_view import part_in_view, with_the_unseen
from sharpset.readings.picture.light import PieceLight, light_of
from sharpset.readings.picture.runcode import CodeReading, read_run_code
from sharpset.readings.picture.unlit import check_openings_lit
from sharpset.readings.placing.piece_scale import check_scale, scale_as_the_piece_says
from sharpset.readings.placing.registration import pose_from_marks, register
from sharpset.readings.placing.seams import across_seams, find_seams
from sharpset.readings.placing.traces import fills_scale, is_stretched
from sharpset.readings.placing.true_places import (
    as_edges_are,
    at_true_places,
    local_scale,
    outline_px,
    with_exponent,
    with_scale,
    without_shade,
)
from sharpset.readings.placing.unfiltered import without_median
from sharpset.readings.quantity import Quantity
from sharpset.readings.results import READING_COLUMNS, PieceReading, ScanReading
from sharpset.readings.uncertainty.contributions import (
    U_PHOTOGRAPHED,
    U_STRETCHED,
    U_TRANSFER,
    U_UNDECLARED,
    u_of_curve,
)
from sharpset.readings.uncertainty.values import corner_radius, growths, scales
from sharpset.scans import (
    LocalScale,
    LocatedPiece,
    Pose,
    ScaleSources,
    Scan,
    ScanScale,
    locate_pieces,
    open_scan,
    settle_scale,
)
from sharpset.scans.axis_scale import U_UNCALIBRATED
from sharpset.scans.encoding import LINEAR, gamma_curve
from sharpset.scans.locate import Mirror

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["U_SCALE", "Prepared", "prepare_piece", "read_scan"]

U_SCALE = U_UNCALIBRATED
"""Relative standard uncertainty of a scale that nothing but a dpi tag or argument vouches for."""
_CLEAR_OF_PIECES_MM = 0.5
_FEWEST_MARKS = 4
_SURE_MATCH, _SURE_LEAD = 0.75, 0.2
"""From what correlation with its drawing, and lead over other turns, a piece whose marks are lost is still read."""
_SUSPECT_RESIDUAL, _LESS, _CLEARLY_LESS = 0.0004, 0.55, 0.375
"""Residual of the mean edge from which on sRGB is doubted in files of 8 bits, and the shares of it that linear light
must leave to be likely and to be clear. Pictures in sRGB that were sharpened, resampled or turned afterwards left 0.39
to 0.61 on rendered scans, linear ones 0.13 to 0.36, and 0.41 with a blur that is no normal one."""
_WORTH_SAYING, _WORTH_SAYING_8 = 0.02, 0.2
"""Chance of another encoding from which on a remark tells it, and that of files of 8 bits, which are sRGB by
convention."""
_NEAR_CURVE = 0.3
"""Relative error of the exponent up to which other curves pull sizes towards theirs, each by its chance: a mean over
linear light and sRGB would be true of neither."""
_LIKELIER = 0.5
_EITHER = (CurveChance(gamma=1.0, chance=0.5), CurveChance(gamma=DEFAULT_GAMMA, chance=0.5))
_SAME_FACE_MM = 0.15
_LOPSIDED = 0.05
"""Share of the blur from which lopsided edges are worth a remark."""


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
    located = locate_pieces(scan, piece, mirror=mirror)
    outlines = [outline_px(one, piece, margin_mm=_CLEAR_OF_PIECES_MM) for one in located]
    scale = settle_scale(scan, scale_sources, exclude_px=outlines, channel=located[0].channel)
    readings, faults = [], []
    for one in located:
        try:
            readings.append(_read_piece(scan, one, piece, known_run_ids, scale, located))
        except ReadingError as error:
            faults.append(str(error))
    if not readings:
        raise ReadingError(faults[0] if faults[0].startswith(str(path)) else f"{path}: {faults[0]}")
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
        pieces=tuple(readings),
        remarks=_scan_remarks(scan, scale, check, faults),
        scale=scale,
        check=check,
    )


def _scan_remarks(scan: Scan, scale: ScanScale, check: CheckReading | None, faults: Sequence[str]) -> tuple[str, ...]:
    checked = () if check is None else (check.summary(),)
    unread = (f"one piece was not read: {fault}" for fault in faults)
    return (*scan.remarks, scale.summary(), *scale.remarks, *checked, *unread)


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
    scan, located = with_scale(scan, located, local)
    local, face = _at_its_height(scan, piece, local)
    check_pixels(scan, piece)
    whole, part = piece, part_in_view(scan, located, piece, others)
    piece = part.piece
    ready = prepare_piece(scan, located, piece)
    scan, light, located, strips = ready.scan, ready.light, ready.located, ready.strips
    pose = located.pose
    check_blur(scan, strips.spread, piece)
    state = check_plate(scan, light, pose, piece, strips)
    seen = read_features(light, pose, piece, strips)
    if scan.viewing is None:
        check_shade(scan, seen.shade)
    # What is left of light that bled does not add up from edge to edge.
    fits = at_true_places(as_edges_are(seen) if light.bleed is None else seen, piece, pose, local)
    fits = without_median(fits, scan, light) if scan.viewing is None else fits
    fits = without_slant(fits, piece, pose, scan.viewing, ground_share=light.ground_share(pose, piece))
    fits = without_shade(fits)
    places = places_of(fits, piece, pose)
    registration = register(places, pose)
    check_scale(scan, registration.pose)
    sized: tuple[str, ...] = ()
    if scale.source == "nominal":
        local, sized = scale_as_the_piece_says(scan, registration.pose, local)
    seams = find_seams(places, registration.pose)
    code = read_run_code(light, registration.pose, piece, known=known)
    advice = advice_for(scan)
    stretched = scan.kind != "JPEG" and is_stretched(light.stored)
    # Cameras send highlights there.
    filled = not stretched and scan.viewing is None and fills_scale(light.stored)
    developed = scan.viewing is None or scan.viewing.is_linear
    u_tones = U_PHOTOGRAPHED if scan.viewing is None or scan.viewing.u_tones is None else scan.viewing.u_tones
    u_transfer = U_STRETCHED if stretched or filled else U_TRANSFER if developed else u_tones
    # Lit walls and light that bleeds make edges lean as a wrong curve does; taken off for it they double its error.
    twice = 2.0 if light.bleed is not None or fits.shade.taken_all_mm != 0 else 1.0
    off_by_others = ready.off_by(piece)
    near = twice * sum(off * chance for off, chance in off_by_others if abs(off) < _NEAR_CURVE)
    fits = with_exponent(fits, near)
    known_off = [(twice * off, chance) for off, chance in off_by_others]
    u_of_others = u_of_curve(u_transfer, known_off, taken_off=near)
    u_transfer = max(U_UNDECLARED, u_of_others) if ready.doubtful else u_of_others
    assembled = assemble(fits, piece, pose, registration.pose, u_scale=(local.u_x, local.u_y), u_transfer=u_transfer)
    table = assembled.table.assign(scan_id=scan.scan_id, piece_id=piece.piece_id, run_id=code.run_id)
    across = across_seams(seams, piece.features, registration.pose)
    table = refuse_features(table[list(READING_COLUMNS)], piece, fits, state, across)
    remarks = (*face, *sized, *_remarks(ready, code, fits, state, table))
    for seam in seams:
        remarks = (*remarks, f"{seam.summary()} ({advice.seam}); features across it are refused")
    if stretched:
        remarks = (
            *remarks,
            "some stored values are missing or doubled: levels were stretched or the picture was brightened after it "
            f"was {advice.taken}, which moves edges. {advice.again} with all automatic corrections off",
        )
    if filled:
        remarks = (
            *remarks,
            "the stored values reach both ends of the scale: a program seems to have stretched the levels, which moves "
            f"edges. {advice.again} with all automatic corrections off",
        )
    if ready.doubtful:
        remarks = (
            *remarks,
            f"edges suit {scan.encoding} badly: it was sharpened, resampled or turned after it was {advice.taken}, or "
            f"is encoded otherwise. Sizes are as unsure as that; give --encoding. {advice.again} without corrections",
        )
    remarks = (*remarks, *part.remarks(advice.whole))
    if scale.source != "nominal":
        remarks = (*remarks, local.summary())
    quantities: dict[str, Quantity] = growths(table, assembled.stretch)
    quantities |= scales(registration, local)
    radius = corner_radius(light, pose, piece, strips.spread, square_of(seen, piece))
    quantities[radius.name] = radius
    quality = measure_quality(light, pose, piece, seen)
    quantities |= quality.quantities()
    if quality.roughness.peak_name and not quality.roughness.peak_name.startswith("period"):
        remarks = (*remarks, f"edges ripple: {quality.roughness.peak_name}")
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


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Prepared:
    """A piece ready to be read: encoding and pose settled, pixels sampled.

    `doubtful` says that its edges do not suit the encoding that its file is read with, `curves` how likely a file that
    does not say so is encoded by which power.
    """

    scan: Scan
    light: PieceLight
    located: LocatedPiece
    strips: PieceSamples
    doubtful: bool = False
    curves: tuple[CurveChance, ...] = ()

    @property
    def chance_of_others(self) -> float:
        """Chance that another power than the one it is read with is the right one."""
        taken = self.scan.curve.gamma if np.isfinite(self.scan.curve.gamma) else DEFAULT_GAMMA
        return float(sum(one.chance for one in self.curves if one.gamma != taken))

    def off_by(self, piece: Piece) -> list[tuple[float, float]]:
        """Return by what relative error of the exponent edges are off if another power is right, and its chance."""
        light = levels_of(self.light, self.located.pose, piece)
        taken = self.scan.curve.gamma if np.isfinite(self.scan.curve.gamma) else DEFAULT_GAMMA
        others = (one for one in self.curves if one.gamma != taken)
        return [(off_by(one.gamma, self.scan.curve, light), one.chance) for one in others]

    @property
    def residual(self) -> float:
        """What symmetric blur leaves unexplained of the wide edges."""
        return edge_residual(self.strips.edges, self.strips.spread)


def prepare_piece(scan: Scan, located: LocatedPiece, piece: Piece) -> Prepared:
    """Settle the pose and the encoding, and sample the piece."""
    check_openings_lit(scan, located, piece)
    light = light_of(scan, located, piece)
    check_light(scan, light)
    check_backing(scan, light, located.pose, piece)
    check_ground(scan, light, located.pose, piece)
    located = replace(located, pose=_settle_pose(light, located, piece))
    strips = sample_piece(light, located.pose, piece)
    as_default = edge_residual(strips.edges, strips.spread)
    # JPEG files hold sRGB (JFIF, EXIF), and what they lose upsets edges more than a wrong curve does.
    is_open = scan.encoding_source == "default" and scan.curve != LINEAR and scan.kind != "JPEG"
    default = Prepared(scan=scan, light=light, located=located, strips=strips)
    if not is_open or (as_default <= _SUSPECT_RESIDUAL and not _is_undeclared(scan)):
        return _freed(replace(default, curves=_EITHER if _is_undeclared(scan) else ()), piece)
    other = replace(scan, curve=LINEAR, encoding_source="judged by its edges")
    other_light = light_of(other, located, piece)
    ways = both_ways(other_light, located.pose, strips)
    if _is_undeclared(scan):
        return _likelier(default, other, other_light, piece, ways.chances(n_bits=scan.bit_depth))
    # Files of 8 bits are sRGB by convention, which yields only to clear evidence.
    doubtful = _CLEARLY_LESS <= ways.share < _LESS
    if ways.share >= _CLEARLY_LESS:
        freed = _freed(default, piece)
        doubtful = doubtful and freed.residual > _SUSPECT_RESIDUAL
        # Light that bleeds to one side looks like a wrong curve, and what cameras do to tones is allowed for anyway.
        if doubtful or freed.light.bleed is not None or scan.viewing is not None:
            return replace(freed, doubtful=doubtful)
        return _by_the_likeliest(freed, piece, ways.chances(n_bits=scan.bit_depth))
    linear = _as_linear(default, other, other_light, piece)
    if linear.light.bleed is None:
        return linear
    # Light that bleeds to one side looks like a wrong curve: both ways are freed of it before they are compared.
    default = _freed(default, piece)
    return linear if linear.residual < _CLEARLY_LESS * default.residual else default


def _likelier(
    default: Prepared, other: Scan, light: PieceLight, piece: Piece, curves: tuple[CurveChance, ...]
) -> Prepared:
    """Return a piece of a file that may hold either sRGB or linear light, the likelier way."""
    if max(curves, key=lambda one: one.chance).gamma != 1.0:
        freed = _freed(default, piece)
        if freed.light.bleed is None:
            return _by_the_likeliest(freed, piece, curves)
        # Light that bleeds to one side looks like a wrong curve.
        return replace(freed, curves=_EITHER)
    linear = replace(_as_linear(default, other, light, piece), curves=curves)
    if linear.light.bleed is None:
        return linear
    freed = _freed(default, piece)
    return linear if linear.residual < _LESS * freed.residual else replace(freed, curves=_EITHER)


def _by_the_likeliest(ready: Prepared, piece: Piece, curves: tuple[CurveChance, ...]) -> Prepared:
    """Return a piece that was read as sRGB, without light that bleeds, by the likeliest of the powers."""
    best = max(curves, key=lambda one: one.chance)
    if best.gamma in (1.0, DEFAULT_GAMMA) or best.chance < _LIKELIER:
        return replace(ready, curves=curves)
    scan = replace(ready.scan, curve=gamma_curve(best.gamma), encoding_source="judged by its edges")
    light = light_of(scan, ready.located, piece)
    strips = sample_piece(light, ready.located.pose, piece)
    return replace(ready, scan=scan, light=light, strips=strips, curves=curves)


def _as_linear(default: Prepared, other: Scan, light: PieceLight, piece: Piece) -> Prepared:
    check_light(other, light)
    strips = sample_piece(light, default.located.pose, piece)
    return _freed(replace(default, scan=other, light=light, strips=strips), piece)


def _freed(ready: Prepared, piece: Piece) -> Prepared:
    """Return a piece with light that bleeds to one side of its edges taken out."""
    light, strips, pose = ready.light, ready.strips, ready.located.pose
    # Walls that are seen at a slant lie beside edges too (`slant`).
    bleed = None if ready.scan.viewing is not None else measure_bleed(light, pose, strips.edges, strips.spread)
    if bleed is None:
        return ready
    # Bled light had widened the blur; the blur that is left without it takes its place.
    freed = measure_edge_spread(sampled_anew(replace(light, bleed=bleed), pose, strips.edges))
    light = replace(light, bleed=replace(bleed, blur_mm=min(bleed.blur_mm, freed.mean_sigma_mm)))
    return replace(ready, light=light, strips=sample_piece(light, pose, piece))


def _settle_pose(light: PieceLight, located: LocatedPiece, piece: Piece) -> Pose:
    """Return the pose by the marks or, where a bad print has lost them and the pattern is sure, by the features."""
    try:
        return pose_from_marks(light, located.pose, piece)
    except ReadingError:
        if located.match < _SURE_MATCH or located.lead < _SURE_LEAD:
            raise
        fits = read_features(light, located.pose, piece, sample_piece(light, located.pose, piece))
        return register(places_of(fits, piece, located.pose), located.pose).pose


def _is_undeclared(scan: Scan) -> bool:
    """Whether a file may as well hold linear light as sRGB; 8-bit files without a word are sRGB by convention."""
    return scan.encoding_source == "default" and scan.bit_depth > 8


def _remarks(
    ready: Prepared, code: CodeReading, fits: FeatureFits, state: PlateState, table: pd.DataFrame
) -> tuple[str, ...]:
    scan, bleed, remarks = ready.scan, ready.light.bleed, []
    marks = table["group"] == "marks"
    if marks.sum() < _FEWEST_MARKS:
        remarks.append("few of the piece's round marks are in the picture; its place comes from its other features")
    elif (table.loc[marks, "formed"] == "yes").sum() < _FEWEST_MARKS:
        remarks.append("the round marks of the piece did not form; its place comes from its other features")
    if not code.run_id:
        remarks.append("the run code cannot be read (its check fails); the run is left open")
    elif code.mended:
        remarks.append("one doubtful cell of the run code was settled by its check")
    if bleed is not None:
        remarks.append(bleed.summary())
    worth = _WORTH_SAYING if scan.bit_depth > 8 or scan.encoding_source != "default" else _WORTH_SAYING_8
    unsure = f", at a chance of {1 - ready.chance_of_others:.0%}" if ready.chance_of_others > worth else ""
    if scan.encoding_source == "judged by its edges":
        says = "linear light" if scan.curve == LINEAR else f"a gamma of {scan.curve.gamma:g}"
        remarks.append(f"the file does not say how it is encoded; its edges say {says}{unsure}")
    if _is_undeclared(scan) or (scan.encoding_source == "default" and unsure):
        remarks.append(
            f"the file does not say how it is encoded; sRGB is taken{unsure}. If not, give --encoding, as gamma 1.8"
        )
    for kind, contrast in fits.kind_contrast.items():
        if abs(contrast - 1) > 0.05:
            remarks.append(f"narrow {kind}s show {contrast:.0%} of the contrast of the plate's wide openings")
    u_edge_mm = float(np.hypot(fits.borrowed.edge_mm, fits.shade.u_all_mm))
    if u_edge_mm > _LOPSIDED * fits.strips.spread.mean_sigma_mm:
        remarks.append(
            f"edges are lopsided (shade, glow or sharpening beside them): all sizes may be off by "
            f"{2000 * 1.96 * u_edge_mm:.1f} um in common, which their uncertainty holds"
        )
    if fits.slant is not None and fits.slant.summary():
        remarks.append(fits.slant.summary())
    if fits.filtered is not None:
        undone = "what that takes from small sizes is put back, and smaller ones are refused"
        remarks.append(f"{fits.filtered.loss.summary()}; {undone}. {advice_for(scan).unfiltered}")
    if fits.shade.summary_of_all():
        remarks.append(fits.shade.summary_of_all())
    # Walls that are seen at a slant look like shade, which they are not.
    if any(fits.shade.facing) and not fits.shade.at_slant:
        off = ", which is taken off" if any(fits.shade.is_sure) else ""
        remarks.append(
            f"{fits.shade.summary()}{off}. {advice_for(scan).again} turned by a quarter, and read both together"
        )
    return (*remarks, *state.remarks())
