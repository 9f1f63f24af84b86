"""How stored pixel values stand for light: sRGB, linear, a power law, or the curve of an ICC profile."""

from __future__ import annotations

import re
import struct
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import ScanError

__all__ = ["LINEAR", "SRGB", "TransferCurve", "curve_from_icc", "curve_from_samples", "gamma_curve", "parse_encoding"]

FloatArray = NDArray[np.float64]

_GRID_SIZE = 256
_NEGATIVE_STEPS = 1021  # four between neighbouring values of 8 bits
_SAME_CURVE = 0.0025  # of full light; published forms of one curve (rounded tables, fitted powers) differ by less


@dataclass(frozen=True, kw_only=True, slots=True)
class TransferCurve:
    """The rule that turns a stored value (0 to 1) into linear light (0 to 1).

    Attributes
    ----------
    name : str
        ``"sRGB"``, ``"linear"``, ``"gamma 2.2"`` (any exponent) or ``"curve"``.
    gamma : float
        Exponent of a power law, 1 for linear, NaN otherwise.
    samples : tuple of float
        Linear light at equal steps of the stored value, for ``"curve"`` only.

    References
    ----------
    IEC 61966-2-1 for sRGB.
    """

    name: str
    gamma: float = float("nan")
    samples: tuple[float, ...] = ()

    def decode(self, values: NDArray[np.floating]) -> FloatArray:
        """Linear light of stored values.

        Parameters
        ----------
        values : ndarray of float
            Stored values as a share of full scale.

        Returns
        -------
        ndarray of float64, same shape
            Linear light, 0 dark, 1 full scale.
        """
        stored = np.asarray(values, dtype=np.float64)
        if self.name == "linear":
            return stored.copy()
        if self.name == "sRGB":
            return _decode_srgb(stored)
        if self.samples:
            steps = np.linspace(0.0, 1.0, len(self.samples))
            return np.asarray(np.interp(stored, steps, np.asarray(self.samples)), dtype=np.float64)
        return np.asarray(np.clip(stored, 0.0, None) ** self.gamma)

    def table(self, n_bits: int) -> NDArray[np.float32]:
        """Linear light of every stored integer value.

        Parameters
        ----------
        n_bits : int
            Bits per sample, 1 to 16.

        Returns
        -------
        ndarray of float32, shape (2**n_bits,)
        """
        top = 2**n_bits - 1
        return self.decode(np.arange(top + 1) / top).astype(np.float32)

    @property
    def exponent(self) -> float:
        """Exponent of the power law that has the curve's light at half of full scale."""
        return float(np.log(self.decode(np.array(0.5))) / np.log(0.5))

    def negative(self) -> TransferCurve:
        """The curve of pictures whose stored values were turned upside down after they had been encoded by this one."""
        stored = np.linspace(0.0, 1.0, _NEGATIVE_STEPS)
        return TransferCurve(name="curve", samples=tuple(1.0 - self.decode(1.0 - stored)))

    def summary(self) -> str:
        """One line for people."""
        return self.name


SRGB = TransferCurve(name="sRGB")
LINEAR = TransferCurve(name="linear", gamma=1.0)


def _decode_srgb(stored: FloatArray) -> FloatArray:
    upper = ((np.maximum(stored, 0.04045) + 0.055) / 1.055) ** 2.4
    return np.where(stored <= 0.04045, stored / 12.92, upper)


def gamma_curve(exponent: float) -> TransferCurve:
    """A power law: light = value ** exponent.

    Parameters
    ----------
    exponent : float
        Decoding exponent, 0.2 to 5.

    Raises
    ------
    ScanError
        If the exponent is outside 0.2 to 5.
    """
    if not 0.2 <= exponent <= 5.0:
        raise ScanError(
            f"encoding: a gamma of {exponent:g} is outside 0.2 to 5. Give the exponent that decodes, e.g. 2.2."
        )
    if abs(exponent - 1.0) < 1e-3:
        return LINEAR
    return TransferCurve(name=f"gamma {exponent:.4g}", gamma=float(exponent))


def parse_encoding(text: str) -> TransferCurve:
    """The curve that a maker names.

    Parameters
    ----------
    text : str
        ``"sRGB"``, ``"linear"`` or ``"gamma 2.2"``; case does not matter.

    Raises
    ------
    ScanError
        If the name is none of these.
    """
    name = text.strip().lower()
    if name == "srgb":
        return SRGB
    if name == "linear":
        return LINEAR
    match = re.fullmatch(r"gamma[\s=:]*([0-9]*\.?[0-9]+)", name)
    if match is None:
        raise ScanError(
            f"encoding: '{text}' is not known. Use auto, sRGB, linear, or gamma with its exponent ('gamma 2.2')."
        )
    return gamma_curve(float(match.group(1)))


def curve_from_samples(samples: FloatArray) -> TransferCurve:
    """The simplest curve that goes through samples of linear light at equal steps of the stored value.

    Parameters
    ----------
    samples : ndarray of float, shape (n,)
        Linear light 0 to 1 at stored values 0 to 1, two samples or more.

    Returns
    -------
    TransferCurve
        sRGB, linear or a power law where one of them lies within 0.25 % of full light everywhere, else ``"curve"``.
    """
    light = np.asarray(samples, dtype=np.float64)
    if light.ndim != 1 or light.size < 2 or not np.isfinite(light).all() or light[-1] <= light[0]:
        raise ScanError(
            "encoding: the file's transfer curve does not rise from dark to light. Name the encoding yourself."
        )
    grid = np.linspace(0.0, 1.0, _GRID_SIZE)
    on_grid = np.interp(grid, np.linspace(0.0, 1.0, light.size), light)
    # Few samples cannot show the toe of sRGB or a power law between them: compare at the samples themselves.
    at, wanted = (grid, on_grid) if light.size > _GRID_SIZE else (np.linspace(0.0, 1.0, light.size), light)
    middle = float(np.interp(0.5, at, wanted))
    candidates = [SRGB, LINEAR]
    if 0.03 < middle < 0.87:
        candidates.append(gamma_curve(float(np.log(middle) / np.log(0.5))))
    for curve in candidates:
        if light.size > 2 and np.max(np.abs(curve.decode(at) - wanted)) < _SAME_CURVE:
            return curve
    if light.size == 2 and light[0] == 0.0 and light[1] == 1.0:
        return LINEAR
    return TransferCurve(name="curve", samples=tuple(float(value) for value in light))


def curve_from_icc(profile: bytes) -> TransferCurve | None:
    """The tone curve of an ICC profile (the green one of a colour profile).

    Parameters
    ----------
    profile : bytes
        The profile as embedded in a picture.

    Returns
    -------
    TransferCurve or None
        None where the profile is damaged or has no tone curve (a profile of tables only).

    References
    ----------
    ICC.1:2022, sections 7.3 (tag table), 10.6 (curveType) and 10.18 (parametricCurveType).
    """
    tags = _icc_tags(profile)
    for signature in (b"gTRC", b"kTRC"):
        if signature in tags:
            return _icc_curve(tags[signature])
    return None


def _icc_tags(profile: bytes) -> dict[bytes, bytes]:
    if len(profile) < 132 or profile[36:40] != b"acsp":
        return {}
    (count,) = struct.unpack_from(">I", profile, 128)
    tags = {}
    for index in range(min(count, 200)):
        entry = profile[132 + 12 * index : 144 + 12 * index]
        if len(entry) == 12:
            offset, size = struct.unpack(">II", entry[4:])
            tags[entry[:4]] = profile[offset : offset + size]
    return tags


def _icc_curve(data: bytes) -> TransferCurve | None:
    try:
        if data[:4] == b"curv":
            (count,) = struct.unpack_from(">I", data, 8)
            if count == 0:
                return LINEAR
            if count == 1:
                return gamma_curve(struct.unpack_from(">H", data, 12)[0] / 256.0)
            return curve_from_samples(np.array(struct.unpack_from(f">{count}H", data, 12)) / 65535.0)
        if data[:4] == b"para":
            (kind,) = struct.unpack_from(">H", data, 8)
            n_numbers = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}[kind]
            numbers = [value / 65536.0 for value in struct.unpack_from(f">{n_numbers}i", data, 12)]
            if kind == 0:
                return gamma_curve(numbers[0])
            rule = _parametric(kind, numbers)
            return curve_from_samples(np.array([rule(x) for x in np.linspace(0.0, 1.0, 4097)]))
    except (struct.error, KeyError, ZeroDivisionError, ScanError):
        return None
    return None


def _parametric(kind: int, numbers: list[float]) -> Callable[[float], float]:
    g, a, b, c, d, e, f = (*numbers, 0.0, 0.0, 0.0, 0.0)[:7]
    if kind in (1, 2):
        offset = c if kind == 2 else 0.0
        return lambda x: (max(a * x + b, 0.0) ** g if x >= -b / a else 0.0) + offset
    if kind == 3:
        e = f = 0.0
    return lambda x: max(a * x + b, 0.0) ** g + e if x >= d else c * x + f
