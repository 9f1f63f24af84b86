"""The virtual filament printer's hidden response.

Invented constants in formulas with the shape of the physics:

- Bead. The slicer draws a bead of width ``w = 1.12 nozzle``. The volume flow ``q = w h v`` starves
  when it nears what the nozzle can melt, ``q_max ~ nozzle^2``; the bead then comes out narrower.
  ``flow`` (percent) widens or narrows it. Half the difference from `w` is growth per side.
- Heat. A layer of height `h` brings the heat ``rho c h (T_melt - T)`` per area every layer time
  ``t``, and loses ``h_c (T - T_air)`` per area and second. In balance the part stays warmer than the
  air by ``(T_melt - T_air) tau / (t + tau)`` with ``tau = rho c h / h_c`` (energy balance of a lumped
  slab; e.g. Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, ch. 5, from memory). The fan
  raises ``h_c``. The layer time is path length over speed, but at least ``min_layer_time``. Near the
  softening temperature the part turns soft (a softplus of the excess): borders grow, edges roughen,
  corners round, thin bars curl.
- Holes. The strand is pulled to the inside of a curve: extra shrinkage falls with the diameter.
- Limits. A slot closes when what growth leaves is less than a part of the bead plus the roughness;
  a bar thinner than a part of the bead is not laid at all; a strong fan makes it come loose.
- Motion. Ringing grows with the square of the speed, its pitch is speed over resonance; corners
  round by ``v^2 / acceleration`` on top of the bead's own radius.
- Bounds on layer height are common practice (below about three quarters of the nozzle); above them
  the bead is hardly pressed down, and roughness and limits rise.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from sharpset.errors import RehearsalError
from sharpset.rehearsal.behaviour import Behaviour, Job, checked_settings, softplus

__all__ = ["FILAMENT_SETTINGS", "FilamentResponse"]

FILAMENT_SETTINGS = {
    "nozzle": 0.25,
    "layer_height": 0.06,
    "speed": 30.0,
    "fan": 70.0,
    "min_layer_time": 10.0,
    "flow": 100.0,
}
"""Settings of the virtual filament printer (mm, mm, mm/s, %, s, %) and what stands for those not given."""

_ALLOWED = {
    "nozzle": (0.1, 1.2),
    "layer_height": (0.01, 1.0),
    "speed": (1.0, 500.0),
    "fan": (0.0, 100.0),
    "min_layer_time": (0.0, 1000.0),
    "flow": (70.0, 130.0),
}
_HEAT_CAPACITY_J_M3K = 2.2e6
_MELT_C, _AIR_C = 210.0, 38.0
_DENSITY_G_MM3 = 1.24e-3
_JUMP_S = 0.15


@dataclass(frozen=True, kw_only=True, slots=True)
class FilamentResponse:
    """Hidden constants of one virtual filament printer; the defaults are a middling one.

    Attributes
    ----------
    growth_mm : float
        Growth per side of a cold, well-fed print.
    melt_mm3_s : float
        Volume flow at which a 0.25 mm nozzle starves.
    cooling_w_m2k, fan_gain : float
        Heat transfer without fan, and by how much full fan multiplies it less one.
    soft_c, soft_width_k : float
        Where the plastic softens and over how many kelvin.
    heat_growth_mm, heat_roughness_mm : float
        Growth and roughness per unit of softness.
    loose_gain : float
        How much full fan raises the bar limit.
    ringing_mm : float
        Ripple at 40 mm/s.
    resonance_hz, acceleration_mm_s2 : float
    rough_mm, rough_per_layer : float
        Roughness of the machine itself, and per layer height.
    slot_share, bar_share : float
        Parts of the bead that a slot must leave open and that a bar must have.
    pull : float
        Pull to the inside of curves, in squared beads.
    spread, diagonal_penalty, scale_x, scale_y, skew, flaw_chance : float
        See `Behaviour`.
    width_scatter_mm, place_scatter_mm, run_growth_scatter_mm, run_limit_scatter : float
        See `Behaviour`.
    """

    growth_mm: float = 0.014
    melt_mm3_s: float = 2.6
    cooling_w_m2k: float = 8.0
    fan_gain: float = 3.5
    soft_c: float = 48.0
    soft_width_k: float = 7.0
    heat_growth_mm: float = 0.020
    heat_roughness_mm: float = 0.009
    loose_gain: float = 0.22
    ringing_mm: float = 0.004
    resonance_hz: float = 45.0
    acceleration_mm_s2: float = 2500.0
    rough_mm: float = 0.006
    rough_per_layer: float = 0.11
    slot_share: float = 0.30
    bar_share: float = 0.66
    pull: float = 0.10
    spread: float = 0.055
    diagonal_penalty: float = 0.05
    scale_x: float = 0.9972
    scale_y: float = 0.9985
    skew: float = 0.0004
    flaw_chance: float = 0.012
    width_scatter_mm: float = 0.004
    place_scatter_mm: float = 0.006
    run_growth_scatter_mm: float = 0.003
    run_limit_scatter: float = 0.03

    def check(self, settings: Mapping[str, object]) -> dict[str, float]:
        """Return complete settings, or raise `RehearsalError` naming the one at fault."""
        full = checked_settings(settings, usual=FILAMENT_SETTINGS, allowed=_ALLOWED, printer="virtual filament printer")
        if full["layer_height"] >= full["nozzle"]:
            raise RehearsalError(
                f"virtual filament printer: layer_height {full['layer_height']:g} mm does not go with a nozzle of "
                f"{full['nozzle']:g} mm. Keep it below about three quarters of the nozzle."
            )
        return full

    def behaviour(self, settings: Mapping[str, object], job: Job) -> Behaviour:
        """Return how shapes come out at some settings for a piece.

        Parameters
        ----------
        settings : mapping of str to number
            Any of `FILAMENT_SETTINGS`.
        job : Job

        Returns
        -------
        Behaviour

        Raises
        ------
        RehearsalError
            For an unknown setting or a value that the printer cannot take.
        """
        s = self.check(settings)
        drawn = 1.12 * s["nozzle"]
        starved = self._starvation(s, drawn)
        bead = drawn * s["flow"] / 100 * (1 - starved)
        layer_time = max(job.area_mm2 / drawn / s["speed"] + _JUMP_S * job.n_features, s["min_layer_time"])
        soft = self._softness(s, layer_time)
        tall = max(0.0, s["layer_height"] / s["nozzle"] - 0.75)
        speed = job.area_mm2 / drawn / max(layer_time - _JUMP_S * job.n_features, 1e-9)
        ringing = self.ringing_mm * (speed / 40.0) ** 2
        rough = math.hypot(
            self.rough_mm,
            self.rough_per_layer * s["layer_height"] * (1 + 6 * tall),
            0.12 * starved,
            self.heat_roughness_mm * soft,
        )
        growth = self.growth_mm + (bead - drawn) / 2 + self.heat_growth_mm * soft
        slot_growth = growth + 0.3 * self.heat_growth_mm * soft
        cold = 1 + self.loose_gain * (s["fan"] / 100) ** 3
        layers = math.ceil(job.thickness_mm / s["layer_height"])
        pull = self.pull * bead**2
        left_open = 2 * slot_growth + self.slot_share * drawn
        return Behaviour(
            growth_outline_mm=growth,
            growth_bar_mm=growth,
            growth_slot_mm=slot_growth,
            growth_hole_mm=slot_growth,
            hole_pull_mm2=pull,
            least_bar_mm=0.8 * bead,
            limit_slot_mm=max(2 * slot_growth + self.slot_share * drawn + 2.5 * rough, 0.02) * (1 + 2 * tall),
            limit_bar_mm=self.bar_share * drawn * (1 + 2.5 * starved + 0.06 * soft) * cold * (1 + 2 * tall),
            limit_hole_mm=max((left_open + math.sqrt(max(left_open, 0.0) ** 2 + 4 * pull)) / 2 + 3 * rough, 0.03),
            limit_spread=self.spread,
            diagonal_penalty=self.diagonal_penalty,
            corner_radius_mm=0.45 * bead + 0.05 * speed**2 / self.acceleration_mm_s2 + 0.02 * soft,
            roughness_mm=rough,
            correlation_mm=0.35 * bead,
            ripple_mm=ringing,
            ripple_pitch_mm=speed / self.resonance_hz,
            ripple_on_axes=1.0,
            scale_x=self.scale_x,
            scale_y=self.scale_y,
            skew=self.skew,
            flaw_chance=self.flaw_chance * (1 + 8 * starved + soft),
            width_scatter_mm=self.width_scatter_mm,
            place_scatter_mm=self.place_scatter_mm * (1 + ringing / 0.02),
            run_growth_scatter_mm=self.run_growth_scatter_mm,
            run_limit_scatter=self.run_limit_scatter,
            pixel_mm=0.0,
            pixel_snap=0.0,
            softness=soft,
            layer_time_s=layer_time,
            print_time_h=(layers * layer_time + 240.0) / 3600,
            material_g=job.area_mm2 * job.thickness_mm * _DENSITY_G_MM3 * s["flow"] / 100,
        )

    def _starvation(self, s: Mapping[str, float], drawn_mm: float) -> float:
        """Return the share of the bead that is missing, 0 to 0.35."""
        load = drawn_mm * s["layer_height"] * s["speed"] / (self.melt_mm3_s * (s["nozzle"] / 0.25) ** 2)
        return 0.35 * load**2 / (1 + load**2)

    def _softness(self, s: Mapping[str, float], layer_time_s: float) -> float:
        """Return 0 for a cold part, rising by 1 for each `soft_width_k` above softening."""
        transfer = self.cooling_w_m2k * (1 + self.fan_gain * s["fan"] / 100)
        tau = _HEAT_CAPACITY_J_M3K * s["layer_height"] * 1e-3 / transfer
        part = _AIR_C + (_MELT_C - _AIR_C) * tau / (layer_time_s + tau)
        return softplus((part - self.soft_c) / self.soft_width_k)
