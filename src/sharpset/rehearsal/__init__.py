"""The rehearsal: a virtual printer and a virtual scanner with known truth. INVENTED DATA throughout.

For learning, for planning how many prints are needed, for tests and for demo pictures. No measuring
code uses it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sharpset.rooms import opened_when_asked

if TYPE_CHECKING:
    from sharpset.rehearsal.behaviour import Behaviour, Job
    from sharpset.rehearsal.camera import Camera, CardPlace, Photo, marker_card, photograph
    from sharpset.rehearsal.filament import FILAMENT_SETTINGS, FilamentResponse
    from sharpset.rehearsal.files import write_scan
    from sharpset.rehearsal.printed import TRUTH_COLUMNS, PrintedPiece
    from sharpset.rehearsal.printers import PROCESSES, Printer, virtual_printer
    from sharpset.rehearsal.quick import quick_readings
    from sharpset.rehearsal.references import Reference
    from sharpset.rehearsal.resin import RESIN_SETTINGS, ResinResponse
    from sharpset.rehearsal.runs import rehearse_plan
    from sharpset.rehearsal.scanner import CLEAN, Placement, Scan, Scanner, Scene
    from sharpset.rehearsal.scanning import scan_pieces

__all__ = [
    "CLEAN",
    "FILAMENT_SETTINGS",
    "PROCESSES",
    "RESIN_SETTINGS",
    "TRUTH_COLUMNS",
    "Behaviour",
    "Camera",
    "CardPlace",
    "FilamentResponse",
    "Job",
    "Photo",
    "Placement",
    "PrintedPiece",
    "Printer",
    "Reference",
    "ResinResponse",
    "Scan",
    "Scanner",
    "Scene",
    "marker_card",
    "photograph",
    "quick_readings",
    "rehearse_plan",
    "scan_pieces",
    "virtual_printer",
    "write_scan",
]

_HOMES = {
    "behaviour": ("Behaviour", "Job"),
    "camera": ("Camera", "CardPlace", "Photo", "marker_card", "photograph"),
    "filament": ("FILAMENT_SETTINGS", "FilamentResponse"),
    "files": ("write_scan",),
    "printed": ("TRUTH_COLUMNS", "PrintedPiece"),
    "printers": ("PROCESSES", "Printer", "virtual_printer"),
    "quick": ("quick_readings",),
    "references": ("Reference",),
    "resin": ("RESIN_SETTINGS", "ResinResponse"),
    "runs": ("rehearse_plan",),
    "scanner": ("CLEAN", "Placement", "Scan", "Scanner", "Scene"),
    "scanning": ("scan_pieces",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__getattr__, __dir__ = opened_when_asked(__name__, _HOME_OF)
