"""Values that hold for a whole piece: growth per side, scale, skew, corner radius."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtrit

from sharpset.pieces import Piece
from sharpset.readings.edges.blur import EdgeSpread, edge_profile
from sharpset.readings.picture.light import PieceLight
from sharpset.readings.placing.registration import Registration
from sharpset.readings.quantity import Quantity
from sharpset.scans import LocalScale, Pose
from sharpset.scans.axis_scale import U_UNCALIBRATED

__all__ = ["corner_radius", "growths", "scales"]

FloatArray = NDArray[np.float64]
_U_LEVEL = 0.003
"""Standard uncertainty of the background's light in a corner, as a share of the contrast."""


def growths(table: pd.DataFrame, stretch: FloatArray) -> dict[str, Quantity]:
    """Return the growth per side of solids, at slots and at holes, mm.

    Parameters
    ----------
    table : pandas.DataFrame
        Readings of one piece.
    stretch : ndarray of float, shape (n_features,)
        Length on the glass of a nominal millimetre across each feature; the scale is taken out, so
        that shrinkage does not count as growth.

    Notes
    -----
    Mean over the formed features of a kind, Tukey's biweight against misprints. The interval covers
    scatter between features and what all readings of a scan share.
    """
    kinds = {
        "growth_solid_mm": (table["kind"] == "bar", 0.5),
        "growth_slot_mm": (table["kind"].isin(("slot", "square")), -0.5),
        "growth_hole_mm": (table["kind"] == "hole", -0.5),
    }
    excess = table["measured_mm"] - table["nominal_mm"] * stretch
    found = {}
    for name, (chosen, sign) in kinds.items():
        usable = chosen & (table["formed"] == "yes") & excess.notna()
        common = float(table.loc[usable, "u_common_mm"].median()) / 2 if usable.any() else np.nan
        found[name] = _robust_mean(name, sign * excess[usable].to_numpy(), common)
    return found


def _robust_mean(name: str, values: FloatArray, common: float) -> Quantity:
    if len(values) == 0:
        return Quantity(name=name, unit="mm", value=np.nan, U95=np.nan, n=0)
    centre = float(np.median(values))
    spread = 1.4826 * float(np.median(np.abs(values - centre)))
    if spread > 0:
        for _ in range(10):
            weights = np.clip(1 - ((values - centre) / (5 * spread)) ** 2, 0, None) ** 2
            centre = float(np.average(values, weights=weights))
    if len(values) < 3:
        return Quantity(name=name, unit="mm", value=centre, U95=np.nan, n=len(values))
    u_mean = spread / np.sqrt(len(values))
    k = float(stdtrit(len(values) - 1, 0.975))
    return Quantity(name=name, unit="mm", value=centre, U95=float(np.hypot(k * u_mean, 2 * common)), n=len(values))


def scales(registration: Registration, local: LocalScale) -> dict[str, Quantity]:
    """Return the scale along x and y and the skew.

    Parameters
    ----------
    registration : Registration
    local : LocalScale
        The scan's own scale where the piece lies.
    """
    pose, n = registration.pose, registration.n
    directions = (pose.linear_mm / np.hypot(*pose.linear_mm)).T
    found = {}
    for axis, name in enumerate(("scale_x", "scale_y")):
        value = pose.scale_x if axis == 0 else pose.scale_y
        spread = 2 * float(np.hypot(registration.u_scale(axis), local.u_along(directions[axis])[0]))
        found[name] = Quantity(name=name, unit="", value=value, U95=spread, n=n)
    u_skew = np.degrees(np.hypot(registration.u_scale(0), registration.u_scale(1)))
    # The two directions of a flatbed may be out of square by as much as their scales differ; no rule tells that.
    u_glass = np.degrees(U_UNCALIBRATED)
    found["skew_deg"] = Quantity(
        name="skew_deg", unit="deg", value=pose.skew_deg, U95=2 * float(np.hypot(u_skew, u_glass)), n=n
    )
    return found


def corner_radius(
    light: PieceLight, pose: Pose, piece: Piece, spread: EdgeSpread, square: tuple[FloatArray, FloatArray] | None
) -> Quantity:
    """Return the radius of the inner corners of the square artefact.

    Parameters
    ----------
    light, pose, piece, spread
    square : (widths_mm, shifts_mm) or None
        Width and centre shift of the square on the glass along the piece's x and y, as measured.

    Notes
    -----
    A corner of radius r closes the area (1 - pi/4) r^2 of a sharp one. That area is the light that is
    there beyond the blurred sharp corner's, so blur and pixels do not bias it.
    """
    name = "corner_radius_mm"
    nothing = Quantity(name=name, unit="mm", value=np.nan, U95=np.nan, n=0)
    rows = piece.features[piece.features["kind"] == "square"]
    if square is None or rows.empty:
        return nothing
    row = rows.iloc[0]
    widths, shifts = square
    columns, lines, along, across = _square_pixels(light, pose, float(row.x_mm), float(row.y_mm), widths)
    u, v = along - shifts[0], across - shifts[1]
    direction = pose.linear_mm / np.hypot(*pose.linear_mm)
    sigma_u, sigma_v = spread.sigma_mm(direction.T)
    sharp = _window(u, widths[0], float(sigma_u), spread) * _window(v, widths[1], float(sigma_v), spread)
    closed = light.solid_share(columns, lines) - (1 - sharp)
    pixel_area = float(np.prod(pose.pixel_mm))
    radii, errors = [], []
    noise = light.noise / abs(light.contrast)
    for sign_u in (-1, 1):
        for sign_v in (-1, 1):
            near = (np.abs(u - sign_u * widths[0] / 2) < 0.45) & (np.abs(v - sign_v * widths[1] / 2) < 0.45)
            area = float(closed[near].sum()) * pixel_area
            radii.append(area / (1 - np.pi / 4))
            errors.append(noise * pixel_area * np.sqrt(near.sum()) / (1 - np.pi / 4))
    mean_square = float(np.mean(radii))
    level = _U_LEVEL * 0.45**2 / (1 - np.pi / 4)
    spread_square = float(np.sqrt(np.var(radii, ddof=1) / 4 + np.mean(errors) ** 2 / 4 + level**2))
    value = float(np.sqrt(max(mean_square, 0.0)))
    upper = float(np.sqrt(max(mean_square, 0.0) + 2 * spread_square))
    return Quantity(name=name, unit="mm", value=value, U95=max(upper - value, 1e-4), n=4)


def _square_pixels(
    light: PieceLight, pose: Pose, x_mm: float, y_mm: float, widths: FloatArray
) -> tuple[NDArray[np.intp], NDArray[np.intp], FloatArray, FloatArray]:
    pixel = np.array(pose.pixel_mm)
    centre = pose.to_pixels([[x_mm, y_mm]])[0]
    reach = (float(np.max(widths)) / 2 + 0.5) * np.sqrt(2) / pixel
    low, high = np.floor(centre - reach).astype(int), np.ceil(centre + reach).astype(int)
    n_rows, n_columns = light.shape
    low = np.maximum(low, light.origin)
    high = np.minimum(high, [light.origin[0] + n_columns - 1, light.origin[1] + n_rows - 1])
    columns, lines = (a.ravel() for a in np.meshgrid(np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1)))
    direction = pose.linear_mm / np.hypot(*pose.linear_mm)
    offset = np.column_stack(((columns - centre[0]) * pixel[0], (lines - centre[1]) * pixel[1]))
    along, across = offset @ direction[:, 0], offset @ direction[:, 1]
    keep = (np.abs(along) < widths[0] / 2 + 0.5) & (np.abs(across) < widths[1] / 2 + 0.5)
    return columns[keep], lines[keep], along[keep], across[keep]


def _window(distance: FloatArray, width: float, sigma: float, spread: EdgeSpread) -> FloatArray:
    kind = spread.shape
    return edge_profile(distance + width / 2, sigma, kind) - edge_profile(distance - width / 2, sigma, kind)
