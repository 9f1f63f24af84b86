#!/usr/bin/env python3
"""Set up sharpset and run it; needs nothing but Python 3.11 to 3.13.

    python3 kit.py demo      set everything up, then run the main job on the sample scans
    python3 kit.py test      set everything up, then run the tests
    python3 kit.py lab       set everything up, then open the notebooks in JupyterLab
    python3 kit.py run ...   set everything up, then run `sharpset ...`
    python3 kit.py setup     set everything up only

Everything is installed into the folder .venv beside this file from requirements.lock, whose
hashes pip checks. A second call finds the set-up done and starts at once.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
VENV = HERE / ".venv"
LOCK = HERE / "requirements.lock"
STAMP = VENV / "set-up-from.txt"
OLDEST, NEWEST = (3, 11), (3, 13)


class KitError(Exception):
    """Set-up cannot go on; the text says what to do."""


def check_python() -> None:
    """Refuse a Python that the lock file does not cover."""
    if not OLDEST <= sys.version_info[:2] <= NEWEST:
        raise KitError(
            f"Python {sys.version_info.major}.{sys.version_info.minor} runs this script; sharpset needs "
            f"{OLDEST[0]}.{OLDEST[1]} to {NEWEST[0]}.{NEWEST[1]}. Install one of these and call it by name, "
            "for example: python3.12 kit.py demo"
        )


def venv_python() -> Path:
    """Return the interpreter of the project's environment."""
    return VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def fingerprint() -> str:
    """Return what the set-up depends on: lock file, package description, Python, place."""
    digest = hashlib.sha256()
    for path in (LOCK, HERE / "pyproject.toml"):
        digest.update(path.read_bytes())
    digest.update(f"{sys.version_info[:3]} {HERE}".encode())
    return digest.hexdigest()


def run(command: list[str], *, what: str, hint: str) -> None:
    """Run one set-up step; turn its failure into one clear message."""
    # Whatever encoding the system's messages have, a letter that is none is no reason to stop.
    result = subprocess.run(command, cwd=HERE, capture_output=True, encoding="utf-8", errors="replace", check=False)
    if result.returncode:
        last = [line for line in (result.stderr or result.stdout).splitlines() if line.strip()][-12:]
        raise KitError(f"{what} failed. {hint}\n" + "\n".join("    " + line for line in last))


def make_environment() -> None:
    """Create .venv from the standard library's venv module."""
    try:
        import ensurepip  # noqa: F401
        import venv
    except ImportError as error:
        raise KitError(
            f"This Python has no {error.name} module, so no environment can be made. On Debian and Ubuntu install "
            f"it with: apt install python{sys.version_info.major}.{sys.version_info.minor}-venv"
        ) from error
    try:
        if VENV.exists():
            shutil.rmtree(VENV)
        venv.EnvBuilder(with_pip=True, clear=True).create(VENV)
    except (OSError, subprocess.CalledProcessError) as error:
        raise KitError(
            f"{VENV} could not be made: {error}. Is the folder writable, the disk not "
            "full, and nothing that runs from .venv still open?"
        ) from error


def set_up() -> None:
    """Install the locked packages and sharpset itself, unless that is done already."""
    if STAMP.is_file() and venv_python().is_file() and STAMP.read_text(encoding="ascii") == fingerprint():
        return
    print("Setting up sharpset in .venv (once; a few minutes, about 1.5 GB on disk) ...", flush=True)
    make_environment()
    pip = [str(venv_python()), "-m", "pip", "--disable-pip-version-check"]
    print("  packages from requirements.lock ...", flush=True)
    # The lock names every package, so nothing is resolved anew: where a package is also asked for with an extra, older
    # pips look past its pin, take the newest one and then miss its hash. Whether all fits together is asked afterwards.
    run(
        [*pip, "install", "--quiet", "--no-deps", "--require-hashes", "--only-binary", ":all:", "-r", str(LOCK)],
        what="Installing the locked packages",
        hint="Is there a network connection and enough disk space? Then call kit.py again. What pip said last:",
    )
    run([*pip, "check"], what="Checking that the locked packages fit together", hint="What pip said last:")
    print("  sharpset ...", flush=True)
    run(
        [*pip, "install", "--quiet", "--no-deps", "--no-build-isolation", "--editable", str(HERE)],
        what="Installing sharpset",
        hint="What pip said last:",
    )
    STAMP.write_text(fingerprint(), encoding="ascii")
    print("  done.", flush=True)


def launch(arguments: list[str]) -> int:
    """Run a module inside the environment and pass its exit status on."""
    environment = {**os.environ, "PYTHONUTF8": "1"}
    try:
        return subprocess.call([str(venv_python()), "-m", *arguments], cwd=HERE, env=environment)
    except KeyboardInterrupt:
        return 130


def main(words: list[str]) -> int:
    """Do what the command line asks."""
    verb, rest = (words[0], words[1:]) if words else ("help", [])
    runs = {
        "setup": None,
        "demo": ["sharpset", "demo", *rest],
        "run": ["sharpset", *rest],
        "test": ["pytest", "--nbval", "--nbval-current-env", "-n", "2", "--dist", "loadfile", *rest],
        "lab": ["jupyterlab", "--notebook-dir", str(HERE / "notebooks"), *rest],
    }
    if verb not in runs:
        print(__doc__)
        return 0 if verb in ("help", "-h", "--help") else 2
    try:
        check_python()
        set_up()
    except KitError as error:
        print(f"kit.py: {error}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("\nkit.py: stopped; the next call sets up what is missing", file=sys.stderr)
        return 130
    command = runs[verb]
    return 0 if command is None else launch(command)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
