"""Reports of comparisons: self-contained, complete, the same bytes each time."""

from __future__ import annotations

from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from sharpset.errors import ReportError
from sharpset.reports.compare_page import Page, Section, as_text_table, write_page_html, write_page_pdf
from sharpset.reports.masters import write_mould_report


class Reader(HTMLParser):
    """Collects cells, links and pictures."""

    def __init__(self):
        super().__init__()
        self.cells, self.sources, self.open = [], [], []

    def handle_starttag(self, tag, attrs):
        self.open.append(tag)
        self.sources += [value for key, value in attrs if key in ("src", "href")]

    def handle_data(self, data):
        if self.open and self.open[-1] in ("td", "th") and data.strip():
            self.cells.append(data.strip())


def page(**more):
    frame = pd.DataFrame({"kind": ["bar", "<slot>"], "size": [0.25, np.nan], "n": [3, 4], "limit": [np.inf, 0.3]})
    columns = {
        "kind": ("kind", ""),
        "size": ("size / mm", ".2f"),
        "n": ("n", "d"),
        "limit": ("limit", ".3f"),
        "gone": ("", ""),
    }
    table = as_text_table(frame, columns, strong=[False, True])
    figure = Figure(figsize=(3, 2))
    figure.subplots().plot([1, 2])
    sections = (Section(title="Sizes", text="two & a half", table=table, figure=figure),)
    return Page(title="Title", subtitle="sub", lead="lead", sections=sections, **more)


def test_html_holds_everything_inside_itself(tmp_path):
    path = write_page_html(page(remarks=("mind <this>",), cautions=("hot",)), tmp_path / "new" / "r.html")
    text = path.read_text(encoding="utf-8")
    reader = Reader()
    reader.feed(text)
    assert reader.cells == [
        "kind",
        "size / mm",
        "n",
        "limit",
        "bar",
        "0.25",
        "3",
        "above the ladder",
        "<slot>",
        "4",
        "0.300",
    ]
    assert reader.sources and all(s.startswith("data:image/png;base64,") for s in reader.sources)
    assert "mind &lt;this&gt;" in text and "two &amp; a half" in text


def test_pdf_is_the_same_each_time(tmp_path):
    one = write_page_pdf(page(), tmp_path / "a.pdf").read_bytes()
    two = write_page_pdf(page(), tmp_path / "b.pdf").read_bytes()
    assert one.startswith(b"%PDF") and one == two
    assert b"DejaVuSans" in one


def test_long_tables_run_over_pages(tmp_path):
    frame = pd.DataFrame({"a": range(120), "b": ["long words " * 8] * 120})
    table = as_text_table(frame, {"a": ("a", "d"), "b": ("b", "")})
    long = Page(title="t", subtitle="s", lead="l", sections=(Section(title="x", table=table),))
    data = write_page_pdf(long, tmp_path / "a.pdf").read_bytes()
    assert data.count(b"/Type /Page\n") + data.count(b"/Type /Page ") >= 3


def test_empty_tables_are_left_out():
    assert as_text_table(pd.DataFrame({"a": []}), {"a": ("a", "")}) is None


def test_a_folder_that_cannot_be_written_is_named(tmp_path):
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(ReportError, match="cannot be written"):
        write_page_html(page(), tmp_path / "file" / "r.html")


def test_nothing_to_report_is_refused(tmp_path):
    with pytest.raises(ReportError, match="neither a scale chain nor a detail budget"):
        write_mould_report(chain=None, budget=None, out=tmp_path)
