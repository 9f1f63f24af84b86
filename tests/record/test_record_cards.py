"""Recipe cards and reprint sheets: what they say, one page, the same bytes."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from record_samples import fill

from sharpset.errors import RecordError, ReportError
from sharpset.record import Record, recipe_card, reprint_sheet
from sharpset.reports.card import write_recipe_card, write_reprint_sheet


def pages_of(path: Path) -> int:
    """Return the number of pages of a PDF, counted in its page tree."""
    found = re.search(rb"/Count (\d+)", path.read_bytes())
    assert found is not None
    return int(found[1])


def test_card_says_settings_limits_growth_cautions_and_code(local_record: Record, tmp_path: Path) -> None:
    made = fill(local_record, tmp_path)
    card = recipe_card(local_record, made["trial"].code)  # the code on an old card leads to the newest recipe
    assert card.code == made["recipe"].code
    assert card.status == "good"
    assert card.settings == (("layer_height_mm", "0.06"),)
    assert [(limit.kind, limit.limit_mm) for limit in card.limits] == [("bar", 0.22), ("slot", 0.31)]
    assert card.growth == (("bar", "+0.011 mm"), ("slot", "+0.020 mm"))
    assert card.cautions[0] == "mind the seam"
    assert any("fumes" in caution for caution in card.cautions)  # the process comes from the printer
    assert any("safety data sheet" in caution for caution in card.cautions)
    assert [ref.uuid for ref in card.corrections] == [made["trial"].uuid]
    assert {ref.uuid for ref in card.evidence} == {made["fit"].uuid, made["readings"].uuid}
    assert "bar 0.22 mm, slot 0.31 mm" in card.summary()


def test_card_is_one_page_and_the_same_bytes_each_time(local_record: Record, tmp_path: Path) -> None:
    made = fill(local_record, tmp_path)
    card = recipe_card(local_record, made["recipe"])
    first = write_recipe_card(card, tmp_path / "a.pdf")
    second = write_recipe_card(card, tmp_path / "b.pdf")
    assert first.read_bytes() == second.read_bytes()
    assert pages_of(first) == 1
    page = write_recipe_card(card, tmp_path / "a.html").read_text(encoding="utf-8")
    for words in (
        card.code[:3],
        card.uuid,
        "0.220 mm",
        "a90/95; 40 features in 4 prints",
        "+0.011 mm",
        "mind the seam",
    ):
        assert words in page
    assert "http" not in page  # nothing is fetched from elsewhere


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext (poppler-utils) is not installed here")
def test_pdf_holds_the_words(local_record: Record, tmp_path: Path) -> None:
    made = fill(local_record, tmp_path)
    path = write_recipe_card(recipe_card(local_record, made["recipe"]), tmp_path / "a.pdf")
    text = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True).stdout
    for words in ("fine bars", "layer_height_mm", "0.06", "0.220 mm", made["recipe"].uuid, "mind the seam"):
        assert words in text


def test_card_of_many_settings_stays_on_one_page_or_is_refused(local_record: Record, tmp_path: Path) -> None:
    few = local_record.add_recipe("many", {f"setting_{i}_mm": i / 10 for i in range(60)}, process="filament")
    assert pages_of(write_recipe_card(recipe_card(local_record, few), tmp_path / "many.pdf")) == 1
    much = local_record.add_recipe("too many", {f"setting_{i}_mm": i / 10 for i in range(600)}, process="filament")
    with pytest.raises(ReportError, match="does not fit on one page"):
        write_recipe_card(recipe_card(local_record, much), tmp_path / "toomany.pdf")
    assert not (tmp_path / "toomany.pdf").exists()
    assert write_recipe_card(recipe_card(local_record, much), tmp_path / "toomany.html").stat().st_size > 10_000


def test_markup_in_names_is_text(local_record: Record, tmp_path: Path) -> None:
    entry = local_record.add_recipe("<b>bars</b> & \u201equays\u201c", {"note": "a < b"}, process="resin")
    card = recipe_card(local_record, entry)
    page = write_recipe_card(card, tmp_path / "a.html").read_text(encoding="utf-8")
    assert "&lt;b&gt;bars&lt;/b&gt; &amp; \u201equays\u201c" in page
    assert "a &lt; b" in page
    assert pages_of(write_recipe_card(card, tmp_path / "a.pdf")) == 1
    assert any("sensitiser" in caution for caution in card.cautions)


def test_card_with_nothing_proven_says_so(local_record: Record, tmp_path: Path) -> None:
    entry = local_record.add_recipe("new", {"speed": 20})
    page = write_recipe_card(recipe_card(local_record, entry), tmp_path / "a.html").read_text(encoding="utf-8")
    assert "treat every size as unproven" in page
    assert "measure a test piece first" in page
    # without a process the cautions of both are shown
    assert "sensitiser" in page
    assert "Nozzle" in page


def test_reprint_lists_all_that_is_needed_and_what_is_not_known(local_record: Record, tmp_path: Path) -> None:
    made = fill(local_record, tmp_path)
    sheet = reprint_sheet(local_record, made["print"])
    said = dict(sheet.made_of)
    assert said["head"].startswith("brass 0.25, nozzle 0.25 mm")
    # Printed on 4 March: 18 days of February and 4 of March later.
    assert said["lot"].startswith("spool 14, opened 2026-02-10 (22 days before this print)")
    assert dict(sheet.settings)["temperatures_c"] == "205, 60"
    assert {file.role for file in sheet.files} == {"profile", "model"}  # the model belongs to the piece
    assert {ref.kind for ref in sheet.readings} == {"scan", "readings"}
    assert sheet.gaps == ()
    assert sheet.summary().endswith("complete")
    bare = local_record.add_print({}, printer="Heron", name="lost")
    gaps = " ".join(reprint_sheet(local_record, bare).gaps)
    for words in (
        "head is not recorded",
        "lot is not recorded",
        "No settings",
        "No model file",
        "No slicer profile",
        "how it lay",
    ):
        assert words in gaps
    path = write_reprint_sheet(reprint_sheet(local_record, bare), tmp_path / "r.pdf")
    assert pages_of(path) == 1
    page = write_reprint_sheet(sheet, tmp_path / "r.html").read_text(encoding="utf-8")
    assert "kept in the record" in page
    assert f"record show {made['print'].code} --files FOLDER" in page


def test_reprint_with_its_recipe_says_what_it_forms(local_record: Record, tmp_path: Path) -> None:
    fill(local_record, tmp_path)
    printed = local_record.add_print({}, printer="Heron", recipe="fine bars", name="davit")
    page = write_reprint_sheet(reprint_sheet(local_record, printed), tmp_path / "r.html").read_text(encoding="utf-8")
    assert "0.220 mm" in page
    assert "growth of bar" in page


def test_wrong_codes_and_names_are_refused(local_record: Record, tmp_path: Path) -> None:
    made = fill(local_record, tmp_path)
    with pytest.raises(RecordError, match="a recipe is needed"):
        recipe_card(local_record, made["print"].code)
    with pytest.raises(RecordError, match="a print is needed"):
        reprint_sheet(local_record, made["recipe"].code)
    with pytest.raises(ReportError, match=r"written as \.pdf or \.html"):
        write_recipe_card(recipe_card(local_record, made["recipe"]), tmp_path / "a.png")
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(ReportError, match="cannot be written"):
        write_recipe_card(recipe_card(local_record, made["recipe"]), tmp_path / "file" / "a.pdf")
