"""Coloured pieces in JPEG files that store colour at half the resolution: they are read by brightness.

Such files hold brightness, a weighted mean of the encoded channels, pixel by pixel, and colour by means over two or
four pixels. Of a coloured piece each channel is a mixture of both, blurred after it was encoded, which moves edges by
as much as the curve is bent. Brightness is not blurred so; how it rises from ground to plate follows from both colours.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import ReadingError
from sharpset.pieces import Piece
from sharpset.readings.picture.light import pixels_at, sample_points
from sharpset.scans import LocatedPiece, Scan
from sharpset.scans.encoding import TransferCurve

__all__ = ["by_brightness"]

FloatArray = NDArray[np.float64]
_WEIGHTS = np.array([0.299, 0.587, 0.114])
"""Of red, green and blue in the brightness of JPEG files (ITU-T T.871, section 7)."""
_COLOUR_SHARE = 0.05
"""Share of a channel's contrast that colour may make up: at 1200 dpi it moves edges by a quarter of a micrometre."""
_LEAST_STEP, _LEAST_SHARE = 0.06, 0.5
"""Least difference in brightness by which a piece is read, of full scale, and of the best channel's: where both are
less, colour tells the piece from its ground."""
_MIXTURES = np.linspace(-0.5, 2.0, 1001)


def by_brightness(scan: Scan, located: LocatedPiece, piece: Piece) -> tuple[Scan, LocatedPiece]:
    """Return a scan and a piece found in it as they are to be read: by brightness where colour is too coarse.

    Parameters
    ----------
    scan : Scan
    located : LocatedPiece
    piece : Piece

    Returns
    -------
    scan : Scan
        The same one but for coloured pieces in files with coarse colour: a grey one then, whose curve is that of the
        light from this ground to this plate.
    located : LocatedPiece

    Raises
    ------
    ReadingError
        If piece and ground differ in colour but hardly in brightness.
    """
    if not scan.coarse_colour or scan.n_channels < 3 or located.channel is None:
        return scan, located
    plate, ground = (_colour(scan, located, points) for points in sample_points(piece))
    brightness = float(_WEIGHTS @ (plate - ground))
    own = float(plate[located.channel] - ground[located.channel])
    if abs(own - brightness) <= _COLOUR_SHARE * abs(own):
        return scan, located
    curve = _curve(scan, plate, ground)
    if curve is None or abs(brightness) < _LEAST_STEP:
        if abs(brightness) > _LEAST_SHARE * abs(own):
            return scan, located
        raise ReadingError(
            f"{scan.path}: piece and ground differ in colour more than in brightness, and this JPEG file holds colour "
            "at half the resolution. Scan to TIFF or PNG, or lay a darker or lighter ground behind the piece."
        )
    grey = replace(scan, stored=scan.brightness, curve=curve)
    return grey, replace(located, channel=None, plate_is_bright=brightness > 0)


def _colour(scan: Scan, located: LocatedPiece, points_mm: FloatArray) -> FloatArray:
    """Return the typical stored colour at points of the piece, as shares of full scale."""
    seen = pixels_at(scan.pixels, located.pose, points_mm)[:, :3]
    if not len(seen):
        return np.zeros(3)
    return np.asarray(np.median(seen, axis=0) / scan.full_scale)


def _curve(scan: Scan, plate: FloatArray, ground: FloatArray) -> TransferCurve | None:
    """Return light by brightness on the way from a ground's colour to a plate's; None where it rises and falls."""
    levels = np.arange(2**scan.bit_depth) / scan.full_scale
    light = np.asarray(scan.decode(np.arange(len(levels))), dtype=float)
    first, last = np.interp(ground, levels, light), np.interp(plate, levels, light)
    mixed = first + _MIXTURES[:, None] * (last - first)
    stored = np.interp(mixed, light, levels) @ _WEIGHTS
    rise = np.gradient(stored, _MIXTURES)
    between = (_MIXTURES >= 0) & (_MIXTURES <= 1)
    sign = np.sign(stored[between][-1] - stored[between][0])
    if sign == 0 or (sign * rise[between] <= 0).any():
        return None
    # Beyond black or full light of a channel brightness may stand still: it goes on as it ran before.
    middle = len(_MIXTURES) * 2 // 5
    good = sign * rise > 1e-4
    low = middle - int(np.argmin(np.append(good[middle::-1], False))) + 1
    high = middle + int(np.argmin(np.append(good[middle:], False)))
    part, shares = stored[low:high], _MIXTURES[low:high]
    if sign < 0:
        part, shares = part[::-1], shares[::-1]
    share = np.interp(levels, part, shares)
    for end, beyond in ((0, levels < part[0]), (-1, levels > part[-1])):
        inner = 1 if end == 0 else -2
        slope = (shares[inner] - shares[end]) / (part[inner] - part[end])
        share = np.where(beyond, shares[end] + slope * (levels - part[end]), share)
    low_light, high_light = float(_WEIGHTS @ first), float(_WEIGHTS @ last)
    if sign * (high_light - low_light) <= 0:
        return None
    return TransferCurve(name="curve", samples=tuple(low_light + share * (high_light - low_light)))
