"""What a printer does at one set of settings: the common language of all virtual printers."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from sharpset.errors import RehearsalError

__all__ = ["Behaviour", "Job", "checked_settings", "softplus"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Job:
    """What a piece asks of the printer.

    Attributes
    ----------
    area_mm2 : float
        Solid area of one layer.
    thickness_mm : float
    n_features : int
        Features per layer; each costs the nozzle a jump.
    """

    area_mm2: float
    thickness_mm: float
    n_features: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Behaviour:
    """How shapes come out at one set of settings, scatter left aside.

    Growth is per side and positive where solid grows (openings then shrink). Limits are the sizes
    that form half the time. Everything here is invented by formulas; nothing was measured.

    Attributes
    ----------
    growth_outline_mm, growth_bar_mm, growth_slot_mm, growth_hole_mm : float
        Growth per side of outer borders and windows, bars, slots and wide holes.
    hole_pull_mm2 : float
        Small holes shrink by this over their diameter more, per side: ``pull / (2 diameter)``.
    least_bar_mm : float
        Width below which a bar does not get thinner (the bead; the smallest cured line).
    limit_slot_mm, limit_bar_mm, limit_hole_mm : float
        Sizes with an even chance to form.
    limit_spread : float
        Logistic scale of the chance in the natural logarithm of the size.
    diagonal_penalty : float
        Share by which limits are larger at 45 degrees.
    corner_radius_mm : float
    roughness_mm, correlation_mm : float
        Standard deviation of one edge about its straight line and the length over which it is alike.
    ripple_mm, ripple_pitch_mm : float
        Amplitude and pitch of the periodic part of an edge (ringing; pixels).
    ripple_on_axes : float
        Share of the ripple that edges along x and y carry (1 everywhere alike).
    scale_x, scale_y, skew : float
        Printed over nominal distance along each axis; tilt of the y axis in radians.
    flaw_chance : float
        Chance that a feature at its limit is broken or bridged although it should have formed.
    width_scatter_mm, place_scatter_mm : float
        Scatter from feature to feature.
    run_growth_scatter_mm, run_limit_scatter : float
        Scatter from print to print: growth, and limits as a share.
    pixel_mm : float
        Pitch of the grid to which borders snap; 0 for none.
    pixel_snap : float
        How far borders snap to the grid: 0 not at all, 1 wholly.
    softness : float
        Heat left in the part, 0 cold (filament only).
    layer_time_s, print_time_h, material_g : float
    """

    growth_outline_mm: float
    growth_bar_mm: float
    growth_slot_mm: float
    growth_hole_mm: float
    hole_pull_mm2: float
    least_bar_mm: float
    limit_slot_mm: float
    limit_bar_mm: float
    limit_hole_mm: float
    limit_spread: float
    diagonal_penalty: float
    corner_radius_mm: float
    roughness_mm: float
    correlation_mm: float
    ripple_mm: float
    ripple_pitch_mm: float
    ripple_on_axes: float
    scale_x: float
    scale_y: float
    skew: float
    flaw_chance: float
    width_scatter_mm: float
    place_scatter_mm: float
    run_growth_scatter_mm: float
    run_limit_scatter: float
    pixel_mm: float
    pixel_snap: float
    softness: float
    layer_time_s: float
    print_time_h: float
    material_g: float

    def limit_mm(self, kind: str, *, angle_deg: float = 0.0) -> float:
        """Return the size of a kind that forms half the time at an angle."""
        base = {"slot": self.limit_slot_mm, "bar": self.limit_bar_mm}.get(kind, self.limit_hole_mm)
        if kind not in ("slot", "bar"):
            return base
        return base * (1 + self.diagonal_penalty * math.sin(2 * math.radians(angle_deg)) ** 2)

    def chance_formed(self, kind: str, nominal_mm: float, *, angle_deg: float = 0.0) -> float:
        """Return the chance that a feature forms, print-to-print scatter and flaws left aside."""
        z = (math.log(nominal_mm) - math.log(self.limit_mm(kind, angle_deg=angle_deg))) / self.limit_spread
        return 1 / (1 + math.exp(-max(min(z, 500.0), -500.0)))

    def flaw_chance_of(self, kind: str, nominal_mm: float, *, angle_deg: float = 0.0) -> float:
        """Return the chance that a feature is broken or bridged by accident; large ones hardly ever are."""
        over = max(nominal_mm / self.limit_mm(kind, angle_deg=angle_deg) - 1, 0.0)
        return self.flaw_chance * math.exp(-over / 2)

    def size_formed_mm(self, kind: str, *, chance: float = 0.9, angle_deg: float = 0.0) -> float:
        """Return the size that forms with the given chance, 0.9 for the true a90."""
        return self.limit_mm(kind, angle_deg=angle_deg) * math.exp(self.limit_spread * math.log(chance / (1 - chance)))

    def mean_width_mm(self, kind: str, nominal_mm: float) -> float:
        """Return the width or diameter that comes out on average before shrinkage, if it forms."""
        if kind == "bar":
            plain = nominal_mm + 2 * self.growth_bar_mm
            sharp = 0.1 * self.least_bar_mm
            return self.least_bar_mm + softplus((plain - self.least_bar_mm) / sharp) * sharp
        if kind == "hole":
            plain = nominal_mm - 2 * self.growth_hole_mm - self.hole_pull_mm2 / nominal_mm
        elif kind == "slot":
            plain = nominal_mm - 2 * self.growth_slot_mm
        else:
            plain = nominal_mm - 2 * self.growth_outline_mm
        least = 0.03
        return least + softplus((plain - least) / 0.01) * 0.01

    def summary(self) -> str:
        """Return the behaviour in one line."""
        return (
            f"a90 slot {self.size_formed_mm('slot'):.3f}, bar {self.size_formed_mm('bar'):.3f}, "
            f"hole {self.size_formed_mm('hole'):.3f} mm; growth {1000 * self.growth_outline_mm:+.0f} um, "
            f"roughness {1000 * self.roughness_mm:.0f} um, {self.print_time_h:.2f} h"
        )


def softplus(x: float) -> float:
    """Return ln(1 + e^x): 0 far below zero, x far above."""
    return math.log1p(math.exp(-abs(x))) + max(x, 0.0)


def checked_settings(
    settings: Mapping[str, object],
    *,
    usual: Mapping[str, float],
    allowed: Mapping[str, tuple[float, float]],
    printer: str,
) -> dict[str, float]:
    """Return complete settings as numbers, or say which one is at fault.

    Parameters
    ----------
    settings : mapping of str to number
    usual : mapping of str to float
        Value of each setting where none is given.
    allowed : mapping of str to (low, high)
        What the printer can do at all.
    printer : str
        Name for the message.

    Raises
    ------
    RehearsalError
    """
    unknown = [name for name in settings if name not in usual]
    if unknown:
        raise RehearsalError(f"{printer}: unknown setting {unknown[0]!r}; settings are {', '.join(usual)}.")
    complete = dict(usual)
    for name, value in settings.items():
        low, high = allowed[name]
        try:
            number = float(value)  # type: ignore[arg-type]
        except (TypeError, ValueError):
            number = math.nan
        if not low <= number <= high:
            raise RehearsalError(f"{printer}: {name} must be a number from {low:g} to {high:g}, got {value!r}.")
        complete[name] = number
    return complete
