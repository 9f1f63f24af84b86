"""Gates: what a scan must offer before a number may be read from it, and which single features are refused."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from sharpset.errors import ReadingError
from sharpset.pieces import Piece
from sharpset.readings.advice import SCANNED, Advice, advice_for
from sharpset.readings.checks.plate import (
    Backing,
    Flatness,
    Overshoot,
    PlateMarks,
    measure_backing,
    measure_flatness,
    measure_overshoot,
    measure_plate,
)
from sharpset.readings.checks.smear import Smear, measure_smear
from sharpset.readings.checks.unlike import BENT, BLURRED, Unlike
from sharpset.readings.edges.blur import EdgeSpread
from sharpset.readings.edges.open_steps import OPEN_FROM
from sharpset.readings.features.crossings import crossed_by_lines
from sharpset.readings.features.fitting import FeatureFits
from sharpset.readings.features.piece_samples import PieceSamples, levels_of
from sharpset.readings.features.slant import HIDDEN
from sharpset.readings.features.weighing import HOLE_FORMED_FROM, LEVEL_OFF
from sharpset.readings.picture.light import PieceLight
from sharpset.readings.picture.sensor_lines import SensorLines, find_sensor_lines
from sharpset.readings.placing.traces import FEW_VALUES, share_of_values
from sharpset.readings.shade.lamp_side import ground_unevenness
from sharpset.readings.shade.shading import Shade
from sharpset.scans import Pose, Scan

__all__ = [
    "PlateState",
    "check_backing",
    "check_blur",
    "check_flatness",
    "check_ground",
    "check_light",
    "check_pixels",
    "check_plate",
    "check_shade",
    "off_levels",
    "refuse_features",
    "too_small_to_tell",
    "wanted_mm",
]

FILTERED = "filtered"
_LEAST_CNR = 4.0
_MOST_CLIPPED = 0.2
_LEAST_PIXELS = 1.2
_MOST_BLUR = 0.75
_MOST_GLARE = 0.10
"""The smooth map of the plate's light stands patches on about a tenth of the plate; beyond, it follows them."""
_MOST_DUST, _MUCH_DUST = 0.10, 0.01
"""Every strip then carries several marks, and more than one in ten of its steps may be lost."""
_UNEVEN_BLUR, _MUCH_UNEVEN_BLUR = 1.25, 2.0
"""A blur that is off by 20 % moves widths of two pixels by 0.15 px, by 40 % about twice as much; features of all places
share one blur, from which each may depart by what their scatter allows."""
_RIMS = "the plate is brighter along its edges, and what lies beside it no darker, as no sharpening makes it"
_FEWEST_LEVELS = 8
"""Features that tell what light beside them usually is."""
_OVERSHOOT, _MOST_OVERSHOOT = 0.010, 0.04
_LOPSIDED, _LOPSIDED_FROM = 0.01, 0.02
"""Sharpened after encoding, edges of rendered pictures moved by 2 to 5 um at 1200 dpi from an overshoot of 0.02 on, and
intervals no longer held the truth. In linear light 0.026 did no harm and 0.06 did."""
_MOST_UNEVEN = 0.05
"""Of the ground behind a dark piece, inner four fifths. Rendered with lamps, walls and diffuse light, pieces of 0.3 and
0.4 mm showed 0.09 to 0.15, with narrow slots 0.1 mm too narrow or called closed; even ground stays within 0.02."""
_MOST_PATTERN = 0.35
"""Of the same ground where walls are not the reason: openings may be crossed by what is not seen through wide ones. On
rendered squared paper whose lines took 0.3 of the light intervals held, on such of 0.6 they did not (83 %)."""
_MOST_SHADE_MM = 0.02
"""Excess breadth of edges on one side: that of a band of 40 um that lacks half the contrast. Beyond, bands reach
farther than the blur, and their depth is anybody's guess."""
_LIGHTER = "Coat the piece with light matt paint and lay it on black, or light the ground from behind."
_FEW = "(a palette, or rounding to few levels). Save it in 8 or 16 bits, grey or full colour, without a palette"
_REACHES = 3.0
_MOST_BACKING, _SOME_BACKING = 0.25, 0.02
_MOST_DIRTY = 0.3
_LEAST_OF_U, _SURE_OF_SIZE = 5.0, 0.9
"""Standard uncertainties that a size must be for anything to have formed, as in `formed`; how sure it must be that
it is no less than the size of something formed."""
_BLANKED = (
    *("measured_mm", "U95_mm", "deviation_mm", "x_dev_mm", "y_dev_mm", "edge_roughness_mm"),
    *("u_private_mm", "u_common_mm"),
)


def wanted_mm(piece: Piece) -> float:
    """Return the smallest size that the piece was made for, mm."""
    wanted = piece.parameters.get("smallest_mm") or {}
    sizes = [float(size) for size in wanted.values()] or [float(piece.features["nominal_mm"].min())]
    return min(sizes)


def check_light(scan: Scan, light: PieceLight) -> None:
    """Refuse a picture that is clipped or too faint.

    Raises
    ------
    ReadingError
    """
    if light.clipped > _MOST_CLIPPED:
        raise ReadingError(
            f"{scan.path}: {light.clipped:.0%} of the plate or of the background is at the end of the scale, so "
            f"edges have lost part of their shape. {advice_for(scan).exposure}"
        )
    if light.contrast_to_noise < _LEAST_CNR:
        raise ReadingError(
            f"{scan.path}: contrast is only {light.contrast_to_noise:.1f} times the noise; {_LEAST_CNR:g} is needed. "
            f"{advice_for(scan).light}"
        )


def check_ground(scan: Scan, light: PieceLight, pose: Pose, piece: Piece) -> None:
    """Refuse a dark piece on a pattern, or whose walls shade the ground in its openings: narrow ones then look closed.

    Raises
    ------
    ReadingError
    """
    if light.contrast > 0 or scan.viewing is not None:
        return
    of_all, by_walls = ground_unevenness(light, pose, piece)
    if of_all > _MOST_PATTERN:
        raise ReadingError(
            f"{scan.path}: the ground differs by {of_all:.0%} of the contrast from place to place (lines or dirt on "
            f"it); {_MOST_PATTERN:.0%} is the most. {advice_for(scan).backing}"
        )
    if by_walls > _MOST_UNEVEN:
        raise ReadingError(
            f"{scan.path}: the ground in wide openings differs by {by_walls:.0%} of the contrast: the dark piece's "
            f"walls shade it, and narrow openings look closed. {_LIGHTER}"
        )


def check_shade(scan: Scan, shade: Shade) -> None:
    """Refuse a scan in which a lamp at one side shades far more than a narrow band beside edges.

    Raises
    ------
    ReadingError
    """
    excess = max(
        abs(seen.variance_mm2) if is_sure else 0.0
        for seen, is_sure in zip(map(shade.seen, (0, 1)), shade.is_sure, strict=True)
    )
    if excess > _MOST_SHADE_MM**2:
        raise ReadingError(
            f"{scan.path}: edges that face one way are {1000 * excess**0.5:.0f} um broader than the others "
            f"({1000 * _MOST_SHADE_MM:.0f} um is the most): a lamp on one side shades what is beside them. {_LIGHTER}"
        )


def check_pixels(scan: Scan, piece: Piece) -> None:
    """Refuse a scan too coarse for the sizes the piece was made for.

    Raises
    ------
    ReadingError
    """
    wanted = wanted_mm(piece)
    pixel = max(scan.pixel_mm)
    if pixel * _LEAST_PIXELS > wanted:
        raise ReadingError(
            f"{scan.path}: pixels are {1000 * pixel:.1f} um, too coarse for the {wanted:.2f} mm details of this piece. "
            + advice_for(scan).finer.format(dpi=100 * int(-(-2.5 * 25.4 / wanted // 100)))
        )


def check_blur(scan: Scan, spread: EdgeSpread, piece: Piece) -> None:
    """Refuse a scan too blurred for the sizes the piece was made for.

    Raises
    ------
    ReadingError
    """
    wanted = wanted_mm(piece)
    blur = max(spread.sigma_x_mm, spread.sigma_y_mm)
    if blur > _MOST_BLUR * wanted:
        raise ReadingError(
            f"{scan.path}: edges are blurred by {1000 * blur:.0f} um (standard deviation), too much for the "
            f"{wanted:.2f} mm details of this piece. {advice_for(scan).in_focus}"
        )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PlateState:
    """What the gates saw of plate and scan."""

    marks: PlateMarks
    flatness: Flatness
    smear: Smear
    overshoot: Overshoot
    bright_rims: bool
    backing: Backing
    lines: SensorLines
    lined: NDArray[np.bool_]
    advice: Advice = SCANNED

    def remarks(self) -> tuple[str, ...]:
        """Return what is worth a remark though it stops no reading."""
        found = []
        if self.marks.glare_share > 0:
            found.append(
                f"{self.marks.glare_share:.1%} of the plate shines (glare); features beside it are refused. "
                f"{self.advice.glare}"
            )
        if self.backing.share > _SOME_BACKING:
            found.append(
                f"the background is uneven behind {self.backing.share:.0%} of the wide openings; features there are "
                f"refused. {self.advice.backing}"
            )
        if len(self.lines):
            found.append(f"{self.lines.summary()}; small features along them are refused. {self.advice.sensor}")
        if self.marks.dust_share > _MUCH_DUST:
            found.append(f"dust or scratches on {self.marks.dust_share:.1%} of the plate. {self.advice.clean}")
        if self.flatness.uneven and self.flatness.ratio > _UNEVEN_BLUR:
            found.append(f"{self.flatness.summary()}: {self.advice.not_flat}. {self.advice.lay_flat}")
        if self.smear.remark():
            found.append(f"{self.smear.remark()}: {self.advice.moved}. {self.advice.still}")
        if self.overshoot.largest > _OVERSHOOT:
            cure = f"the picture was sharpened. {self.advice.unsharpened} for best results"
            cause = f"{_RIMS}. {self.advice.glare}" if self.bright_rims else cure
            found.append(f"edges overshoot by {self.overshoot.largest:.1%}: {cause}")
        return tuple(found)


def check_backing(scan: Scan, light: PieceLight, pose: Pose, piece: Piece) -> Backing:
    """Return what lies behind the piece; refuse a picture where it is uneven.

    Parameters
    ----------
    scan, light, pose, piece : as read

    Raises
    ------
    ReadingError
    """
    backing = measure_backing(light, pose, piece)
    if backing.share > _MOST_BACKING:
        raise ReadingError(
            f"{scan.path}: what is seen through {backing.share:.0%} of the wide openings is neither plate nor an even "
            f"background; {_MOST_BACKING:.0%} is the most. {advice_for(scan).backing}"
        )
    return backing


def check_plate(scan: Scan, light: PieceLight, pose: Pose, piece: Piece, strips: PieceSamples) -> PlateState:
    """Refuse a scan with much glare or dust, of a piece that moved or does not lie flat, or that was sharpened.

    Parameters
    ----------
    scan, light, pose, piece, strips : as read

    Returns
    -------
    PlateState

    Raises
    ------
    ReadingError
    """
    advice = advice_for(scan)
    marks = measure_plate(light, pose, piece)
    few = scan.kind != "JPEG" and share_of_values(light.stored) < FEW_VALUES
    if marks.glare_share > _MOST_GLARE:
        if few:
            raise ReadingError(
                f"{scan.path}: {marks.glare_share:.0%} of the plate is lighter than the rest, as the picture has few "
                f"different values {_FEW}."
            )
        raise ReadingError(
            f"{scan.path}: {marks.glare_share:.0%} of the plate shines (glare); {_MOST_GLARE:.0%} is the most. "
            f"{advice.glare}. {advice.again}."
        )
    if marks.dust_share > _MOST_DUST:
        raise ReadingError(
            f"{scan.path}: dust or scratches cover {marks.dust_share:.0%} of the plate; {_MOST_DUST:.0%} is the most. "
            f"{advice.clean}. {advice.again}."
        )
    backing = check_backing(scan, light, pose, piece)
    flatness = check_flatness(scan, measure_flatness(strips, piece, pose, scan.viewing), piece)
    over = measure_overshoot(strips)
    level = levels_of(light, pose, piece)
    bright_rims = not over.by_a_mask(level.plate, level.background)
    if over.largest > _MOST_OVERSHOOT or (over.largest > _LOPSIDED_FROM and over.lopsided > _LOPSIDED):
        seen = f"edges overshoot by {over.plate:.1%} on the plate and {over.background:.1%} beside it"
        if few:
            raise ReadingError(f"{scan.path}: {seen}, as it was sharpened or has few different values {_FEW}.")
        if bright_rims:
            raise ReadingError(f"{scan.path}: {seen}: {_RIMS}. {advice.glare}. {advice.again}.")
        raise ReadingError(f"{scan.path}: {seen}; the picture was sharpened. {advice.unsharpened}. {advice.again}.")
    # In photographs, walls that are seen at a slant make edges differ by direction.
    smear = measure_smear(strips) if scan.viewing is None else Smear()
    if fault := smear.fault(wanted_mm(piece)):
        raise ReadingError(f"{scan.path}: {fault}: {advice.moved}. {advice.still}. {advice.again}.")
    lines = find_sensor_lines(light)
    lined = lines.touches(piece.features, pose, _REACHES * strips.spread.mean_sigma_mm)
    return PlateState(
        marks=marks,
        flatness=flatness,
        smear=smear,
        overshoot=over,
        bright_rims=bright_rims,
        backing=backing,
        lines=lines,
        lined=lined,
        advice=advice,
    )


def check_flatness(scan: Scan, flatness: Flatness, piece: Piece) -> Flatness:
    """Return what the blur of wide strips says; refuse a picture that is blurred too much in one place.

    Raises
    ------
    ReadingError
    """
    worst = flatness.highest_mm > _MOST_BLUR * wanted_mm(piece) or flatness.ratio > _MUCH_UNEVEN_BLUR
    if flatness.uneven and worst:
        advice = advice_for(scan)
        raise ReadingError(f"{scan.path}: {flatness.summary()}; {advice.not_flat}. {advice.lay_flat}. {advice.again}.")
    return flatness


def refuse_features(
    table: pd.DataFrame,
    piece: Piece,
    fits: FeatureFits,
    state: PlateState,
    across: NDArray[np.bool_],
    unlike: Unlike | None = None,
) -> pd.DataFrame:
    """Empty the values of features that cannot be read, and say why in their flags.

    Parameters
    ----------
    table : pandas.DataFrame
        Readings, a row a feature of the piece.
    piece : Piece
    fits : FeatureFits
    state : PlateState
    across : ndarray of bool
        Which features lie across a seam of the scan.
    unlike : Unlike, optional
        Which lie where the scan is unlike the rest.

    Returns
    -------
    pandas.DataFrame
        With flags ``refused: glare``, ``refused: askew`` (its ends lie beside their places: it came off, or is no
        feature), ``refused: dim`` (something thin may close it), ``refused: small`` (a hole narrower than a pixel),
        ``refused: line of the scanner``, ``refused: seam``, ``refused: uneven background``, ``refused: uneven light``,
        ``refused: dirty``, ``refused: rows displaced``, ``refused: blurred otherwise here``,
        ``refused: hidden at a slant``, ``refused: filtered`` (narrower than a filter against
        specks) or ``refused: unsure`` (below five standard uncertainties, or both open and closed for all that can be
        told). A verdict 'yes' is withdrawn to 'partly', as nothing vouches for it, and so is a 'no' where the view was
        hidden, filtered, displaced or blurred; its confidence is 0.5.
    """
    reasons = _reasons(len(table), piece, fits, state)
    _name(reasons, np.arange(len(across)), across, "seam")
    if unlike is not None:
        reasons = [reason or own for reason, own in zip(reasons, unlike.reasons, strict=True)]
    _name(reasons, np.arange(len(table)), too_small_to_tell(table), "unsure")
    refused = np.array([reason != "" for reason in reasons])
    table = table.assign(confidence=np.minimum(table["confidence"], _sure_of_size(table)))
    if not refused.any():
        return table
    table.loc[refused, list(_BLANKED)] = np.nan
    hidden = np.array([reason in (HIDDEN, FILTERED, BENT, BLURRED) for reason in reasons])
    table.loc[refused & ((table["formed"] == "yes").to_numpy() | hidden), "formed"] = "partly"
    table.loc[refused, "confidence"] = 0.5
    table["flags"] = [
        ";".join(word for word in (flags, f"refused: {reason}" if reason else "") if word)
        for flags, reason in zip(table["flags"], reasons, strict=True)
    ]
    return table


def too_small_to_tell(table: pd.DataFrame) -> NDArray[np.bool_]:
    """Return which formed features may be nothing, or less than anything that formed, by all that sizes may be off by.

    The fit alone judged whether a feature is more than nothing; what all sizes may be off by is known only with the
    whole table.

    Parameters
    ----------
    table : pandas.DataFrame
        Readings with ``kind``, ``nominal_mm``, ``formed``, ``measured_mm`` and ``U95_mm``.
    """
    least = _LEAST_OF_U * table["U95_mm"].to_numpy(float) / 1.96
    small = (table["measured_mm"].to_numpy(float) < least) | (_sure_of_size(table) < _SURE_OF_SIZE)
    return np.asarray((table["formed"] == "yes").to_numpy() & small)


def _sure_of_size(table: pd.DataFrame) -> NDArray[np.float64]:
    """Return the chance that what has a size is as large as what formed must be, by all that is unsure of it."""
    least = np.where(table["kind"] == "hole", np.sqrt(HOLE_FORMED_FROM), OPEN_FROM) * table["nominal_mm"].to_numpy(
        float
    )
    away = np.abs(table["measured_mm"].to_numpy(float) - least) / (table["U95_mm"].to_numpy(float) / 1.96)
    return np.where(np.isfinite(away), ndtr(away), 1.0)


def off_levels(level: NDArray[np.float64], mapped: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return round which features light differs from the map of plate or ground otherwise than round the others.

    Lines of filament that run along edges may be brighter than those between them, alike beside all edges.

    Parameters
    ----------
    level : ndarray of float, shape (n,)
        Light beside features, share solid.
    mapped : ndarray of float, shape (n,)
        What the maps say of it: 1 for plate, 0 for ground.
    """
    off = level - mapped
    for side in (0.0, 1.0):
        these = mapped == side
        if np.count_nonzero(these) >= _FEWEST_LEVELS:
            off[these] -= np.clip(np.median(off[these]), -LEVEL_OFF, LEVEL_OFF)
    return np.asarray(np.abs(off) > LEVEL_OFF)


def _reasons(n: int, piece: Piece, fits: FeatureFits, state: PlateState) -> list[str]:
    reasons = ["glare" if touched else "" for touched in state.marks.touches(piece)]
    _name(reasons, np.arange(len(state.lined)), state.lined, "line of the scanner")
    _name(reasons, np.arange(len(state.lined)), state.backing.touches(piece), "uneven background")
    _name(reasons, fits.strips.rows, crossed_by_lines(fits), "uneven background")
    solid = fits.strips.samples.is_bar
    off = off_levels(fits.strip_fits.level, np.where(solid, 0.0, 1.0))
    dirty = fits.strips.profiles.dirty > _MOST_DIRTY
    for rows, doubts in ((fits.strips.rows, fits.strip_verdicts.doubts), (fits.disc_rows, fits.disc_verdicts.doubts)):
        for word in ("askew", "dim", "small", "unsure", "dirty"):
            _name(reasons, rows, np.array([doubt == word for doubt in doubts], dtype=bool), word)
    _name(reasons, fits.strips.rows, off, "uneven light")
    _name(reasons, fits.strips.rows, dirty, "dirty")
    levels = np.array([disc.level for disc in fits.discs])
    _name(reasons, fits.disc_rows, off_levels(levels, np.ones(len(levels))), "uneven light")
    _name(reasons, fits.disc_rows, np.array([d.dirty > _MOST_DIRTY for d in fits.discs]), "dirty")
    if fits.slant is not None:
        hidden = fits.slant.hides(piece.features["nominal_mm"].to_numpy(float), fits)
        _name(reasons, np.arange(len(hidden)), hidden, HIDDEN)
    if fits.filtered is not None:
        nominal = piece.features["nominal_mm"].to_numpy(float)
        _name(reasons, np.arange(n), nominal < fits.filtered.loss.narrowest_mm, FILTERED)
    return reasons[:n]


def _name(reasons: list[str], rows: NDArray[np.intp], chosen: NDArray[np.bool_], word: str) -> None:
    for row, hit in zip(rows, chosen, strict=True):
        if hit and not reasons[row]:
            reasons[row] = word
