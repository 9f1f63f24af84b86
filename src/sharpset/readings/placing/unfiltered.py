"""Put back what a filter against specks took from small sizes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sharpset.errors import ReadingError
from sharpset.readings.advice import advice_for
from sharpset.readings.features.fitting import FeatureFits
from sharpset.readings.picture.light import PieceLight
from sharpset.readings.picture.median_filter import Filtered, median_loss, median_window
from sharpset.readings.placing.traces import FEW_VALUES, share_of_values
from sharpset.scans import Scan

__all__ = ["without_median"]

_LARGEST = 5


def without_median(fits: FeatureFits, scan: Scan, light: PieceLight) -> FeatureFits:
    """Return the fits with sizes as they were before a median, where the picture shows that it went through one.

    Raises
    ------
    ReadingError
        If it was one of more than 5 x 5 pixels.
    """
    if scan.kind == "JPEG" or share_of_values(light.stored) < FEW_VALUES:
        return fits  # values that were rounded, to few levels or by a file that loses, are alike anyway
    window = median_window(light.stored, n_bits=scan.bit_depth)
    if window == 0:
        return fits
    if window > _LARGEST:
        raise ReadingError(
            f"{scan.path}: the picture was filtered against specks over {window} pixels or more, which rounds off and "
            f"closes small details. {advice_for(scan).unfiltered}."
        )
    samples, strips = fits.strips.samples, fits.strip_fits
    loss = median_loss(window, fits.strips.spread.mean_sigma_mm / samples.pixel_mm, samples.pixel_mm)
    lost = loss.of_strips(strips.width_mm, samples.normal)
    holes = loss.of_holes(np.array([disc.diameter_mm for disc in fits.discs]))
    discs = [
        replace(disc, diameter_mm=disc.diameter_mm + float(add)) for disc, add in zip(fits.discs, holes, strict=True)
    ]
    return replace(
        fits,
        strip_fits=replace(strips, width_mm=strips.width_mm + lost),
        discs=discs,
        filtered=Filtered(loss=loss, strips_mm=lost, holes_mm=holes),
    )
