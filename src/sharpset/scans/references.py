"""Things of known pitch that lie on the glass and tell a scan's scale, described by a small TOML file."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from sharpset.errors import ScanError
from sharpset.files import read_text

__all__ = ["ScaleReference", "load_reference"]

_KINDS = ("rule", "glass-scale", "checkerboard")
_EXPANSION_PER_K = {"rule": 11.5e-6, "glass-scale": 8.5e-6, "checkerboard": 8.5e-6}
"""Carbon steel and soda-lime glass about room temperature (handbook values, from memory, rounded)."""
_U_ROOM_K = 3.0
"""Standard uncertainty of the temperature where none is stated: a room within 5 K of 20 degrees Celsius."""
_U_STATED_K = 0.6


@dataclass(frozen=True, kw_only=True, slots=True)
class ScaleReference:
    """A rule, a glass scale or a checkerboard, as its maker or its certificate describes it.

    Attributes
    ----------
    name : str
        For messages.
    kind : {'rule', 'glass-scale', 'checkerboard'}
    pitch_mm : float
        Distance of neighbouring graduations, or side of a square, at `temperature_c`.
    tolerance_mm : float, optional
        Largest error of the distance between any two graduations, by its maker. Taken as rectangular.
    u_relative : float, optional
        Standard uncertainty of lengths, relative, from a certificate (its expanded uncertainty over its
        coverage factor). Where both are given both count.
    count : int, optional
        Graduations, or squares along the longer side; more than that in a scan is something else.
    expansion_per_k : float, optional
        Thermal expansion, relative; steel for a rule and glass for the others where it is left out.
    temperature_c : float
        At which the pitch holds.
    used_at_c : float, optional
        At which it is scanned.
    check_wire_mm : float, optional
        Size of a wire or feeler blade that lies in the same scans as a check.
    """

    name: str = "reference"
    kind: str
    pitch_mm: float
    tolerance_mm: float | None = None
    u_relative: float | None = None
    count: int | None = None
    expansion_per_k: float | None = None
    temperature_c: float = 20.0
    used_at_c: float | None = None
    check_wire_mm: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in _KINDS:
            raise ScanError(f"{self.name}: kind {self.kind!r} is not known. Use {', '.join(_KINDS)}.")
        for field, low, high in (
            ("pitch_mm", 0.1, 20.0),
            ("tolerance_mm", 0.0, 1.0),
            ("u_relative", 0.0, 0.01),
            ("count", 2, 100_000),
            ("expansion_per_k", 0.0, 3e-4),
            ("temperature_c", -20.0, 60.0),
            ("used_at_c", -20.0, 60.0),
            ("check_wire_mm", 0.02, 5.0),
        ):
            value = getattr(self, field)
            if value is not None and not low <= value <= high:
                raise ScanError(f"{self.name}: {field} is {value:g}, must be {low:g} to {high:g}.")
        if not self.tolerance_mm and not self.u_relative:
            raise ScanError(
                f"{self.name}: says nothing about its own error. Give tolerance_mm (by its maker) or u_relative "
                "(from its certificate), larger than 0."
            )

    @property
    def expansion(self) -> float:
        """Thermal expansion per kelvin."""
        return _EXPANSION_PER_K[self.kind] if self.expansion_per_k is None else self.expansion_per_k

    @property
    def pitch_now_mm(self) -> float:
        """Pitch at the temperature of the scan."""
        at = self.temperature_c if self.used_at_c is None else self.used_at_c
        return self.pitch_mm * (1.0 + self.expansion * (at - self.temperature_c))

    def u_length(self, span_mm: float) -> float:
        """Relative standard uncertainty of a length of `span_mm` on it: tolerance, certificate, temperature."""
        tolerance = (self.tolerance_mm or 0.0) / math.sqrt(3.0) / span_mm
        u_kelvin = _U_ROOM_K if self.used_at_c is None else _U_STATED_K
        return math.sqrt(tolerance**2 + (self.u_relative or 0.0) ** 2 + (self.expansion * u_kelvin) ** 2)

    def summary(self) -> str:
        """One line for people."""
        parts = [f"{self.name}: {self.kind}, pitch {self.pitch_mm:g} mm"]
        if self.tolerance_mm:
            parts.append(f"within {1000 * self.tolerance_mm:g} um")
        if self.u_relative:
            parts.append(f"standard uncertainty {self.u_relative:.1e} of a length")
        return ", ".join(parts)

    def to_dict(self) -> dict[str, Any]:
        """What was given, for a file."""
        values = {field.name: getattr(self, field.name) for field in fields(self)}
        return {name: value for name, value in values.items() if value is not None}


def load_reference(path: str | Path) -> ScaleReference:
    """Read the description of a reference.

    Parameters
    ----------
    path : str or Path
        TOML with the keys of `ScaleReference`; `kind` and `pitch_mm`, and one of `tolerance_mm` and
        `u_relative`, are needed.

    Raises
    ------
    ScanError
        If the file is missing, no TOML, or says something that cannot be.
    """
    place = Path(path)
    try:
        data = tomllib.loads(read_text(place))
    except OSError as error:
        raise ScanError(
            f"{place}: cannot be read ({error.strerror or error}). Name a reference's TOML file."
        ) from error
    except ValueError as error:
        raise ScanError(f"{place}: is no TOML file ({error}). See calib/ for examples.") from error
    return reference_from(data, where=str(place), name=place.stem)


def reference_from(data: dict[str, Any], *, where: str, name: str) -> ScaleReference:
    """A reference from the keys of a file; `where` starts every message."""
    known = {field.name for field in fields(ScaleReference)}
    unknown = sorted(set(data) - known)
    if unknown:
        raise ScanError(f"{where}: key '{unknown[0]}' is not known. Known are {', '.join(sorted(known))}.")
    for key, value in data.items():
        wanted = str if key in ("name", "kind") else int if key == "count" else (int, float)
        if isinstance(value, bool) or not isinstance(value, wanted) or value != value:
            kind = "a text" if wanted is str else "a whole number" if wanted is int else "a number"
            raise ScanError(f"{where}: {key} is {value!r}, must be {kind}.")
    for key in ("kind", "pitch_mm"):
        if key not in data:
            raise ScanError(f"{where}: {key} is missing. Give kind ({', '.join(_KINDS)}) and pitch_mm.")
    try:
        return ScaleReference(**{"name": name, **data})
    except ScanError as error:
        raise ScanError(f"{where}: {str(error).partition(': ')[2]}") from None
