from __future__ import annotations

import json
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest

from sharpset.cli import main
from sharpset.errors import SharpsetError


@pytest.fixture
def bench(tmp_path, draw):
    """A folder with readings of two printers, a brief and tables for the other modes."""
    draw(1, n_prints=4).to_csv(tmp_path / "a.csv", index=False)
    draw(2, n_prints=4, name="b", bias=0.04).to_csv(tmp_path / "b.csv", index=False)
    (tmp_path / "brief.toml").write_text(
        'name = "davits"\nprocess = "resin"\nscale = 24\n[smallest_mm]\nbar = 0.2\n[tolerance_mm]\nwidth = 0.05\n',
        encoding="utf-8",
    )
    (tmp_path / "chain.csv").write_text(
        "stage,shrinkage_percent,U95_percent\nmould,3.5,0.2\nmetal,0.5,0.1\n", encoding="utf-8"
    )
    (tmp_path / "details.csv").write_text("name,kind,full_size_mm\nstay,bar,6\ngap,slot,24\n", encoding="utf-8")
    (tmp_path / "limits.csv").write_text("kind,limit_mm\nbar,0.3\nslot,0.4\n", encoding="utf-8")
    return tmp_path


def one_line(capsys):
    err = capsys.readouterr().err
    assert err.count("\n") == 1, err
    return err


def test_two_printers(bench, capsys):
    words = ["compare", "--readings", bench / "a.csv", bench / "b.csv", "--brief", bench / "brief.toml"]
    words += ["--out", bench / "out", "--labels", "old", "new"]
    assert main([str(w) for w in words]) == 0
    out = capsys.readouterr().out
    assert "old truer by" in out
    verdict = pd.read_csv(bench / "out" / "verdict.csv")
    assert set(verdict["truer"]) == {"old"}
    numbers = json.loads((bench / "out" / "comparison.json").read_text(encoding="utf-8"))
    assert numbers["label_b"] == "new" and numbers["decidable"] is True
    page = (bench / "out" / "report.html").read_text(encoding="utf-8")
    assert "old and new compared" in page and "data:image/png;base64," in page
    assert "http" not in page.replace("http-equiv", "")
    assert (bench / "out" / "report.pdf").read_bytes().startswith(b"%PDF")


def test_one_print_still_gives_the_descriptive_table(bench, draw, capsys):
    draw(1, n_prints=1).to_csv(bench / "a.csv", index=False)
    words = ["compare", "--readings", bench / "a.csv", bench / "b.csv", "--brief", bench / "brief.toml"]
    assert main([str(w) for w in [*words, "--out", bench / "out"]]) == 1
    assert "Print at least 2 of each" in one_line(capsys)
    table = pd.read_csv(bench / "out" / "verdict.csv")
    assert table["p_different"].isna().all()
    assert table["difference_mm"].notna().any()
    assert (bench / "out" / "report.html").exists()


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda d: (d / "b.csv").unlink(), "cannot be read"),
        (lambda d: (d / "brief.toml").unlink(), "the brief cannot be read"),
        (lambda d: (d / "b.csv").write_text("scan_id\ns\n", encoding="utf-8"), "are missing"),
        (lambda d: (d / "b.csv").write_bytes((d / "a.csv").read_bytes()), "the same readings"),
        (lambda d: rewrite(d / "b.csv", piece_id="other"), "different pieces"),
        (lambda d: rewrite(d / "b.csv", measured_um=1.0), "not in millimetres"),
        (lambda d: rewrite(d / "b.csv", run_id=""), "no run_id"),
    ],
)
def test_bad_input_is_one_line_and_writes_nothing(bench, capsys, change, says):
    change(bench)
    words = ["compare", "--readings", bench / "a.csv", bench / "b.csv", "--brief", bench / "brief.toml"]
    assert main([str(w) for w in [*words, "--out", bench / "out"]]) == 1
    assert says in one_line(capsys)
    assert not (bench / "out").exists()


def rewrite(path, **columns):
    pd.read_csv(path).assign(**columns).to_csv(path, index=False)


def test_gauge_from_several_files(bench, draw, capsys):
    base = draw(3, n_prints=1)
    rng = np.random.default_rng(1)
    for i in range(3):
        width = base["measured_mm"] + rng.normal(0, 0.001, len(base))
        base.assign(scan_id=f"s{i}", measured_mm=width).to_csv(bench / f"s{i}.csv", index=False)
    files = [str(bench / f"s{i}.csv") for i in range(3)]
    words = ["compare", "--gauge", *files, "--brief", str(bench / "brief.toml"), "--out", str(bench / "out")]
    assert main(words) == 0
    assert "20 parts, 1 operator, 3 trials" in capsys.readouterr().out
    numbers = json.loads((bench / "out" / "gauge.json").read_text(encoding="utf-8"))
    assert numbers["anova_n_parts"] == numbers["range_n_parts"] == 20
    assert "Analysis of variance" in (bench / "out" / "report.html").read_text(encoding="utf-8")


def test_drift(bench, draw, capsys):
    table = pd.concat([draw(i, n_prints=1, name=f"c{i}-") for i in range(10)])
    table.to_csv(bench / "c.csv", index=False)
    prints = pd.DataFrame(
        {"run_id": [f"c{i}-0" for i in range(10)], "printed_at": [f"2026-02-{i + 1:02d}" for i in range(10)]}
    )
    prints.to_csv(bench / "p.csv", index=False)
    words = [
        "compare",
        "--drift",
        bench / "c.csv",
        "--prints",
        bench / "p.csv",
        "--tolerance",
        "0.05",
        "--out",
        bench / "o",
    ]
    assert main([str(w) for w in words]) == 0
    assert len(pd.read_csv(bench / "o" / "points.csv")) == 20
    assert (
        main([str(w) for w in ["compare", "--drift", bench / "c.csv", "--tolerance", "0.05", "--out", bench / "o2"]])
        == 1
    )
    assert "Give --prints" in one_line(capsys)


def test_cure(bench, capsys):
    table = pd.read_csv(bench / "a.csv")
    table.assign(measured_mm=table["measured_mm"] - 0.1, scan_id=table["scan_id"] + "2").to_csv(
        bench / "after.csv", index=False
    )
    words = ["compare", "--cure", bench / "a.csv", bench / "after.csv", "--tolerance", "0.05", "--out", bench / "o"]
    assert main([str(w) for w in words]) == 0
    assert "did not survive the cure (4 masters)" in capsys.readouterr().out
    assert "hot" in (bench / "o" / "report.html").read_text(encoding="utf-8")


def test_masters_and_moulds(bench, capsys):
    words = ["compare", "--chain", bench / "chain.csv", "--target", "10", "--details", bench / "details.csv"]
    words += ["--limits", bench / "limits.csv", "--brief", bench / "brief.toml", "--out", bench / "o"]
    assert main([str(w) for w in words]) == 0
    out = capsys.readouterr().out
    assert "104.15 %" in out and "stay (bar) to 0.300 mm" in out
    assert pd.read_csv(bench / "o" / "targets.csv")["master_mm"].iloc[0] == pytest.approx(10.41477, abs=1e-5)
    assert "Molten metal" in (bench / "o" / "report.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--details", "details.csv", "--scale", "24"], "or --limits FILE"),
        (["--details", "details.csv", "--limits", "limits.csv"], "no modelling scale"),
        (["--details", "details.csv", "--limits", "chain.csv", "--scale", "24"], "kind and limit_mm"),
        (["--chain", "details.csv"], "stage is missing"),
        (["--cure", "a.csv", "b.csv"], "--tolerance MM"),
        (["--readings", "a.csv", "b.csv"], "Give --brief"),
    ],
)
def test_what_is_missing_is_named(bench, capsys, monkeypatch, words, says):
    monkeypatch.chdir(bench)
    assert main(["compare", *words, "--out", "o"]) == 1
    assert says in one_line(capsys)


@pytest.mark.parametrize("words", [[], ["--gauge", "a.csv", "--chain", "c.csv"], ["--readings", "a.csv"]])
def test_wrong_usage_exits_with_two(bench, words, monkeypatch):
    monkeypatch.chdir(bench)
    with pytest.raises(SystemExit) as caught:
        main(["compare", *words, "--out", "o"])
    assert caught.value.code == 2


def test_help_needs_no_heavy_library():
    code = (
        "import sys, argparse; from sharpset.comparison.commands import configure; "
        "configure(argparse.ArgumentParser());print([m for m in ('numpy', 'pandas', 'scipy', 'matplotlib', "
        "'reportlab') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_every_public_name_is_there():
    import sharpset.comparison as room

    for name in room.__all__:
        assert getattr(room, name) is not None
    assert set(room.__all__) == set(room._HOMES)
    with pytest.raises(AttributeError):
        _ = room.nothing
    assert issubclass(SharpsetError, Exception)
