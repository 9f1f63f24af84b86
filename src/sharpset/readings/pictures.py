"""The pictures that a command line means: files, folders, patterns that the shell left as they are."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable
from pathlib import Path

from sharpset.errors import ReadingError

__all__ = ["pictures_named", "usual_jobs"]

_ENDINGS = (".tif", ".tiff", ".png", ".jpg", ".jpeg")
_FEW_PICTURES, _USUAL_JOBS = 4, 4
"""A process takes as long to start as a small scan takes to be read; each holds a whole picture in memory."""


def pictures_named(named: Iterable[Path]) -> list[Path]:
    """Return the pictures that are meant, in the order named; those of a folder or pattern by name.

    Parameters
    ----------
    named : iterable of Path
        Files are taken as they are; of a folder its TIFF, PNG and JPEG files; ``*`` and ``?`` in a name stand for
        any letters, as on Windows no shell puts the names in.

    Raises
    ------
    ReadingError
        If a folder or pattern holds none, or a picture is meant twice, be it under another name.
    """
    found: list[Path] = []
    for one in named:
        if one.is_dir():
            inside = sorted(p for p in one.iterdir() if p.suffix.lower() in _ENDINGS and not p.name.startswith("."))
            if not inside:
                raise ReadingError(f"{one}: no TIFF, PNG or JPEG picture lies in this folder. {_where_else(one)}")
            found += inside
        elif any(letter in one.name for letter in "*?") and not one.exists():
            inside = sorted(p for p in one.parent.glob(one.name) if p.is_file())
            if not inside:
                raise ReadingError(f"{one}: no file has such a name. Name the scans, or their folder.")
            found += inside
        else:
            found.append(one)
    _refuse_twins(found)
    return found


def _where_else(folder: Path) -> str:
    """Say in which folders below pictures lie that may be meant; they are not taken unasked."""
    below = sorted(p for p in folder.iterdir() if p.is_dir() and any(q.suffix.lower() in _ENDINGS for q in p.iterdir()))
    return f"Name {below[0]}, where some lie." if below else "Name the scans."


def _refuse_twins(found: list[Path]) -> None:
    """Refuse a picture that is named twice: counted as two scans it would vouch for itself."""
    places: dict[Path, Path] = {}
    sizes: dict[int, list[Path]] = {}
    for path in found:
        if path.resolve() in places:
            raise ReadingError(f"{path}: is named twice. Name each picture once; a repeat is another scan.")
        places[path.resolve()] = path
        if path.is_file():
            sizes.setdefault(path.stat().st_size, []).append(path)
    for alike in (paths for size, paths in sizes.items() if size and len(paths) > 1):
        seen: dict[str, Path] = {}
        for path in alike:
            try:
                with path.open("rb") as file:
                    digest = hashlib.file_digest(file, "sha256").hexdigest()
            except OSError:
                continue
            if digest in seen:
                raise ReadingError(
                    f"{path}: is the same picture as {seen[digest]}, byte for byte. Name one of them; a repeat is "
                    "another scan."
                )
            seen[digest] = path


def usual_jobs(n_pictures: int) -> int:
    """Return how many of some pictures are worth reading at a time: one a processor, at most four."""
    return 1 if n_pictures < _FEW_PICTURES else min(_USUAL_JOBS, os.cpu_count() or 1)
