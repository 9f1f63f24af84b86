"""Files that belong to entries: hashed where they lie, and kept inside the record if wanted."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, insert, select

from sharpset.errors import RecordError
from sharpset.record.models import StoredFileRow

__all__ = ["LARGEST_KEPT_BYTES", "FileRef", "HashedFile", "hash_file", "hash_files", "keep_content", "stored_content"]

LARGEST_KEPT_BYTES = 256 * 2**20
LONGEST_ROLE = 64


@dataclass(frozen=True, kw_only=True, slots=True)
class FileRef:
    """A file that belongs to an entry.

    Attributes
    ----------
    role : str
        What it is to the entry: model, profile, report, features ...
    path : str
        Where it lay when the entry was made.
    file_sha256 : str
    n_bytes : int
    kept : bool
        Whether its content is kept inside the record.
    """

    role: str
    path: str
    file_sha256: str
    n_bytes: int
    kept: bool

    def summary(self) -> str:
        """Return the file in one line."""
        kept = "kept in the record" if self.kept else "not kept in the record"
        return f"{self.path} ({self.n_bytes} bytes, sha256 {self.file_sha256[:12]}..., {kept})"


@dataclass(frozen=True, kw_only=True, slots=True)
class HashedFile:
    """A file as it goes into a document, and its content where it is to be kept."""

    part: dict[str, Any]
    content: bytes | None


def _open_fault(path: Path | str, error: OSError) -> RecordError:
    return RecordError(f"{path}: the file cannot be read ({error.strerror}). Check its path.")


def hash_file(path: Path | str) -> tuple[str, int]:
    """Return the SHA-256 and the size in bytes of a file."""
    digest = hashlib.sha256()
    n_bytes = 0
    try:
        with Path(path).open("rb") as file:
            while block := file.read(1 << 20):
                digest.update(block)
                n_bytes += len(block)
    except OSError as error:
        raise _open_fault(path, error) from error
    return digest.hexdigest(), n_bytes


def hash_files(files: Mapping[str, Path | str], *, keep: bool) -> list[HashedFile]:
    """Hash files by role, read them where they are to be kept.

    Raises
    ------
    RecordError
        If a file cannot be read, or is too large to be kept.
    """
    hashed = []
    for role, path in sorted(files.items()):
        if not 0 < len(role) <= LONGEST_ROLE:
            raise RecordError(f"{path}: its role {role!r} must have 1 to {LONGEST_ROLE} characters, for example model.")
        content = None
        if keep:
            try:
                size = Path(path).stat().st_size
                if size > LARGEST_KEPT_BYTES:
                    raise RecordError(
                        f"{path}: {size / 2**20:.0f} MB are too much to keep inside the record (up to "
                        f"{LARGEST_KEPT_BYTES // 2**20} MB). Note it without keeping it (--not-kept)."
                    )
                content = Path(path).read_bytes()
            except OSError as error:
                raise _open_fault(path, error) from error
            file_sha256, n_bytes = hashlib.sha256(content).hexdigest(), len(content)
        else:
            file_sha256, n_bytes = hash_file(path)
        part = {"role": role, "path": str(path), "file_sha256": file_sha256, "n_bytes": n_bytes}
        hashed.append(HashedFile(part=part, content=content))
    return hashed


def keep_content(connection: Connection, content: bytes) -> str:
    """Keep a content in the record unless it is there already; return its SHA-256."""
    file_sha256 = hashlib.sha256(content).hexdigest()
    there = select(StoredFileRow.file_sha256).where(StoredFileRow.file_sha256 == file_sha256)
    if connection.execute(there).first() is None:
        row = {"file_sha256": file_sha256, "n_bytes": len(content), "packed": zlib.compress(content, 6)}
        connection.execute(insert(StoredFileRow), row)
    return file_sha256


def stored_content(connection: Connection, file_sha256: str) -> bytes | None:
    """Return a content that is kept in the record, None where it is not.

    Raises
    ------
    RecordError
        If what is kept is not what was put there.
    """
    query = select(StoredFileRow.packed).where(StoredFileRow.file_sha256 == file_sha256)
    packed = connection.execute(query).scalar_one_or_none()
    if packed is None:
        return None
    try:
        content = zlib.decompress(packed)
    except zlib.error as error:
        raise RecordError(f"kept file {file_sha256[:12]}: its content is damaged. Restore a backup.") from error
    if hashlib.sha256(content).hexdigest() != file_sha256:
        raise RecordError(f"kept file {file_sha256[:12]}: its content has changed. Restore a backup.")
    return content
