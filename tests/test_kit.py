"""The set-up script: what stops it is told in a line, whatever language the system speaks."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest


@pytest.fixture
def kit():
    spec = importlib.util.spec_from_file_location("kit", Path(__file__).parents[1] / "kit.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_a_step_that_fails_is_told_though_its_words_are_in_no_known_encoding(kit):
    script = "import sys; sys.stderr.buffer.write(b'gr\\xfc\\x81n\\n'); sys.exit(3)"
    with pytest.raises(kit.KitError, match=r"The step failed. Look here.\n    gr.*n"):
        kit.run([sys.executable, "-c", script], what="The step", hint="Look here.")


def test_stopping_the_set_up_is_one_line(kit, monkeypatch, capsys):
    def stopped():
        raise KeyboardInterrupt

    monkeypatch.setattr(kit, "set_up", stopped)
    assert kit.main(["setup"]) == 130
    assert "stopped; the next call sets up what is missing" in capsys.readouterr().err


def test_an_environment_that_is_in_use_is_told(kit, monkeypatch, tmp_path):
    def in_use(path):
        raise PermissionError(13, "Access is denied", str(path))

    monkeypatch.setattr(kit, "VENV", tmp_path)
    monkeypatch.setattr(kit.shutil, "rmtree", in_use)
    with pytest.raises(kit.KitError, match="still open"):
        kit.make_environment()
