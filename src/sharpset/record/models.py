"""The tables of the record.

Every entry is a row of ``entry`` and a row of the table of its kind, and is never changed
afterwards. A correction is a new entry; ``corrects_id`` points to the entry it corrects and
``first_id`` to the first of the chain. ``search_detail`` and nothing else is derived and may be
rebuilt at any time.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import JSON, BigInteger, Float, ForeignKey, Index, Integer, LargeBinary, MetaData, String, Text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

__all__ = [
    "Base",
    "EntryRow",
    "MaterialRow",
    "PieceRow",
    "PrintRow",
    "PrinterRow",
    "ReadingSizeRow",
    "ReadingsRow",
    "RecipeRow",
    "ScanRow",
]

_KEY = BigInteger().with_variant(Integer, "sqlite")
_NAMES = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}


class Base(DeclarativeBase):
    """Root of the tables."""

    metadata = MetaData(naming_convention=_NAMES)


def _own_key() -> Mapped[int]:
    return mapped_column(_KEY, ForeignKey("entry.id"), primary_key=True)


def _ref(*, required: bool = False) -> Any:
    return mapped_column(_KEY, ForeignKey("entry.id"), nullable=not required, index=True)


class EntryRow(Base):
    """What all entries have."""

    __tablename__ = "entry"
    id: Mapped[int] = mapped_column(_KEY, primary_key=True)
    uuid: Mapped[str] = mapped_column(String(36), unique=True)
    code: Mapped[str] = mapped_column(String(6), index=True)
    kind: Mapped[str] = mapped_column(String(16))
    name: Mapped[str] = mapped_column(Text)
    created_utc: Mapped[str] = mapped_column(String(27))
    corrects_id: Mapped[int | None] = mapped_column(_KEY, ForeignKey("entry.id"), index=True)
    first_id: Mapped[int | None] = mapped_column(_KEY, ForeignKey("entry.id"), index=True)
    by: Mapped[str] = mapped_column(Text)
    note: Mapped[str] = mapped_column(Text)
    sha256: Mapped[str] = mapped_column(String(64))
    __table_args__ = (
        Index("ix_entry_kind_created_utc", "kind", "created_utc"),
        Index("ix_entry_kind_name", "kind", "name"),
    )


class PrinterRow(Base):
    """A printer."""

    __tablename__ = "printer"
    id: Mapped[int] = _own_key()
    process: Mapped[str] = mapped_column(String(16))
    details: Mapped[dict[str, Any]] = mapped_column(JSON)


class MaterialRow(Base):
    """A material."""

    __tablename__ = "material"
    id: Mapped[int] = _own_key()
    process: Mapped[str | None] = mapped_column(String(16))
    supplier: Mapped[str | None] = mapped_column(Text)
    details: Mapped[dict[str, Any]] = mapped_column(JSON)


class PieceRow(Base):
    """A test piece, or the model of a master."""

    __tablename__ = "piece"
    id: Mapped[int] = _own_key()
    type: Mapped[str | None] = mapped_column(Text)
    version: Mapped[str | None] = mapped_column(Text)
    definition: Mapped[dict[str, Any]] = mapped_column(JSON)


class PrintRow(Base):
    """A print job with all its settings."""

    __tablename__ = "print_job"
    id: Mapped[int] = _own_key()
    printer_id: Mapped[int] = _ref(required=True)
    material_id: Mapped[int | None] = _ref()
    piece_id: Mapped[int | None] = _ref()
    run_id: Mapped[str | None] = mapped_column(Text, index=True)
    plan_id: Mapped[str | None] = mapped_column(Text)
    printed_utc: Mapped[str | None] = mapped_column(String(27))
    duration_h: Mapped[float | None] = mapped_column(Float(53))
    outcome: Mapped[str | None] = mapped_column(Text)
    settings: Mapped[dict[str, Any]] = mapped_column(JSON)
    details: Mapped[dict[str, Any]] = mapped_column(JSON)


class ScanRow(Base):
    """A picture of a piece: what it hashes to and where it lies."""

    __tablename__ = "scan"
    id: Mapped[int] = _own_key()
    print_id: Mapped[int | None] = _ref()
    piece_id: Mapped[int | None] = _ref()
    path: Mapped[str] = mapped_column(Text)
    file_sha256: Mapped[str] = mapped_column(String(64), index=True)
    n_bytes: Mapped[int] = mapped_column(BigInteger)
    dpi: Mapped[float | None] = mapped_column(Float(53))
    scanner: Mapped[str | None] = mapped_column(Text)
    scanned_utc: Mapped[str | None] = mapped_column(String(27))
    details: Mapped[dict[str, Any]] = mapped_column(JSON)


class ReadingsRow(Base):
    """The table of readings of one scan, packed."""

    __tablename__ = "readings"
    id: Mapped[int] = _own_key()
    scan_id: Mapped[int | None] = _ref()
    print_id: Mapped[int | None] = _ref()
    piece_id: Mapped[int | None] = _ref()
    n_rows: Mapped[int] = mapped_column(Integer)
    table_sha256: Mapped[str] = mapped_column(String(64))
    packed: Mapped[bytes] = mapped_column(LargeBinary)


class ReadingSizeRow(Base):
    """What the readings of one scan say about one kind and one nominal size."""

    __tablename__ = "reading_size"
    readings_id: Mapped[int] = mapped_column(_KEY, ForeignKey("entry.id"), primary_key=True)
    kind: Mapped[str] = mapped_column(String(32), primary_key=True)
    nominal_mm: Mapped[float] = mapped_column(Float(53), primary_key=True)
    n: Mapped[int] = mapped_column(Integer)
    n_formed: Mapped[int] = mapped_column(Integer)
    n_partly: Mapped[int] = mapped_column(Integer)
    mean_deviation_mm: Mapped[float | None] = mapped_column(Float(53))
    sd_deviation_mm: Mapped[float | None] = mapped_column(Float(53))
    __table_args__ = ({"sqlite_with_rowid": False},)


class RecipeRow(Base):
    """Settings that worked, and what they were proven to form."""

    __tablename__ = "recipe"
    id: Mapped[int] = _own_key()
    printer_id: Mapped[int | None] = _ref()
    material_id: Mapped[int | None] = _ref()
    status: Mapped[str] = mapped_column(String(16))
    settings: Mapped[dict[str, Any]] = mapped_column(JSON)
    details: Mapped[dict[str, Any]] = mapped_column(JSON)
