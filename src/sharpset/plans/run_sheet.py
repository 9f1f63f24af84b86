"""The run sheet: a PDF to take to the printer, one card per print with blanks for what is to be written down.

The same plan gives the same bytes. The font travels in the file.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pandas as pd

from sharpset.errors import PlanError
from sharpset.files import whole_file
from sharpset.plans.plan import Plan

__all__ = ["CAUTIONS", "cautions_by_heading", "write_run_sheet"]

_HEAT = "The nozzle, the plate and the chamber are hot enough to burn: let them cool, or wear heat-resistant gloves."
_FUMES = "Heated plastic gives off fumes and fine particles: ventilate the room and do not stay beside the machine."
_KNIFE = "Scrapers and knives slip when a piece is loosened: cut away from the hand and wear eye protection."
_DEFER = (
    "The safety data sheets of the materials, the machine's manual, local rules and the advice of licensed "
    "practitioners come before anything on this sheet."
)
CAUTIONS: dict[str, tuple[str, ...]] = {
    "filament": (_HEAT, _FUMES, "Keep hands and sleeves out of moving parts.", _KNIFE, _DEFER),
    "resin": (
        "Uncured resin is a skin sensitiser: wear nitrile gloves and eye protection, change gloves that got wet.",
        "Ultraviolet light harms eyes and skin: keep the cover closed while it is on, printing or curing.",
        "Wash solvents are flammable: no flame, spark or heater near them, ventilate, close the container.",
        "Resin and used solvent never go down the drain: cure the rests and dispose of them as local rules say.",
        _KNIFE,
        _DEFER,
    ),
}
"""Cautions by process, printed on the first page."""


def cautions_by_heading(process: str | None) -> dict[str, list[str]]:
    """Return cautions under headings: one heading where the process is known, else one for each and one for all."""
    if process is not None:
        return {"Cautions": list(CAUTIONS[process])}
    shared = [text for text in CAUTIONS["filament"] if all(text in texts for texts in CAUTIONS.values())]
    own = {
        f"Cautions for {name} printing": [text for text in texts if text not in shared]
        for name, texts in CAUTIONS.items()
    }
    return {**own, "Cautions for both": shared}


_BLANKS: dict[str, tuple[str, ...]] = {
    "filament": ("date", "start", "print time", "nozzle °C", "plate °C", "room °C", "material lot"),
    "resin": ("date", "start", "print time", "resin °C", "room °C", "resin lot", "wash / cure"),
}
_ANY_BLANKS = ("date", "start", "print time", "temperatures °C", "room °C", "material lot")
_TICKS = ("settings checked", "file and run code checked", "printed without fault", "labelled", "scanned")
_PAGES = {"A4": (595.2756, 841.8898), "letter": (612.0, 792.0)}
_MM = 72 / 25.4
_MARGIN = 15 * _MM
_GREY, _PALE = 0.45, 0.93


@dataclass(kw_only=True)
class _Sheet:
    """A canvas, the page and where on it writing goes on (points, from the top)."""

    canvas: Any
    width: float
    height: float
    title: str
    y: float = 0.0
    page: int = 1

    @property
    def span(self) -> float:
        return self.width - 2 * _MARGIN

    def text(self, x: float, y: float, text: str, *, size: float = 9, bold: bool = False, grey: bool = False) -> None:
        self.canvas.setFont(_font(bold), size)
        self.canvas.setFillGray(_GREY if grey else 0)
        self.canvas.drawString(x, self.height - y, text)
        self.canvas.setFillGray(0)

    def right(self, x: float, y: float, text: str, *, size: float = 9, bold: bool = False, grey: bool = False) -> None:
        self.text(x - self.measure(text, size, bold=bold), y, text, size=size, bold=bold, grey=grey)

    def measure(self, text: str, size: float, *, bold: bool = False) -> float:
        return float(self.canvas.stringWidth(text, _font(bold), size))

    def shorten(self, text: str, width: float, size: float, *, bold: bool = False) -> str:
        if self.measure(text, size, bold=bold) <= width:
            return text
        while text and self.measure(text + "…", size, bold=bold) > width:
            text = text[:-1]
        return text + "…"

    def wrap(self, text: str, width: float, size: float) -> list[str]:
        lines: list[str] = []
        for word in text.split():
            if lines and self.measure(f"{lines[-1]} {word}", size) <= width:
                lines[-1] += f" {word}"
            else:
                lines.append(self.shorten(word, width, size))
        return lines

    def paragraph(self, text: str, *, size: float = 9, indent: float = 0.0, bullet: str = "") -> None:
        for i, line in enumerate(self.wrap(text, self.span - indent, size)):
            self.room(size * 1.4)
            self.y += size * 1.4
            if bullet and i == 0:
                self.text(_MARGIN, self.y, bullet, size=size)
            self.text(_MARGIN + indent, self.y, line, size=size)

    def heading(self, text: str) -> None:
        self.room(40)
        self.y += 22
        self.text(_MARGIN, self.y, text, size=11, bold=True)
        self.y += 3

    def room(self, needed: float) -> None:
        """Begin a new page if the rest of this one is too short."""
        if self.y + needed > self.height - _MARGIN - 12:
            self.end_page()
            self.page += 1
            self.y = _MARGIN

    def end_page(self) -> None:
        foot = self.height - _MARGIN + 6
        self.text(_MARGIN, foot, self.shorten(self.title, self.span * 0.7, 7.5), size=7.5, grey=True)
        self.right(self.width - _MARGIN, foot, f"page {self.page}", size=7.5, grey=True)
        self.canvas.showPage()

    def box(
        self, x: float, y: float, width: float, height: float, *, fill: float | None = None, line: float = 0.6
    ) -> None:
        self.canvas.setLineWidth(line)
        self.canvas.setStrokeGray(_GREY)
        self.canvas.setFillGray(1 if fill is None else fill)
        self.canvas.rect(x, self.height - y - height, width, height, stroke=int(line > 0), fill=int(fill is not None))
        self.canvas.setFillGray(0)

    def rule(self, x: float, y: float, length: float) -> None:
        self.canvas.setLineWidth(0.5)
        self.canvas.setStrokeGray(_GREY)
        self.canvas.line(x, self.height - y, x + length, self.height - y)


def _font(bold: bool) -> str:
    return "SheetBold" if bold else "Sheet"


def _register_fonts() -> None:
    """Register the DejaVu fonts that come with matplotlib, so that they are embedded."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    spec = find_spec("matplotlib")
    assert spec is not None and spec.origin is not None
    folder = Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf"
    for name, file in (("Sheet", "DejaVuSans.ttf"), ("SheetBold", "DejaVuSans-Bold.ttf")):
        pdfmetrics.registerFont(TTFont(name, str(folder / file)))


def write_run_sheet(
    plan: Plan,
    path: Path | str,
    *,
    title: str = "",
    process: str | None = None,
    piece: str = "piece.3mf",
    page: str = "A4",
    hours_per_print: float | None = None,
    grams_per_print: float | None = None,
) -> Path:
    """Write the run sheet of a plan.

    Parameters
    ----------
    plan : Plan
    path : path of the PDF
    title : str
        Put at the top and into the foot of every page.
    process : {'filament', 'resin'}, optional
        For the cautions and the blanks; without it the cautions of both are printed.
    piece : str
        File of the test piece; every print carries the run id as its run code.
    page : {'A4', 'letter'}
    hours_per_print, grams_per_print : float, optional
        For an estimate of the whole plan.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    PlanError
        If the page or the process is unknown or the file cannot be written.
    """
    from reportlab.pdfgen.canvas import Canvas

    if page not in _PAGES:
        raise PlanError(f"page must be one of {', '.join(_PAGES)}, got {page!r}.")
    if process is not None and process not in CAUTIONS:
        raise PlanError(f"process must be one of {', '.join(CAUTIONS)}, got {process!r}.")
    path = Path(path)
    _register_fonts()
    width, height = _PAGES[page]
    written = io.BytesIO()
    canvas = Canvas(written, pagesize=(width, height), invariant=1, pageCompression=1, initialFontName="Sheet")
    name = title or f"Run sheet: {plan.design} plan"
    canvas.setTitle(name)
    canvas.setCreator("sharpset")
    canvas.setSubject(plan.summary())
    sheet = _Sheet(canvas=canvas, width=width, height=height, title=name, y=_MARGIN)
    _front(sheet, plan, process, piece, hours_per_print, grams_per_print)
    sheet.end_page()
    sheet.page, sheet.y = 2, _MARGIN
    _cards(sheet, plan, process, piece)
    sheet.end_page()
    try:
        canvas.save()
        path.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(path) as place:
            place.write_bytes(written.getvalue())
    except OSError as error:
        raise PlanError(f"{path}: the run sheet cannot be written ({error.strerror}). Choose another path.") from error
    return path


def _front(
    sheet: _Sheet, plan: Plan, process: str | None, piece: str, hours: float | None, grams: float | None
) -> None:
    sheet.y += 16
    sheet.text(_MARGIN, sheet.y, sheet.shorten(sheet.title, sheet.span, 16, bold=True), size=16, bold=True)
    sheet.y += 4
    sheet.paragraph(plan.summary() + ".")
    effort = []
    if hours is not None:
        effort.append(f"about {plan.n_runs * hours:.3g} hours of printing")
    if grams is not None:
        effort.append(f"about {plan.n_runs * grams:.3g} g of material")
    if effort:
        sheet.paragraph(f"Estimate for all {plan.n_runs} prints: {' and '.join(effort)}.")
    sheet.heading("How to use this sheet")
    for text in (
        "Print in the order of the cards. The order is random on purpose: do not sort it, do not put alike "
        "prints together.",
        f"Every card is one print job of {piece} with the run code that stands on the card. Change only the "
        f"settings on the card.",
        "Keep everything else the same: material, spool or bottle, place on the plate, room, cleaning, waiting times.",
        "A print that fails is a result: write down what happened. Do not print it again in another place of "
        "the order.",
        "Write down what you measure by hand in results_form.csv beside the plan, a column for each response.",
    ):
        sheet.paragraph(text, indent=12, bullet="•")
    if plan.factors.hard and plan.is_split_plot:
        names = " and ".join(f.name for f in plan.factors.hard)
        sheet.paragraph(
            f"Where a card begins a new group, set {names} anew, even if the setting stays the same: take it "
            f"off, clean it, put it "
            "back. Only so can the scatter of the change itself be told.",
            indent=12,
            bullet="•",
        )
    _factor_table(sheet, plan)
    if plan.remarks:
        sheet.heading("Remarks")
        for remark in plan.remarks:
            sheet.paragraph(remark, indent=12, bullet="•")
    for title, texts in cautions_by_heading(process).items():
        sheet.heading(title)
        for text in texts:
            sheet.paragraph(text, indent=12, bullet="•")


def _factor_table(sheet: _Sheet, plan: Plan) -> None:
    sheet.heading("Factors")
    for factor in plan.factors:
        sheet.room(13)
        sheet.y += 13
        sheet.text(_MARGIN, sheet.y, sheet.shorten(factor.name, 150, 9, bold=True), size=9, bold=True)
        text = factor.summary().partition(": ")[2]
        sheet.text(_MARGIN + 160, sheet.y, sheet.shorten(text, sheet.span - 160, 9), size=9)
    for constraint in plan.factors.constraints:
        sheet.paragraph(f"Rule: {constraint.rule}")


def _cards(sheet: _Sheet, plan: Plan, process: str | None, piece: str) -> None:
    blanks = _BLANKS.get(process or "", _ANY_BLANKS)
    height = 20 + 13 * max(len(plan.factors), len(_TICKS)) + 52
    last_plot = last_block = None
    for _, run in plan.runs.iterrows():
        bar = ""
        if plan.n_blocks > 1 and run["block"] != last_block:
            bar = f"Block {run['block']}"
        if plan.factors.hard and plan.is_split_plot and run["whole_plot"] != last_plot:
            settings = ", ".join(f"{f.name} = {_value(run[f.name])} {f.unit}".strip() for f in plan.factors.hard)
            bar += f"{': ' if bar else ''}group {run['whole_plot']}, set anew {settings}"
        last_plot, last_block = run["whole_plot"], run["block"]
        sheet.room(height + 6 + (23 if bar else 0))
        if bar:
            _bar(sheet, bar[0].upper() + bar[1:])
        _card(sheet, plan, run, height, blanks, piece)


def _bar(sheet: _Sheet, text: str) -> None:
    sheet.y += 8
    sheet.box(_MARGIN, sheet.y, sheet.span, 15, fill=0.15, line=0)
    size = 9.0
    while sheet.measure(text, size, bold=True) > sheet.span - 12 and size > 4:
        size -= 0.5
    sheet.canvas.setFillGray(1)
    sheet.canvas.setFont(_font(True), size)
    sheet.canvas.drawString(_MARGIN + 6, sheet.height - sheet.y - 11, text)
    sheet.canvas.setFillGray(0)
    sheet.y += 15


def _card(sheet: _Sheet, plan: Plan, run: pd.Series[Any], height: float, blanks: tuple[str, ...], piece: str) -> None:
    top = sheet.y + 6
    left, right = _MARGIN, sheet.width - _MARGIN
    sheet.box(left, top, sheet.span, height)
    sheet.box(left, top, 92, height, fill=_PALE)
    run_id = str(run["run_id"])
    size = 26.0
    while sheet.measure(run_id, size, bold=True) > 80 and size > 5:
        size -= 1
    sheet.text(left + 8, top + 32, run_id, size=size, bold=True)
    sheet.text(left + 8, top + 48, f"print {run['print_order']} of {plan.n_runs}", size=8.5)
    line = top + 60
    if plan.n_blocks > 1:
        sheet.text(left + 8, line, f"block {run['block']}", size=8.5)
        line += 12
    if plan.factors.hard and plan.is_split_plot:
        sheet.text(left + 8, line, f"group {run['whole_plot']}", size=8.5)
        line += 12
    sheet.text(left + 8, line + 2, sheet.shorten(piece, 78, 7.5), size=7.5, grey=True)
    sheet.text(left + 8, line + 12, sheet.shorten(f"run code {run_id}", 78, 7.5), size=7.5, grey=True)
    inner, ticks = left + 102, right - 142
    _settings(sheet, plan, run, inner, top, ticks - 24 - inner)
    for i, text in enumerate(_TICKS):
        y = top + 19 + 13 * i
        sheet.box(ticks, y - 7.5, 8, 8, line=0.8)
        sheet.text(ticks + 13, y, text, size=8)
    _blanks(sheet, blanks, inner, top + height - 44, right - 8 - inner)
    sheet.text(inner, top + height - 8, "oddities", size=7.5, grey=True)
    sheet.rule(inner + 40, top + height - 8, right - 8 - inner - 40)
    sheet.y = top + height


def _settings(sheet: _Sheet, plan: Plan, run: pd.Series[Any], x: float, top: float, width: float) -> None:
    """Write one line per factor; a value is set smaller rather than cut."""
    for i, factor in enumerate(plan.factors):
        y = top + 19 + 13 * i
        value = f"{_value(run[factor.name])} {factor.unit}".strip()
        size = 9.5
        while sheet.measure(value, size, bold=True) > width * 0.65 and size > 3:
            size -= 0.5
        taken = sheet.measure(value, size, bold=True)
        sheet.text(x, y, sheet.shorten(factor.name, width - taken - 6, 8.5), size=8.5)
        sheet.right(x + width, y, value, size=size, bold=True)
        sheet.rule(x, y + 3, width)


def _blanks(sheet: _Sheet, blanks: tuple[str, ...], x: float, y: float, width: float) -> None:
    per_line = -(-len(blanks) // 2)
    each = width / per_line
    for i, name in enumerate(blanks):
        at = x + (i % per_line) * each
        line = y + (i // per_line) * 18
        sheet.text(at, line, name, size=7.5, grey=True)
        start = at + sheet.measure(name, 7.5) + 4
        sheet.rule(start, line, at + each - 8 - start)


def _value(value: Any) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value)
