"""Virtual printers: a hidden response, and prints drawn from it.

INVENTED DATA: everything a virtual printer gives comes from formulas and random numbers.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Literal

import numpy as np

from sharpset.errors import RehearsalError
from sharpset.pieces import Piece
from sharpset.rehearsal.behaviour import Behaviour, Job
from sharpset.rehearsal.filament import FILAMENT_SETTINGS, FilamentResponse
from sharpset.rehearsal.printed import PrintedPiece
from sharpset.rehearsal.resin import RESIN_SETTINGS, ResinResponse

__all__ = ["PROCESSES", "Printer", "job_of", "virtual_printer"]

PROCESSES = ("filament", "resin")

# Half-width of the spread between machines: relative (log-normal sd) for positive constants.
_FILAMENT_SPREAD = {
    "melt_mm3_s": 0.25,
    "cooling_w_m2k": 0.2,
    "fan_gain": 0.2,
    "soft_width_k": 0.1,
    "heat_growth_mm": 0.3,
    "heat_roughness_mm": 0.3,
    "loose_gain": 0.4,
    "ringing_mm": 0.5,
    "resonance_hz": 0.25,
    "acceleration_mm_s2": 0.4,
    "rough_mm": 0.25,
    "rough_per_layer": 0.2,
    "slot_share": 0.15,
    "bar_share": 0.07,
    "pull": 0.3,
    "spread": 0.2,
    "diagonal_penalty": 0.4,
    "flaw_chance": 0.3,
    "width_scatter_mm": 0.2,
    "place_scatter_mm": 0.3,
    "run_growth_scatter_mm": 0.3,
    "run_limit_scatter": 0.25,
}
_RESIN_SPREAD = {
    "intensity_mw_cm2": 0.15,
    "critical_mj_cm2": 0.2,
    "depth_mm": 0.15,
    "true_exposure_s": 0.18,
    "width_gain_mm": 0.25,
    "bar_mm": 0.12,
    "peel_gain": 0.3,
    "settle_s": 0.3,
    "trapped_mm": 0.15,
    "pixel_mm": 0.2,
    "pixel_snap": 0.3,
    "rough_mm": 0.25,
    "rough_per_layer": 0.3,
    "spread": 0.2,
    "diagonal_penalty": 0.4,
    "flaw_chance": 0.3,
    "width_scatter_mm": 0.2,
    "place_scatter_mm": 0.3,
    "run_growth_scatter_mm": 0.3,
    "run_limit_scatter": 0.25,
}
# Constants of either sign, or close to one: absolute standard deviation.
_SHIFT = {"growth_mm": 0.006, "soft_c": 3.0, "scale_x": 0.0010, "scale_y": 0.0010, "skew": 0.0003}


@dataclass(frozen=True, kw_only=True)
class Printer:
    """A virtual printer.

    Attributes
    ----------
    name : str
    process : {'filament', 'resin'}
    response : FilamentResponse or ResinResponse
        The hidden response. Methods that learn from prints must not look at it.
    """

    name: str
    process: Literal["filament", "resin"]
    response: FilamentResponse | ResinResponse

    @property
    def usual_settings(self) -> dict[str, float]:
        """Settings that the printer knows, with the value of each where none is given."""
        return dict(FILAMENT_SETTINGS if self.process == "filament" else RESIN_SETTINGS)

    def behaviour(self, settings: Mapping[str, object], piece: Piece | Job) -> Behaviour:
        """Return the true mean behaviour at some settings: what an endless number of prints would show.

        Parameters
        ----------
        settings : mapping of str to number
            Settings not named take their usual value.
        piece : Piece or Job
            What is printed; it decides how long a layer takes.

        Returns
        -------
        Behaviour

        Raises
        ------
        RehearsalError
            For an unknown setting or a value that the printer cannot take.
        """
        return self.response.behaviour(settings, piece if isinstance(piece, Job) else job_of(piece))

    def print_piece(
        self, piece: Piece, settings: Mapping[str, object], *, seed: int, shapes: bool = True
    ) -> PrintedPiece:
        """Print a piece once.

        Parameters
        ----------
        piece : Piece
        settings : mapping of str to number
            Settings not named take their usual value.
        seed : int
            The same seed gives the same print.
        shapes : bool
            Whether to draw the silhouette. Without it the print has its truth but cannot be scanned,
            which is quicker where many prints go to `quick_readings`.

        Returns
        -------
        PrintedPiece

        Raises
        ------
        RehearsalError
            For an unknown setting, a value that the printer cannot take, or a piece made for the
            other process.
        """
        from sharpset.rehearsal.forming import form_piece

        if piece.process != self.process:
            raise RehearsalError(
                f"{self.name}: piece {piece.piece_id} is made for {piece.process}, the printer works with "
                f"{self.process}. Make the piece with --process {self.process}."
            )
        full = self.response.check(settings)
        mean = self.behaviour(full, piece)
        return form_piece(piece, _of_this_run(mean, seed), printer=self.name, settings=full, seed=seed, shapes=shapes)

    def summary(self) -> str:
        """Return the printer in one line, its secret kept."""
        return f"{self.name} (INVENTED; {self.process}); settings {', '.join(self.usual_settings)}"


def job_of(piece: Piece) -> Job:
    """Return what a piece asks of the printer; areas by formula, as drawing the silhouette takes longer."""
    table = piece.features
    size, length, kind = (table[name].to_numpy() for name in ("nominal_mm", "length_mm", "kind"))
    open_mm2 = np.where(kind == "slot", size * length, np.where(kind == "hole", math.pi / 4 * size**2, size**2))
    cells = len(piece.code.open_cells_mm()) * math.pi / 4 * piece.code.cell_diameter_mm**2
    windows = sum(opening.area for opening in piece.openings)
    area = piece.outline.area - float(open_mm2[kind != "bar"].sum()) - cells - windows
    return Job(area_mm2=area, thickness_mm=piece.thickness_mm, n_features=len(table))


def _of_this_run(mean: Behaviour, seed: int) -> Behaviour:
    """Add the scatter from print to print to the mean behaviour."""
    rng = np.random.default_rng([seed, 1])
    shift = rng.normal(0, mean.run_growth_scatter_mm)
    limits = np.exp(rng.normal(0, mean.run_limit_scatter, 3))
    rough = math.exp(rng.normal(0, 0.06))
    return replace(
        mean,
        growth_outline_mm=mean.growth_outline_mm + shift,
        growth_bar_mm=mean.growth_bar_mm + shift,
        growth_slot_mm=mean.growth_slot_mm + shift,
        growth_hole_mm=mean.growth_hole_mm + shift,
        limit_slot_mm=mean.limit_slot_mm * limits[0],
        limit_bar_mm=mean.limit_bar_mm * limits[1],
        limit_hole_mm=mean.limit_hole_mm * limits[2],
        roughness_mm=mean.roughness_mm * rough,
        scale_x=mean.scale_x + rng.normal(0, 0.0002),
        scale_y=mean.scale_y + rng.normal(0, 0.0002),
    )


def virtual_printer(process: str, seed: int | None = None) -> Printer:
    """Return a virtual printer.

    Parameters
    ----------
    process : {'filament', 'resin'}
    seed : int, optional
        Draws the hidden response: machines differ as machines of one shop do. Without it the
        middling machine that the defaults of the response describe.

    Returns
    -------
    Printer

    Raises
    ------
    RehearsalError
        For an unknown process.
    """
    if process not in PROCESSES:
        raise RehearsalError(f"process {process!r} is unknown; processes are {', '.join(PROCESSES)}.")
    response: FilamentResponse | ResinResponse = FilamentResponse() if process == "filament" else ResinResponse()
    if seed is None:
        return Printer(name=f"virtual {process} printer", process=_process(process), response=response)
    rng = np.random.default_rng([seed, PROCESSES.index(process)])
    spreads = _FILAMENT_SPREAD if process == "filament" else _RESIN_SPREAD
    drawn: dict[str, float] = {}
    for item in fields(response):
        value = float(getattr(response, item.name))
        # Beyond two standard deviations no shop would keep the machine.
        z = float(np.clip(rng.standard_normal(), -2, 2))
        if item.name in spreads:
            drawn[item.name] = value * math.exp(spreads[item.name] * z)
        else:
            drawn[item.name] = value + _SHIFT.get(item.name, 0.0) * z
    if "pixel_snap" in drawn:
        drawn["pixel_snap"] = min(drawn["pixel_snap"], 0.9)
    own: FilamentResponse | ResinResponse = type(response)(**drawn)
    return Printer(name=f"virtual {process} printer {seed}", process=_process(process), response=own)


def _process(name: str) -> Literal["filament", "resin"]:
    return "filament" if name == "filament" else "resin"
