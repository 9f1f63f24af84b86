"""Making pieces at the command line: nothing that was printed from is written over."""

from __future__ import annotations

from pathlib import Path

from sharpset.cli import main

STENCIL = ["piece", "stencil", "--process", "resin"]


def test_another_piece_is_not_written_over_unasked(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main([*STENCIL, "--out", "piece"]) == 0
    before = Path("piece/piece.json").read_bytes()
    assert main([*STENCIL, "--out", "piece"]) == 0
    assert main([*STENCIL, "--smallest", "0.3", "--out", "piece"]) == 1
    assert "piece: holds another piece already, stencil-resin-" in capsys.readouterr().err
    assert main([*STENCIL, "--run-id", "R02", "--out", "piece"]) == 1
    assert "run R01; this one is" in capsys.readouterr().err
    assert Path("piece/piece.json").read_bytes() == before
    assert main([*STENCIL, "--run-id", "R02", "--out", "piece", "--replace"]) == 0
    assert Path("piece/piece.json").read_bytes() != before


def test_of_a_plan_no_piece_is_written_where_one_would_be_lost(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    Path("plan").mkdir()
    Path("plan/runs.csv").write_text("run_id\nR01\nR02\n", encoding="utf-8")
    assert main([*STENCIL, "--smallest", "0.3", "--out", "pieces/R02", "--run-id", "R02"]) == 0
    assert main([*STENCIL, "--plan", "plan", "--out", "pieces"]) == 1
    assert "R02: holds another piece already" in capsys.readouterr().err.replace("\\", "/")
    assert not Path("pieces/R01").exists()


def test_what_the_brief_asks_for_and_the_piece_lacks_is_said_before_anything_is_printed(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    text = 'name = "davits"\nprocess = "resin"\n[smallest_mm]\nbar = 0.2\npost = 0.3\n[tolerance_mm]\nwidth = 0.05\n'
    Path("brief.toml").write_text(text, encoding="utf-8")
    assert main(["piece", "stencil", "--brief", "brief.toml", "--out", "piece"]) == 0
    assert "note: the brief asks for post, which this piece does not hold" in capsys.readouterr().out
