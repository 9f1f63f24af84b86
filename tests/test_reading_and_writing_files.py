"""Files that people and spreadsheets write, names for files, and writing that is whole or not at all."""

from __future__ import annotations

import pytest

from sharpset.files import decoded_text, file_name, read_table, unfit_name, whole_file

TABLE = "name,size_mm,note\nstay,0.25,plain\nRöhre,1.5,\n"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_a_table_is_read_in_every_usual_encoding(tmp_path, encoding):
    path = tmp_path / "t.csv"
    path.write_bytes(TABLE.encode(encoding))
    table = read_table(path, texts=("name",))
    assert table["name"].tolist() == ["stay", "Röhre"]
    assert table["size_mm"].tolist() == [0.25, 1.5]


@pytest.mark.parametrize(
    "text",
    [
        "name;size_mm;note\nstay;0,25;plain\nRöhre;1,5;\n",
        "name\tsize_mm\tnote\nstay\t0.25\tplain\nRöhre\t1.5\t\n",
        "# written by hand\r\n\r\nname, size_mm ,note\r\nstay, 0.25,plain\r\nRöhre,1.5\r\n",
        'name;size_mm;note\n"stay";"0,25";"plain"\n"Röhre";"1,5";""\n',
    ],
)
def test_separators_decimal_commas_comments_and_short_rows_are_understood(tmp_path, text):
    path = tmp_path / "t.csv"
    path.write_text(text, encoding="utf-8", newline="")
    table = read_table(path, texts=("name",))
    assert list(table.columns) == ["name", "size_mm", "note"]
    assert table["name"].tolist() == ["stay", "Röhre"]
    assert table["size_mm"].tolist() == [0.25, 1.5]


def test_a_hash_inside_a_cell_and_names_like_numbers_are_kept(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text('run_id,note\n007,"lot #3, new\nnozzle"\n# left out,\n', encoding="utf-8")
    table = read_table(path, texts=("run_id",))
    assert table["run_id"].tolist() == ["007"]
    assert table["note"].tolist() == ["lot #3, new\nnozzle"]


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "nothing stands in it"),
        (b"\n# only a remark\n", "nothing stands in it"),
        (b"a,b,a\n1,2,3\n", "column a stands there twice"),
        (b"a,b\n1,2,3\n", "row 2 has 3 cells, the header 2"),
        (bytes(range(256)), "no text"),
    ],
)
def test_what_is_no_table_is_refused(tmp_path, data, says):
    path = tmp_path / "t.csv"
    path.write_bytes(data)
    with pytest.raises(ValueError, match=says):
        read_table(path)


def test_bytes_that_are_no_text_are_refused():
    with pytest.raises(ValueError, match="no text"):
        decoded_text(b"PK\x03\x04\x00\x00")


@pytest.mark.parametrize("name", ["R01", "fine bars", "Röhre_2", "R.1", "console", "com0", "-"])
def test_fit_names(name):
    assert unfit_name(name) == ""


# Names and characters that Windows keeps: Microsoft, "Naming Files, Paths, and Namespaces" (from memory).
@pytest.mark.parametrize(
    "name",
    [
        *("", ".", "..", "a/b", "a\\b", "a:b", "what?", 'say "x"', "a\nb", "R01.", "R01 ", "CON", "nul.txt", "Lpt1"),
        *("aux ", "x" * 201),
    ],
)
def test_unfit_names(name):
    assert unfit_name(name)


def test_a_file_is_written_whole(tmp_path):
    path = tmp_path / "r.csv"
    with whole_file(path) as place:
        assert place.suffix == ".csv"
        assert place.parent == tmp_path
        place.write_text("new", encoding="utf-8")
        assert not path.exists()
    assert path.read_text(encoding="utf-8") == "new"
    assert [file.name for file in tmp_path.iterdir()] == ["r.csv"]


@pytest.mark.parametrize("fault", [KeyboardInterrupt, OSError, ValueError])
def test_an_interrupted_writer_leaves_the_old_file_and_no_half_one(tmp_path, fault):
    path = tmp_path / "r.csv"
    path.write_text("old", encoding="utf-8")
    with pytest.raises(fault), whole_file(path) as place:
        place.write_text("ha", encoding="utf-8")
        raise fault
    assert path.read_text(encoding="utf-8") == "old"
    assert [file.name for file in tmp_path.iterdir()] == ["r.csv"]


def test_a_folder_is_not_written_over(tmp_path):
    (tmp_path / "r.csv").mkdir()
    with pytest.raises(OSError), whole_file(tmp_path / "r.csv") as place:
        place.write_text("new", encoding="utf-8")
    assert [file.name for file in tmp_path.iterdir()] == ["r.csv"]


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("effects_growth_slot_mm", "effects_growth_slot_mm"),
        ("shine / %", "shine - %"),
        ("time: min?", "time- min-"),
        ("Röhre", "Röhre"),
        ("nul", "_nul"),
        ("ends.", "ends"),
        ("..", "_"),
        ("ö" * 100, "ö" * 60),
    ],
)
def test_any_text_becomes_a_name_that_every_system_stores(text, name):
    assert file_name(text) == name
    assert not unfit_name(file_name(text))
