"""The virtual resin printer's hidden response.

Invented constants in formulas with the shape of the physics:

- Cure depth ``C_d = D_p ln(E / E_c)`` with the dose ``E = intensity * exposure`` (Jacobs, Rapid
  Prototyping & Manufacturing, 1992, from memory). The depth over the layer height says how well a
  layer holds to the one before.
- Cure width grows with the logarithm of the dose. Light that passes a layer also reaches the ones
  behind it, so that the dose adds up to ``E / (1 - exp(-h / D_p))``: thin layers grow more.
- Peeling. The force rises with the square root of the lift speed and with what has not settled;
  thin bars tear off when it beats their green strength, which rises with overcure.
- Rest. After each lift the resin levels within a time constant; too short a rest leaves the layer
  uneven (roughness) and resin half cured in narrow slots.
- Pixels. Borders snap in part to the pixel grid; slanted edges carry its steps.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from sharpset.rehearsal.behaviour import Behaviour, Job, checked_settings

__all__ = ["RESIN_SETTINGS", "ResinResponse"]

RESIN_SETTINGS = {"exposure": 2.4, "layer_height": 0.05, "lift_speed": 60.0, "rest_time": 1.5}
"""Settings of the virtual resin printer (s, mm, mm/min, s) and what stands for those not given."""

_ALLOWED = {
    "exposure": (0.1, 120.0),
    "layer_height": (0.005, 0.3),
    "lift_speed": (5.0, 600.0),
    "rest_time": (0.0, 60.0),
}
_DENSITY_G_MM3 = 1.15e-3
_LIFT_MM = 6.0
_RETRACT_MM_MIN = 150.0


@dataclass(frozen=True, kw_only=True, slots=True)
class ResinResponse:
    """Hidden constants of one virtual resin printer; the defaults are a middling one.

    Attributes
    ----------
    intensity_mw_cm2 : float
        Light at the film.
    critical_mj_cm2, depth_mm : float
        E_c and D_p of the resin.
    true_exposure_s : float
        Exposure at which 0.05 mm layers print true to size.
    width_gain_mm : float
        Growth per side for each e-fold of dose.
    bar_mm : float
        Bar limit at 60 mm/min, full strength.
    peel_gain : float
        How much unsettled resin adds to the peel force.
    settle_s : float
        Time constant of levelling.
    trapped_mm : float
        Width of slot in which resin stays trapped after a long rest.
    pixel_mm, pixel_snap : float
        Pitch of the light engine, and how far borders snap to it.
    rough_mm, rough_per_layer : float
    spread, diagonal_penalty, scale_x, scale_y, skew, flaw_chance : float
        See `Behaviour`.
    width_scatter_mm, place_scatter_mm, run_growth_scatter_mm, run_limit_scatter : float
        See `Behaviour`.
    """

    intensity_mw_cm2: float = 3.0
    critical_mj_cm2: float = 2.2
    depth_mm: float = 0.11
    true_exposure_s: float = 2.2
    width_gain_mm: float = 0.022
    bar_mm: float = 0.095
    peel_gain: float = 0.8
    settle_s: float = 0.8
    trapped_mm: float = 0.070
    pixel_mm: float = 0.035
    pixel_snap: float = 0.35
    rough_mm: float = 0.004
    rough_per_layer: float = 0.06
    spread: float = 0.06
    diagonal_penalty: float = 0.06
    scale_x: float = 0.9955
    scale_y: float = 0.9962
    skew: float = 0.0001
    flaw_chance: float = 0.012
    width_scatter_mm: float = 0.003
    place_scatter_mm: float = 0.004
    run_growth_scatter_mm: float = 0.002
    run_limit_scatter: float = 0.03

    def check(self, settings: Mapping[str, object]) -> dict[str, float]:
        """Return complete settings, or raise `RehearsalError` naming the one at fault."""
        return checked_settings(settings, usual=RESIN_SETTINGS, allowed=_ALLOWED, printer="virtual resin printer")

    def cure_depth_mm(self, exposure_s: float) -> float:
        """Return how deep one exposure cures; 0 below the critical dose."""
        dose = self.intensity_mw_cm2 * exposure_s
        return max(0.0, self.depth_mm * math.log(dose / self.critical_mj_cm2))

    def growth_mm(self, exposure_s: float, layer_height_mm: float) -> float:
        """Return growth per side by the logarithm of the dose that adds up in a border."""
        return self.width_gain_mm * math.log(
            (exposure_s / self._leak(layer_height_mm)) / (self.true_exposure_s / self._leak(0.05))
        )

    def _leak(self, layer_height_mm: float) -> float:
        return 1 - math.exp(-layer_height_mm / self.depth_mm)

    def behaviour(self, settings: Mapping[str, object], job: Job) -> Behaviour:
        """Return how shapes come out at some settings for a piece.

        Parameters
        ----------
        settings : mapping of str to number
            Any of `RESIN_SETTINGS`.
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
        growth = self.growth_mm(s["exposure"], s["layer_height"])
        overcure = self.cure_depth_mm(s["exposure"]) / s["layer_height"]
        strength = max(1 - math.exp(-max(overcure - 1, 0.0) / 0.7), 0.02)
        unsettled = math.exp(-s["rest_time"] / self.settle_s)
        peel = math.sqrt(s["lift_speed"] / 60.0) * (1 + self.peel_gain * unsettled)
        # Below 1.15 layers of cure depth the layers part and whole features are lost.
        parted = math.exp(4 * max(0.0, 1.15 - overcure))
        rough = math.hypot(
            self.rough_mm,
            self.rough_per_layer * s["layer_height"],
            0.010 * unsettled,
            0.004 * (peel - 1),
            0.002 / strength,
        )
        slot_growth = growth + 0.002
        trapped = self.trapped_mm * (1 + 0.9 * unsettled)
        layers = math.ceil(job.thickness_mm / s["layer_height"])
        lift_s = _LIFT_MM * 60 / s["lift_speed"] + _LIFT_MM * 60 / _RETRACT_MM_MIN
        layer_time = s["exposure"] + lift_s + s["rest_time"]
        pull = max(0.0, 0.15 * self.width_gain_mm * (growth / self.width_gain_mm + 2.0)) * 0.5
        return Behaviour(
            growth_outline_mm=growth,
            growth_bar_mm=growth,
            growth_slot_mm=slot_growth,
            growth_hole_mm=slot_growth + 0.002,
            hole_pull_mm2=pull,
            least_bar_mm=1.4 * self.pixel_mm,
            limit_slot_mm=max(2 * slot_growth + trapped + rough, 0.02) * parted,
            limit_bar_mm=max(self.bar_mm * math.sqrt(peel / strength) - growth, 0.02) * parted,
            limit_hole_mm=max(2 * slot_growth + 1.3 * trapped + 2 * rough + 2 * pull, 0.03) * parted,
            limit_spread=self.spread,
            diagonal_penalty=self.diagonal_penalty,
            corner_radius_mm=0.6 * self.pixel_mm + max(growth, 0.0) + 0.01,
            roughness_mm=rough,
            correlation_mm=0.06,
            ripple_mm=0.16 * self.pixel_mm,
            ripple_pitch_mm=math.sqrt(2) * self.pixel_mm,
            ripple_on_axes=0.15,
            scale_x=self.scale_x,
            scale_y=self.scale_y,
            skew=self.skew,
            flaw_chance=min(0.5, self.flaw_chance * (peel / strength)),
            width_scatter_mm=self.width_scatter_mm,
            place_scatter_mm=self.place_scatter_mm,
            run_growth_scatter_mm=self.run_growth_scatter_mm,
            run_limit_scatter=self.run_limit_scatter,
            pixel_mm=self.pixel_mm,
            pixel_snap=self.pixel_snap,
            softness=0.0,
            layer_time_s=layer_time,
            print_time_h=(layers * layer_time + 300.0) / 3600,
            material_g=job.area_mm2 * job.thickness_mm * _DENSITY_G_MM3,
        )
