"""The brief: what is taken, what is refused and in which words."""

from __future__ import annotations

import math

import pytest

from sharpset.brief import KINDS, Brief, example_brief, load_brief
from sharpset.errors import BriefError

GOOD = """\
name = "winch masters"
process = "filament"
scale = 24

[smallest_mm]
bar = 0.25
slot = 0.2

[tolerance_mm]
width = 0.04
edge_roughness = 0.02

[limits]
print_time_h = 4
"""


@pytest.fixture
def write(tmp_path):
    def writer(text: str):
        path = tmp_path / "brief.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return writer


def test_every_value_arrives(write):
    brief = load_brief(write(GOOD))
    assert brief.name == "winch masters"
    assert brief.process == "filament"
    assert brief.scale == 24
    assert brief.smallest_mm == {"bar": 0.25, "slot": 0.2}
    assert brief.tolerance_mm.width == 0.04
    assert brief.tolerance_mm.edge_roughness == 0.02
    assert brief.limits.print_time_h == 4.0


def test_optional_parts_may_be_left_out(write):
    brief = load_brief(write('name = "x"\nprocess = "resin"\n[smallest_mm]\nhole = 0.3\n'))
    assert brief.scale is None
    assert math.isnan(brief.full_size_mm(0.3))
    assert brief.tolerance_mm.edge_roughness is None
    assert brief.limits.print_time_h is None


def test_full_size_is_divided_by_the_scale(write):
    text = 'name = "x"\nprocess = "resin"\nscale = 48\n[full_size_mm]\nbar = 12.0\n[smallest_mm]\nslot = 0.2\n'
    brief = load_brief(write(text))
    assert brief.smallest_mm == {"bar": 0.25, "slot": 0.2}
    assert brief.full_size_mm(0.25) == pytest.approx(12.0)


@pytest.mark.parametrize("process", ["filament", "resin"])
def test_example_is_a_valid_brief_with_every_kind_of_line(write, process):
    brief = load_brief(write(example_brief(process)))
    assert brief.process == process
    assert brief.limits.print_time_h == 4.0
    assert set(brief.smallest_mm) == {"bar", "slot", "hole"}


def test_summary_names_sizes_scale_and_tolerance(write):
    text = load_brief(write(GOOD)).summary()
    for part in ("winch masters", "1:24", "bar 0.25 mm", "slot 0.2 mm", "0.04 mm"):
        assert part in text


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("scale = 24", "scael = 24", ("unknown key 'scael'", "scale")),
        ("width = 0.04", "widht = 0.04", ("unknown key 'tolerance_mm.widht'", "tolerance_mm.width")),
        ('process = "filament"', 'process = "laser"', ("'process'", "'filament' or 'resin'", "'laser'")),
        ('process = "filament"\n', "", ("'process' is missing", "'filament' or 'resin'")),
        ("bar = 0.25", "bar = -1", ("smallest_mm.bar", "greater than 0", "-1")),
        ("bar = 0.25", 'bar = "thin"', ("smallest_mm.bar", "'thin'")),
        ("bar = 0.25", "bar = nan", ("smallest_mm.bar", "nan")),
        ("bar = 0.25", "bar = inf", ("smallest_mm.bar", "inf")),
        ("bar = 0.25", "girder = 0.25", ("'girder'", *KINDS)),
        ("bar = 0.25\nslot = 0.2\n", "", ("smallest_mm", "at least 1")),
        ("scale = 24", "scale = 0", ("'scale'", "1:24", "0")),
        ("print_time_h = 4", "print_time_h = 0", ("limits.print_time_h", "in hours", "0")),
        ('name = "winch masters"', 'name = ""', ("'name'",)),
    ],
)
def test_faults_name_the_file_the_key_and_what_it_means(write, old, new, words):
    assert old in GOOD
    path = write(GOOD.replace(old, new))
    with pytest.raises(BriefError) as caught:
        load_brief(path)
    text = str(caught.value)
    assert text.startswith(str(path))
    assert "\n" not in text
    for word in words:
        assert word in text


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('name="x"\nprocess="resin"\n[full_size_mm]\nbar = 6\n', "needs 'scale'"),
        ('name="x"\nprocess="resin"\nscale=24\n[full_size_mm]\nbar=6\n[smallest_mm]\nbar=0.2\n', "bar stands in both"),
        ('name="x"\nprocess="resin"\nscale=24\nfull_size_mm=6\n', "must be a table"),
        ('name="x"\nprocess="resin"\nscale=24\n[full_size_mm]\nbar="six"\n', "'six'"),
        ('name="x"\nprocess="resin"\nscale=24\nsmallest_mm=6\n[full_size_mm]\nbar=6\n', "smallest_mm"),
        ("name = ", "not a TOML file"),
    ],
)
def test_other_faults_are_told_in_one_line(write, text, words):
    with pytest.raises(BriefError, match=words) as caught:
        load_brief(write(text))
    assert "\n" not in str(caught.value)


def test_missing_file_binary_file_and_folder(tmp_path):
    with pytest.raises(BriefError, match=r"none\.toml: the brief cannot be read"):
        load_brief(tmp_path / "none.toml")
    (tmp_path / "binary.toml").write_bytes(b"\x89PNG\r\n\xff")
    with pytest.raises(BriefError, match="not a TOML file"):
        load_brief(tmp_path / "binary.toml")
    with pytest.raises(BriefError, match="cannot be read"):
        load_brief(tmp_path)


def test_a_brief_cannot_be_changed(write):
    brief = load_brief(write(GOOD))
    with pytest.raises(ValueError, match="frozen"):
        brief.name = "other"
    assert isinstance(brief, Brief)


@pytest.mark.parametrize("line", ["bar = true", "bar = false"])
def test_true_and_false_are_no_sizes(write, line):
    with pytest.raises(BriefError, match=r"smallest_mm.bar.*a number is needed, got (true|false)"):
        load_brief(write(f'name = "x"\nprocess = "resin"\n[smallest_mm]\n{line}\n'))
