"""Pages of tables and figures, written as one HTML file and as a PDF."""

from __future__ import annotations

import functools
import html
import io
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pandas as pd
from matplotlib.figure import Figure

from sharpset.errors import ReportError
from sharpset.files import whole_file
from sharpset.plots.style import as_data_uri

__all__ = [
    "Page",
    "Section",
    "TextTable",
    "as_text_table",
    "p_words",
    "size_words",
    "write_page",
    "write_page_html",
    "write_page_pdf",
]

_INK, _QUIET, _RULE, _PALE = "#1d2b36", "#5b6b78", "#c3ccd3", "#f2f5f7"


@dataclass(frozen=True, kw_only=True, slots=True)
class TextTable:
    """A table as text: ``heads``, ``rows``, which columns are ``numeric``, which rows are ``strong``."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[bool, ...]
    strong: tuple[bool, ...]

    @property
    def classes(self) -> tuple[str, ...]:
        """Style of each column: numbers to the right, sentences with room."""
        longest = [max((len(row[j]) for row in self.rows), default=0) for j in range(len(self.heads))]
        return tuple("number" if n else "words" if m > 24 else "" for n, m in zip(self.numeric, longest, strict=True))


@dataclass(frozen=True, kw_only=True, slots=True)
class Section:
    """A titled part of a page: a text, a table, a figure, each of them optional."""

    title: str
    text: str = ""
    table: TextTable | None = None
    figure: Figure | None = None

    @property
    def image(self) -> str:
        """The figure as a PNG that the page carries inside itself; empty without one."""
        return as_data_uri(self.figure) if self.figure is not None else ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Page:
    """What a report says, whatever it is written as."""

    title: str
    subtitle: str
    lead: str
    sections: tuple[Section, ...]
    remarks: tuple[str, ...] = ()
    cautions: tuple[str, ...] = field(default=())


def as_text_table(
    frame: pd.DataFrame,
    columns: Mapping[str, tuple[str, str | Callable[[Any], str]]],
    *,
    strong: Sequence[bool] | None = None,
) -> TextTable | None:
    """Turn columns of a table into text.

    Parameters
    ----------
    frame : DataFrame
    columns : mapping of column to (head, format)
        The format is a format specification such as ``.3f``, or a function of the value; missing columns are left out.
    strong : sequence of bool, optional
        Rows to stress.

    Returns
    -------
    TextTable or None
        None without rows. Unknown numbers are empty cells.
    """
    if frame.empty:
        return None
    chosen = {name: spec for name, spec in columns.items() if name in frame}
    rows = tuple(tuple(_cell(row[name], spec) for name, (_, spec) in chosen.items()) for _, row in frame.iterrows())
    return TextTable(
        heads=tuple(head for head, _ in chosen.values()),
        rows=rows,
        numeric=tuple(pd.api.types.is_numeric_dtype(frame[name]) for name in chosen),
        strong=tuple(strong) if strong is not None else (False,) * len(rows),
    )


def _cell(value: Any, spec: str | Callable[[Any], str]) -> str:
    if callable(spec):
        return spec(value)
    if isinstance(value, float):
        if math.isnan(value):
            return ""
        if math.isinf(value):
            return "over 200" if spec == ".0f" else "above the ladder"
        # What rounding leaves of nought.
        value = 0.0 if abs(value) < 1e-12 else value
    if spec and not isinstance(value, str):
        return format(value, spec)
    return str(value)


def size_words(value: Any) -> str:
    """Return a nominal size (mm) as text; without one the row stands for all sizes."""
    return "all sizes" if math.isnan(float(value)) else f"{float(value):.3g}"


def p_words(value: Any) -> str:
    """Return a p value as text; empty where it is unknown."""
    p = float(value)
    if math.isnan(p):
        return ""
    return "< 0.001" if p < 0.001 else "> 0.99" if p > 0.99 else f"{p:.3f}"


def write_page(page: Page, out: Path | str) -> tuple[Path, Path]:
    """Write ``report.html`` and ``report.pdf`` of a page into a folder; return both paths."""
    folder = Path(out)
    page = replace(page, lead=page.lead[:1].upper() + page.lead[1:])
    return write_page_html(page, folder / "report.html"), write_page_pdf(page, folder / "report.pdf")


def write_page_html(page: Page, path: Path | str) -> Path:
    """Write a page as one HTML file that needs nothing else.

    Raises
    ------
    ReportError
        If the file cannot be written.
    """
    import jinja2

    folder = Path(__file__).parent / "templates"
    environment = jinja2.Environment(loader=jinja2.FileSystemLoader(folder), autoescape=True)
    return _write(Path(path), environment.get_template("compare.html.j2").render(page=page).encode("utf-8"))


def _write(path: Path, data: bytes) -> Path:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(path) as place:
            place.write_bytes(data)
    except OSError as error:
        raise ReportError(f"{path}: the report cannot be written ({error.strerror}). Choose another --out.") from error
    return path


@functools.cache
def _fonts() -> tuple[str, str]:
    """Register the fonts that ship with matplotlib, so that the PDF embeds them."""
    import matplotlib
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name, file in (("PageSans", "DejaVuSans.ttf"), ("PageSans-Bold", "DejaVuSans-Bold.ttf")):
        pdfmetrics.registerFont(TTFont(name, str(folder / file)))
    return "PageSans", "PageSans-Bold"


def _style(size: float, *, bold: bool = False, colour: str = _INK, **more: Any) -> Any:
    from reportlab.lib.colors import HexColor
    from reportlab.lib.styles import ParagraphStyle

    plain, heavy = _fonts()
    return ParagraphStyle(
        "text",
        fontName=heavy if bold else plain,
        fontSize=size,
        leading=size * 1.3,
        textColor=HexColor(colour),
        **more,
    )


def write_page_pdf(page: Page, path: Path | str) -> Path:
    """Write a page as a PDF, A4 landscape; the same page always gives the same bytes.

    Raises
    ------
    ReportError
        If the file cannot be written.
    """
    from reportlab.lib.pagesizes import A4, landscape
    from reportlab.platypus import CondPageBreak, KeepTogether, Paragraph, SimpleDocTemplate, Spacer

    buffer = io.BytesIO()
    margin = 40.0
    width = landscape(A4)[0] - 2 * margin
    document = SimpleDocTemplate(
        buffer,
        pagesize=landscape(A4),
        leftMargin=margin,
        rightMargin=margin,
        topMargin=margin,
        bottomMargin=margin,
        title=page.title,
        invariant=1,
    )
    flow: list[Any] = [
        Paragraph(html.escape(page.title), _style(15, bold=True, spaceAfter=3)),
        Paragraph(html.escape(page.subtitle), _style(8.5, colour=_QUIET, spaceAfter=6)),
        Paragraph(html.escape(page.lead), _style(10.5, bold=True, spaceAfter=6)),
    ]
    flow += [Paragraph(f"Note. {html.escape(r)}", _style(9, spaceAfter=3)) for r in page.remarks]
    for section in page.sections:
        head: list[Any] = [
            Spacer(1, 8),
            Paragraph(html.escape(section.title), _style(11, bold=True, spaceAfter=3)),
        ]
        if section.text:
            head.append(Paragraph(html.escape(section.text), _style(8.5, colour=_QUIET, spaceAfter=4)))
        if section.figure is not None:
            head.append(_picture(section.figure, width))
        # A title never stands at the foot of a page without the first rows of its table.
        flow += [CondPageBreak(110), KeepTogether(head)]
        if section.table is not None:
            flow.append(_pdf_table(section.table, width))
    if page.cautions:
        lines = [Paragraph(html.escape(line), _style(8.5), bulletText="\u2022") for line in page.cautions]
        flow.append(KeepTogether([Spacer(1, 8), Paragraph("Cautions", _style(11, bold=True, spaceAfter=3)), *lines]))
    document.build(flow, onFirstPage=_number, onLaterPages=_number)
    return _write(Path(path), buffer.getvalue())


def _number(canvas: Any, document: Any) -> None:
    canvas.setFont(_fonts()[0], 7.5)
    canvas.drawRightString(document.pagesize[0] - 40, 22, f"page {document.page}")


def _picture(figure: Figure, width: float) -> Any:
    from reportlab.platypus import Image

    buffer = io.BytesIO()
    options: dict[str, Any] = {"metadata": {"Software": None}}
    figure.savefig(buffer, format="png", dpi=180, **options)
    buffer.seek(0)
    wide, high = (72 * v for v in figure.get_size_inches())
    scale = min(1.0, width / wide, 420 / high)
    return Image(buffer, width=wide * scale, height=high * scale, hAlign="LEFT")


def _column_widths(table: TextTable, width: float, *, size: float) -> list[float]:
    """Share a page's width: no column narrower than its longest word, sentences take what is left."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    plain, heavy = _fonts()
    least, wanted = [], []
    for j, head in enumerate(table.heads):
        fonts = [heavy if strong else plain for strong in table.strong]
        texts = [(head, heavy), *((row[j], font) for row, font in zip(table.rows, fonts, strict=True))]
        words = [(word, font) for text, font in texts for word in text.split()]
        cells = [(row[j], font) for row, font in zip(table.rows, fonts, strict=True)]
        least.append(max((stringWidth(word, font, size) for word, font in words), default=0) + 9)
        longest = max((stringWidth(text, font, size) for text, font in cells), default=0) + 9
        # A head may take two lines.
        wanted.append(max(least[-1], min(longest, 260.0), 0.6 * stringWidth(head, heavy, size) + 9))
    if sum(wanted) <= width:
        return wanted
    spare = max(width - sum(least), 0.0) / max(sum(wanted) - sum(least), 1e-9)
    return [low + spare * (high - low) for low, high in zip(least, wanted, strict=True)]


def _pdf_table(table: TextTable, width: float) -> Any:
    from reportlab.lib.colors import HexColor
    from reportlab.platypus import Paragraph, Table

    size = 7.5
    right = {True: 2, False: 0}
    widths = _column_widths(table, width, size=size)
    cells = [
        [
            Paragraph(html.escape(h), _style(size, bold=True, alignment=right[n]))
            for h, n in zip(table.heads, table.numeric, strict=True)
        ]
    ]
    for row, strong in zip(table.rows, table.strong, strict=True):
        cells.append(
            [
                Paragraph(html.escape(c), _style(size, bold=strong, alignment=right[n]))
                for c, n in zip(row, table.numeric, strict=True)
            ]
        )
    drawn = Table(cells, colWidths=widths, repeatRows=1, hAlign="LEFT")
    style: list[tuple[Any, ...]] = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, HexColor(_RULE)),
        ("BACKGROUND", (0, 0), (-1, 0), HexColor(_PALE)),
        ("LEFTPADDING", (0, 0), (-1, -1), 4),
        ("RIGHTPADDING", (0, 0), (-1, -1), 4),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
    ]
    drawn.setStyle(style)
    return drawn
