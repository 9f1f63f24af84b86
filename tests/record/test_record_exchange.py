"""Export and import: exact, without duplicates, all or nothing."""

from __future__ import annotations

import hashlib
import json
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from record_samples import fill, folder_bytes, readings_table

from sharpset.errors import RecordError
from sharpset.record import Record, open_record
from sharpset.record import making as making_module


def reseal(folder: Path) -> None:
    """Write SHA256SUMS anew, as somebody would who changes an export on purpose."""
    names = sorted(p for p in folder.rglob("*") if p.is_file() and p.name != "SHA256SUMS")
    lines = [f"{hashlib.sha256(p.read_bytes()).hexdigest()}  {p.relative_to(folder).as_posix()}\n" for p in names]
    (folder / "SHA256SUMS").write_text("".join(lines), encoding="utf-8")


def test_round_trip_is_exact(record: Record, second_place: str, tmp_path: Path) -> None:
    made = fill(record, tmp_path)
    record.export(tmp_path / "first")
    with open_record(second_place) as second:
        report = second.import_(tmp_path / "first")
        assert (report.n_added, report.n_known, report.same_names) == (len(made), 0, ())
        second.export(tmp_path / "second")
        for entry in made.values():
            assert second.show(entry.uuid, follow=False) == record.show(entry.uuid, follow=False)
        pd.testing.assert_frame_equal(second.readings(made["readings"]), record.readings(made["readings"]))
        pd.testing.assert_frame_equal(second.search(kind="bar"), record.search(kind="bar"))
        assert second.check().findings == ()
    assert folder_bytes(tmp_path / "first") == folder_bytes(tmp_path / "second")


def test_import_twice_adds_nothing(record: Record, tmp_path: Path) -> None:
    made = fill(record, tmp_path)
    record.export(tmp_path / "out")
    report = record.import_(tmp_path / "out")
    assert (report.n_added, report.n_known, report.n_kept) == (0, len(made), 0)
    assert len(record.list(corrected=True)) == len(made)


def test_two_benches_merge_to_the_same_record(record: Record, second_place: str, tmp_path: Path) -> None:
    fill(record, tmp_path)
    record.export(tmp_path / "shared")
    with open_record(second_place) as second:
        second.import_(tmp_path / "shared")
        # both benches go on, and both correct the same recipe
        record.correct("fine bars", {"status": "retired"}, kind="recipe", note="first bench")
        record.add_print({"speed": 1}, printer="Heron")
        second.correct("fine bars", {"status": "good"}, kind="recipe", note="second bench")
        second.add_printer("Otter", process="resin")
        record.export(tmp_path / "a")
        second.export(tmp_path / "b")
        assert record.import_(tmp_path / "b").n_added == 2
        assert second.import_(tmp_path / "a").n_added == 2
        record.export(tmp_path / "a2")
        second.export(tmp_path / "b2")
        newest = record.show("fine bars", kind="recipe")
        assert newest.note == "second bench"  # the later of the two; the other one stays in the history
        assert second.show("fine bars", kind="recipe") == newest
        assert [ref.note for ref in newest.history][-2:] == ["first bench", "second bench"]
        assert len(record.list("recipe")) == 1
        assert record.check().findings == ()
        assert second.check().findings == ()
    assert folder_bytes(tmp_path / "a2") == folder_bytes(tmp_path / "b2")


def test_same_name_on_two_benches_is_reported(record: Record, second_place: str, tmp_path: Path) -> None:
    record.add_printer("Heron", process="filament")
    with open_record(second_place) as second:
        mine = second.add_printer("Heron", process="filament")
        record.export(tmp_path / "out")
        assert second.import_(tmp_path / "out").same_names == ("printer 'Heron'",)
        with pytest.raises(RecordError, match="'Heron' fits more than one entry"):
            second.add_print({}, printer="Heron")
        second.correct(mine, {"name": "Heron of bench 2"}, note="two machines of one name")
        second.add_print({}, printer="Heron")


def test_entry_made_by_a_slow_clock_comes_in_after_what_it_points_to(
    local_record: Record, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    local_record.add_printer("Heron", process="filament")
    monkeypatch.setattr(making_module, "now_utc", lambda: "2001-01-01T00:00:00.000000Z")
    old = local_record.add_print({}, printer="Heron")
    monkeypatch.undo()
    fixed = local_record.correct(old, {"outcome": "good"}, note="seen later")
    local_record.export(tmp_path / "out")
    with open_record(tmp_path / "second.sqlite") as second:
        assert second.import_(tmp_path / "out").n_added == 3
        assert second.show(old).uuid == fixed.uuid


def test_changed_file_is_refused_and_nothing_comes_in(local_record: Record, tmp_path: Path) -> None:
    fill(local_record, tmp_path)
    out = tmp_path / "out"
    local_record.export(out)
    path = out / "printer.csv"
    path.write_bytes(path.read_bytes().replace(b"Heron", b"Eagle"))
    with open_record(tmp_path / "second.sqlite") as second:
        with pytest.raises(RecordError, match=r"printer\.csv: was changed after the export"):
            second.import_(out)
        reseal(out)
        with pytest.raises(RecordError, match=r"printer\.csv: entry .* does not fit its hash"):
            second.import_(out)
        assert second.list().empty


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("SHA256SUMS", "no SHA256SUMS here"),
        ("print.csv", r"print\.csv: missing"),
        ("export.json", r"export\.json: missing"),
    ],
)
def test_missing_file_is_named(local_record: Record, tmp_path: Path, name: str, words: str) -> None:
    fill(local_record, tmp_path)
    local_record.export(tmp_path / "out")
    (tmp_path / "out" / name).unlink()
    with open_record(tmp_path / "second.sqlite") as second:
        with pytest.raises(RecordError, match=words):
            second.import_(tmp_path / "out")
        assert second.list().empty


def test_left_out_table_or_entry_is_found(local_record: Record, tmp_path: Path) -> None:
    fill(local_record, tmp_path)
    out = tmp_path / "out"
    local_record.export(out)
    next((out / "readings").iterdir()).unlink()
    reseal(out)
    with open_record(tmp_path / "second.sqlite") as second:
        with pytest.raises(RecordError, match="the table of readings is missing"):
            second.import_(out)
        (out / "printer.csv").unlink()
        reseal(out)
        with pytest.raises(RecordError, match="neither in it nor here"):
            second.import_(out)
        assert second.list().empty


def test_export_of_a_newer_form_is_refused(local_record: Record, tmp_path: Path) -> None:
    out = tmp_path / "out"
    local_record.export(out)
    about = json.loads((out / "export.json").read_text(encoding="utf-8"))
    (out / "export.json").write_text(json.dumps(about | {"form": 99}), encoding="utf-8")
    reseal(out)
    with pytest.raises(RecordError, match=r"exported by a newer sharpset \(form 99"):
        local_record.import_(out)


def test_same_uuid_with_other_words_is_refused(local_record: Record, tmp_path: Path) -> None:
    local_record.add_printer("Heron", process="filament")
    local_record.export(tmp_path / "out")
    path = tmp_path / "out" / "printer.csv"
    rows = path.read_text(encoding="utf-8").splitlines()
    cells = rows[1].split(",")
    document = {"uuid": cells[0], "kind": "printer", "created_utc": cells[3], "name": "Eagle"}
    document["fields"] = {"process": "filament"}  # type: ignore[assignment]
    words = json.dumps(document, sort_keys=True, separators=(",", ":"))
    cells[2], cells[7] = "Eagle", hashlib.sha256(words.encode()).hexdigest()
    path.write_text("\r\n".join([rows[0], ",".join(cells)]) + "\r\n", encoding="utf-8", newline="")
    reseal(tmp_path / "out")
    with pytest.raises(RecordError, match="says something else than the same entry of this record"):
        local_record.import_(tmp_path / "out")
    assert list(local_record.list("printer")["name"]) == ["Heron"]


def test_export_into_a_full_folder_is_refused(local_record: Record, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(RecordError, match="there is something here already"):
        local_record.export(tmp_path / "out")
    assert folder_bytes(tmp_path / "out") == {"mine.txt": b"mine"}


def test_sums_are_those_of_the_hash_tool(local_record: Record, tmp_path: Path) -> None:
    fill(local_record, tmp_path)
    local_record.export(tmp_path / "out")
    for line in (tmp_path / "out" / "SHA256SUMS").read_text(encoding="utf-8").splitlines():
        wanted, name = line.split("  ", 1)
        assert hashlib.sha256((tmp_path / "out" / name).read_bytes()).hexdigest() == wanted


TEXT = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=20)
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**70), 2**70) | st.floats(allow_nan=False, allow_infinity=False) | TEXT,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXT, inner, max_size=3),
    max_leaves=6,
)
CELLS = st.floats(width=64, allow_infinity=False)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.dictionaries(TEXT, VALUES, max_size=4),
    TEXT,
    TEXT,
    st.lists(st.tuples(CELLS, TEXT, st.sampled_from(["yes", "no", "partly"])), min_size=1, max_size=4),
)
def test_any_text_and_number_survives(
    local_record: Record, values: dict[str, Any], outcome: str, note: str, rows: list[tuple[float, str, str]]
) -> None:
    if local_record.list("printer").empty:
        local_record.add_printer("Heron", process="filament")
    printed = local_record.add_print(values, printer="Heron", outcome=outcome, note=note)
    table = pd.DataFrame(
        {
            "feature_id": [word for _, word, _ in rows],
            "kind": "bar",
            "nominal_mm": 0.2,
            "formed": [formed for _, _, formed in rows],
            "measured_mm": [value for value, _, _ in rows],
            "words": [word for _, word, _ in rows],
        }
    )
    read = local_record.add_readings(table, print=printed)[0]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        local_record.export(folder / "a")
        # the other bench has what came before and merges what is new
        with open_record(Path(local_record.where).with_name("other.sqlite")) as second:
            second.import_(folder / "a")
            second.export(folder / "b")
            assert second.show(printed) == printed
            back = second.readings(read)
        assert folder_bytes(folder / "a") == folder_bytes(folder / "b")
    assert printed.fields["settings"] == values
    # Every number to its last bit; of "no number" there are many patterns, and which one is all the same.
    was, now = table["measured_mm"].to_numpy(), back["measured_mm"].to_numpy()
    assert np.array_equal(np.isnan(was), np.isnan(now))
    assert was[~np.isnan(was)].tobytes() == now[~np.isnan(now)].tobytes()
    assert back["words"].tolist() == table["words"].tolist()


def test_readings_of_two_scans_stay_apart(local_record: Record, tmp_path: Path) -> None:
    entries = local_record.add_readings(pd.concat([readings_table("a"), readings_table("b")]))
    local_record.export(tmp_path / "out")
    assert {p.stem for p in (tmp_path / "out" / "readings").iterdir()} == {entry.uuid for entry in entries}
