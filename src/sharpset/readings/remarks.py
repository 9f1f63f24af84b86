"""What is said of a piece's reading in words: what was doubtful, what was taken off, what to do about it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from sharpset.readings.advice import advice_for
from sharpset.readings.checks.gates import PlateState
from sharpset.readings.edge_quality.roughness import EdgeRoughness
from sharpset.readings.features.fitting import FeatureFits
from sharpset.readings.picture.in_view import Part
from sharpset.readings.picture.runcode import CodeReading
from sharpset.readings.placing.seams import Seam
from sharpset.readings.placing.traces import Levels
from sharpset.readings.prepared import Prepared, is_undeclared
from sharpset.readings.results import is_refused
from sharpset.scans import Scan
from sharpset.scans.encoding import LINEAR

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["remarks_on", "remarks_on_travel", "remarks_on_whole"]

_FEWEST_MARKS = 4
_WORTH_SAYING, _WORTH_SAYING_8 = 0.02, 0.2
"""Chance of another encoding from which on a remark tells it, and that of files of 8 bits, which are sRGB by
convention."""
_UNEVEN_MM, _MOSTLY, _NARROW_MM = 0.003, 0.5, 0.7
"""Standard uncertainty that uneven travel gives a detail, and its share of all (variance), from which on it is worth a
remark, and up to what size details are looked at."""
_LOPSIDED = 0.05
"""Share of the blur from which lopsided edges are worth a remark."""


def remarks_on(
    ready: Prepared, code: CodeReading, fits: FeatureFits, state: PlateState, table: pd.DataFrame
) -> tuple[str, ...]:
    """Return what is said of the piece's marks, code, encoding, contrasts and of light beside its edges."""
    scan, bleed, remarks = ready.scan, ready.light.bleed, []
    marks = table["group"] == "marks"
    if marks.sum() < _FEWEST_MARKS:
        remarks.append("few of the piece's round marks are in the picture; its place comes from its other features")
    elif missing := _without_marks(table[marks]):
        remarks.append(missing)
    if not code.run_id:
        remarks.append("the run code cannot be read (its check fails); the run is left open")
    elif code.mended:
        remarks.append("one doubtful cell of the run code was settled by its check")
    if bleed is not None:
        remarks.append(bleed.summary())
    worth = _WORTH_SAYING if scan.bit_depth > 8 or scan.encoding_source != "default" else _WORTH_SAYING_8
    unsure = f", at a chance of {1 - ready.chance_of_others:.0%}" if ready.chance_of_others > worth else ""
    if ready.retouched:
        low, high = ready.likely_powers
        remarks.append(
            f"the picture went through another curve after it was {advice_for(scan).taken}: its edges say a gamma of "
            f"{scan.curve.gamma:.2g} in all ({low:.2g} to {high:.2g})"
        )
    elif scan.encoding_source == "judged by its edges":
        says = "linear light" if scan.curve == LINEAR else f"a gamma of {scan.curve.gamma:g}"
        remarks.append(f"the file does not say how it is encoded; its edges say {says}{unsure}")
    if is_undeclared(scan) or (scan.encoding_source == "default" and unsure):
        remarks.append(
            f"the file does not say how it is encoded; sRGB is taken{unsure}. If not, give --encoding, as gamma 1.8"
        )
    for kind, contrast in fits.kind_contrast.items():
        if abs(contrast - 1) > 0.05:
            remarks.append(f"narrow {kind}s show {contrast:.0%} of the contrast of the plate's wide openings")
    if doubtful := int(table["flags"].str.contains("part or mark").sum()):
        remarks.append(
            f"{doubtful} slots or bars are narrower or wider over a part of their length, which may be printed so or "
            "be a mark that lies there (flag 'part or mark'); their intervals hold both. Clean the piece and read it "
            "again to know"
        )
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


def _without_marks(marks: pd.DataFrame) -> str:
    """Return what is said where fewer marks are vouched for than a place needs; empty where enough are."""
    fine, refused = marks["formed"] == "yes", is_refused(marks)
    if fine.sum() >= _FEWEST_MARKS:
        return ""
    if (fine | refused).sum() >= _FEWEST_MARKS:
        return (
            f"{refused.sum()} of the {len(marks)} round marks of the piece were refused, see their flags; its place "
            "comes from all features"
        )
    return "the round marks of the piece did not form; its place comes from its other features"


def remarks_on_whole(
    ready: Prepared, levels: Levels, seams: Sequence[Seam], part: Part, roughness: EdgeRoughness
) -> tuple[str, ...]:
    """Return what is said of the picture's levels, encoding and seams, of the piece's part in view and its edges."""
    scan, advice = ready.scan, advice_for(ready.scan)
    remarks = [f"{seam.summary()} ({advice.seam}); features across it are refused" for seam in seams]
    if levels.few:
        remarks.append(
            "the picture has few different values (a palette, or rounding to few levels), which moves edges. Save it "
            "in 8 or 16 bits, grey or full colour, without a palette"
        )
    elif levels.stretched:
        remarks.append(
            "some stored values are missing or doubled: levels were stretched or the picture was brightened after it "
            f"was {advice.taken}, which moves edges. {advice.again} with all automatic corrections off"
        )
    if levels.filled:
        remarks.append(
            "the stored values reach both ends of the scale: a program seems to have stretched the levels, which moves "
            f"edges. {advice.again} with all automatic corrections off"
        )
    if ready.sharpened:
        remarks.append(
            "the picture was sharpened (edges overshoot, and neighbouring pixels differ more than distant ones), which "
            f"moves edges. {advice.unsharpened}. {advice.again}"
        )
    if ready.doubtful:
        remarks.append(
            f"edges suit {scan.encoding} badly: it was sharpened, resampled or turned after it was {advice.taken}, or "
            f"is encoded otherwise. Sizes are as unsure as that; give --encoding. {advice.again} without corrections"
        )
    remarks += part.remarks(advice.whole)
    if roughness.peak_name and not roughness.peak_name.startswith("period"):
        remarks.append(f"edges ripple: {roughness.peak_name}")
    return tuple(remarks)


def remarks_on_travel(scan: Scan, contributions: pd.DataFrame, table: pd.DataFrame) -> tuple[str, ...]:
    """Return what is said of a carriage that travels so unevenly that it makes most of what sizes are unsure by."""
    small = table.loc[(table["nominal_mm"] <= _NARROW_MM) & table["measured_mm"].notna(), "feature_id"]
    lines = contributions[contributions["feature_id"].isin(small)]
    squares = (lines["u_mm"] ** 2).groupby(lines["feature_id"]).sum()
    carriage = lines[lines["line"] == "carriage"].set_index("feature_id")["u_mm"]
    # Pictures that are read together have none of their own.
    if not len(carriage):
        return ()
    mostly = carriage[(carriage > _UNEVEN_MM) & (carriage**2 > _MOSTLY * squares.reindex(carriage.index))]
    if len(mostly) < _FEWEST_MARKS:
        return ()
    advice = advice_for(scan)
    return (
        f"rows of the picture do not lie evenly (uneven travel of the carriage): details up to {_NARROW_MM:g} mm may "
        f"be off by {1960 * mostly.max():.0f} um, which their uncertainty holds. {advice.again} turned by a quarter, "
        "and read both together",
    )
