"""The room's public face."""

from __future__ import annotations

import subprocess
import sys

import sharpset.fits as fits


def test_every_public_name_is_there():
    for name in fits.__all__:
        assert getattr(fits, name) is not None
    assert fits.__all__ == sorted(fits.__all__)


def test_importing_the_room_is_light():
    code = (
        "import sys, sharpset.fits; print([m for m in ('pandas', 'scipy', 'statsmodels', 'patsy') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"
