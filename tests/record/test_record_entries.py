"""Adding, showing, correcting, listing and searching, on every database."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from record_samples import fill, readings_table
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from sharpset.errors import RecordError
from sharpset.record import Record, open_record
from sharpset.record.codes import is_code
from sharpset.record.kinds import KINDS


def test_every_kind_comes_back_as_it_was_added(record: Record, place: str, tmp_path: Path) -> None:
    made = fill(record, tmp_path)
    assert set(KINDS) <= set(made)
    with open_record(place, create=False) as again:
        for kind, entry in made.items():
            if kind == "trial":
                continue
            found = again.show(entry.code)
            assert found == entry
            assert is_code(found.code)
        printed = again.show("winch barrel", kind="print")
    assert printed.fields["settings"] == {
        "layer_height_mm": 0.06,
        "fan": True,
        "seam": "rear",
        "temperatures_c": [205, 60],
    }
    assert printed.fields["printed_utc"] == "2026-03-04T08:30:00.000000Z"
    assert printed.refs["material"].name == "grey PLA"  # taken from the lot
    assert [f.kept for f in printed.files] == [True]  # the same content is kept for the piece


def test_readings_come_back_bit_by_bit(record: Record) -> None:
    table = readings_table()
    table["measured_mm"] = [0.1 + 0.2, 1 / 3, np.nextafter(0.2, 1), 1e-300, 5e-324, 0.17, 12345678.123456789, np.nan]
    table["count"] = range(8)
    table["own"] = [True, False] * 4
    entry = record.add_readings(table)[0]
    back = record.readings(entry)
    for name in ("measured_mm", "nominal_mm", "deviation_mm"):
        assert back[name].to_numpy().tobytes() == table[name].to_numpy(dtype=float).tobytes()
    assert back["count"].tolist() == list(range(8))
    assert back["own"].tolist() == [True, False] * 4
    assert back["run_id"].tolist() == ["1"] * 8
    assert back["U95_mm"].isna().all()


def test_table_of_several_scans_becomes_an_entry_each_or_none(record: Record) -> None:
    both = pd.concat([readings_table("quay-01"), readings_table("quay-02")])
    entries = record.add_readings(both)
    assert [entry.name for entry in entries] == ["quay-01", "quay-02"]
    assert [entry.fields["n_rows"] for entry in entries] == [8, 8]
    record.add_printer("Heron", process="filament")
    with pytest.raises(RecordError, match="print 'Heron' is not in the record"):
        record.add_readings(both, print="Heron")
    assert len(record.list("readings")) == 2


def test_one_of_several_pieces_belongs_to_the_scan(record: Record, tmp_path: Path) -> None:
    picture = tmp_path / "quay.tif"
    picture.write_bytes(b"a picture")
    scan = record.add_scan(picture, name="quay-01ab23cd")
    (entry,) = record.add_readings(readings_table("quay-piece2-01ab23cd"))
    assert entry.name == "quay-piece2-01ab23cd"
    assert entry.refs["scan"].uuid == scan.uuid
    # What only looks like it is another picture.
    (other,) = record.add_readings(readings_table("quay-piece2-of-01ab23cd"))
    assert "scan" not in other.refs


def test_correction_leaves_the_old_entry_and_is_followed(record: Record) -> None:
    record.add_printer("Heron", process="filament")
    first = record.add_print({"speed": 20}, printer="Heron", duration_h=2)
    second = record.correct(first, {"duration_h": 2.5}, note="clock read wrongly", by="Ida")
    third = record.correct(first.code, {"settings": {"speed": 25}}, note="speed was noted wrongly")
    assert record.show(first.code) == third
    assert third.fields == {"settings": {"speed": 25}, "duration_h": 2.5}
    assert third.corrects is not None
    assert third.corrects.uuid == second.uuid  # the newest is corrected, whichever code was given
    old = record.show(first.code, follow=False)
    assert old.fields == first.fields
    assert not old.newest
    assert [ref.uuid for ref in third.history] == [first.uuid, second.uuid, third.uuid]
    assert list(record.list("print")["code"]) == [third.code]
    assert set(record.list("print", corrected=True)["code"]) == {first.code, second.code, third.code}


def test_correction_needs_a_reason_and_right_fields(record: Record) -> None:
    printer = record.add_printer("Heron", process="filament")
    with pytest.raises(RecordError, match="note is missing"):
        record.correct(printer, {"process": "resin"}, note=" ")
    with pytest.raises(RecordError, match="one of filament, resin, got 'steam'"):
        record.correct(printer, {"process": "steam"}, note="x")
    with pytest.raises(RecordError, match="unknown field 'colour'"):
        record.correct(printer, {"colour": "red"}, note="x")
    assert record.show("Heron") == printer


def test_corrected_readings_take_the_new_table(record: Record) -> None:
    entry = record.add_readings(readings_table())[0]
    right = readings_table()
    right.loc[0, "formed"] = "partly"
    fixed = record.correct(entry, note="one bar was read wrongly", readings=right)
    assert record.readings(entry)["formed"].tolist()[0] == "partly"
    assert record.readings(entry, follow=False)["formed"].tolist()[0] == "no"
    assert fixed.fields["table_sha256"] != entry.fields["table_sha256"]


@pytest.mark.parametrize("statement", ["UPDATE entry SET name = 'x'", "DELETE FROM print_job", "DELETE FROM evidence"])
def test_database_itself_refuses_to_change_or_remove_entries(record: Record, tmp_path: Path, statement: str) -> None:
    fill(record, tmp_path)
    before = record.list(most=1000)
    with pytest.raises(DBAPIError, match="never changed"), record._engine.begin() as connection:
        connection.execute(text(statement))
    pd.testing.assert_frame_equal(record.list(most=1000), before)


def test_together_counts_wholly_or_not_at_all(record: Record) -> None:
    with pytest.raises(RuntimeError), record.together():
        record.add_printer("Heron", process="filament")
        record.add_print({}, printer="Heron")
        raise RuntimeError
    assert record.list().empty
    with record.together():
        record.add_printer("Heron", process="filament")
        record.add_print({}, printer="Heron")
    assert len(record.list()) == 2


def test_name_in_use_is_refused_and_free_after_a_correction(record: Record) -> None:
    heron = record.add_printer("Heron", process="filament")
    with pytest.raises(RecordError, match=f"'Heron' is in the record already, as {heron.code}"):
        record.add_printer("Heron", process="resin")
    record.correct(heron, {"name": "old Heron"}, note="sold")
    record.add_printer("Heron", process="resin")
    assert set(record.list("printer")["name"]) == {"old Heron", "Heron"}


@pytest.mark.parametrize(
    ("kind", "name", "fields", "refs", "words"),
    [
        ("printer", "", {"process": "resin"}, {}, "name is missing"),
        ("printer", "Heron", {}, {}, "process is missing"),
        ("printer", "Heron", {"process": 3}, {}, "must be a text, got 3"),
        ("print", "", {"settings": {}}, {}, "printer is missing"),
        ("print", "", {"settings": {}}, {"printer": "Heron"}, "The record holds no printer yet"),
        ("print", "", {"settings": {"a": float("inf")}}, {"printer": "x"}, "settings.a: inf cannot be kept"),
        ("print", "", {"settings": {"a": object()}}, {"printer": "x"}, "settings.a: a object cannot be kept"),
        ("print", "", {"settings": {1: 2}}, {"printer": "x"}, "the name 1 is not a text"),
        ("print", "", {"settings": {}, "duration_h": -1}, {"printer": "x"}, "must not be negative, got -1"),
        ("print", "", {"settings": {}, "duration_h": "two"}, {"printer": "x"}, "must be a number, got 'two'"),
        ("print", "", {"settings": {}, "printed_utc": "4.3."}, {"printer": "x"}, "'4.3.' is not a date"),
        ("print", "", {"settings": {"a": "\ud800"}}, {"printer": "x"}, "a character that cannot be kept"),
        ("print", "", {"settings": {"a": "b\x00"}}, {"printer": "x"}, "NUL"),
        ("material", "PLA", {}, {"printer": "x"}, "it points to nothing"),
        ("ship", "x", {}, {}, "kind 'ship' is not known"),
    ],
)
def test_entry_that_does_not_fit_is_refused(
    local_record: Record, kind: str, name: str, fields: dict[str, Any], refs: dict[str, Any], words: str
) -> None:
    with pytest.raises(RecordError) as caught:
        local_record.add(kind, name, fields=fields, refs=refs)
    assert words in str(caught.value)
    assert local_record.list().empty


@pytest.mark.parametrize(
    ("limits", "words"),
    [
        ({"bar": 0}, "limit_mm of bar must be a length above 0 mm, got 0"),
        ({"bar": float("nan")}, "nan cannot be kept"),
        ([{"kind": "bar"}], "needs a kind and a limit_mm"),
        ([{"kind": "bar", "limit_mm": 0.2, "n_prints": 1.5}], "must be a count, got 1.5"),
        ([{"kind": "bar", "limit_mm": 0.2, "width": 1}], "unknown part 'width'"),
        ([{"kind": "bar", "limit_mm": 0.2}, {"kind": "bar", "limit_mm": 0.3}], "bar stands there twice"),
    ],
)
def test_limits_that_cannot_be_are_refused(local_record: Record, limits: Any, words: str) -> None:
    with pytest.raises(RecordError) as caught:
        local_record.add_recipe("fine", {}, limits=limits)
    assert words in str(caught.value)


def test_only_fits_and_recipes_hold_limits(record: Record) -> None:
    with pytest.raises(RecordError, match="printer: it cannot hold limits"):
        record.add("printer", "Heron", fields={"process": "resin"}, limits={"bar": 0.2})


def test_lot_and_material_must_agree(record: Record) -> None:
    record.add_printer("Heron", process="filament")
    record.add_material("grey PLA")
    record.add_material("black PLA")
    record.add_lot("spool 14", material="grey PLA")
    with pytest.raises(RecordError, match="'spool 14' is of the material 'grey PLA', not of 'black PLA'"):
        record.add_print({}, printer="Heron", lot="spool 14", material="black PLA")


def test_wrong_code_is_told_from_an_unknown_one(record: Record) -> None:
    printer = record.add_printer("Heron", process="filament")
    wrong = printer.code[:-1] + ("1" if printer.code[-1] != "1" else "2")
    with pytest.raises(RecordError, match="check character does not fit"):
        record.show(wrong)
    with pytest.raises(RecordError, match="'nobody': no entry has this code"):
        record.show("nobody")
    with pytest.raises(RecordError, match="is the printer Heron; a material is needed"):
        record.show(printer.code, kind="material")
    assert record.show(printer.code.lower()) == printer
    assert record.show(printer.uuid[:8]) == printer


def test_search_finds_by_printer_material_kind_and_size(record: Record, tmp_path: Path) -> None:
    made = fill(record, tmp_path)
    record.add_printer("Otter", process="resin")
    record.add_recipe("resin bars", {}, printer="Otter", limits={"bar": 0.1})
    # by hand: limits are bar 0.22 and slot 0.31 on the Heron, bar 0.1 on the Otter
    assert list(record.search(kind="bar")["name"]) == ["resin bars", "fine bars"]
    assert list(record.search(kind="bar", printer="Heron")["code"]) == [made["recipe"].code]
    assert list(record.search(kind="bar", limit_mm=0.22, material="grey PLA")["limit_mm"]) == [0.22]
    assert record.search(kind="bar", limit_mm=0.2, printer="Heron").empty
    assert list(record.search(kind="slot", limit_mm=0.31)["when"]) == ["2026-03-06T00:00:00.000000Z"]
    assert list(record.search(kind="bar", status="good")["name"]) == ["fine bars"]
    assert list(record.search("fit", kind="bar", limit_mm=0.3)["name"]) == ["winch fit"]
    # by hand from the table: bars all form from 0.2 mm, slots from 0.3 mm, holes not at all
    prints = record.search("print", printer="Heron", material="grey PLA")
    assert dict(zip(prints["kind"], prints["limit_mm"], strict=True)) == {"bar": 0.2, "slot": 0.3}
    assert set(prints["code"]) == {made["print"].code}


def test_search_follows_corrections(record: Record, tmp_path: Path) -> None:
    made = fill(record, tmp_path)
    record.add_printer("Otter", process="filament")
    record.correct(made["print"], {"printer": "Otter"}, note="it was the other one")
    assert record.search("print", printer="Heron").empty
    assert set(record.search("print", printer="Otter")["kind"]) == {"bar", "slot"}
    record.correct(made["printer"], {"name": "grey Heron"}, note="renamed")
    assert list(record.search(kind="bar", printer="grey Heron")["printer"]) == ["grey Heron"]
    record.correct(made["recipe"], {"limits": {"bar": 0.3}}, note="did not hold")
    assert record.search(kind="bar", limit_mm=0.25).empty
    other = record.add_print({}, printer="grey Heron")
    record.correct(made["scan"], {"print": other}, note="scan of another print")
    assert set(record.search("print", printer="grey Heron")["code"]) == {other.code}
    assert record.check().ok
    assert record.check().findings == ()  # a new index says the same


def test_search_refuses_what_it_cannot_mean(record: Record) -> None:
    with pytest.raises(RecordError, match="a size needs a kind"):
        record.search(limit_mm=0.2)
    with pytest.raises(RecordError, match=r"above 0 mm, got -1"):
        record.search(kind="bar", limit_mm=-1)
    with pytest.raises(RecordError, match="'boat' cannot be searched"):
        record.search("boat")
    with pytest.raises(RecordError, match="got 'best'"):
        record.search(status="best")


def test_list_keeps_what_points_to_any_version(record: Record, tmp_path: Path) -> None:
    made = fill(record, tmp_path)
    record.correct(made["printer"], {"details": {"plate_mm": [150, 150]}}, note="new plate")
    later = record.add_print({"speed": 9}, printer="Heron", note="100 % fan_off")
    assert list(record.list("print", printer="Heron")["code"]) == [later.code, made["print"].code]
    assert list(record.list("print", text="100 %")["code"]) == [later.code]
    assert record.list("print", text="fan-off").empty
    assert len(record.list(most=3)) == 3
    with pytest.raises(RecordError, match="a material does not point to a printer"):
        record.list("material", printer="Heron")


def test_kept_files_are_written_out_and_overwrite_nothing(record: Record, tmp_path: Path) -> None:
    made = fill(record, tmp_path)
    (tmp_path / "winch.3mf").write_bytes(b"another")
    written = record.write_files(made["piece"], tmp_path / "out")
    assert [path.read_bytes() for path in written] == [b"a model\x00" * 300]
    with pytest.raises(RecordError, match="another file of this name"):
        record.write_files(made["piece"], tmp_path)
    assert (tmp_path / "winch.3mf").read_bytes() == b"another"
    with pytest.raises(RecordError, match="keeps no file"):
        record.write_files(made["printer"], tmp_path)


@pytest.mark.parametrize("name", ["nothing.tif", "folder"])
def test_missing_files_are_named(record: Record, tmp_path: Path, name: str) -> None:
    (tmp_path / "folder").mkdir()
    with pytest.raises(RecordError, match=f"{name}: the file cannot be read"):
        record.add_scan(tmp_path / name)
    with pytest.raises(RecordError, match=f"{name}: the file cannot be read"):
        record.add_piece("winch", files={"model": tmp_path / name})
    assert record.list().empty


def test_entries_say_themselves(record: Record, tmp_path: Path) -> None:
    recipe = fill(record, tmp_path)["recipe"]
    assert recipe.summary().startswith(f"recipe {recipe.code} 'fine bars'")
    rows = dict(zip(recipe.to_frame()["name"], recipe.to_frame()["value"], strict=True))
    assert rows["forms.bar"] == "bar 0.22 mm (a90/95, 40 features in 4 prints)"
    assert rows["growth.bar_mm"] == "0.011"
    assert "fine bars" in recipe._repr_html_()
