"""One plain look for every figure: white paper, thin axes, few colours, units on every axis."""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from sharpset.errors import ReportError
from sharpset.files import whole_file

__all__ = [
    "FORMED_COLOURS",
    "GREY",
    "INK",
    "KIND_COLOURS",
    "REFUSED_COLOUR",
    "as_data_uri",
    "label_of",
    "new_figure",
    "plain",
    "save_figure",
    "styled",
    "term_label",
    "unit_of",
]

INK = "#22303c"
GREY = "#8a949c"
PALE = "#e6e9ec"
KIND_COLOURS = {
    "slot": "#1f5f8b",
    "bar": "#b0541f",
    "hole": "#3d7a3d",
    "post": "#7a4a8c",
    "rib": "#8c6d1f",
    "groove": "#2f8f8f",
    "dome": "#8c3a5a",
}
"""One colour for each kind of detail, the same in every figure."""
FORMED_COLOURS = {"yes": "#2b7bba", "partly": "#f0b030", "no": "#c0392b"}
"""Told apart by readers who see red and green alike; markers differ as well."""
REFUSED_COLOUR = "#b455d6"
"""What could not be read; drawn with a cross through it, so that it is told without its colour too."""
FORMED_MARKERS = {"yes": "o", "partly": "D", "no": "X"}

_RC = {
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.titlesize": 10.0,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titlecolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": PALE,
    "grid.linewidth": 0.7,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.major.width": 0.7,
    "ytick.major.width": 0.7,
    "legend.frameon": False,
    "legend.fontsize": 8.0,
    "figure.facecolor": "white",
    "figure.titlesize": 11.0,
    "figure.titleweight": "bold",
    "lines.linewidth": 1.6,
    "text.color": INK,
    "savefig.facecolor": "white",
}
_UNITS = {"mm": "mm", "deg": "°", "h": "h", "min": "min", "s": "s", "g": "g", "px": "px", "um": "µm", "pct": "%"}


@contextmanager
def styled() -> Iterator[None]:
    """Draw inside this block in the house's look; the caller's own settings are left alone."""
    with rc_context(_RC):
        yield


def new_figure(width_in: float, height_in: float, *, dpi: int = 120) -> Figure:
    """Return an empty figure that needs no window.

    Parameters
    ----------
    width_in, height_in : float
        Size in inches.
    dpi : int
    """
    figure = Figure(figsize=(width_in, height_in), dpi=dpi, layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def plain(axes: Axes) -> None:
    """Take frame, ticks and grid away from axes that hold a picture or a table."""
    axes.grid(False)
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_visible(False)


def unit_of(name: str) -> str:
    """Return the unit that a column's name ends with, empty where it names none."""
    return _UNITS.get(name.rpartition("_")[2], "") if "_" in name else ""


def label_of(name: str, *, unit: str | None = None) -> str:
    """Return a column's name as an axis label: ``growth_solid_mm`` gives ``growth solid / mm``.

    Parameters
    ----------
    name : str
        Column name; its suffix is taken as the unit.
    unit : str, optional
        Unit where the name does not tell it; empty for none.
    """
    own = unit_of(name)
    words = (name.rpartition("_")[0] if own else name).replace("_", " ")
    shown = unit or own
    return f"{words} / {shown}" if shown else words


def term_label(term: str) -> str:
    """Return a term of a model as people write it: ``I(fan ** 2)`` gives ``fan²``, ``a:b`` gives ``a × b``."""
    text = re.sub(r"I\((\w+) \*\* ([23])\)", lambda m: m.group(1) + "²³"[int(m.group(2)) - 2], term)
    text = re.sub(r"(?:C\()?(\w+)\)?\[(?:[TS]\.)?([^\]]+)\]", r"\1 \2", text)
    return text.replace("^2", "²").replace(":", " × ").replace("_", " ")


def save_figure(figure: Figure, path: Path | str) -> Path:
    """Write a figure as PNG; the same figure always gives the same bytes.

    Raises
    ------
    ReportError
        If the file cannot be written.
    """
    path = Path(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(path) as place:
            figure.savefig(place, format="png", metadata={"Software": None})
    except OSError as error:
        raise ReportError(f"{path}: the figure cannot be written ({error.strerror}). Choose another --out.") from error
    return path


def as_data_uri(figure: Figure) -> str:
    """Return a figure as a PNG that an HTML page can carry inside itself."""
    buffer = io.BytesIO()
    options: dict[str, Any] = {"metadata": {"Software": None}}
    figure.savefig(buffer, format="png", **options)
    return "data:image/png;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")
