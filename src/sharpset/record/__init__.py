"""The record: printers, materials, prints, scans, readings and recipes, kept so that nothing is lost."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sharpset.record.entries import Entry, Ref
    from sharpset.record.store import Record, open_record

__all__ = ["Entry", "Record", "Ref", "open_record"]

_HOME = {
    "Entry": "entries",
    "Record": "store",
    "Ref": "entries",
    "open_record": "store",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
