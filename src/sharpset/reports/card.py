"""The recipe card and the reprint sheet: one page each, PDF and HTML.

The PDF embeds the DejaVu fonts that ship with matplotlib and holds no date of its own, so that the same
entry gives the same bytes.
"""

from __future__ import annotations

import functools
import html
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sharpset.errors import ReportError
from sharpset.files import whole_file
from sharpset.record.cards import RecipeCard, ReprintSheet
from sharpset.record.entries import Ref

__all__ = ["write_recipe_card", "write_reprint_sheet"]

_INK = "#1d2b36"
_QUIET = "#5b6b78"
_RULE = "#c3ccd3"
_STATUS = {"good": "#1f6f4a", "trial": "#8a5a00", "retired": "#8c2f2f"}
_SIZES_PT = (9.5, 8.5, 7.6, 6.8, 6.0, 5.2)
_NOTHING = "nothing recorded"
_LONG = 30
_MORE = "Settings, continued"

Pairs = Sequence[tuple[str, str]]
Block = tuple[str, Sequence[Any]]


class _Page:
    """What a page says, whatever it is written as: a title, facts beneath it, two columns, a foot."""

    def __init__(self, *, kind: str, title: str, code: str, badge: str, facts: Pairs) -> None:
        self.kind = kind
        self.title = title
        self.code = code
        self.badge = badge
        self.facts = [(name, text) for name, text in facts if text]
        self.left: list[Block] = []
        self.right: list[Block] = []
        self.wide: list[Block] = []
        self.foot = ""


def _limit_pairs(card: RecipeCard) -> list[tuple[str, str]]:
    rows = []
    for limit in card.limits:
        counts = " in ".join(
            f"{n} {word}" for n, word in ((limit.n_features, "features"), (limit.n_prints, "prints")) if n
        )
        rest = "; ".join(part for part in (limit.basis, counts, limit.shown_utc[:10]) if part)
        rows.append((limit.kind, f"{limit.limit_mm:.3f} mm" + (f"  ({rest})" if rest else "")))
    return rows


def _rest(settings: Pairs) -> list[Block]:
    """Return the settings that the left column has no room for."""
    return [(_MORE, settings[_LONG:])] if len(settings) > _LONG else []


def _names(block: Block) -> float:
    """Return the share of a column that names take: settings have long ones."""
    return 0.56 if block[0] == _MORE else 0.36 if block[0] != "Files" else 0.28


def _refs_in_lines(refs: Sequence[Ref], *, most: int = 4) -> list[str]:
    """Return entries a line each, and one line for all of a kind where there are many of it."""
    lines = []
    for kind in dict.fromkeys(ref.kind for ref in sorted(refs, key=lambda ref: ref.kind == "readings")):
        own = [ref for ref in refs if ref.kind == kind]
        if len(own) > most:
            days = sorted({ref.created_utc[:10] for ref in own})
            when = days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}"
            lines.append(
                f"{len(own)} {kind if kind.endswith('s') else kind + 's'}, {when}: {', '.join(r.code for r in own)}"
            )
        else:
            lines += [f"{ref.kind} {ref.code} {ref.name}, {ref.created_utc[:10]}".replace("  ", " ") for ref in own]
    return lines


def _recipe_page(card: RecipeCard) -> _Page:
    facts = [*card.made_of, ("process", card.process), ("entered", card.entered_utc[:10]), ("by", card.by)]
    page = _Page(kind="Recipe", title=card.name, code=card.code, badge=card.status, facts=[*facts, ("note", card.note)])
    page.left = [("Settings", card.settings[:_LONG])]
    page.right = [
        ("Proven to form, from this size up", _limit_pairs(card) or [_NOTHING + ": treat every size as unproven"]),
        ("Growth per side, to allow for in CAD", card.growth or [_NOTHING + ": measure a test piece first"]),
    ]
    if card.thicken:
        page.right.append(("Draw thicker than wanted, to", card.thicken))
    if card.predicted:
        # Few settings leave room beneath them.
        column = page.left if len(card.settings) < len(card.predicted) else page.right
        column.append(("Predicted for the next print (95 % interval)", card.predicted))
    page.right += _rest(card.settings)
    page.wide = [("Evidence", _refs_in_lines(card.evidence) or [_NOTHING]), ("Cautions", card.cautions)]
    if card.corrections:
        earlier = [
            f"{ref.code}, {ref.created_utc[:10]}" + (f": {ref.note}" if ref.note else "") for ref in card.corrections
        ]
        page.wide.insert(1, ("Takes the place of", earlier[-4:]))
    page.foot = f"Find this entry again: sharpset record show {card.code}    uuid {card.uuid}"
    return page


def _file_lines(sheet: ReprintSheet) -> list[tuple[str, str]]:
    return [
        (
            file.role,
            f"{file.path}, sha256 {file.file_sha256[:16]}..., " + ("kept in the record" if file.kept else "NOT kept"),
        )
        for file in sheet.files
    ]


def _reprint_page(sheet: ReprintSheet) -> _Page:
    hours = "" if sheet.duration_h is None else f"{sheet.duration_h:g} h"
    facts = [*sheet.made_of, ("printed", sheet.printed_utc[:10]), ("print time", hours), ("plan", sheet.run)]
    page = _Page(
        kind="Reprint",
        title=sheet.name or f"print {sheet.code}",
        code=sheet.code,
        badge="complete" if not sheet.gaps else "gaps",
        facts=[*facts, ("came out", sheet.outcome), ("by", sheet.by), ("note", sheet.note)],
    )
    page.left = [("Settings", sheet.settings[:_LONG] or [_NOTHING])]
    if sheet.details:
        page.left.append(("Further details", sheet.details))
    seen = _refs_in_lines(sheet.readings)
    page.right = [("Files", _file_lines(sheet) or [_NOTHING])]
    if sheet.recipe is not None:
        growth = [(f"growth of {name}", value) for name, value in sheet.recipe.growth]
        page.right.append(
            (f"Recipe {sheet.recipe.code}: forms from", [*_limit_pairs(sheet.recipe), *growth] or [_NOTHING])
        )
    page.right.append(("Compare the new print with", seen or [_NOTHING]))
    page.right += _rest(sheet.settings)
    page.wide = [("Not known", sheet.gaps or ["Nothing is missing."]), ("Cautions", sheet.cautions)]
    page.foot = f"Write the kept files out: sharpset record show {sheet.code} --files FOLDER    uuid {sheet.uuid}"
    return page


@functools.cache
def _fonts() -> tuple[str, str]:
    """Register the fonts that ship with matplotlib; return their names, plain and bold."""
    import matplotlib
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name, file in (("SetSans", "DejaVuSans.ttf"), ("SetSans-Bold", "DejaVuSans-Bold.ttf")):
        pdfmetrics.registerFont(TTFont(name, str(folder / file)))
    return "SetSans", "SetSans-Bold"


def _style(size: float, *, bold: bool = False, colour: str = _INK, **more: Any) -> Any:
    from reportlab.lib.colors import HexColor
    from reportlab.lib.styles import ParagraphStyle

    plain, heavy = _fonts()
    font = heavy if bold else plain
    return ParagraphStyle(
        "text",
        fontName=font,
        bulletFontName=font,
        fontSize=size,
        leading=size * 1.28,
        textColor=HexColor(colour),
        splitLongWords=1,
        **more,
    )


def _flow_block(block: Block, size: float, width: float, *, names: float = 0.36) -> list[Any]:
    """Return one titled block as things that flow."""
    from reportlab.lib.colors import HexColor
    from reportlab.platypus import Paragraph, Spacer, Table

    title, lines = block
    head = Paragraph(html.escape(title), _style(size, bold=True, colour=_QUIET, spaceAfter=size * 0.2))
    text = _style(size)
    if lines and isinstance(lines[0], tuple):
        rows = [[Paragraph(html.escape(str(part)), text) for part in row] for row in lines]
        table = Table(rows, colWidths=[width * names, width * (1 - names)], hAlign="LEFT")
        style: list[tuple[Any, ...]] = [
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LINEBELOW", (0, 0), (-1, -1), 0.4, HexColor(_RULE)),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("RIGHTPADDING", (0, 0), (-1, -1), size * 0.4),
            ("TOPPADDING", (0, 0), (-1, -1), size * 0.22),
            ("BOTTOMPADDING", (0, 0), (-1, -1), size * 0.28),
        ]
        table.setStyle(style)
        body: list[Any] = [table]
    else:
        bullet = _style(size, leftIndent=size * 1.1, bulletFontSize=size)
        body = [Paragraph(html.escape(str(line)), bullet, bulletText="\u2022") for line in lines]
    return [head, *body, Spacer(1, size * 0.9)]


def _height(flow: Sequence[Any], width: float) -> float:
    total = 0.0
    for item in flow:
        _, own = item.wrap(width, 10_000)
        total += own + item.getSpaceBefore() + item.getSpaceAfter()
    return total


class _Sheet:
    """A page as things that flow, at one size of type."""

    def __init__(self, page: _Page, size: float, width: float) -> None:
        gap = 16.0
        column = (width - gap) / 2
        facts = _flow_block(("", page.facts), size, width, names=0.17)[1:] if page.facts else []
        self.gap = gap
        self.column = column
        self.head = facts
        self.left = [item for block in page.left for item in _flow_block(block, size, column, names=0.56)]
        self.right = [item for block in page.right for item in _flow_block(block, size, column, names=_names(block))]
        self.wide = [item for block in page.wide for item in _flow_block(block, size, width)]
        self.head_height = _height(self.head, width)
        self.middle_height = max(_height(self.left, column), _height(self.right, column))
        self.height = self.head_height + self.middle_height + _height(self.wide, width)


def _draw_band(canvas: Any, page: _Page, *, left: float, top: float, width: float) -> float:
    """Draw the title, the code and the status; return where the page goes on."""
    from reportlab.lib.colors import HexColor, white

    plain, bold = _fonts()
    canvas.setFillColor(HexColor(_QUIET))
    canvas.setFont(plain, 9)
    canvas.drawString(left, top - 9, f"{page.kind}  \u00b7  sharpset record")
    canvas.setFillColor(HexColor(_INK))
    canvas.setFont(bold, 22)
    code = f"{page.code[:3]} {page.code[3:]}"
    canvas.drawRightString(left + width, top - 22, code)
    room = width - canvas.stringWidth(code, bold, 22) - 24
    size = 18.0
    while canvas.stringWidth(page.title, bold, size) > room and size > 9:
        size -= 0.5
    title = page.title
    while canvas.stringWidth(title, bold, size) > room:
        title = title[:-2].rstrip(" \u2026") + "\u2026"
    canvas.setFont(bold, size)
    canvas.drawString(left, top - 30, title)
    canvas.setFillColor(HexColor(_STATUS.get(page.badge, _STATUS["good" if page.badge == "complete" else "trial"])))
    badge = canvas.stringWidth(page.badge, bold, 9) + 14
    canvas.roundRect(left + width - badge, top - 43, badge, 15, 4, stroke=0, fill=1)
    canvas.setFillColor(white)
    canvas.setFont(bold, 9)
    canvas.drawCentredString(left + width - badge / 2, top - 38.5, page.badge)
    canvas.setStrokeColor(HexColor(_INK))
    canvas.setLineWidth(1.2)
    canvas.line(left, top - 49, left + width, top - 49)
    return top - 58


def _draw_flow(canvas: Any, flow: Sequence[Any], *, left: float, top: float, width: float) -> float:
    y = top
    for item in flow:
        _, own = item.wrap(width, 10_000)
        y -= own + item.getSpaceBefore()
        item.drawOn(canvas, left, y)
        y -= item.getSpaceAfter()
    return y


def _pdf(page: _Page) -> bytes:
    from reportlab.lib.colors import HexColor
    from reportlab.lib.pagesizes import A4
    from reportlab.pdfgen.canvas import Canvas

    plain, _ = _fonts()
    margin = 42.0
    width, bottom, top = A4[0] - 2 * margin, 54.0, A4[1] - 40.0
    room = top - 58 - bottom
    sheet = next((s for s in (_Sheet(page, size, width) for size in _SIZES_PT) if s.height <= room), None)
    if sheet is None:
        raise ReportError(
            f"{page.kind} {page.code}: it does not fit on one page even in the smallest type. "
            "Write it as HTML, or shorten the settings and notes with 'sharpset record correct'."
        )
    target = io.BytesIO()
    canvas = Canvas(target, pagesize=A4, invariant=1, initialFontName=plain)
    canvas.setTitle(f"{page.kind} {page.code} {page.title}")
    y = _draw_band(canvas, page, left=margin, top=top, width=width)
    y = _draw_flow(canvas, sheet.head, left=margin, top=y, width=width)
    _draw_flow(canvas, sheet.left, left=margin, top=y, width=sheet.column)
    _draw_flow(canvas, sheet.right, left=margin + sheet.column + sheet.gap, top=y, width=sheet.column)
    _draw_flow(canvas, sheet.wide, left=margin, top=y - sheet.middle_height, width=width)
    canvas.setFont(plain, 7.5)
    canvas.setFillColor(HexColor(_QUIET))
    canvas.drawString(margin, 34, page.foot)
    canvas.showPage()
    canvas.save()
    return target.getvalue()


_CSS = f"""
body {{
  font: 15px/1.45 "DejaVu Sans", Verdana, sans-serif; color: {_INK};
  max-width: 60rem; margin: 2rem auto; padding: 0 1rem;
}}
header {{
  display: flex; justify-content: space-between; gap: 1rem;
  border-bottom: 2px solid {_INK}; margin-bottom: 1rem;
}}
h1 {{ font-size: 1.6rem; margin: 0 0 .5rem; overflow-wrap: anywhere; }}
h2 {{ font-size: 1rem; color: {_QUIET}; margin: 1.2rem 0 .3rem; }}
.code {{ font-size: 1.6rem; font-weight: bold; white-space: nowrap; }}
.quiet {{ color: {_QUIET}; }}
.badge {{ color: white; border-radius: 4px; padding: .1rem .5rem; font-weight: bold; }}
.two {{ display: grid; grid-template-columns: 1fr 1fr; gap: 0 2rem; }}
table {{ border-collapse: collapse; width: 100%; }}
th, td {{
  text-align: left; vertical-align: top; padding: .2rem .5rem .2rem 0;
  border-bottom: 1px solid {_RULE}; overflow-wrap: anywhere;
}}
th {{ font-weight: normal; color: {_QUIET}; width: 36%; }}
ul {{ padding-left: 1.2rem; margin: 0; }}
@media (max-width: 40rem) {{ .two {{ grid-template-columns: 1fr; }} }}
@media print {{ body {{ font-size: 11px; margin: 0; }} }}
"""


def _html_block(block: Block) -> str:
    title, lines = block
    head = f"<h2>{html.escape(title)}</h2>" if title else ""
    if lines and isinstance(lines[0], tuple):
        rows = "".join(f"<tr><th>{html.escape(n)}</th><td>{html.escape(v)}</td></tr>" for n, v in lines)
        return f"{head}<table>{rows}</table>"
    return head + "<ul>" + "".join(f"<li>{html.escape(str(line))}</li>" for line in lines) + "</ul>"


def _html(page: _Page) -> str:
    colour = _STATUS.get(page.badge, _STATUS["good" if page.badge == "complete" else "trial"])
    columns = "".join(
        "<div>" + "".join(_html_block(block) for block in side) + "</div>" for side in (page.left, page.right)
    )
    title = html.escape(page.title)
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{page.kind} {page.code} {title}</title>'
        f"<style>{_CSS}</style></head><body>"
        f'<header><div><div class="quiet">{page.kind} \u00b7 sharpset record</div><h1>{title}</h1></div>'
        f'<div><div class="code">{page.code[:3]} {page.code[3:]}</div>'
        f'<span class="badge" style="background:{colour}">{html.escape(page.badge)}</span></div></header>'
        f'{_html_block(("", page.facts)) if page.facts else ""}<div class="two">{columns}</div>'
        f"{''.join(_html_block(block) for block in page.wide)}"
        f'<p class="quiet">{html.escape(page.foot)}</p></body></html>\n'
    )


def _write(page: _Page, path: Path | str) -> Path:
    path = Path(path)
    kind = path.suffix.lower()
    if kind not in (".pdf", ".html"):
        raise ReportError(f"{path}: a {page.kind.lower()} is written as .pdf or .html. Give such a name.")
    content = _pdf(page) if kind == ".pdf" else _html(page).encode("utf-8")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(path) as place:
            place.write_bytes(content)
    except OSError as error:
        raise ReportError(f"{path}: cannot be written ({error.strerror}). Check the folder.") from error
    return path


def write_recipe_card(card: RecipeCard, path: Path | str) -> Path:
    """Write a recipe card of one page.

    Parameters
    ----------
    card : RecipeCard
        From ``sharpset.record.recipe_card``.
    path : path
        Ends in .pdf or .html.

    Raises
    ------
    ReportError
        If it cannot be written, or does not fit on one page even in the smallest type.
    """
    return _write(_recipe_page(card), path)


def write_reprint_sheet(sheet: ReprintSheet, path: Path | str) -> Path:
    """Write everything that is needed to print a lost master again, on one page; see `write_recipe_card`."""
    return _write(_reprint_page(sheet), path)
