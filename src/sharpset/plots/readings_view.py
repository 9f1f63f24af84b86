"""A scan in a page or a notebook: point at a feature to see its reading and what its uncertainty is made of."""

from __future__ import annotations

import base64
import html
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sharpset.errors import ReportError
from sharpset.files import whole_file
from sharpset.plots.overlay import corners_of, cut_out, found_states, outlines_of
from sharpset.plots.style import FORMED_COLOURS, REFUSED_COLOUR
from sharpset.refusals import refusal

if TYPE_CHECKING:
    from sharpset.pieces import Piece

__all__ = ["ReadingsView", "view_readings"]

_LONGEST_PX = 2000
_MARGIN_MM = 2.0
_REACH_MM = 0.15
"""How far beside a narrow feature the pointer still finds it."""
_MOST_LINES = 6
_INVITATION = "Point at an outline: its reading, and what its uncertainty is made of."
_WORDS = {"yes": "formed", "partly": "partly formed", "no": "not formed", "refused": "refused"}
_STYLE = """\
.sharpset-view{font:14px/1.4 "DejaVu Sans",Verdana,sans-serif;color:#1d2b36}
.sharpset-view .scroll{overflow:auto;max-height:min(42rem,75vh);border:1px solid #c3ccd3}
.sharpset-view svg{display:block;width:75%}
.sharpset-view polygon{fill:transparent;stroke-width:SHARPpx}
.sharpset-view polygon:hover{fill:rgba(255,255,255,.35)}
.sharpset-view pre{margin:.4rem 0;padding:.5rem .8rem;background:#f2f5f7;height:9em;overflow:auto}
.sharpset-view pre{white-space:pre-wrap}"""
_TELL = (
    "this.ownerSVGElement.closest('.sharpset-view').querySelector('pre').textContent=this.firstElementChild.textContent"
)
_ZOOM = "this.closest('.sharpset-view').querySelector('svg').style.width=this.value+'%'"


@dataclass(frozen=True, kw_only=True, slots=True)
class ReadingsView:
    """A scanned piece with its readings, as a fragment of HTML that needs no other file and no network.

    Attributes
    ----------
    title : str
    fragment : str
    """

    title: str
    fragment: str = field(repr=False)

    def _repr_html_(self) -> str:
        return self.fragment

    def save(self, path: Path | str) -> Path:
        """Write the view as a page.

        Raises
        ------
        ReportError
            If the file cannot be written.
        """
        path = Path(path)
        head = f'<meta charset="utf-8"><title>{html.escape(self.title)}</title>'
        try:
            with whole_file(path) as place:
                text = f'<!doctype html>\n<html lang="en"><head>{head}</head><body>\n{self.fragment}\n</body></html>\n'
                place.write_text(text, encoding="utf-8", newline="\n")
        except OSError as error:
            raise ReportError(
                f"{path}: the view cannot be written ({error.strerror}). Choose another folder."
            ) from error
        return path


def view_readings(picture: NDArray[Any], reading: Any, piece: Piece, *, title: str = "") -> ReadingsView:
    """Show a scanned piece whose features tell their readings where the pointer stands.

    Parameters
    ----------
    picture : ndarray, shape (rows, columns) or (rows, columns, 3)
        The upright scan as stored or as light.
    reading : PieceReading
    piece : Piece
    title : str

    Returns
    -------
    ReadingsView
        A notebook shows it; every outline holds its text, so that it is told without scripts too.

    Raises
    ------
    ReportError
        If the readings are of another piece.
    """
    table = reading.table.set_index("feature_id")
    outlines = outlines_of(table, reading.pose, piece)
    corners, px_per_mm = corners_of(reading.pose, piece)
    part = cut_out(picture, corners, margin_px=_MARGIN_MM * px_per_mm, longest_px=_LONGEST_PX)
    rows, columns = part.shown.shape[:2]
    states = found_states(table)
    lines = {str(name): own for name, own in reading.contributions.groupby("feature_id", sort=False)}
    colours = {**FORMED_COLOURS, "refused": REFUSED_COLOUR}
    shapes = []
    for name, outline in outlines.items():
        at = " ".join(f"{x:.1f},{y:.1f}" for x, y in _widened(outline, _REACH_MM * px_per_mm, part.corner, part.step))
        text = html.escape(_told(name, table.loc[name], states[name], lines.get(name)))
        shapes.append(
            f'<polygon points="{at}" stroke="{colours[states[name]]}" onmouseenter="{html.escape(_TELL)}" '
            f'onclick="{html.escape(_TELL)}"><title>{text}</title></polygon>'
        )
    name = title or f"{piece.piece_id}, run {getattr(reading, 'run_id', '') or '?'}"
    key = " &nbsp; ".join(
        f'<span style="color:{colours[state]}">&#9632;</span> {_WORDS[state]} ({int((states == state).sum())})'
        for state in colours
        if (states == state).any()
    )
    image = f'<image width="{columns}" height="{rows}" href="data:image/jpeg;base64,{_jpeg(part.shown)}"/>'
    style = _STYLE.replace("SHARP", f"{max(columns, rows) / 1000:.1f}")
    fragment = (
        f'<div class="sharpset-view"><style>{style}</style><p><b>{html.escape(name)}</b> &nbsp; {key} &nbsp; '
        f'<label>size <input type="range" min="50" max="600" value="75" oninput="{html.escape(_ZOOM)}"></label></p>'
        f'<pre>{_INVITATION}</pre><div class="scroll">'
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {columns} {rows}">{image}{"".join(shapes)}</svg></div>'
        "</div>"
    )
    return ReadingsView(title=name, fragment=fragment)


def _widened(
    outline: NDArray[np.float64], reach_px: float, corner: NDArray[np.float64], step: int
) -> NDArray[np.float64]:
    """Return an outline in pixels of what is shown; one narrower than the pointer can hit is widened."""
    from shapely.geometry import Polygon

    shape = Polygon(outline)
    narrow = float(np.min(_sides(shape)))
    if narrow < 2 * reach_px:
        shape = shape.buffer(reach_px - narrow / 2, join_style="mitre")
    return (np.asarray(shape.exterior.coords)[:-1] - corner) / step


def _sides(shape: Any) -> Sequence[float]:
    box = np.asarray(shape.minimum_rotated_rectangle.exterior.coords)
    return [float(np.hypot(*(box[1] - box[0]))), float(np.hypot(*(box[2] - box[1])))]


def _told(name: str, row: pd.Series[Any], state: str, lines: pd.DataFrame | None) -> str:
    """Return what is told of a feature, line by line."""
    said = [f"{name}: {row['kind']} drawn {row['nominal_mm']:g} mm, {_WORDS[state]}"]
    flags = str(row["flags"]) if pd.notna(row["flags"]) else ""
    if state == "refused":
        said[0] += f" ({refusal(flags)}): no size"
    if pd.notna(row["measured_mm"]):
        size = f"measured {row['measured_mm']:.4f} mm \u00b1 {row['U95_mm']:.4f} mm (95 %)"
        said.append(f"{size}, {row['deviation_mm']:+.4f} mm from what was drawn")
    elif pd.notna(row["share"]) and state != "refused":
        said.append(f"share of it that is there: {100 * row['share']:.0f} %")
    if pd.notna(row["x_dev_mm"]) and pd.notna(row["y_dev_mm"]):
        said.append(f"place {row['x_dev_mm']:+.4f} mm along x, {row['y_dev_mm']:+.4f} mm along y")
    if pd.notna(row["edge_roughness_mm"]):
        said.append(f"edge roughness {row['edge_roughness_mm']:.4f} mm (standard deviation)")
    if flags and state != "refused":
        said.append(f"flags: {flags.replace(';', ', ')}")
    if lines is not None and pd.notna(row["measured_mm"]):
        first = lines.sort_values("u_mm", ascending=False, kind="stable").head(_MOST_LINES)
        parts = [
            f"{own.line} {1000 * own.u_mm:.2f}{'' if own.shared == 'no' else ' (shared)'}" for own in first.itertuples()
        ]
        said.append(f"standard uncertainty / um: {', '.join(parts)}")
    return "\n".join(said)


def _jpeg(shown: NDArray[np.float64]) -> str:
    import cv2

    bytes_ = np.round(255 * shown).astype(np.uint8)
    bytes_ = bytes_[..., ::-1] if bytes_.ndim == 3 else bytes_
    done, data = cv2.imencode(".jpg", np.ascontiguousarray(bytes_), [cv2.IMWRITE_JPEG_QUALITY, 85])
    if not done:
        raise ReportError("the picture cannot be packed for the page; draw it with draw_scan_overlay instead")
    return base64.b64encode(data.tobytes()).decode("ascii")
