"""What to do about a picture that will not do: other things for a photograph than for a scan."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sharpset.scans import Scan

__all__ = ["PHOTOGRAPHED", "SCANNED", "Advice", "advice_for"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Advice:
    """Words for refusals and remarks; each is a sentence or the part of one that its name says.

    `again` takes the place of the bare verb, `taken` of its past tense; `finer` is put before a resolution.
    """

    again: str
    taken: str
    finer: str
    in_focus: str
    exposure: str
    background: str
    backing: str
    light: str
    scale: str
    whole: str
    glare: str
    clean: str
    sensor: str
    seam: str
    not_flat: str
    lay_flat: str
    moved: str
    still: str
    unsharpened: str
    unfiltered: str


SCANNED = Advice(
    again="Scan it again",
    taken="scanned",
    finer="Scan again at {dpi} dpi or finer.",
    in_focus="Scan again in focus, the piece flat on the glass.",
    exposure="Scan again with less exposure or contrast, automatic levels off.",
    background="Lay a darker or lighter sheet behind the piece and scan again.",
    backing="Lay one plain sheet, larger than the piece, behind all of it and scan again.",
    light="Use a background that differs more from the plastic, or scan with less noise.",
    scale="Check the resolution ({x:g} x {y:g} dpi from the {source}), or give it with --dpi.",
    whole="Scan again with all of it on the glass.",
    glare="Matt the surface with a thin spray, or turn the piece on the glass",
    clean="Blow piece and glass clean",
    sensor="Clean the scanner's strip of glass (its manual says where), or scan the piece in another place",
    seam="the seam of two sensors, a carriage that slipped, or a layer of the print that did",
    not_flat="the piece does not lie flat on the glass, or the scanner draws softer there",
    lay_flat="Weigh it down (a second glass, the lid closed)",
    moved="piece or scanner moved during the scan, its carriage jerked, or its optics draw badly there",
    still="Let nothing touch it while it scans, and fix the piece with a strip of tape; if it stays so, lay the piece "
    "elsewhere on the glass",
    unsharpened="Switch sharpening (unsharp mask) off in the scanning program",
    unfiltered="Switch dust removal, despeckling and noise filters off in the scanning program",
)
PHOTOGRAPHED = Advice(
    again="Photograph it again",
    taken="photographed",
    finer="Photograph it again with a camera or lens that puts more pixels on the frame (25 mm over {dpi} of them).",
    in_focus="Photograph it again in focus, the camera on a stand.",
    exposure="Photograph it again with less exposure, in even light.",
    background="Lay it in a frame of another ground (photo frame --ground) and photograph it again.",
    backing="Lay the piece with all of its openings over the frame's plain ground and photograph it again.",
    light="Use a frame of another ground (photo frame --ground), or more light and a lower sensitivity.",
    scale="Check that this is the frame that was printed, and give the lengths of its rulers (photo rectify --rulers).",
    whole="Lay all of it inside the frame's window and photograph it again.",
    glare="Matt the surface with a thin spray, or move the lamps",
    clean="Blow the piece clean",
    sensor="Take another photograph",
    seam="a layer of the print that slipped, or pictures that were put together",
    not_flat="part of the piece is out of focus, or it does not lie flat on the card",
    lay_flat="Tape it flat, hold the camera level, from further away, with a smaller aperture",
    moved="camera or piece moved",
    still="Put the camera on a stand and use its self-timer",
    unsharpened="Switch sharpening and scene modes off in the camera, or develop its raw file without sharpening",
    unfiltered="Switch noise filters off in the camera, or develop its raw file without them",
)


def advice_for(scan: Scan) -> Advice:
    """Return the words for a scan, or for a photograph that was made true to size."""
    return PHOTOGRAPHED if scan.viewing is not None or math.isfinite(scan.u_scale) else SCANNED
