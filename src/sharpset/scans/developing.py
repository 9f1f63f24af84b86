"""Photographs as light: lying as the sensor saw them, freed of their camera's sharpening, decoded by its tones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from sharpset.scans.encoding import LINEAR
from sharpset.scans.marker_edges import marker_edge
from sharpset.scans.markers import MarkerSighting, find_markers
from sharpset.scans.scan import Scan
from sharpset.scans.sharpening import measure_sharpening, without_sharpening
from sharpset.scans.tones import measure_tones

__all__ = ["Developed", "as_sensors_saw", "develop"]

_TURNED = (3, 6, 8)
"""Orientation tags of pictures that are turned, not mirrored."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Developed:
    """Photographs as light.

    Attributes
    ----------
    scans : tuple of Scan
    sightings : tuple of MarkerSighting
        The markers in each.
    is_linear : bool
        Whether they held linear light from the first.
    u_tones : float
        Relative standard uncertainty of the exponent of their camera's tones, 0 for linear light.
    remarks : tuple of str
    """

    scans: tuple[Scan, ...]
    sightings: tuple[MarkerSighting, ...]
    is_linear: bool
    u_tones: float
    remarks: tuple[str, ...]


def as_sensors_saw(scans: Sequence[Scan]) -> list[Scan]:
    """Pictures as they are stored.

    Telephones held level turn their pictures at random, by a tag: one lens stands for all only as long as they lie
    alike. Markers tell which way is up. Where stored sizes differ some program has turned pictures itself.

    Parameters
    ----------
    scans : sequence of Scan

    Returns
    -------
    list of Scan
    """
    stored = [replace(scan, orientation=1) if scan.orientation in _TURNED else scan for scan in scans]
    return stored if len({(scan.n_columns, scan.n_rows) for scan in stored}) == 1 else list(scans)


def develop(scans: Sequence[Scan], *, module_mm: float, from_above: bool = False) -> Developed:
    """Undo a camera's sharpening and decode its tones, both as the markers' edges tell them.

    Parameters
    ----------
    scans : sequence of Scan
        By one camera.
    module_mm : float
        Printed width of a marker's module.
    from_above : bool
        Whether light comes from above, not through the card.

    Returns
    -------
    Developed
    """
    found, sightings, remarks, tones = [], [], [], []
    for scan in scans:
        sighting = find_markers(scan)
        sharpening = measure_sharpening(scan, sighting, module_mm=module_mm)
        is_sharpened = sharpening is not None and sharpening.is_sure
        if sharpening is not None and is_sharpened:
            scan = without_sharpening(scan, sharpening)
            sighting = find_markers(scan)
            remarks.append(sharpening.summary())
        found.append(scan)
        sightings.append(sighting)
        if not _is_linear(scan):
            edge = marker_edge(scan, sighting)
            tones.append(
                measure_tones(edge, scan.curve, module_mm=module_mm, was_sharpened=is_sharpened, from_above=from_above)
            )
    if len(tones) == len(found):
        remarks += [one.summary(scan.encoding) for one, scan in zip(tones, found, strict=True) if one.is_worth_saying]
        found = [replace(scan, curve=one.curve(scan.curve)) for one, scan in zip(tones, found, strict=True)]
    return Developed(
        scans=tuple(found),
        sightings=tuple(sightings),
        is_linear=not tones,
        u_tones=max((one.u_exponent for one in tones), default=0.0),
        remarks=tuple(dict.fromkeys(remarks)),
    )


def _is_linear(scan: Scan) -> bool:
    return scan.curve.name == LINEAR.name and scan.kind != "JPEG"
