"""A frame to print on card and lay the piece in, so that a photograph can be measured."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sharpset.errors import ScanError
from sharpset.files import whole_file

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["FrameMarker", "PhotoFrame", "load_frame", "write_frame"]

DICTIONARY = "DICT_4X4_250"
N_MODULES = 6
"""Modules across a marker of that dictionary: four of data and a black one on either side."""

_MOST_MARKERS = 250
_LEAST_SCALE, _MOST_SCALE = 0.9, 1.1
_GROUNDS = {"white": 1.0, "grey": 0.5, "black": 0.0}
_FROM_BELOW = "Light the card from below (light table, lit screen), the room dark."
_LIGHT = {"black": "Light it evenly, without glare.", "grey": _FROM_BELOW, "white": _FROM_BELOW}
_PAPERS_MM = {"A5": (210.0, 148.0), "A4": (210.0, 297.0), "letter": (215.9, 279.4), "A3": (297.0, 420.0)}
_PAPER_MARGIN_MM = 10.0
_RULER_SPACE_MM = 14.0
_DRAWN = ("window_x_mm", "window_y_mm", "marker_mm", "gap_mm", "ground")
_TEXT_SPACE_MM = 34.0


class FrameMarker(NamedTuple):
    """One printed marker: its number and its centre in the frame."""

    marker_id: int
    x_mm: float
    y_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class PhotoFrame:
    """A ring of square markers round a window in which the piece lies.

    Positions are in the frame: origin at the lower-left corner of the window, x right, y up, z towards the camera.

    Attributes
    ----------
    window_x_mm, window_y_mm : float
        Size of the window.
    marker_mm : float
        Outer size of a marker, black border included.
    gap_mm : float
        White between markers, and between the ring and the window.
    ground : {"white", "grey", "black"}
        What is printed in the window: choose what contrasts with the piece.
    scale_x, scale_y : float
        Printed size over intended size, from the check rulers; 1 where they were not measured.
    u_scale : float
        Relative standard uncertainty of both. Unmeasured prints count as good to 0.3 % (common practice, no source).
    is_measured : bool
        Whether `scale_x` and `scale_y` were measured.
    """

    window_x_mm: float = 80.0
    window_y_mm: float = 60.0
    marker_mm: float = 8.0
    gap_mm: float = 4.0
    ground: str = "white"
    scale_x: float = 1.0
    scale_y: float = 1.0
    u_scale: float = 0.003
    is_measured: bool = False

    def __post_init__(self) -> None:
        for name, low, high in (
            ("window_x_mm", 10, 400),
            ("window_y_mm", 10, 400),
            ("marker_mm", 3, 40),
            ("gap_mm", 1, 40),
            ("scale_x", _LEAST_SCALE, _MOST_SCALE),
            ("scale_y", _LEAST_SCALE, _MOST_SCALE),
            ("u_scale", 0, 0.1),
        ):
            value = getattr(self, name)
            if not low <= value <= high:
                raise ScanError(f"photo frame: {name} is {value:g}, must be {low:g} to {high:g}.")
        if self.gap_mm < self.marker_mm / N_MODULES:
            least = self.marker_mm / N_MODULES
            raise ScanError(f"photo frame: gap_mm is {self.gap_mm:g}, markers of this size need {least:.2f} of white.")
        if self.ground not in _GROUNDS:
            raise ScanError(f"photo frame: ground '{self.ground}' is not known. Use white, grey or black.")
        if self.n_markers > _MOST_MARKERS:
            raise ScanError(
                f"photo frame: {self.n_markers} markers are needed, there are {_MOST_MARKERS}. Use larger markers."
            )

    @property
    def n_markers(self) -> int:
        """Number of markers in the ring."""
        return 2 * (self._intervals(self._ring_x_mm) + self._intervals(self._ring_y_mm))

    @property
    def outer_x_mm(self) -> float:
        """Width of the ring over everything."""
        return self._ring_x_mm + self.marker_mm

    @property
    def outer_y_mm(self) -> float:
        """Height of the ring over everything."""
        return self._ring_y_mm + self.marker_mm

    @property
    def ruler_x_mm(self) -> float:
        """Length of the check ruler along x, in whole centimetres."""
        return 10.0 * math.floor(self.outer_x_mm / 10.0)

    @property
    def ruler_y_mm(self) -> float:
        """Length of the check ruler along y, in whole centimetres."""
        return 10.0 * math.floor(self.outer_y_mm / 10.0)

    @property
    def markers(self) -> tuple[FrameMarker, ...]:
        """Markers as intended, clockwise from the upper-left corner, numbered from 0."""
        left, low = -(self.gap_mm + self.marker_mm / 2), -(self.gap_mm + self.marker_mm / 2)
        wide, high = self._ring_x_mm, self._ring_y_mm
        n_x, n_y = self._intervals(wide), self._intervals(high)
        top = [(left + wide * i / n_x, low + high) for i in range(n_x)]
        right = [(left + wide, low + high - high * i / n_y) for i in range(n_y)]
        bottom = [(left + wide - wide * i / n_x, low) for i in range(n_x)]
        back = [(left, low + high * i / n_y) for i in range(n_y)]
        return tuple(FrameMarker(i, x, y) for i, (x, y) in enumerate(top + right + bottom + back))

    def corners_mm(self) -> NDArray[np.float64]:
        """Corners of all markers as printed, on the card.

        Returns
        -------
        ndarray, shape (n_markers, 4, 2)
            x, y in mm in the frame, each marker clockwise from its upper-left corner; the measured rulers are applied.
        """
        half = self.marker_mm / 2
        offsets = np.array([(-half, half), (half, half), (half, -half), (-half, -half)])
        centres = np.array([(marker.x_mm, marker.y_mm) for marker in self.markers])
        corners: NDArray[np.float64] = (centres[:, None, :] + offsets) * np.array([self.scale_x, self.scale_y])
        return corners

    def with_rulers(self, *, x_mm: float, y_mm: float, u_mm: float = 0.1) -> PhotoFrame:
        """The frame as it really came out of the printer.

        Parameters
        ----------
        x_mm, y_mm : float
            Measured lengths of the two check rulers.
        u_mm : float
            Standard uncertainty of these measurements.

        Raises
        ------
        ScanError
            If a length is more than 10 % off.
        """
        for axis, measured, intended in (("x", x_mm, self.ruler_x_mm), ("y", y_mm, self.ruler_y_mm)):
            if not _LEAST_SCALE <= measured / intended <= _MOST_SCALE:
                raise ScanError(
                    f"photo frame: a ruler along {axis} of {measured:g} mm does not go with the {intended:g} mm that "
                    "were drawn. Measure from end line to end line, x first, or print the frame again at 100 %."
                )
        shortest = min(self.ruler_x_mm, self.ruler_y_mm)
        return replace(
            self,
            scale_x=x_mm / self.ruler_x_mm,
            scale_y=y_mm / self.ruler_y_mm,
            u_scale=abs(u_mm) / shortest,
            is_measured=True,
        )

    def summary(self) -> str:
        """One line for people."""
        return (
            f"photo frame: window {self.window_x_mm:g} x {self.window_y_mm:g} mm, {self.n_markers} markers of "
            f"{self.marker_mm:g} mm, {self.ground} ground, printed at {self.scale_x:.4f} x {self.scale_y:.4f}"
        )

    def to_frame(self) -> pd.DataFrame:
        """The markers as a table."""
        import pandas as pd

        return pd.DataFrame(list(self.markers))

    def _repr_html_(self) -> str:
        return f"<p>{self.summary()}</p>"

    @property
    def _ring_x_mm(self) -> float:
        return self.window_x_mm + 2 * self.gap_mm + self.marker_mm

    @property
    def _ring_y_mm(self) -> float:
        return self.window_y_mm + 2 * self.gap_mm + self.marker_mm

    def _intervals(self, length_mm: float) -> int:
        return max(1, math.floor(length_mm / (self.marker_mm + self.gap_mm) + 1e-9))


def marker_modules(marker_id: int) -> NDArray[np.bool_]:
    """Which modules of a marker are white, row 0 at its top.

    Returns
    -------
    ndarray of bool, shape (6, 6)
    """
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))
    return np.asarray(cv2.aruco.generateImageMarker(dictionary, marker_id, N_MODULES, borderBits=1)) > 127


def write_frame(path: str | Path, *, frame: PhotoFrame | None = None, paper: str = "A4") -> PhotoFrame:
    """Write the frame as a PDF at true size, and beside it a JSON file that says what was printed.

    Parameters
    ----------
    path : str or Path
        The PDF file; the other gets the same name with the ending ``.json``.
    frame : PhotoFrame or None
        None gives the usual one, with a window of 80 x 60 mm.
    paper : {"A5", "A4", "letter", "A3"}

    Returns
    -------
    PhotoFrame
        What was printed.

    Raises
    ------
    ScanError
        If the frame does not fit the paper, the files cannot be written, or that of another frame would be lost.
    """
    design = frame or PhotoFrame()
    place = Path(path)
    if paper not in _PAPERS_MM:
        raise ScanError(f"photo frame: paper '{paper}' is not known. Use {', '.join(_PAPERS_MM)}.")
    page_x, page_y = _PAPERS_MM[paper]
    need_x = design.outer_x_mm + _RULER_SPACE_MM + 2 * _PAPER_MARGIN_MM
    need_y = design.outer_y_mm + _RULER_SPACE_MM + _TEXT_SPACE_MM + 2 * _PAPER_MARGIN_MM
    if need_x > page_x or need_y > page_y:
        raise ScanError(
            f"photo frame: needs {need_x:.0f} x {need_y:.0f} mm, {paper} paper has {page_x:g} x {page_y:g}. "
            "Use a smaller window, smaller markers or larger paper."
        )
    if place.suffix.lower() != ".pdf":
        raise ScanError(f"{place}: the frame is a PDF file, with a .json beside it. Give a name that ends with .pdf.")
    _keep_another(place.with_suffix(".json"), design)
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(place) as beside:
            _draw_page(beside, design, page_x, page_y)
        with whole_file(place.with_suffix(".json")) as beside:
            beside.write_text(json.dumps(_to_json(design, paper), indent=2) + "\n", encoding="utf-8")
    except OSError as error:
        raise ScanError(f"{place}: cannot be written ({error.strerror or error}). Choose another --out.") from error
    return design


def _keep_another(place: Path, design: PhotoFrame) -> None:
    """Refuse to write over the file of another frame, by which its prints are measured, or over what is no frame's."""
    if not place.exists():
        return
    try:
        if load_frame(place) == PhotoFrame(**{name: getattr(design, name) for name in _DRAWN}):
            return
        what = "the file of another frame stands there, by which its prints are measured"
    except ScanError:
        if _is_of_a_frame(place):
            return
        what = "another file stands there"
    raise ScanError(f"{place}: {what}. Choose another --out.")


def _is_of_a_frame(place: Path) -> bool:
    """Whether a file that describes no frame any more once did."""
    try:
        data = json.loads(place.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(data, dict) and data.get("kind") == "photo frame"


def _to_json(design: PhotoFrame, paper: str) -> dict[str, Any]:
    return {
        "kind": "photo frame",
        "version": 1,
        "units": "mm",
        "paper": paper,
        "dictionary": DICTIONARY,
        "window_mm": [design.window_x_mm, design.window_y_mm],
        "marker_mm": design.marker_mm,
        "gap_mm": design.gap_mm,
        "ground": design.ground,
        "ruler_mm": [design.ruler_x_mm, design.ruler_y_mm],
        "markers": [{"id": m.marker_id, "x_mm": round(m.x_mm, 6), "y_mm": round(m.y_mm, 6)} for m in design.markers],
    }


def load_frame(path: str | Path) -> PhotoFrame:
    """Read the JSON file that `write_frame` left beside the PDF.

    Raises
    ------
    ScanError
        If the file is missing or says something else.
    """
    place = Path(path)
    try:
        data = json.loads(place.read_text(encoding="utf-8"))
    except OSError as error:
        raise ScanError(
            f"{place}: cannot be read ({error.strerror or error}). Name the .json beside the frame's PDF."
        ) from error
    except (UnicodeDecodeError, json.JSONDecodeError) as error:
        what = error if isinstance(error, json.JSONDecodeError) else "it is no text file"
        raise ScanError(f"{place}: is no photo frame ({what}). Name the .json beside the frame's PDF.") from error
    try:
        if data["kind"] != "photo frame" or data["version"] != 1 or data["dictionary"] != DICTIONARY:
            raise KeyError("kind, version or dictionary")
        x, y = data["window_mm"]
        design = PhotoFrame(
            window_x_mm=float(x),
            window_y_mm=float(y),
            marker_mm=float(data["marker_mm"]),
            gap_mm=float(data["gap_mm"]),
            ground=data["ground"],
        )
        listed = np.array([(m["id"], m["x_mm"], m["y_mm"]) for m in data["markers"]], dtype=float)
    except (KeyError, TypeError, ValueError) as error:
        if isinstance(error, ScanError):
            raise ScanError(f"{place}: {error}") from error
        raise ScanError(
            f"{place}: is not the description of a photo frame ({error}). Write the frame again."
        ) from error
    if listed.shape != (design.n_markers, 3) or not np.allclose(listed, np.array(design.markers), atol=1e-5):
        raise ScanError(f"{place}: the markers listed are not those of this frame. Write the frame again.")
    return design


def _draw_page(path: Path, design: PhotoFrame, page_x: float, page_y: float) -> None:
    from matplotlib import get_data_path
    from reportlab.lib.units import mm
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont
    from reportlab.pdfgen.canvas import Canvas

    pdfmetrics.registerFont(TTFont("DejaVuSans", str(Path(get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf")))
    canvas = Canvas(str(path), pagesize=(page_x * mm, page_y * mm), invariant=1, pageCompression=1)
    canvas.setTitle("sharpset photo frame")
    canvas.setViewerPreference("PrintScaling", "None")
    canvas.scale(mm, mm)
    left = (page_x - design.outer_x_mm - _RULER_SPACE_MM) / 2 + _RULER_SPACE_MM
    low = page_y - _PAPER_MARGIN_MM - _TEXT_SPACE_MM - design.outer_y_mm
    _draw_text(canvas, design, left - _RULER_SPACE_MM, page_x - _PAPER_MARGIN_MM, page_y - _PAPER_MARGIN_MM)
    _draw_ruler(canvas, left, low - 5.0, design.ruler_x_mm, upright=False)
    _draw_ruler(canvas, left - 5.0, low, design.ruler_y_mm, upright=True)
    canvas.translate(left + design.marker_mm + design.gap_mm, low + design.marker_mm + design.gap_mm)
    if design.ground != "white":
        canvas.setFillGray(_GROUNDS[design.ground])
        canvas.rect(0, 0, design.window_x_mm, design.window_y_mm, stroke=0, fill=1)
    for marker in design.markers:
        _draw_marker(canvas, marker, design.marker_mm)
    canvas.showPage()
    canvas.save()


def _draw_text(canvas: Any, design: PhotoFrame, x: float, right: float, y: float) -> None:
    lines = (
        "1  Print at 100 % (no fitting to the page) on matt card and lay it flat.",
        f"2  Measure both rulers from end line to end line. They should be {design.ruler_x_mm:g} and "
        f"{design.ruler_y_mm:g} mm; note what they are.",
        f"3  Lay the piece flat in the window. {_LIGHT[design.ground]}",
        "4  Photograph from straight above, whole frame in the picture, no zoom change, no sharpening filter.",
        "5  Better from further away, the piece in the middle, the card taped to something flat.",
    )
    # Beside a small frame the text would leave the page.
    x = min(x, right - max(canvas.stringWidth(line, "DejaVuSans", 2.6) for line in lines))
    canvas.setFillGray(0)
    canvas.setFont("DejaVuSans", 4.2)
    canvas.drawString(x, y - 5, f"Photo frame, window {design.window_x_mm:g} x {design.window_y_mm:g} mm")
    canvas.setFont("DejaVuSans", 2.6)
    for index, line in enumerate(lines):
        canvas.drawString(x, y - 11 - 4.2 * index, line)


def _draw_ruler(canvas: Any, x: float, y: float, length_mm: float, *, upright: bool) -> None:
    """A ruler that hangs from (x, y), its end lines exactly `length_mm` apart from centre to centre."""
    thin = 0.12
    canvas.setFillGray(0)
    canvas.setFont("DejaVuSans", 2.2)
    for millimetre in range(int(length_mm) + 1):
        tick = 4.0 if millimetre % 10 == 0 else 3.0 if millimetre % 5 == 0 else 2.0
        if upright:
            canvas.rect(x - tick, y + millimetre - thin / 2, tick, thin, stroke=0, fill=1)
            if millimetre % 10 == 0:
                canvas.drawRightString(x - tick - 0.6, y + millimetre - 0.8, str(millimetre))
        else:
            canvas.rect(x + millimetre - thin / 2, y - tick, thin, tick, stroke=0, fill=1)
            if millimetre % 10 == 0:
                canvas.drawCentredString(x + millimetre, y - tick - 2.4, str(millimetre))


def _draw_marker(canvas: Any, marker: FrameMarker, size_mm: float) -> None:
    module = size_mm / N_MODULES
    left, top = marker.x_mm - size_mm / 2, marker.y_mm + size_mm / 2
    canvas.setFillGray(0)
    canvas.rect(left, top - size_mm, size_mm, size_mm, stroke=0, fill=1)
    # One path for all white modules: drawn one by one, viewers leave dark hairlines between neighbours.
    path = canvas.beginPath()
    for row, column in np.argwhere(marker_modules(marker.marker_id)):
        path.rect(left + column * module, top - (row + 1) * module, module, module)
    canvas.setFillGray(1)
    canvas.drawPath(path, stroke=0, fill=1)
