"""What was found on every scan, drawn into a folder."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from sharpset.plots.overlay import draw_scan_overlay
from sharpset.plots.readings_view import view_readings
from sharpset.plots.style import save_figure
from sharpset.scans import open_scan

if TYPE_CHECKING:
    from sharpset.pieces import Piece

__all__ = ["write_overlays"]


class _ReadScan(Protocol):
    """What is needed of the reading of one scan."""

    @property
    def scan_id(self) -> str: ...
    @property
    def path(self) -> Path: ...
    @property
    def pieces(self) -> tuple[Any, ...]: ...


def write_overlays(readings: Iterable[_ReadScan], piece: Piece, folder: Path | str) -> list[Path]:
    """Draw what was found on every scan into a folder, a PNG and a page to point into for each piece.

    Parameters
    ----------
    readings : iterable of ScanReading
        Their pictures are opened again where they lie.
    piece : Piece
    folder : path
        Made if it is not there.

    Returns
    -------
    list of Path
    """
    files = []
    for scan in readings:
        picture = open_scan(scan.path, need_scale=False).pixels
        for number, found in enumerate(scan.pieces, start=1):
            run = f", run {found.run_id}" if found.run_id else ""
            figure = draw_scan_overlay(picture, found, piece, title=f"{scan.path.name}{run}")
            several = f"-{number}" if len(scan.pieces) > 1 else ""
            stem = Path(folder) / f"{scan.scan_id}{several}"
            files.append(save_figure(figure, stem.with_name(f"{stem.name}.png")))
            view = view_readings(picture, found, piece, title=f"{scan.path.name}{run}")
            files.append(view.save(stem.with_name(f"{stem.name}.html")))
    return files
