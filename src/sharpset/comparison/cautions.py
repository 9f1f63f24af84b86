"""Cautions for the work around masters and moulds."""

from __future__ import annotations

__all__ = ["MOULD_CAUTIONS", "PRINT_CAUTIONS"]

PRINT_CAUTIONS = (
    "Nozzle, plate and chamber of a filament printer are hot; heated plastic gives off fumes and fine particles: "
    "ventilate.",
    "Uncured resin is a skin sensitiser: nitrile gloves and eye protection, nothing down the drain; do not look into "
    "ultraviolet light; wash solvents burn, keep them from flames and hot parts.",
    "The safety data sheets, the machine's manual and local codes come before anything written here.",
)
"""Before a test piece is printed again."""

MOULD_CAUTIONS = (
    "Vulcanising presses, moulds and platens are hot and close with great force: guards in place, hands out, gloves "
    "made for heat.",
    "Molten metal spatters on any trace of water: dry and preheated moulds and tools, face shield, apron, closed "
    "shoes, good ventilation, nobody else near.",
    "A master that softens in the press can flow or burst: check that its material stands the temperature and the "
    "pressure before it goes in.",
    "Moulding rubbers, catalysts and casting resins can sensitise skin and lungs: gloves, eye protection, fresh air.",
    "Cut moulds away from the hand that holds them, with a sharp blade.",
    "The safety data sheets, the machine's manual, local codes and licensed practice come before anything written "
    "here.",
)
"""Wherever moulds, presses or castings are spoken of."""
